import numpy as np
import pytest

from layerblend.steps.flatten.fit import legendre_design, legendre_terms, roughness, sky_surface, solve_signed


def test_design_is_well_conditioned() -> None:
    # In raw pixel coordinates a degree-4 fit on 4000 x 6000 px has a condition number of 5e15.
    v, u = np.meshgrid(np.linspace(-1, 1, 63), np.linspace(-1, 1, 94), indexing="ij")
    assert np.linalg.cond(legendre_design(u, v, 4)) < 30
    assert np.linalg.cond(legendre_design(u, v, 7)) < 1e2


def test_planes_and_parabolas_are_free() -> None:
    terms = legendre_terms(7)
    free = [k for k, (i, j) in enumerate(terms) if i + j <= 2]
    R = roughness(7)
    assert np.abs(R[np.ix_(free, free)]).max() < 1e-9
    assert np.linalg.eigvalsh(R).min() > -1e-6
    k = terms.index((3, 0))
    # third derivative of P3 = (5 x^3 - 3 x)/2 is 15: mean square over the square is 225
    assert R[k, k] == pytest.approx(225)


def test_surface_is_the_design_at_every_pixel() -> None:
    rng = np.random.default_rng(0)
    coefficients = rng.normal(size=(36, 3))
    surface = sky_surface(coefficients, 7, 20, 30)
    v, u = np.meshgrid(np.linspace(-1, 1, 20), np.linspace(-1, 1, 30), indexing="ij")
    np.testing.assert_allclose(surface.reshape(-1, 3), legendre_design(u, v, 7) @ coefficients, atol=2e-5)


def test_amplitudes_are_not_negative() -> None:
    rng = np.random.default_rng(1)
    A = rng.normal(size=(50, 5))
    z = A @ np.array([1.0, -2.0, 3.0, -0.5, 0.7])
    c = solve_signed(A.T @ A, A.T @ z, 2)
    assert (c[2:] >= 0).all()
    assert c[3] == 0
