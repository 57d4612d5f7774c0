"""A star has one colour: what debayering and registration make of a steep star image has many.

Linear debayering predicts one channel from another's slopes. On a star of three pixels and of strong colour it misses: a pale middle, a
ring of stronger colour, dots at the rim where a channel is near 0 (Malvar, He & Cutler 2004, ICASSP, on such errors at edges). They stand
at the same place in every frame that is not turned, so stacking leaves them, and the sharper the stack, the stronger they are.
"""

from __future__ import annotations

import cv2
import numpy as np
import scipy

from layerblend.kinds import Array, LinearImage
from layerblend.maths.bands import each
from layerblend.maths.noise import Y_WEIGHTS

# Colours are evened within so many widths of the middle or of the clipped core, softly to the end; by light pooled over this width.
REACH_FWHM, SOFT_FWHM, POOL_FWHM = 2.4, 0.7, 0.9
# A star is left alone if another of this share of its light shines within this distance beyond the reach; round fainter ones a hole is
# left, for what they shed is of another colour, unless they are fainter than the last figure.
RIVAL, RIVAL_FWHM, HOLE_FWHM, FAINTEST, LEAST_SEEN = 0.5, 1.5, 1.2, 0.003, 0.3
MOST_STARS = 1000
NEAR_WHITE, BETA = 0.9, 3.0
TINY = 1e-12


def even_colours(image: LinearImage, starless: LinearImage, catalogue: Array, fwhm: float) -> LinearImage:
    """The picture with one colour in every star that stands alone: pixels keep their luminance and take the colour of the light round them.

    Parameters
    ----------
    image, starless : (H, W, 3) float32, linear light, 1.0 = white level, with and without stars; NaN = no data
    catalogue : the split's sources, with ``x``, ``y``, ``flux`` and ``peak`` by channel, ``kept`` (empty for stars)
    fwhm : float, px, width of the stars

    Returns
    -------
    (H, W, 3) float32. The luminance (R + 2G + B)/4 of every pixel stays; the brightest 1000 stars are seen to.
    """
    stars = np.flatnonzero(catalogue["kept"] == "")
    out = image.copy()
    if image.ndim == 2 or not len(stars) or catalogue["flux"].ndim < 2:
        return out
    place = np.stack([catalogue["x"], catalogue["y"]], 1).astype(float)
    light, peak = (catalogue[name].astype(float) @ Y_WEIGHTS for name in ("flux", "peak"))
    stars = stars[np.argsort(-light[stars], kind="stable")][:MOST_STARS]
    stars = stars[light[stars] > 0]
    reach = REACH_FWHM * fwhm + _core_radius(catalogue["peak"][stars].max(-1).astype(float), fwhm)
    tree = scipy.spatial.cKDTree(place)
    near = tree.query_ball_point(place[stars], reach + RIVAL_FWHM * fwhm)

    def patch(k: int) -> tuple[tuple[slice, slice], Array] | None:
        star = stars[k]
        others = np.array([j for j in near[k] if j != star and light[j] > FAINTEST * light[star]], int)
        # what shows less than a share of the star's own light there is a dot of debayering, taken for a source
        fall = (1 + (2 ** (1 / BETA) - 1) * (np.hypot(*(place[others] - place[star]).T) / (0.5 * fwhm)) ** 2) ** -BETA
        others = others[peak[others] > LEAST_SEEN * peak[star] * fall]
        if (light[others] > RIVAL * light[star]).any():
            return None
        return _evened(image, starless, place[star], place[others], float(reach[k]), fwhm)

    for found in each(patch, range(len(stars))):
        if found is not None:
            box, change = found
            out[box] += change
    return out


def _core_radius(peak: Array, fwhm: float) -> Array:
    """(n,) px, where a star of such a peak falls below the white level; 0 for those that do not reach it."""
    over = np.maximum(peak / NEAR_WHITE, 1.0)
    return np.asarray(0.5 * fwhm * np.sqrt((over ** (1 / BETA) - 1) / (2 ** (1 / BETA) - 1)))


def _evened(
    image: LinearImage, starless: LinearImage, place: Array, others: Array, reach: float, fwhm: float
) -> tuple[tuple[slice, slice], Array] | None:
    """Rows and columns round a star and what is added to them; None at a place without data."""
    x, y, far = float(place[0]), float(place[1]), int(np.ceil(reach + 2 * POOL_FWHM * fwhm))
    rows = slice(max(round(y) - far, 0), max(round(y) + far + 1, 0))
    columns = slice(max(round(x) - far, 0), max(round(x) + far + 1, 0))
    light = image[rows, columns] - starless[rows, columns]
    if light.size == 0 or not np.isfinite(light).all():
        return None
    yy, xx = np.mgrid[rows.start : rows.start + light.shape[0], columns.start : columns.start + light.shape[1]]
    share = np.clip((reach - np.hypot(xx - x, yy - y)) / (SOFT_FWHM * fwhm), 0, 1)
    for ox, oy in others:
        share *= np.clip((np.hypot(xx - ox, yy - oy) - HOLE_FWHM * fwhm) / (SOFT_FWHM * fwhm) + 1, 0, 1)
    own = (share > 0)[..., None] * np.maximum(light, 0)
    pooled = cv2.GaussianBlur(own, (0, 0), POOL_FWHM * fwhm, borderType=cv2.BORDER_REFLECT_101).astype(float)
    bright, luminance = pooled @ Y_WEIGHTS, light.astype(float) @ Y_WEIGHTS
    share *= (luminance > 0) & (bright > TINY)
    wanted = luminance[..., None] * pooled / np.maximum(bright, TINY)[..., None]
    return (rows, columns), (share[..., None] * (wanted - light)).astype(np.float32)
