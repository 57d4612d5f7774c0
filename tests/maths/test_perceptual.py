"""Colour spaces against colour-science and published numbers."""

import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layerblend.maths import perceptual as p

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour

STEP16 = 1 / 65535

# Sharma, Wu & Dalal 2005, Color Research & Application 30, 21, table 1: L1 a1 b1 L2 a2 b2 dE00
SHARMA = np.array(
    [
        [50.0000, 2.6772, -79.7751, 50.0000, 0.0000, -82.7485, 2.0425],
        [50.0000, 3.1571, -77.2803, 50.0000, 0.0000, -82.7485, 2.8615],
        [50.0000, 2.8361, -74.0200, 50.0000, 0.0000, -82.7485, 3.4412],
        [50.0000, -1.3802, -84.2814, 50.0000, 0.0000, -82.7485, 1.0000],
        [50.0000, -1.1848, -84.8006, 50.0000, 0.0000, -82.7485, 1.0000],
        [50.0000, -0.9009, -85.5211, 50.0000, 0.0000, -82.7485, 1.0000],
        [50.0000, 0.0000, 0.0000, 50.0000, -1.0000, 2.0000, 2.3669],
        [50.0000, -1.0000, 2.0000, 50.0000, 0.0000, 0.0000, 2.3669],
        [50.0000, 2.4900, -0.0010, 50.0000, -2.4900, 0.0009, 7.1792],
        [50.0000, 2.4900, -0.0010, 50.0000, -2.4900, 0.0010, 7.1792],
        [50.0000, 2.4900, -0.0010, 50.0000, -2.4900, 0.0011, 7.2195],
        [50.0000, 2.4900, -0.0010, 50.0000, -2.4900, 0.0012, 7.2195],
        [50.0000, -0.0010, 2.4900, 50.0000, 0.0009, -2.4900, 4.8045],
        [50.0000, -0.0010, 2.4900, 50.0000, 0.0010, -2.4900, 4.8045],
        [50.0000, -0.0010, 2.4900, 50.0000, 0.0011, -2.4900, 4.7461],
        [50.0000, 2.5000, 0.0000, 50.0000, 0.0000, -2.5000, 4.3065],
        [50.0000, 2.5000, 0.0000, 73.0000, 25.0000, -18.0000, 27.1492],
        [50.0000, 2.5000, 0.0000, 61.0000, -5.0000, 29.0000, 22.8977],
        [50.0000, 2.5000, 0.0000, 56.0000, -27.0000, -3.0000, 31.9030],
        [50.0000, 2.5000, 0.0000, 58.0000, 24.0000, 15.0000, 19.4535],
        [50.0000, 2.5000, 0.0000, 50.0000, 3.1736, 0.5854, 1.0000],
        [50.0000, 2.5000, 0.0000, 50.0000, 3.2972, 0.0000, 1.0000],
        [50.0000, 2.5000, 0.0000, 50.0000, 1.8634, 0.5757, 1.0000],
        [50.0000, 2.5000, 0.0000, 50.0000, 3.2592, 0.3350, 1.0000],
        [60.2574, -34.0099, 36.2677, 60.4626, -34.1751, 39.4387, 1.2644],
        [63.0109, -31.0961, -5.8663, 62.8187, -29.7946, -4.0864, 1.2630],
        [61.2901, 3.7196, -5.3901, 61.4292, 2.2480, -4.9620, 1.8731],
        [35.0831, -44.1164, 3.7933, 35.0232, -40.0716, 1.5901, 1.8645],
        [22.7233, 20.0904, -46.6940, 23.0331, 14.9730, -42.5619, 2.0373],
        [36.4612, 47.8580, 18.3852, 36.2715, 50.5065, 21.2231, 1.4146],
        [90.8027, -2.0831, 1.4410, 91.1528, -1.6435, 0.0447, 1.4441],
        [90.9257, -0.5406, -0.9208, 88.6381, -0.8985, -0.7239, 1.5381],
        [6.7747, -0.2908, -2.4247, 5.8714, -0.0985, -2.2286, 0.6377],
        [2.0776, 0.0795, -1.1350, 0.9033, -0.0636, -0.5514, 0.9082],
    ]
)


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(7)


@pytest.fixture
def colours(rng: np.random.Generator) -> np.ndarray:
    return rng.random((61, 43, 3)).astype(np.float32)


def test_transfer_is_that_of_the_standard() -> None:
    code = np.linspace(-0.05, 1.2, 4001)
    np.testing.assert_allclose(p.decode_srgb(code[200:]), colour.models.eotf_sRGB(code[200:]), rtol=1e-12, atol=1e-15)
    light = np.linspace(0, 1.2, 4001)
    # IEC 61966-2-1: the two pieces meet to 4e-8 only, colour-science chooses them alike
    np.testing.assert_allclose(p.encode_srgb(light), colour.models.eotf_inverse_sRGB(light), rtol=1e-9)
    assert p.decode_srgb(np.array([0.0, 0.04045, 0.5, 1.0])) == pytest.approx([0, 0.0031308049, 0.2140411405, 1.0])
    assert np.isfinite(p.encode_srgb(np.array([-0.5, -1e-9]))).all()


def test_oklab_against_published_triples() -> None:
    # Ottosson 2020, table of XYZ -> Oklab pairs
    xyz = np.array([[0.950, 1.000, 1.089], [1.000, 0.000, 0.000], [0.000, 1.000, 0.000], [0.000, 0.000, 1.000]])
    published = np.array([[1.000, 0.000, 0.000], [0.450, 1.236, -0.019], [0.922, -0.671, 0.263], [0.153, -1.415, -0.449]])
    linear = xyz @ np.linalg.inv(p.XYZ).T
    np.testing.assert_allclose(p.linear_to_oklab(linear), published, atol=2e-3)


def test_oklab_and_lab_against_colour_science(colours: np.ndarray) -> None:
    xyz = colour.RGB_to_XYZ(colours, "sRGB", apply_cctf_decoding=False)
    np.testing.assert_allclose(p.linear_to_oklab(colours), colour.XYZ_to_Oklab(xyz), atol=3e-4)
    np.testing.assert_allclose(p.linear_to_lab(colours), colour.XYZ_to_Lab(xyz), atol=0.06)


@settings(deadline=None, max_examples=100)
@given(st.lists(st.floats(0, 1, width=32), min_size=3, max_size=3))
def test_there_and_back_within_a_16_bit_step(code: list[float]) -> None:
    pixel = np.array([code], np.float32)
    light = p.decode_srgb(pixel)
    for there, back in ((p.linear_to_oklab, p.oklab_to_linear), (p.linear_to_lab, p.lab_to_linear), (p.linear_to_oklab, p.map_gamut)):
        assert np.abs(p.encode_srgb(back(there(light))) - pixel).max() < STEP16


def test_neutral_is_neutral() -> None:
    grey = np.repeat(np.linspace(0, 1, 101)[:, None], 3, 1)
    assert np.abs(p.linear_to_oklab(grey)[:, 1:]).max() < 1e-7
    assert np.abs(p.linear_to_lab(grey)[:, 1:]).max() < 1e-9
    assert p.linear_to_lab(np.ones((1, 3)))[0] == pytest.approx([100, 0, 0])


def test_oklch_there_and_back(colours: np.ndarray) -> None:
    oklab = p.linear_to_oklab(colours)
    np.testing.assert_allclose(p.oklch_to_oklab(p.oklab_to_oklch(oklab)), oklab, atol=1e-6)


@pytest.mark.parametrize("lab", [False, True])
def test_gamut_keeps_hue_and_lightness(rng: np.random.Generator, lab: bool) -> None:
    n = 4000
    lightness, chroma, hue = rng.uniform(0.02, 0.98, n), rng.uniform(0, 0.4, n), rng.uniform(0, 2 * np.pi, n)
    scale = np.array([100, 300, 300]) if lab else np.ones(3)
    colours = np.stack([lightness, chroma * np.cos(hue), chroma * np.sin(hue)], -1) * scale
    shown = (p.map_gamut_lab if lab else p.map_gamut)(colours)
    assert shown.min() >= 0
    assert shown.max() <= 1
    back = (p.linear_to_lab if lab else p.linear_to_oklab)(shown) / scale
    np.testing.assert_allclose(back[:, 0], lightness, atol=1e-4)
    kept = np.hypot(back[:, 1], back[:, 2])
    assert (kept <= chroma + 1e-4).all()
    turn = np.abs(np.angle(np.exp(1j * (np.arctan2(back[:, 2], back[:, 1]) - hue))))
    assert np.degrees(turn[kept > 0.02]).max() < 0.1
    inside = ((p.lab_to_linear if lab else p.oklab_to_linear)(colours) >= 0).all(1) & (
        (p.lab_to_linear if lab else p.oklab_to_linear)(colours) <= 1
    ).all(1)
    np.testing.assert_allclose(kept[inside], chroma[inside], atol=1e-4)


def test_gamut_beyond_black_and_white_and_no_data() -> None:
    shown = p.map_gamut(np.array([[1.5, 0.1, 0.1], [-0.2, 0.1, 0.1], [np.nan, 0, 0]]))
    assert shown[0] == pytest.approx([1, 1, 1], abs=1e-5)
    assert shown[1] == pytest.approx([0, 0, 0], abs=1e-5)
    assert np.isnan(shown[2]).all()


def test_bright_red_keeps_its_hue_at_high_lightness() -> None:
    # a red star halo asked to be far lighter than sRGB can show it in full chroma
    lab = p.linear_to_lab(p.decode_srgb(np.array([0.9, 0.2, 0.15])))
    asked = np.array([92.0, lab[1], lab[2]])
    shown = p.linear_to_lab(p.map_gamut_lab(asked))
    assert shown[0] == pytest.approx(92, abs=0.01)
    assert np.degrees(np.arctan2(shown[2], shown[1]) - np.arctan2(lab[2], lab[1])) == pytest.approx(0, abs=0.5)
    blue = p.map_gamut_lab(np.array([30.0, 0.0, -90.0]))
    assert np.isfinite(blue).all()


def test_ciede2000_against_the_published_pairs() -> None:
    assert SHARMA.shape == (34, 7)
    np.testing.assert_allclose(p.delta_e_2000(SHARMA[:, :3], SHARMA[:, 3:6]), SHARMA[:, 6], atol=6e-5)
    np.testing.assert_allclose(p.delta_e_2000(SHARMA[:, 3:6], SHARMA[:, :3]), SHARMA[:, 6], atol=6e-5)


def test_ciede2000_against_colour_science(rng: np.random.Generator) -> None:
    lab1 = rng.uniform([0, -80, -80], [100, 80, 80], (500, 3))
    lab2 = lab1 + rng.normal(0, 5, (500, 3))
    np.testing.assert_allclose(p.delta_e_2000(lab1, lab2), colour.difference.delta_E_CIE2000(lab1, lab2), atol=1e-9)


@pytest.mark.parametrize("convert", [p.linear_to_oklab, p.linear_to_lab, p.map_gamut, p.encode_srgb, p.decode_srgb])
def test_shapes_types_and_untouched_input(colours: np.ndarray, convert: object) -> None:
    before = colours.copy()
    out = convert(colours)  # type: ignore[operator]
    assert out.shape == colours.shape
    assert out.dtype == np.float32
    np.testing.assert_array_equal(colours, before)
    assert convert(colours.astype(np.float64)).dtype == np.float64  # type: ignore[operator]
