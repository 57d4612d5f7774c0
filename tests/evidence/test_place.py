"""Two pictures lie on each other, or that they do not is said."""

import re

import cv2
import numpy as np
import pytest

from layerblend.evidence.place import place_fault

NAMES = ("mine", "theirs")


def field(seed: int, *, fwhm: float = 3.0, noise: float = 0.01, gain: float = 1.0) -> np.ndarray:
    """Stars on a display picture's sky, with noise of their own."""
    places = np.random.default_rng(seed)
    light = np.zeros((240, 300), np.float32)
    rows, columns = places.integers(10, 230, 60), places.integers(10, 290, 60)
    light[rows, columns] = 20 * places.random(60) ** 2 + 1
    stars = 1 - np.exp(-gain * cv2.GaussianBlur(light, (0, 0), fwhm / 2.355))
    grain = noise * np.random.default_rng(seed + 1000 + int(10 * fwhm)).standard_normal((240, 300, 3))
    return (0.12 + 0.8 * stars[..., None] + grain).astype(np.float32)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_another_stretch_other_noise_and_wider_stars_lie_where_they_lay(seed: int) -> None:
    mine = field(seed)
    for theirs in (mine, field(seed, fwhm=4.2), field(seed, gain=0.4, noise=0.02), field(seed, noise=0.03)):
        assert place_fault(mine, theirs, NAMES) == ""
    assert place_fault(mine, np.roll(mine, 1, 1)[..., 0], NAMES) == ""  # one pixel is no fault, nor is grey


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_shifted_picture_is_told_with_its_shift(seed: int) -> None:
    said = place_fault(field(seed), np.roll(field(seed, fwhm=3.5), (-2, 3), (0, 1)), NAMES)
    found = re.match(r"`theirs` lies beside `mine`, ([\d.]+) px to the right and ([\d.]+) px up", said)
    assert found is not None
    np.testing.assert_allclose([float(found[1]), float(found[2])], [3, 2], atol=0.2)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_mirrored_turned_and_foreign_pictures_are_told(seed: int) -> None:
    mine = field(seed)
    for theirs in (mine[::-1], mine[:, ::-1], mine[::-1, ::-1], field(seed + 50)):
        assert place_fault(mine, np.ascontiguousarray(theirs), NAMES).startswith("`theirs` does not lie on `mine`")


def test_of_empty_pictures_nothing_is_told() -> None:
    assert place_fault(np.full((60, 80, 3), 0.12, np.float32), field(1)[:60, :80], NAMES) == ""
