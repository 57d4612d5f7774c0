"""The sky's terms, their roughness, and what a lens's fall-off is spared."""

import numpy as np
import pytest

from layerblend.steps.flatten.legendre import fall_off_spared, legendre_design, legendre_terms, roughness, sky_surface


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


@pytest.mark.parametrize("powers", [(4,), (4, 6)])
def test_of_a_lens_s_fall_off_only_a_thousandth_of_the_penalty_is_left(powers) -> None:
    """By integrals of squared third derivatives, of lights drawn on a grid; the rest of what bends is held as it was."""
    aspect, degree = 2 / 3, 7
    v, u = np.mgrid[-1:1:121j, -1:1:121j]
    design = legendre_design(u, v, degree)
    full = roughness(degree)
    free = fall_off_spared(full, aspect, degree, powers)

    def cost(light, penalty) -> float:
        terms = np.linalg.lstsq(design, light.ravel(), rcond=None)[0]
        return float(terms @ penalty @ terms)

    r2 = u**2 + (aspect * v) ** 2
    fall_off = sum(share * r2 ** (power // 2) for share, power in zip((1, -0.4), powers, strict=False))
    assert cost(fall_off, free) == pytest.approx(1e-3 * cost(fall_off, full), rel=1e-6)
    assert cost(u**3, free) == pytest.approx(cost(u**3, full), rel=1e-6)
    assert cost(u**2 * v**4, free) > 0.3 * cost(u**2 * v**4, full)
    assert np.linalg.eigvalsh(free).min() > -1e-9 * np.linalg.eigvalsh(full).max()
