"""Clipped light that is no star's: the cores of galaxies, and stars' places in the middle of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import cv2
import numpy as np

from layerblend.kinds import Array, Mask, Plane
from layerblend.maths.clipped import values_at
from layerblend.steps.split.haloes import SECTORS, read_cells
from layerblend.steps.split.mask import Blobs

# Beside a clipped core its light is followed in rings of so many FWHM, of at least so many pixels.
FALL_STEP, FALL_REACH, FALL_PX = 0.25, 6.0, 8
# A star's falls to half within this many FWHM or, where its image says more, so many times as far: some 400 simulated stars needed 1.16
# times as far at most, real ones of a crowded field .9 of the first figure. A galaxy's core is this share as bright beside its rim.
LEAST_FALL, MOST_FALL, LEAST_RIM = 0.55, 1.4, 0.4
# Farther out a star has at least this share of the light that the stars' common halo tells.
LEAST_TAIL = 0.7
# A point in the middle of a bulge: so many FWHM beside the clip its surroundings are, in all directions but one, brighter by these shares
# than the star alone would be that gives all light at the rim. On 17 simulated bulges they were .8 and 2 times brighter at least, round
# stars on sky and on galaxies .2 and 1.3 at most.
HILL_AT, HILL_SHARE = (1.5, 2.5), (0.4, 1.0)
# In its middle opposite sides are usually alike (to .01 of its height, with a dust lane to .24; two or three FWHM off they differ by .7),
# and in no direction but one it goes on as an arm does.
MOST_ASKEW, MOST_FAR = 0.4, 0.4
# The hill stands on what is seen so many FWHM out; it is looked at in so many rings.
HILL_REACH, HILL_RINGS = 10.0, 14


def part_broad(
    blobs: Blobs,
    plane: Plane,
    valid: Mask,
    fwhm: float,
    light: Callable[[Array], Array],
    judged: Array | None = None,
    stars: Array | Sequence[Sequence[float]] = (),
    *,
    hills: Mask | None = None,
) -> tuple[Blobs, Array]:
    """The clipped stars, and the places (n, 2), x, y px, of clipped light that is none: the cores of galaxies.

    They fall off too slowly for a star, or have a point in the middle of a hill.

    Parameters
    ----------
    blobs : everything that clipped
    plane : (H, W) float32, linear, finite
    valid : (H, W) bool, pixels with data
    fwhm : width of the stars, px
    light : a star's light at distances from its middle, FWHM
    judged : catalogue of another stack of the same place, whose verdicts on what clipped in both are taken over
    stars : (n, 2), x, y px, places that the imager knows for stars
    hills : (H, W) bool, clipped light that may be a point on a hill; ``light`` must hold the halo that it shows, else that passes for one
    """
    _, labels, stats, middles = cv2.connectedComponentsWithStats(blobs.mask.astype(np.uint8), connectivity=8)
    home = values_at(labels, blobs.x, blobs.y)
    broad = np.zeros(len(stats), bool)
    for k in set(home.tolist()) - {0}:
        broad[k] = _falls_slowly(k, labels, stats[k], plane, valid, fwhm, light)
    if hills is not None:
        points = np.setdiff1d(home[values_at(hills, blobs.x, blobs.y)], np.flatnonzero(broad))
        radius = np.sqrt(stats[points, 4] / np.pi)
        broad[points] = _on_hills(middles[points], radius, plane, valid & (labels == 0), fwhm, light)
    if judged is not None:
        rows = judged[judged["saturated"]]
        broad[values_at(labels, rows["x"], rows["y"])] = rows["kept"] == "broad"
    broad[values_at(labels, *np.reshape(stars, (-1, 2)).T)] = False
    broad[0] = False
    star, gone = ~broad[home], broad[labels]
    kept = Blobs(blobs.x[star], blobs.y[star], blobs.radius[star], blobs.mask & ~gone, blobs.small & ~gone)
    return kept, middles[broad]


def _falls_slowly(k: int, labels: Array, stat: Array, plane: Plane, valid: Mask, fwhm: float, light: Callable[[Array], Array]) -> bool:
    """Blob ``k`` of ``labels`` (box and area: ``stat``) is no star by the light round it."""
    x0, y0, width, height, area = stat
    margin = round((FALL_REACH + 1) * fwhm)
    box = (slice(max(y0 - margin, 0), y0 + height + margin), slice(max(x0 - margin, 0), x0 + width + margin))
    away = cv2.distanceTransform((labels[box] != k).astype(np.uint8), cv2.DIST_L2, 5) / fwhm
    place, level = _ring_levels(plane[box], away, valid[box] & (labels[box] == 0))
    rim = LEAST_RIM * float(np.median(plane[box][labels[box] == k]))
    if len(level) < 2 or level[0] - level[-1] <= rim:
        return False  # beside a hot pixel nothing is
    return _unlike_star(place, level, light(float(np.sqrt(area / np.pi)) / fwhm + place))


def _ring_levels(plane: Plane, away: Plane, seen: Mask) -> tuple[Array, Array]:
    """Rings round a core in which enough is seen: distance from its rim (FWHM), and the median light there."""
    step = np.floor(away / FALL_STEP).astype(int)
    rings = [(place, plane[seen & (step == place)]) for place in range(round(FALL_REACH / FALL_STEP))]
    known = [((place + 0.5) * FALL_STEP, np.median(ring)) for place, ring in rings if len(ring) >= FALL_PX]
    place, level = np.array(known, float).reshape(-1, 2).T
    return place, level


def _unlike_star(place: Array, level: Array, star: Array) -> bool:
    """Light that falls off more slowly than a star's, or that does and ends where a star so bright would still shine."""
    fall = _half_fall(place, level)
    if fall <= LEAST_FALL:
        return False
    far = slice(-len(place) // 3, None)
    ends = np.median(level[far]) / level[0] < LEAST_TAIL * np.median(star[far]) / star[0]
    return bool(ends or fall > MOST_FALL * _half_fall(place, star))


def _half_fall(place: Array, level: Array) -> float:
    """How far from the first place the light over the last one's has fallen to half."""
    level = (level - level[-1]) / (level[0] - level[-1])
    last = np.flatnonzero(level <= 0.5)[0]
    return float(np.interp(-0.5, -level[last - 1 : last + 1], place[last - 1 : last + 1]) - place[0])


def _on_hills(places: Array, radius: Array, plane: Plane, seen: Mask, fwhm: float, light: Callable[[Array], Array]) -> Mask:
    """(n,) whether clipped discs stand in the middle of hills: bright all round, as the middles of galaxies are.

    Opposite sectors are averaged, so a slope is no hill; the darkest pair but one decides, for one may hold another star. A flank is none,
    as its opposite sides differ, nor a ridge, as it goes on.
    """
    inner = radius + 0.35 * fwhm
    outer = inner + HILL_REACH * fwhm
    cells, _ = read_cells(plane, seen, places[:, 0].copy(), places[:, 1].copy(), inner, outer, HILL_RINGS)
    away = inner[:, None] * (outer / inner)[:, None] ** ((np.arange(HILL_RINGS) + 0.5) / HILL_RINGS)
    one, other = cells[..., : SECTORS // 2], cells[..., SECTORS // 2 :]
    pairs, askew = np.sort(0.5 * (one + other), -1), np.sort(0.5 * np.abs(one - other), -1)[..., SECTORS // 4]
    dark, usual, bright = pairs[..., 1], pairs[..., SECTORS // 4], pairs[..., -2]
    star = light(away / fwhm)
    star *= ((usual[:, 0] - usual[:, -1]) / star[:, 0])[:, None]
    near, far = (np.abs(away - radius[:, None] - at * fwhm).argmin(1) for at in HILL_AT)
    some = np.arange(len(places))
    high = [dark[some, ring] - usual[:, -1] > (1 + share) * star[some, ring] for ring, share in zip((near, far), HILL_SHARE, strict=True)]
    even = askew[some, far] < MOST_ASKEW * (usual[some, far] - star[some, far] - usual[:, -1])
    ends = bright[:, -1] - dark[:, -1] < MOST_FAR * (bright[some, near] - star[some, near] - dark[:, -1])
    return np.asarray(high[0] & high[1] & even & ends)
