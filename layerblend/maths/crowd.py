"""Stars of crowded fields cut out alone: what their neighbours add is taken away before their shape and light are measured.

All neighbours get the star image of the frame; their heights are solved for together, from the light gathered under a Gaussian as wide as a
star, so that near stars share what they both reach. Neighbours that hide beside brighter ones are looked for in what is then left over
(as in Stetson 1987, PASP 99, 191).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import scipy
from numba import njit

from layerblend.kinds import Array, Plane
from layerblend.maths.moffat import axes_of, inverse_shape
from layerblend.maths.stars import NO_DATA, RING_FWHM, Candidates

# Neighbours count up to here from a star: beyond, their light is level over the ring that the sky is measured in.
REACH_FWHM = 7.0
# Half side of a cut-out: the ring, with room for a width that comes out larger.
HALF_FWHM = 1.15 * RING_FWHM[1]
# Beyond, one star adds less than a thousandth to the light gathered at another.
JOINT_FWHM = 3.0
# sd of a Gaussian in FWHM
GATHER_FWHM = 0.4247
ROUNDS = 24
FINE = 3
# Light left over, gathered like a star's, is another star when it stands out so many sigma, and by so large a share of the most light
# nearby, and not on a known star: spikes, and star images that are not quite the frame's, leave less or lie there.
LEFT_SIGMA, LEFT_SHARE = 5.0, 0.05
NEARBY_FWHM, APART_FWHM = 3.0, 0.5
# Drawn to so many FWHM while looking for what is left over.
DRAWN_FWHM = 4.0


@dataclass(frozen=True)
class CutOuts:
    """Stars alone, square by square below each other.

    ``plane`` : (n L, L) float32; ``codes`` : (n L, L) uint8; ``x, y`` : (n,) places in it; ``left, top`` : (n,) what brings a place in it
    back to the frame.
    """

    plane: Plane
    codes: Array
    x: Array
    y: Array
    left: Array
    top: Array


def neighbours(candidates: Candidates, chosen: Array, fwhm: float) -> float:
    """How many candidates stand near a chosen one, mean."""
    places = np.column_stack([candidates.x, candidates.y])
    return float(scipy.spatial.cKDTree(places).query_ball_point(places[chosen], REACH_FWHM * fwhm, return_length=True).mean()) - 1


def cut_out_alone(
    above: Plane, codes: Array, candidates: Candidates, chosen: Array, *, fwhm: float, e1: float, e2: float, beta: float
) -> CutOuts:
    """The chosen candidates, each without the light of its neighbours.

    Parameters
    ----------
    above : (H, W) float32, background subtracted; codes : (H, W) uint8 (see `prepare_plane`)
    candidates : everything that looks like a star; chosen : (n,) indices into them
    fwhm, e1, e2, beta : the star image of the frame (see `StarFits`)

    Returns
    -------
    CutOuts, in the order of ``chosen``
    """
    x, y = candidates.x.astype(np.float64), candidates.y.astype(np.float64)
    _refine(above, x, y)
    _, eccentricity, angle = axes_of(np.float64(fwhm), np.float64(e1), np.float64(e2))  # type: ignore[arg-type]
    form = np.array(inverse_shape(fwhm, beta, float(eccentricity), float(angle)))
    near, heights = _heights_near(above, x, y, chosen, fwhm, beta)
    more = _left_over(above, codes, x, y, heights, form, fwhm, beta, candidates.pixel_noise)
    places = np.column_stack([x, y])
    wanted = scipy.spatial.cKDTree(places[chosen]).query(more)[0] < REACH_FWHM * fwhm
    more = more[wanted & (scipy.spatial.cKDTree(places).query(more)[0] > APART_FWHM * fwhm)]
    if len(more):
        x, y = np.concatenate([x, more[:, 0]]), np.concatenate([y, more[:, 1]])
        near, heights = _heights_near(above, x, y, chosen, fwhm, beta)
    others = [[n for n in found if n != own] for own, found in zip(chosen, near, strict=True)]
    first = np.concatenate([[0], np.cumsum([len(found) for found in others])])
    half = math.ceil(HALF_FWHM * fwhm) + 2
    side = 2 * half + 1
    plane = np.zeros((len(chosen) * side, side), np.float32)
    kept = np.full(plane.shape, NO_DATA, np.uint8)
    left, top = np.rint(x[chosen]).astype(np.int64) - half, np.rint(y[chosen]).astype(np.int64) - half
    numbers = np.array([n for found in others for n in found], np.int64)
    _cut_out(above, codes, left, top, first, x[numbers], y[numbers], heights[numbers], form, beta, plane, kept)
    down = side * np.arange(len(chosen)) - top
    return CutOuts(plane, kept, x[chosen] - left, y[chosen] + down, left, -down)


def _heights_near(above: Plane, x: Array, y: Array, chosen: Array, fwhm: float, beta: float) -> tuple[Array, Array]:
    """For every chosen star the stars near it, itself among them, and the heights of all that are near any; 0 for others."""
    tree = scipy.spatial.cKDTree(np.column_stack([x, y]))
    near = tree.query_ball_point(tree.data[chosen], REACH_FWHM * fwhm)
    taking_part = np.unique(np.concatenate(near))
    heights = np.zeros(len(x))
    heights[taking_part] = _joint_heights(above, x[taking_part], y[taking_part], fwhm, beta)
    return near, heights


def _left_over(
    above: Plane, codes: Array, x: Array, y: Array, heights: Array, form: Array, fwhm: float, beta: float, noise: float
) -> Array:
    """(n, 2) places of stars that hide beside brighter ones: tops of the light that is left when all known stars are taken away."""
    model = np.zeros(above.shape, np.float32)
    shown = np.flatnonzero(heights > 0)
    _draw(model, x[shown], y[shown], heights[shown], form, beta, math.ceil(DRAWN_FWHM * fwhm))
    sigma = GATHER_FWHM * fwhm
    left = cv2.GaussianBlur(np.where((codes == NO_DATA) | (model == 0), np.float32(0), above - model), (0, 0), sigma)
    reach = 2 * round(NEARBY_FWHM * fwhm) + 1
    light = cv2.dilate(cv2.GaussianBlur(model, (0, 0), sigma), np.ones((reach, reach), np.uint8))
    top = (left == cv2.dilate(left, np.ones((3, 3), np.uint8))) & (left > LEFT_SHARE * light)
    top &= left > LEFT_SIGMA * noise / (2 * math.sqrt(math.pi) * sigma)
    v, u = np.nonzero(top)
    return np.column_stack([u, v]).astype(np.float64)


@njit(cache=True, nogil=True)
def _draw(model: Array, x: Array, y: Array, heights: Array, form: Array, beta: float, reach: int) -> None:
    height, width = model.shape
    for k in range(x.size):
        cx, cy = round(x[k]), round(y[k])
        for j in range(max(cy - reach, 0), min(cy + reach + 1, height)):
            for i in range(max(cx - reach, 0), min(cx + reach + 1, width)):
                dx, dy = i - x[k], j - y[k]
                model[j, i] += heights[k] * (1 + form[0] * dx * dx + 2 * form[1] * dx * dy + form[2] * dy * dy) ** -beta


def _joint_heights(above: Plane, x: Array, y: Array, fwhm: float, beta: float) -> Array:
    """Heights of stars, >= 0, that together explain the light gathered at each: Gauss-Seidel rounds."""
    sigma = GATHER_FWHM * fwhm
    gathered = np.empty(len(x))
    _gather(above, x, y, sigma, gathered)
    distance, profile = _gathered_profile(fwhm, beta, sigma)
    pairs = scipy.spatial.cKDTree(np.column_stack([x, y])).query_pairs(JOINT_FWHM * fwhm, output_type="ndarray")
    shared = np.interp(np.hypot(x[pairs[:, 0]] - x[pairs[:, 1]], y[pairs[:, 0]] - y[pairs[:, 1]]), distance, profile) / profile[0]
    one, other, shared = np.concatenate([pairs, pairs[:, ::-1]])[:, 0], np.concatenate([pairs[:, 1], pairs[:, 0]]), np.tile(shared, 2)
    order = np.argsort(one, kind="stable")
    first = np.searchsorted(one[order], np.arange(len(x) + 1))
    heights = np.maximum(gathered / profile[0], 0)
    _share_out(heights, gathered / profile[0], first, other[order], shared[order], ROUNDS)
    return heights


def _gathered_profile(fwhm: float, beta: float, sigma: float) -> tuple[Array, Array]:
    """Light gathered so many px beside a star of height 1."""
    reach = math.ceil(JOINT_FWHM * fwhm + 3 * sigma) * FINE
    v, u = np.mgrid[-reach : reach + 1, -reach : reach + 1] / FINE
    star = (1 + 4 * (2 ** (1 / beta) - 1) * (u * u + v * v) / fwhm**2) ** -beta
    gathered = cv2.GaussianBlur(star, (0, 0), sigma * FINE)
    return np.arange(reach + 1) / FINE, gathered[reach, reach:]


@njit(cache=True, nogil=True)
def _refine(above: Array, x: Array, y: Array) -> None:
    """Whole places to the top of a parabola through the middle three columns, and rows."""
    height, width = above.shape
    for k in range(x.size):
        i, j = int(x[k]), int(y[k])
        if not (1 <= i < width - 1 and 1 <= j < height - 1):
            continue
        across, down = np.zeros(3), np.zeros(3)
        for v in range(3):
            for u in range(3):
                across[u] += above[j + v - 1, i + u - 1]
                down[v] += above[j + v - 1, i + u - 1]
        x[k] += _top_of(across)
        y[k] += _top_of(down)


@njit(cache=True, nogil=True)
def _top_of(three: Array) -> float:
    bend = three[0] - 2 * three[1] + three[2]
    return min(max(0.5 * (three[0] - three[2]) / bend, -0.5), 0.5) if bend < 0 else 0.0


@njit(cache=True, nogil=True)
def _gather(above: Array, x: Array, y: Array, sigma: float, out: Array) -> None:
    """Mean light under a Gaussian at every place."""
    height, width = above.shape
    reach = math.ceil(3 * sigma)
    for k in range(x.size):
        total, weight = 0.0, 0.0
        cx, cy = round(x[k]), round(y[k])
        for j in range(max(cy - reach, 0), min(cy + reach + 1, height)):
            for i in range(max(cx - reach, 0), min(cx + reach + 1, width)):
                w = math.exp(-((i - x[k]) ** 2 + (j - y[k]) ** 2) / (2 * sigma * sigma))
                total += w * above[j, i]
                weight += w
        out[k] = total / weight


@njit(cache=True, nogil=True)
def _share_out(heights: Array, gathered: Array, first: Array, other: Array, shared: Array, rounds: int) -> None:
    for _ in range(rounds):
        for i in range(heights.size):
            own = gathered[i]
            for k in range(first[i], first[i + 1]):
                own -= shared[k] * heights[other[k]]
            heights[i] = max(own, 0.0)


@njit(cache=True, nogil=True)
def _cut_out(
    above: Array,
    codes: Array,
    left: Array,
    top: Array,
    first: Array,
    x: Array,
    y: Array,
    heights: Array,
    form: Array,
    beta: float,
    plane: Array,
    kept: Array,
) -> None:
    height, width = above.shape
    side = plane.shape[1]
    for s in range(left.size):
        for j in range(max(0, -top[s]), min(side, height - top[s])):
            for i in range(max(0, -left[s]), min(side, width - left[s])):
                light = above[top[s] + j, left[s] + i]
                for k in range(first[s], first[s + 1]):
                    dx, dy = left[s] + i - x[k], top[s] + j - y[k]
                    spread = form[0] * dx * dx + 2 * form[1] * dx * dy + form[2] * dy * dy
                    light -= heights[k] * (1 + spread) ** -beta
                plane[s * side + j, i] = light
                kept[s * side + j, i] = codes[top[s] + j, left[s] + i]
