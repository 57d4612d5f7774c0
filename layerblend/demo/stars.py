"""Stars of the demo, drawn at their exact places: light over pixels, no transform, so that bright ones do not ring."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from layerblend.kinds import Array
from layerblend.maths.moffat import inverse_shape

FAINTEST_LIGHT = 0.05  # a star is drawn out to where its light falls below this, in the units of its flux per pixel
FINE_PX = 4.0  # px from the middle within which each pixel is sampled 3 x 3 times


def draw_stars(
    image: Array,
    x: Array,
    y: Array,
    flux: Array,
    fwhm: Array,
    beta: float,
    *,
    eccentricity: float = 0.0,
    angle: float = 0.0,
) -> None:
    """Add elliptical Moffat stars to a plane, in place.

    Parameters
    ----------
    image : (H, W) float32
    x, y, flux, fwhm : (n,) places in px, total light, widths in px (geometric mean of both axes)
    beta, eccentricity, angle : shape of all stars; angle in degrees from +x towards +y

    References
    ----------
    Moffat 1969, A&A 3, 455
    """
    p, q, r = inverse_shape(1.0, beta, eccentricity, angle)
    unit_area = math.pi / ((beta - 1) * math.sqrt(p * r - q * q))
    peak = np.asarray(flux, np.float64) / (unit_area * np.asarray(fwhm, np.float64) ** 2)
    longest = 1 / math.sqrt(min(p, r, (p + r) / 2 - math.hypot((p - r) / 2, q)))
    reach = np.asarray(fwhm) * longest * (np.maximum(peak / FAINTEST_LIGHT, 1.0)) ** (1 / (2 * beta)) + 1.5
    columns, rows, widths = (np.ascontiguousarray(v, np.float64) for v in (x, y, fwhm))
    _draw(image, columns, rows, widths, peak, np.ceil(reach).astype(np.int64), p, q, r, beta)


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _draw(
    image: Array, x: Array, y: Array, fwhm: Array, peak: Array, reach: Array, p: float, q: float, r: float, beta: float
) -> None:  # pragma: no cover - compiled
    height, width = image.shape
    for n in range(x.size):
        scale = 1 / fwhm[n] ** 2
        cx, cy = int(np.rint(x[n])), int(np.rint(y[n]))
        for row in range(max(cy - reach[n], 0), min(cy + reach[n] + 1, height)):
            for column in range(max(cx - reach[n], 0), min(cx + reach[n] + 1, width)):
                dx, dy = column - x[n], row - y[n]
                if dx * dx + dy * dy > FINE_PX * FINE_PX:
                    share = (1 + scale * (p * dx * dx + 2 * q * dx * dy + r * dy * dy)) ** -beta
                else:
                    share = 0.0
                    for v in range(-1, 2):
                        for u in range(-1, 2):
                            fx, fy = dx + u / 3, dy + v / 3
                            share += (1 + scale * (p * fx * fx + 2 * q * fx * fy + r * fy * fy)) ** -beta / 9
                image[row, column] += np.float32(peak[n] * share)
