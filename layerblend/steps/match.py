"""Match: bring every frame to the reference's brightness and sky, from what grading found, without reading a pixel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial

import numpy as np
import scipy

from layerblend.errors import InputError, check_choice, check_range
from layerblend.kinds import Array, FrameRow, FrameTable
from layerblend.maths.registration import find_registration, registration_fault
from layerblend.maths.robust import MAD_TO_SIGMA, lower_weighted_median
from layerblend.maths.stars import APERTURE_FWHM
from layerblend.maths.surface import MOST_DEGREE, POWERS, term_count, terms_at

SKY_MODES = ("offset", "plane", "off")
WEIGHTS = ("equal", "noise", "sharpness")

PLANE = 1  # degree of a surface
FEWEST_STARS = 5
FEWEST_TILES, TILES_A_TERM = 6, 4
LEAST_SPREAD, LEAST_TO_BEND = 0.3, 1.2
"""Tiles that a plane needs, in all, and that a bent surface needs, for each of its terms; and how far they must spread over -1..1."""
QUIET = 0.15
"""What the sky of a tile is off counts in this share of a pixel's noise at least: less is not seen in any stack. In the noise of a tile,
which is a fiftieth of it, all corners would be outliers to which moonlight bends more steeply than the surface can."""
CLEAR_BEND = 10.0
"""Terms of a higher degree count from this chi-square on, for each of them."""
FAITH = 0.005
"""Relative error below which no single star's flux ratio is believed."""
TINY, NEAR = 1e-9, 1e-7
CLIP = 3.0
TUKEY = 4.685
EXPOSURE_SPREAD = 1.05


@dataclass(frozen=True)
class Matching:
    """How each frame becomes comparable with the reference: value * scale less a surface.

    ``scale`` : (N,) float64. ``planes`` : (N, C, 15) float64, coefficients of the surface in linear light as `maths.surface` orders them
    (c0, cx, cy, then what bends it); u and v run from -1 to 1 over the picture, left to right and top to bottom. ``noise`` : (N,) float64,
    band noise after scaling. ``stars`` : (N,) int, stars the scale rests on.
    ``misplaced`` : for each frame a reason not to use it ("" for none): its stars stand elsewhere than the reference's.
    """

    reference: int
    scale: Array
    planes: Array
    noise: Array
    stars: Array
    misplaced: tuple[str, ...] = ()
    words: tuple[str, ...] = field(default=())


def choose_reference(table: FrameTable) -> int:
    """Index into ``table.used`` of the frame all others are matched to: the best SNR among the sharpest half.

    Frames that cover less than nine tenths of what the fullest frame covers do not stand for election; one without SNR, which shares no
    stars with the others, is taken only where none has it.
    """
    rows = table.used
    if not rows:
        why = next((f" ({row.file}: {row.excluded})" for row in table if row.excluded), "")
        raise InputError(f"No frame is left to stack: every frame is excluded{why}. Loosen frames.exclude.", code="no_frames")
    full = 0.9 * max(row.measure.covered for row in rows)
    able = [i for i, row in enumerate(rows) if row.measure.covered >= full]
    able = [i for i in able if np.isfinite(rows[i].snr)] or able
    able.sort(key=lambda i: rows[i].fwhm_major if np.isfinite(rows[i].fwhm_major) else np.inf)
    sharp_half = able[: max(1, (len(able) + 1) // 2)]
    return max(sharp_half, key=lambda i: (np.nan_to_num(rows[i].snr), -i))


def match_frames(rows: Sequence[FrameRow], reference: int, *, level_sky: str = "plane", match_brightness: bool = True) -> Matching:
    """Brightness by star flux ratios, sky by the tiles' differences, where the target cancels; both fitted robustly.

    Parameters
    ----------
    rows : graded frames, in any order.
    reference : index of the frame that keeps its own brightness and sky.
    level_sky : "offset" moves each channel by one number; "plane" by a tilted plane, bent (up to the fourth degree) where the
        frame's sky clearly bends otherwise than the reference's, as moonlight and errors of the flat field do from night to night; "off"
        leaves the sky alone.
    match_brightness : False leaves brightness alone (then frames of different exposure mix as they are, and the words say so).

    Notes
    -----
    One scale per frame serves all channels, else star colours would change from frame to frame. Where fewer than five stars are shared,
    the graded ``flux_scale`` serves. Surfaces are fitted by iteratively reweighted least squares with Tukey's biweight
    (Beaton & Tukey 1974, Technometrics 16, 147).
    """
    check_choice("level_sky", level_sky, SKY_MODES)
    fixed = rows[reference]
    scale, stars = np.ones(len(rows)), np.zeros(len(rows), int)
    misplaced, words = [""] * len(rows), []
    planes = np.zeros((len(rows), fixed.info.channels, len(POWERS)))
    by_grade = 0
    for i, row in enumerate(rows):
        if i == reference:
            continue
        misplaced[i] = misplacement(row, fixed)
        if match_brightness:
            scale[i], stars[i] = brightness_scale(row, fixed)
            by_grade += stars[i] == 0
        if level_sky != "off":
            planes[i] = sky_planes(row, fixed, scale[i], tilted=level_sky == "plane")
    stars[reference] = len(fixed.measure.star_list)
    if by_grade:
        words.append(
            f"Brightness of {by_grade} of {len(rows)} frames matched by the graded transparency, not star by star: "
            f"they share fewer than {FEWEST_STARS} stars with the reference."
        )
    if not match_brightness and _exposures_differ(rows):
        words.append("Frames of different exposure are stacked as they are, because match_brightness is off.")
    noise = np.array([row.measure.noise for row in rows], float) * scale
    return Matching(reference, scale, planes, noise, stars, tuple(misplaced), tuple(words))


def frame_weights(matching: Matching, fwhm: Array, *, weights: str = "noise", power: float = 2.0) -> Array:
    """(N,) float64, one weight per frame, the mean weight 1.

    "equal": 1. "noise": 1/s^2. "sharpness": 1/(s^2 FWHM^power), s the band noise after scaling.
    """
    check_choice("weights", weights, WEIGHTS)
    check_range("power", power, 0, 7)
    if weights == "equal":
        return np.ones(len(matching.scale))
    w = 1.0 / relative_noise(matching.noise) ** 2
    if weights == "sharpness":
        fwhm = np.asarray(fwhm, float)
        w = w * np.where(np.isfinite(fwhm), fwhm / np.nanmedian(fwhm) if np.isfinite(fwhm).any() else 1.0, 1.0) ** -power
    return w / w.mean()


def relative_noise(noise: Array) -> Array:
    """(N,) float64: each frame's noise over the median one's; frames whose noise is unknown or zero count as ordinary."""
    noise = np.asarray(noise, float)
    known = np.isfinite(noise) & (noise > 0)
    if not known.any():
        return np.ones_like(noise)
    return np.where(known, noise / np.median(noise[known]), 1.0)


# ---------------------------------------------------------------- brightness
def brightness_scale(row: FrameRow, fixed: FrameRow) -> tuple[float, int]:
    """The factor that brings a frame's stars to the reference's flux, and the number of stars behind it (0: from the grades)."""
    mine, theirs = shared_stars(row, fixed)
    if len(mine) < FEWEST_STARS:
        graded = row.flux_scale / fixed.flux_scale
        return (graded if np.isfinite(graded) and graded > 0 else 1.0), 0
    flux, wanted = mine[:, 2], theirs[:, 2]
    error = np.sqrt(FAITH**2 + _relative_flux_error(row, flux) ** 2 + _relative_flux_error(fixed, wanted) ** 2)
    weights = 1 / error**2
    weights = np.minimum(weights, np.sort(weights)[-FEWEST_STARS])  # one bright star must not decide alone
    return float(np.exp(robust_mean(np.log(wanted / flux), weights))), len(mine)


def shared_stars(row: FrameRow, fixed: FrameRow) -> tuple[Array, Array]:
    """The rows of both star lists whose stars are each other's nearest, within about half a width."""
    mine, theirs = _stars(row), _stars(fixed)
    i, j = _mutual(mine[:, :2], theirs[:, :2], _reach(row, fixed))
    return mine[i], theirs[j]


def flux_ratio(mine: Array, fixed: Array, *, reach_px: float) -> float:
    """Factor that brings the stars of one list to the flux of the other; 1 where they share fewer than the least number of stars.

    Parameters
    ----------
    mine, fixed : (n, >= 3), x, y, flux of the stars of two stacks of one place
    reach_px : how far apart two entries of one star may lie
    """
    i, j = _mutual(mine[:, :2], fixed[:, :2], reach_px)
    flux, wanted = mine[i, 2], fixed[j, 2]
    good = (flux > 0) & (wanted > 0)
    if good.sum() < FEWEST_STARS:
        return 1.0
    return float(np.exp(robust_mean(np.log(wanted[good] / flux[good]), wanted[good])))


def robust_mean(values: Array, weights: Array) -> float:
    """Weighted mean after throwing out what lies more than three robust deviations from the weighted median."""
    centre = lower_weighted_median(values, weights)
    for _ in range(10):
        spread = MAD_TO_SIGMA * lower_weighted_median(np.abs(values - centre), weights)
        use = np.abs(values - centre) <= max(CLIP * spread, 1e-12)
        new = float(np.average(values[use], weights=weights[use]))
        if new == centre:
            break
        centre = new
    return centre


def _relative_flux_error(row: FrameRow, flux: Array) -> Array:
    """Sky noise of the light in a star's circle over that light."""
    return np.sqrt(np.pi) * APERTURE_FWHM * row.measure.noise * row.fwhm / flux


def _stars(row: FrameRow) -> Array:
    stars = np.asarray(row.measure.star_list, float).reshape(-1, 4)
    return stars[np.isfinite(stars).all(1) & (stars[:, 2] > 0)]


def _reach(row: FrameRow, fixed: FrameRow) -> float:
    widths = [w for w in (row.fwhm, fixed.fwhm) if np.isfinite(w)]
    return 1.0 + 0.5 * max(widths, default=3.0)


def _mutual(a: Array, b: Array, reach: float) -> tuple[Array, Array]:
    if not len(a) or not len(b):
        return np.zeros(0, int), np.zeros(0, int)
    distance, there = scipy.spatial.cKDTree(b).query(a, distance_upper_bound=reach)
    _, back = scipy.spatial.cKDTree(a).query(b)
    near = np.flatnonzero(np.isfinite(distance))
    near = near[back[there[near]] == near]
    return near, there[near]


def misplacement(row: FrameRow, fixed: FrameRow) -> str:
    """Why a frame cannot lie on the reference's grid ("" if it does): its stars do not stand where the reference's do."""
    a, b = _stars(row), _stars(fixed)
    found = find_registration(a, b, (fixed.info.height, fixed.info.width))
    if found.matched == 0 and min(len(a), len(b)) < 2 * FEWEST_STARS:
        return ""
    return registration_fault(found, tolerance_px=_reach(row, fixed))


# ---------------------------------------------------------------- sky
def sky_planes(row: FrameRow, fixed: FrameRow, scale: float, *, tilted: bool) -> Array:
    """(C, 15) float64: surfaces of the scaled frame's sky over the reference's; ``tilted`` False: one number each."""
    mine, theirs = np.asarray(row.measure.tiles, float), np.asarray(fixed.measure.tiles, float)
    planes = np.zeros((theirs.shape[2], len(POWERS)))
    if mine.shape != theirs.shape:
        planes[:, 0] = [a * scale - b for a, b in zip(row.measure.sky, fixed.measure.sky, strict=True)]
        return planes
    v, u = tile_centres(row)
    terms = terms_at(u, v, MOST_DEGREE if tilted else 0)
    for c in range(theirs.shape[2]):
        difference = mine[..., c] * scale - theirs[..., c]
        use = np.isfinite(difference)
        if not use.any():
            planes[c, 0] = row.measure.sky[c] * scale - fixed.measure.sky[c]
            continue
        degree = _most_degree(u[use], v[use]) if tilted else 0
        noise = np.hypot(row.measure.channel_noise[c] * scale, fixed.measure.channel_noise[c])
        found = _surface(terms[use], difference[use], degree, QUIET * float(np.nan_to_num(noise)))
        planes[c, : len(found)] = found
    return planes


def _most_degree(u: Array, v: Array) -> int:
    """Degree of the richest surface that tiles at ``u``, ``v`` (n,) decide."""
    spread = min(np.ptp(u), np.ptp(v))
    if spread > LEAST_TO_BEND:
        return max(degree for degree in range(1, MOST_DEGREE + 1) if degree == 1 or len(u) >= TILES_A_TERM * term_count(degree))
    return int(len(u) >= FEWEST_TILES and spread > LEAST_SPREAD)


def _surface(terms: Array, values: Array, degree: int, least: float) -> Array:
    """The surface through ``values`` (n,) of the highest degree up to ``degree`` whose own terms are clear; a plane needs no proof.

    ``terms`` : (n, as many or more) the surface's terms at the tiles. ``least`` : smallest scatter to reckon with.
    """
    while degree > PLANE:
        design, own = terms[:, : term_count(degree)], term_count(degree - 1)
        found = robust_fit(design, values, least=least)
        chi_square = partial(_chi_square, found, design, values)
        if chi_square(own) > CLEAR_BEND * (len(found) - own):
            return found
        flat = term_count(PLANE)
        degree = degree - 1 if chi_square(flat) > CLEAR_BEND * (len(found) - flat) else PLANE
    return robust_fit(terms[:, : term_count(degree)], values, least=least)


def _chi_square(found: Array, design: Array, values: Array, first: int) -> float:
    """Of the terms of ``found`` from the ``first`` on against nothing."""
    residual = values - design @ found
    scale = max(MAD_TO_SIGMA * float(np.median(np.abs(residual))), TINY)
    error = np.linalg.pinv(_normal(design, _tukey(residual, scale)), hermitian=True)[first:, first:] * scale**2
    return float(found[first:] @ np.linalg.pinv(error, hermitian=True) @ found[first:])


def tile_centres(row: FrameRow) -> tuple[Array, Array]:
    """(ny, nx) float64 v and u: where the tiles' centres lie in -1..1 of the picture."""
    ny, nx = row.measure.tiles.shape[:2]
    v = _centres(ny, row.measure.tile_px, row.info.height)
    u = _centres(nx, row.measure.tile_px, row.info.width)
    return tuple(np.meshgrid(v, u, indexing="ij"))  # type: ignore[return-value]


def _centres(count: int, step: int, length: int) -> Array:
    start = np.arange(count) * step
    middle = (start + np.minimum(start + step, length) - 1) / 2
    return 2 * middle / max(length - 1, 1) - 1


def robust_fit(design: Array, values: Array, *, least: float = 0.0) -> Array:
    """Least squares with Tukey's biweight: gross outliers (clouds, a trail's tiles, a bright star that moved) do not pull.

    ``least`` : smallest scatter of the values to reckon with.
    """
    weights = np.ones(len(values))
    residual = values - np.median(values)
    solution: Array = np.zeros(design.shape[1])
    for _ in range(30):
        scale = max(MAD_TO_SIGMA * float(np.median(np.abs(residual))), least)
        if scale > 0:
            weights = _tukey(residual, scale)
        new: Array = np.linalg.lstsq(_normal(design, weights), design.T @ (weights * values), rcond=None)[0]
        residual = values - design @ new
        if np.abs(new - solution).max() <= NEAR * max(np.abs(new).max(), 1e-12):
            return new
        solution = new
    return solution


def _normal(design: Array, weights: Array) -> Array:
    return np.asarray((design * weights[:, None]).T @ design)


def _tukey(residual: Array, scale: float) -> Array:
    return np.asarray(np.clip(1 - (residual / (TUKEY * scale)) ** 2, 0, None) ** 2)


def _exposures_differ(rows: Sequence[FrameRow]) -> bool:
    times = [row.exposure_s for row in rows if np.isfinite(row.exposure_s) and row.exposure_s > 0]
    return bool(times) and max(times) / min(times) > EXPOSURE_SPREAD
