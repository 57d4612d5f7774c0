"""What the kernel must equal: the rule of the step in plain numpy."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import minimum_filter1d

from layerblend.steps.stack.rows import combine_rows
from layerblend.steps.stack.sizes import LANE
from layerblend.steps.stack.strata import mixtures
from tests.scenes.rows import WHITE, F, make_case, padded, run


def oracle(values, order, channel):
    """The rule of the module in plain numpy, for values (N, P) float32; per output mean, stderr, count, rejected and the two halves."""
    _n, pixels = values.shape
    strata, noise = order.strata, order.noise.astype(F)
    groups = [strata.members[a:b] for a, b in zip(strata.edges[:-1], strata.edges[1:], strict=True)]
    factors = mixtures(strata, order.noise)
    middles, owns, valid = [], [], []
    for members, mixture in zip(groups, factors, strict=True):
        middle, mad = (np.zeros(pixels, F) for _ in range(2))
        there = np.isfinite(values[members]).sum(0)
        for p in np.flatnonzero(there):
            column = values[members, p]
            column = column[np.isfinite(column)]
            middle[p] = np.median(column)
            mad[p] = np.median(np.abs(column - middle[p]))
        middles.append(middle)
        owns.append(mad * (mixture * (F(1) + F(0.8) / np.maximum(there, 1).astype(F))))
        valid.append(there.astype(F))
    pool = sum(v * o for v, o in zip(valid, owns, strict=True)) / np.maximum(sum(valid), F(1))
    kept = np.zeros(values.shape, bool)
    floor, square = F(order.floor[channel]), F(order.reject) * F(order.reject)
    for s, members in enumerate(groups):
        variance = (valid[s] * owns[s] * owns[s] + F(15) * pool * pool) / (valid[s] + F(15))
        seeing = strata.tolerance[s] * np.maximum(middles[s] - lowest(middles[s], valid[s], order), F(0))
        spread, wide = square * np.maximum(variance, floor * floor), square * seeing * seeing
        for i in members:
            d = values[i] - middles[s]
            kept[i] = np.isfinite(values[i]) & ((d * d <= spread * (noise[i] * noise[i]) + wide) | (order.reject == 0))
    centre = np.zeros(pixels)
    for m, v in zip(middles[::-1], valid[::-1], strict=True):
        centre = np.where(v > 0, m, centre)
    return [_sums(values.astype(float), kept, order, p, float(floor), centre) for p in range(len(order.counts))]


def lowest(middle, valid, order):
    """The lowest median of a row up to ``reach`` to the left and right (scipy)."""
    rows = np.where(valid > 0, middle, F(3e38)).reshape(-1, order.width)
    return minimum_filter1d(rows, 2 * order.reach + 1, axis=1, mode="constant", cval=F(3e38)).ravel()


def _sums(values, kept, order, p, floor, stand_in):
    count, w = order.counts[p], order.weights[order.sets[p]].astype(float)
    v, k = np.nan_to_num(values[:count]), kept[:count]
    u, r = order.weights[0, :count, None].astype(float), order.noise[:count, None].astype(float)
    w = w[:count, None]
    with np.errstate(all="ignore"):
        mean = (w * v * k).sum(0) / (w * k).sum(0)
        halves = [(w * v * k)[h::2].sum(0) / (w * k)[h::2].sum(0) for h in (0, 1)]
        centre = (u * v * k).sum(0) / (u * k).sum(0)
        c = k.sum(0)
        variance = np.where(c > 1, (u * k * (v - centre) ** 2).sum(0) / (c - 1), floor**2)
        stderr = np.sqrt(variance * (w**2 * r**2 * k).sum(0)) / (w * k).sum(0)
    there = [np.isfinite(values[:count])[h].sum(0) for h in (slice(None), slice(0, None, 2), slice(1, None, 2))]
    mean, *halves = (np.where(np.isnan(m) & (t > 0), stand_in, m) for m, t in zip((mean, *halves), there, strict=True))
    return mean, np.where((c == 0) & (there[0] > 0), floor, stderr), c, there[0] - c, *halves


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"bitpix": -32, "missing": 0.3},
        {"bitpix": 8},
        {"missing": 1, "n": 40, "counts": (10, 20, 30, 40)},
        {"n": 1, "counts": (1,)},
        {"n": 2, "counts": (1, 2)},
        {"n": 7, "counts": (2, 7), "reject": 0.0},
        {"n": 150, "counts": (38, 150), "rows": 1, "width": 300},
        {"uneven": False, "extra": 2},
        {"width": LANE - 1},
        {"width": LANE + 1, "bent": 1e-3},
        {"bitpix": -32, "bent": 1e-2},
        {"width": LANE, "bitpix": -32, "missing": 0.1},
        {"width": 2 * LANE + 1, "counts": (5, 8, 13)},
    ],
    ids=str,
)
def test_equals_the_plain_rule(options):
    """Counts exactly; means within 1e-3 standard errors; errors within 1e-4 or the last bits of float32 values."""
    raw, order, gaps, values = make_case(5, **options)
    out, _ = run(raw, order, gaps)
    for p, (mean, stderr, count, rejected, a, b) in enumerate(oracle(values, order, 0)):
        assert np.array_equal(out.count[p].ravel(), count)
        assert np.array_equal(out.rejected[p].ravel(), rejected)
        for got, wanted in ((out.mean, mean), (out.half_a, a), (out.half_b, b)):
            assert np.array_equal(np.isnan(got[p].ravel()), np.isnan(wanted))
            assert np.nanmax(np.abs(got[p].ravel() - wanted) / np.maximum(stderr, 1e-5), initial=0) < 1e-3
        np.testing.assert_allclose(out.stderr[p].ravel(), stderr, rtol=1e-4, atol=3e-8)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**31), st.integers(1, 30), st.sampled_from([16, -32]), st.floats(0, 0.6))
def test_counts_equal_the_plain_rule_for_any_set(seed, n, bitpix, missing):
    raw, order, gaps, values = make_case(seed, n, rows=2, width=33, bitpix=bitpix, counts=(max(1, n // 3), n), missing=missing)
    out, _ = run(raw, order, gaps)
    for p, (_, _, count, rejected, *_) in enumerate(oracle(values, order, 0)):
        assert np.array_equal(out.count[p].ravel(), count)
        assert np.array_equal(out.rejected[p].ravel(), rejected)


def test_a_sum_with_a_stacks_own_weights_is_that_stack():
    raw, order, gaps, _ = make_case(2, extra=1, counts=(5, 13))
    order = replace(order, weights=np.stack([order.weights[0], order.weights[0]]))
    out, _ = run(raw, order, gaps)
    for name in ("mean", "count", "rejected", "half_a", "half_b"):
        np.testing.assert_array_equal(getattr(out, name)[1], getattr(out, name)[2], err_msg=name)
    np.testing.assert_allclose(out.stderr[1], out.stderr[2], rtol=1e-6)


def test_blocks_and_bands_do_not_show():
    """The same bytes whether rows are combined together or one by one, whatever the width of a row against the block."""
    raw, order, gaps, _ = make_case(3, width=700, rows=4, missing=1)
    together, bits = run(raw, order, gaps)
    lost = np.zeros_like(together.lost)
    for row in range(4):
        part, part_bits = run(padded(raw[:, row * 1400 : (row + 1) * 1400]), order, gaps[gaps[:, 1] == row], row, 1)
        lost += part.lost
        assert np.array_equal(part_bits, bits[:, row * 700 : (row + 1) * 700])
        for name in ("mean", "stderr", "count", "rejected", "half_a", "half_b"):
            np.testing.assert_array_equal(getattr(part, name)[:, 0], getattr(together, name)[:, row])
    assert np.array_equal(lost, together.lost)


def test_results_written_over_earlier_ones_are_the_same():
    raw, order, gaps, _ = make_case(3, width=200, extra=1)
    order = replace(order, mapped=np.array([True, False]))
    fresh, bits = run(raw, order, gaps)
    earlier = combine_rows(order, 0, raw[::-1].copy(), 0, gaps=gaps, saturated=bits.copy())
    again = combine_rows(order, 0, raw, 0, gaps=gaps, saturated=bits.copy(), out=earlier)
    assert again.mean is earlier.mean
    for name in ("mean", "stderr", "count", "rejected", "half_a", "half_b", "lost"):
        np.testing.assert_array_equal(getattr(again, name), getattr(fresh, name), err_msg=name)


def test_lost_samples_are_counted_per_frame_and_cell():
    raw, order, gaps, _ = make_case(4, width=150, missing=1)
    out, _ = run(raw, order, gaps)
    assert out.lost.shape == (13, 3)
    assert out.lost.sum() == out.rejected[-1].sum()
    assert np.array_equal(out.lost.sum(0), [out.rejected[-1][:, c : c + 64].sum() for c in (0, 64, 128)])


def test_equal_frames_give_themselves_with_no_error():
    raw, order, gaps, _ = make_case(1, n=5, counts=(2, 5))
    order = replace(order, gain=np.full(5, 1 / WHITE), planes=np.zeros((5, 1, 3)), floor=np.zeros(1))
    raw = np.tile(raw[:1], (5, 1))
    out, _ = run(raw, order, gaps)
    value = (raw[0].view(">i2").astype(F) + F(32768)) * F(1 / WHITE)
    assert np.array_equal(out.mean[1].ravel(), value)
    assert np.array_equal(out.count[1].ravel(), np.full(value.shape, 5))
    assert (out.stderr == 0).all()
