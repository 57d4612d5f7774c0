"""Influences: the error that they give against the scatter of repeats."""

import numpy as np
import pytest

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
