"""How much of the light round a clipped star is its own, and how much the ground's.

Round the star the picture less all modelled light is read in rings and sectors. What is left there is a sum of three things, each a random
field of known kind (Rasmussen & Williams 2006, sec. 2.7, 4.2, 5.4): the star's own error, a share of its light (its peak, the strength of
its halo, a smooth rest over the radius, and waves once and twice round it); the ground, uneven in proportion to its height over long ways
and a little over short ones, with a level and a slope that may be anything and, where it is low, a bend; the noise. The unevenness is the
one that makes the cells most likely. The star's share, expected from all cells together, moves from the ground to the star: an arm that
goes on beyond the star on both sides stays ground, a round excess goes.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import scipy
from numba import njit

from layerblend.kinds import Array, Mask, Plane
from layerblend.maths.bands import over_bands
from layerblend.maths.noise_line import Noise
from layerblend.steps.split.haloes import SECTORS, Haloes, halo_basis, read_cells, together
from layerblend.steps.split.model import StarImage, profile_at

RINGS = 14
# Rings in FWHM: from so far outside the clipped core to where the brightest halo is lost.
INNER_MARGIN, LEAST_INNER = 0.6, 1.5
LEAST_OUTER, MOST_OUTER, OUTER_SHARE = 12.0, 24.0, 0.25
TOGETHER = 1.0
# How wrong a star's light may be, as shares of itself: its peak, its halo's strength, its course over the radius (smooth over so many ln).
PEAK_SHARE, HALO_SHARE, COURSE_SHARE, COURSE_LENGTH = 0.03, 0.2, 0.02, 0.6
# Once and twice round the star: its place and its ellipse are a little off, and its wings differ from its core, the more the farther out.
LOPSIDED_SHARES, LOPSIDED_GROWTH = (0.03, 0.05), 1.0
# What the star image misses from cell to cell, as a share of its light there.
CELL_SHARE = 0.06
UNEVEN = np.array([0.3, 0.6, 1.2, 2.5, 5.0, 10.0, 20.0, 40.0, 80.0, 160.0])
# Over so many FWHM, with these shares of the variance. Over short ways alone the ground behind a star would return to the mean of all
# ground round it, to which an arm far outside belongs; over long ways alone an arm or a knot beside the star would bend all of it.
WAYS, WAY_SHARES = (12.0, 5.0, 2.0), (1.0, 0.2, 0.03)
LEVEL_FREEDOM = 1e3
# Ground beside a target mostly bends upwards towards it: made to be level or to slope evenly, it leaves light in the star's place. Ground
# higher than this (sigma) is arms and knots, which bend over shorter ways than a star's light does: there the bend would only take it.
BEND, BEND_GROUND = 0.7, 6.0
# Ground lower than this (sigma, and share of its mean) is as uneven as ground of this height; none rises and falls by more than a share.
LEAST_GROUND, LEAST_HEIGHT, MOST_UNEVEN = 3.0, 0.3, 0.2
# What is left of a star's own light makes the ground look high. At first it counts as no higher within so many FWHM than in the next rings.
OWN_RADIUS, NEXT_RINGS = 6.0, 3
USUAL_RADII = np.array([3.0, 4.0, 5.0, 6.0])
# Cells too bright or too dark by so many of their errors lose their weight: ground is mostly low, with narrow ridges; what lies behind a
# star is most likely of the usual kind.
ODD_BRIGHT, ODD_DARK, ODD_ROUNDS = 2.0, 3.5, 3
LEAST_CELLS = 40
DRAWN, DRAW_STEPS, FARTHEST = 96, 1024, 100.0
LEAST_LIGHT = 0.04
# Courses over the radius: of the round light, and of the cosine and sine of its first and second wave round the star.
WAVES = 5
TURN = 2 * np.pi * (np.arange(SECTORS) + 0.5) / SECTORS
ROUND_WAVES = np.stack([np.ones(SECTORS), np.cos(TURN), np.sin(TURN), np.cos(2 * TURN), np.sin(2 * TURN)])


class _Courses(NamedTuple):
    """Courses (n, WAVES, radii) of light over radii in px, round places x, y (n,)."""

    x: Array
    y: Array
    radii: Array
    light: Array

    def plane(self, shape: tuple[int, ...], sigma: float, some: Mask | slice = slice(None)) -> Plane:
        return _draw(shape, self.x[some], self.y[some], self.radii, self.light[some], sigma)


NOTHING = _Courses(np.zeros(0), np.zeros(0), np.zeros(0), np.zeros((0, WAVES, 0)))


@dataclass(frozen=True)
class Settled:
    """Whose the light is that was settled, and how ``uneven`` (n,) the ground round each source is; None where nothing was.

    Stars whose cores touch are one group: ``home`` (own,) of each clipped source ``index`` (own,). Groups ``gain``, sources ``give`` back.
    """

    uneven: Array | None
    index: Array = field(default_factory=lambda: np.zeros(0, int))
    home: Array = field(default_factory=lambda: np.zeros(0, int))
    gain: _Courses = NOTHING
    give: _Courses = NOTHING

    def of(self, some: Mask, shape: tuple[int, ...], sigma: float) -> Plane:
        """(H, W) float32: the part of the light that belongs to ``some`` (n,) of the sources; of a group only for all of it."""
        whole = np.ones(len(self.gain.x), bool)
        np.logical_and.at(whole, self.home, some[self.index])
        if not whole.any():
            return np.zeros(shape, np.float32)
        return self.gain.plane(shape, sigma, whole) - self.give.plane(shape, sigma, whole[self.home])


def settle(
    bare: Plane,
    good: Mask,
    noise: Noise,
    geo: Array,
    peak: Array,
    blob: Array,
    fwhm: float,
    image: StarImage,
    haloes: Haloes,
    *,
    uneven: Array | None = None,
    rounds: int = 2,
) -> tuple[Plane, Settled]:
    """Light (H, W) float32 to be added to the haloes of clipped stars, and whose it is.

    Parameters
    ----------
    bare : (H, W) float32, the picture less all stars and haloes
    good : (H, W) bool
    geo, peak, blob : sources, see `sources.Sources`
    fwhm : float, px
    image : StarImage the stars were drawn with
    haloes : what was taken off ``bare``; where no more can be told, a star has the usual one
    uneven : (n,) of the ground round each source, as a multiple of its height there over its mean; looked for when another channel has not
        shown it
    rounds : each star is looked at so often, with the others' light as found before

    """
    # a hot pixel may count as clipped and be without light in another channel
    own = np.nonzero((blob[haloes.index] > 0) & (peak[haloes.index] > 0))[0]
    if len(own) == 0 or haloes.common is None or not haloes.common.any():
        return np.zeros_like(bare), Settled(uneven)
    index = haloes.index[own]
    home, x, y, top, hidden = together(geo[index], peak[index], blob[index], TOGETHER * fwhm)
    first = np.unique(home, return_index=True)[1]
    usual = _usual_halo(haloes, own, peak)
    apart = haloes.light[own] - usual * peak[index, None]
    light = _Light(image, usual)
    inner = np.maximum(hidden / fwhm + INNER_MARGIN, LEAST_INNER)
    outer = np.clip(2.6 * (top / noise.sigma / 40) ** 0.40, LEAST_OUTER, min(MOST_OUTER, OUTER_SHARE * min(bare.shape) / fwhm))
    outer = np.maximum(outer, 2.5 * inner)
    radii = inner[:, None] * (outer / inner)[:, None] ** ((np.arange(RINGS) + 0.5) / RINGS)
    drawn = np.geomspace(0.3, FARTHEST, DRAWN)
    taken = np.zeros((len(index), WAVES, DRAWN))
    taken[:, 0] = apart @ halo_basis(drawn, 1.0).T
    profiles, added = np.zeros((len(top), WAVES, DRAWN)), np.zeros_like(bare)
    np.add.at(profiles, home, taken / noise.sigma)
    gain = _Courses(x, y, drawn * fwhm, profiles * noise.sigma)
    give = _Courses(geo[index, 0], geo[index, 1], drawn * fwhm, taken)
    given_back = give.plane(bare.shape, noise.sigma)
    for turn in range(rounds):
        cells, counts = read_cells(bare - added, good, x, y, inner * fwhm, outer * fwhm, RINGS)
        heights = [_height(cells[s] / noise.sigma, radii[s], cleaned=turn > 0) for s in range(len(top))]
        own_light = [_waves_at(radii[s], drawn, profiles[s]) for s in range(len(top))]
        patches = [
            _patch(cells[s] / noise.sigma, own_light[s], heights[s], counts[s], radii[s], top[s] / noise.sigma, light, noise)
            for s in range(len(top))
        ]
        if uneven is None:
            uneven = np.full(len(peak), UNEVEN[0])
            uneven[index] = _likeliest(patches, light)[home]
        profiles = _own_light(patches, uneven[index[first]], drawn, light)
        gain = _Courses(x, y, drawn * fwhm, profiles * noise.sigma)
        added = gain.plane(bare.shape, noise.sigma) - given_back
    return added, Settled(uneven, index, home, gain, give)


def _usual_halo(haloes: Haloes, own: Array, peak: Array) -> Array:
    """(widths,) the common halo, as strong as that of the middle one of the clipped stars."""
    near = halo_basis(USUAL_RADII, 1.0)
    strength = (haloes.light[own] @ near.T).sum(1) / peak[haloes.index[own]]
    return haloes.common * np.median(strength) / max(float((near @ haloes.common).sum()), 1e-30)


class _Light(NamedTuple):
    """A star of peak 1: its image and its halo."""

    image: StarImage
    halo: Array

    def at(self, radii: Array) -> tuple[Array, Array]:
        """Light of both at radii in FWHM."""
        return profile_at(self.image.profile, radii), halo_basis(radii, 1.0) @ self.halo


class _Patch(NamedTuple):
    """The cells round one star, in units of the noise, flat, and what belongs to its rings (FWHM); ``top``: the star's peak."""

    value: Array
    variance: Array
    height: Array
    ring: Array
    sector: Array
    radii: Array
    top: float


def _patch(cells: Array, own_cells: Array, height: Array, counts: Array, radii: Array, top: float, light: _Light, noise: Noise) -> _Patch:
    star, halo = light.at(radii)
    shot = 1 + noise.slope / noise.floor * noise.sigma * top * (star + halo)[:, None]
    variance = 1.57 * shot / np.maximum(counts, 1) + (CELL_SHARE * star * top)[:, None] ** 2
    known = np.isfinite(cells)
    if known.sum() < LEAST_CELLS:
        known[:] = False
    ring, sector = np.nonzero(known)
    return _Patch((cells + own_cells)[known], variance[known], height[known], ring, sector, radii, top)


def _height(cells: Array, radii: Array, *, cleaned: bool) -> Array:
    """Height of the ground in each cell, evened out; never near nothing. ``cleaned`` of the star's own light once."""
    if not np.isfinite(cells).any():
        return cells
    level = np.where(np.isfinite(cells), cells, np.nanmedian(cells))
    level = scipy.ndimage.gaussian_filter(level, 1.5, mode=("nearest", "wrap"))
    level = np.maximum(level, max(LEAST_GROUND, LEAST_HEIGHT * float(level.mean())))
    inner = int(np.searchsorted(radii, OWN_RADIUS))
    if not cleaned and inner < len(radii):
        level[:inner] = np.minimum(level[:inner], level[inner : inner + NEXT_RINGS].mean(0))
    return level


def _round_covariance(a: Array, b: Array, top: float, light: _Light) -> Array:
    """(a, b): how the star's round error at radii ``a`` goes with that at ``b``."""
    (star_a, halo_a), (star_b, halo_b) = light.at(a), light.at(b)
    peak, halo = PEAK_SHARE**2 * np.outer(star_a, star_b), HALO_SHARE**2 * np.outer(halo_a, halo_b)
    return top**2 * (peak + halo + COURSE_SHARE**2 * _alike(a, b) * np.outer(star_a + halo_a, star_b + halo_b))


def _wave_covariances(a: Array, b: Array, top: float, light: _Light) -> list[Array]:
    """The same for its waves round the star."""
    wings_a, wings_b = (light.at(r)[0] * np.maximum(r / LEAST_INNER, 1) ** LOPSIDED_GROWTH for r in (a, b))
    return [(share * top) ** 2 * _alike(a, b) * np.outer(wings_a, wings_b) for share in LOPSIDED_SHARES]


def _alike(a: Array, b: Array) -> Array:
    x = np.sqrt(3) * np.abs(np.log(a)[:, None] - np.log(b)) / COURSE_LENGTH
    return (1 + x) * np.exp(-x)


def _own_by_turn(patch: _Patch, light: _Light) -> Array:
    """(rings, rings, sectors apart): covariance of the star's own error."""
    turn = 2 * np.pi * np.arange(SECTORS) / SECTORS
    own = np.repeat(_round_covariance(patch.radii, patch.radii, patch.top, light)[..., None], SECTORS, -1)
    for k, wave in enumerate(_wave_covariances(patch.radii, patch.radii, patch.top, light)):
        own += wave[..., None] * np.cos((k + 1) * turn)
    return own


def _ground_by_turn(radii: Array) -> Array:
    """(rings, rings, sectors apart): covariance of the ground where its unevenness and height are 1."""
    turn = 2 * np.pi * np.arange(SECTORS) / SECTORS
    apart = radii[:, None, None] ** 2 + radii[None, :, None] ** 2 - 2 * radii[:, None, None] * radii[None, :, None] * np.cos(turn)
    return sum((share / (1 + 0.5 * apart / way**2) for way, share in zip(WAYS, WAY_SHARES, strict=True)), np.zeros_like(apart))


def _bend(patch: _Patch) -> float:
    """How far the ground may bend within the outermost ring, as a multiple of its unevenness."""
    return BEND * min(1.0, BEND_GROUND / float(patch.height.mean())) ** 2


def _likeliest(patches: list[_Patch], light: _Light) -> Array:
    """Unevenness of the ground; every other cell tells enough."""
    uneven = np.zeros(len(patches))

    def work(first: int, last: int) -> None:
        for s in range(first, last):
            patch = patches[s]
            if len(patch.value):
                value, variance, height, ring, sector = (a[::2] for a in patch[:5])
                most = max(MOST_UNEVEN * float(patch.height.mean()), UNEVEN[0])
                known = (value, variance, height / height.mean(), ring, sector)
                tables = (_own_by_turn(patch, light), _ground_by_turn(patch.radii))
                unevens = UNEVEN[: np.searchsorted(UNEVEN, most, side="right")]
                uneven[s] = _search(*known, *tables, patch.radii, unevens, _bend(patch))

    over_bands(work, len(patches))
    return uneven


def _own_light(patches: list[_Patch], uneven: Array, drawn: Array, light: _Light) -> Array:
    """(n, WAVES, drawn): every star's expected share of what is left, at radii ``drawn``, in units of the noise."""
    profiles = np.zeros((len(patches), WAVES, len(drawn)))

    def work(first: int, last: int) -> None:
        for s in range(first, last):
            patch = patches[s]
            if len(patch.value) == 0:
                continue
            known = (patch.value, patch.variance, patch.height / patch.height.mean(), patch.ring, patch.sector)
            tables = (_own_by_turn(patch, light), _ground_by_turn(patch.radii))
            weights = np.zeros((RINGS, SECTORS))
            weights[patch.ring, patch.sector] = _weigh(*known, *tables, patch.radii, uneven[s], _bend(patch))
            by_wave = ROUND_WAVES @ weights.T
            profiles[s, 0] = _round_covariance(drawn, patch.radii, patch.top, light) @ by_wave[0]
            for k, wave in enumerate(_wave_covariances(drawn, patch.radii, patch.top, light)):
                profiles[s, 1 + 2 * k : 3 + 2 * k] = by_wave[1 + 2 * k : 3 + 2 * k] @ wave.T

    over_bands(work, len(patches))
    return profiles


@njit(cache=True, nogil=True)
def _fill_covariance(variance, height, ring, sector, own, ground, radii, uneven, bend, out):  # type: ignore[no-untyped-def]
    """Lower half of the covariance of the cells: ground with its ``bend``, star, free level and slope, noise."""
    outer = radii[-1]
    for i in range(ring.size):
        turn = 2 * np.pi * (sector[i] + 0.5) / SECTORS
        x, y = radii[ring[i]] / outer * np.cos(turn), radii[ring[i]] / outer * np.sin(turn)
        for j in range(i + 1):
            other = 2 * np.pi * (sector[j] + 0.5) / SECTORS
            r = radii[ring[j]] / outer
            along = x * r * np.cos(other) + y * r * np.sin(other)
            d = (sector[i] - sector[j]) % SECTORS
            a, b = ring[i], ring[j]
            rough = uneven * uneven * (height[i] * height[j] * ground[a, b, d] + (bend * along) ** 2)
            out[i, j] = rough + own[a, b, d] + LEVEL_FREEDOM * LEVEL_FREEDOM * (1 + along)
        out[i, i] += variance[i]


@njit(cache=True, nogil=True, fastmath={"reassoc"})
def _dot(a, b, n):  # type: ignore[no-untyped-def]
    total = 0.0
    for k in range(n):
        total += a[k] * b[k]
    return total


@njit(cache=True, nogil=True)
def _factor(matrix):  # type: ignore[no-untyped-def]
    """Cholesky factor in place of the lower half."""
    n = len(matrix)
    for i in range(n):
        for j in range(i):
            matrix[i, j] = (matrix[i, j] - _dot(matrix[i], matrix[j], j)) / matrix[j, j]
        matrix[i, i] = np.sqrt(max(matrix[i, i] - _dot(matrix[i], matrix[i], i), 1e-12))


@njit(cache=True, nogil=True)
def _forward(low, value):  # type: ignore[no-untyped-def]
    out = np.empty(value.size)
    for i in range(value.size):
        out[i] = (value[i] - _dot(low[i], out, i)) / low[i, i]
    return out


@njit(cache=True, nogil=True)
def _search(value, variance, height, ring, sector, own, ground, radii, unevens, bend):  # type: ignore[no-untyped-def]
    n = value.size
    matrix = np.empty((n, n))
    best, found = -np.inf, unevens[0]
    for uneven in unevens:
        _fill_covariance(variance, height, ring, sector, own, ground, radii, uneven, bend, matrix)
        _factor(matrix)
        z = _forward(matrix, value)
        likely = -0.5 * _dot(z, z, n)
        for i in range(n):
            likely -= np.log(matrix[i, i])
        if likely > best:
            best, found = likely, uneven
    return found


@njit(cache=True, nogil=True)
def _weigh(value, variance, height, ring, sector, own, ground, radii, uneven, bend):  # type: ignore[no-untyped-def]
    """Inverse covariance times the values; cells that the others do not foretell lose their weight (Rasmussen & Williams, eq. 5.12)."""
    n = value.size
    covariance, low, inverse = np.empty((n, n)), np.empty((n, n)), np.zeros((n, n))
    _fill_covariance(variance, height, ring, sector, own, ground, radii, uneven, bend, covariance)
    extra = np.zeros(n)
    weights = np.empty(n)
    for step in range(ODD_ROUNDS + 1):
        low[:] = covariance
        for i in range(n):
            low[i, i] += extra[i]
        _factor(low)
        for i in range(n):  # row i of inverse: column i of the factor's inverse
            inverse[i, i] = 1 / low[i, i]
            for k in range(i + 1, n):
                inverse[i, k] = -_dot(low[k, i:k], inverse[i, i:k], k - i) / low[k, k]
        z = _forward(low, value)
        for i in range(n):
            weights[i] = _dot(inverse[i, i:], z[i:], n - i)
        if step == ODD_ROUNDS:
            break
        for i in range(n):
            sure = _dot(inverse[i, i:], inverse[i, i:], n - i)
            off = weights[i] / sure
            odd = ODD_BRIGHT if off > 0 else ODD_DARK
            if off * off > odd * odd * (1 / sure - extra[i]):
                extra[i] += off * off
    return weights


def _waves_at(radii: Array, drawn: Array, profiles: Array) -> Array:
    """(rings, sectors) light of courses over the radius."""
    return np.stack([np.interp(np.log(radii), np.log(drawn), p) for p in profiles], 1) @ ROUND_WAVES


def _draw(shape: tuple[int, ...], x: Array, y: Array, radii: Array, profiles: Array, sigma: float) -> Plane:
    """(H, W) float32: the light of all stars, faded out where it falls under a small share of the noise."""
    plane = np.zeros(shape, np.float32)
    strength = np.abs(profiles).sum(1)
    last = np.array([int(np.nonzero(row > LEAST_LIGHT * sigma)[0].max(initial=0)) for row in strength])
    reach = np.minimum(radii[last] * 1.2, radii[-1])
    t = np.minimum(np.arange(DRAW_STEPS + 2) / DRAW_STEPS, 1.0)
    even = np.stack([[np.interp(t * far, radii, row) for row in waves] for far, waves in zip(reach, profiles, strict=True)])
    even = np.ascontiguousarray(np.swapaxes(even * np.clip((1 - t) / 0.3, 0, 1), 1, 2))
    over_bands(lambda top, bottom: _draw_rows(plane, x, y, reach, even, top, bottom), shape[0])
    return plane


@njit(cache=True, nogil=True)
def _draw_rows(plane, x, y, reach, waves, top, bottom):  # type: ignore[no-untyped-def]
    width = plane.shape[1]
    steps = waves.shape[1] - 2
    for s in range(x.size):
        limit = reach[s] * reach[s]
        for j in range(max(top, int(np.ceil(y[s] - reach[s]))), min(bottom, int(np.floor(y[s] + reach[s])) + 1)):
            dy = j - y[s]
            half = np.sqrt(max(limit - dy * dy, 0.0))
            for i in range(max(0, int(np.ceil(x[s] - half))), min(width, int(np.floor(x[s] + half)) + 1)):
                dx = i - x[s]
                r = max(np.sqrt(dx * dx + dy * dy), 1e-6)
                t = r / reach[s] * steps
                k = int(t)
                f = t - k
                c, d = dx / r, dy / r
                low, high = waves[s, k], waves[s, k + 1]
                value = low[0] + f * (high[0] - low[0])
                value += (low[1] + f * (high[1] - low[1])) * c + (low[2] + f * (high[2] - low[2])) * d
                value += (low[3] + f * (high[3] - low[3])) * (c * c - d * d) + (low[4] + f * (high[4] - low[4])) * 2 * c * d
                plane[j, i] += value
