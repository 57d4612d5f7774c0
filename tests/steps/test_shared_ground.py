"""Stars of one stack over the ground of another, against light that was put in on one side."""

import numpy as np
import pytest

from layerblend.kinds import Curve
from layerblend.steps.shared_ground import ground_between, without_patches

SIGMA = np.float32(2e-4)
SHAPE = (400, 520, 3)
Y, X = np.mgrid[: SHAPE[0], : SHAPE[1]]
FROM_STAR = np.hypot(X - 300, Y - 180)
NEAR = FROM_STAR < 70
TINT = np.array([0.3, 1.0, 0.1])


def _ground(seed: int) -> np.ndarray:
    galaxy = 0.02 * np.exp(-np.hypot(X - 260, (Y - 200) / 0.6) / 40)
    return (galaxy[..., None] + np.random.default_rng(seed).normal(0, SIGMA, SHAPE)).astype(np.float32)


CURVE = Curve(p=0.002, s=0.003, norm=5.226, sigma=2e-4, target=0.168)


HALO = (1.5e-3 * np.exp(-((FROM_STAR / 45) ** 4)))[..., None] * TINT
RIM = (8e-3 * np.exp(-((FROM_STAR - 12) ** 2) / 4))[..., None] * TINT[::-1]


@pytest.mark.parametrize("light", [HALO, -HALO, HALO + RIM, RIM], ids=["halo", "hole", "both", "rim"])
def test_light_that_one_split_left_goes_to_its_stars(light: np.ndarray) -> None:
    ground, starless = _ground(1), _ground(2)
    with_light = (starless + light).astype(np.float32)
    patches = ground_between(with_light, ground, NEAR, CURVE)
    left = without_patches(with_light, patches) - starless
    assert np.abs(light).max() > 5 * SIGMA
    assert np.std(left[NEAR]) < 0.4 * SIGMA and np.abs(left[NEAR].mean(0)).max() < 0.1 * SIGMA
    far = FROM_STAR > 140
    assert np.abs(left[far]).max() < 1e-9  # no noise changes hands where there is no star


@pytest.mark.parametrize("seed", [11, 21])
def test_single_pixels_of_noise_do_not_go_to_the_stars(seed: int) -> None:
    ground, starless = _ground(seed), _ground(seed + 1)
    with_light = (starless + HALO).astype(np.float32)
    handed = with_light - without_patches(with_light, ground_between(with_light, ground, NEAR, CURVE))
    assert np.abs(handed - HALO)[NEAR].max() < SIGMA  # a black or white dot in the glow of a star had 6


def test_where_both_agree_nothing_changes_hands() -> None:
    ground, starless = _ground(3), _ground(4)
    assert ground_between(starless, ground, NEAR, CURVE) == ()
    assert ground_between(starless, starless, NEAR, CURVE) == ()
    assert without_patches(starless, ()) is starless


def test_light_that_lies_far_from_stars_or_cannot_be_seen_stays() -> None:
    ground, starless = _ground(5), _ground(6)
    elsewhere = np.roll(NEAR, -220, 1)
    assert ground_between((starless + HALO).astype(np.float32), ground, elsewhere, CURVE) == ()
    bright = (ground + 0.5).astype(np.float32)
    assert ground_between((bright + HALO).astype(np.float32), bright, NEAR, CURVE) == ()


def test_gaps_stay_gaps_and_lie_in_no_patch() -> None:
    ground, starless = _ground(7), (_ground(8) + HALO).astype(np.float32)
    starless[:, 320:] = np.nan
    ground[:100] = np.nan
    patches = ground_between(starless, ground, NEAR, CURVE)
    assert patches and all(np.isfinite(patch.light).all() for patch in patches)
    np.testing.assert_array_equal(np.isnan(without_patches(starless, patches)), np.isnan(starless))


def test_two_places_are_handed_over_once_each() -> None:
    ground, starless = _ground(9), _ground(10)
    second = np.roll(RIM, (120, -180), (0, 1))
    near = NEAR | np.roll(NEAR, (120, -180), (0, 1))
    patches = ground_between((starless + RIM + second).astype(np.float32), ground, near, CURVE)
    total = np.zeros(SHAPE[:2], int)
    for patch in patches:
        height, width = patch.light.shape[:2]
        total[patch.top : patch.top + height, patch.left : patch.left + width] += patch.light.any(-1)
    assert len(patches) == 2 and total.max() == 1


def test_what_two_skies_differ_by_is_no_stars_light() -> None:
    """Nights of another moon: a sky that bends and grows toward a corner; small stars all over, one of them with a halo of its own."""
    ground, starless = _ground(11), _ground(12)
    u, v = X / SHAPE[1] - 0.5, Y / SHAPE[0] - 0.5
    sky = (12 * SIGMA * (u * v + 0.5 * v + 2 * np.exp(-np.hypot(X - SHAPE[1], Y) / 80)))[..., None]
    place = np.random.default_rng(13)
    small = np.zeros(SHAPE[:2], bool)
    for x, y in zip(place.integers(0, SHAPE[1], 80), place.integers(0, SHAPE[0], 80), strict=True):
        small |= np.hypot(X - x, Y - y) < 8
    assert ground_between((starless + sky).astype(np.float32), ground, small, CURVE) == ()
    sky /= 6
    patches = ground_between((starless + sky + HALO).astype(np.float32), ground, small | NEAR, CURVE)
    left = without_patches((starless + sky + HALO).astype(np.float32), patches) - starless - sky
    assert np.std(left[NEAR]) < 0.5 * SIGMA and np.abs(left[NEAR].mean(0)).max() < 0.3 * SIGMA
