"""One light for all stacks: brightness, white, noise, half-sets."""

from __future__ import annotations

import numpy as np
import pytest

from layerblend.chain.light import (
    Brightness,
    find_hot_pixels,
    find_sky,
    find_white,
    linear_half,
    linear_picture,
    noise_map,
    relative_brightness,
)
from layerblend.errors import InputError
from layerblend.kinds import working_luminance
from tests.scenes.layers import WHITE, as_stack, no_sky, star_field


def brightness(image: np.ndarray, reference: np.ndarray) -> Brightness:
    return relative_brightness(as_stack(image), no_sky(image), as_stack(reference, "all.fits"), no_sky(reference), WHITE)


@pytest.mark.parametrize("gain", [0.1, 0.5, 3.0])
@pytest.mark.parametrize("mono", [False, True])
def test_a_stack_from_elsewhere_comes_to_the_colour_stacks_brightness(gain: float, mono: bool) -> None:
    """Balanced luminance is what is joined, so a mono stack is matched to the balanced colour."""
    reference = star_field()
    other = star_field(gain=gain, mono=mono, seed=4)
    found = brightness(other, reference)
    light, fixed = (linear_picture(as_stack(i), no_sky(i), WHITE, b) for i, b in ((other, found), (reference, Brightness())))
    bright = working_luminance(fixed) > 0.02
    ratio = working_luminance(light)[bright].sum() / working_luminance(fixed)[bright].sum()
    assert ratio == pytest.approx(1, abs=0.02)


def test_stacks_of_the_same_frames_are_left_as_they_are() -> None:
    assert relative_brightness() == Brightness(1.0, ())


def test_a_stack_that_lies_elsewhere_is_refused() -> None:
    with pytest.raises(InputError, match=r"s\.fits lie up to 6\.\d px from"):
        image, reference = star_field(shift=6), star_field()
        relative_brightness(as_stack(image, "s.fits"), no_sky(image), as_stack(reference), no_sky(reference), WHITE)
    with pytest.raises(InputError, match=r"160 x 60 colour where the colour stack is 160 x 120"):
        brightness(star_field()[:60], star_field())


def test_a_stack_without_common_stars_is_used_as_it_is_and_said() -> None:
    found = brightness(star_field(stars=0), star_field())
    assert found.factor == 1 and "too few" in found.words[0]


def test_a_mono_stack_has_no_balance_and_becomes_grey() -> None:
    image = star_field(mono=True)
    white = find_white(as_stack(image), no_sky(image), source="stars", catalogue=None)
    np.testing.assert_array_equal(white.factors, [1, 1, 1])
    assert white.words == ()
    asked = find_white(as_stack(image), no_sky(image), source=(1.2, 1.0, 1.4), catalogue=None)
    assert (asked.factors.tolist(), asked.words) == (
        [1, 1, 1],
        ("The stack is mono: there is no colour to balance, so white.from has no effect.",),
    )
    light = linear_picture(as_stack(image), no_sky(image), WHITE, Brightness())
    np.testing.assert_array_equal(light, np.repeat(image[..., None], 3, 2))


def test_noise_from_the_error_map_or_from_the_picture() -> None:
    image = star_field(stars=4)
    mapped = as_stack(image, stderr=np.full_like(image, 3e-4))
    for stack in (mapped, as_stack(image)):
        sigma = noise_map(stack, no_sky(image), WHITE, Brightness())
        np.testing.assert_allclose(np.median(sigma, (0, 1)), 3e-4 * WHITE.factors, rtol=0.1)


@pytest.mark.parametrize("mono", [False, True])
def test_division_scales_the_noise_with_the_light(mono: bool) -> None:
    light = np.repeat(np.linspace(0.1, 0.2, 300)[None], 200, 0)
    light = (light if mono else light[..., None] * np.ones(3)).astype(np.float32)
    stack = as_stack(light + np.random.default_rng(0).normal(0, 1e-3, light.shape).astype(np.float32), stderr=np.full_like(light, 1e-3))
    sky = find_sky(stack, protect=(), frame_filling="no", mode="divide")
    linear = linear_picture(stack, sky, WHITE, Brightness())
    sigma = noise_map(stack, sky, WHITE, Brightness())
    for part in (np.s_[:, 10:40], np.s_[:, -40:-10]):
        np.testing.assert_allclose(sigma[part].mean((0, 1)), linear[part].std((0, 1)), rtol=0.1)


def test_one_frame_tells_no_noise_nor_does_the_same_frame_twice() -> None:
    image = star_field(stars=4)
    gone = np.full_like(image, np.nan)
    for halves, stderr in (((image, image.copy()), np.zeros_like(image)), ((image, gone), gone)):
        stack = as_stack(image, halves=halves, stderr=stderr)
        assert linear_half(stack, no_sky(image), WHITE, Brightness(), half=0) is None
        sigma = noise_map(stack, no_sky(image), WHITE, Brightness())
        np.testing.assert_allclose(np.median(sigma, (0, 1)), 3e-4 * WHITE.factors, rtol=0.1)
    other = as_stack(image, halves=(image, star_field(stars=4, seed=9)), stderr=np.full_like(image, 3e-4))
    assert linear_half(other, no_sky(image), WHITE, Brightness(), half=0) is not None


def test_hot_pixels_that_stand_still_go_from_the_stack_and_its_halves_alike() -> None:
    """Found once, in the deepest stack; what is left of the halves is their own noise."""
    clean = star_field(stars=60)
    hot_image = clean.copy()
    spots = [(y, x) for y, x in ((20, 30), (60, 70), (90, 120), (100, 20), (30, 140)) if clean[y - 5 : y + 6, x - 5 : x + 6].max() < 0.01]
    for y, x in spots:
        hot_image[y - 1 : y + 2, x - 1 : x + 2, 2] += np.outer((0.01, 0.02, 0.01), (1, 2, 1)).astype(np.float32)
    noise = np.random.default_rng(5).normal(0, 2e-4, clean.shape).astype(np.float32)
    stack = as_stack(hot_image, halves=(hot_image + noise, hot_image - noise))
    hot = find_hot_pixels(stack, no_sky(hot_image), fill=True)
    assert len(spots) >= 2 and sorted(zip(hot.y.tolist(), hot.x.tolist(), strict=True)) == sorted(spots)
    assert not len(find_hot_pixels(stack, no_sky(hot_image), fill=False))
    filled = linear_picture(stack, no_sky(hot_image), WHITE, Brightness(), hot)
    halves = [linear_half(stack, no_sky(hot_image), WHITE, Brightness(), hot, half=k) for k in (0, 1)]
    for y, x in spots:
        place = slice(y - 3, y + 4), slice(x - 3, x + 4)
        for part in (filled, *halves):
            assert part is not None and np.abs(part[place] - clean[place]).max() < 2.5e-3  # the spots are .04 high
    assert halves[0] is not None and halves[1] is not None
    np.testing.assert_allclose((halves[0] + halves[1]) / 2, filled, atol=1e-5)
