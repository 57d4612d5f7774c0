"""Surfaces over a picture, against numpy's polynomials in two variables."""

import numpy as np
import pytest

from layerblend.maths.surface import MOST_DEGREE, POWERS, rows_of, term_count, terms_at, upside_down


@pytest.mark.parametrize("degree", range(MOST_DEGREE + 1))
def test_terms_and_rows_are_the_polynomial(degree: int) -> None:
    rng = np.random.default_rng(degree)
    surface = rng.normal(size=(2, term_count(degree)))
    u, v = rng.uniform(-1, 1, (2, 6))
    for one, row in zip(surface, rows_of(surface, v), strict=True):
        table = np.zeros((5, 5))
        for (a, b), value in zip(POWERS, one, strict=False):
            table[a, b] = value
        expected = np.polynomial.polynomial.polyval2d(u, v, table)
        np.testing.assert_allclose(terms_at(u, v, degree) @ one, expected, atol=1e-12)
        np.testing.assert_allclose(
            [np.polynomial.polynomial.polyval(x, line) for x, line in zip(u, row, strict=True)], expected, atol=1e-12
        )
        np.testing.assert_allclose(terms_at(u, -v, degree) @ upside_down(one), expected, atol=1e-12)
