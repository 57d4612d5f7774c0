"""The ground under a bright star's wide light has the colour of the ground round it.

What a clipped star's halo holds is told in every channel apart, and on a galaxy each errs on its own by a tenth of the star's light: a
green disc, ten times the noise, stood in the starless picture behind a star before a spiral's disc. How bright the ground is there nobody
knows better; its colour is known from farther out, where little of the star is seen. So in rings the ground takes that colour, as far as
the star outshines it, and keeps its luminance; what one direction has more than another stays.
"""

from __future__ import annotations

import numpy as np

from layerblend.kinds import Array, Mask, Plane
from layerblend.maths.noise import Y_WEIGHTS
from layerblend.steps.split.haloes import medians_of, read_cells, together

RINGS, INNER_FWHM, LEAST_FWHM, MOST_FWHM, OUTER_SHARE = 20, 0.5, 8.0, 30.0, 0.25
TOGETHER, MOST_STARS = 1.0, 120
# Error of the star's light in a channel, as a share of it; how far the ground's colour may change on its way from the outer rings, as a
# share of its light, and mostly does; what a ring tells at best, in sigma of a pixel.
STAR_ERROR, GROUND_VARIES, OWN_VARIES, RING_ERROR = 0.2, 0.15, 0.1, 0.1
# Rings in which the star holds less than this share of the ground (and a pixel's noise) tell the ground's colour; at least so many do.
FAINT_STAR, LEAST_RINGS = 0.5, 3
# Ground lower than so many sigma has no colour of its own: it goes to that of the sky.
COLOURED = 3.0
FADE_RINGS = 3


def even_tint(starless: Array, taken: Plane, valid: Mask, noise: float, geo: Array, peak: Array, blob: Array, fwhm: float) -> None:
    """Give the ground under clipped stars the colour of the ground round them, in place.

    Parameters
    ----------
    starless : (3, H, W) float32, changed
    taken : (H, W) float32, star light in Y that was taken away
    valid : (H, W) bool, where data is
    noise : float, sd of a pixel of Y
    geo, peak, blob : the clipped stars among the sources, see `sources.Sources`
    fwhm : float, px
    """
    _, x, y, top, hidden = together(geo, peak, blob, TOGETHER * fwhm)
    least = OUTER_SHARE * min(taken.shape)
    outer = np.clip(2.6 * (top / noise / 40) ** 0.40, LEAST_FWHM, MOST_FWHM) * fwhm
    outer = np.minimum(np.maximum(outer, 3 * hidden), least)
    for s in np.argsort(-top, kind="stable")[:MOST_STARS]:
        if outer[s] > 2 * INNER_FWHM * fwhm:
            _even_one(starless, taken, valid, noise, x[s], y[s], INNER_FWHM * fwhm, outer[s])


def _even_one(starless: Array, taken: Plane, valid: Mask, noise: float, x: float, y: float, inner: float, outer: float) -> None:
    places = np.array([x]), np.array([y]), np.array([inner]), np.array([outer])
    star, *ground = (medians_of(read_cells(plane, valid, *places, RINGS)[0])[0] for plane in (taken, *starless))
    radii = inner * (outer / inner) ** ((np.arange(RINGS) + 0.5) / RINGS)
    known = np.isfinite(star) & np.isfinite(ground).all(0)
    if known.sum() < RINGS // 2:
        return
    change = ring_changes(star[known], np.stack(ground, 1)[known], noise)
    change *= np.clip((np.log(outer / radii[known]) / np.log(outer / inner) * RINGS / FADE_RINGS), 0, 1)[:, None]
    top, left = max(int(y - outer), 0), max(int(x - outer), 0)
    box = slice(top, int(y + outer) + 2), slice(left, int(x + outer) + 2)
    down, right = np.indices(taken[box].shape)
    distance = np.log(np.maximum(np.hypot(down + top - y, right + left - x), 1e-3))
    for c in range(3):
        starless[c][box] += np.interp(distance, np.log(radii[known]), change[:, c], right=0.0).astype(np.float32)


def ring_changes(star: Array, ground: Array, noise: float) -> Array:
    """(K, 3): what the ground of every ring is changed by; Y stays.

    Parameters
    ----------
    star : (K,) light of the star in Y that was taken from the rings, inner ones first
    ground : (K, 3) what is left there
    noise : sd of a pixel in Y
    """
    weights = np.asarray(Y_WEIGHTS, float)
    light = ground @ weights
    faint = star < FAINT_STAR * (np.maximum(light, 0) + noise)
    faint[-LEAST_RINGS:] = True
    around, floor = np.median(ground[faint], 0), COLOURED * noise
    colour = (np.maximum(around, -floor / 2) + floor) / (max(float(around @ weights), -floor / 2) + floor)
    colour /= colour @ weights
    wanted = colour * (light[:, None] + floor) - floor
    error, varies = STAR_ERROR * np.maximum(star, 0), GROUND_VARIES * np.maximum(light, 0)
    share = error**2 / (error**2 + varies**2 + (RING_ERROR * noise) ** 2)
    off = wanted - ground
    # a change of colour that the ground may well have is left alone
    much = np.sqrt(np.square(off).sum(1)) + 1e-30
    return np.asarray((share * np.maximum(1 - OWN_VARIES * np.maximum(light, 0) / much, 0))[:, None] * off)
