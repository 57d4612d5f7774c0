"""The star layer, the gate, the size and the blend modes."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layerblend.errors import ArgumentError
from layerblend.kinds import Curve, working_luminance
from layerblend.maths.curve import stretch
from layerblend.steps.blend import (
    MODES,
    blend,
    colour_from_deep,
    colour_stars,
    flux_share,
    gate_share,
    gate_stars,
    shrink_stars,
    star_layer,
    star_luminance,
    star_radius,
    star_shares,
)

CURVE = Curve(p=0.006, s=0.009, norm=5.226, sigma=0.0006, target=0.168)
unit = st.floats(0, 1, width=32)
any_value = st.floats(-0.25, 2, width=32)


def field(seed: int = 1, *, colour: bool = True) -> tuple[np.ndarray, np.ndarray]:
    """A starless field and the same with stars."""
    rng = np.random.default_rng(seed)
    yy, xx = np.mgrid[:90, :110]
    starless = 0.05 * np.exp(-np.hypot(yy - 45, xx - 55) / 20) + rng.normal(0, CURVE.sigma, (90, 110))
    stars = np.zeros_like(starless)
    for x, y, peak in rng.uniform([5, 5, 0.005], [105, 85, 3], (25, 3)):
        stars += peak * (1 + ((yy - y) ** 2 + (xx - x) ** 2) / 4) ** -2.5
    if colour:
        starless, stars = (v[..., None] * np.array(c) for v, c in ((starless, [1, 0.9, 0.7]), (stars, [0.8, 0.9, 1])))
    return starless.astype(np.float32), (starless + stars).astype(np.float32)


def plane(*values: float) -> np.ndarray:
    return np.array([values], np.float32)


# ---------------------------------------------------------------- the star layer
@pytest.mark.parametrize("colour", [True, False])
def test_screen_of_the_layer_over_its_own_starless_gives_the_picture_back(colour: bool) -> None:
    starless, image = field(colour=colour)
    layer = star_layer(image, starless, CURVE)
    np.testing.assert_allclose(blend(stretch(starless, CURVE), layer), stretch(image, CURVE), atol=2e-7)


def test_layer_is_signed_zero_where_nothing_is_and_where_no_data_is() -> None:
    starless, image = field()
    swapped = star_layer(starless, image, CURVE)
    assert swapped.min() < -0.1
    np.testing.assert_allclose(blend(stretch(image, CURVE), swapped), stretch(starless, CURVE), atol=2e-7)
    assert np.abs(star_layer(image, image, CURVE)).max() == 0
    image[3, 3] = starless[3, 3] = np.nan
    layer = star_layer(image, starless, CURVE)
    assert layer[3, 3] == pytest.approx([0, 0, 0])
    assert np.isfinite(layer).all()


@pytest.mark.parametrize("colour", [True, False])
def test_on_another_ground_the_layer_adds_the_same_light(colour: bool) -> None:
    starless, image = field(colour=colour)
    ground = (starless[::-1] * 0.7 + 1e-3).astype(np.float32)
    made = blend(stretch(ground, CURVE), star_layer(image, starless, CURVE, ground=ground))
    np.testing.assert_allclose(made, stretch(ground + (image - starless), CURVE), atol=5e-7)
    np.testing.assert_array_equal(star_layer(image, starless, CURVE, ground=starless.copy()), star_layer(image, starless, CURVE))


# ---------------------------------------------------------------- W3C formulas
def w3c_soft_light(backdrop: float, source: float) -> float:
    """W3C Compositing and Blending Level 1, section 10.1.8, word by word."""
    if source <= 0.5:
        return backdrop - (1 - 2 * source) * backdrop * (1 - backdrop)
    d = ((16 * backdrop - 12) * backdrop + 4) * backdrop if backdrop <= 0.25 else np.sqrt(backdrop)
    return backdrop + (2 * source - 1) * (d - backdrop)


@settings(deadline=None)
@given(unit, unit)
def test_modes_are_those_of_the_standard(backdrop: float, source: float) -> None:
    base, top = plane(backdrop), plane(source)
    assert blend(base, top, "screen")[0, 0] == pytest.approx(1 - (1 - backdrop) * (1 - source), abs=1e-6)
    assert blend(base, top, "lighten")[0, 0] == pytest.approx(max(backdrop, source), abs=1e-6)
    # W3C Compositing, section 9.1.14, opaque layers
    assert blend(base, top, "plus-lighter")[0, 0] == pytest.approx(min(backdrop + source, 1), abs=1e-6)
    # the layer counts from neutral: S = 0 is a source of .5
    assert blend(base, top, "soft-light")[0, 0] == pytest.approx(w3c_soft_light(backdrop, 0.5 + source / 2), abs=1e-6)
    # section 9.1.5, source over, S premultiplied with the coverage max(S)
    assert blend(base, top, "normal")[0, 0] == pytest.approx(source + (1 - source) * backdrop, abs=1e-6)


def test_worked_points_of_the_standard() -> None:
    # screen .5 over .5 = .75; soft-light: D(.25) = .5 on both branches, D(.04) = .141824
    assert blend(plane(0.5), plane(0.5))[0, 0] == pytest.approx(0.75)
    assert blend(plane(0.25), plane(1.0), "soft-light")[0, 0] == pytest.approx(0.5)
    assert blend(plane(0.04), plane(1.0), "soft-light")[0, 0] == pytest.approx(((16 * 0.04 - 12) * 0.04 + 4) * 0.04)
    assert blend(plane(0.64), plane(1.0), "soft-light")[0, 0] == pytest.approx(0.8)
    assert blend(plane(0.3), plane(-1.0), "soft-light")[0, 0] == pytest.approx(0.3 - 0.3 * 0.7)


def test_soft_light_is_continuous_at_neutral_and_stays_inside() -> None:
    base = np.repeat(np.linspace(-0.01, 1.2, 300, dtype=np.float32)[:, None], 3, 1)
    below, at, above = (blend(base, np.full_like(base, v), "soft-light") for v in (-1e-5, 0, 1e-5))
    assert max(np.abs(below - at).max(), np.abs(above - at).max()) < 1e-5
    np.testing.assert_allclose(at, np.clip(base, 0, 1), atol=1e-7)
    for layer in (-1.0, -0.3, 0.4, 1.2):
        out = blend(base, np.full_like(base, layer), "soft-light")
        assert np.isfinite(out).all()
        assert out.min() >= 0
        assert out.max() <= 1


@settings(deadline=None)
@given(any_value, any_value)
def test_screen_is_never_darker_than_either_layer(backdrop: float, source: float) -> None:
    out = blend(plane(backdrop), plane(source))[0, 0]
    limited = np.float32(min(max(backdrop, 0), 1))
    # a negative layer may darken: that is how the starless picture's excess is taken back
    assert 0 <= out <= 1
    if source >= 0:
        assert out >= limited - 1e-6
        assert out >= min(source, 1) - 1e-6


@pytest.mark.parametrize("mode", MODES)
def test_amount_0_and_an_empty_layer_change_nothing(mode: str) -> None:
    starless, image = field()
    base, layer = stretch(starless, CURVE), star_layer(image, starless, CURVE)
    np.testing.assert_array_equal(blend(base, layer, mode, 0), base)
    np.testing.assert_allclose(blend(base, np.zeros_like(layer), mode), base, atol=1e-7)


@pytest.mark.parametrize("mode", MODES)
def test_every_mode_rises_with_amount_and_stays_inside(mode: str) -> None:
    starless, image = field()
    base, layer = stretch(starless, CURVE), np.clip(star_layer(image, starless, CURVE), 0, 1)
    last = base
    for amount in (0.25, 0.5, 1.0):
        now = blend(base, layer, mode, amount)
        assert now.max() <= 1
        if mode in {"screen", "plus-lighter", "lighten"}:
            assert (now >= last - 1e-6).all()
        last = now


@pytest.mark.parametrize("mode", MODES)
def test_layers_above_one_count_as_one(mode: str) -> None:
    for backdrop in (0.1, 0.25, 0.7):
        np.testing.assert_array_equal(blend(plane(backdrop), plane(1.5), mode), blend(plane(backdrop), plane(1.0), mode))


def test_a_coloured_layer_covers_by_its_largest_channel() -> None:
    """W3C Compositing 9.1.5: S + (1 - coverage) B, S and coverage scaled by the amount."""
    base, top = np.full((1, 1, 3), 0.5, np.float32), np.array([[[0.2, 0.6, 0.1]]], np.float32)
    np.testing.assert_allclose(blend(base, top, "normal", 0.5)[0, 0], np.array([0.1, 0.3, 0.05]) + 0.7 * 0.5, atol=1e-6)


def test_no_data_in_the_layer_leaves_the_base() -> None:
    assert blend(plane(0.3), plane(np.nan))[0, 0] == pytest.approx(0.3)


# ---------------------------------------------------------------- gate and size
def test_gate_takes_sharp_cores_and_quiet_sky() -> None:
    sharp = np.zeros((60, 60, 3), np.float32)
    sharp[28:33, 28:33] = 0.5
    deep = np.full_like(sharp, 0.01)
    out = gate_stars(sharp, deep, 0.02, 3.0)
    assert out[30, 30] == pytest.approx([0.5] * 3)
    assert out[5, 5] == pytest.approx([0.01] * 3)
    np.testing.assert_array_equal(gate_stars(sharp, deep, 0.02, 0), sharp)
    np.testing.assert_allclose(gate_stars(sharp, deep, np.full((60, 60), 0.02, np.float32), 3.0), out)
    assert gate_stars(sharp[..., 0], deep[..., 0], 0.02, 3.0).shape == (60, 60)


def test_the_gate_opens_between_half_of_it_and_the_whole() -> None:
    """Even light, in gates of 3 sigma: smoothly (3 t^2 - 2 t^3) from .5 to 1; the brighter of both stacks counts, unknown noise shuts."""
    for light, share in ((0.4, 0.0), (0.5, 0.0), (0.625, 0.15625), (0.75, 0.5), (1.0, 1.0), (2.0, 1.0)):
        even = np.full((9, 9), 0.06 * light, np.float32)
        np.testing.assert_allclose(gate_share(even, 0.02, 3.0), share, atol=1e-5)
        np.testing.assert_allclose(gate_share(0 * even, 0.02, 3.0, deep=even), share, atol=1e-5)
        assert gate_share(even, np.full((9, 9), np.nan, np.float32), 3.0).max() == 0
    for light, share in ((4.0, 0.0), (17.5, 0.5), (31.0, 1.0)):
        even = np.full((9, 9), 0.06 * light, np.float32)
        np.testing.assert_allclose(star_shares(even, even, 0.02, 3.0, 4.0)[1], share, atol=1e-5)


def test_a_star_that_passes_keeps_its_wings_unless_one_stack_alone_holds_it() -> None:
    """Gaussian stars of FWHM 4 and 100 gates fall below half a gate at 1.4 FWHM; for 1.5 FWHM more they are the sharp stack's."""
    y, x = np.mgrid[:60, :60]
    star = (6.0 * np.exp(-4 * np.log(2) * ((y - 30) ** 2 + (x - 30) ** 2) / 16)).astype(np.float32)
    both, none = star_shares(star, star, 0.02, 3.0, 4.0)[0], np.zeros_like(star)
    assert both[30, 30] == both[30, 39] == both[21, 30] == 1 and both[30, 48] == both[12, 30] == 0
    fainter = star_shares(star, np.float32(0.6) * star, 0.02, 3.0, 4.0)[0]
    assert fainter[30, 30] == 1
    for sharp, deep in ((star, none), (none, star), (star, np.float32(0.3) * star)):
        assert star_shares(sharp, deep, 0.02, 3.0, 4.0)[0][28:33, 28:33].max() == pytest.approx(0, abs=1e-6)


def test_star_luminance_is_that_of_what_was_taken_away() -> None:
    starless = np.random.default_rng(1).normal(0, 0.01, (1, 4, 3)).astype(np.float32)
    image = starless + np.array([[[0.4, 0, 0], [0, 0.4, 0], [0, 0, 0.4], [0.4, 0.4, 0.4]]], np.float32)
    image[0, 3, 1] = np.nan
    np.testing.assert_allclose(star_luminance(image, starless), [[0.1, 0.2, 0.1, 0.0]], atol=1e-7)


def test_a_neighbours_wing_lends_no_colour() -> None:
    """Light of .3 of the sharp stack's, at most, is another star's; from .6 on it is the same star, between them in part."""
    zero = np.zeros((1, 1, 3), np.float32)
    image, tint = np.full((1, 1, 3), 0.4, np.float32), np.array([1.4, 0.9, 0.8], np.float32)
    for ratio, part in ((0.25, 0.0), (0.3, 0.0), (0.45, 0.5), (0.6, 1.0), (1.5, 1.0)):
        made = colour_from_deep(image, zero, ratio * image * tint, zero, zero[..., 0])
        np.testing.assert_allclose(made, 0.4 * (1 + part * (tint - 1))[None, None], atol=1e-5)


def test_the_colour_of_wings_comes_from_the_deep_stack_their_light_does_not() -> None:
    starless, image = field()
    deep = (1.3 * (image - starless) * np.array([1.2, 1, 0.8])).astype(np.float32)
    _, share = star_shares(working_luminance(image - starless), working_luminance(deep), CURVE.sigma, 3.0, 4.0)
    zero = np.zeros_like(deep)
    made = colour_from_deep(image, starless, deep, zero, share)
    np.testing.assert_allclose(working_luminance(made), working_luminance(image), atol=1e-6)
    core, wing = share == 1, (share == 0) & (working_luminance(image - starless) > CURVE.sigma)
    assert 20 < core.sum() < wing.sum()
    np.testing.assert_array_equal(made[core], image[core])
    light, theirs = (made - starless)[wing], deep[wing]
    np.testing.assert_allclose(light / working_luminance(light[None]).T, theirs / working_luminance(theirs[None]).T, atol=2e-3)
    np.testing.assert_array_equal(colour_from_deep(image, starless, deep, zero, np.ones_like(share)), image)
    np.testing.assert_allclose(colour_from_deep(image, starless, image, starless, share), image, atol=1e-7)
    nothing = np.full_like(deep, np.nan)
    np.testing.assert_array_equal(colour_from_deep(image, starless, nothing, zero, share), image)


def test_size_narrows_and_says_what_light_it_took() -> None:
    starless, image = field()
    layer = star_layer(image, starless, CURVE)
    np.testing.assert_array_equal(shrink_stars(layer, 1), layer)
    shares = [flux_share(shrink_stars(layer, size), layer) for size in (0.9, 0.7, 0.5)]
    assert 1 > shares[0] > shares[1] > shares[2] > 0.15
    assert flux_share(layer, layer) == 1
    assert flux_share(layer, np.zeros_like(layer)) == 1
    assert shrink_stars(np.zeros((20, 20), np.float32), 0.5).max() == 0


@pytest.mark.parametrize("size", [0.85, 0.7])
def test_size_is_about_the_share_of_the_width(size: float) -> None:
    yy, xx = np.mgrid[:200, :200]
    layer = np.zeros((200, 200), np.float32)
    for x, y in ((40, 50), (120, 60), (70, 140), (160, 150)):
        layer += (0.8 * np.exp(-((yy - y) ** 2 + (xx - x) ** 2) / (2 * 3.0**2))).astype(np.float32)
    radius = star_radius(layer)
    assert radius == pytest.approx(3.0 * np.sqrt(2 * np.log(2)), rel=0.1)
    # the disc that stands above half of the height the star had; peaks hardly change
    shrunk = shrink_stars(layer, size)
    assert np.sqrt((shrunk > 0.4).sum() / (layer > 0.4).sum()) == pytest.approx(size, abs=0.08)
    assert shrunk.max() > 0.9 * layer.max()


def test_what_does_not_fit_is_refused() -> None:
    grey = np.zeros((5, 5), np.float32)
    with pytest.raises(ArgumentError, match="differ in shape"):
        blend(grey, np.zeros((5, 5, 3), np.float32))
    with pytest.raises(ArgumentError, match="mode"):
        blend(grey, grey, "overlay")
    with pytest.raises(ArgumentError, match="size"):
        shrink_stars(grey, 0.3)
    with pytest.raises(ArgumentError, match="gate"):
        gate_stars(grey, grey, 1.0, -1)


def test_colour_stars_keeps_their_light_and_never_turns_a_channel_negative() -> None:
    rng = np.random.default_rng(7)
    starless = rng.normal(0, 0.01, (20, 30, 3)).astype(np.float32)
    light = (rng.gamma(0.5, 0.2, (20, 30, 1)) * rng.uniform(0.8, 1.2, (20, 30, 3))).astype(np.float32)
    image = starless + light
    more = colour_stars(image, starless, 2.0)
    assert np.allclose(working_luminance(more), working_luminance(image), atol=1e-6)
    assert ((more - starless) > -1e-6).all()
    spread, before = np.ptp(more - starless, axis=2), np.ptp(light, axis=2)
    assert (spread >= before - 1e-6).all()
    assert np.median(spread / before) > 1.99
    assert np.array_equal(colour_stars(image, starless, 1.0), image)
    grey = colour_stars(image, starless, 0.0) - starless
    assert np.allclose(np.ptp(grey, axis=2), 0, atol=1e-6)
    # red light of luminance 1.05 with .3 in blue: 1.05 + 1.4 (.3 - 1.05) is 0, more colour there is not
    vivid = np.array([[[1.9, 1.0, 0.3]]], np.float32)
    most = colour_stars(vivid, np.zeros_like(vivid), 3.0)
    np.testing.assert_allclose(most, 1.05 + 1.4 * (vivid - 1.05), atol=1e-6)
