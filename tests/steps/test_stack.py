from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import minimum_filter1d

from layerblend.steps import stack as step
from layerblend.steps.stack import StackOrder, combine_rows, make_strata, matched_rows, noise_floor, saturated_share

F = np.float32
WHITE = 65535.0
NO_GAPS = np.zeros((0, 4), np.int32)


# ---------------------------------------------------------------- what the kernel must equal
def oracle(values, order, channel):
    """The rule of the module in plain numpy, for values (N, P) float32; per output mean, stderr, count, rejected and the two halves."""
    _n, pixels = values.shape
    strata, noise = order.strata, order.noise.astype(F)
    groups = [strata.members[a:b] for a, b in zip(strata.edges[:-1], strata.edges[1:], strict=True)]
    mixtures = step._mixtures(strata, order.noise)
    middles, owns, valid = [], [], []
    for members, mixture in zip(groups, mixtures, strict=True):
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


def encode(values, bitpix):
    """Big-endian bytes of ADU values as FITS holds them, their BZERO, and the values they read back as."""
    if bitpix == 16:
        stored = np.clip(np.rint(values), 0, 65535)
        return (stored - 32768).astype(">i2"), 32768.0, stored.astype(F)
    if bitpix == 8:
        stored = np.clip(np.rint(values / 257), 0, 255)
        return stored.astype("u1"), 0.0, stored.astype(F)
    return values.astype(">f4"), 0.0, values.astype(F)


def make_case(seed, n=13, *, rows=3, width=70, bitpix=16, counts=(3, 6, 13), reject=3.0, missing=0.0, uneven=True, extra=0, bent=0.0):
    """Raw rows of ``n`` frames, the order to combine them, and the matched float32 values."""
    rng = np.random.default_rng(seed)
    fwhm = np.sort(rng.uniform(2.5, 5.0, n))
    noise = rng.uniform(0.5, 2.0, n) if uneven else np.ones(n)
    light = 1000 + 4000 * rng.random(rows * width) ** 8
    adu = light + rng.normal(0, 20, (n, rows * width)) * noise[:, None] + np.outer(1 / fwhm**2, light - 1000)
    adu[rng.random(adu.shape) < 0.02] += 3000
    adu[rng.random(adu.shape) < 0.002] = 65535
    stored, bzero, back = encode(adu, bitpix)
    white = 255.0 if bitpix == 8 else WHITE
    gaps = NO_GAPS
    if bitpix < 0 and missing:
        hole = rng.random(stored.shape) < missing
        stored[hole], back[hole] = np.nan, np.nan
    elif missing:
        gaps = np.array([(i, row, 0, rng.integers(1, width // 3)) for row in range(rows) for i in range(0, n, 2)], np.int32)
        for i, row, a, b in gaps:
            back[i, row * width + a : row * width + b] = np.nan
    planes = rng.normal(0, 1e-3, (n, 1, 3))
    if bent:
        planes = np.concatenate([planes, np.random.default_rng(seed).normal(0, bent, (n, 1, 3))], -1)
    weights = [1 / noise**2] + [rng.uniform(0.2, 2, n) for _ in range(extra)]
    order = StackOrder(
        *(rows, width, 1, np.full(n, bitpix), np.ones(n), np.full(n, bzero), np.full(n, step.NO_BLANK)),
        gain=rng.uniform(0.8, 1.2, n) / white,
        planes=planes,
        full=np.full(n, 0.98 * white, F),
        noise=noise,
        weights=np.array(weights, F),
        mapped=np.ones(len(weights), bool),
        sets=np.array([0] * len(counts) + list(range(1, extra + 1))),
        counts=np.array([*counts] + [n] * extra),
        strata=make_strata(fwhm),
        floor=np.array([10 / WHITE]),
        reach=int(rng.integers(1, 20)),
        reject=reject,
    )
    surface = step._surface_rows(order, 0, 0, rows)
    x, y = np.tile(np.linspace(-1, 1, width), rows).astype(F), np.repeat(np.arange(rows), width)
    terms = [surface[:, y, k] for k in range(5)]
    values = back * order.gain.astype(F)[:, None] + (terms[0] + x * (terms[1] + x * (terms[2] + x * (terms[3] + x * terms[4]))))
    return padded(np.ascontiguousarray(stored).view(np.uint8).reshape(n, -1)), order, gaps, values.astype(F)


def padded(raw):
    return np.pad(raw, ((0, 0), (0, -raw.shape[1] % 4)))


def run(raw, order, gaps, row0=0, rows=None):
    rows = rows or order.height
    saturated = np.zeros((-(-len(raw) // 8), rows * order.width), np.uint8)
    return combine_rows(order, 0, raw, row0, gaps=gaps, saturated=saturated), saturated


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
        {"width": step.LANE - 1},
        {"width": step.LANE + 1, "bent": 1e-3},
        {"bitpix": -32, "bent": 1e-2},
        {"width": step.LANE, "bitpix": -32, "missing": 0.1},
        {"width": 2 * step.LANE + 1, "counts": (5, 8, 13)},
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


def test_saturation_is_a_share_of_the_frames_that_cover_a_pixel():
    raw, order, gaps, _ = make_case(1, counts=(3, 13))
    adu = raw.view(">i2").astype(int) + 32768
    out, bits = run(raw, order, gaps)
    cover = (out.count.astype(int) + out.rejected).reshape(2, -1)
    share = saturated_share(bits, cover, order.counts)
    for p, n in enumerate(order.counts):
        np.testing.assert_allclose(share[p], (adu[:n] >= 0.98 * 65535).mean(0), rtol=1e-6)


def test_blank_is_no_data():
    raw, order, gaps, _ = make_case(1, counts=(13,))
    stored = raw.view(">i2").copy()
    stored[:, 5] = -7
    order = replace(order, blank=np.full(13, -7))
    out, _ = run(stored.view(np.uint8), order, gaps)
    assert out.count[0, 0, 5] == 0
    assert np.isnan(out.mean[0, 0, 5])
    assert (out.count[0].ravel()[6:] > 0).all()


def test_equal_frames_give_themselves_with_no_error():
    raw, order, gaps, _ = make_case(1, n=5, counts=(2, 5))
    order = replace(order, gain=np.full(5, 1 / WHITE), planes=np.zeros((5, 1, 3)), floor=np.zeros(1))
    raw = np.tile(raw[:1], (5, 1))
    out, _ = run(raw, order, gaps)
    value = (raw[0].view(">i2").astype(F) + F(32768)) * F(1 / WHITE)
    assert np.array_equal(out.mean[1].ravel(), value)
    assert np.array_equal(out.count[1].ravel(), np.full(value.shape, 5))
    assert (out.stderr == 0).all()


# ---------------------------------------------------------------- strata
def test_strata_hold_frames_of_similar_seeing():
    fwhm = np.random.default_rng(0).permutation(np.concatenate([np.linspace(2.5, 2.7, 9), np.linspace(4.2, 4.8, 51)]))
    strata = make_strata(fwhm)
    groups = [fwhm[strata.members[a:b]] for a, b in zip(strata.edges[:-1], strata.edges[1:], strict=True)]
    assert sorted(np.concatenate(groups)) == sorted(fwhm)
    assert len(groups[0]) == 9
    assert all(g.max() / g.min() <= 1.2 for g in groups)


def test_a_few_far_sharper_frames_stand_alone():
    strata = make_strata(np.array([2.2] * 4 + [4.0] * 12))
    assert list(strata.edges) == [0, 4, 16]
    assert np.allclose(strata.tolerance, 0.05)


def test_one_outlier_stays_with_the_others_under_a_wide_tolerance():
    strata = make_strata(np.array([2.0, *[4.0] * 12]))
    assert list(strata.edges) == [0, 13]
    assert strata.tolerance[0] == pytest.approx(1.0)


def test_an_elongated_frame_widens_the_tolerance_of_its_group():
    """Axis ratio .76: (a - b)/(a + b) = .136, so two thirds of it; frames that share one elongation need none."""
    e, angle = np.zeros(12), np.zeros(12)
    e[3], angle[3] = 0.65, 30
    assert make_strata(np.full(12, 3.0), eccentricity=e, angle=angle).tolerance[0] == pytest.approx(0.0911, abs=1e-3)
    shared = make_strata(np.full(12, 3.0), eccentricity=np.full(12, 0.65), angle=np.full(12, 30.0))
    assert shared.tolerance[0] == pytest.approx(0.05)


def test_large_sets_are_cut_into_even_groups():
    strata = make_strata(np.full(600, 3.0))
    assert np.diff(strata.edges).max() <= 64
    assert np.diff(strata.edges).min() >= 59
    assert make_strata(np.full(3, np.nan)).edges[-1] == 3


@given(st.lists(st.floats(1.0, 12.0), min_size=1, max_size=300))
def test_strata_are_a_division_of_all_frames(widths):
    strata = make_strata(np.array(widths))
    assert sorted(strata.members) == list(range(len(widths)))
    assert strata.edges[0] == 0
    assert strata.edges[-1] == len(widths)
    assert (np.diff(strata.edges) >= 1).all()


# ---------------------------------------------------------------- noise
def test_noise_floor_is_the_noise_of_one_frame():
    rng = np.random.default_rng(1)
    noise = rng.uniform(0.5, 2, 40)
    values = (1000 + rng.normal(0, 5, (40, 4000)) * noise[:, None]).astype(F)
    values[:, ::7] += 3000
    assert noise_floor(values, noise) == pytest.approx(5, rel=0.02)
    assert np.isnan(noise_floor(values[:1], noise[:1]))


def test_the_skys_surface_is_taken_away_where_it_lies() -> None:
    """Against the formula, from a file row in the middle; a plane is a surface that does not bend."""
    order = make_case(1, n=3, counts=(3,), bitpix=-32, rows=4, width=50)[1]
    order = replace(order, height=20, planes=np.random.default_rng(1).normal(0, 1e-2, (3, 1, 15)))
    v, u = np.meshgrid(np.linspace(-1, 1, 20)[7:11], np.linspace(-1, 1, 50), indexing="ij")
    terms = [1 + 0 * u, u, v, u**2, u * v, v**2, u**3, u**2 * v, u * v**2, v**3, u**4, u**3 * v, u**2 * v**2, u * v**3, v**4]
    raw = np.zeros((3, 4 * 50 * 4), np.uint8)
    for planes in (order.planes, order.planes[..., :6], order.planes[..., :3]):
        found = step.matched_rows(replace(order, planes=planes), 0, np.arange(3), raw, 7, gaps=NO_GAPS)
        np.testing.assert_allclose(found, -np.tensordot(planes[:, 0], np.stack(terms[: planes.shape[2]]), 1), atol=1e-7)


def test_matched_rows_are_the_values_that_are_combined():
    raw, order, gaps, values = make_case(6, missing=1)
    chosen = np.array([0, 3, 8, 12])
    got = matched_rows(order, 0, chosen, raw[chosen], 0, gaps=gaps)
    np.testing.assert_array_equal(got.reshape(4, -1), values[chosen])
