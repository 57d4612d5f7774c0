"""The stretch and its inverse."""

import numpy as np
import pytest
from astropy.visualization import AsinhStretch
from hypothesis import given, settings
from hypothesis import strategies as st

from layerblend.errors import ArgumentError
from layerblend.kinds import Curve
from layerblend.maths.curve import shoulder_of, stretch, unshoulder_of, unstretch
from layerblend.maths.perceptual import decode_srgb, linear_to_oklab

CURVE = Curve(p=0.006, s=0.009, norm=5.226, sigma=0.0006, target=0.168)


def hue(display: np.ndarray) -> np.ndarray:
    oklab = linear_to_oklab(decode_srgb(display))
    return np.degrees(np.arctan2(oklab[..., 2], oklab[..., 1]))


@settings(deadline=None, max_examples=200)
@given(st.lists(st.floats(-0.005, 50.0), min_size=3, max_size=3))
def test_inverse_is_exact_in_float64(values: list[float]) -> None:
    pixel = np.array([[values]])
    back = unstretch(stretch(pixel, CURVE), CURVE)
    # relative to the brightest channel with its pedestal: the code of a core near 1 holds fewer digits
    most = pixel.max() + CURVE.p
    assert np.abs(back - pixel).max() < 1e-12 * most * (1 + most / 0.1)


def test_inverse_in_float32() -> None:
    light = np.geomspace(1e-4, 3, 2000).astype(np.float32).reshape(1, -1, 1) * np.array([1, 0.8, 0.5], np.float32)
    back = unstretch(stretch(light, CURVE), CURVE)
    assert back.dtype == np.float32
    assert np.abs((back - light) / (light + CURVE.p)).max() < 1e-5
    mono = light[..., 0]
    assert np.abs((unstretch(stretch(mono, CURVE), CURVE) - mono) / (mono + CURVE.p)).max() < 1e-5


def test_quick_inverse_in_float32_agrees_with_the_exact_one() -> None:
    # codes below the shoulder come from a table, those in it do not; NaN and 1 as in float64
    code = np.random.default_rng(3).random((200, 500, 3)).astype(np.float32) * np.float32(0.99)
    code[0, 0], code[0, 1], code[0, 2], code[0, 3] = 0, np.nan, 1, 0.8
    quick, exact = unstretch(code, CURVE), unstretch(code.astype(np.float64), CURVE)
    np.testing.assert_array_equal(np.isnan(quick), np.isnan(exact))
    np.testing.assert_array_equal(np.isinf(quick), np.isinf(exact))
    told = np.isfinite(exact).all(-1)
    most = exact[told].max(-1, keepdims=True) + CURVE.p
    assert (np.abs(quick[told] - exact[told]) / np.maximum(most, CURVE.p)).max() < 1e-5


def test_grey_follows_the_asinh_of_lupton_as_astropy_carries_it() -> None:
    # astropy: asinh(x/a)/asinh(1/a); the same curve up to scale below the shoulder
    light = np.linspace(0, 0.1, 500)
    a = CURVE.s
    expected = AsinhStretch(a)(light + CURVE.p) * np.arcsinh(1 / a) / CURVE.norm
    assert expected.max() < 0.8
    np.testing.assert_allclose(stretch(light[None], CURVE)[0], expected, atol=1e-12)


@pytest.mark.parametrize("curve", [CURVE, Curve(p=0.0004, s=0.00031, norm=8.9, sigma=0.00004, target=0.02)])
def test_the_table_of_single_precision_keeps_to_the_exact_curve(curve: Curve) -> None:
    light = np.concatenate([np.geomspace(1e-9, 1e3, 300_001), np.linspace(0, 0.02, 100_001), np.linspace(0, 2, 100_001)]) - curve.p
    colour = (light[None, :, None] * np.array([1, 0.7, 0.4])).astype(np.float32)
    exact = stretch(colour.astype(float), curve)
    # half a step of float32 at 1 is 6e-8; the transfer's table adds 1e-7 at most
    assert np.abs(stretch(colour, curve) - exact).max() < 3e-7


def test_rises_never_reaches_one_and_crushes_below_black() -> None:
    light = np.linspace(-0.02, 1000, 20001)[None]
    code = stretch(light, CURVE)[0]
    assert (np.diff(code) >= 0).all()
    assert code.max() < 1
    assert code[0] == 0
    assert stretch(np.full((1, 1, 3), -1.0), CURVE).max() == 0


def test_the_steepest_curves_stay_numbers() -> None:
    # sky .4, bright .41 and next to no noise: the pedestal lies 1e230 softenings high, and squares of that are infinite
    curve = Curve(p=1e-6, s=1e-236, norm=1330.0, sigma=1e-7, target=0.5, sky=0.4, bright=0.41)
    for light in (
        np.array([[0.0, 1e-3, 0.5, 9.0]], np.float32),
        np.geomspace(1e-6, 9, 10).reshape(1, 10, 1).repeat(3, 2).astype(np.float32),
    ):
        code = stretch(light, curve)
        assert np.isfinite(code).all() and (np.diff(code, axis=1) > 0).all()
    assert stretch(np.zeros((1, 1)), curve)[0, 0] == pytest.approx(np.arcsinh(1e230) / 1330, rel=1e-14)


def test_shoulder_is_smooth_and_invertible() -> None:
    codes = np.linspace(0, 5, 1001)
    rolled = np.array([shoulder_of(c) for c in codes])
    np.testing.assert_allclose([unshoulder_of(c) for c in rolled], codes, rtol=1e-12)
    slope = (shoulder_of(0.8 + 1e-7) - shoulder_of(0.8)) / 1e-7
    assert slope == pytest.approx(1, abs=1e-5)


def test_colour_of_the_light_is_kept_and_grey_stays_grey() -> None:
    ratio = np.array([1.0, 0.7, 0.4])
    light = np.geomspace(1e-3, 20, 400)[:, None] * ratio - CURVE.p
    display = stretch(light[None], CURVE)[0]
    linear = decode_srgb(display)
    np.testing.assert_allclose(linear / linear[:, :1], np.broadcast_to(ratio, linear.shape), rtol=1e-9)
    grey = stretch(np.repeat(light[:, :1], 3, 1)[None], CURVE)[0]
    assert np.ptp(grey, axis=1).max() == 0


def test_scaling_encoded_values_instead_would_turn_hues() -> None:
    # what Lupton et al. 2004 do (ratios of encoded values) against what is done here (ratios of light), hue in Oklab
    light = np.geomspace(1e-3, 0.3, 200)[:, None] * np.array([1.0, 0.55, 0.3])
    true = hue(np.asarray(stretch(light[None], CURVE))[0])
    linear_hue = np.degrees(np.arctan2(*linear_to_oklab((light + CURVE.p) / (light + CURVE.p).max(1, keepdims=True))[:, [2, 1]].T))
    intensity = light.mean(1, keepdims=True) + CURVE.p
    encoded = np.clip((light + CURVE.p) / intensity * np.arcsinh(intensity / CURVE.s) / CURVE.norm, 0, 1)
    assert np.abs(true - linear_hue).max() < 1e-6
    assert np.abs(hue(encoded) - linear_hue).max() > 5


def test_no_data_is_grey_at_sky_level() -> None:
    image = np.full((2, 2, 3), 0.1, np.float32)
    image[0, 0, 1] = np.nan
    assert stretch(image, CURVE)[0, 0] == pytest.approx([CURVE.sky] * 3)
    assert stretch(image[..., 1], CURVE)[0, 0] == pytest.approx(CURVE.sky)
    assert np.isfinite(stretch(image, CURVE)).all()


def test_negative_sky_gives_numbers_and_keeps_its_median() -> None:
    rng = np.random.default_rng(3)
    sky = rng.normal(0, CURVE.sigma, (300, 300)).astype(np.float32)
    code = stretch(sky, CURVE)
    assert np.isfinite(code).all()
    assert (code == 0).mean() < 0.01
    level = unstretch(np.array([[np.median(code)]]), CURVE)[0, 0]
    assert abs(level - np.median(sky)) < 0.02 * CURVE.sigma


@pytest.mark.parametrize("bad", [np.zeros((4, 4), np.uint16), np.zeros((4, 4, 4), np.float32), np.zeros(4, np.float32)])
def test_what_is_no_picture_is_refused(bad: np.ndarray) -> None:
    with pytest.raises(ArgumentError, match="needs"):
        stretch(bad, CURVE)
