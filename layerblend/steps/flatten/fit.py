"""Sky and galaxies fitted together on the tile table: smooth Legendre sky per channel, galaxies of one shape for all channels.

A mask cannot save a galaxy's halo, because the halo's level is what a masked sky fit takes. So the galaxy stands in the model: an
exponential plus a wider, rounder one, with amplitudes of its own in every channel that may not be negative.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import comb

import numpy as np
from numpy.polynomial import legendre
from scipy import ndimage as ndi
from scipy.optimize import least_squares

from layerblend.kinds import Array
from layerblend.maths.robust import mad_sigma

from .objects import Galaxy, elliptical_radius, find_galaxies, leftover_mask
from .tiles import TileTable, join_tiles

DEGREE = 7
WIDE_DEGREE = 3
# Penalty on squared third derivatives; the first leaves nothing but a parabola.
STIFFNESS = (1e9, 1e-4, 1e-5, 1e-6, 1e-7, 1e-8)
MIDDLE_STIFFNESS = 1e-6
PENALTY_UNIT = 0.06
STIFFER_WITHIN = 1.005
BLOCKS = (6, 4)
FOLDS = 6
BOUNDED_LOSS = 25.0
# Tukey's biweight, wide below the fit, narrower above it where stars and objects stand.
REACH_BELOW, REACH_ABOVE = 4.7, 3.0
GALAXY_ERROR = 0.1
WIDER = 1.8
ROUNDER = 0.6
FAINTEST_SHARE = 0.15
# Galaxy light over the faintest tiles is zero within this: decides between sky and halo where the data cannot.
FAR_ERROR = 0.05 * 7.0 / np.sqrt(0.02)
WIDE_FAR_ERROR = 0.05 * 20.0 / np.sqrt(0.02)
ROUNDS = 3
LARGEST_SCALE, SMALLEST_SCALE = 0.25, 0.008
CENTRE_REACH = 0.04
OTHERS_GROW = 1.5
POWER_RANGE = (0.6, 1.3)
USED_WEIGHT = 0.5
CLEAN_WEIGHT = 0.3
CLEAN_GALAXY = 0.5


@dataclass(frozen=True)
class SkyFit:
    """Result of the joint fit. Values in sigma above the table's level.

    ``coefficients``: (terms, C) of the Legendre sky of total ``degree``; ``amplitudes``: (components, C). ``weight``: (n, C) robust
    weight of each row of ``rows``; ``residual``: (n, C); ``galaxy``: (n, C) light of the galaxies at the rows; ``clean``: (n,) rows
    that are sky in every channel. ``excess``: (C,) scale of the residuals over their expected error. ``far``: galaxy light over the
    faintest rows.
    """

    degree: int
    coefficients: Array
    galaxies: tuple[Galaxy, ...]
    amplitudes: Array
    rows: TileTable
    weight: Array
    residual: Array
    galaxy: Array
    clean: Array
    excess: Array
    stiffness: tuple[float, ...]
    far: float
    wide: bool = False


@dataclass(frozen=True)
class _Profile:
    """Which galaxy model: two exponentials, or one of free power for a galaxy that reaches the edge."""

    wide: bool

    def columns(self, x: Array, y: Array, galaxy: Galaxy) -> list[Array]:
        radius = elliptical_radius(x, y, galaxy) / np.exp(galaxy.log_scale)
        if self.wide:
            return [np.exp(-((radius + 0.02) ** np.exp(galaxy.log_power)))]
        rounder = elliptical_radius(x, y, galaxy, ROUNDER) / np.exp(galaxy.log_scale)
        return [np.exp(-radius), np.exp(-rounder / WIDER)]


# ---------------------------------------------------------------- sky basis
def legendre_terms(degree: int) -> list[tuple[int, int]]:
    """Powers (i, j) in x and y of total degree <= ``degree``."""
    return [(i, j) for i in range(degree + 1) for j in range(degree + 1 - i)]


def legendre_design(u: Array, v: Array, degree: int) -> Array:
    """(n, terms) float64 design matrix at u, v in -1..1."""
    U, V = legendre.legvander(np.ravel(u), degree), legendre.legvander(np.ravel(v), degree)
    return np.stack([U[:, i] * V[:, j] for i, j in legendre_terms(degree)], 1)


def sky_surface(coefficients: Array, degree: int, height: int, width: int) -> Array:
    """(height, width, C) float32: the Legendre sky at every pixel, one matrix product."""
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
    surface = down.reshape(height, terms).astype(np.float32) @ across.reshape(terms, width * channels).astype(np.float32)
    return surface.reshape(height, width, channels)


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


def solve_signed(N: Array, b: Array, n_sky: int) -> Array:
    """Solution of N c = b with the entries after ``n_sky`` not below zero (they are set to zero in turn)."""
    use = np.ones(len(b), bool)
    for _ in range(4):
        M, d = N[np.ix_(use, use)], np.sqrt(np.diag(N)[use])
        d = np.where(d > 0, d, 1.0)
        c = np.zeros(len(b))
        c[use] = np.linalg.solve(M / np.outer(d, d) + 1e-9 * np.eye(len(d)), b[use] / d) / d
        negative = (c < 0) & (np.arange(len(b)) >= n_sky)
        if not negative.any():
            return c
        use &= ~negative
    return np.where(negative, 0.0, c)


# ---------------------------------------------------------------- the joint fit
class _JointFit:
    """State of one fit; rows are the joined tiles that count."""

    def __init__(self, table: TileTable, *, wide: bool, protected: Array):
        self.table, self.rows = table, join_tiles(table)
        self.profile = _Profile(wide)
        self.degree = WIDE_DEGREE if wide else DEGREE
        self.far_error = WIDE_FAR_ERROR if wide else FAR_ERROR
        ok = self.rows.used.ravel()
        self.ok = ok
        u, v = self.rows.u.ravel()[ok], self.rows.v.ravel()[ok]
        self.x, self.y = self.rows.x.ravel()[ok], self.rows.y.ravel()[ok]
        self.S = legendre_design(u, v, self.degree)
        self.n_sky = self.S.shape[1]
        self.penalty = roughness(self.degree) * (len(u) / PENALTY_UNIT**2)
        self.z = self.rows.value.reshape(-1, self.rows.value.shape[-1])[ok]
        self.light = self.z.mean(1)
        self.error = np.maximum(self.rows.error.ravel()[ok], 0.05)
        self.fold = ((np.floor((u + 1) * BLOCKS[0] / 2) * 5 + np.floor((v + 1) * BLOCKS[1] / 2) * 3) % FOLDS).astype(int)
        self.tile_sky = legendre_design(table.u, table.v, self.degree)
        self.protected = protected
        self.galaxies: list[Galaxy] = []

    def at_rows(self, tile_mask: Array) -> Array:
        """A row is masked when any of its tiles is."""
        return ndi.maximum_filter(tile_mask, 2, origin=(-1, -1))[::2, ::2].ravel()[self.ok] > 0

    def columns(self, galaxies: list[Galaxy]) -> Array:
        parts = [c for g in galaxies for c in self.profile.columns(self.x, self.y, g)]
        return np.stack(parts, 1) if parts else np.zeros((len(self.x), 0))

    def far_row(self, G: Array, amplitude: Array | None) -> Array:
        """Mean galaxy columns over the faintest rows."""
        if not G.shape[1]:
            return np.zeros(0)
        total = G @ (np.ones(G.shape[1]) if amplitude is None else np.maximum(amplitude, 1e-6))
        return G[total <= np.quantile(total, FAINTEST_SHARE)].mean(0)

    def regulariser(self, stiffness: float, far: Array) -> Array:
        P = np.zeros((self.n_sky + len(far),) * 2)
        P[: self.n_sky, : self.n_sky] = self.penalty * stiffness
        P[self.n_sky :, self.n_sky :] = np.outer(far, far) * (len(self.x) / self.far_error**2)
        return P

    def solve(self, A: Array, z: Array, inverse_variance: Array, stiffness: float, far: Array) -> Array:
        Aw = A * inverse_variance[:, None]
        return solve_signed(Aw.T @ A + self.regulariser(stiffness, far), Aw.T @ z, self.n_sky)

    # -- shape of the galaxies, on luminance
    def shape_galaxies(self, base: Array, weight: Array, amplitude: Array | None, light: Array) -> tuple[Array, Array]:
        """Least squares for centre, scale and ellipse; sky and amplitudes solved inside (variable projection). -> weight, amplitude."""
        shared = self.error**2 / min(self.z.shape[1], 2)
        G = self.columns(self.galaxies)
        A = np.hstack([self.S, G])
        far = self.far_row(G, amplitude)
        error = np.sqrt(shared + (GALAXY_ERROR * light) ** 2)
        for _ in range(3):
            c = self.solve(A, self.light, weight / error**2, MIDDLE_STIFFNESS, far)
            error = np.sqrt(shared + (GALAXY_ERROR * (G @ c[self.n_sky :])) ** 2)
            r = (self.light - A @ c) / error
            weight = base * lopsided(r / residual_scale(r[base > 0]))
        amplitude = c[self.n_sky :]
        self.galaxies = self._best_shape(np.sqrt(weight) / error, amplitude)
        return weight, amplitude

    def _best_shape(self, root: Array, amplitude: Array) -> list[Galaxy]:
        Sw, zw = self.S * root[:, None], self.light * root
        SS = Sw.T @ Sw + self.penalty * MIDDLE_STIFFNESS
        Sz, n, k = Sw.T @ zw, self.n_sky, len(self.x)

        def residual(q: Array) -> Array:
            galaxies = [Galaxy(*p) for p in q.reshape(-1, 6)]
            G = self.columns(galaxies)
            far = self.far_row(G, amplitude)
            Gw = G * root[:, None]
            SG = Sw.T @ Gw
            GG = Gw.T @ Gw + np.outer(far, far) * (k / self.far_error**2)
            c = solve_signed(np.block([[SS, SG], [SG.T, GG]]), np.r_[Sz, Gw.T @ zw], n)
            prior = np.sqrt(k) / self.far_error * (far @ c[n:])
            return np.r_[zw - Sw @ c[:n] - Gw @ c[n:], prior * FAR_IN_SHAPE, q.reshape(-1, 6)[:, 5] / 0.1]

        low, high = self.bounds
        start = np.clip(np.array(self.galaxies).ravel(), low + 1e-6, high - 1e-6)
        steps = np.tile([20, 20, 0.1, 0.05, 0.05, 0.1], len(self.galaxies))
        found = least_squares(residual, start, bounds=(low, high), x_scale=steps, max_nfev=8, diff_step=1e-3)
        return [Galaxy(*map(float, p)) for p in found.x.reshape(-1, 6)]

    def set_bounds(self) -> None:
        """The centre stays near its guess; only the largest galaxy may grow freely, else a star's halo swallows a glow."""
        W = self.table.width
        powers = np.log(POWER_RANGE)
        low, high = [], []
        for index, g in enumerate(self.galaxies):
            largest = np.log(LARGEST_SCALE * W)
            if index:
                largest = min(largest, g.log_scale + np.log(OTHERS_GROW))
            low += [g.x - CENTRE_REACH * W, g.y - CENTRE_REACH * W, np.log(SMALLEST_SCALE * W), -0.93, -0.93, powers[0]]
            high += [g.x + CENTRE_REACH * W, g.y + CENTRE_REACH * W, largest, 0.93, 0.93, powers[1]]
        self.bounds = np.array(low), np.array(high)

    # -- channels
    def stiffness_by_folds(self, A: Array, z: Array, weight: Array, error: Array, far: Array) -> float:
        """The stiffest sky that predicts left-out blocks within half a per cent of the best one."""
        folds = [self.fold == f for f in range(FOLDS)]
        inverse = weight / error**2
        normal = [(A[f] * inverse[f, None]).T @ A[f] for f in folds]
        right = [(A[f] * inverse[f, None]).T @ z[f] for f in folds]
        N, b = sum(normal), sum(right)
        losses = []
        for stiffness in STIFFNESS:
            P, loss = self.regulariser(stiffness, far), 0.0
            for f, N_f, b_f in zip(folds, normal, right, strict=True):
                c = solve_signed(N - N_f + P, b - b_f, self.n_sky)
                loss += (self.cv_weight[f] * np.minimum(((z[f] - A[f] @ c) / error[f]) ** 2, BOUNDED_LOSS)).sum()
            losses.append(loss)
        return STIFFNESS[int(np.argmax(np.array(losses) <= min(losses) * STIFFER_WITHIN))]

    def fit_channels(self, base: Array, weight: Array, amplitude: Array | None, light: Array) -> SkyFit:
        """Sky and amplitudes of every channel, stiffness by cross-validation, rejection against the channel's own fit."""
        G = self.columns(self.galaxies)
        A, far = np.hstack([self.S, G]), self.far_row(G, amplitude)
        self.cv_weight = base * self.before_rejection(A, weight, far)
        C = self.z.shape[1]
        coefficients, galaxy, w = np.zeros((A.shape[1], C)), np.repeat(light[:, None], C, 1), np.repeat(weight[:, None], C, 1)
        excess, chosen = np.ones(C), []
        for c in range(C):
            stiffness = MIDDLE_STIFFNESS
            error = np.sqrt(self.error**2 + (GALAXY_ERROR * galaxy[:, c]) ** 2)
            for turn in range(5):
                k = self.solve(A, self.z[:, c], w[:, c] / error**2, stiffness, far)
                galaxy[:, c] = G @ k[self.n_sky :]
                error = np.sqrt(self.error**2 + (GALAXY_ERROR * galaxy[:, c]) ** 2)
                r = (self.z[:, c] - A @ k) / error
                excess[c] = residual_scale(r[base > 0])
                w[:, c] = base * lopsided(r / excess[c])
                if turn == 0:
                    stiffness = self.stiffness_by_folds(A, self.z[:, c], self.cv_weight, error, far)
            coefficients[:, c] = k
            chosen.append(stiffness)
        mean_galaxy = galaxy.mean(1)
        return SkyFit(
            degree=self.degree,
            coefficients=coefficients[: self.n_sky],
            galaxies=tuple(self.galaxies),
            amplitudes=coefficients[self.n_sky :],
            rows=self.rows,
            weight=w,
            residual=self.z - A @ coefficients,
            galaxy=galaxy,
            clean=(w > CLEAN_WEIGHT).all(1) & (mean_galaxy < CLEAN_GALAXY),
            excess=excess,
            stiffness=tuple(chosen),
            far=float(np.quantile(mean_galaxy, FAINTEST_SHARE)) if G.shape[1] else 0.0,
            wide=self.profile.wide,
        )

    def before_rejection(self, A: Array, weight: Array, far: Array) -> Array:
        """Weights for cross-validation from before the rejection, else a glow that was rejected is never missed."""
        if self.galaxies:
            return weight
        c = self.solve(A, self.light, weight / self.error**2, STIFFNESS[-1], far)
        return lopsided((self.light - A @ c) / self.error, 8.0, 6.0)


FAR_IN_SHAPE = 0.05


def fit_sky(table: TileTable, *, wide: bool = False, protected: Array | None = None) -> SkyFit:
    """Fit the sky of a tile table together with the galaxies in it.

    Parameters
    ----------
    table : TileTable
    wide : the galaxy reaches the frame's edge: cubic sky, one component of free power
    protected : (ny, nx) bool, tiles that must not count as sky
    """
    protected = np.zeros(table.count.shape, bool) if protected is None else protected
    job = _JointFit(table, wide=wide, protected=protected)
    job.galaxies = find_galaxies(table)
    job.set_bounds()
    sky, light = lower_parabola(table), np.zeros(table.count.shape)
    weight, amplitude = np.ones(len(job.x)), None
    row_light = np.zeros(len(job.x))
    for turn in range(ROUNDS):
        mask = leftover_mask(table, sky, light, job.galaxies, first=turn == 0) | protected
        base = np.where(job.at_rows(mask), 0.0, 1.0)
        weight = base * weight
        if job.galaxies:
            for _ in range(2):
                weight, amplitude = job.shape_galaxies(base, weight, amplitude, row_light)
                row_light = job.columns(job.galaxies) @ amplitude
        fit = job.fit_channels(base, weight, amplitude, row_light)
        amplitude = fit.amplitudes.mean(1) if job.galaxies else None
        weight, row_light = fit.weight.mean(1), fit.galaxy.mean(1)
        sky = (job.tile_sky @ fit.coefficients).mean(1).reshape(table.count.shape)
        light = galaxy_light(fit, table.x, table.y).mean(-1)
    return fit


def galaxy_light(fit: SkyFit, x: Array, y: Array) -> Array:
    """Light of the fitted galaxies at places x, y (px): (..., C) in sigma."""
    profile = _Profile(fit.wide)
    columns = [c for g in fit.galaxies for c in profile.columns(x, y, g)]
    if not columns:
        return np.zeros((*np.shape(x), fit.coefficients.shape[1]))
    return np.stack(columns, -1) @ fit.amplitudes
