import numpy as np
import pytest
from scipy.constants import Boltzmann, Planck, speed_of_light
from scipy.integrate import quad

from layerblend.maths.blackbody import BANDS_NM, blackbody_rgb, kelvin_of_bv

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
