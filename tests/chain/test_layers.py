"""Split, detail, colour and curve: what the deciding stack tells, identities, half-set noise."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from layerblend.chain import layers
from layerblend.chain.layers import (
    colour_layer,
    detail_layer,
    display_curve,
    half_difference,
    luminance_of,
    split_picture,
    star_shape,
    target_mask,
)
from layerblend.chain.starlight import full_starlight
from layerblend.errors import InputError
from layerblend.kinds import Ellipse, Stack, working_luminance
from layerblend.steps.colour import colour_gates
from layerblend.steps.curve import fit_curve
from tests.scenes.layers import CURVE, SHAPE, as_stack, no_sky, plain_split, round_stars, star_field
from tests.scenes.split import make_scene


def test_what_the_deciding_stack_did_not_separate_stays_whole_in_all() -> None:
    light = star_field()
    decides = replace(plain_split(light), checks={"separated": 0.0})
    split = split_picture(light, as_stack(light), round_stars(2.8), decides)
    assert not split.stars.any() and "as in the stack that decides" in split.words[0]
    np.testing.assert_array_equal(split.starless, light)


def test_a_stretched_stack_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: Any, **__: Any) -> None:
        raise InputError("`image` is not linear.", code="stretched")

    monkeypatch.setattr(layers, "split_stars", refuse)
    stack = Stack(mean=np.zeros((4, 4), np.float32), files=("/my/all.tif",))
    with pytest.raises(InputError, match=r"^all\.tif is not linear\.$") as caught:
        split_picture(np.zeros((4, 4, 3), np.float32), stack, None)  # type: ignore[arg-type]
    assert (caught.value.code, caught.value.file) == ("stretched", "/my/all.tif")


def test_half_differences_are_noise_alone() -> None:
    a, b = np.float32([[3, 5]]), np.float32([[1, 9]])
    np.testing.assert_array_equal(half_difference(a, b), [[1, -2]])
    assert half_difference(a, None) is None and luminance_of(None) is None


def test_layers_with_nothing_to_do_are_the_starless_picture() -> None:
    light = star_field()
    split, sigma = plain_split(light), np.full_like(light, 3e-4)
    detail = detail_layer(split, round_stars(3.0), round_stars(3.0), sigma, None, None, deconvolve=0, grain=1)
    np.testing.assert_array_equal(detail.light, working_luminance(light))
    assert not detail.gates.shares and detail.resolved
    colour = colour_layer(split, sigma, None, None, split, sigma, None, None, denoise=0, green_ceiling=False)
    assert colour.image is light and colour.gates is None


def test_stars_too_narrow_to_part_are_left_unsharpened() -> None:
    light = star_field()
    split, sigma = plain_split(light), np.full_like(light, 3e-4)
    detail = detail_layer(split, round_stars(1.2), round_stars(1.2), sigma, None, None, deconvolve=0.5, grain=0.5)
    np.testing.assert_array_equal(detail.light, working_luminance(light))
    assert not detail.resolved


def test_a_sharper_detail_stack_is_deconvolved_as_far_as_the_colour_stack() -> None:
    light = star_field()
    split, sigma = plain_split(light), np.full_like(light, 3e-4)
    made = [detail_layer(split, round_stars(3.0), round_stars(w), sigma, None, None, deconvolve=0.5, grain=0.5) for w in (2.0, 3.0, 3.3)]
    ratios = [detail.gates.sharpener.ratio for detail in made if detail.gates.sharpener is not None]
    assert ratios == pytest.approx([0.7, 0.7, np.sqrt(1 - 0.51 * 1.1**2)])


def test_stars_that_were_not_parted_are_told_to_the_denoising(monkeypatch: pytest.MonkeyPatch) -> None:
    light = star_field()
    untouched, sigma, told = plain_split(light), np.full_like(light, 3e-4), []

    def gates(*arguments: object, **settings: object) -> object:
        told.append(settings["starless"])
        return colour_gates(*arguments, **settings)  # type: ignore[arg-type]

    monkeypatch.setattr(layers, "colour_gates", gates)
    for split in (untouched, replace(untouched, mask=light[..., 1] > np.quantile(light[..., 1], 0.99))):
        colour_layer(split, sigma, None, None, split, sigma, None, None, denoise=1, green_ceiling=False)
    assert told == [False, True]


def test_the_curve_takes_its_noise_from_the_half_sets() -> None:
    """Channels that share noise have a luminance noisier than independent channels would: the half-sets know, the error map does not."""
    rng = np.random.default_rng(2)
    grey = rng.normal(0, 1e-3, (2, *SHAPE, 1)).astype(np.float32)
    halves = [np.repeat(half, 3, 2) for half in grey]
    light = star_field() + (halves[0] + halves[1]) / 2
    sigma = np.full_like(light, 1e-3 / np.sqrt(2))
    sky = no_sky(light)
    curve = display_curve(plain_split(light), sigma, *halves, sky, sky=0.12, bright=0.7, black=10)
    assert curve.sigma == pytest.approx(1e-3 / np.sqrt(2), rel=0.03)
    independent = display_curve(plain_split(light), sigma, None, None, sky, sky=0.12, bright=0.7, black=10)
    assert independent.sigma == pytest.approx(np.sqrt(6) / 4 * 1e-3 / np.sqrt(2), rel=1e-3)
    assert curve == fit_curve(light, sigma=curve.sigma, sky=0.12, bright=0.7, black=10)


def test_the_target_is_the_union_of_the_galaxies_found() -> None:
    sky = no_sky(star_field())
    assert target_mask(sky, SHAPE) is None

    two = replace(sky, targets=(Ellipse(20, 20, 5, 5), Ellipse(100, 60, 9, 4)))
    mask = target_mask(two, SHAPE)
    assert mask is not None and mask[20, 20] and mask[60, 100] and not mask[60, 60]


def test_a_galaxys_clipped_core_has_the_colour_of_its_bulge_and_no_star_layer_takes_it_back() -> None:
    """Clipped at the same level in all channels and balanced, it came out lilac; the bulge's own colour is known here."""
    scene = make_scene(seed=11)
    o, (x, y) = scene.options, scene.centre
    away = np.hypot(*(np.mgrid[: o.height, : o.width] - np.array([y, x])[:, None, None]))
    colour = np.array([1.1, 1.0, 0.7])
    level = np.float32([1.2, 1.0, 1.4])  # one level on the chip, white balance after it
    image = scene.image + (2 * np.exp(-away / 9)[..., None] * colour).astype(np.float32)
    saturated = ((image > level).any(2) | scene.extra["saturated"]).astype(np.float32)
    image = np.minimum(image, level)
    stack = as_stack(image, saturated=saturated)
    shape = star_shape(image, stack)
    split = split_picture(image, stack, shape, grow=1.0, keep_knots=True, keep=(), remove=())
    core = (saturated > 0) & (away < 12)
    assert core.sum() > 50
    assert (
        split.mask[core].all() and split.mask[away < 5 * shape.centre.fwhm].all()
    )  # no detail is made of the edge of a clip and its wings
    shown = split.starless[core].mean(0)
    np.testing.assert_allclose(shown / shown[1], colour, atol=0.05)
    rest = {"gate": 3.0, "repair": True, "saturation": 1.0, "size": 1.0}
    made = full_starlight(split, stack, shape, split, stack, np.full_like(image, scene.extra["sigma0"]), CURVE, **rest)
    assert np.abs(made.layer[core]).max() < 0.02
