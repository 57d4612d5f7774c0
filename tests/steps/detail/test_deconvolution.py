"""Deconvolution: closer to the truth, quieter, without rings, specks or lost light."""

import cv2
import numpy as np
import pytest
from scipy.ndimage import minimum_filter

from layerblend.chain.layers import KEPT_REACH_FWHM
from layerblend.errors import ArgumentError
from layerblend.kinds import working_luminance
from layerblend.maths.moffat import moffat_image
from layerblend.steps.detail import apply_gates, deconvolve, sharpen
from tests.benchmarks.picture import band_figures, detail_gates, luminance_sigma, mad, round_star
from tests.scenes.picture import Scene, draw_scene
from tests.scenes.stars import varying_star


def test_strength_0_with_full_grain_gives_the_input_back(stack) -> None:
    luminance, sigma, half, star = stack
    out = deconvolve(luminance, star, sigma=sigma, half_difference=half, strength=0, grain=1)
    np.testing.assert_array_equal(out, luminance)
    gates = detail_gates(luminance, star, sigma=sigma, half_difference=half, strength=0, grain=1)
    np.testing.assert_allclose(apply_gates(gates, luminance), luminance, atol=1e-6 * np.abs(luminance).max())


def test_closer_to_the_truth_than_the_input_and_quieter(scene: Scene, stack) -> None:
    luminance, sigma, half, star = stack
    truth = working_luminance(scene.seen_at(2.0))
    out = deconvolve(luminance, star, sigma=sigma, half_difference=half)
    place = scene.galaxy
    error = [float(np.sqrt(np.mean(((v - truth) / sigma)[place] ** 2))) for v in (out, luminance)]
    assert error[0] < 0.56 * error[1]  # .565 when it is asked only once what is light
    assert mad(out[scene.sky]) < 0.7 * mad(luminance[scene.sky])
    assert (out < -5 * sigma).sum() == 0
    assert out.sum(dtype=float) == pytest.approx(luminance.sum(dtype=float), rel=0.01)


def test_structure_is_found_by_what_is_alike_nearby(scene: Scene, stack, monkeypatch: pytest.MonkeyPatch) -> None:
    """Signal to noise at 7 to 10 px against one first pass by wide means alone: 1.11 here."""
    luminance, sigma, half, star = stack
    truth = working_luminance(scene.seen_at(2.0))

    def snr() -> float:
        return band_figures(deconvolve(luminance, star, sigma=sigma, half_difference=half, grain=0), truth)[1]

    found = snr()
    monkeypatch.setattr("layerblend.steps.detail.deconvolution.patch_means", lambda plane, _: (plane, np.ones_like(plane)))
    assert found > 1.05 * snr()


def test_noise_beside_knots_makes_no_specks(scene: Scene, stack) -> None:
    """Single pixels darker by .6 sigma than all that is 2 px away: .21 of the input's number, .30 where what noise is left is ignored."""
    luminance, sigma, half, star = stack
    ring = np.ones((5, 5), np.uint8)
    ring[1:4, 1:4] = 0

    def specks(plane: np.ndarray) -> int:
        return int(((cv2.erode(plane, ring) - plane > 0.6 * sigma) & scene.galaxy).sum())

    assert specks(deconvolve(luminance, star, sigma=sigma, half_difference=half, grain=0)) < 0.25 * specks(luminance)


def test_noise_from_the_sky_serves_where_no_halves_are(scene: Scene, stack) -> None:
    luminance, sigma, half, star = stack
    with_halves = deconvolve(luminance, star, sigma=sigma, half_difference=half)
    without = deconvolve(luminance, star, sigma=sigma)
    assert np.abs(with_halves - without)[scene.galaxy].mean() < 0.2 * sigma.mean()


def test_noise_measured_on_the_own_sky_is_none_of_filled_gaps() -> None:
    noise = np.random.default_rng(3).normal(0, 0.001, (260, 260)).astype(np.float32)
    noise[:, :90] = np.nan
    calmed = deconvolve(noise, round_star(3.2, 3.0, noise.shape), sigma=0.001, grain=0.5)[150:, 150:]
    assert calmed.std() < 0.8 * 0.001


def test_a_noise_map_is_felt_where_it_says() -> None:
    """Light and noise four times as strong on the right are changed four times as much."""
    rng = np.random.default_rng(6)
    yy, xx = np.mgrid[:200, :400]
    light = sum(a * np.exp(-((yy - y) ** 2 + (xx - x) ** 2) / 12) for y, x, a in rng.uniform((5, 5, 2), (195, 395, 12), (150, 3)))
    noise, half = rng.normal(0, 1, (2, 200, 400))

    def sharp(times: np.ndarray) -> np.ndarray:
        planes = [np.asarray(times * plane, np.float32) for plane in (light + noise, half, np.ones(light.shape))]
        return deconvolve(planes[0], varying_star(3.5, light.shape), sigma=planes[2], half_difference=planes[1]) - planes[0]

    even, uneven = sharp(np.ones(400)), sharp(np.where(np.arange(400) < 200, 1.0, 4.0))
    for part, times in ((np.s_[:, :110], 1), (np.s_[:, 290:], 4)):
        assert np.abs(uneven[part] / times - even[part]).max() < 0.1 * even.std()


def test_against_a_wider_reference_a_star_image_is_narrowed_more() -> None:
    star = varying_star(3.5, (121, 121))
    image = 1000 * moffat_image((121, 121), 3.5, star.beta, x=60, y=60)
    image = (image + np.random.default_rng(0).normal(0, 0.1, image.shape)).astype(np.float32)
    plain, same, wider = (deconvolve(image, star, sigma=0.1, reference_fwhm=fwhm) for fwhm in (None, 3.0, 4.2))
    np.testing.assert_array_equal(plain, same)
    assert wider[60, 60] > 1.1 * plain[60, 60] > 1.3 * image[60, 60]


def test_gaps_negative_light_and_large_values(stack) -> None:
    luminance, sigma, half, star = stack
    scale = np.float32(5000 / luminance.max())
    holed, noise = luminance * scale, sigma * scale
    holed[100:103] = np.nan
    holed[5, 7] = np.nan
    noise[200, 200] = np.nan
    out = deconvolve(holed, star, sigma=noise, half_difference=half * scale)
    np.testing.assert_array_equal(np.isnan(out), np.isnan(holed))
    assert out[np.isfinite(out)].max() > 4000
    whole = deconvolve(luminance * scale, star, sigma=sigma * scale, half_difference=half * scale)
    far = np.ones_like(holed, bool)
    far[60:143] = far[:50, :50] = far[160:240, 160:240] = False
    assert np.abs(out - whole)[far].max() < 0.5 * float(noise[far].mean())


def test_the_order_of_a_plane_in_memory_does_not_matter() -> None:
    rng = np.random.default_rng(3)
    picture, sigma = rng.normal(0, 1, (60, 81)).astype(np.float32), np.full((60, 81), 1, np.float32)
    picture[20:26, 30:36] += 20
    star = varying_star(3.5, (60, 81))
    out = deconvolve(np.asfortranarray(picture), star, sigma=np.asfortranarray(sigma))
    np.testing.assert_array_equal(out, deconvolve(picture, star, sigma=sigma))


def test_zero_rows_and_constant_pictures_stay_finite() -> None:
    star = varying_star(3.5, (90, 121))
    for picture in (np.zeros((90, 121), np.float32), np.full((90, 121), 0.3, np.float32)):
        out = deconvolve(picture, star, sigma=1e-3)
        np.testing.assert_allclose(out, picture, atol=1e-6)
    striped = np.random.default_rng(0).normal(0, 1, (90, 121)).astype(np.float32)
    striped[20:30] = 0
    assert np.isfinite(deconvolve(striped, star, sigma=1.0)).all()
    assert np.isnan(deconvolve(np.full((20, 20), np.nan, np.float32), star, sigma=1.0)).all()


@pytest.mark.parametrize("strength", [0.5, 1.0])
def test_light_is_kept_even_of_crowds_of_stars(strength: float) -> None:
    rng = np.random.default_rng(0)
    yy, xx = np.mgrid[:256, :256]
    crowd = rng.normal(0, 0.001, (256, 256))
    for x, y, peak in rng.uniform([30, 30, 0.05], [226, 226, 0.9], (60, 3)):
        crowd += peak * (1 + ((yy - y) ** 2 + (xx - x) ** 2) / 4) ** -2.5
    shape = varying_star(2 * 2 * (2**0.4 - 1) ** 0.5, crowd.shape, beta=2.5)
    image = crowd.astype(np.float32)
    sharp = deconvolve(image, shape, sigma=0.001, strength=strength)
    assert sharp.max() > 1.2 * image.max()
    assert abs(sharp.sum(dtype=float) / image.sum(dtype=float) - 1) < 0.01


def test_a_dip_of_the_noise_far_below_the_sky_gets_no_deeper(stack) -> None:
    luminance, sigma, half, star = stack
    level = float(np.median(sigma))
    yy, xx = np.mgrid[: luminance.shape[0], : luminance.shape[1]]
    places = [(20, 20), (20, 360), (360, 20), (360, 360)]  # corners are sky
    image = luminance.copy()
    for y, x in places:
        image -= (6 * level * np.exp(-((yy - y) ** 2 + (xx - x) ** 2) / 3)).astype(np.float32)
    out = deconvolve(image, star, sigma=sigma, half_difference=half)
    for y, x in places:
        here = (slice(y - 3, y + 4), slice(x - 3, x + 4))
        assert out[here].min() > image[here].min() - 0.05 * level


def test_sharpening_digs_no_pits() -> None:
    """No pixel far below all that is 2 px around it where none was: narrower than a star it is noise, and seen as a black speck."""
    ring = np.ones((5, 5), bool)
    ring[1:4, 1:4] = False

    def pits(plane: np.ndarray) -> np.ndarray:
        return minimum_filter(plane, footprint=ring) - plane

    for seed in (3, 4, 5):
        drawn = draw_scene(seed, size=512, stacks=("deep",)).stacks["deep"]
        luminance, sigma = working_luminance(drawn.image), luminance_sigma(drawn)
        star = round_star(drawn.fwhm, drawn.beta, luminance.shape)
        out = deconvolve(luminance, star, sigma=sigma, half_difference=working_luminance(drawn.half_difference))
        dug = (pits(out) > 3.5 * sigma) & (pits(luminance) < 1.5 * sigma)
        assert not dug.any()


def test_a_cut_off_core_that_stayed_grows_no_black_ring() -> None:
    """A star whose core a camera cut off at an eighth of its height: its steep rim is narrower than the star image and rang by 13 sigma."""
    rng = np.random.default_rng(8)
    star = round_star(3.0, 3.0, (161, 161))
    whole = moffat_image((161, 161), 3.0, 3.0, x=80.2, y=79.7)
    light = np.minimum(8000 * whole / whole.max(), 1000)
    luminance = (light + rng.normal(0, 1, light.shape)).astype(np.float32)
    out = deconvolve(luminance, star, sigma=1.0, grain=1.0)
    assert out.max() > 900 and luminance.min() > -5
    assert out.min() > -6


def test_a_star_cut_by_the_border_grows_no_ring() -> None:
    """Only the flank of a bright star reaches into the picture; sharpened, its mirrored half had a ring of -50 sigma."""
    flank = moffat_image((160, 160), 4.0, 3.0, 0.0, 0.0, x=80, y=18)
    image = np.random.default_rng(1).normal(0, 1e-4, (120, 160)) + 0.05 / flank.max() * flank[20:140]
    out = deconvolve(image.astype(np.float32), varying_star(4.0, image.shape), sigma=1e-4)
    assert out[:10, 70:91].min() > -4e-4


@pytest.mark.parametrize("removed", [False, True])
def test_light_and_dark_keep_their_shape_where_nothing_is_sharpened(stack, removed: bool) -> None:
    """Dust darker than the sky that was taken off, and light behind stars that were taken out: clear structure stays, at full strength."""
    luminance, sigma, half, star = stack
    level = float(np.median(sigma))
    yy, xx = np.mgrid[: luminance.shape[0], : luminance.shape[1]]
    lane = (-40 if not removed else 40) * level * np.exp(-((xx - 362) ** 2 / 18 + (yy - 182) ** 2 / 300))  # on empty sky
    stars = np.zeros(luminance.shape, bool)
    stars[140:224, 347:377] = removed
    options = {"sigma": sigma, "half_difference": half, "stars": stars if removed else None}
    bare = deconvolve(luminance, star, **options)
    moved = deconvolve((luminance + lane).astype(np.float32), star, **options) - bare
    here = (slice(155, 210), slice(352, 373))
    gain = float(np.sum(moved[here] * lane[here]) / np.sum(lane[here] ** 2))
    assert 0.95 < gain < 1.1
    assert np.abs(moved - lane)[here].max() < 0.15 * np.abs(lane).max()


def test_nothing_is_sharpened_where_stars_were_taken_out(stack) -> None:
    luminance, sigma, half, star = stack
    stars = np.zeros(luminance.shape, bool)
    stars[150:230, 150:230] = True
    out = deconvolve(luminance, star, sigma=sigma, half_difference=half, grain=1, stars=stars)
    inside = (slice(158, 222), slice(158, 222))
    assert np.abs(out[inside] - luminance[inside]).max() < 1e-6
    assert np.abs(out - luminance)[80:140, 150:230].max() > float(sigma.mean())


@pytest.mark.parametrize("grain", [0.0, 0.5])
def test_a_bright_star_that_stays_in_a_masked_place_is_left_as_it_is(grain: float) -> None:
    """What the filter would do there counted as doubt: the star was calmed away and its light missed in a black ring at the mask's rim."""
    rng = np.random.default_rng(8)
    star = round_star(3.0, 3.0, (161, 161))
    whole = moffat_image((161, 161), 3.0, 3.0, x=80.2, y=79.7)
    light = np.minimum(40000 * whole / whole.max(), 8000)
    away = np.hypot(*(np.mgrid[:161, :161] - np.array([79.7, 80.2])[:, None, None]))
    out = deconvolve((light + rng.normal(0, 1, light.shape)).astype(np.float32), star, sigma=1.0, grain=grain, stars=away < 45)
    assert np.abs(out - light)[away < 40].max() < 0.02 * light.max()
    assert np.abs(out - light)[away > 12].max() < 6


@pytest.mark.parametrize(("reach", "least", "most"), [(KEPT_REACH_FWHM, 0.0, 0.03), (1.0, 0.04, 0.3)])
def test_the_wings_of_a_masked_core_give_nothing_to_the_galaxy_round_it(reach: float, least: float, most: float) -> None:
    """A clipped nucleus that stays: light that its wings give up for a core that is not sharpened goes elsewhere, masked or not."""
    rng = np.random.default_rng(8)
    star = round_star(3.0, 3.0, (241, 241))
    point = moffat_image((241, 241), 3.0, 3.0, x=120.2, y=119.7)
    away = np.hypot(*(np.mgrid[:241, :241] - np.array([119.7, 120.2])[:, None, None]))
    light = np.minimum(300000 * point / point.max() + 300 * np.exp(-away / 30), 30000)
    masked = cv2.distanceTransform((light < 30000).astype(np.uint8), cv2.DIST_L2, 5) <= reach * 3
    out = deconvolve((light + rng.normal(0, 1, light.shape)).astype(np.float32), star, sigma=1.0, stars=masked)
    off = [out[ring].sum() / light[ring].sum() - 1 for ring in ((away > 20) & (away < 30), (away > 30) & (away < 45))]
    assert least <= np.abs(off).max() < most


def test_what_does_not_fit_is_refused(stack) -> None:
    luminance, sigma, half, star = stack
    with pytest.raises(ArgumentError, match="strength"):
        deconvolve(luminance, star, sigma=sigma, strength=1.5)
    with pytest.raises(ArgumentError, match="grain"):
        deconvolve(luminance, star, sigma=sigma, grain=-0.1)
    with pytest.raises(ArgumentError, match="sigma"):
        deconvolve(luminance, star, sigma=-1.0)
    with pytest.raises(ArgumentError, match=r"sigma.*negative"):
        deconvolve(luminance, star, sigma=-np.ones_like(luminance))
    with pytest.raises(ArgumentError, match="reference_fwhm"):
        deconvolve(luminance, star, sigma=sigma, reference_fwhm=0.0)
    with pytest.raises(ArgumentError, match="reference_fwhm"):
        deconvolve(luminance, star, sigma=sigma, reference_fwhm="wide")  # type: ignore[arg-type]
    with pytest.raises(ArgumentError, match="differ in size"):
        deconvolve(luminance, star, sigma=sigma, half_difference=half[:-1])
    with pytest.raises(ArgumentError, match="shape"):
        deconvolve(np.zeros((8, 8, 3), np.float32), star, sigma=1.0)
    with pytest.raises(ArgumentError, match="gains"):
        sharpen(luminance, [4.0], sigma=0.1)
    with pytest.raises(ArgumentError, match="gates"):
        apply_gates(detail_gates(luminance, star, sigma=sigma), luminance[:-1])
