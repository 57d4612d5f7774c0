"""Deconvolution, sharpening and the core bend."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import minimum_filter

from layerblend.errors import ArgumentError
from layerblend.kinds import StarShape, working_luminance
from layerblend.maths.moffat import moffat_image
from layerblend.steps.detail import (
    apply_gates,
    bend_core,
    deconvolve,
    detail_gates,
    filter_plane,
    find_spikes,
    make_sharpener,
    sharpen,
    sharpen_gates,
)
from tests.benchmarks.picture import band_figures, luminance_sigma, mad, round_star
from tests.scenes.picture import Scene, draw_scene


def star_field(fwhm: float, shape: tuple[int, int], *, slope: float = 0.0, e1: float = 0.0, beta: float = 3.5) -> StarShape:
    """A star image whose ln width changes by ``slope`` from the middle to each side."""
    terms = np.zeros((3, 6))
    terms[0, 0], terms[0, 1], terms[1, 0] = np.log(fwhm), slope, e1
    return StarShape(beta, terms, *shape, stars=np.zeros((0, 8)))


@pytest.fixture(scope="module")
def scene() -> Scene:
    return draw_scene(3, size=384, stacks=("deep",))


@pytest.fixture(scope="module")
def stack(scene: Scene):
    drawn = scene.stacks["deep"]
    return (
        working_luminance(drawn.image),
        luminance_sigma(drawn),
        working_luminance(drawn.half_difference),
        round_star(drawn.fwhm, drawn.beta, drawn.image.shape[:2]),
    )


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
    monkeypatch.setattr("layerblend.steps.detail.patch_means", lambda plane, _: (plane, np.ones_like(plane)))
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


def test_frozen_operator_is_linear_and_that_of_the_picture(stack) -> None:
    luminance, sigma, half, star = stack
    gates = detail_gates(luminance, star, sigma=sigma, half_difference=half)
    through = [apply_gates(gates, plane) for plane in (luminance + half, luminance - half, luminance)]
    np.testing.assert_allclose((through[0] + through[1]) / 2, through[2], atol=1e-5 * np.abs(luminance).max())
    np.testing.assert_allclose(through[2], deconvolve(luminance, star, sigma=sigma, half_difference=half), atol=1e-7)


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


def test_zero_rows_and_constant_pictures_stay_finite() -> None:
    star = star_field(3.5, (90, 121))
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
    shape = star_field(2 * 2 * (2**0.4 - 1) ** 0.5, crowd.shape, beta=2.5)
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


def test_a_star_cut_by_the_border_grows_no_ring() -> None:
    """Only the flank of a bright star reaches into the picture; sharpened, its mirrored half had a ring of -50 sigma."""
    flank = moffat_image((160, 160), 4.0, 3.0, 0.0, 0.0, x=80, y=18)
    image = np.random.default_rng(1).normal(0, 1e-4, (120, 160)) + 0.05 / flank.max() * flank[20:140]
    out = deconvolve(image.astype(np.float32), star_field(4.0, image.shape), sigma=1e-4)
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


# ---------------------------------------------------------------- the field
# ---------------------------------------------------------------- pixels that no star could make
@settings(deadline=None)
@given(fwhm=st.floats(2.0, 8.0), dx=st.floats(-0.5, 0.5), dy=st.floats(-0.5, 0.5), stretch=st.floats(-0.25, 0.25), peak=st.floats(30, 1e5))
def test_no_star_counts_as_a_spike(fwhm: float, dx: float, dy: float, stretch: float, peak: float) -> None:
    star = star_field(fwhm, (41, 41), e1=stretch)
    centre = star.centre
    plane = moffat_image((41, 41), centre.fwhm, centre.beta, centre.eccentricity, centre.angle, x=20 + dx, y=20 + dy)
    plane = (peak / plane.max() * plane).astype(np.float32)
    assert find_spikes(plane, star, sigma=1.0) is None


def test_hot_pixels_cosmic_rays_and_columns_are_spikes_and_leave_no_ring(scene: Scene, stack) -> None:
    luminance, sigma, half, star = stack
    assert find_spikes(luminance, star, sigma=sigma) is None
    level = float(np.median(sigma))
    spoilt = luminance.copy()
    spoilt[40, 50] += 400 * level
    spoilt[120, 300:302] += np.array([300, 90], np.float32) * level
    spoilt[200:260, 30] -= 60 * level
    spoilt[279:281, 100:102] += 200 * level
    spoilt[330, 200:202] += np.array([150, 120], np.float32) * level
    found = find_spikes(spoilt, star, sigma=sigma)
    assert found is not None
    assert found[40, 50] and found[120, 300] and found[120, 301] and found[280, 100:102].all() and found[202:258, 30].all()
    assert found[330, 200:202].all()
    assert found.sum() < 8 * 69  # they and a margin
    options = {"sigma": sigma, "half_difference": half}
    clean, mended = deconvolve(luminance, star, **options), deconvolve(spoilt, star, **options)
    assert np.abs(mended - clean)[30:51, 40:61].max() < 8 * level
    assert np.abs(mended - clean)[110:131, 290:312].max() < 8 * level
    assert np.abs(mended - clean)[270:291, 90:112].max() < 8 * level
    gates = detail_gates(spoilt, star, **options)
    np.testing.assert_allclose(apply_gates(gates, spoilt), mended, atol=1e-6)


@pytest.mark.parametrize("spot", [[[39, 63], [22, 32]], [[60, 50], [45, 60]], [[-40, -55], [-50, -45]]])
def test_spots_two_pixels_wide_are_no_narrow_stars(spot: list[list[float]]) -> None:
    """The first is a cosmic ray of a real exposure in units of its noise, where stars were 2.4 px wide: it grew a black ring."""
    star = star_field(2.4, (61, 61))
    plane = np.random.default_rng(3).normal(5, 1, (61, 61)).astype(np.float32)
    plane[30:32, 30:32] += np.float32(spot)
    found = find_spikes(plane, star, sigma=1.0)
    assert found is not None and found[30:32, 30:32].all()
    assert found.sum() < 40


def test_a_border_without_light_that_is_not_marked_leaves_no_lines(scene: Scene, stack) -> None:
    luminance, sigma, half, star = stack
    level = float(np.median(sigma))
    dark = luminance.copy()
    dark[-2:] = -100 * level
    options = {"sigma": sigma, "half_difference": half}
    clean, mended = deconvolve(luminance, star, **options), deconvolve(dark, star, **options)
    assert np.abs(mended - clean)[-30:-3].max() < 3 * level


def test_one_star_image_is_one_filter_and_a_varying_one_a_lattice() -> None:
    shape = (600, 800)
    assert len(make_sharpener(star_field(4, shape, slope=0.03), shape, 0.5).tiles) == 1
    lattice = make_sharpener(star_field(4, shape, slope=0.15), shape, 0.5).tiles
    assert len(lattice) > 2
    assert lattice[0][0].fwhm < lattice[0][-1].fwhm


def test_tiles_join_without_seams() -> None:
    # the same smooth picture through a lattice of nearly equal star images and through one
    rng = np.random.default_rng(4)
    shape = (512, 640)
    picture = rng.standard_normal(shape).astype(np.float32)
    one = filter_plane(picture, make_sharpener(star_field(4, shape), shape, 0.5))
    varying = make_sharpener(star_field(4, shape, slope=0.12), shape, 0.5)
    assert len(varying.tiles) > 1
    alike = type(varying)(tuple(tuple(star_field(4, shape).centre for _ in row) for row in varying.tiles), varying.ratio)
    np.testing.assert_allclose(filter_plane(picture, alike), one, atol=0.02)
    out = filter_plane(picture, varying)
    steps = np.abs(np.diff(out, axis=1)).mean(0)
    assert steps.max() < 1.35 * np.median(steps)


def test_an_elongated_star_image_becomes_round() -> None:
    star = star_field(4.0, (161, 161), e1=0.15)
    shape = star.centre
    image = moffat_image((161, 161), shape.fwhm, shape.beta, shape.eccentricity, shape.angle)
    out = filter_plane(image, make_sharpener(star, image.shape, 0.5))
    yy, xx = np.mgrid[:161, :161] - 80

    def widths(plane: np.ndarray) -> tuple[float, float]:
        core = plane * np.exp(-(xx**2 + yy**2) / (2 * 3.0**2))
        return float(np.sqrt((core * xx**2).sum() / core.sum())), float(np.sqrt((core * yy**2).sum() / core.sum()))

    before, after = widths(image), widths(out)
    assert before[0] / before[1] > 1.2
    assert after[0] / after[1] < 1.07
    assert after[0] < 0.85 * before[0]
    assert out.sum() == pytest.approx(image.sum(), rel=1e-3)


# ---------------------------------------------------------------- sharpening
def texture(seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    fy, fx = np.fft.fftfreq(200)[:, None], np.fft.rfftfreq(230)[None]
    amplitude = np.maximum(np.hypot(fy, fx), 0.01) ** -1.4
    field = np.fft.irfft2(np.fft.rfft2(rng.standard_normal((200, 230))) * amplitude, s=(200, 230))
    return (0.4 + 0.08 * field / field.std()).astype(np.float32)


def test_gains_of_1_change_nothing() -> None:
    lightness = texture()
    np.testing.assert_array_equal(sharpen(lightness, [1], sigma=0.01), lightness)
    np.testing.assert_array_equal(sharpen(lightness, [1, 1, 1], sigma=0.01), lightness)


def test_detail_grows_and_noise_does_not() -> None:
    rng = np.random.default_rng(1)
    lightness = texture()
    lightness[:, :110] = 0.3
    noise, other = rng.normal(0, 0.01, (2, *lightness.shape)).astype(np.float32)
    out = sharpen(lightness + noise, [1, 1.5, 1.5], sigma=0.01, half_difference=other)
    quiet, busy = (slice(None), slice(0, 90)), (slice(None), slice(125, None))
    assert out[quiet].std() < 1.06 * (lightness + noise)[quiet].std()
    assert (out - lightness)[busy].std() > 0.011
    assert np.isfinite(out).all()


def test_sharpening_through_frozen_gates_is_linear() -> None:
    lightness = texture()
    gates = sharpen_gates(lightness, [1.2, 1.1], sigma=0.005)
    np.testing.assert_allclose(apply_gates(gates, 2 * lightness), 2 * apply_gates(gates, lightness), rtol=1e-5)
    np.testing.assert_allclose(apply_gates(gates, lightness), sharpen(lightness, [1.2, 1.1], sigma=0.005), atol=1e-7)


def test_sharpening_leaves_gaps_and_constant_pictures() -> None:
    lightness = texture()
    lightness[40:50, 40:50] = np.nan
    assert np.isnan(sharpen(lightness, [1.5, 1.5], sigma=0.005)).sum() == 100
    flat = np.full((64, 64), 0.5, np.float32)
    np.testing.assert_allclose(sharpen(flat, [2, 2], sigma=0.01), flat, atol=1e-6)


# ---------------------------------------------------------------- the core
def test_core_bends_broad_light_and_keeps_its_detail() -> None:
    yy, xx = np.mgrid[:300, :300]
    broad = (0.3 + 0.6 * np.exp(-((yy - 150) ** 2 + (xx - 150) ** 2) / (2 * 60**2))).astype(np.float32)
    ripple = (0.02 * np.sin(xx / 1.5)).astype(np.float32)
    out = bend_core(broad + ripple, 0.35)
    assert out[150, 150] < broad[150, 150] - 0.05
    np.testing.assert_allclose(out[5:20, 5:20], (broad + ripple)[5:20, 5:20], atol=1e-4)
    centre = (slice(140, 160), slice(140, 160))
    assert np.std(out[centre] - bend_core(broad, 0.35)[centre]) > 0.95 * np.std(ripple[centre])
    np.testing.assert_array_equal(bend_core(broad, 0), broad)


def test_what_does_not_fit_is_refused(stack) -> None:
    luminance, sigma, half, star = stack
    with pytest.raises(ArgumentError, match="strength"):
        deconvolve(luminance, star, sigma=sigma, strength=1.5)
    with pytest.raises(ArgumentError, match="grain"):
        deconvolve(luminance, star, sigma=sigma, grain=-0.1)
    with pytest.raises(ArgumentError, match="sigma"):
        deconvolve(luminance, star, sigma=-1.0)
    with pytest.raises(ArgumentError, match="differ in size"):
        deconvolve(luminance, star, sigma=sigma, half_difference=half[:-1])
    with pytest.raises(ArgumentError, match="shape"):
        deconvolve(np.zeros((8, 8, 3), np.float32), star, sigma=1.0)
    with pytest.raises(ArgumentError, match="gains"):
        sharpen(luminance, [4.0], sigma=0.1)
    with pytest.raises(ArgumentError, match="gates"):
        apply_gates(detail_gates(luminance, star, sigma=sigma), luminance[:-1])
