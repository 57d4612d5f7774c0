"""Influences: the error that they give against the scatter of repeats."""

import numpy as np
import pytest
import scipy.stats

from layerblend.evidence import estimates as es

TILES, EACH = 40, 400


def check(draw, estimate, truth, tolerance=1.35):
    runs = [estimate(draw(np.random.default_rng(seed))) for seed in range(150)]
    values = np.array([r.value for r in runs])
    stated = np.sqrt(np.mean([r.variance for r in runs]))
    assert values.mean() == pytest.approx(truth, abs=4 * values.std() / np.sqrt(len(runs)) + 1e-3 * abs(truth))
    assert 1 / tolerance < values.std(ddof=1) / stated < tolerance


def test_mean():
    check(lambda rng: rng.normal(3, 1, 60), es.mean_estimate, 3.0)


def test_trimmed_mean_on_heavy_tails():
    check(lambda rng: rng.standard_t(2, 80) + 1, es.trimmed_estimate, 1.0)


def test_ratio():
    def draw(rng):
        below = rng.uniform(1, 3, 60)
        return 0.7 * below + rng.normal(0, 0.2, 60), below

    check(draw, lambda pair: es.ratio_estimate(*pair), 0.7)


def test_robust_scatter_over_tiles():
    number = np.repeat(np.arange(TILES), EACH)
    check(lambda rng: rng.normal(0, 2, TILES * EACH), lambda v: es.scatter_estimate(v, number, TILES), 2.0)


def test_robust_scatter_where_tiles_differ():
    """Tiles with their own level of noise: the error follows the tiles, not the pixels."""
    number = np.repeat(np.arange(TILES), EACH)

    def draw(rng):
        return rng.normal(0, 1, TILES * EACH) * np.repeat(rng.uniform(0.8, 1.2, TILES), EACH)

    runs = [es.scatter_estimate(draw(np.random.default_rng(s)), number, TILES) for s in range(120)]
    values = np.array([r.value for r in runs])
    stated = np.sqrt(np.mean([r.variance for r in runs]))
    assert 1 / 1.35 < values.std(ddof=1) / stated < 1.35


def test_standard_deviation_of_units():
    check(lambda rng: rng.normal(0, 0.5, 50), es.spread_estimate, 0.4975)


def test_joined_scatter():
    number = np.repeat(np.arange(TILES), EACH)

    def both(v):
        return es.joined_estimate(es.scatter_estimate(v[0], number, TILES), es.scatter_estimate(v[1], number, TILES))

    check(lambda rng: rng.normal(0, 1, (2, TILES * EACH)), both, np.sqrt(2))


def test_no_scatter_at_all():
    assert es.scatter_estimate(np.zeros(100), np.repeat(np.arange(4), 25), 4).variance == 0
    assert es.spread_estimate(np.ones(9)).variance == 0
    zero = es.scatter_estimate(np.zeros(100), np.repeat(np.arange(4), 25), 4)
    assert es.joined_estimate(zero, zero).value == 0


def test_pairs_on_the_same_units_cancel_what_they_share():
    rng = np.random.default_rng(1)
    shared = rng.normal(0, 1, 80)
    a, b = (es.mean_estimate(shared + rng.normal(0, 0.05, 80)) for _ in range(2))
    error = es.pair_error(a, b)
    assert error.difference < 0.1 * np.sqrt(error.a)
    assert error.total > np.sqrt(2 * error.a)
    same = es.pair_error(a, a)
    assert same.difference == pytest.approx(0, abs=1e-9)


def test_error_of_a_trimmed_mean_is_the_published_one():
    """Asymptotic variance of the mean without the outer tenths: 1.061 / n for a normal law (Andrews et al. 1972, Robust estimates)."""
    n = 4000
    normal = scipy.stats.norm.ppf((np.arange(n) + 0.5) / n)
    estimate = es.trimmed_estimate(normal)
    assert estimate.value == pytest.approx(0, abs=1e-12)
    assert n * estimate.variance == pytest.approx(1.061, rel=0.005)
    assert es.trimmed_estimate(np.array([*range(1, 10), 1000.0])).value == 5.5  # 2 to 9: both ends are cut


def test_standard_deviation_is_that_of_a_sample():
    values = np.random.default_rng(3).normal(0, 1, 8)
    assert es.spread_estimate(values).value == pytest.approx(values.std(ddof=1), rel=1e-12)


def test_pairs_have_the_interval_of_a_paired_t_test():
    rng = np.random.default_rng(4)
    first, second = rng.normal(1, 0.3, (2, 9))
    error = es.pair_error(es.mean_estimate(first), es.mean_estimate(second))
    interval = scipy.stats.ttest_rel(first, second).confidence_interval(0.95)
    assert scipy.stats.t.ppf(0.975, error.freedom) * error.difference == pytest.approx((interval.high - interval.low) / 2, rel=1e-9)


def test_variance_that_no_unit_carries_is_added():
    units = np.array([-1.0, 1, -1, 1])
    first, second = es.Estimate(0.0, units, extra=0.25), es.Estimate(0.0, units, extra=0.04)
    assert first.variance == pytest.approx(units.var(ddof=1) / 4 + 0.25)
    assert es.pair_error(first, second).difference == pytest.approx(np.sqrt(0.25 + 0.04))
