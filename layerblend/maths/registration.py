"""Registration: do two frames' stars coincide, and if not, how does one frame lie against the other?"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy

from layerblend.errors import check_range
from layerblend.kinds import Array
from layerblend.maths.stars import match_places

MATCH_PX = 2.0
BRIGHT_STARS = 40
ANGLE_BIN_DEG = 0.5
# In place, and slid apart by more than stars can coincide over.
SLIDES = np.array([(0.0, 0.0), (13.0, 7.0), (-9.0, 15.0), (-14.0, -11.0), (8.0, -17.0)])


@dataclass(frozen=True)
class Registration:
    """Where a frame's stars lie against the reference's.

    ``shift`` (dx, dy) px and ``rotation`` degrees carry the reference's stars onto the frame's (rotation about the frame's middle, from +x
    towards +y); NaN when not found. ``matched`` stars agree, 0 when no pose was found; ``farthest_px`` is the way of the star that the
    pose moves most.
    """

    shift: tuple[float, float]
    rotation: float
    matched: int
    farthest_px: float = math.nan
    mirrored: bool = False

    @property
    def turned(self) -> bool:
        """The frame stands on its head: turned by 180 degrees, as after a meridian flip."""
        return not self.mirrored and abs(abs(self.rotation) - 180) < 5


def find_registration(stars: Array, reference: Array, shape: tuple[int, int], *, rotation_deg: float = 180.0) -> Registration:
    """Shift, rotation and mirroring between two star lists.

    Registered frames are recognised by stars that coincide. Otherwise pairs of stars of equal distance vote for the rotation, then all
    star differences for the shift; the pose found is refined by least squares on the stars it matches.

    Parameters
    ----------
    stars, reference : (n, >= 2) x, y px, brightest first
    shape : (height, width) of both frames
    rotation_deg : float, largest rotation looked for

    Returns
    -------
    Registration
    """
    middle = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
    here, there = (np.asarray(s, np.float64)[:, :2] - middle for s in (stars, reference))
    if min(len(here), len(there)) == 0:
        return Registration((math.nan, math.nan), math.nan, 0)
    if _coincide(here, there):
        return _refined(here, there, 0.0, np.zeros(2), mirrored=False)
    poses = []
    for mirrored in (False, True):
        flipped = there * [-1, 1] if mirrored else there
        for angle in _likely_rotations(here[:BRIGHT_STARS], flipped[:BRIGHT_STARS], rotation_deg):
            shift = _likely_shift(here[:BRIGHT_STARS], _rotated(flipped[:BRIGHT_STARS], angle))
            poses.append(_refined(here, flipped, angle, shift, mirrored=mirrored))
    best = max(poses, key=lambda pose: pose.matched, default=Registration((math.nan, math.nan), math.nan, 0))
    chance = len(here) * len(there) * math.pi * MATCH_PX**2 / (shape[0] * shape[1])
    enough = max(4, 0.25 * min(len(here), len(there), BRIGHT_STARS), 3 * chance)
    return best if best.matched >= enough else Registration((math.nan, math.nan), math.nan, 0)


def registration_fault(found: Registration, *, tolerance_px: float = 1.0) -> str:
    """What is wrong with a frame that lies so, in words ("" when it is registered).

    Parameters
    ----------
    found : Registration
    tolerance_px : float > 0, px, the farthest that any star may stand from its place in the reference
    """
    check_range("tolerance_px", tolerance_px, 0, math.inf, open_low=True)
    if found.matched == 0:
        return "its stars do not stand where the reference's stand; register it again, or look whether it shows the same field"
    if found.mirrored:
        return "mirrored against the reference; register it again"
    if found.turned:
        return "turned by 180 degrees against the reference (a meridian flip?); register it again"
    if found.farthest_px <= tolerance_px:
        return ""
    dx, dy = found.shift
    if found.farthest_px > 2 * math.hypot(dx, dy):
        return f"rotated by {found.rotation:.2f} degrees against the reference; register it again"
    return f"shifted by ({dx:+.1f}, {dy:+.1f}) px against the reference; register it again"


def _coincide(here: Array, there: Array) -> bool:
    """More stars coincide than would by chance: against the same lists slid apart by some pixels."""
    tree = scipy.spatial.cKDTree(there)
    distance, index = tree.query(here[None] + SLIDES[:, None], distance_upper_bound=MATCH_PX)
    matched, *chance = (len(np.unique(found[np.isfinite(near)])) for near, found in zip(distance, index, strict=True))
    return matched >= 0.3 * min(len(here), len(there)) and matched > 2 * max(chance)


def _rotated(places: Array, angle_deg: float) -> Array:
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    return places @ np.array([[c, s], [-s, c]])


def _likely_rotations(here: Array, there: Array, most_deg: float) -> list[float]:
    """Rotations for which most pairs of stars have the same distance in both lists, best three."""
    if min(len(here), len(there)) < 2:
        return [0.0]
    length_a, angle_a = _pairs(here)
    length_b, angle_b = _pairs(there)
    order = np.argsort(length_b)
    length_b, angle_b = length_b[order], angle_b[order]
    low, high = np.searchsorted(length_b, length_a - 1.0), np.searchsorted(length_b, length_a + 1.0)
    votes = [angle_a[k] - angle_b[low[k] : high[k]] for k in range(len(length_a)) if high[k] > low[k]]
    if not votes:
        return [0.0]
    angle = (np.concatenate(votes) + 180) % 360 - 180
    angle = angle[np.abs(angle) <= most_deg + ANGLE_BIN_DEG]
    counts, edges = np.histogram(angle, np.arange(-180 - ANGLE_BIN_DEG / 2, 180 + ANGLE_BIN_DEG, ANGLE_BIN_DEG))
    counts = np.convolve(counts, [1, 2, 1], "same")
    likely = []
    for _ in range(3):
        k = int(np.argmax(counts))
        near = angle[np.abs(angle - (edges[k] + ANGLE_BIN_DEG / 2)) <= ANGLE_BIN_DEG]
        if counts[k] == 0 or near.size == 0:
            break
        likely.append(float(np.median(near)))
        counts[max(0, k - 2) : k + 3] = 0
    return likely


def _pairs(places: Array) -> tuple[Array, Array]:
    """Length and direction (degrees) from every star to every other."""
    difference = places[None, :, :] - places[:, None, :]
    one, other = np.nonzero(~np.eye(len(places), dtype=bool))
    vector = difference[one, other]
    length = np.hypot(vector[:, 0], vector[:, 1])
    far = length > 20
    return length[far], np.degrees(np.arctan2(vector[far, 1], vector[far, 0]))


def _likely_shift(here: Array, there: Array) -> Array:
    """The difference of places that most pairs of stars agree on within 3 px."""
    differences = (here[:, None, :] - there[None, :, :]).reshape(-1, 2)
    near = scipy.spatial.cKDTree(differences).query_ball_point(differences, 3.0, return_length=True)
    best = differences[int(np.argmax(near))]
    return np.median(differences[np.hypot(*(differences - best).T) <= 3.0], axis=0)


def _refined(here: Array, there: Array, angle: float, shift: Array, *, mirrored: bool) -> Registration:
    """Rigid pose by least squares on the matched stars (Kabsch 1976, Acta Cryst. A32, 922), three rounds."""
    for _ in range(3):
        index = match_places(here, _rotated(there, angle) + shift, MATCH_PX)
        matched = np.flatnonzero(index >= 0)
        if len(matched) < 2:
            break
        a, b = there[index[matched]], here[matched]
        a0, b0 = a - a.mean(0), b - b.mean(0)
        if len(matched) >= 3:
            angle = math.degrees(math.atan2((a0[:, 0] * b0[:, 1] - a0[:, 1] * b0[:, 0]).sum(), (a0 * b0).sum()))
        shift = np.median(b - _rotated(a, angle), axis=0)
    if len(matched) == 1:
        shift = (here[matched] - _rotated(there[index[matched]], angle))[0]
    moved = _rotated(there[index[matched]], angle) + shift - there[index[matched]]
    farthest = float(np.hypot(*moved.T).max()) if len(matched) else math.nan
    return Registration((float(shift[0]), float(shift[1])), angle, len(matched), farthest, mirrored)
