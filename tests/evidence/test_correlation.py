"""Fourier ring correlation: against known truth, against its own error bar, and what fools it."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
import scipy.fft
from hypothesis import given, settings
from hypothesis import strategies as st

from layerblend.errors import ArgumentError
from layerblend.evidence.correlation import (
    NOTHING_SHARED,
    SharedNoise,
    agreement,
    band_contrast,
    band_difference_variance,
    band_snr,
    common_sigma,
    contrast_variance,
    fill_masked,
    half_spectra,
    hann_window,
    make_rings,
    repeated_share,
    ring_correlation,
    shared_noise,
    snr_of,
    snr_variance,
)

SIZE = 256


def signal_plane(seed, size=SIZE, slope=3.0, blur=3.0):
    rng = np.random.default_rng(seed)
    f = np.hypot(scipy.fft.fftfreq(size)[:, None], scipy.fft.rfftfreq(size)[None])
    shape = np.maximum(f, 1 / size) ** (-slope / 2) * np.exp(-0.5 * (2 * np.pi * f * blur / 2.355) ** 2)
    plane = scipy.fft.irfft2(scipy.fft.rfft2(rng.standard_normal((size, size))) * shape, s=(size, size))
    return plane / plane.std()


def halves(signal, noise, seed):
    rng = np.random.default_rng([seed, 77])
    return tuple((signal + rng.normal(0, noise, signal.shape)).astype(np.float32) for _ in range(2))


def truth_of(signal, noise):
    """Ring SNR of the mean of two halves whose noise is white with the given sd."""
    window = hann_window(signal.shape)
    level = np.sum(signal * window) / window.sum()
    power = np.abs(scipy.fft.rfft2((signal - level) * window)) ** 2 / (signal.size * np.sum(window.astype(float) ** 2))
    return make_rings(signal.shape).mean(power) / (noise**2 / 2 / signal.size)


@pytest.mark.parametrize("band", [(0.02, 0.05), (0.05, 0.1), (0.1, 0.15), (0.15, 0.2)])
def test_snr_matches_truth_below_the_crossing(band):
    signal, noise = signal_plane(1), 0.3
    true = truth_of(signal, noise)
    frequency, pixels = make_rings(signal.shape).frequency, make_rings(signal.shape).pixels
    inside = (frequency >= band[0]) & (frequency < band[1])
    expected = np.average(true[inside], weights=pixels[inside])
    assert expected > 1 / 3  # 2c/(1-c) at c = 1/7
    found = np.mean([ring_correlation(*halves(signal, noise, seed)).band(*band).snr for seed in range(12)])
    assert found == pytest.approx(expected, rel=0.1)


def test_error_bar_matches_the_scatter_of_repeats():
    signal, noise = signal_plane(2), 0.3
    runs = [ring_correlation(*halves(signal, noise, seed)) for seed in range(60)]
    values = np.array([np.log1p(r.snr) for r in runs])
    stated = np.sqrt(snr_variance(runs[0].snr) / runs[0].n_eff) / (1 + runs[0].snr)
    use = (runs[0].frequency > 0.03) & (runs[0].frequency < 0.45)
    ratio = values[:, use].std(0, ddof=1) / stated[use]
    assert 0.85 < np.median(ratio) < 1.2
    assert np.all((ratio > 1 / 1.7) & (ratio < 1.7))  # sampling error of a scatter from 60 repeats included


def test_interval_holds_the_truth():
    signal, noise = signal_plane(3), 0.3
    true = truth_of(signal, noise)
    inside = [
        (run.snr_interval[:, 0] <= true) & (true <= run.snr_interval[:, 1])
        for run in (ring_correlation(*halves(signal, noise, seed)) for seed in range(40))
    ]
    cover = np.mean(np.array(inside)[:, 3:])
    assert 0.92 <= cover <= 0.98


def test_resolution_is_where_the_truth_crosses():
    signal, noise = signal_plane(4), 0.3
    true = truth_of(signal, noise)
    frequency = make_rings(signal.shape).frequency
    line = np.polyfit(frequency[5:60], np.log(true[5:60]), 3)
    fine = np.linspace(0.03, 0.4, 4000)
    crossing = fine[np.argmax(np.polyval(line, fine) < np.log(1 / 3))]
    runs = [ring_correlation(*halves(signal, noise, seed)) for seed in range(20)]
    found = np.array([run.resolution_px for run in runs])
    assert np.mean(found) == pytest.approx(1 / crossing, rel=0.03)
    held = [run.resolution_interval[0] <= 1 / crossing <= run.resolution_interval[1] for run in runs]
    assert np.mean(held) >= 0.8


def test_variance_is_the_published_formula():
    """(1 + 2/r + 1/(2 r^2)) with r = c/(1-c): the variance of ln(SNR) times n."""
    c = np.linspace(0.05, 0.999, 50)
    r = c / (1 - c)
    np.testing.assert_allclose(snr_variance(snr_of(c)) / snr_of(c) ** 2, 1 + 2 / r + 1 / (2 * r**2), rtol=1e-9)


def test_white_noise_alone_has_no_signal_and_the_right_number_of_independent_pixels():
    zero = np.zeros((SIZE, SIZE))
    values = np.array([ring_correlation(*halves(zero, 1.0, seed)).correlation for seed in range(60)])
    n = ring_correlation(*halves(zero, 1.0, 0)).n_eff
    assert abs(values.mean()) < 0.01
    # The correlation of n independent complex pairs scatters by 1/sqrt(2 n) for its real part.
    np.testing.assert_allclose(np.median(values.std(0, ddof=1)[4:] * np.sqrt(2 * n[4:])), 1.0, rtol=0.1)


def test_hann_window_leaves_the_published_share_of_independent_pixels():
    """(sum w^2)^2 / (N sum w^4) of a Hann window, from its moments: mean w^2 = 3/8, mean w^4 = 35/128 along each axis."""
    rings = make_rings((SIZE, SIZE))
    n = half_spectra(*halves(np.zeros((SIZE, SIZE)), 1.0, 1)).n_joint
    np.testing.assert_allclose((n / rings.pixels * 2)[5], ((3 / 8) ** 2 / (35 / 128)) ** 2, rtol=0.03)


def test_same_frame_in_both_halves_fools_it():
    """A frame shared by both halves counts as signal: the reason why halves must be disjoint."""
    signal, noise = signal_plane(5), 0.5
    a, b = halves(signal, noise, 1)
    shared = np.random.default_rng(9).normal(0, noise, signal.shape).astype(np.float32)
    honest, fooled = ring_correlation(a, b), ring_correlation((a + shared) / 2, (b + shared) / 2)
    high = honest.frequency > 0.3
    assert fooled.snr[high].mean() > honest.snr[high].mean() + 1


def test_missing_data_is_filled():
    signal = signal_plane(6)
    a, b = halves(signal, 0.3, 1)
    a, b = a.copy(), b.copy()
    a[100:104, 50:60] = np.nan
    b[0:5, :] = np.nan
    before = a.copy()
    run = ring_correlation(a, b)
    assert np.isfinite(run.snr).all()
    np.testing.assert_array_equal(a, before)


@pytest.mark.parametrize("shape", [(200, 256), (97, 131), (256, 64)])
def test_any_shape(shape):
    rng = np.random.default_rng(3)
    run = ring_correlation(*(rng.normal(size=shape).astype(np.float32) for _ in range(2)))
    assert np.all(np.diff(run.frequency) > 0)
    assert run.frequency[-1] < 0.5
    assert len(run.snr_interval) == len(run.snr) == len(run.n_eff)
    assert np.all(run.snr_interval[:, 0] <= run.snr) and np.all(run.snr <= run.snr_interval[:, 1])


def test_identical_halves_and_empty_halves():
    plane = signal_plane(7).astype(np.float32)
    run = ring_correlation(plane, plane)
    np.testing.assert_allclose(run.correlation, 1, atol=1e-9)
    assert run.resolution_px == 2.0
    zero = ring_correlation(np.zeros((64, 64), np.float32), np.zeros((64, 64), np.float32))
    assert np.isfinite(zero.snr).all()


@settings(max_examples=20, deadline=None)
@given(gain=st.floats(1e-4, 1e4), level=st.floats(-10, 10))
def test_scale_and_level_do_not_matter(gain, level):
    a, b = halves(signal_plane(8, 64), 0.4, 2)
    first = ring_correlation(a, b)
    second = ring_correlation((a * gain + level).astype(np.float32), (b * gain + level).astype(np.float32))
    use = first.frequency > 2 / 64
    np.testing.assert_allclose(second.correlation[use], first.correlation[use], atol=2e-3 * max(1, abs(level) / gain * 1e-3))


def test_bad_arguments():
    plane = np.zeros((64, 64), np.float32)
    with pytest.raises(ArgumentError, match="same shape"):
        ring_correlation(plane, plane[:32])
    with pytest.raises(ArgumentError, match="floats"):
        ring_correlation(plane.astype(int), plane)
    with pytest.raises(ArgumentError, match="32 px"):
        ring_correlation(plane[:16], plane[:16])
    with pytest.raises(ArgumentError, match="window"):
        ring_correlation(plane, plane, window=np.zeros((64, 64), np.float32))
    with pytest.raises(ArgumentError, match="shape"):
        ring_correlation(plane, plane, window=np.ones((32, 64), np.float32))
    with pytest.raises(ArgumentError, match="No ring"):
        ring_correlation(plane, plane).band(0.6, 0.7)


def test_nested_pair_error_matches_the_scatter_of_repeats():
    """Two stacks that share half of their frames: the difference of their SNRs scatters less than two independent ones would."""
    signal = signal_plane(11)
    differences, stated, apart = [], [], []
    for seed in range(50):
        parts = [halves(signal, 0.6, 1000 * seed + k) for k in range(2)]
        whole = half_spectra(*((parts[0][h] + parts[1][h]) / 2 for h in (0, 1)))
        part = half_spectra(*parts[0])
        differences.append(band_snr(whole, 0.05, 0.1) - band_snr(part, 0.05, 0.1))
        var_a, var_b, cov = band_difference_variance(whole, part, 0.05, 0.1)
        stated.append(np.sqrt(var_a + var_b - 2 * cov))
        apart.append(np.sqrt(var_a + var_b))
    ratio = np.std(differences, ddof=1) / np.mean(stated)
    assert 1 / 1.5 < ratio < 1.5
    assert np.mean(stated) < np.mean(apart)


def test_fill_is_linear_and_leaves_the_rest():
    rng = np.random.default_rng(1)
    a, b = (rng.normal(size=(80, 90)).astype(np.float32) for _ in range(2))
    mask = np.zeros((80, 90), bool)
    mask[30:40, 30:50] = True
    together = fill_masked(a + b, mask)
    np.testing.assert_allclose(together, fill_masked(a, mask) + fill_masked(b, mask), atol=2e-5)
    np.testing.assert_array_equal(fill_masked(a, mask)[60:], a[60:])
    flat = fill_masked(np.full((80, 90), 3.0, np.float32), mask)
    np.testing.assert_allclose(flat, 3.0, rtol=1e-5)


@pytest.mark.parametrize("width", [64, 65])
def test_rings_hold_the_whole_plane(width):
    """A half-plane array averaged over rings is the plain average over the full transform, each pixel and its mirror counted."""
    plane = np.random.default_rng(1).normal(size=(48, width))
    rings = make_rings(plane.shape)
    power = np.abs(np.fft.fft2(plane)) ** 2
    radius = np.hypot(np.fft.fftfreq(48)[:, None], np.fft.fftfreq(width)[None])
    for ring, mean in enumerate(rings.mean(np.abs(scipy.fft.rfft2(plane)) ** 2)):
        inside = (np.floor(radius / rings.width) == ring) & (radius < 0.5)
        assert rings.pixels[ring] == inside.sum()
        assert mean == pytest.approx(power[inside].mean(), rel=1e-9)
        assert rings.frequency[ring] == pytest.approx(radius[inside].mean(), rel=1e-9)


def test_contrast_of_a_wave_is_its_root_mean_square():
    """A cosine of amplitude 3 and period 12.8 px has 3 / sqrt 2 in its own band and nothing elsewhere, whatever the noise."""
    wave = 3 * np.cos(2 * np.pi * 20 / SIZE * np.arange(SIZE))[None] * np.ones((SIZE, 1))
    spectra = half_spectra(*halves(wave, 1.0, 1))
    assert band_contrast(spectra, 0.05, 0.10) == pytest.approx(3 / np.sqrt(2), rel=0.02)
    assert band_contrast(spectra, 0.15, 0.20) < 0.1


def test_contrast_errors_match_the_scatter_of_repeats():
    """One stack by itself, and against another one that shares half of its frames."""
    signal = signal_plane(12, 128)
    alone, apart, stated = [], [], []
    for seed in range(60):
        parts = [halves(signal, 0.6, 1000 * seed + k) for k in range(2)]
        whole, part = half_spectra(*((parts[0][h] + parts[1][h]) / 2 for h in (0, 1))), half_spectra(*parts[0])
        found = [band_contrast(s, 0.10, 0.15) for s in (whole, part)]
        alone.append(found[1])
        apart.append(found[0] - found[1])
        stated.append(contrast_variance(whole, part, 0.10, 0.15))
    var_whole, var_part, covariance = np.mean(stated, 0)
    assert 1 / 1.35 < np.std(alone, ddof=1) / np.sqrt(var_part) < 1.35
    assert 1 / 1.35 < np.std(apart, ddof=1) / np.sqrt(var_whole + var_part - 2 * covariance) < 1.35


def test_agreement_is_the_share_of_structure_in_common_without_the_noise_in_common():
    """Two results of the same frames, whose structure has the amplitude .6 in common: all their noise is the same."""
    one, other = signal_plane(21, 128), signal_plane(22, 128)
    mixed = 0.6 * one + 0.8 * other
    noise = [np.random.default_rng([23, half]).normal(0, 0.5, one.shape) for half in (0, 1)]
    first, second = (half_spectra(*((light + n).astype(np.float32) for n in noise)) for light in (one, mixed))
    rings = first.rings
    inside = (rings.frequency >= 0.05) & (rings.frequency < 0.10)
    spectra = [half_spectra(light.astype(np.float32), light.astype(np.float32)) for light in (one, mixed)]
    cross = rings.mean((spectra[0].mean * spectra[1].mean.conj()).real)
    power = [rings.pixels[inside] @ s.signal[inside] for s in spectra]
    truth = rings.pixels[inside] @ cross[inside] / np.sqrt(power[0] * power[1])
    assert truth == pytest.approx(0.6, abs=0.15)
    assert agreement(first, second, 0.05, 0.10) == pytest.approx(truth, abs=0.04)


def test_nothing_is_said_to_agree_where_there_is_only_noise():
    known = half_spectra(*halves(signal_plane(24, 128), 0.3, 2))
    drowned = [half_spectra(*halves(np.zeros((128, 128)), 1.0, seed)) for seed in range(6)]
    assert max(band_contrast(noise, 0.10, 0.15) for noise in drowned) > 0  # by chance
    for noise in drowned:
        assert agreement(noise, known, 0.10, 0.15) is None and agreement(known, noise, 0.10, 0.15) is None


def test_band_interval_holds_the_truth_and_matches_the_scatter():
    signal, noise = signal_plane(13, 128), 0.3
    rings = make_rings(signal.shape)
    inside = (rings.frequency >= 0.05) & (rings.frequency < 0.10)
    expected = np.average(truth_of(signal, noise)[inside], weights=rings.pixels[inside])
    runs = [ring_correlation(*halves(signal, noise, seed)).band(0.05, 0.10) for seed in range(80)]
    assert np.std([run.snr for run in runs], ddof=1) / np.mean([run.sd for run in runs]) == pytest.approx(1, abs=0.25)
    assert 0.88 <= np.mean([run.interval[0] <= expected <= run.interval[1] for run in runs]) <= 0.99


def test_a_band_is_the_mean_over_its_fourier_pixels():
    run = ring_correlation(*halves(signal_plane(15), 0.3, 1))
    rings = make_rings((SIZE, SIZE))
    inside = (rings.frequency >= 0.02) & (rings.frequency < 0.05)
    assert run.band(0.02, 0.05).snr == pytest.approx(np.average(run.snr[inside], weights=rings.pixels[inside]), rel=1e-9)


def test_a_stack_against_itself_has_no_error():
    """All noise is in common: the covariance is the variance, R^2 + 2 (1 + overlap) R + 2, at high and at lower signal to noise."""
    spectra = half_spectra(*halves(signal_plane(16), 0.3, 1))
    for band in ((0.02, 0.05), (0.05, 0.10), (0.10, 0.15)):
        variance, same, covariance = band_difference_variance(spectra, spectra, *band)
        assert variance == same and covariance == pytest.approx(variance, rel=0.01)


def test_noise_that_is_stronger_where_the_structure_is_counts_for_more():
    """Structure in a fiftieth of the picture, where the noise has nine times the variance: overlap in closed form."""
    rng = np.random.default_rng(5)
    yy, xx = np.mgrid[:SIZE, :SIZE]
    place = np.hypot(xx - 127.5, yy - 127.5) < 60
    weight = np.where(place, 3.0, 1.0)
    structure = np.where(np.hypot(xx - 127.5, yy - 127.5) < 20, 20 * signal_plane(14), 0)
    a, b = ((structure + weight * rng.normal(0, 1, structure.shape)).astype(np.float32) for _ in range(2))
    energy = hann_window((SIZE, SIZE)).astype(float) ** 2 * weight**2
    # all structure lies where window^2 x variance is about its largest
    expected = energy[118:138, 118:138].mean() * energy.sum() / (energy**2).sum()
    assert half_spectra(a, b).overlap == pytest.approx(expected, rel=0.12)
    even = half_spectra(*halves(20 * signal_plane(14), 1.0, 1)).overlap
    assert even == pytest.approx(1, abs=0.15)
    # R^2 + 4 R + 2 for even noise; 2 of the 4 R grow with the overlap
    assert snr_variance(np.array([3.0]), 2.5)[0] == 9 + 2 * 3 + 2 * 3 * 2.5 + 2


def test_where_nothing_repeats_there_is_no_resolution():
    noise = halves(np.zeros((SIZE, SIZE)), 1.0, 3)[0]
    run = ring_correlation(noise, -noise)
    assert run.resolution_px == float("inf")
    assert run.resolution_interval == (pytest.approx(1 / run.frequency[2]), float("inf"))


def test_a_window_must_not_be_negative():
    plane, window = np.zeros((64, 64), np.float32), np.ones((64, 64), np.float32)
    window[3, 4] = -0.1
    with pytest.raises(ArgumentError, match="nowhere negative"):
        ring_correlation(plane, plane, window=window)


def test_a_wide_hole_takes_the_level_of_what_is_around_it():
    """Not that of the whole picture: its bottom filled so would be a dark disc in the structure."""
    plane = np.zeros((200, 400), np.float32)
    plane[:, 200:] = 10
    mask = np.zeros(plane.shape, bool)
    mask[70:130, 270:330] = True
    np.testing.assert_allclose(fill_masked(plane, mask)[mask], 10, atol=0.5)


@pytest.mark.parametrize(("apart", "noise", "expected"), [(0.0, 0.1, 0.0), (0.05, 1e-4, 1.0), (0.1, 0.1, 0.667)])
def test_share_of_the_difference_that_is_the_picture_over_again(apart, noise, expected):
    """Halves s (1 +- g) + n: the half difference is g s and noise of n / sqrt 2, of which g^2 / (g^2 + n^2 / 2) is the picture."""
    rng = np.random.default_rng(9)
    light, first, second = rng.normal(0, 1, (3, 256, 256))
    spectra = half_spectra(*((light * (1 + s * apart) + noise * n).astype(np.float32) for s, n in ((1, first), (-1, second))))
    assert repeated_share(spectra, 0.1, 0.2) == pytest.approx(expected, abs=0.03)


# ---------------------------------------------------------------- noise that the halves have in common
def evenly(odds):
    return SharedNoise(np.array([0.0, 0.5]), np.full(2, odds), np.zeros(2))


def walked(signal, seed, frames=24, step=0.4, pattern=0.5, noise=1.0):
    """Means of odd and even frames whose fixed pattern drifts slowly along the rows."""
    rng = np.random.default_rng([seed, 6])
    frequency = scipy.fft.rfftfreq(signal.shape[1])[None]
    fixed = scipy.fft.rfft(rng.normal(0, pattern, signal.shape), axis=1)
    sums = np.zeros((2, *signal.shape))
    for i in range(frames):
        moved = scipy.fft.irfft(fixed * np.exp(2j * np.pi * frequency * step * i), n=signal.shape[1], axis=1)
        sums[i % 2] += signal + moved + rng.normal(0, noise, signal.shape)
    return tuple((part / (frames // 2)).astype(np.float32) for part in sums)


def test_streaks_of_a_drifting_pattern_are_noise_on_every_scale():
    """They are little on the finest scale and much at 7 to 10 px: where nothing is but sky, nothing may pass for detail."""
    sky = np.ones((SIZE, SIZE), bool)
    found = shared_noise(*walked(np.zeros((SIZE, SIZE)), 1), sky)
    fine, coarse = np.interp([0.45, 0.1], found.frequency, found.odds)
    assert coarse > 2 * fine > 0.1
    for seed in (2, 3):
        pair = walked(np.zeros((SIZE, SIZE)), seed)
        shared = shared_noise(*walked(np.zeros((SIZE, SIZE)), seed + 10), sky)  # of another part of the sky
        for low, high in ((0.05, 0.1), (0.1, 0.15), (0.15, 0.2), (0.2, 0.3)):
            blind, told = half_spectra(*pair), half_spectra(*pair, shared=shared)
            assert abs(band_snr(told, low, high)) < 0.4 * band_snr(blind, low, high)
            error = np.sqrt(band_difference_variance(told, told, low, high)[0])
            assert abs(band_snr(told, low, high)) < 4 * error


def test_signal_to_noise_over_a_drifting_pattern_is_that_against_all_of_the_noise():
    signal = 0.4 * signal_plane(3, blur=3.0)
    pairs = [walked(signal, seed) for seed in range(4)]
    told = [half_spectra(*p, shared=shared_noise(*walked(0 * signal, 20 + k), np.ones(signal.shape, bool))) for k, p in enumerate(pairs)]
    wholes = [(a + b) / 2 for a, b in pairs]
    for low, high in ((0.05, 0.1), (0.1, 0.15)):
        truth = half_spectra(wholes[0], wholes[1]).correlation  # whole stacks of other noise and pattern
        rings = told[0].rings
        inside = (rings.frequency >= low) & (rings.frequency < high)
        true = np.average((truth / (1 - truth))[inside], weights=rings.pixels[inside])
        assert np.mean([band_snr(t, low, high) for t in told]) == pytest.approx(true, rel=0.25)
        assert np.mean([band_snr(half_spectra(*p), low, high) for p in pairs]) > 1.4 * true


def test_less_of_the_noise_is_shared_where_the_light_itself_has_noise():
    pair, window = halves(np.zeros((SIZE, SIZE)), 1.0, 2), np.ones((SIZE, SIZE), np.float32)
    full, half = (half_spectra(*pair, window=window, shared=replace(evenly(0.3), thin=thin)).odds for thin in (window, 0.5 * window))
    np.testing.assert_allclose(full, 0.3)
    np.testing.assert_allclose(half, 0.15)


def test_an_uncertain_share_widens_the_error():
    pair = halves(0.3 * signal_plane(4), 1.0, 2)
    sure, unsure = (half_spectra(*pair, shared=replace(evenly(0.1), sd=np.full(2, sd))) for sd in (0.0, 0.05))
    for variance in (contrast_variance, band_difference_variance):
        assert variance(unsure, unsure, 0.15, 0.3)[0] > 1.5 * variance(sure, sure, 0.15, 0.3)[0]
        gaps = [a + b - 2 * both for a, b, both in (variance(s, s, 0.15, 0.3) for s in (sure, unsure))]
        assert gaps[1] == pytest.approx(gaps[0], rel=1e-6, abs=1e-12)  # of a stack against itself it says nothing


def clipped_halves(signal, seed, frames=20, reject=2.8):
    """Means of the odd and the even frames without the values that lie far from the middle of all."""
    rng = np.random.default_rng([seed, 5])
    values = signal + rng.normal(0, 1, (frames, *signal.shape))
    far = np.abs(values - np.median(values, axis=0)) > reject
    kept = np.where(far, np.nan, values)
    return tuple(np.nanmean(kept[half::2], axis=0).astype(np.float32) for half in (0, 1))


def test_what_rejection_leaves_alike_in_both_halves_is_told_from_blank_sky():
    sky = np.ones((SIZE, SIZE), bool)
    found = [shared_noise(*clipped_halves(np.zeros((SIZE, SIZE)), seed), sky).overall for seed in range(3)]
    rng = np.random.default_rng(8)
    common, own = np.sqrt(0.04), np.sqrt(0.96)
    first = rng.normal(0, 1, (SIZE, SIZE))
    parts = [(common * first + own * rng.normal(0, 1, first.shape)).astype(np.float32) for _ in range(2)]
    assert min(found) > 0.015 and max(found) < 0.06
    assert shared_noise(*parts, sky).overall == pytest.approx(0.04, abs=0.015)
    assert shared_noise(*halves(np.zeros((SIZE, SIZE)), 1.0, 3), sky).overall < 0.015
    assert shared_noise(*parts, sky & (np.arange(SIZE) < 50)) is NOTHING_SHARED  # too little sky


def test_stars_and_hot_pixels_in_the_sky_are_no_common_noise():
    rng = np.random.default_rng(4)
    plane = np.zeros((SIZE, SIZE))
    for y, x in rng.integers(10, SIZE - 10, (60, 2)):
        plane[y, x] += 60
    stars = cv2.GaussianBlur(plane, (0, 0), 1.4)
    stars[rng.integers(0, SIZE, 30), rng.integers(0, SIZE, 30)] += 100
    assert shared_noise(*halves(stars, 1.0, 3), np.ones((SIZE, SIZE), bool)).overall < 0.02


def test_contrast_of_blurred_detail_is_right_where_rejection_made_the_noise_alike():
    """Hardly any light is as fine as 3 to 5 px; what rejection makes alike in the noise passes for a quarter more of it."""
    across = np.hypot(*(np.mgrid[:SIZE, :SIZE] - SIZE / 2))
    signal = 3.0 * signal_plane(6, blur=2.6) * np.exp(-0.5 * (across / 40) ** 4)
    sky = across > 70
    pairs = [clipped_halves(signal, seed) for seed in range(8)]
    raw = np.sqrt(np.mean([band_contrast(half_spectra(*p), 0.2, 0.3) ** 2 for p in pairs]))
    told = np.sqrt(np.mean([band_contrast(half_spectra(*p, shared=shared_noise(*p, sky)), 0.2, 0.3) ** 2 for p in pairs]))
    true = band_contrast(half_spectra(*(2 * [signal.astype(np.float32)])), 0.2, 0.3)
    assert raw > 1.2 * true
    assert told == pytest.approx(true, rel=0.15)


def test_what_has_nothing_in_common_scatters_by_one_sigma():
    """A strong structure against the noise of another picture, 60 times; and against one in which a sixth of it lies under the noise."""
    rng = np.random.default_rng(6)

    def spectra(light, noise):
        return half_spectra(*((light + noise * n).astype(np.float32) for n in rng.normal(0, 1, (2, 128, 128))))

    chance, traces = [], []
    for _ in range(60):
        light, other = rng.normal(0, 1, (2, 128, 128))
        seen = spectra(light, 0.4)
        chance.append(common_sigma(seen, spectra(0.15 * other, 1.0), 0.1, 0.2))
        traces.append(common_sigma(seen, spectra(0.15 * light, 1.0), 0.1, 0.2))
    assert abs(np.mean(chance)) < 0.4
    assert np.std(chance) == pytest.approx(1, abs=0.25)
    assert np.mean(traces) > 4


def test_agreement_leaves_out_common_noise():
    rng = np.random.default_rng(2)
    one, other = 0.05 * signal_plane(30, blur=1.5), 0.05 * signal_plane(31, blur=1.5)
    base = rng.normal(0, 1, one.shape)
    noise = [0.5 * base + np.sqrt(0.75) * rng.normal(0, 1, one.shape) for _ in range(2)]
    a, b = ([(light + 0.02 * n).astype(np.float32) for n in noise] for light in (one, other))
    blind, told = (agreement(half_spectra(*a, shared=s), half_spectra(*b, shared=s), 0.1, 0.2) for s in (evenly(0.0), evenly(1 / 3)))
    true = agreement(*(half_spectra(p.astype(np.float32), p.astype(np.float32)) for p in (one, other)), 0.1, 0.2)
    assert abs(told - true) < abs(blind - true)
