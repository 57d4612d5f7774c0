"""The demo's truth: stars where and as bright as the catalogue says."""

import numpy as np
import pytest

from layerblend.demo.scenario import load_scenario
from layerblend.demo.truth import MARGIN, Truth, simulate_truth, sky_light, truth_images
from layerblend.errors import ArgumentError
from layerblend.maths.blackbody import blackbody_rgb

SIZE = (200, 150)


@pytest.fixture(scope="module")
def truth() -> Truth:
    return simulate_truth(load_scenario(), SIZE, 5)


def test_shapes_and_reproducibility(truth: Truth) -> None:
    assert truth.starless.shape == (SIZE[1] + 2 * MARGIN, SIZE[0] + 2 * MARGIN, 3)
    assert truth.sky.shape == (SIZE[1], SIZE[0], 3)
    assert {a.dtype for a in (truth.starless, truth.sky)} == {np.dtype(np.float32)}
    again = simulate_truth(load_scenario(), SIZE, 5)
    np.testing.assert_array_equal(truth.catalogue, again.catalogue)
    np.testing.assert_array_equal(truth.starless, again.starless)
    assert not np.array_equal(truth.catalogue, simulate_truth(load_scenario(), SIZE, 6).catalogue)


def test_the_star_picture_holds_the_light_of_the_catalogue(truth: Truth) -> None:
    stars = truth_images(truth)["stars"]
    inside = truth.catalogue[
        (truth.catalogue["x"] > 4)
        & (truth.catalogue["x"] < SIZE[0] - 5)
        & (truth.catalogue["y"] > 4)
        & (truth.catalogue["y"] < SIZE[1] - 5)
    ]
    for channel, name in enumerate("rgb"):
        total = stars[..., channel].sum(dtype=np.float64) / truth.unit
        assert total == pytest.approx(inside[name].sum(), rel=0.03)


def test_stars_lie_on_the_blackbody_locus_of_the_camera(truth: Truth) -> None:
    response = np.array(load_scenario().camera.response)
    colours = np.stack([truth.catalogue[name] for name in "rgb"], 1) / response
    np.testing.assert_allclose(colours / colours[:, 1:2], blackbody_rgb(truth.catalogue["kelvin"]), rtol=1e-9)
    assert (np.diff(truth.catalogue["g"]) <= 0).all()


def test_a_star_stands_where_the_catalogue_says(truth: Truth) -> None:
    stars = truth_images(truth)["stars"][..., 1]
    brightest = truth.catalogue[0]
    x, y = round(brightest["x"]), round(brightest["y"])
    window = stars[y - 3 : y + 4, x - 3 : x + 4].astype(float)
    dy, dx = np.mgrid[-3:4, -3:4]
    assert x + (window * dx).sum() / window.sum() == pytest.approx(brightest["x"], abs=0.05)
    assert y + (window * dy).sum() / window.sum() == pytest.approx(brightest["y"], abs=0.05)


def test_pictures_are_in_linear_light_of_one_frame(truth: Truth) -> None:
    images = truth_images(truth)
    assert set(images) == {"starless", "stars", "sky"}
    for image in images.values():
        assert image.shape == (SIZE[1], SIZE[0], 3)
        assert image.dtype == np.float32
    scenario = load_scenario()
    adu = truth.sky * scenario.exposure_s / scenario.camera.electrons_per_adu
    np.testing.assert_allclose(images["sky"], adu / 65535, rtol=1e-5)


def test_the_sky_brightens_towards_the_town_and_the_moon() -> None:
    dark, moon = load_scenario().nights[0], load_scenario().nights[2]
    sky = sky_light(dark, 40, 60, hour_share=0.5)
    turn = np.deg2rad(dark.direction)
    towards = sky[39 if np.sin(turn) > 0 else 0, 59 if np.cos(turn) > 0 else 0]
    away = sky[0 if np.sin(turn) > 0 else 39, 0 if np.cos(turn) > 0 else 59]
    assert (towards > away).all()
    np.testing.assert_allclose(sky[20, 30], dark.sky, rtol=0.02)
    glow = sky_light(moon, 40, 60, hour_share=0.5) / np.array(moon.sky)
    corner = glow[round(39 * moon.moon_corner[1]), round(59 * moon.moon_corner[0])]
    assert corner[2] - glow[39, 0, 2] > corner[0] - glow[39, 0, 0]  # moonlight is bluest


def test_sizes_are_checked() -> None:
    with pytest.raises(ArgumentError, match="width"):
        simulate_truth(load_scenario(), (10, 100))
