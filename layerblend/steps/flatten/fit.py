"""Sky and galaxies fitted together on the tile table: smooth Legendre sky per channel, galaxies of one shape for all channels.

A mask cannot save a galaxy's halo, because the halo's level is what a masked sky fit takes. So the galaxy stands in the model: an
exponential plus a wider, rounder one, with amplitudes of its own in every channel that may not be negative, and lopsided as galaxies are.
Light that the stars scatter beyond their masks stands in it too: left out, it lifts the sky by a tenth of the noise.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from math import comb

import numpy as np
import scipy
from numpy.polynomial import legendre

from layerblend.kinds import Array, Mask
from layerblend.maths.bands import each
from layerblend.maths.robust import mad_sigma

from .objects import Galaxy, elliptical_radius, find_galaxies, leftover_mask
from .tiles import TileTable, join_tiles

DEGREE = 9
WIDE_DEGREE = 3
# Penalty on squared third derivatives; the first leaves nothing but a parabola.
STIFFNESS = (1e3, 1e-4, 1e-5, 1e-6, 1e-7, 1e-8, 1e-9)
SHARED_ERROR = 2.0
MIDDLE_STIFFNESS = 3e-7
PENALTY_UNIT = 0.06
# Share of the penalty that r^4 about the frame's middle keeps in a sky with a lens's fall-off, and by how much such a sky must be more
# probable, as twice the log: most flats leave none. On simulated skies with one it is more so by 160 to 190, on others by 9 at most.
FALL_OFF, UNUSUAL = 1e-3, 20.0
SURFACE_ROWS = 64
# Tukey's biweight, wide below the fit, narrower above it where stars and objects stand.
REACH_BELOW, REACH_ABOVE = 4.7, 3.0
# Expected scatter of a galaxy's tiles, share of its light: arms and knots. Where that makes the error, nothing is rejected (arms would
# be, and the galaxy come out too faint and too wide), but what stands out further than so many errors counts less.
GALAXY_ERROR, GALAXY_HUBER = 0.2, 2.0
# Arms of a large galaxy cover many rows, which then err together: from this share of the width on, the scatter that is expected grows with
# the scale length, up to so many times.
LARGE_SCALE, MOST_ARMS = 1 / 16, 2.0
# Arms and knots stand in all channels alike but for this share of the light, their own colour.
COLOUR_ERROR = 0.1
# Galaxies are lopsided, the more the further out, up to so many scale lengths; by how much, as 1 sigma
# (Rix & Zaritsky 1995, ApJ 447, 82).
LOPSIDED_FROM, LOPSIDED_ERROR = 2.5, 0.1
# Share of the disc's central light that the wide component's is, and its 1 sigma: haloes hold a few per cent of a galaxy's light
# (Merritt et al. 2016, ApJ 830, 62).
HALO_SHARE, HALO_SHARE_ERROR = 0.035, 0.02
# Share of the sky's departure from a parabola that its model may miss before a tile is rejected: else a glow's tip never gets in.
GLOW_ERROR = 0.1
WIDER = 1.8
ROUNDER = 0.6
FAINTEST_SHARE = 0.15
# Galaxy light over the faintest tiles is zero within this, over the root of their number: decides between sky and halo where the data
# cannot.
FAR_ERROR, WIDE_FAR_ERROR = 16.0, 24.0
# Stars scatter light far beyond their masks (King 1971, PASP 83, 199): (1 + (r / core)^2)^-power, core in tiles; how much, each channel
# says for itself. Knots within so many scale lengths of a galaxy are no stars.
GLARE_CORE, GLARE_POWER = 2.0, 2.0
KNOTS_REACH = 2.5
GLARE_ERROR = 10.0
# The channels show one galaxy: its lopsidedness differs between them by no more than this share of the disc, the halo's colour from the
# disc's (but for the usual tint, below) by this share. A channel with little gradient so tells the others what is galaxy.
SHARED_LOPSIDED, HALO_COLOUR_ERROR = 0.03, 0.3
# Of red, green and blue; haloes are redder than discs (Zibetti, White & Brinkmann 2004, MNRAS 347, 556, cited from memory; by how much is a
# guess).
HALO_TINT = (1.15, 1.0, 0.85)
# A halo may be redder or bluer than its disc, hardly greener or more magenta: there it is so many times better known.
GREENER, ODD = np.array([1.0, -2.0, 1.0]) / np.sqrt(6), 0.1
STRICTER = np.sqrt((HALO_COLOUR_ERROR / ODD) ** 2 - 1)
ROUNDS = 3
# The round from which channels tell each other about arms: before a galaxy has found its place, what they share may be anything.
COMMON_FROM = 1
HUBER_BELOW, HUBER_ABOVE = 2.0, 1.0
START_SCALES = (1 / 30, 1 / 16, 1 / 9)
LARGEST_SCALE, SMALLEST_SCALE = 0.25, 0.008
CENTRE_REACH = 0.04
FIRST_GROWS, OTHERS_GROW = 2.5, 1.5
POWER_RANGE = (0.6, 1.3)
USED_WEIGHT = 0.5
CLEAN_WEIGHT = 0.3
LEAST_OUTSIDE = 50
CLEAN_GALAXY = 0.5
# An edge nearer to a galaxy's middle than so many scale lengths cuts it. Galaxies of less than this share of the brightest one's light (a
# star's halo may be among them) are not worth a word.
CUT_SCALES, CUT_LIGHT = 0.9, 0.1
# Galaxy light, sigma, that counts as halo.
HALO = (0.7, 6.0)


Loss = Callable[[Array], Array]


@dataclass(frozen=True)
class SkyFit:
    """Result of the joint fit. Values in sigma above the table's level.

    ``coefficients``: (terms, C) of the Legendre sky of total ``degree``; ``amplitudes``: (components, C). ``weight``: (n, C) robust
    weight of each row of ``rows``; ``residual``: (n, C); ``galaxy``, ``glare``: (n, C) light of the galaxies, and light scattered by
    the stars, at the rows; ``clean``: (n,) rows that are sky in every channel. ``excess``: (C,) scale of the residuals over their
    expected error; ``outside``: (C,) the same off the galaxies. ``far``: galaxy light over the faintest rows. ``halo_error``: (C,) error of
    the mean sky over the halo if the rows' errors are as expected and apart from each other; 0 without a halo. ``bright_error``: the same
    over what is brighter than a halo.
    """

    degree: int
    coefficients: Array
    galaxies: tuple[Galaxy, ...]
    amplitudes: Array
    rows: TileTable
    weight: Array
    residual: Array
    galaxy: Array
    glare: Array
    clean: Array
    excess: Array
    outside: Array
    stiffness: tuple[float, ...]
    far: float
    halo_error: Array
    bright_error: Array
    wide: bool = False


@dataclass(frozen=True)
class _Profile:
    """Which galaxy model: two exponentials, or one of free power for a galaxy that reaches the edge; both with two lopsided terms."""

    wide: bool

    def columns(self, x: Array, y: Array, galaxy: Galaxy) -> list[Array]:
        scale = np.exp(galaxy.log_scale)
        radius = elliptical_radius(x, y, galaxy) / scale
        disc = np.exp(-((radius + 0.02) ** np.exp(galaxy.log_power))) if self.wide else np.exp(-radius)
        tilt = disc * np.minimum(radius, LOPSIDED_FROM) / LOPSIDED_FROM / np.maximum(radius, 0.1) / scale
        lopsided = [tilt * (x - galaxy.x), tilt * (y - galaxy.y)]
        if self.wide:
            return [disc, *lopsided]
        rounder = elliptical_radius(x, y, galaxy, ROUNDER) / scale
        return [disc, np.exp(-rounder / WIDER), *lopsided]

    @property
    def positive(self) -> tuple[bool, ...]:
        """Which of a galaxy's columns may not be negative."""
        return (True, False, False) if self.wide else (True, True, False, False)


# ---------------------------------------------------------------- sky basis
def legendre_terms(degree: int) -> list[tuple[int, int]]:
    """Powers (i, j) in x and y of total degree <= ``degree``."""
    return [(i, j) for i in range(degree + 1) for j in range(degree + 1 - i)]


def legendre_design(u: Array, v: Array, degree: int) -> Array:
    """(n, terms) float64 design matrix at u, v in -1..1."""
    U, V = legendre.legvander(np.ravel(u), degree), legendre.legvander(np.ravel(v), degree)
    return np.stack([U[:, i] * V[:, j] for i, j in legendre_terms(degree)], 1)


def sky_surface(coefficients: Array, degree: int, height: int, width: int, level: Array | float = 0.0) -> Array:
    """(height, width, C) float32: the Legendre sky at every pixel above ``level`` (C,), by matrix products of few rows each."""
    channels = coefficients.shape[1]
    U = legendre.legvander(np.linspace(-1, 1, width), degree)
    V = legendre.legvander(np.linspace(-1, 1, height), degree)
    down = np.zeros((height, channels, degree + 1))
    across = np.zeros((channels, degree + 1, width, channels))
    for c in range(channels):
        table = np.zeros((degree + 1, degree + 1))
        for k, (i, j) in enumerate(legendre_terms(degree)):
            table[j, i] = coefficients[k, c]
        down[:, c] = V @ table
        across[c, :, :, c] = U.T
    terms = channels * (degree + 1)
    left, right = down.reshape(height, terms).astype(np.float32), across.reshape(terms, width * channels).astype(np.float32)
    surface = np.empty((height, width, channels), np.float32)

    def some(first: int) -> None:
        rows = surface[first : first + SURFACE_ROWS]
        np.matmul(left[first : first + SURFACE_ROWS], right, out=rows.reshape(len(rows), -1))
        rows += np.asarray(level, np.float32)

    each(some, range(0, height, SURFACE_ROWS))
    return surface


@lru_cache(maxsize=8)
def roughness(degree: int, order: int = 3) -> Array:
    """(terms, terms) exact integral of squared derivatives of ``order`` over the square -1..1 (rotation-invariant thin-plate form)."""
    nodes, weights = legendre.leggauss(degree + 1)
    one = np.eye(degree + 1)
    values = [
        np.stack([legendre.legval(nodes, legendre.legder(one[i], m) if m else one[i]) for i in range(degree + 1)], 1)
        for m in range(order + 1)
    ]
    moments = [(a * weights[:, None]).T @ a for a in values]
    terms = legendre_terms(degree)
    out = np.zeros((len(terms), len(terms)))
    for m in range(order + 1):
        for a, (i, j) in enumerate(terms):
            for b, (k, n) in enumerate(terms):
                out[a, b] += comb(order, m) * moments[m][i, k] * moments[order - m][j, n]
    return out / 4


def fall_off_spared(penalty: Array, aspect: float, degree: int) -> Array:
    """``penalty`` (terms, terms) that holds but a share of itself against r^4 about the frame's middle (``degree`` >= 4).

    What lenses lose towards the corners is an even series of the distance r from the axis (Goldman 2010, IEEE TPAMI 32, 2276, from memory);
    r^2 costs nothing anyhow. As stiff as against all else, the sky under a galaxy's halo was lifted by .3 sigma instead.
    """
    even = [np.pad(legendre.poly2leg([0] * power + [1]), (0, degree - power)) for power in (0, 2, 4)]
    shares = (1, 2 * aspect**2, aspect**4)
    r4 = np.sum([share * np.outer(even[2 - k], even[k]) for k, share in enumerate(shares)], axis=0)
    way = np.array([r4[term] for term in legendre_terms(degree)])
    pull = penalty @ way
    return penalty - (1 - FALL_OFF) * np.outer(pull, pull) / (way @ pull)


# ---------------------------------------------------------------- robust pieces
def tukey(r: Array, reach: float) -> Array:
    """Biweight: 1 at zero, 0 beyond ``reach``."""
    u = np.abs(r) / reach
    return np.where(u < 1, (1 - u * u) ** 2, 0.0)


def lopsided(r: Array, below: float = REACH_BELOW, above: float = REACH_ABOVE) -> Array:
    """Biweight with a narrower reach above the fit than below it."""
    return np.where(r > 0, tukey(r, above), tukey(r, below))


def residual_scale(r: Array) -> float:
    """Robust scatter of residuals in units of their expected error, at least 1."""
    scatter = mad_sigma(r)
    return scatter if scatter > 1 else 1.0


def lopsided_huber(r: Array) -> Array:
    """Weights that never reach zero: what the first rounds reject by mistake can still come back."""
    reach = np.where(r > 0, HUBER_ABOVE, HUBER_BELOW)
    return np.minimum(1, reach / np.maximum(np.abs(r), 1e-9))


def lower_parabola(table: TileTable) -> Array:
    """(ny, nx) a first sky in luminance: a parabola that follows the lower tiles."""
    design = legendre_design(table.u, table.v, 2)
    use = table.used.ravel()
    A, z, e = design[use], table.value.mean(-1).ravel()[use], table.error.ravel()[use]
    if len(z) < 12:
        return np.full(table.count.shape, float(np.median(z)) if len(z) else 0.0)
    weight = np.ones(len(z))
    for turn in range(12):
        Aw = A * (weight / e**2)[:, None]
        N = Aw.T @ A
        c = np.linalg.solve(N + 1e-9 * np.trace(N) / len(N) * np.eye(len(N)), Aw.T @ z)
        r = (z - A @ c) / e
        r = r / residual_scale(r)
        weight = np.minimum(1, 1.345 / np.maximum(np.abs(r), 1e-9)) if turn < 4 else lopsided(r, 4.685, 2.0)
    return (design @ c).reshape(table.count.shape)


def solve_signed(N: Array, b: Array, positive: Mask) -> Array:
    """Solution of N c = b with the ``positive`` entries not below zero (they are set to zero in turn)."""
    use = np.ones(len(b), bool)
    for _ in range(4):
        M, d = N[np.ix_(use, use)], np.sqrt(np.diag(N)[use])
        d = np.where(d > 0, d, 1.0)
        c = np.zeros(len(b))
        c[use] = np.linalg.solve(M / np.outer(d, d) + 1e-9 * np.eye(len(d)), b[use] / d) / d
        negative = (c < 0) & positive
        if not negative.any():
            return c
        use &= ~negative
    return np.where(negative, 0.0, c)


# ---------------------------------------------------------------- the joint fit
@dataclass(frozen=True)
class _Problem:
    """The rows that count, their design and priors; nothing here changes during the fit."""

    table: TileTable
    rows: TileTable
    ok: Array
    x: Array
    y: Array
    z: Array
    error: Array
    design: Array
    glare: Array
    bent: Array
    penalty: Array
    degree: int
    profile: _Profile
    arms: float
    far_error: float
    handicap: float = 0.0

    @property
    def n_sky(self) -> int:
        """Linear terms that are no galaxy: the sky's and the glare's."""
        return self.design.shape[1]

    @property
    def n_smooth(self) -> int:
        return self.n_sky - 1

    @property
    def channels(self) -> int:
        return self.z.shape[1]

    @property
    def tint(self) -> Array:
        """(C,) colour of a halo over that of its disc."""
        return np.array(HALO_TINT if self.channels == 3 else (1.0,) * self.channels)

    def at_rows(self, tile_mask: Array) -> Array:
        """A row is masked when any of its tiles is."""
        return scipy.ndimage.maximum_filter(tile_mask, 2, origin=(-1, -1))[::2, ::2].ravel()[self.ok] > 0

    def columns(self, galaxies: Sequence[Galaxy]) -> Array:
        parts = [c for g in galaxies for c in self.profile.columns(self.x, self.y, g)]
        return np.stack(parts, 1) if parts else np.zeros((len(self.x), 0))

    def positive(self, G: Array) -> Mask:
        """(galaxy columns,) which of them may not be negative."""
        size = len(self.profile.positive)
        return np.array(self.profile.positive * (G.shape[1] // size), bool)

    def faint(self, G: Array, amplitude: Array | None) -> Mask:
        """(n,) the rows with least galaxy light."""
        positive = self.positive(G)
        total = G[:, positive] @ (np.ones(positive.sum()) if amplitude is None else np.maximum(amplitude.mean(1)[positive], 1e-6))
        return np.asarray(total <= np.quantile(total, FAINTEST_SHARE))

    def prior_rows(self, G: Array, amplitude: Array | None) -> Array:
        """(K, C x galaxy columns) what is known of amplitudes beforehand: each row times the channels' amplitudes is 0 +- 1."""
        if not G.shape[1]:
            return np.zeros((0, 0))
        faint = self.faint(G, amplitude)
        own = [self._own_rows(G, faint, amplitude, c) for c in range(self.channels)]
        blocks = np.asarray(scipy.linalg.block_diag(*own))
        return blocks if amplitude is None else np.vstack([blocks, self._shared_rows(amplitude)])

    def _own_rows(self, G: Array, faint: Mask, amplitude: Array | None, channel: int) -> Array:
        """Of one channel: first the far field; then every galaxy's lopsidedness, and the share of its wide component."""
        far = np.where(self.positive(G), G[faint].mean(0), 0.0)
        rows = [far * (np.sqrt(len(self.x)) / self.far_error)]
        size = len(self.profile.positive)
        for first in range(0, G.shape[1], size):
            disc = max(float(np.ptp(self.z[:, channel]) if amplitude is None else amplitude[first, channel]), 1.0)
            for column in (first + size - 2, first + size - 1):
                row = np.zeros(G.shape[1])
                row[column] = 1 / (LOPSIDED_ERROR * disc)
                rows.append(row)
            if not self.profile.wide:
                row = np.zeros(G.shape[1])
                tint = self.tint[channel]
                row[first], row[first + 1] = -HALO_SHARE * tint / (HALO_SHARE_ERROR * disc), 1 / (HALO_SHARE_ERROR * disc)
                rows.append(row)
        return np.array(rows)

    def _shared_rows(self, amplitude: Array) -> Array:
        """What the channels have in common: a galaxy's lopsidedness, and the share of its halo but for the halo's own colour."""
        size, (columns, channels) = len(self.profile.positive), amplitude.shape
        rows = []
        for first in range(0, columns, size):
            disc = amplitude[first]
            if channels == 1 or not (disc > 0).all():
                continue
            colour = disc / disc.mean()
            halo = max(float((amplitude[first + 1] / colour).mean()), HALO_SHARE * float(disc.mean()))
            for column in (first + size - 2, first + size - 1):
                rows.append(self._departures(column, columns, colour) / (SHARED_LOPSIDED * disc.mean()))
            if not self.profile.wide:
                own = self._departures(first + 1, columns, colour * self.tint) / (HALO_COLOUR_ERROR * halo)
                rows.append(own if channels != 3 else np.vstack([own, STRICTER * np.tensordot(GREENER, own, 1)[None]]))
        return np.vstack(rows) if rows else np.zeros((0, amplitude.size))

    def _departures(self, column: int, columns: int, colour: Array) -> Array:
        """(C, C x columns) rows that give each channel's departure from the channels' mean, in the galaxy's own colour."""
        channels = len(colour)
        rows = np.zeros((channels, channels, columns))
        rows[:, :, column] = (np.eye(channels) - 1 / channels) / colour
        return rows.reshape(channels, -1)

    def smooth(self, stiffness: float, columns: int) -> Array:
        """Penalty of one channel's terms, of which ``columns`` are a galaxy's."""
        return np.pad(self.penalty * stiffness, (0, columns))

    def normal(self, A: Array, precision: Array, stiffness: Sequence[float], prior: Array) -> tuple[Array, Array]:
        """Normal matrix and right side of all channels' terms, channel by channel; ``precision`` (n, C, C) of each row's channels."""
        columns = A.shape[1] - self.n_sky
        size, channels = A.shape[1], self.channels
        N = _gram(A, A, precision)
        b = A.T @ np.einsum("ncd,nd->nc", precision, self.z)
        for c in range(channels):
            N[c, :, c] += self.smooth(stiffness[c], columns)
        if columns:
            N[:, self.n_sky :, :, self.n_sky :] += (prior.T @ prior).reshape(channels, columns, channels, columns)
        return N.reshape(channels * size, -1), b.T.ravel()

    def solve(self, A: Array, precision: Array, stiffness: Sequence[float], prior: Array) -> Array:
        """(terms, C) of all channels at once, ``precision`` (n, C, C) of the rows and ``stiffness`` of each channel."""
        N, b = self.normal(A, precision, stiffness, prior)
        return solve_signed(N, b, self.signs(A)).reshape(self.channels, -1).T

    def signs(self, A: Array) -> Mask:
        """(C x terms,) which terms may not be negative."""
        return np.tile(np.concatenate([np.zeros(self.n_sky, bool), self.positive(A[:, self.n_sky :])]), self.channels)


def _gram(left: Array, right: Array, precision: Array) -> Array:
    """(C, m, C, k) products of the columns ``left`` (n, m) and ``right`` (n, k), weighted by every pair of channels."""
    channels = precision.shape[1]
    out = np.empty((channels, left.shape[1], channels, right.shape[1]))
    for c in range(channels):
        for d in range(channels):
            out[c, :, d] = out[d, :, c].T if d < c and left is right else left.T @ (right * precision[:, c, d, None])
    return out


def star_glare(table: TileTable, galaxies: Sequence[Galaxy]) -> Array:
    """(ny, nx) light that the stars scatter far beyond their masks, up to a factor (mean 1); 0 without stars."""
    light = table.star_light.copy()
    for galaxy in galaxies:
        light[elliptical_radius(table.x, table.y, galaxy) < KNOTS_REACH * np.exp(galaxy.log_scale)] = 0
    ny, nx = light.shape
    y, x = np.mgrid[1 - ny : ny, 1 - nx : nx].astype(float)
    glare = scipy.signal.fftconvolve(light, (1 + (x**2 + y**2) / GLARE_CORE**2) ** -GLARE_POWER, mode="same")
    return np.asarray(glare / max(float(glare.mean()), 1e-9))


def _make_problem(table: TileTable, galaxies: Sequence[Galaxy], wide: bool, arms: float) -> _Problem:
    rows = join_tiles(table)
    ok = rows.used.ravel()
    u, v = rows.u.ravel()[ok], rows.v.ravel()[ok]
    degree = WIDE_DEGREE if wide else DEGREE
    glare = star_glare(table, galaxies)
    seen = join_tiles(replace(table, value=glare[..., None])).value.reshape(-1, 1)[ok]
    bends = np.array([i + j > 2 for i, j in legendre_terms(degree)] + [False])
    design = np.hstack([legendre_design(u, v, degree), seen])
    penalty = np.pad(roughness(degree) * (len(u) / PENALTY_UNIT**2), (0, 1))
    penalty[-1, -1] = 1 / GLARE_ERROR**2
    return _Problem(
        table=table,
        rows=rows,
        ok=ok,
        x=rows.x.ravel()[ok],
        y=rows.y.ravel()[ok],
        z=rows.value.reshape(-1, rows.value.shape[-1])[ok],
        error=np.maximum(rows.error.ravel()[ok], 0.05),
        design=design,
        glare=glare,
        bent=np.where(bends, design, 0.0),
        penalty=penalty,
        degree=degree,
        profile=_Profile(wide),
        arms=arms,
        far_error=WIDE_FAR_ERROR if wide else FAR_ERROR,
    )


def _with_fall_off(problem: _Problem) -> _Problem:
    """The same with a sky that may hold a lens's fall-off; the determinant of its penalty is FALL_OFF of the first one's."""
    aspect, n = problem.table.height / problem.table.width, problem.n_smooth
    penalty = problem.penalty.copy()
    penalty[:n, :n] = fall_off_spared(penalty[:n, :n], aspect, problem.degree)
    return replace(problem, penalty=penalty, handicap=UNUSUAL - problem.channels * np.log(FALL_OFF))


@dataclass
class _State:
    """What the rounds improve: weights (n, C), galaxy light at the rows (n, C), amplitudes (components, C), stiffness per channel.

    ``common``: (n,) weights of what the channels share; ``colour``: share of a galaxy's light by which one channel may stand alone.
    """

    galaxies: list[Galaxy]
    weight: Array
    light: Array
    amplitude: Array | None
    stiffness: list[float]
    excess: Array
    outside: Array
    common: Array
    colour: float
    coefficients: Array | None = None


def _errors(problem: _Problem, light: Array) -> Array:
    """(n, C) expected error: a share of the galaxy's light, so that arms and knots weigh little and the outskirts decide."""
    return np.sqrt(problem.error[:, None] ** 2 + (problem.arms * light) ** 2)


def _common_variance(problem: _Problem, colour: float) -> float:
    """Of the light's share that all channels have in common, when the share ``colour`` is each one's own; never quite zero."""
    return max(problem.arms**2 - colour**2, 1e-15)


def _precision(problem: _Problem, light: Array, weight: Array, common: Array, colour: float) -> Array:
    """(n, C, C) inverse covariance of the rows: arms and knots stand in all channels alike but for the share ``colour`` of the light."""
    own = weight / (problem.error[:, None] ** 2 + (colour * light) ** 2)
    pull = own * light
    shared = np.maximum(common, 1e-9) / _common_variance(problem, colour) + (pull * light).sum(1)
    return own[:, :, None] * np.eye(problem.channels) - pull[:, :, None] * pull[:, None, :] / shared[:, None, None]


def _parted(problem: _Problem, r: Array, light: Array, bent: Array, colour: float) -> tuple[Array, Array, Array]:
    """Residuals (n, C) parted in three, each in units of its error.

    (n,) what all channels of a row share of the galaxy's light; (n, C) the rest; (n, C) the share of the rest's error that is a galaxy's.
    """
    tint, common = (colour * light) ** 2, _common_variance(problem, colour)
    own = problem.error[:, None] ** 2 + tint + (GLOW_ERROR * bent) ** 2
    shared = (r * light / own).sum(1) / (1 / common + (light**2 / own).sum(1))
    return shared / np.sqrt(common), (r - shared[:, None] * light) / np.sqrt(own), tint / own


def _bounded(r: Array) -> Array:
    """Weights of a galaxy's residuals, which are never rejected."""
    return np.minimum(1, GALAXY_HUBER / np.maximum(np.abs(r), 1e-9))


def _weights(r: Array, loss: Loss, inside: Array) -> Array:
    """Robust weights: ``loss`` on the sky, bounded pulls to the share ``inside`` of the error that is a galaxy's."""
    return (1 - inside) * loss(r) + inside * _bounded(r)


def _scale_outside(r: Array, inside: Array) -> float:
    """Scale of the residuals where a galaxy makes less than half of the expected error: where it makes more, a nebula could hide."""
    outside = inside < 0.5
    return residual_scale(r[outside]) if outside.sum() > LEAST_OUTSIDE else 1.0


def _solve_channels(problem: _Problem, state: _State, base: Array, *, turns: int = 0) -> None:
    """Sky and amplitudes of every channel, rejection against the channel's own fit; changes ``state``.

    Always from bounded weights first, so that what was rejected by mistake in an earlier round can come back; then ``turns`` rounds of
    weights that fall to zero.
    """
    G = problem.columns(state.galaxies)
    A = np.hstack([problem.design, G])
    prior = problem.prior_rows(G, state.amplitude)
    light, weight, common = state.light, np.repeat(base[:, None], problem.channels, axis=1), np.ones(len(base))
    counts = base > 0
    for loss in [lopsided_huber] * 3 + [lopsided] * turns:
        k = problem.solve(A, _precision(problem, light, weight, common, state.colour), state.stiffness, prior)
        light = G @ k[problem.n_sky :]
        bent = problem.bent @ k[: problem.n_sky]
        r = problem.z - A @ k
        error = np.hypot(_errors(problem, light), GLOW_ERROR * bent)
        inside = (problem.arms * light / error) ** 2
        state.excess = np.array([residual_scale(channel[counts]) for channel in (r / error).T])
        state.outside = np.array([_scale_outside((r / error)[counts, c], inside[counts, c]) for c in range(problem.channels)])
        shared, rest, inside = _parted(problem, r, light, bent, state.colour)
        scale = np.array([residual_scale(channel[counts]) for channel in rest.T])
        weight, common = base[:, None] * _weights(rest / scale, loss, inside), _bounded(shared)
    state.coefficients, state.amplitude, state.light, state.weight, state.common = k, k[problem.n_sky :], light, weight, common


def _choose_smoothness(problems: Sequence[_Problem], state: _State, base: Array) -> _Problem:
    """That of the ``problems``, and the stiffness, under which the data are most probable (marginal likelihood); changes ``state``."""
    problem = problems[0]
    G = problem.columns(state.galaxies)
    A = np.hstack([problem.design, G])
    prior = problem.prior_rows(G, state.amplitude)
    precision = _precision(problem, state.light, state.weight, state.common, state.colour)
    soft = problem.solve(A, precision, [STIFFNESS[-1]] * problem.channels, prior)
    # Weights from before the rejection, else a glow that was rejected is never missed.
    shared, rest, _ = _parted(problem, problem.z - A @ soft, state.light, problem.bent @ soft[: problem.n_sky], state.colour)
    weight = base[:, None] * lopsided(rest, 8.0, 6.0)
    precision = _precision(problem, state.light, weight, _bounded(shared), state.colour)
    normal, right = problem.normal(A, precision, [0.0] * problem.channels, prior)
    found = each(lambda one: _most_probable(one, normal, right, problem.signs(A), state.stiffness), problems)
    best = min(range(len(problems)), key=lambda k: found[k][0])
    state.stiffness = found[best][1]
    return problems[best]


def _most_probable(problem: _Problem, normal: Array, right: Array, signs: Mask, first: Sequence[float]) -> tuple[float, list[float]]:
    """Twice the negative log of the data's probability, up to a constant, and the stiffness of every channel that makes it largest, channel
    by channel, from ``first`` on."""
    chosen, columns, least = list(first), len(normal) // problem.channels - problem.n_sky, np.inf
    for c in range(problem.channels):
        costs = []
        for stiffness in STIFFNESS:
            tried = [*chosen[:c], stiffness, *chosen[c + 1 :]]
            N = (normal + scipy.linalg.block_diag(*[problem.smooth(s, columns) for s in tried])) / SHARED_ERROR
            k = solve_signed(N, right / SHARED_ERROR, signs)
            misfit = k @ N @ k - 2 * right @ k / SHARED_ERROR
            N = N + 1e-9 * np.trace(N) / len(N) * np.eye(len(N))
            costs.append(misfit + np.linalg.slogdet(N)[1] - (problem.n_smooth - 6) * np.log(tried).sum())
        chosen[c], least = STIFFNESS[int(np.argmin(costs))], min(costs)
    return float(least + problem.handicap), chosen


def _shape_bounds(galaxies: Sequence[Galaxy], width: int) -> tuple[Array, Array]:
    """The centre stays near its guess; only the first galaxy may grow much, else a star's halo swallows a glow."""
    powers = np.log(POWER_RANGE)
    low, high = [], []
    for index, g in enumerate(galaxies):
        largest = min(np.log(LARGEST_SCALE * width), g.log_scale + np.log(OTHERS_GROW if index else FIRST_GROWS))
        low += [g.x - CENTRE_REACH * width, g.y - CENTRE_REACH * width, np.log(SMALLEST_SCALE * width), -0.93, -0.93, powers[0]]
        high += [g.x + CENTRE_REACH * width, g.y + CENTRE_REACH * width, largest, 0.93, 0.93, powers[1]]
    return np.array(low), np.array(high)


class _ShapeCost:
    """Residuals of all channels for given galaxy shapes; sky and amplitudes are solved inside (variable projection).

    The residual holds the data, the sky's roughness and the priors, so that a shape which needs a rough sky pays for it.
    """

    def __init__(self, problem: _Problem, state: _State):
        self.problem, self.amplitude = problem, state.amplitude
        self.precision = _precision(problem, state.light, state.weight, state.common, state.colour)
        self.root = np.linalg.cholesky(self.precision + 1e-12 * np.eye(problem.channels)).transpose(0, 2, 1)
        values, vectors = np.linalg.eigh(problem.penalty)
        kept = values > 1e-9 * values.max()
        self.rough = (vectors[:, kept] * np.sqrt(values[kept])).T
        self.stiff = np.sqrt(state.stiffness)
        N, right = problem.normal(problem.design, self.precision, state.stiffness, np.zeros((0, 0)))
        self.factor = scipy.linalg.cho_factor(N + 1e-6 * np.eye(len(N)))
        self.alone = scipy.linalg.cho_solve(self.factor, right)

    def _galaxies(self, q: Array) -> list[Galaxy]:
        return [Galaxy(*p) for p in q.reshape(-1, len(Galaxy._fields))]

    def residual(self, q: Array) -> Array:
        """One long vector: the data, roughness per channel and what is known of amplitudes; then the prior on the profile's power."""
        problem = self.problem
        G = problem.columns(self._galaxies(q))
        self.prior = problem.prior_rows(G, self.amplitude)
        terms, amplitudes = len(self.alone), G.shape[1] * problem.channels
        self.across = _gram(problem.design, G, self.precision).reshape(terms, amplitudes)
        self.through = scipy.linalg.cho_solve(self.factor, self.across)
        own = _gram(G, G, self.precision).reshape(amplitudes, amplitudes)
        self.inner = own - self.across.T @ self.through + self.prior.T @ self.prior
        right = (G.T @ np.einsum("ncd,nd->nc", self.precision, problem.z)).T.ravel() - self.across.T @ self.alone
        self.solution = solve_signed(self.inner, right, np.tile(problem.positive(G), problem.channels))
        sky = self.alone - self.through @ self.solution
        r = problem.z - problem.design @ self._by_channel(sky).T - G @ self._by_channel(self.solution).T
        self.at, self.G = q.copy(), G
        known = [self.prior @ self.solution, self._powers(q) / POWER_ERROR]
        return np.concatenate([self._whitened(r[..., None])[:, 0], self._roughness(sky), *known])

    def _whitened(self, rows: Array) -> Array:
        """(C n, m) of (n, C, m): of unit variance and apart from each other."""
        return np.einsum("ncd,ndm->ncm", self.root, rows).reshape(-1, rows.shape[-1])

    def _roughness(self, sky: Array) -> Array:
        """Of sky terms (C x terms, ...), channel by channel."""
        return np.concatenate([s * (self.rough @ terms) for s, terms in zip(self.stiff, self._by_channel(sky), strict=True)])

    def _by_channel(self, terms: Array) -> Array:
        return terms.reshape(self.problem.channels, -1, *terms.shape[1:])

    def _powers(self, q: Array) -> Array:
        return q.reshape(-1, len(Galaxy._fields))[:, Galaxy._fields.index("log_power")]

    def jacobian(self, q: Array) -> Array:
        """Derivative with sky and amplitudes following (Kaufman's form: the projector's own change is left out)."""
        if not np.array_equal(q, self.at):
            self.residual(q)
        problem, G = self.problem, self.G
        slopes = _column_slopes(problem, self._galaxies(q))
        faint, positive = problem.faint(G, self.amplitude), problem.positive(G)
        active = self.solution != 0
        known = np.zeros((len(self.prior), len(q)))
        far_rows = 1 + len(problem.profile.positive[1:]) * len(self._galaxies(q))
        D = np.empty((len(problem.x), problem.channels, len(q)))
        for c, amplitude in enumerate(self._by_channel(self.solution)):
            D[:, c] = _light_slopes(slopes, amplitude)
            far = np.stack([d[faint].mean(0) @ np.where(positive, amplitude, 0)[k : k + d.shape[1]] for k, d in slopes])
            known[c * far_rows] = np.sqrt(len(problem.x)) / problem.far_error * far
        weighted = np.einsum("ncd,ndm->ncm", self.precision, D)
        onto_sky, onto_galaxies = (np.concatenate([X.T @ weighted[:, c] for c in range(problem.channels)]) for X in (problem.design, G))
        follow = np.zeros((len(active), len(q)))
        if active.any():
            right = onto_galaxies - self.through.T @ onto_sky + self.prior.T @ known
            inner = self.inner[np.ix_(active, active)] + 1e-9 * np.eye(active.sum())
            follow[active] = np.linalg.solve(inner, right[active])
        sky = scipy.linalg.cho_solve(self.factor, onto_sky) - self.through @ follow
        moved = np.stack([problem.design @ s + G @ a for s, a in zip(self._by_channel(sky), self._by_channel(follow), strict=True)], 1) - D
        powers = np.zeros((len(self._powers(q)), len(q)))
        powers[np.arange(len(powers)), np.arange(len(powers)) * len(Galaxy._fields) + Galaxy._fields.index("log_power")] = 1 / POWER_ERROR
        return np.vstack([self._whitened(moved), -self._roughness(sky), known - self.prior @ follow, powers])


def _column_slopes(problem: _Problem, galaxies: Sequence[Galaxy]) -> list[tuple[int, Array]]:
    """For every parameter of every galaxy: index of the galaxy's first column, and the columns' finite difference."""
    out = []
    per_galaxy = len(problem.profile.positive)
    for g, galaxy in enumerate(galaxies):
        here = problem.columns([galaxy])
        for name, step in zip(Galaxy._fields, SHAPE_STEPS, strict=True):
            there = problem.columns([galaxy._replace(**{name: getattr(galaxy, name) + 0.01 * step})])
            out.append((g * per_galaxy, (there - here) / (0.01 * step)))
    return out


def _light_slopes(slopes: Sequence[tuple[int, Array]], amplitude: Array) -> Array:
    """(n, parameters) change of one channel's galaxy light with the shapes."""
    return np.stack([columns @ amplitude[first : first + columns.shape[1]] for first, columns in slopes], 1)


def _improve_shapes(problem: _Problem, state: _State, bounds: tuple[Array, Array], *, starts: Sequence[float] = ()) -> None:
    """Least squares for centres, scales and ellipses, from where they are and from other ``starts`` of the first scale, px."""
    cost = _ShapeCost(problem, state)
    guesses = [state.galaxies]
    guesses += [[state.galaxies[0]._replace(log_scale=float(np.log(s))), *state.galaxies[1:]] for s in starts]
    vectors = [np.clip(np.array(g).ravel(), bounds[0] + 1e-6, bounds[1] - 1e-6) for g in guesses]
    best = min(vectors, key=lambda q: float((cost.residual(q) ** 2).sum()))
    steps = np.tile(SHAPE_STEPS, len(state.galaxies))
    found = scipy.optimize.least_squares(cost.residual, best, jac=cost.jacobian, bounds=bounds, x_scale=steps, max_nfev=SHAPE_TURNS)
    state.galaxies = [Galaxy(*map(float, p)) for p in found.x.reshape(-1, len(Galaxy._fields))]


SHAPE_STEPS = (20.0, 20.0, 0.1, 0.05, 0.05, 0.1)
SHAPE_TURNS = 10
POWER_ERROR = 0.1


def fit_sky(
    table: TileTable,
    *,
    wide: bool = False,
    stiffness: float | None = None,
    arms: float = GALAXY_ERROR,
) -> SkyFit:
    """Fit the sky of a tile table together with the galaxies in it.

    Parameters
    ----------
    table : TileTable
    wide : the galaxy reaches the frame's edge: cubic sky, one component of free power
    stiffness : of the sky in every channel; what the data ask for when None
    arms : expected scatter of a galaxy's tiles, share of its light
    """
    galaxies = find_galaxies(table)
    problem = _make_problem(table, galaxies, wide, arms)
    problems = [problem] if wide else [problem, _with_fall_off(problem)]
    tile_design = np.hstack([legendre_design(table.u, table.v, problem.degree), problem.glare.reshape(-1, 1)])
    bounds = _shape_bounds(galaxies, table.width)
    n, C = problem.z.shape
    first = [stiffness or MIDDLE_STIFFNESS] * C
    state = _State(galaxies, np.ones((n, C)), np.zeros((n, C)), None, first, np.ones(C), np.ones(C), np.ones(n), arms)
    sky, light = lower_parabola(table), np.zeros(table.count.shape)
    for turn in range(ROUNDS):
        state.colour = COLOUR_ERROR if turn >= COMMON_FROM and C > 1 else arms
        mask = leftover_mask(table, sky, light, state.galaxies, first=turn == 0)
        base = np.where(problem.at_rows(mask), 0.0, 1.0)
        _solve_channels(problem, state, base)
        if state.galaxies:
            for inner in range(2):
                starts = [table.width * s for s in START_SCALES] if turn == inner == 0 else []
                _improve_shapes(problem, state, bounds, starts=starts)
                _solve_channels(problem, state, base)
        if stiffness is None:
            problem = _choose_smoothness(problems, state, base)
        _solve_channels(problem, state, base, turns=4)
        assert state.coefficients is not None and state.amplitude is not None
        sky = (tile_design @ state.coefficients[: problem.n_sky]).mean(1).reshape(table.count.shape)
        light = _light_at(problem.profile, state.galaxies, state.amplitude, table.x, table.y).mean(-1)
    return _result(problem, state)


def _result(problem: _Problem, state: _State) -> SkyFit:
    halo_error, bright_error = _sky_errors(problem, state, [in_halo(state.light), state.light.mean(1) >= HALO[1]])
    A = np.hstack([problem.design, problem.columns(state.galaxies)])
    mean_light = state.light.mean(1)
    assert state.coefficients is not None and state.amplitude is not None
    return SkyFit(
        degree=problem.degree,
        coefficients=state.coefficients[: problem.n_smooth],
        galaxies=tuple(state.galaxies),
        amplitudes=state.amplitude,
        rows=problem.rows,
        weight=state.weight,
        residual=problem.z - A @ state.coefficients,
        galaxy=state.light,
        glare=problem.design[:, problem.n_smooth :] @ state.coefficients[problem.n_smooth : problem.n_sky],
        clean=(state.weight > CLEAN_WEIGHT).all(1) & (mean_light < CLEAN_GALAXY),
        excess=state.excess,
        outside=state.outside,
        stiffness=tuple(state.stiffness),
        far=float(np.quantile(mean_light, FAINTEST_SHARE)) if state.galaxies else 0.0,
        halo_error=halo_error,
        bright_error=bright_error,
        wide=problem.profile.wide,
    )


def _sky_errors(problem: _Problem, state: _State, places: Sequence[Mask]) -> Array:
    """(places, C) error of the mean sky over each of the ``places`` (n,), from the covariance of all that was fitted: sky, amplitudes and
    shapes; 0 where a place has no rows."""
    if not any(place.any() for place in places):
        return np.zeros((len(places), problem.channels))
    assert state.amplitude is not None
    G = problem.columns(state.galaxies)
    A = np.hstack([problem.design, G])
    precision = _precision(problem, state.light, state.weight, state.common, state.colour)
    linear, _ = problem.normal(A, precision, state.stiffness, problem.prior_rows(G, state.amplitude))
    slopes = _column_slopes(problem, state.galaxies)
    moved = np.stack([_light_slopes(slopes, amplitude) for amplitude in state.amplitude.T], 1)
    weighted = np.einsum("ncd,ndm->ncm", precision, moved)
    across = np.concatenate([A.T @ weighted[:, c] for c in range(problem.channels)])
    shapes = np.einsum("ncm,nck->mk", moved, weighted)
    powers = np.arange(len(shapes)) % len(Galaxy._fields) == Galaxy._fields.index("log_power")
    normal = np.block([[linear, across], [across.T, shapes + np.diag(powers / POWER_ERROR**2)]])
    unit = np.sqrt(np.maximum(np.diag(normal), 1e-9))
    wanted = np.zeros((len(normal), len(places), problem.channels))
    for k, place in enumerate(places):
        for c in range(problem.channels if place.any() else 0):
            wanted[c * A.shape[1] : c * A.shape[1] + problem.n_smooth, k, c] = problem.design[place, : problem.n_smooth].mean(0)
    wanted = wanted.reshape(len(normal), -1) / unit[:, None]
    inverse = np.linalg.solve(normal / np.outer(unit, unit) + 1e-9 * np.eye(len(normal)), wanted)
    return np.sqrt(np.maximum((wanted * inverse).sum(0), 0)).reshape(len(places), -1)


def arms_error(fit: SkyFit) -> float:
    """Expected scatter of the tiles of the largest galaxy that was found, share of its light."""
    largest = max((float(np.exp(galaxy.log_scale)) for galaxy in fit.galaxies), default=0.0)
    return GALAXY_ERROR * float(np.clip(largest / (LARGE_SCALE * fit.rows.width), 1, MOST_ARMS))


def odd_halo(fit: SkyFit) -> float:
    """Light over the halo, sigma, by which the galaxies' haloes are greener or more magenta than their discs: of haloes there is none,
    of a sky whose hump lies behind a galaxy there is. 0 for a model without haloes of their own, and without three channels."""
    rows, halo, odd = fit.rows, in_halo(fit.galaxy), 0.0
    if fit.wide or fit.amplitudes.shape[1] != 3 or not halo.any():
        return 0.0
    x, y = (place[rows.used][halo] for place in (rows.x, rows.y))
    profile = _Profile(fit.wide)
    for galaxy, (disc, wide, *_) in zip(fit.galaxies, np.split(fit.amplitudes, max(len(fit.galaxies), 1)), strict=True):
        if (disc > 0).all():
            red, green, blue = wide / (disc * HALO_TINT)
            odd += abs(green - (red + blue) / 2) * float(disc.mean() * profile.columns(x, y, galaxy)[1].mean())
    return odd


def cut_edges(fit: SkyFit) -> list[str]:
    """Edges and corners of the frame that cut a galaxy of the model: nearer to its middle than CUT_SCALES of its scale length."""
    names: set[str] = set()
    if not fit.galaxies:
        return []
    discs = fit.amplitudes[:: len(fit.amplitudes) // len(fit.galaxies)].mean(1)
    light = np.maximum(discs, 0) * np.exp([2 * galaxy.log_scale for galaxy in fit.galaxies])
    for galaxy, own in zip(fit.galaxies, light, strict=True):
        if own < CUT_LIGHT * light.max():
            continue
        near = CUT_SCALES * float(np.exp(galaxy.log_scale))
        down = "upper" if galaxy.y < near else "lower" if galaxy.y > fit.rows.height - near else ""
        across = "left" if galaxy.x < near else "right" if galaxy.x > fit.rows.width - near else ""
        if down or across:
            names.add(f"{down} {across} corner" if down and across else f"{down}{across} edge")
    return sorted(names)


def in_halo(light: Array) -> Mask:
    """(n,) rows whose galaxy light (n, C), mean of the channels, is that of a halo."""
    mean = light.mean(-1)
    return np.asarray((mean > HALO[0]) & (mean < HALO[1]))


def galaxy_light(fit: SkyFit, x: Array, y: Array) -> Array:
    """Light of the fitted galaxies at places x, y (px): (..., C) in sigma."""
    return _light_at(_Profile(fit.wide), fit.galaxies, fit.amplitudes, x, y)


def _light_at(profile: _Profile, galaxies: Sequence[Galaxy], amplitudes: Array, x: Array, y: Array) -> Array:
    columns = [c for g in galaxies for c in profile.columns(x, y, g)]
    if not columns:
        return np.zeros((*np.shape(x), amplitudes.shape[1]))
    return np.stack(columns, -1) @ amplitudes
