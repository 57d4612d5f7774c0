"""The star layer: its colour, its ground, the gate between two stacks' stars."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.ndimage import binary_dilation, gaussian_filter

from layerblend.chain.picture import Base, join
from layerblend.chain.starlight import _near_stars, covered_share, full_starlight, star_light
from layerblend.kinds import working_luminance
from layerblend.maths.curve import stretch, unstretch
from layerblend.steps.split import Split
from tests.scenes.frames import add_star
from tests.scenes.layers import CURVE, SHAPE, as_stack, plain_split, round_stars, split_of_one_star, star_field


def test_a_halo_keeps_its_stars_colour_though_the_sharp_stacks_split_found_another_ground() -> None:
    """A ground that is off by a pixel's noise in one channel tints a halo, since the curve is steepest near the sky."""
    yy, xx = np.mgrid[: SHAPE[0], : SHAPE[1]]
    radius, colour = np.hypot(yy - 60, xx - 80), np.array([1.0, 0.8, 0.55])
    star = ((1 + radius**2 / 9) ** -1.5)[..., None] * colour
    ground = np.full_like(star, 1e-4)
    light = (star + ground).astype(np.float32)
    off = (ground + np.array([0, 1e-4, -2e-4]) * (radius < 60)[..., None]).astype(np.float32)
    splits = [replace(plain_split(light), starless=starless, stars=light - starless) for starless in (off, ground.astype(np.float32))]
    rest = {"sigma": np.full_like(light, 2e-4), "gate": 3, "repair": False, "saturation": 1, "size": 1}
    made = star_light(light, splits[0], as_stack(light), round_stars(2.8), light, splits[1], CURVE, **rest)
    picture = join(Base(stretch(splits[1].starless, CURVE), None), made, mode="screen", amount=1)
    back, wing = unstretch(picture, CURVE) - ground, (radius > 14) & (radius < 24)
    assert (star[wing] > 4e-4).all() and (star[wing] < 1.2e-2).all()
    np.testing.assert_allclose((back / star)[wing].mean(0), 1, atol=0.02)
    np.testing.assert_allclose(back[radius < 2], star[radius < 2], rtol=1e-3)


@pytest.mark.parametrize("whole", [False, True])
def test_a_halo_that_one_split_left_in_its_ground_is_shown_once(whole: bool) -> None:
    """The sharp stack's split takes the galaxy round a bright star for its halo: over the colour stack's ground it would be there twice."""
    yy, xx = np.mgrid[:300, :300]
    radius = np.hypot(yy - 150, xx - 150)
    star = ((1 + radius**2 / 9) ** -3.0)[..., None] * np.array([1.0, 0.8, 0.55])
    galaxy = (4e-3 * np.exp(-((radius / 50) ** 4)))[..., None] * np.array([0.3, 1.0, 0.3])
    noise = np.random.default_rng(1).normal(0, 1e-4, (2, *star.shape))
    sharp, deep = ((star + galaxy + error).astype(np.float32) for error in noise)
    mask = radius < 80
    splits = [
        Split(ground.astype(np.float32), (light - ground).astype(np.float32), mask, np.zeros(0), {})
        for light, ground in ((sharp, noise[0]), (deep, galaxy + noise[1]))
    ]
    rest: dict[str, Any] = {"gate": 0, "repair": False, "saturation": 1, "size": 1}
    made = star_light(sharp, splits[0], as_stack(sharp), round_stars(2.8), deep, splits[1], CURVE, **rest)
    assert made.handed
    few = as_stack(sharp, count=np.full(radius.shape, 5, np.uint16), n_frames=10)  # where frames end, skies step: no light of stars
    assert not star_light(sharp, splits[0], few, round_stars(2.8), deep, splits[1], CURVE, **rest).handed
    if whole:  # a half-set is given the same light
        made = star_light(sharp, splits[0], as_stack(sharp), round_stars(2.8), deep, splits[1], CURVE, whole=made, **rest)
    picture = join(Base(stretch(splits[1].starless, CURVE), None), made, mode="screen", amount=1)
    back = unstretch(picture, CURVE)
    place = (radius > 20) & (radius < 40)
    np.testing.assert_allclose(back[place].mean(0), (star + galaxy)[place].mean(0), rtol=0.03)
    np.testing.assert_allclose(back[radius < 2], sharp[radius < 2], rtol=1e-3)


def test_where_few_frames_lie_the_colour_stacks_stars_serve() -> None:
    count = np.full((40, 60, 3), 9, np.int16)
    count[:, :12] = 1
    share = covered_share(count, 9)
    assert share[:, :10].max() == 0 and share[:, 20:].min() == 1
    assert covered_share(np.full((4, 5), 2, np.int16), 2).min() == 1  # a stack of two frames is used all the same


def test_a_star_shows_one_colour_where_debayering_gave_its_middle_another() -> None:
    yy, xx = np.mgrid[: SHAPE[0], : SHAPE[1]]
    radius, colour = np.hypot(yy - 60, xx - 80), np.array([0.5, 0.9, 1.7])
    star = (0.2 * (1 + radius**2 / 9) ** -3.0)[..., None] * colour
    star[radius < 1.2] = (star[radius < 1.2] @ [0.25, 0.5, 0.25])[:, None]
    light = star.astype(np.float32)
    source = np.array([(80, 60, star.sum((0, 1)), star.max((0, 1)), "")], "f4,f4,(3,)f4,(3,)f4,U8")
    source.dtype.names = ("x", "y", "flux", "peak", "kept")
    split = Split(np.zeros_like(light), light, radius < 30, source, {})
    rest: dict[str, Any] = {"gate": 0, "saturation": 1, "size": 1}
    pale, one = (
        unstretch(star_light(light, split, as_stack(light), round_stars(2.8), light, split, CURVE, repair=repair, **rest).layer, CURVE)
        for repair in (False, True)
    )
    middle, beside = radius < 1.2, (radius > 2) & (radius < 4)
    ratio = [float((layer[where][:, 2] / layer[where][:, 0]).mean()) for layer in (pale, one) for where in (middle, beside)]
    assert ratio[0] < 0.6 * ratio[1] and ratio[2] == pytest.approx(ratio[3], rel=0.15)


def test_borders_that_some_frames_do_not_reach_are_not_compared_near_stars() -> None:
    image = star_field(stars=4)
    count = np.full(image.shape, 10, np.uint16)
    count[:, :30] = 6
    split = SimpleNamespace(mask=np.ones(image.shape[:2], bool))
    near = _near_stars(split, split, replace(as_stack(image), count=count, n_frames=10))
    assert not near[:, :25].any() and near[:, 40:].all()
    assert _near_stars(split, split, replace(as_stack(image), count=None)).all()


def test_stars_laid_over_their_own_starless_picture_give_the_picture() -> None:
    light = star_field()
    starless = (light * 0.2).astype(np.float32)
    split = replace(plain_split(light), starless=starless, stars=light - starless)
    stars = round_stars(2.8)
    layer = star_light(light, split, as_stack(light), stars, light, split, CURVE, gate=0, repair=False, saturation=1, size=1)
    picture = join(Base(stretch(starless, CURVE), None), layer, mode="screen", amount=1)
    np.testing.assert_allclose(picture, stretch(light, CURVE), atol=2e-6)
    assert layer.gate is None


def test_a_mono_star_stack_takes_its_colour_from_the_colour_stack_clipped_cores_too() -> None:
    yy, xx = np.mgrid[: SHAPE[0], : SHAPE[1]]
    profile, colour = (1 + ((yy - 60) ** 2 + (xx - 80) ** 2) / 9) ** -2.5, np.float32([1.5, 1.0, 0.5])
    star = (profile[..., None] * colour).astype(np.float32)
    grey = np.repeat(working_luminance(star)[..., None], 3, 2)
    cut = np.minimum(star, 0.4)
    splits = [split_of_one_star(light, 80, 60) for light in (grey, cut)]
    mono, coloured = as_stack(grey[..., 0]), as_stack(cut, saturated=(star.max(2) > 0.4).astype(np.float32))
    rest = {"gate": 3.0, "repair": True, "saturation": 1.0, "size": 1.0}
    sigma = np.full_like(grey, 1e-4)
    made = full_starlight(splits[0], mono, round_stars(4), splits[1], coloured, sigma, CURVE, **rest)
    picture = join(Base(stretch(np.zeros_like(star), CURVE), None), made, mode="screen", amount=1)
    back = unstretch(picture, CURVE)
    for place in (profile > 0.8, (profile > 0.05) & (profile < 0.2)):
        ratio = back[place] / back[place].mean(1, keepdims=True)
        np.testing.assert_allclose(ratio.mean(0), colour, atol=0.08)


def test_filters_of_unlike_seeing_give_a_mono_star_stack_no_rings_of_colour() -> None:
    """Red 3, green 4, blue 5 px wide: the star's middle is red and its rim blue, and a star of 3 px shows both."""
    yy, xx = np.mgrid[: SHAPE[0], : SHAPE[1]]
    square = (yy - 60) ** 2 + (xx - 80) ** 2
    profiles = [(1 + square / (1.7 * width**2 / 4)) ** -2.5 / width**2 for width in (3.0, 4.0, 5.0)]
    colour = np.stack(profiles, -1).astype(np.float32)
    grey = np.repeat(profiles[0].astype(np.float32)[..., None], 3, 2)
    splits = [split_of_one_star(light, 80, 60) for light in (grey, colour)]
    rest = {"gate": 3.0, "repair": True, "saturation": 1.0, "size": 1.0}
    sigma = np.full_like(grey, 1e-5)
    made = full_starlight(splits[0], as_stack(grey[..., 0]), round_stars(3), splits[1], as_stack(colour), sigma, CURVE, **rest)
    back = unstretch(join(Base(stretch(np.zeros_like(grey), CURVE), None), made, mode="screen", amount=1), CURVE)
    middle, rim = (back[place].mean(0) for place in (square < 2, (square > 6) & (square < 14)))
    whole = colour.sum((0, 1))
    assert 0.75 < middle[0] / middle[2] / (whole[0] / whole[2]) < 1.33
    assert 0.75 < middle[0] / middle[2] / (rim[0] / rim[2]) < 1.33  # 2.2 without one colour for each star


def test_under_the_gate_the_deep_stack_serves() -> None:
    sharp, deep = star_field(seed=5), star_field(seed=6)
    nothing = np.zeros_like(sharp)
    splits = [replace(plain_split(light), starless=nothing, stars=light) for light in (sharp, deep)]
    sigma, stars, rest = np.full_like(sharp, 3e-4), round_stars(2.8), {"repair": False, "saturation": 1, "size": 1}
    made = star_light(sharp, splits[0], as_stack(sharp), stars, deep, splits[1], CURVE, sigma=sigma, gate=3, **rest)
    bright, light = working_luminance(deep) > 0.05, np.maximum(working_luminance(sharp), working_luminance(deep))
    sky = ~binary_dilation(gaussian_filter(light, 1) > 2.5e-4, np.ones((3, 3)), iterations=8)
    assert made.gate is not None and made.gate.light[bright].min() == 1
    own, other = (
        star_light(light, split, as_stack(light), stars, light, split, CURVE, gate=0, **rest).layer
        for light, split in zip((sharp, deep), splits, strict=True)
    )
    np.testing.assert_array_equal(made.layer[bright], own[bright])
    assert sky.sum() > 500 and made.gate.light[sky].max() == 0
    np.testing.assert_allclose(made.layer[sky], other[sky], atol=1e-6)


@pytest.mark.parametrize(("height", "error"), [(8, 0.025), (20, 0.015), (100, 0.01)])
def test_the_gate_neither_makes_nor_takes_star_light(height: float, error: float) -> None:
    """A sharp core inside the wings of the wider star would have some 7 % too much light, more where the star is faint."""
    noise, yy, xx = 2e-4, *np.mgrid[: SHAPE[0], : SHAPE[1]]
    sharp, deep = np.zeros((2, *SHAPE, 3), np.float32)
    for x, y in ((40.3, 35.0), (120.0, 40.4), (80.2, 60.3), (35.0, 90.1), (125.4, 85.0)):
        for light, fwhm in ((sharp, 2.6), (deep, 3.4)):
            star = (1 + ((xx - x) ** 2 + (yy - y) ** 2) / (fwhm / 2 / np.sqrt(2 ** (1 / 4) - 1)) ** 2) ** -4.0
            light += (height * noise * 2.6**2 / fwhm**2 * star)[..., None].astype(np.float32)  # equal flux (Moffat 1969)
    ground = np.full_like(sharp, 1e-4)
    splits = [replace(plain_split(light), starless=ground, stars=light) for light in (sharp, deep)]
    rest = {"sigma": np.full_like(sharp, noise), "gate": 3, "repair": False, "saturation": 1, "size": 1}
    made = star_light(sharp + ground, splits[0], as_stack(sharp), round_stars(2.6), deep + ground, splits[1], CURVE, **rest)
    back = unstretch(join(Base(stretch(ground, CURVE), None), made, mode="screen", amount=1), CURVE) - ground
    assert back.sum() == pytest.approx(deep.sum(), rel=error)
    assert made.gate is not None and made.gate.light.max() == 1 and made.gate.light.min() == 0


@pytest.mark.parametrize("missing", ["sharp", "deep"])
def test_a_star_that_only_one_split_took_away_is_neither_lost_nor_counted_twice(missing: str) -> None:
    noise, ground, stars = 2e-4, 1e-4, np.zeros((2, *SHAPE, 3), np.float32)
    places = ((40, 40), (110, 70), (49, 46))  # the last is in doubt: between noise and certainty, and beside another
    for plane, fwhm in zip(stars, (2.6, 3.4), strict=True):
        for (x, y), flux in zip(places, (0.3, 0.1, 0.06), strict=True):
            add_star(plane, x, y, flux * np.ones(3), fwhm)
    doubt = np.zeros((2, *SHAPE, 3), np.float32)
    for plane, fwhm in zip(doubt, (2.6, 3.4), strict=True):
        add_star(plane, *places[2], 0.06 * np.ones(3), fwhm)
    left = [doubt[0] if missing == "sharp" else 0, doubt[1] if missing == "deep" else 0]
    starless = [np.full((*SHAPE, 3), ground, np.float32) + rest for rest in left]
    light = [np.asarray(plane + ground, np.float32) for plane in stars]
    splits = [replace(plain_split(whole), starless=rest, stars=whole - rest) for whole, rest in zip(light, starless, strict=True)]
    rest = {"sigma": np.full_like(light[0], noise), "gate": 3, "repair": False, "saturation": 1, "size": 1}
    made = star_light(light[0], splits[0], as_stack(light[0]), round_stars(2.6), light[1], splits[1], CURVE, **rest)
    back = unstretch(join(Base(stretch(starless[1], CURVE), None), made, mode="screen", amount=1), CURVE) - ground
    for (x, y), flux in zip(places, (0.3, 0.1, 0.06), strict=True):
        spot = np.s_[y - 4 : y + 5, x - 4 : x + 5, 1]
        # what a star in doubt holds beyond its disc may be lost
        assert back[spot].sum() == pytest.approx(stars[1][spot].sum(), rel=0.15), (x, y, flux)
    assert back[70, 110, 1] == pytest.approx(stars[0][70, 110, 1], rel=0.02)  # the others are the sharp stack's
