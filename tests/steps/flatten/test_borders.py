"""Borders of finished stacks that nobody marked, against borders that were put in (common practice, no source)."""

import numpy as np
import pytest
import scipy

from layerblend.steps.flatten import dim_border, repeated_border

SIGMA, PEDESTAL, FRAMES = 1.5, 800.0, 24


def _picture(seed: int = 0) -> np.ndarray:
    """Sky of 0, noise, a galaxy that touches the left edge, stars."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:300, :400]
    light = 300 * np.exp(-np.hypot(x - 20, (y - 150) / 0.6) / 25)
    for _ in range(60):
        a, b = rng.uniform(0, 400), rng.uniform(0, 300)
        light = light + 2000 * rng.pareto(2) * np.exp(-((x - a) ** 2 + (y - b) ** 2) / 5)
    return np.stack([light + rng.normal(0, SIGMA, light.shape) for _ in range(3)], -1).astype(np.float32)


def _averaged_as_zeros(image: np.ndarray, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Frames shifted and turned a little, each zero where it has nothing: the picture less its pedestal, and which share is missing."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[: image.shape[0], : image.shape[1]]
    there = np.zeros(image.shape[:2])
    for _ in range(FRAMES):
        left, top, turn = *rng.uniform(-12, 12, 2), rng.uniform(-0.01, 0.01)
        u, v = x - left + turn * (y - 150), y - top - turn * (x - 200)
        there += (u >= 0) & (u < image.shape[1]) & (v >= 0) & (v < image.shape[0])
    share = there / FRAMES
    return ((image + PEDESTAL) * share[..., None] - PEDESTAL).astype(np.float32), 1 - share


def test_a_border_of_zeros_averaged_in_is_found_and_nothing_else() -> None:
    image = _picture()
    assert not dim_border(image, np.full(3, SIGMA)).any()
    dim, missing = _averaged_as_zeros(image)
    border = dim_border(dim, np.full(3, SIGMA))
    assert border[missing > 0.5 / FRAMES].mean() > 0.99
    assert scipy.ndimage.distance_transform_edt(missing == 0)[border].max() < 8
    np.testing.assert_array_equal(dim_border(dim[..., 1], np.full(1, SIGMA)), dim_border(dim[..., 1:2], np.full(1, SIGMA)))


def test_what_is_marked_already_does_not_hide_the_rest() -> None:
    dim, missing = _averaged_as_zeros(_picture(2), 3)
    dim[missing > 0.5] = np.nan
    border = dim_border(dim, np.full(3, SIGMA))
    assert not border[missing > 0.5].any()
    assert border[(missing > 0.5 / FRAMES) & (missing <= 0.5)].mean() > 0.99


def test_beside_wide_marked_corners_a_dim_border_is_found() -> None:
    """A set turned by a third of a right angle: corners without data reach far in."""
    image = _picture(4)
    y, x = np.mgrid[:300, :400]
    inside = 330 - (0.87 * x + 0.5 * y)
    image[inside < 15] -= np.float32(0.2 * PEDESTAL)
    image[inside < 0] = np.nan
    border = dim_border(image, np.full(3, SIGMA))
    assert border[(inside > 0) & (inside < 14)].mean() > 0.99
    assert border[inside > 25].mean() < 0.002  # where it meets the edge of the picture at a sharp angle


@pytest.mark.parametrize("depth", [8.0, 200.0])
def test_dark_places_that_are_no_border_stay(depth: float) -> None:
    """A corner of 20 sigma at most too dark, as a sky badly flattened; a dark cloud inside; a shadow over a quarter of the picture."""
    image = _picture()
    y, x = np.mgrid[:300, :400]
    image -= (8 * SIGMA * np.exp(-np.hypot(x - 399, y) / 40))[..., None].astype(np.float32)
    image -= (depth * (np.hypot(x - 250, y - 150) < 30))[..., None].astype(np.float32)
    image[:, 300:] -= np.float32(depth * SIGMA)
    assert not dim_border(image, np.full(3, SIGMA)).any()


@pytest.mark.parametrize("side", range(4))
def test_rows_that_repeat_are_a_border(side: int) -> None:
    image = _picture()
    turned = np.rot90(image, side)
    turned[:14] = turned[14]
    expected = np.zeros(image.shape[:2], bool)
    np.rot90(expected, side)[:14] = True
    np.testing.assert_array_equal(repeated_border(image), expected)
    np.testing.assert_array_equal(repeated_border(image[..., 0]), expected)
    turned[:12] = np.random.default_rng(0).normal(size=turned[:12].shape)
    assert not repeated_border(image).any()


def test_a_single_row_twice_and_a_picture_of_one_value_are_no_border() -> None:
    image = _picture()
    image[0] = image[1]
    assert not repeated_border(image).any()
    assert not repeated_border(np.ones((40, 50), np.float32)).any()
