"""A star has one colour, whatever debayering made of it."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from layerblend.maths.moffat import moffat_image
from layerblend.maths.noise import Y_WEIGHTS
from layerblend.steps.star_colour import even_colours

SIZE, FWHM = 61, 3.0
CATALOGUE = [("x", "f4"), ("y", "f4"), ("flux", "f4", (3,)), ("peak", "f4", (3,)), ("kept", "U8")]


def debayered(light: np.ndarray) -> np.ndarray:
    """Mean of the four ways in which a Bayer sensor can lie under the picture, each filled by its neighbours' means."""
    kernel = np.array([[1, 2, 1], [2, 4, 2], [1, 2, 1]], np.float32)
    whole = np.zeros_like(light)
    for dy, dx in ((0, 0), (0, 1), (1, 0), (1, 1)):
        where = np.zeros(light.shape, np.float32)
        where[dy::2, dx::2, 0] = where[1 - dy :: 2, dx::2, 1] = where[dy::2, 1 - dx :: 2, 1] = where[1 - dy :: 2, 1 - dx :: 2, 2] = 1
        blurred = [cv2.filter2D(plane, -1, kernel, borderType=cv2.BORDER_REFLECT_101) for plane in (light * where, where)]
        whole += np.where(where > 0, light, blurred[0] / blurred[1]) / 4
    return whole


def field(stars: list[tuple[float, float, float, tuple[float, float, float]]]) -> tuple[np.ndarray, np.ndarray]:
    """Light of stars at x, y with a peak and a colour, and the catalogue of them."""
    light = np.zeros((SIZE, SIZE, 3), np.float32)
    rows = np.zeros(len(stars), CATALOGUE)
    for row, (x, y, peak, colour) in zip(rows, stars, strict=True):
        one = moffat_image((SIZE, SIZE), FWHM, 3.0, x=x, y=y)
        one = peak / one.max() * one
        light += one[..., None] * np.array(colour, np.float32)
        row["x"], row["y"], row["flux"], row["peak"] = x, y, one.sum() * np.array(colour), peak * np.array(colour)
    return light, rows


def colour_error(image: np.ndarray, colour: tuple[float, float, float], x: float, y: float, reach: float) -> float:
    """Light in a wrong colour over all light within ``reach`` px."""
    there = np.hypot(*(np.mgrid[:SIZE, :SIZE] - np.array([y, x])[:, None, None])) < reach
    light = image[there].astype(float)
    luminance = light @ Y_WEIGHTS
    true = luminance[:, None] * np.array(colour) / (np.array(colour) @ Y_WEIGHTS)
    return float(np.abs(light - true).sum() / luminance.sum())


@pytest.mark.parametrize("colour", [(0.3, 0.8, 1.6), (2.0, 1.0, 0.2)])
@pytest.mark.parametrize("peak", [0.3, 8.0])
def test_debayered_star_of_strong_colour_gets_one_colour(colour: tuple[float, float, float], peak: float) -> None:
    light, catalogue = field([(30.2, 29.7, peak, colour)])
    image, ground = debayered(light), np.full_like(light, 0.01)
    out = even_colours(image + ground, ground, catalogue, FWHM) - ground
    before, after = (colour_error(p, colour, 30.2, 29.7, 1.6 * FWHM) for p in (image, out))
    assert before > 0.09 and after < 0.4 * before
    np.testing.assert_allclose(out @ np.array(Y_WEIGHTS), image @ np.array(Y_WEIGHTS), atol=1e-5 * peak)
    np.testing.assert_allclose(out.sum((0, 1)), image.sum((0, 1)), rtol=0.02)
    np.testing.assert_array_equal(out[:8], (image + ground)[:8] - ground[:8])


def test_a_star_of_one_colour_stays_as_it_is() -> None:
    light, catalogue = field([(30.2, 29.7, 0.5, (0.7, 1.0, 1.2))])
    np.testing.assert_allclose(even_colours(light, np.zeros_like(light), catalogue, FWHM), light, atol=1e-6)


def test_a_pair_of_two_colours_and_a_faint_neighbour_keep_theirs() -> None:
    red, blue = (1.6, 1.0, 0.3), (0.4, 1.0, 1.5)
    pair, rows = field([(28.0, 30.0, 0.5, red), (32.5, 30.0, 0.4, blue)])
    np.testing.assert_array_equal(even_colours(pair, np.zeros_like(pair), rows, FWHM), pair)
    beside, rows = field([(28.0, 30.0, 0.5, red), (34.0, 30.0, 0.05, blue)])
    out = even_colours(beside, np.zeros_like(beside), rows, FWHM)
    before, after = (colour_error(p, blue, 34.0, 30.0, 1.0) for p in (beside, out))
    assert after < before + 0.02
    assert colour_error(out, red, 28.0, 30.0, 2.0) < 0.05


def test_kept_sources_mono_pictures_and_places_without_data_stay() -> None:
    light, rows = field([(30.2, 29.7, 0.5, (0.3, 0.8, 1.6))])
    image, none = debayered(light), np.zeros_like(light)
    rows["kept"] = "colour"
    np.testing.assert_array_equal(even_colours(image, none, rows, FWHM), image)
    rows["kept"] = ""
    gap = image.copy()
    gap[31, 31] = np.nan
    np.testing.assert_array_equal(even_colours(gap, none, rows, FWHM), gap)
    np.testing.assert_array_equal(even_colours(image[..., 1], none[..., 1], rows, FWHM), image[..., 1])
    assert even_colours(image, none, rows[:0], FWHM).shape == image.shape
