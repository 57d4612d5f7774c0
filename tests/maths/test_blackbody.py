import numpy as np
import pytest
from scipy.constants import Boltzmann, Planck, speed_of_light
from scipy.integrate import quad

from layerblend.maths.blackbody import BANDS_NM, blackbody_rgb, kelvin_of_bv, through_dust

# (B-V, Teff) of main-sequence dwarfs: Pecaut & Mamajek 2013, ApJS 208, 9, table version 2024.05.15.
DWARFS = {
    "A0V": (0.000, 9700),
    "F0V": (0.295, 7220),
    "G2V": (0.650, 5770),
    "K0V": (0.816, 5290),
    "K5V": (1.150, 4440),
    "M0V": (1.420, 3850),
}


@pytest.mark.parametrize(("bv", "kelvin"), [(0.65, 5778), (0.816, 5233), (0.295, 7494), (0.0, 10125)])
def test_worked_values_of_ballesteros(bv: float, kelvin: float) -> None:
    # Ballesteros 2012, EPL 97, 34008, equation 14, as PyAstronomy's BallesterosBV_T carries it.
    assert kelvin_of_bv(bv) == pytest.approx(kelvin, abs=1)


@pytest.mark.parametrize("kind", DWARFS)
def test_temperatures_follow_the_dwarfs(kind: str) -> None:
    bv, kelvin = DWARFS[kind]
    # The formula treats stars as blackbodies; it departs from the dwarf table by up to 5 %.
    assert kelvin_of_bv(bv) == pytest.approx(kelvin, rel=0.05)


@pytest.mark.parametrize("kelvin", [3500.0, 5778.0, 10000.0])
def test_rates_are_plancks_law(kelvin: float) -> None:
    # Planck's law in SI constants, integrated by quadrature.
    def rate(metres: float) -> float:
        return 1 / metres**4 / np.expm1(Planck * speed_of_light / (metres * Boltzmann * kelvin))

    bands = np.array([quad(rate, (c - 40) * 1e-9, (c + 40) * 1e-9)[0] for c in BANDS_NM])
    assert blackbody_rgb(kelvin)[0] == pytest.approx(bands / bands[1], rel=2e-3)


def test_hotter_is_bluer_and_the_line_is_straight() -> None:
    rgb = blackbody_rgb(np.geomspace(3300, 13000, 60))
    x, y = np.log(rgb[:, 0]), np.log(rgb[:, 2])
    assert (np.diff(x) < 0).all() and (np.diff(y) > 0).all()
    slope, level = np.polyfit(x, y, 1)
    assert slope == pytest.approx(-1.31, abs=0.02)
    assert np.abs(y - slope * x - level).max() / np.hypot(1, slope) < 0.006


def test_dust_is_the_published_curve() -> None:
    """Optical polynomials of Cardelli, Clayton & Mathis 1989, ApJ 345, 245, equations 3a and 3b, at the bands' middles."""
    y = 1e3 / np.array(BANDS_NM) - 1.82
    a = np.polyval([0.32999, -0.77530, 0.01979, 0.72085, -0.02427, -0.50447, 0.17699, 1], y)
    b = np.polyval([-2.09002, 5.30260, -0.62251, -5.38434, 1.07233, 2.28305, 1.41338, 0], y)
    seen = 10 ** (-0.4 * 0.7 * (a + b / 3.1))
    np.testing.assert_allclose(through_dust(np.ones((1, 3)), 0.7)[0], seen / seen[1], rtol=1e-3)
    np.testing.assert_array_equal(through_dust(np.array([[2.0, 1.0, 0.5]]), 0.0), [[2.0, 1.0, 0.5]])
