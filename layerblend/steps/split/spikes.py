"""Diffraction spikes: straight arms of light through every bright star, alike all over the picture.

The edges of vanes before the mirror throw light across themselves, to both sides of a star alike (the far-field pattern of any aperture
is the same after half a turn: Goodman, Introduction to Fourier Optics, ch. 4). So the arms are lines through the stars, at angles common
to the picture, as bright as the star is, falling from their middle; one width across. Where bright stars do not agree on a line there is
none. A non-negative sum of falling curves (Lawson & Hanson 1974) follows the light along a line, out to where it is lost in the noise.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import cv2
import numpy as np
import scipy
from numba import njit

from layerblend.kinds import Array, Mask, Plane
from layerblend.maths.bands import over_bands
from layerblend.maths.noise_line import Noise
from layerblend.maths.robust import MAD_TO_SIGMA, weighted_median

# Stars that show the arms: so many of the brightest, if their peak is so far above the noise.
MOST_STARS, BRIGHT = 24, 400.0
# Directions of half a turn, and radii (FWHM) in which lines are looked for; neighbouring directions within so many degrees are the ground.
DIRECTIONS, LOOK_FROM, LOOK_TO, LOOK_RINGS = 360, 3.0, 25.0, 20
GROUND_DEGREES, GROUND_STEP, APART_DEGREES = 25, 5, 15
INNER_MARGIN = 1.2
# A sample counts for at most so many sigma: one star beside another must not make a line.
MOST_SIGMA = 3.0
# A line stands so far out of the scatter of all directions; so do most of the three brightest stars, or one or two alone still better.
# Lines weaker than this share of the strongest are none.
LINE_SIGMA, JUDGES, TYPICAL_SIGMA, LONE_SIGMA, WEAKEST = 3.5, 3, 5.0, 8.0, 0.35
MOST_LINES = 4
# Directions are made finer round their brightest, and then from the slices.
FINE_DEGREES, FINE_STEPS, FINE_ROUNDS, MOST_FINE = 5.0, 51, 3, 100.0
TURNS, CLEAR_SLICE = 2, 5.0
# Slices across a line: at these radii (FWHM), out to so many FWHM to each side.
SLICE_FROM, SLICE_TO, SLICES = 2.2, 120.0, 28
SLICE_REACH, SLICE_STEPS, GROUND_FROM = 4.0, 33, 1.8
WIDTHS = np.array([0.25, 0.32, 0.4, 0.5, 0.65, 0.85])
# Wider than this is a band of the ground.
WIDEST = 0.8
# Curves that fall along a line, FWHM; each as the first and second power.
KNEES = np.geomspace(1.5, 60.0, 9)
HUBER, ROUNDS, STAR_TO_STAR = 2.5, 5, 0.15
LEAST_EVIDENCE = 50.0
# A clipped star's peak is told by its wings, among which its arms begin: how strong its arms are, they tell themselves, as a multiple of
# what the peak foretells; so far that may be off, and within this range.
CLIPPED_PEAK, OWN_RANGE, OWN_ROUNDS = 0.5, (0.3, 3.0), 3
# Arms are drawn until they fall under this share of the noise.
LEAST_LIGHT, MOST_REACH = 0.05, 400.0
CURVE_STEPS = 2048


@dataclass(frozen=True)
class Spikes:
    """Lines through every bright star: ``angle`` (k,) rad from +x to +y; ``width`` px, sd across; ``light`` (k, curves), see `fall`.

    ``own``: of the stars at ``index``, how strong their arms are as a multiple of what their peaks tell.
    """

    angle: Array
    width: float
    light: Array
    fwhm: float
    index: Array = field(default_factory=lambda: np.zeros(0, int))
    own: Array = field(default_factory=lambda: np.zeros(0))

    def fall(self, radius: Array) -> Array:
        """(k, n): light in the middle of each line at radii in px, in units of the star's peak."""
        return np.asarray(self.light @ _curves(np.maximum(np.asarray(radius) / self.fwhm, SLICE_FROM)).T)


def _curves(rho: Array) -> Array:
    base = 1 / (1 + (np.asarray(rho)[..., None] / KNEES) ** 2)
    return np.concatenate([base, base**2], -1)


@dataclass(frozen=True)
class Shown:
    """The stars that may show arms: place, peak, radius of the hidden middle, px; and where they stand among all."""

    x: Array
    y: Array
    peak: Array
    hidden: Array
    index: Array

    @classmethod
    def brightest(cls, x: Array, y: Array, peak: Array, blob: Array, noise: Noise) -> Shown:
        """The brightest of the sources."""
        order = np.argsort(-peak, kind="stable")[:MOST_STARS]
        order = order[peak[order] > BRIGHT * noise.sigma]
        return cls(x[order], y[order], peak[order], blob[order], order)

    def __len__(self) -> int:
        return len(self.peak)


def find_spikes(plane: Plane, good: Mask, noise: Noise, stars: Shown, fwhm: float) -> Spikes | None:
    """Lines that the brightest stars have in common; None where there are none.

    Parameters
    ----------
    plane : (H, W) float32, the picture, best without its stars and haloes
    good : (H, W) bool, pixels that count
    """
    if len(stars) == 0:
        return None
    soft = cv2.GaussianBlur(np.where(good, plane, np.float32(0)), (0, 0), 0.4 * fwhm)
    angle = _directions(soft, good, noise, stars, fwhm)
    if len(angle) == 0:
        return None
    return light_spikes(plane, good, noise, stars, Spikes(angle, 0.0, np.zeros((len(angle), 2 * len(KNEES))), fwhm))


def _directions(soft: Plane, good: Mask, noise: Noise, stars: Shown, fwhm: float) -> Array:
    """(k,) rad: directions in which the stars show lines."""
    angle = np.arange(DIRECTIONS) * np.pi / DIRECTIONS
    score = _scores(soft, good, noise, stars, fwhm, angle)
    # only the brightest may show faint arms
    sum_ = np.max([score[:k].sum(0) / np.sqrt(min(k, len(stars))) for k in (JUDGES, 3 * JUDGES, MOST_STARS)], 0)
    sum_ -= np.median(sum_)
    # lines only raise the sum: its lower half tells the scatter
    scatter = max(MAD_TO_SIGMA * float(np.median(-sum_[sum_ <= 0])), 1.0)
    typical = np.median(score[:JUDGES], 0)
    certain = (sum_ > LINE_SIGMA * scatter) & (typical > (TYPICAL_SIGMA if len(stars) >= JUDGES else LONE_SIGMA))
    found: list[int] = []
    for k in np.argsort(-sum_, kind="stable"):
        apart = [min(abs(k - f), DIRECTIONS - abs(k - f)) * 180 / DIRECTIONS for f in found]
        if len(found) == MOST_LINES or sum_[k] < (WEAKEST * sum_[found[0]] if found else 0.0):
            break
        if certain[k] and all(a > APART_DEGREES for a in apart):
            found.append(int(k))
    return np.array([_finer(soft, good, noise, stars, fwhm, angle[k]) for k in sorted(found)])


def _finer(soft: Plane, good: Mask, noise: Noise, stars: Shown, fwhm: float, angle: float) -> float:
    """Middle of the bright directions round one, rad."""
    for _ in range(FINE_ROUNDS):
        steps = angle + np.radians(np.linspace(-FINE_DEGREES, FINE_DEGREES, FINE_STEPS))
        values = np.clip(_pairs_along(soft, good, stars, fwhm, steps) / noise.sigma, -MOST_FINE, MOST_FINE)
        values = values[np.isfinite(values).all(-1)]
        level = (values - values.min(-1, keepdims=True)).sum(0) if len(values) else np.ones(FINE_STEPS)
        angle = float(steps @ level / max(level.sum(), 1e-30))
    return angle


def _scores(soft: Plane, good: Mask, noise: Noise, stars: Shown, fwhm: float, angle: Array) -> Array:
    """(stars, directions): how far a direction stands out from its neighbours, in sigma of an even ground."""
    values = _pairs_along(soft, good, stars, fwhm, angle)
    known = np.isfinite(values)
    filled = np.where(known, values, _median(np.moveaxis(values, -1, 0))[..., None])
    reach = GROUND_DEGREES * DIRECTIONS // 180
    beside = np.stack([np.roll(filled, k, -1) for k in range(-reach, reach + 1, GROUND_STEP)])
    off = filled - np.median(beside, 0)
    scatter = np.maximum(MAD_TO_SIGMA * np.median(np.abs(off), -1, keepdims=True), 0.15 * noise.sigma)
    certain = np.where(known, np.clip(off / scatter, -MOST_SIGMA, MOST_SIGMA), 0.0)
    return np.asarray(certain.sum(1) / np.sqrt(LOOK_RINGS))


def _pairs_along(soft: Plane, good: Mask, stars: Shown, fwhm: float, angle: Array) -> Array:
    """(stars, rings, directions): the darker of the two opposite places, NaN where neither is seen."""
    first = np.maximum(LOOK_FROM * fwhm, stars.hidden + INNER_MARGIN * fwhm)
    last = np.maximum(LOOK_TO * fwhm, 2 * first)
    radius = first[:, None] * (last / first)[:, None] ** ((np.arange(LOOK_RINGS) + 0.5) / LOOK_RINGS)
    both = [_at(soft, good, stars.x, stars.y, radius, angle + turn) for turn in (0.0, np.pi)]
    return np.fmin(*both)


def _at(plane: Plane, good: Mask, x: Array, y: Array, radius: Array, angle: Array) -> Array:
    i = np.rint(x[:, None, None] + radius[..., None] * np.cos(angle)).astype(int)
    j = np.rint(y[:, None, None] + radius[..., None] * np.sin(angle)).astype(int)
    height, width = plane.shape
    inside = (i >= 0) & (j >= 0) & (i < width) & (j < height)
    i, j = np.clip(i, 0, width - 1), np.clip(j, 0, height - 1)
    return np.where(inside & good[j, i], plane[j, i], np.nan)


def light_spikes(plane: Plane, good: Mask, noise: Noise, stars: Shown, lines: Spikes) -> Spikes | None:
    """The lines with their width and light as this plane shows them; None where it shows none.

    Parameters
    ----------
    plane : (H, W) float32, the picture without its stars and haloes
    lines : Spikes whose angles hold; its width too unless 0
    """
    for _ in range(TURNS if lines.width == 0 else 0):
        lines = _turned(plane, good, noise, stars, lines)
    found = _lit(plane, good, noise, stars, lines)
    return None if found is None else _lit(plane, good, noise, stars, found, beside=True)


def _lit(plane: Plane, good: Mask, noise: Noise, stars: Shown, lines: Spikes, *, beside: bool = False) -> Spikes | None:
    """The lines with their light; ``beside``: measured with all arms taken off as ``lines`` tell, for near a star they lie in each other's
    ground.
    """
    left = plane
    if beside:
        alone = replace(lines, index=np.arange(len(stars)))
        left = plane - draw_spikes(plane.shape, alone, stars.x, stars.y, stars.peak, noise.sigma)
    slices, offsets, rho = _slices(left, good, stars, lines)
    width, height, error = _heights(slices, offsets, noise, lines)
    middle = np.sqrt(rho[1:] * rho[:-1])
    if beside:
        height = height + (stars.peak * lines.own)[:, None, None, None] * (lines.light @ _curves(middle).T)[:, None]
    own = np.ones(len(stars))
    for _ in range(OWN_ROUNDS):
        light = np.stack([_fall_of(height[:, k], error[:, k], stars.peak * own, middle) for k in range(len(lines.angle))])
        own = _own_strength(height, error, stars, light @ _curves(middle).T)
    shown = light.any(1) & (width < WIDEST * lines.fwhm)
    return Spikes(lines.angle[shown], width, light[shown], lines.fwhm, stars.index, own) if shown.any() else None


def _own_strength(height: Array, error: Array, stars: Shown, fall: Array) -> Array:
    """(stars,) how strong a star's arms are over what its peak tells; 1 where the peak is seen. ``fall`` (lines, radii)."""
    expected = stars.peak[:, None, None, None] * fall[:, None, :]
    known = np.isfinite(error) & np.isfinite(height)
    weight = np.where(known, 1 / np.hypot(np.where(known, error, 1.0), STAR_TO_STAR * expected), 0.0)
    own, value = np.ones(len(stars)), np.where(known, height, 0.0)
    for _ in range(ROUNDS):
        off = np.abs(value - own[:, None, None, None] * expected) * weight
        w = weight**2 * np.minimum(1, HUBER / np.maximum(off, 1e-9))
        by, of = ((w * expected * a).sum((1, 2, 3)) for a in (value, expected))
        own = np.where(stars.hidden > 0, np.clip((by + 1 / CLIPPED_PEAK**2) / (of + 1 / CLIPPED_PEAK**2), *OWN_RANGE), 1.0)
    return own


def _turned(plane: Plane, good: Mask, noise: Noise, stars: Shown, lines: Spikes) -> Spikes:
    """The lines turned to where their clear slices have their middle."""
    slices, offsets, rho = _slices(plane, good, stars, lines)
    width, height, error = _heights(slices, offsets, noise, lines)
    inner = np.abs(offsets) <= GROUND_FROM * lines.fwhm
    level, _ = _ground(slices, ~inner, noise.sigma)
    lopsided = offsets * np.exp(-0.5 * (offsets / width) ** 2)
    power = float((lopsided[inner] ** 2).sum())
    aside = width**2 * ((slices - level[..., None]) * lopsided)[..., inner].sum(-1) / power
    radius = np.broadcast_to(np.sqrt(rho[1:] * rho[:-1]) * lines.fwhm, height.shape)
    angle = lines.angle.copy()
    for k in range(len(angle)):
        clear = (height[:, k] > CLEAR_SLICE * error[:, k]) & np.isfinite(aside[:, k])
        turn = (aside[:, k] / np.where(clear, height[:, k] * radius[:, k], 1.0))[clear]
        if len(turn) >= 4:
            angle[k] += float(np.clip(weighted_median(turn, radius[:, k][clear]), -0.03, 0.03))
    return Spikes(angle, lines.width, lines.light, lines.fwhm)


def _slices(plane: Plane, good: Mask, stars: Shown, lines: Spikes) -> tuple[Array, Array, Array]:
    """(stars, lines, sides, radii, offsets) means, the offsets in px, and the edges of the radii in FWHM."""
    fwhm = lines.fwhm
    rho = np.geomspace(SLICE_FROM, SLICE_TO, SLICES + 1)
    offsets = np.linspace(-SLICE_REACH, SLICE_REACH, SLICE_STEPS) * fwhm
    slices = np.full((len(stars), len(lines.angle), 2, SLICES, SLICE_STEPS), np.nan)
    arguments = (plane, good, stars.x, stars.y, stars.hidden + INNER_MARGIN * fwhm, lines.angle, rho * fwhm, offsets, slices)
    over_bands(lambda first, last: _read_slices(*arguments, first, last), len(stars))
    return slices, offsets, rho


def _heights(slices: Array, offsets: Array, noise: Noise, lines: Spikes) -> tuple[float, Array, Array]:
    """Width of the lines, px, height of every slice and its error; infinite where too little is seen."""
    outer = np.abs(offsets) > GROUND_FROM * lines.fwhm
    level, error = _ground(slices, outer, noise.sigma)
    off = slices - level[..., None]
    width = lines.width if lines.width > 0 else _best_width(off, error, offsets, lines.fwhm)
    profile = np.exp(-0.5 * (offsets / width) ** 2)
    power = float((profile[~outer] ** 2).sum())
    return width, (off * profile)[..., ~outer].sum(-1) / power, error / np.sqrt(power)


def _ground(slices: Array, outer: Mask, sigma: float) -> tuple[Array, Array]:
    """Level beside each slice, and the scatter of a sample; infinite where too little is seen."""
    beside = slices[..., outer]
    seen = np.asarray(np.isfinite(slices).all(-1))
    safe = np.where(seen[..., None], beside, 0.0)
    level = np.median(safe, -1)
    spread = MAD_TO_SIGMA * np.median(np.abs(safe - level[..., None]), -1)
    return np.where(seen, level, np.nan), np.where(seen, np.maximum(spread, 0.1 * sigma), np.inf)


def _median(values: Array) -> Array:
    """Median over the first axis of what is seen; 0 where nothing is."""
    seen = np.isfinite(values).any(0)
    return np.asarray(np.nanmedian(np.where(seen, values, 0.0), 0))


def _best_width(off: Array, error: Array, offsets: Array, fwhm: float) -> float:
    """Width across, px, at which a bell curve explains most of the clear slices."""
    inner = np.abs(offsets) <= GROUND_FROM * fwhm
    scaled = np.where(np.isfinite(error)[..., None], off / error[..., None], 0.0)[..., inner].reshape(-1, int(inner.sum()))
    scaled = np.nan_to_num(scaled)
    strong = scaled[:, len(scaled[0]) // 2] > 4
    if strong.sum() < 4:
        return float(0.4 * fwhm)
    rows = scaled[strong] / np.sqrt((scaled[strong] ** 2).sum(-1, keepdims=True))
    explained = []
    for own in WIDTHS * fwhm:
        profile = np.exp(-0.5 * (offsets[inner] / own) ** 2)
        explained.append(float(np.median(rows @ profile / np.sqrt((profile**2).sum()))))
    k = int(np.clip(np.argmax(explained), 1, len(WIDTHS) - 2))
    bend = np.polyfit(np.log(WIDTHS[k - 1 : k + 2]), explained[k - 1 : k + 2], 2)
    best = -bend[1] / (2 * bend[0]) if bend[0] < 0 else np.log(WIDTHS[k])
    return float(fwhm * np.exp(np.clip(best, np.log(WIDTHS[0]), np.log(WIDTHS[-1]))))


def _fall_of(height: Array, error: Array, peak: Array, rho: Array) -> Array:
    """(curves,) of one line from the slices of all stars (stars, sides, radii); all 0 when they show too little."""
    known = np.isfinite(error) & np.isfinite(height)
    top = peak[:, None, None]
    value = np.where(known, height, 0.0) / top
    sky = np.where(known, error, np.inf) / top
    curves = _curves(rho)
    light, trust = np.zeros(curves.shape[1]), np.ones_like(value)
    if not known.any():  # no star is left to show any, and of no equations the solver gives whatever stood in memory
        return light
    for number in range(ROUNDS):
        # what a star differs by from the others is a share of the light itself, whatever the noise
        expected = curves @ light if number else _median(np.where(known, value, np.nan).reshape(-1, len(rho)))
        weight = 1 / np.hypot(sky, STAR_TO_STAR * np.nan_to_num(expected))
        if number:
            trust = np.sqrt(np.minimum(1, HUBER / np.maximum(np.abs(value - expected) * weight, 1e-9)))
        w = (weight * trust) ** 2
        total, mean = w.sum((0, 1)), (w * value).sum((0, 1))
        seen = total > 0
        root = np.sqrt(total[seen])
        light, _ = scipy.optimize.nnls(curves[seen] * root[:, None], mean[seen] / root, maxiter=400)
    gained = float(((curves @ light) ** 2 * (weight * trust) ** 2).sum())
    return light if gained > LEAST_EVIDENCE else np.zeros_like(light)


@njit(cache=True, nogil=True)
def _read_slices(plane, good, x, y, inner, angle, edges, offsets, out, first, last):  # type: ignore[no-untyped-def]
    """Means of the plane over steps of the radius, at offsets across the arms; NaN where hidden or outside."""
    height, width = plane.shape
    for s in range(first, last):
        for k in range(angle.size):
            for side in range(2):
                c = np.cos(angle[k] + np.pi * side)
                d = np.sin(angle[k] + np.pi * side)
                for r in range(edges.size - 1):
                    if edges[r] < inner[s]:
                        continue
                    steps = max(1, int(edges[r + 1] - edges[r]))
                    for t in range(offsets.size):
                        total, count = 0.0, 0
                        for m in range(steps):
                            radius = edges[r] + (edges[r + 1] - edges[r]) * (m + 0.5) / steps
                            px = x[s] + radius * c - offsets[t] * d
                            py = y[s] + radius * d + offsets[t] * c
                            i = int(np.floor(px))
                            j = int(np.floor(py))
                            if i < 0 or j < 0 or i >= width - 1 or j >= height - 1:
                                continue
                            if not (good[j, i] and good[j, i + 1] and good[j + 1, i] and good[j + 1, i + 1]):
                                continue
                            p = px - i
                            q = py - j
                            total += (plane[j, i] * (1 - p) + plane[j, i + 1] * p) * (1 - q)
                            total += (plane[j + 1, i] * (1 - p) + plane[j + 1, i + 1] * p) * q
                            count += 1
                        if count * 2 > steps:
                            out[s, k, side, r, t] = total / count


def draw_spikes(shape: tuple[int, int], spikes: Spikes | None, x: Array, y: Array, peak: Array, sigma: float) -> Plane:
    """(H, W) float32: the arms of all stars, each out to where it is lost in the noise; stars in the order that ``spikes.index`` tells."""
    plane = np.zeros(shape, np.float32)
    if spikes is None:
        return plane
    peak = peak.copy()
    peak[spikes.index] *= spikes.own
    radius = np.r_[0.0, np.geomspace(0.2, MOST_REACH, 600) * spikes.fwhm]
    fall = spikes.fall(radius).max(0)
    reach = np.interp(-LEAST_LIGHT * sigma / np.maximum(peak, 1e-30), -fall, radius, left=0.0)
    drawn = reach > spikes.fwhm
    if drawn.any():
        far = float(reach.max())
        curves = spikes.fall(np.linspace(0, far, CURVE_STEPS + 2))
        arguments = (plane, x[drawn], y[drawn], peak[drawn], reach[drawn], spikes.angle, spikes.width, curves, CURVE_STEPS / far)
        over_bands(lambda first, last: _draw(*arguments, first, last), shape[0])
    return plane


@njit(cache=True, nogil=True)
def _draw(plane, x, y, peak, reach, angle, width, curves, per_px, first, last):  # type: ignore[no-untyped-def]
    columns = plane.shape[1]
    side = 4.0 * width
    for j in range(first, last):
        for s in range(x.size):
            dy = j - y[s]
            if abs(dy) > reach[s]:
                continue
            for k in range(angle.size):
                c = np.cos(angle[k])
                d = np.sin(angle[k])
                half = np.sqrt(reach[s] * reach[s] - dy * dy)
                low, high = -half, half
                if abs(d) > 1e-6:  # |across| = |-dx d + dy c| < side
                    a = (dy * c - side) / d
                    b = (dy * c + side) / d
                    low = max(low, min(a, b))
                    high = min(high, max(a, b))
                elif abs(dy) > side:
                    continue
                for i in range(max(0, int(np.ceil(x[s] + low))), min(columns - 1, int(np.floor(x[s] + high))) + 1):
                    dx = i - x[s]
                    across = -dx * d + dy * c
                    along = np.sqrt(dx * dx + dy * dy)
                    t = along * per_px
                    n = min(int(t), curves.shape[1] - 2)
                    f = t - n
                    fade = min(1.0, (reach[s] - along) / (0.3 * reach[s]))
                    light = curves[k, n] * (1 - f) + curves[k, n + 1] * f
                    plane[j, i] += peak[s] * light * fade * np.exp(-0.5 * (across / width) ** 2)
