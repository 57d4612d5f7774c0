"""What is fitted: the rows that count, their design of sky, glare and galaxies, and what is known of these beforehand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy

from layerblend.kinds import Array, Mask

from .legendre import FALL_OFF, fall_off_spared, legendre_design, legendre_terms, roughness
from .objects import Galaxy, elliptical_radius
from .tiles import TileTable, join_tiles

DEGREE = 9
WIDE_DEGREE = 3
PENALTY_UNIT = 0.06
# By how much a sky with a lens's fall-off must be more probable than one without, as twice the log, for most flats leave none. On
# simulated skies with a fall-off it was by 70 to 280, on others by 9 at most.
UNUSUAL = 20.0
# Galaxies are lopsided, the more the further out, up to so many scale lengths; by how much, as 1 sigma
# (Rix & Zaritsky 1995, ApJ 447, 82).
LOPSIDED_FROM, LOPSIDED_ERROR = 2.5, 0.1
# Share of the disc's central light that the wide component's is, and its 1 sigma: haloes hold a few per cent of a galaxy's light
# (Merritt et al. 2016, ApJ 830, 62).
HALO_SHARE, HALO_SHARE_ERROR = 0.035, 0.02
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


@dataclass(frozen=True)
class Profile:
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


def light_at(profile: Profile, galaxies: Sequence[Galaxy], amplitudes: Array, x: Array, y: Array) -> Array:
    """Light of the galaxies at places x, y (px): (..., C) in sigma."""
    columns = [c for g in galaxies for c in profile.columns(x, y, g)]
    if not columns:
        return np.zeros((*np.shape(x), amplitudes.shape[1]))
    return np.stack(columns, -1) @ amplitudes


def star_glare(table: TileTable, galaxies: Sequence[Galaxy]) -> Array:
    """(ny, nx) light that the stars scatter far beyond their masks, up to a factor (mean 1); 0 without stars."""
    light = table.star_light.copy()
    for galaxy in galaxies:
        light[elliptical_radius(table.x, table.y, galaxy) < KNOTS_REACH * np.exp(galaxy.log_scale)] = 0
    ny, nx = light.shape
    y, x = np.mgrid[1 - ny : ny, 1 - nx : nx].astype(float)
    glare = scipy.signal.fftconvolve(light, (1 + (x**2 + y**2) / GLARE_CORE**2) ** -GLARE_POWER, mode="same")
    return np.asarray(glare / max(float(glare.mean()), 1e-9))


def make_problem(table: TileTable, galaxies: Sequence[Galaxy], wide: bool, arms: float) -> Problem:
    """The rows of a tile table that are used, with the design of the sky and of the stars' glare; ``arms``: share of a galaxy's light."""
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
    return Problem(
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
        profile=Profile(wide),
        arms=arms,
        far_error=WIDE_FAR_ERROR if wide else FAR_ERROR,
    )


def with_fall_off(problem: Problem, powers: Sequence[int]) -> Problem:
    """The same with a sky that may hold a lens's fall-off, whose penalty has FALL_OFF times the determinant for each of the ``powers``."""
    aspect, n = problem.table.height / problem.table.width, problem.n_smooth
    penalty = problem.penalty.copy()
    penalty[:n, :n] = fall_off_spared(penalty[:n, :n], aspect, problem.degree, powers)
    return replace(problem, penalty=penalty, handicap=UNUSUAL - len(powers) * problem.channels * np.log(FALL_OFF))


@dataclass(frozen=True)
class Problem:
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
    profile: Profile
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
        N = gram(A, A, precision)
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


def gram(left: Array, right: Array, precision: Array) -> Array:
    """(C, m, C, k) products of the columns ``left`` (n, m) and ``right`` (n, k), weighted by every pair of channels."""
    channels = precision.shape[1]
    out = np.empty((channels, left.shape[1], channels, right.shape[1]))
    for c in range(channels):
        for d in range(channels):
            out[c, :, d] = out[d, :, c].T if d < c and left is right else left.T @ (right * precision[:, c, d, None])
    return out


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
