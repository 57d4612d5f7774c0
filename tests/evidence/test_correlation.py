"""Fourier ring correlation: against known truth, against its own error bar, and what fools it."""

import numpy as np
import pytest
import scipy.fft
from hypothesis import given, settings
from hypothesis import strategies as st

from layerblend.errors import ArgumentError
from layerblend.evidence.correlation import (
    band_difference_variance,
    band_snr,
    fill_masked,
    half_spectra,
    hann_window,
    make_rings,
    ring_correlation,
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
