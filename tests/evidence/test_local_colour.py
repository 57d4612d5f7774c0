"""Colour of the whole picture: discs and galaxies that turned colour are found in their place, what was asked for is let pass."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from layerblend.evidence.estimates import CannotMeasureError
from layerblend.evidence.ground import common_ground, lab
from layerblend.evidence.local_colour import HUES, SEEN, SMOOTH_FWHM, local_colour
from layerblend.maths.curve import stretch, unstretch
from layerblend.maths.perceptual import decode_srgb, encode_srgb, lab_to_linear, linear_to_oklab, map_gamut
from tests.scenes import evidence as scenes

FWHM = {0: 3.0, 1: 4.0}


def make(seed, *, trial=0):
    """A stack, and a result with its colour noise calmed and its stars a tenth narrower."""
    scene = scenes.make_scene(seed, size=384, stars=49)
    stack = scenes.draw_stack(scene, {0: 1, 1: 1}, fwhm=FWHM, trial=trial)
    sharp = scenes.draw_stack(scene, {0: 1, 1: 1}, fwhm={0: 2.7, 1: 3.6}, trial=trial)
    curve = scenes.make_curve(stack, scene)
    plain = scenes.make_subject("plain", scene, stack, curve=curve)
    plain = replace(plain, colour_a=plain.half_a, colour_b=plain.half_b, unprocessed=True)
    drawn = scenes.make_subject("result", scene, sharp, curve=curve, process=calm)
    return scene, plain, replace(drawn, colour=plain.colour, colour_a=plain.half_a, colour_b=plain.half_b)


def calm(picture):
    planes = lab(picture)
    planes[..., 1:] = cv2.GaussianBlur(planes[..., 1:], (0, 0), 2.0)
    return shown(planes)


def shown(planes):
    return np.clip(encode_srgb(lab_to_linear(planes)), 0, 1).astype(np.float32)


@pytest.fixture(scope="module")
def made():
    return make(7)


def changed(subject, change):
    """Picture and halves changed alike."""
    pictures = {key: np.clip(change(getattr(subject, key)), 0, 1).astype(np.float32) for key in ("picture", "half_a", "half_b")}
    return replace(subject, **pictures)


def worst(subject, plain):
    return local_colour(subject, common_ground(subject, plain))["local colour difference"]


def disc(shape, x, y, radius):
    """A smooth disc: 1 within .7 of its radius, 0 beyond it."""
    yy, xx = np.mgrid[: shape[0], : shape[1]]
    rise = np.clip((radius - np.hypot(xx - x, yy - y)) / (0.3 * radius), 0, 1)
    return (rise**2 * (3 - 2 * rise)).astype(np.float32)


def with_disc(subject, x, y, radius, colour):
    light = disc(subject.picture.shape, x, y, radius)[..., None] * np.float32(colour)
    return changed(subject, lambda p: p + light)


# ---------------------------------------------------------------- what must be found
@pytest.mark.parametrize("seed", [7, 21, 22])
def test_a_disc_of_three_percent_in_one_channel_is_found_where_it_is(seed):
    """On sky, on the galaxy, and round the brightest star: 40 px wide on dark ground, wider round the star, whose core is left out."""
    scene, plain, result = make(seed)
    star = next(s for s in scene.stars if 60 < s[0] < 324 and 60 < s[1] < 324)
    for x, y, radius in ((60, 330, 20), (215, 192, 20), (star[0], star[1], 40)):
        found = worst(with_disc(result, x, y, radius, (0, 0, 0.03)), plain)
        assert found.value - found.sure > SEEN, (x, y)
        assert np.hypot(found.place[0] - x, found.place[1] - y) < radius
        assert found.hue in {"blue", "violet"}
        assert 0.5 * radius < found.extent < 3 * radius


@pytest.mark.parametrize("seed", [7, 21, 22])
def test_a_galaxy_that_lost_half_of_its_red_is_found(seed):
    scene, plain, result = make(seed)
    inside = cv2.GaussianBlur(scene.target.astype(np.float32), (0, 0), 6)[..., None] * np.float32([0.5, 0, 0])
    found = worst(changed(result, lambda p: stretch(unstretch(p, plain.curve) * (1 - inside), plain.curve)), plain)
    assert found.value - found.sure > 3 * SEEN
    assert scene.target[round(found.place[1]), round(found.place[0])]
    assert found.hue in {"green", "cyan", "blue"}


@pytest.mark.parametrize(
    ("colour", "hue"),
    [((-0.02, 0.03, -0.02), "green"), ((0.03, -0.01, 0.03), "violet"), ((0.02, 0.02, -0.03), "yellow"), ((0, 0, 0.04), "blue")],
)
def test_hues_are_called_by_their_names(made, colour, hue):
    """sRGB green lies at 136 degrees of CIELAB, violet at 328, yellow at 103, blue at 306 (dark colours a little nearer to 290)."""
    _, plain, result = made
    found = worst(with_disc(result, 60, 330, 30, colour), plain).hue
    near = HUES.index(hue)
    assert found in {HUES[(near + step) % 8] for step in (-1, 0, 1)}


def test_what_stars_cover_is_not_left_out(made):
    """The measure of the target's colour is blind under the star mask; this one is not."""
    scene, plain, result = made
    covered = np.ones_like(scene.target)
    a, b = replace(with_disc(result, 215, 192, 20, (0, 0, 0.03)), star_mask=covered), replace(plain, star_mask=covered)
    found = worst(a, b)
    assert found.value - found.sure > SEEN


# ---------------------------------------------------------------- what must be let pass
@pytest.mark.parametrize("seed", [7, 21, 22, 23, 24])
def test_narrower_stars_and_calmed_colour_are_no_alarm(seed):
    _, plain, result = make(seed)
    found = worst(result, plain)
    assert found.value - found.sure < SEEN / 2
    assert worst(plain, plain).value == 0


@pytest.mark.parametrize("amount", [0.4, 2.0, 2.5])
def test_saturation_that_was_asked_for_is_no_alarm(made, amount):
    _, plain, result = made

    def saturated(picture):
        planes = linear_to_oklab(decode_srgb(picture))
        planes[..., 1:] *= amount
        return encode_srgb(map_gamut(planes))

    richer = changed(result, saturated)
    asked = replace(richer, saturation=amount, star_saturation=amount)
    found = worst(asked, plain)
    assert found.value - found.sure < SEEN
    assert worst(richer, plain).value > found.value + 1


def test_a_cast_of_the_whole_sky_is_left_to_the_skys_own_measures(made):
    _, plain, result = made
    found = worst(changed(result, lambda p: p + np.float32([0, 0, 0.02])), plain)
    assert found.value - found.sure < SEEN


def test_a_gradient_in_both_is_no_alarm(made):
    _, plain, result = made
    slope = np.linspace(-0.03, 0.03, 384, dtype=np.float32)[None, :, None] * np.float32([1, 0, -1])
    tilted = replace(changed(result, lambda p: p + slope), colour=plain.colour + slope)
    found = worst(tilted, plain)
    assert found.value - found.sure < SEEN / 2


def test_hot_pixels_of_the_stack_are_no_alarm(made):
    _, plain, result = made
    hot = plain.colour.copy()
    rng = np.random.default_rng(3)
    hot[tuple(rng.integers(0, 384, (2, 60)))] = (0, 1, 0)
    assert worst(replace(result, colour=hot), plain).value - worst(result, plain).value < 0.3


def test_the_interval_is_that_of_the_noise_at_the_worst_of_all_places():
    """A picture without any noise against its noisy stack: 40 draws stay within the interval but for one or two."""
    scene = scenes.make_scene(31, size=256, stars=16, brightness=1e-6)
    outside = 0
    curve = scenes.make_curve(scenes.draw_stack(scene, {0: 1}, fwhm={0: 3.5}), scene)
    for trial in range(40):
        stack = scenes.draw_stack(scene, {0: 1}, fwhm={0: 3.5}, trial=trial)
        plain = scenes.make_subject("plain", scene, stack, curve=curve)
        plain = replace(plain, colour_a=plain.half_a, colour_b=plain.half_b, stars=scene.stars[:0], sky=np.ones_like(scene.sky))
        still = np.full_like(plain.picture, scenes.SKY_CODE)
        found = worst(replace(plain, name="still", picture=still, half_a=still, half_b=still), plain)
        outside += found.value > found.sure
        assert found.sure < 3
    assert outside <= 4


def test_without_half_sets_the_skys_scatter_serves(made):
    _, plain, result = made
    bare = replace(result, half_a=None, half_b=None)
    assert worst(bare, plain).value - worst(bare, plain).sure < SEEN
    found = worst(replace(with_disc(result, 60, 330, 25, (0, 0, 0.04)), half_a=None), plain)
    assert found.value - found.sure > SEEN


def test_any_layout_and_precision_of_the_arrays_serves(made):
    _, plain, result = made
    turned = replace(result, picture=np.asfortranarray(result.picture[::-1].astype(float))[::-1])
    assert worst(turned, plain).value == pytest.approx(worst(result, plain).value, rel=1e-3)


def test_places_without_data_have_no_say(made):
    _, plain, result = made
    empty = plain.colour.copy()
    empty[:40] = np.nan
    picture = result.picture.copy()
    picture[:40] = (0, 0, 0.5)
    found = worst(replace(result, picture=picture, colour=empty), plain)
    assert found.place[1] > 36 and found.value - found.sure < SEEN


def test_reasons(made):
    _, plain, result = made
    ground = common_ground(result, plain)
    for subject, why in (
        (replace(result, curve=None), "recorded stretch"),
        (replace(result, recoloured="a second filter's light was added"), "second filter"),
    ):
        with pytest.raises(CannotMeasureError, match=why):
            local_colour(subject, ground)
    bare = replace(result, colour=None)
    with pytest.raises(CannotMeasureError, match="no colour source"):
        local_colour(bare, common_ground(bare, bare))


def test_smoothing_grows_with_the_stars():
    """A star field seen twice as large gives twice as wide a patch."""
    assert SMOOTH_FWHM == 2
    scene, plain, result = make(7)
    spot = with_disc(result, 60, 330, 12, (0, 0, 0.08))
    narrow = worst(spot, plain)
    wide = local_colour(spot, replace(common_ground(spot, plain), fwhm=2 * common_ground(spot, plain).fwhm))["local colour difference"]
    assert wide.value < 0.8 * narrow.value
    assert scene.seed == 7
