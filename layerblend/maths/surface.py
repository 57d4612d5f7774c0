"""Smooth surfaces over a picture: polynomials in u and v, which run from -1 to 1 over its columns and rows."""

from __future__ import annotations

import numpy as np

from layerblend.kinds import Array

MOST_DEGREE = 4
POWERS = tuple((degree - b, b) for degree in range(MOST_DEGREE + 1) for b in range(degree + 1))
"""Powers of u and v of every term, by degree: 1; u, v; u^2, u v, v^2; ..."""


def term_count(degree: int) -> int:
    """Terms of a surface of this degree."""
    return (degree + 1) * (degree + 2) // 2


def terms_at(u: Array, v: Array, degree: int) -> Array:
    """(..., terms) float64: every term of a surface of ``degree`` at places ``u``, ``v`` of one shape."""
    return np.stack([u**a * v**b for a, b in POWERS[: term_count(degree)]], -1)


def rows_of(surface: Array, v: Array) -> Array:
    """(N, rows, 5) float64: coefficients of 1, u, .. u^4 along rows at ``v`` (rows,) of surfaces (N, terms), terms that lack being 0."""
    out = np.zeros((len(surface), len(v), MOST_DEGREE + 1))
    for (a, b), term in zip(POWERS, surface.T, strict=False):
        out[..., a] += term[:, None] * v**b
    return out


def upside_down(surface: Array) -> Array:
    """The surfaces (..., terms) of the picture with its rows in the other order."""
    return surface * [(-1) ** b for _, b in POWERS[: surface.shape[-1]]]
