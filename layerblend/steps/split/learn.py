"""Learn the star image from bright stars: its shape over the field, its profile, what no profile holds, its wings."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import scipy
from numba import njit

from layerblend.kinds import Array, Mask, Plane
from layerblend.maths.noise_line import Noise
from layerblend.maths.robust import MAD_TO_SIGMA
from layerblend.steps.split.haloes import Haloes, halo_basis, medians_of, near_light, read_cells
from layerblend.steps.split.model import TABLE_REACH, TABLE_STEPS, StarImage, field_basis, moffat_profile, profile_at, profile_radii
from layerblend.steps.split.sources import Field, Sources

# Stars of this strength teach the star image.
TEACHER_STRENGTH = 40.0
TEACHERS_LINE, TEACHERS_SQUARE, TEACHERS_LEAST = 25, 60, 15
MOST_TEACHERS = 400
LEAST_WINGS, WINGS_END = 5, 60.0
# Inner and outer radius (FWHM) and number of the rings that tell beta, and the share of the light they may be wrong by.
BETA_RINGS, BETA_MISFIT, BETA_STEP, WIDTH_STEP = (0.3, 3.2, 14), 0.01, 0.8, 0.03
LEAST_BETA_RINGS = 6
# A star image that falls off about as slowly as the parts of a halo (beta 2) holds too much light far out, which no halo can take back: a
# sharp core on a soft disc, from frames of very unequal seeing, looks like that near its middle.
LEAST_BETA, MOST_BETA = 2.3, 9.0
# The same of the rings that tell where the Moffat is too bright; nodes between which that runs evenly (FWHM; nothing at the last), by what
# share it may be too bright, and by what more than that the ground was read instead of the star.
COURSE_RINGS = (0.5, 6.0, 18)
COURSE_NODES, COURSE_SHARE, MOST_COURSE = np.array([0.6, 0.9, 1.3, 1.8, 2.4, 3.2, 4.2, 5.6]), 0.3, 0.6
# What stars leave beside the profile is smoothed over so many samples, fades out between these radii (FWHM), and beyond this share of the
# peak is something else.
TABLE_SMOOTH, TABLE_EDGE, TABLE_LIMIT = 1.2, (1.2, 2.0), 0.08


def learn_shape(state: Field, sources: Sources, fit: Array, error: Array, noise: Noise) -> Mask:
    """Refit the field's width and ellipse from bright stars; returns the stars that agreed."""
    good = (sources.peak > TEACHER_STRENGTH * noise.sigma) & ~sources.clipped & (np.abs(fit[:, 3]) < 0.25) & (error[:, 3] < 0.05)
    basis = field_basis(sources.x, sources.y, state.height, state.width)
    shapes = sources.geo[:, 2:5] + fit[:, 3:6]
    terms = state.terms
    for _ in range(4):
        count = int(good.sum())
        if count < TEACHERS_LEAST:
            break
        used = 6 if count > TEACHERS_SQUARE else (3 if count > TEACHERS_LINE else 1)
        terms = np.zeros((3, 6))
        terms[:, :used] = np.linalg.lstsq(basis[good][:, :used], shapes[good], rcond=None)[0].T
        off = shapes[:, 0] - basis @ terms[0]
        spread = MAD_TO_SIGMA * np.median(np.abs(off[good]))
        good = good & (np.abs(off) < max(3 * spread, 0.02))
    if good.sum() >= TEACHERS_LEAST:
        state.terms = terms
        state.refresh(sources.geo)
    return good


def learn_beta(state: Field, sources: Sources, residual: Plane, good: Mask, noise: Noise, teachers: Mask) -> None:
    """Correct beta, and the width with it, by what rings round bright stars show: single fits of faint stars cannot tell it.

    Each star has a height and a level of its own; the two corrections are common. Stars that disagree lose their weight.
    """
    chosen = _brightest(sources, teachers)
    if len(chosen) < TEACHERS_LEAST:
        return
    image = state.image
    rho, cells, counts = _rings_round(state, sources, chosen, residual, good, BETA_RINGS)
    height, by_width, by_beta = _profile_slopes(image.beta, rho)
    error = _errors(sources.peak[chosen, None] * height, counts, noise)
    shown = _reduced(height, np.column_stack([by_width, by_beta]), medians_of(cells), error, sources.peak[chosen])
    if not shown:
        return
    step = _agreed(shown, lambda normal, right: np.linalg.solve(normal + 1e-9 * np.trace(normal) * np.eye(2), right))
    beta = float(np.clip(image.beta + np.clip(step[1], -BETA_STEP, BETA_STEP), LEAST_BETA, MOST_BETA))
    state.terms[0, 0] += float(np.clip(step[0], -WIDTH_STEP, WIDTH_STEP))
    state.image = StarImage(beta, image.profile + moffat_profile(beta) - moffat_profile(image.beta), image.table)
    state.refresh(sources.geo)


def learn_course(state: Field, sources: Sources, haloes: Haloes, residual: Plane, good: Mask, noise: Noise, teachers: Mask) -> None:
    """Lower the profile where rings round bright stars agree that the Moffat is too bright, as where frames of several widths were added.

    The core of such an image tells a beta with which its wings are too wide. What the Moffat is too faint by is left to the halo, whose
    light is never negative and so cannot mend this. Beside a star's core it is little, but clipped stars are known by nothing else.
    """
    chosen = _brightest(sources, teachers)
    if haloes.common is None or len(chosen) < TEACHERS_LEAST:
        return
    image, peak = state.image, sources.peak[chosen]
    rho, cells, counts = _rings_round(state, sources, chosen, residual, good, COURSE_RINGS)
    value, height = medians_of(cells), profile_at(image.profile, rho)
    faint = ~np.isin(chosen, haloes.index)  # they have the wide part of the halo as well, but it was not taken off
    value[faint] -= peak[faint, None] * (halo_basis(rho, 1.0) @ haloes.common - near_light(haloes.common, rho))
    error = _errors(peak[:, None] * height, counts, noise)
    shown = _reduced(height, _hats(rho) * height[:, None], value, error, peak)
    if not shown:
        return
    step = _agreed(shown, _lowered)
    if step.min() > -MOST_COURSE:
        state.image = StarImage(image.beta, image.profile * (1 + _hats(profile_radii()) @ step), image.table)


def _brightest(sources: Sources, teachers: Mask) -> Array:
    chosen = np.nonzero(teachers)[0]
    return chosen[np.argsort(-sources.peak[chosen], kind="stable")][:MOST_TEACHERS]


def _rings_round(
    state: Field, sources: Sources, chosen: Array, residual: Plane, good: Mask, rings: tuple[float, float, int]
) -> tuple[Array, Array, Array]:
    """Radii (rings,) in FWHM, cells (n, rings, sectors) round the chosen stars, and how many pixels each looked at."""
    inner, outer, number = rings
    first, last = (np.full(len(chosen), r * state.fwhm) for r in (inner, outer))
    cells, counts = read_cells(residual, good, sources.x[chosen], sources.y[chosen], first, last, number)
    rho = np.geomspace(inner, outer, number + 1)
    return np.sqrt(rho[1:] * rho[:-1]), cells, counts


def _hats(rho: Array) -> Array:
    """(radii, nodes): 1 at its own node and 0 at the others, even in ln rho between; 0 outside, and for the last node everywhere."""
    nodes = np.log(COURSE_NODES)
    at = np.log(np.maximum(rho, 1e-6))
    return np.stack([np.interp(at, nodes, row, left=0.0, right=0.0) for row in np.eye(len(nodes))[:-1]], 1)


def _lowered(normal: Array, right: Array) -> Array:
    """The best step within about COURSE_SHARE that raises nothing (Lawson & Hanson 1974)."""
    low = np.linalg.cholesky(normal + (COURSE_SHARE**-2 + 1e-9 * np.trace(normal)) * np.eye(len(right)))
    return -scipy.optimize.nnls(low.T, -np.linalg.solve(low, right))[0]


def _errors(light: Array, counts: Array, noise: Noise) -> Array:
    """(n, rings): how sure the median of a ring is, in which the star image may be wrong by a share of its ``light``."""
    count = np.maximum(counts.sum(-1), 1)
    error = np.hypot(1.25 * noise.sigma / np.sqrt(count), BETA_MISFIT * light)
    return np.asarray(np.sqrt(error**2 + 1.5 * noise.slope * light / count))


def _reduced(height: Array, slopes: Array, value: Array, error: Array, peak: Array) -> list[Array]:
    """For every star (rings, n + 1): ``slopes`` (rings, n) and values in units of their error, free of a height and a level of its own."""
    weight = np.where(np.isfinite(value), 1 / error, 0.0)
    reduced = []
    for w, v, p in zip(weight, np.nan_to_num(value), peak, strict=True):
        if (w > 0).sum() >= LEAST_BETA_RINGS:
            own, _ = np.linalg.qr(np.column_stack([height * w, w]))
            both = np.column_stack([slopes * p, v]) * w[:, None]
            reduced.append(both - own @ (own.T @ both))
    return reduced


def _agreed(reduced: list[Array], solve: Callable[[Array, Array], Array]) -> Array:
    """(n,) factors of the slopes that the rings of all stars agree on; stars that disagree lose their weight."""
    n, trust = reduced[0].shape[1] - 1, np.ones(len(reduced))
    step = np.zeros(n)
    for _ in range(4):
        normal = sum((t * r[:, :n].T @ r[:, :n] for t, r in zip(trust, reduced, strict=True)), 1e-30 * np.eye(n))
        right = sum((t * r[:, :n].T @ r[:, n] for t, r in zip(trust, reduced, strict=True)), np.zeros(n))
        step = solve(normal, right)
        off = np.array([np.mean((r[:, n] - r[:, :n] @ step) ** 2) for r in reduced])
        trust = 1 / (1 + off / max(4 * float(np.median(off)), 1e-30))
    return step


def _profile_slopes(beta: float, rho: Array) -> tuple[Array, Array, Array]:
    """The Moffat at radii in FWHM, and its change with ln fwhm and with beta."""

    def height(b: float, r: Array) -> Array:
        return np.asarray((1 + 4 * (2 ** (1 / b) - 1) * r**2) ** -b)

    h = 0.01
    by_width = (height(beta, rho * (1 - h)) - height(beta, rho * (1 + h))) / (2 * h)
    return height(beta, rho), by_width, (height(beta + h, rho) - height(beta - h, rho)) / (2 * h)


def learn_table(state: Field, sources: Sources, bare: Plane, model: Plane, good: Mask, teachers: Mask) -> None:
    """Add what bright stars leave in common to the star image's table, varying over the field where enough stars tell."""
    chosen = np.nonzero(teachers & (sources.peak > 0))[0]
    chosen = chosen[np.argsort(-sources.peak[chosen], kind="stable")][:MOST_TEACHERS]
    if len(chosen) < TEACHERS_LEAST:
        return
    side = state.image.table.shape[0]
    moments = np.zeros((side, side, 9))
    _gather(bare - model, good, sources.geo[chosen], sources.peak[chosen], float(np.median(sources.peak[chosen])), state.fwhm, moments)
    for k in range(9):
        moments[..., k] = cv2.GaussianBlur(np.ascontiguousarray(moments[..., k]), (0, 0), TABLE_SMOOTH)
    state.image.table = state.image.table + _table_step(moments, len(chosen) > TEACHERS_SQUARE)


def _table_step(moments: Array, varying: bool) -> Array:
    side = moments.shape[0]
    weight = moments[..., 3]
    step = np.zeros((side, side, 3))
    if varying:
        w, a, b, aa, ab, bb = (moments[..., k] for k in (3, 4, 5, 6, 7, 8))
        normal = np.stack([np.stack([w, a, b], -1), np.stack([a, aa, ab], -1), np.stack([b, ab, bb], -1)], -2)
        ridge = weight * 0.15 + 1e-9 * weight.max() + 1e-30
        normal[..., 1, 1] += ridge
        normal[..., 2, 2] += ridge
        normal[..., 0, 0] += 1e-9 * weight.max() + 1e-30
        step = np.linalg.solve(normal, moments[..., :3, None])[..., 0]
    else:
        step[..., 0] = moments[..., 0] / np.maximum(weight, 1e-9 * weight.max() + 1e-30)
    yy, xx = (np.mgrid[:side, :side] - side // 2) / TABLE_STEPS
    inner, outer = TABLE_EDGE
    fade = np.clip((outer - np.hypot(xx, yy)) / (outer - inner), 0, 1) * np.clip(weight / (0.02 * weight.max()), 0, 1)
    return step * fade[..., None]


def learn_wings(state: Field, haloes: Haloes) -> None:
    """Give every star the narrow light that bright stars show outside the Moffat."""
    if haloes.common is None or len(haloes.index) < LEAST_WINGS:
        return
    radii = profile_radii()
    added = near_light(haloes.common, radii)
    added[radii > WINGS_END] = 0.0
    state.image = StarImage(state.image.beta, state.image.profile + added, state.image.table)


@njit(cache=True, nogil=True)
def _gather(residual, good, geo, peak, typical, fwhm, moments):  # type: ignore[no-untyped-def]
    """Spread the relative residuals of stars over the table: sums of weight x value x (1, fx, fy), then of weight x basis products."""
    height, width = residual.shape
    side = moments.shape[0]
    half = side // 2
    reach = int(TABLE_REACH * fwhm) + 1
    ring = np.empty((2 * reach + 1) ** 2)
    for s in range(peak.size):
        x, y, lnf, e1, e2, fx, fy = geo[s]
        scale = np.exp(-lnf) / np.sqrt(1 - e1 * e1 - e2 * e2)
        s11, s12, s22 = (1 - e1) * scale, -e2 * scale, (1 + e1) * scale
        x0, y0 = round(x), round(y)
        if x0 < reach or y0 < reach or x0 >= width - reach or y0 >= height - reach:
            continue
        count = 0
        for j in range(y0 - reach, y0 + reach + 1):
            for i in range(x0 - reach, x0 + reach + 1):
                r = np.sqrt((i - x) ** 2 + (j - y) ** 2) / fwhm
                if 2.0 < r < 2.8 and good[j, i]:
                    ring[count] = residual[j, i]
                    count += 1
        if count < 8:
            continue
        level = np.median(ring[:count])
        weight = min(peak[s] / typical, 10.0)
        for j in range(y0 - reach, y0 + reach + 1):
            for i in range(x0 - reach, x0 + reach + 1):
                if not good[j, i]:
                    continue
                value = (residual[j, i] - level) / peak[s]
                if abs(value) > TABLE_LIMIT:
                    continue
                u = (s11 * (i - x) + s12 * (j - y)) * TABLE_STEPS + half
                v = (s12 * (i - x) + s22 * (j - y)) * TABLE_STEPS + half
                p, q = int(np.floor(u)), int(np.floor(v))
                if p < 0 or q < 0 or p >= side - 1 or q >= side - 1:
                    continue
                for dq in range(2):
                    for dp in range(2):
                        w = weight * (1 - abs(u - p - dp)) * (1 - abs(v - q - dq))
                        m = moments[q + dq, p + dp]
                        m[0] += w * value
                        m[1] += w * value * fx
                        m[2] += w * value * fy
                        m[3] += w
                        m[4] += w * fx
                        m[5] += w * fy
                        m[6] += w * fx * fx
                        m[7] += w * fx * fy
                        m[8] += w * fy * fy
