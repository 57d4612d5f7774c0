"""The smooth sky: Legendre terms of the frame's two directions, what their roughness costs, and what a lens's fall-off is spared."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from math import comb

import numpy as np
from numpy.polynomial import legendre

from layerblend.kinds import Array
from layerblend.maths.bands import each

SURFACE_ROWS = 64
# Share of the penalty that a lens's fall-off keeps.
FALL_OFF = 1e-3


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


def fall_off_spared(penalty: Array, aspect: float, degree: int, powers: Sequence[int]) -> Array:
    """``penalty`` (terms, terms) that holds but a share of itself against even ``powers`` of the distance r from the frame's middle, 4 and
    up to ``degree``.

    What lenses lose towards the corners is an even series of the distance from their axis (Goldman 2010, IEEE TPAMI 32, 2276, from memory);
    r^2 costs nothing anyhow. As stiff as against all else, the sky under a galaxy's halo was lifted by .3 sigma instead.
    """
    ways = np.stack([_radial(power, aspect, degree) for power in powers], 1)
    pull = penalty @ ways
    return penalty - (1 - FALL_OFF) * pull @ np.linalg.solve(ways.T @ pull, pull.T)


def _radial(power: int, aspect: float, degree: int) -> Array:
    """(terms,) r^power about the frame's middle, half the width being 1."""
    even = [np.pad(legendre.poly2leg([0] * n + [1]), (0, degree - n)) for n in range(0, power + 1, 2)]
    half = power // 2
    table = np.sum([comb(half, k) * aspect ** (2 * k) * np.outer(even[half - k], even[k]) for k in range(half + 1)], axis=0)
    return np.array([table[term] for term in legendre_terms(degree)])
