"""What two results are compared on."""

from dataclasses import replace

import numpy as np
import pytest

from layerblend.errors import ArgumentError
from layerblend.evidence.ground import common_ground, find_stars, lightness, star_discs
from tests.scenes import evidence as scenes

FWHM = {0: 3.0, 1: 4.0}


@pytest.fixture(scope="module")
def pair():
    scene = scenes.make_scene(3, size=256, stars=36)
    plain = scenes.draw_stack(scene, {0: 1, 1: 1}, fwhm=FWHM)
    sharp = scenes.draw_stack(scene, {0: 1}, fwhm=FWHM)
    curve = scenes.make_curve(plain, scene)
    return scene, scenes.make_subject("sharp", scene, sharp, curve=curve), scenes.make_subject("plain", scene, plain, curve=curve)


def test_sky_is_free_of_stars_and_target(pair):
    scene, a, b = pair
    ground = common_ground(a, b)
    assert not (ground.sky & ground.star_mask).any()
    assert not (ground.sky & scene.target).any()
    assert ground.from_halves and ground.linear
    assert len(ground.shape_stars) >= 8


def test_different_sizes_are_refused_by_name(pair):
    _, a, b = pair
    with pytest.raises(ArgumentError, match=r"`sharp` is 256 x 256 px and `plain` 256 x 200"):
        common_ground(a, replace(b, picture=b.picture[:200]))


def test_clipped_and_saturated_stars_are_left_out(pair):
    _, a, b = pair
    ground = common_ground(a, b)
    x, y = ground.stars[ground.shape_stars[0], :2].round().astype(int)
    marked = np.zeros(a.picture.shape[:2], bool)
    marked[y, x] = True
    less = common_ground(replace(a, saturated=marked), b)
    assert ground.shape_stars[0] not in less.shape_stars
    white = a.picture.copy()
    white[y - 1 : y + 2, x - 1 : x + 2] = 1.0
    assert ground.shape_stars[0] not in common_ground(a, replace(b, picture=white)).shape_stars


def test_pictures_without_anything_get_stars_and_sky_of_their_own(pair):
    scene, a, b = pair
    bare = [replace(s, stars=None, sky=None, target=None, linear=None) for s in (a, b)]
    ground = common_ground(*bare)
    assert any("star list" in w for w in ground.words) and any("sky mask" in w for w in ground.words)
    assert not ground.linear
    found = ground.stars[:, :2]
    bright = scene.stars[:15, :2]
    gap = np.hypot(*(bright[:, None] - found[None]).transpose(2, 0, 1)).min(1)
    assert np.mean(gap < 1.5) > 0.8
    assert np.mean(scene.target[ground.sky]) < 0.05


def test_star_discs_grow_with_brightness_and_come_from_the_list_alone():
    stars = np.array([[50.0, 50, 1000, 100], [150, 50, 1, 0.1]])
    mask = star_discs((100, 200), stars, 3.0)
    assert mask[:, :100].sum() > 2 * mask[:, 100:].sum() > 0
    assert not star_discs((100, 200), stars[:0], 3.0).any()


def test_lightness_of_mono_and_colour(pair):
    _, a, _ = pair
    grey = a.picture.mean(2)
    np.testing.assert_allclose(lightness(grey), lightness(np.repeat(grey[..., None], 3, 2)), atol=1e-3)


def test_no_stars_in_an_empty_picture():
    assert len(find_stars(np.full((64, 64), 30, np.float32))) == 0
