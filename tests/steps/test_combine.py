"""Relight and the exchange of lightness."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layerblend.errors import ArgumentError
from layerblend.kinds import Curve, working_luminance
from layerblend.maths.curve import stretch
from layerblend.maths.perceptual import decode_srgb, encode_srgb, lab_to_linear, linear_to_lab, linear_to_oklab, oklab_to_linear
from layerblend.steps.colour import saturate
from layerblend.steps.combine import combine_luminance, lightness_of, lit_lightness, match_lightness, relit_of, set_lightness

STEP16 = 1 / 65535
CURVE = Curve(p=0.006, s=0.009, norm=5.226, sigma=0.0006, target=0.168)


@pytest.fixture
def colours() -> np.ndarray:
    return np.random.default_rng(5).random((31, 57, 3)).astype(np.float32)


@pytest.mark.parametrize("space", ["oklab", "cielab"])
@pytest.mark.parametrize("chroma", ["follow", "keep"])
def test_own_lightness_and_amount_0_give_the_colour_back(colours: np.ndarray, space: str, chroma: str) -> None:
    own = combine_luminance(colours, colours, space=space, chroma=chroma)
    assert np.abs(own - colours).max() < STEP16
    grey = np.random.default_rng(6).random((31, 57)).astype(np.float32)
    np.testing.assert_array_equal(combine_luminance(colours, grey, space=space, amount=0, chroma=chroma), colours)


@pytest.mark.parametrize("space", ["oklab", "cielab"])
def test_takes_the_lightness_of_the_grey_and_keeps_hue(colours: np.ndarray, space: str) -> None:
    grey = np.random.default_rng(6).uniform(0.1, 0.8, (31, 57)).astype(np.float32)
    out = combine_luminance(colours, grey, space=space)
    np.testing.assert_allclose(lightness_of(out, space=space), lightness_of(grey, space=space), atol=1e-4)
    convert = linear_to_oklab if space == "oklab" else linear_to_lab
    before, after = convert(decode_srgb(colours.astype(float))), convert(decode_srgb(out.astype(float)))
    turn = np.angle(np.exp(1j * (np.arctan2(after[..., 2], after[..., 1]) - np.arctan2(before[..., 2], before[..., 1]))))
    chroma = np.hypot(after[..., 1], after[..., 2]) / (100 if space == "cielab" else 1)
    assert np.degrees(np.abs(turn[chroma > 0.02])).max() < 0.2


def test_cielab_turns_hue_in_oklab_by_less_than_a_degree_where_nothing_is_mapped() -> None:
    # colours well inside the gamut, lightness +-15 L*, median over hues as for the published comparisons of such spaces
    rng = np.random.default_rng(8)
    colours = rng.uniform(0.3, 0.6, (40, 40, 3)).astype(np.float32)
    for shift in (-0.1, 0.1):
        out = set_lightness(colours, lightness_of(colours, space="cielab") + np.float32(shift), space="cielab")
        hues = [np.arctan2(v[..., 2], v[..., 1]) for v in (linear_to_oklab(decode_srgb(colours)), linear_to_oklab(decode_srgb(out)))]
        assert np.degrees(np.median(np.abs(np.angle(np.exp(1j * (hues[1] - hues[0])))))) < 1


def test_following_chroma_in_oklab_is_a_change_of_light() -> None:
    # L, a, b scaled together = linear RGB scaled by the cube: the colour under more light
    colours = np.random.default_rng(9).uniform(0.2, 0.5, (20, 20, 3)).astype(np.float32)
    out = set_lightness(colours, lightness_of(colours) * np.float32(1.2))
    np.testing.assert_allclose(decode_srgb(out.astype(float)), decode_srgb(colours.astype(float)) * 1.2**3, rtol=1e-4)


def test_kept_chroma_is_kept() -> None:
    colours = np.random.default_rng(9).uniform(0.4, 0.55, (20, 20, 3)).astype(np.float32)
    out = set_lightness(colours, lightness_of(colours) + np.float32(0.05), chroma="keep")
    chroma = [np.hypot(v[..., 1], v[..., 2]) for v in (linear_to_oklab(decode_srgb(colours)), linear_to_oklab(decode_srgb(out)))]
    np.testing.assert_allclose(chroma[1], chroma[0], atol=2e-6)


@pytest.mark.parametrize(("old", "new", "gain"), [(0.05, 0.1, 2.0), (0.1, 0.3, 3.0), (0.05, 0.4, 4.0)])
@pytest.mark.parametrize("space", ["oklab", "cielab"])
def test_dark_noise_becomes_no_colour(space: str, old: float, new: float, gain: float) -> None:
    """Chroma follows the lightness up to four times: a dark pixel lifted further keeps four times its own."""
    made = (oklab_to_linear, linear_to_oklab) if space == "oklab" else (lab_to_linear, linear_to_lab)
    scale = 1.0 if space == "oklab" else 100.0
    colour = scale * np.array([[[old, 0.005, -0.003]]])
    out = set_lightness(encode_srgb(made[0](colour)).astype(np.float32), np.full((1, 1), new, np.float32), space=space)
    np.testing.assert_allclose(made[1](decode_srgb(out.astype(float))) / scale, [[[new, gain * 0.005, -gain * 0.003]]], atol=2e-4)


@pytest.mark.parametrize("space", ["oklab", "cielab"])
def test_a_share_of_the_new_lightness_lies_between(colours: np.ndarray, space: str) -> None:
    grey = np.random.default_rng(6).uniform(0.2, 0.7, (31, 57)).astype(np.float32)
    own, wanted = (lightness_of(picture, space=space) for picture in (colours, grey))
    out = combine_luminance(colours, grey, space=space, amount=0.3)
    np.testing.assert_allclose(lightness_of(out, space=space), 0.7 * own + 0.3 * wanted, atol=1e-4)


@settings(deadline=None, max_examples=60)
@given(
    st.lists(st.floats(-0.25, 1.5, width=32), min_size=4, max_size=4),
    st.sampled_from(["oklab", "cielab"]),
    st.sampled_from(["follow", "keep"]),
)
def test_any_input_gives_display_values(values: list[float], space: str, chroma: str) -> None:
    colour = np.array([[values[:3]]], np.float32)
    out = combine_luminance(colour, np.array([[values[3]]], np.float32), space=space, chroma=chroma)
    assert np.isfinite(out).all()
    assert out.min() >= 0
    assert out.max() <= 1


@pytest.mark.parametrize("space", ["oklab", "cielab"])
@pytest.mark.parametrize("saturation", [0.0, 0.6, 1.0, 1.7])
def test_colour_in_the_same_pass_is_that_of_saturating_afterwards(colours: np.ndarray, space: str, saturation: float) -> None:
    lightness = np.random.default_rng(6).uniform(-0.02, 1.02, (31, 57)).astype(np.float32)
    lightness[3, 4] = np.nan
    together = set_lightness(colours, lightness, space=space, saturation=saturation, sky=0.12)
    apart = saturate(set_lightness(colours, lightness, space=space), saturation, sky=0.12)
    # the picture between is rounded to float32; what the gamut cut off is cut again
    assert np.abs(together - apart).max() < STEP16 / 4


def test_more_than_8_bits_survive() -> None:
    ramp = np.linspace(0.2, 0.6, 8000, dtype=np.float32)[None]
    out = combine_luminance(np.full((1, 8000, 3), 0.4, np.float32), ramp)
    assert np.unique(np.round(out[..., 1] * 65535)).size > 2000


def test_a_pixel_lit_anew_has_the_wanted_luminance_and_its_own_differences() -> None:
    rng = np.random.default_rng(2)
    for red, green, blue, wanted in rng.exponential(0.02, (200, 4)) - [0.001, 0.001, 0.001, 0]:
        lit = np.array(relit_of(red, green, blue, wanted))
        assert lit @ [0.25, 0.5, 0.25] == pytest.approx(wanted, abs=1e-12)
        np.testing.assert_allclose(np.diff(lit), np.diff([red, green, blue]), atol=1e-12)


def test_noise_of_the_colours_luminance_stays_out_of_the_lightness() -> None:
    """Reddish light whose colour differences are quiet: however noisy its luminance, the lightness is the detail's."""
    rng = np.random.default_rng(6)
    colour = np.full((64, 64, 3), [0.06, 0.03, 0.02], np.float32)
    noisy = (colour + rng.normal(0, 0.004, (64, 64, 1))).astype(np.float32)
    detail = np.full((64, 64), 0.05, np.float32)
    np.testing.assert_allclose(lit_lightness(noisy, detail, CURVE), lit_lightness(colour, detail, CURVE), atol=1e-6)


@pytest.mark.parametrize("space", ["oklab", "cielab"])
def test_lit_lightness_is_that_of_the_stretched_picture_lit_anew(space: str) -> None:
    rng = np.random.default_rng(4)
    colour = (rng.exponential(0.02, (40, 30, 3)) - 0.002).astype(np.float32)
    detail = rng.exponential(0.02, (40, 30)).astype(np.float32)
    lit = np.array([relit_of(*pixel, wanted) for pixel, wanted in zip(colour.reshape(-1, 3), detail.ravel(), strict=True)])
    want = lightness_of(stretch(lit.reshape(40, 30, 3), CURVE).astype(np.float32), space=space)
    np.testing.assert_allclose(lit_lightness(colour, detail, CURVE, space=space), want, atol=2e-6)
    same = lit_lightness(colour, working_luminance(colour), CURVE, space=space)
    np.testing.assert_allclose(same, lightness_of(stretch(colour, CURVE), space=space), atol=2e-6)


def test_no_data_is_grey_sky_and_hurts_no_neighbour() -> None:
    colour = np.full((40, 40, 3), 0.02, np.float32)
    colour[10, 10] = np.nan
    lightness = lit_lightness(colour, np.full((40, 40), 0.03, np.float32), CURVE)
    assert lightness[10, 10] == pytest.approx(lightness_of(np.full((1, 1), CURVE.sky, np.float32))[0, 0], abs=1e-6)
    assert np.isfinite(lightness).all()
    brighter = replace(CURVE, sky=0.2)
    found = lit_lightness(colour, np.full((40, 40), 0.03, np.float32), brighter)[10, 10]
    assert found == pytest.approx(lightness_of(np.full((1, 1), 0.2, np.float32))[0, 0], abs=1e-6)
    display = stretch(colour, CURVE)
    lightness[3, 3] = np.nan
    matched = match_lightness(lightness, lightness_of(display))
    assert np.isnan(matched).sum() == 1
    out = set_lightness(display, matched)
    np.testing.assert_array_equal(out[3, 3], display[3, 3])
    assert np.isfinite(out).all()


def test_large_scales_are_taken_from_the_other_picture() -> None:
    rng = np.random.default_rng(3)
    detail = (0.4 + 0.05 * rng.standard_normal((150, 150))).astype(np.float32)
    other = np.full((150, 150), 0.3, np.float32)
    matched = match_lightness(detail, other)
    assert matched.mean() == pytest.approx(0.3, abs=1e-3)
    assert matched.std() == pytest.approx(detail.std(), rel=0.02)
    # of a Gaussian of 16 px waves of 40 px keep 1 - exp(-2 pi^2 16^2 / 40^2) = .96, waves of 300 px .05 of their height
    x = np.arange(600)
    for period, kept in ((40, 0.96), (300, 0.055)):
        wave = np.tile(0.1 * np.cos(2 * np.pi * x / period), (150, 1)).astype(np.float32)
        left = match_lightness(wave, np.zeros_like(wave))
        assert np.sum(left * wave) / np.sum(wave**2) == pytest.approx(kept, abs=0.05)


def test_what_does_not_fit_is_refused(colours: np.ndarray) -> None:
    with pytest.raises(ArgumentError, match="display values, 0 to 1, got values up to 65"):  # codes are no display values
        combine_luminance(65535 * colours, colours)
    grey = np.zeros((5, 5), np.float32)
    with pytest.raises(ArgumentError, match="size"):
        combine_luminance(colours, grey)
    with pytest.raises(ArgumentError, match="space"):
        combine_luminance(colours, colours, space="hsl")
    with pytest.raises(ArgumentError, match="chroma"):
        set_lightness(colours, colours[..., 0], chroma="drop")
    with pytest.raises(ArgumentError, match="amount"):
        combine_luminance(colours, colours, amount=1.5)
    with pytest.raises(ArgumentError, match="differ"):
        lit_lightness(colours, grey, CURVE)
    with pytest.raises(ArgumentError, match="floats"):
        combine_luminance((colours * 65535).astype(np.uint16), colours)
