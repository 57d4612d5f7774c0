"""Stack: nested stacks of registered frames in one pass, each sample judged once, among frames of similar seeing.

How a sample is judged. Frames are grouped into strata of similar seeing. Inside a stratum, at one pixel of one channel, the centre is the
exact median m and the scale is own = 1.4826 MAD (1 + 0.8/n), in units of a frame of ordinary noise (r = 1). The scale is steadied by the
pooled one of all strata and by a noise floor, and widened where seeing alone moves the values of a star, which is where the picture rises
above the lowest median a few star widths to the left and right; a galaxy is smooth, so trails across it stand out as on the sky:

    s^2 = max((n own^2 + 15 pool^2) / (n + 15), floor^2)        e = tolerance (m - lowest m nearby)
    a sample is kept while (x - m)^2 <= reject^2 (s^2 r^2 + e^2)

A stack of the best n frames is the running weighted sum after n frames in rank order, so that all stacks come out of one reading and agree
about every sample. Median and MAD as location and scale: Hampel 1974, JASA 69, 383; the 0.8/n correction and the pooling were measured on
simulated frames.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numba import njit
from scipy.optimize import brentq
from scipy.special import erf

from layerblend.kinds import Array
from layerblend.maths.lanes import larger, smaller

F = np.float32
NO_DATA = F(3e38)
LIMIT = F(1e30)
"""Values beyond this are no data: NaN, infinities and the mark for uncovered pixels."""

NO_BLANK = np.iinfo(np.int64).min
BLOCK = 256
"""Columns worked on together: N x 256 float32 stay in the second-level cache, and the inner loops fill vector registers."""

CELL = 64
"""Side in px of the squares in which rejected samples are counted for the rejection picture."""

SATURATED_SHARE = 0.98
"""A sample at or above this share of the white level counts as saturated: interpolation of registered frames lowers the very top."""

SIMILAR = 1.2
FEWEST = 7
FEWEST_APART = 3
MOST = 64
POOLED = F(15)
LEAST_TOLERANCE = 0.05
SKY_SHARE = 0.4
REACH_FWHM, REACH_PX = 3.0, (6, 32)


# ---------------------------------------------------------------- strata
@dataclass(frozen=True)
class Strata:
    """Groups of similar seeing. ``members`` : (N,) frame indices, group after group; ``edges`` : (S + 1,); ``tolerance`` : (S,) float32."""

    members: Array
    edges: Array
    tolerance: Array


def make_strata(fwhm: Array, *, eccentricity: Array | None = None, angle: Array | None = None) -> Strata:
    """Group frames whose widths differ by at most a fifth, seven to sixty-four together.

    A larger group is cut at its largest relative gap; fewer than seven frames (but at least three) stand alone only beyond a gap as wide
    as a whole group. Sixty-four frames settle a median well enough, and keep the cost per sample flat. The tolerance of a group is a third
    of the largest relative change that its frames' shapes make in a star: peaks go as FWHM^-2, and an elongation of (a - b)/(a + b) = x
    off the group's own changes the width by 1 + x; at least .05.

    Parameters
    ----------
    fwhm : (N,) px; eccentricity, angle : (N,), degrees, of the star images
    """
    width = np.asarray(fwhm, float)
    known = np.isfinite(width) & (width > 0)
    width = np.where(known, width, np.median(width[known]) if known.any() else 1.0)
    order = np.argsort(width, kind="stable")
    cuts = _even_cuts(_seeing_cuts(width[order], 0, len(order)))
    stretch = np.zeros((len(order), 2)) if eccentricity is None or angle is None else _stretches(eccentricity, angle)
    tolerance = [_tolerance(width[order[a:b]], stretch[order[a:b]]) for a, b in pairwise(cuts)]
    return Strata(order.astype(np.int64), np.array(cuts, np.int64), np.array(tolerance, F))


def star_reach(fwhm: Array) -> int:
    """How far, px, a star's light reaches beside its centre before it is level with its surroundings: three of the widest FWHM."""
    known = np.asarray(fwhm, float)[np.isfinite(fwhm)]
    return int(np.clip(np.ceil(REACH_FWHM * known.max()), *REACH_PX)) if known.size else REACH_PX[0]


def _stretches(eccentricity: Array, angle: Array) -> Array:
    """(N, 2): (a - b)/(a + b) along 0 and 45 degrees; unknown shapes count as round."""
    ratio = np.sqrt(1 - np.clip(np.nan_to_num(np.asarray(eccentricity, float)), 0, 0.99) ** 2)
    twice = 2 * np.deg2rad(np.nan_to_num(np.asarray(angle, float)))
    return ((1 - ratio) / (1 + ratio))[:, None] * np.stack([np.cos(twice), np.sin(twice)], 1)


def _seeing_cuts(width: Array, start: int, stop: int) -> list[int]:
    cut = _cut(width, start, stop)
    if cut is None:
        return [start, stop]
    return _seeing_cuts(width, start, cut)[:-1] + _seeing_cuts(width, cut, stop)


def _cut(width: Array, start: int, stop: int) -> int | None:
    """Where to divide width[start:stop], or None when it may stay together (or is too small to divide)."""
    if stop - start < 2 or width[stop - 1] / width[start] <= SIMILAR:
        return None
    gap = width[start + 1 : stop] / width[start : stop - 1]
    after = np.arange(start + 1, stop)
    side = np.minimum(after - start, stop - after)
    allowed = (side >= FEWEST) | ((side >= FEWEST_APART) & (gap > SIMILAR))
    return int(after[np.argmax(np.where(allowed, gap, 0))]) if allowed.any() else None


def _even_cuts(cuts: list[int]) -> list[int]:
    """Divide groups of more than ``MOST`` frames into equal ones."""
    out = [cuts[0]]
    for a, b in pairwise(cuts):
        parts = -(-(b - a) // MOST)
        out += [a + (b - a) * k // parts for k in range(1, parts + 1)]
    return out


def _tolerance(width: Array, stretch: Array) -> float:
    middle = float(np.median(width))
    peak = max((middle / width.min()) ** 2 - 1, 1 - (middle / width.max()) ** 2)
    shape = 2 * float(np.hypot(*(stretch - np.median(stretch, 0)).T).max())
    return max(LEAST_TOLERANCE, max(peak, shape) / 3)


def _mixtures(strata: Strata, noise: Array) -> Array:
    """(S,) float32: factor from a group's MAD to its unit noise, when frame i's noise is noise[i] units (1.4826 when all are 1).

    The MAD of a mixture of normal values solves mean erf(MAD / (sqrt(2) noise)) = 1/2.
    """
    out = []
    for a, b in pairwise(strata.edges):
        part = np.asarray(noise, float)[strata.members[a:b]] * np.sqrt(2)
        out.append(1 / brentq(lambda mad, part=part: erf(mad / part).mean() - 0.5, 1e-6 * part.min(), 10 * part.max()))
    return np.array(out, F)


# ---------------------------------------------------------------- the order for a pass
@dataclass(frozen=True)
class StackOrder:
    """Everything that decides pixels in one pass over frames in rank order; plain arrays, so that it travels to any worker.

    Raw values (``bitpix`` 8, 16 or -32) become ADU as raw * ``bscale`` + ``bzero``, linear light as ADU * ``gain`` - (c0 + cx u + cy v)
    with ``planes`` (N, C, 3), u and v in -1..1 over the *file's* columns and rows. ``full`` : (N,) ADU from which a sample is saturated.
    ``noise`` : (N,) relative noise r. ``weights`` : (J, N) float32, the first row 1/r^2. Output p sums the first ``counts[p]`` frames with
    the weights ``sets[p]``; counts rise. ``mapped`` : (J,) bool, whether a weight set's outputs get error and counts. ``reach`` px: how far
    the light of a star may count. ``floor`` : (C,) linear light. ``reject`` in sigma, 0 keeps every sample.
    """

    height: int
    width: int
    channels: int
    bitpix: Array
    bscale: Array
    bzero: Array
    blank: Array
    gain: Array
    planes: Array
    full: Array
    noise: Array
    weights: Array
    mapped: Array
    sets: Array
    counts: Array
    strata: Strata
    reach: int
    floor: Array
    reject: float


@dataclass(frozen=True)
class Combined:
    """Rows of all outputs of one channel; (P, rows, W) each, errors and counts zero where not ``mapped``.

    ``lost`` : (N, cells) int32, samples of each frame rejected per 64 columns.
    """

    mean: Array
    stderr: Array
    count: Array
    rejected: Array
    half_a: Array
    half_b: Array
    lost: Array


def combine_rows(order: StackOrder, channel: int, raw: Array, row0: int, *, gaps: Array, saturated: Array) -> Combined:
    """Combine a few rows of one channel.

    Parameters
    ----------
    raw : (N, bytes) uint8, each frame's rows as they stand in its file (big-endian), from file row ``row0``; padded to fours of bytes.
    gaps : (n, 4) int64, frame, file row, x0, x1 of runs without data, sorted by row.
    saturated : (ceil(N / 8), rows * W) uint8, one bit per frame; bits are set where this channel is saturated (the one array written to).

    Returns
    -------
    Combined, whose arrays the caller owns.
    """
    rows = saturated.shape[1] // order.width
    shape = (len(order.counts), rows, order.width)
    out = Combined(
        *(np.empty(shape, F), np.zeros(shape, F), np.zeros(shape, np.uint16), np.zeros(shape, np.uint16)),
        *(np.empty(shape, F), np.empty(shape, F)),
        np.zeros((len(order.bitpix), -(-order.width // CELL)), np.int32),
    )
    base, slope = _offsets(order, channel, row0, rows)
    first = np.searchsorted(gaps[:, 1], np.arange(row0, row0 + rows + 1))
    strata = order.strata
    frames = (order.bitpix, order.bscale, order.bzero, order.blank, order.gain.astype(F), base, slope, order.full)
    _combine(
        *(_as_numbers(raw), frames, gaps, first, strata.members, strata.edges, strata.tolerance),
        *(order.noise.astype(F), _mixtures(strata, order.noise), F(order.reject), F(order.floor[channel]), order.reach),
        *(order.weights, order.mapped, order.sets, order.counts),
        *(out.mean, out.stderr, out.count, out.rejected, out.half_a, out.half_b, out.lost, saturated),
    )
    return out


def _as_numbers(raw: Array) -> tuple[Array, Array, Array]:
    """The raw rows as whole numbers of 1, 2 and 4 bytes; the same memory."""
    return raw, raw.view(np.uint16), raw.view(np.uint32)


def _offsets(order: StackOrder, channel: int, row0: int, rows: int) -> tuple[Array, Array]:
    """The sky plane as value = ADU * gain + base[row] + slope * column, float32."""
    c0, cx, cy = order.planes[:, channel].T
    v = 2 * np.arange(row0, row0 + rows) / max(order.height - 1, 1) - 1
    base = cx[:, None] - c0[:, None] - cy[:, None] * v
    return base.astype(F), (-2 * cx / max(order.width - 1, 1)).astype(F)


def matched_rows(order: StackOrder, channel: int, frames: Array, raw: Array, row0: int, *, gaps: Array) -> Array:
    """(n, rows, W) float32: some frames in matched linear light, NaN where there is no data; ``raw`` and ``gaps`` as for `combine_rows`."""
    itemsize = np.abs(order.bitpix[frames]) // 8
    rows = max(1, int(raw.shape[1] // itemsize.max()) // order.width)
    base, slope = _offsets(order, channel, row0, rows)
    out = np.empty((len(frames), rows, order.width), F)
    _match_rows(
        *(*_as_numbers(raw), order.bitpix[frames], order.bscale[frames], order.bzero[frames], order.blank[frames]),
        *(order.gain[frames].astype(F), base[frames], slope[frames], out),
    )
    out[out >= LIMIT] = np.nan
    place = {int(frame): k for k, frame in enumerate(frames)}
    for frame, row, start, stop in gaps[np.searchsorted(gaps[:, 1], row0) : np.searchsorted(gaps[:, 1], row0 + rows)]:
        if int(frame) in place:
            out[place[int(frame)], row - row0, start:stop] = np.nan
    return out


def noise_floor(values: Array, noise: Array) -> float:
    """The noise of a frame of relative noise 1 in the darker two fifths of the pixels, from how each frame differs from the next.

    values : (n, pixels) float32, matched, NaN = no data; noise : (n,) relative. NaN when no two neighbours overlap.
    """
    seen = np.isfinite(values).any(0)
    if not seen.any():
        return float("nan")
    middle = np.nanmedian(values[:, seen], axis=0)
    dark = values[:, seen][:, middle <= np.quantile(middle, SKY_SHARE)]
    scales = []
    for (a, ra), (b, rb) in pairwise(zip(dark, np.asarray(noise, float), strict=True)):
        difference = (a - b)[np.isfinite(a - b)]
        if difference.size:
            scales.append(1.4826 * np.median(np.abs(difference - np.median(difference))) / np.hypot(ra, rb))
    return float(np.median(scales)) if scales else float("nan")


def saturated_share(bits: Array, cover: Array, counts: Array) -> Array:
    """(P, pixels) float32: share of the first ``counts[p]`` frames that are saturated, among those that cover the pixel (``cover``)."""
    out = np.zeros(cover.shape, F)
    places = np.flatnonzero(bits.any(0))  # few: only there is anything to count
    marked = bits[:, places]
    for p, count in enumerate(counts):
        whole, rest = divmod(int(count), 8)
        hits = np.bitwise_count(marked[:whole]).sum(0, dtype=np.int64)
        if rest:
            hits += np.bitwise_count(marked[whole] & np.uint8((1 << rest) - 1))
        out[p, places] = hits / np.maximum(cover[p, places], 1)
    return out


# ---------------------------------------------------------------- the kernel
@njit(cache=True, nogil=True, error_model="numpy")
def _match_rows(bytes1, bytes2, bytes4, bitpix, bscale, bzero, blank, gain, base, slope, out):
    """Every row of every frame in matched linear light."""
    width = out.shape[2]
    adu = np.empty(width, F)
    columns = np.arange(width).astype(F)
    gone, over = np.zeros(width, F), np.zeros(width, F)
    for i in range(out.shape[0]):
        for row in range(out.shape[1]):
            place = row * width
            _load(bytes1[i], bytes2[i], bytes4[i], bitpix[i], bscale[i], bzero[i], blank[i], place, width, adu, adu.view(np.uint32))
            _level(adu, gain[i], base[i, row], slope[i], columns, LIMIT, width, out[i, row], gone, over)


@njit(cache=True, nogil=True, error_model="numpy")
def _sort_columns(block, count, length):
    """Sort the first ``count`` rows of every column, all columns at once: Batcher's odd-even merge network (1968, AFIPS 32, 307)."""
    part = 1
    while part < count:
        step = part
        while step >= 1:
            first = step % part
            while first <= count - 1 - step:
                for i in range(min(step, count - first - step)):
                    low = first + i
                    high = low + step
                    if low // (2 * part) == high // (2 * part):
                        for j in range(length):
                            x = block[low, j]
                            y = block[high, j]
                            block[low, j] = smaller(x, y)
                            block[high, j] = larger(x, y)
                first += 2 * step
            step //= 2
        part *= 2


@njit(cache=True, nogil=True, error_model="numpy")
def _median_and_mad(block, valid, complete, count, length, middle, mad):
    """Exact median and MAD of every sorted column of ``block``, of which ``valid[j]`` values count; 0 where none does.

    In sorted values the h nearest to the median stand together, so the h-th smallest deviation is the least, over all runs of h values,
    of the larger end's deviation: no second sort.
    """
    if complete:
        for j in range(length):
            middle[j] = F(0.5) * (block[(count - 1) // 2, j] + block[count // 2, j])
            mad[j] = F(0)
        for near in range((count - 1) // 2, count // 2 + 1):
            _add_near(block, count, near, length, middle, mad)
        for j in range(length):
            mad[j] *= F(1) if count % 2 else F(0.5)
        return
    for j in range(length):
        n = int(valid[j])
        middle[j] = mad[j] = F(0)
        if n == 0:
            continue
        m = F(0.5) * (block[(n - 1) // 2, j] + block[n // 2, j])
        for near in range((n - 1) // 2, n // 2 + 1):
            least = NO_DATA
            for i in range(n - near):
                least = smaller(least, larger(m - block[i, j], block[i + near, j] - m))
            mad[j] += least
        mad[j] *= F(1) if n % 2 else F(0.5)
        middle[j] = m


@njit(cache=True, nogil=True, error_model="numpy")
def _add_near(block, count, near, length, middle, total):
    """Add the near-th smallest deviation (from 0) of every sorted column from its median to ``total``."""
    least = np.empty(length, F)
    for j in range(length):
        least[j] = NO_DATA
    for i in range(count - near):
        below = block[i]
        above = block[i + near]
        for j in range(length):
            least[j] = smaller(least[j], larger(middle[j] - below[j], above[j] - middle[j]))
    for j in range(length):
        total[j] += least[j]


@njit(cache=True, nogil=True, error_model="numpy")
def _load(bytes1, bytes2, bytes4, bitpix, bscale, bzero, blank, place, length, adu, words):
    """Big-endian FITS values of one frame, pixels place..place + length, into ADU (float32); what is missing becomes NO_DATA or stays NaN.

    ``bytes1``, ``bytes2``, ``bytes4`` view the same raw row as whole numbers of 1, 2 and 4 bytes, ``words`` views ``adu``.
    """
    scale, zero = F(bscale), F(bzero)
    if bitpix == 16:
        two = bytes2[place : place + length]  # a slice, because an index that might be negative is looked at twice
        for j in range(length):
            adu[j] = F(np.int16((two[j] >> np.uint16(8)) | (two[j] << np.uint16(8)))) * scale + zero
        if blank != NO_BLANK:
            for j in range(length):
                value = np.int16((two[j] >> np.uint16(8)) | (two[j] << np.uint16(8)))
                adu[j] = adu[j] if value != blank else NO_DATA
    elif bitpix == 8:
        one = bytes1[place : place + length]
        for j in range(length):
            adu[j] = F(one[j]) * scale + zero if one[j] != blank else NO_DATA
    else:
        four = bytes4[place : place + length]
        for j in range(length):
            high = (four[j] >> np.uint32(24)) | ((four[j] >> np.uint32(8)) & np.uint32(0xFF00))
            words[j] = high | ((four[j] << np.uint32(8)) & np.uint32(0xFF0000)) | (four[j] << np.uint32(24))
        for j in range(length):
            adu[j] = adu[j] * scale + zero


@njit(cache=True, nogil=True, error_model="numpy")
def _level(adu, gain, base, slope, columns, full, length, out, gone, over):
    """ADU into matched linear light. ``gone`` counts missing values, ``over`` keeps the largest ADU - full so far, both per column."""
    for j in range(length):
        a = adu[j]
        x = a * gain + (base + slope * columns[j])
        good = abs(a) < LIMIT
        out[j] = x if good else NO_DATA
        gone[j] += F(0) if good else F(1)
        over[j] = larger(over[j], (a if good else F(0)) - full)


@njit(cache=True, nogil=True, error_model="numpy")
def _largest(values, length):
    found = values[0]
    for j in range(length):
        found = larger(found, values[j])
    return found


@njit(cache=True, nogil=True, error_model="numpy")
def _mark(adu, full, length, bit, flags):
    """Set one frame's bit where it is saturated."""
    for j in range(length):
        if full <= adu[j] < LIMIT:
            flags[j] |= bit


@njit(cache=True, nogil=True, error_model="numpy")
def _fill(raw, frames, place, column, length, row, gaps, first_gap, adu, columns, gone, over, block):
    """Matched values of all frames in one block of columns; whether none is missing."""
    bytes1, bytes2, bytes4 = raw
    bitpix, bscale, bzero, blank, gain, base, slope, full = frames
    words = adu.view(np.uint32)
    for j in range(length):
        columns[j] = F(column + j)
        gone[j] = F(0)
        over[j] = F(-1)
    for i in range(len(bitpix)):
        _load(bytes1[i], bytes2[i], bytes4[i], bitpix[i], bscale[i], bzero[i], blank[i], place, length, adu, words)
        _level(adu, gain[i], base[i, row], slope[i], columns, full[i], length, block[i], gone, over)
    for g in range(first_gap[row], first_gap[row + 1]):
        for x in range(max(gaps[g, 2], column), min(gaps[g, 3], column + length)):
            block[gaps[g, 0], x - column] = NO_DATA
            gone[x - column] += F(1)
    return _largest(gone, length) == 0


@njit(cache=True, nogil=True, error_model="numpy")
def _flag(raw, frames, place, length, adu, saturated):
    """Set the bits of saturated samples of all frames."""
    bytes1, bytes2, bytes4 = raw
    bitpix, bscale, bzero, blank, _, _, _, full = frames
    for i in range(len(bitpix)):
        _load(bytes1[i], bytes2[i], bytes4[i], bitpix[i], bscale[i], bzero[i], blank[i], place, length, adu, adu.view(np.uint32))
        _mark(adu, full[i], length, np.uint8(1 << (i & 7)), saturated[i >> 3, place:])


@njit(cache=True, nogil=True, error_model="numpy")
def _centres(block, scratch, members, edges, mixture, complete, length, middle, own, valid):
    """Median, scale and number of values of every stratum in one block of columns."""
    for s in range(len(edges) - 1):
        count = edges[s + 1] - edges[s]
        for k in range(count):
            values = block[members[edges[s] + k]]
            for j in range(length):
                scratch[k, j] = values[j]
        for j in range(length):
            valid[s, j] = F(count)
        if not complete:
            for j in range(length):
                valid[s, j] = F(0)
            for k in range(count):
                for j in range(length):
                    valid[s, j] += F(1) if scratch[k, j] < LIMIT else F(0)
        _sort_columns(scratch, count, length)
        _median_and_mad(scratch, valid[s], complete, count, length, middle[s], own[s])
        for j in range(length):
            own[s, j] *= mixture[s] * (F(1) + F(0.8) / larger(valid[s, j], F(1)))


@njit(cache=True, nogil=True, error_model="numpy")
def _lowest_nearby(values, valid, reach, width, spare, low):
    """The lowest of the values up to ``reach`` to the left and right of each, by windows that double in width."""
    for j in range(width):
        low[j] = values[j] if valid[j] > 0 else NO_DATA
    half = 0  # low[j] holds the lowest of j - half .. j + half
    while half < reach:
        step = min(half + 1, reach - half)
        for j in range(width):
            spare[j] = low[j]
        here, before = low[step:width], spare[: width - step]
        for j in range(width - step):
            here[j] = smaller(here[j], before[j])
        here, after = low[: width - step], spare[step:width]
        for j in range(width - step):
            here[j] = smaller(here[j], after[j])
        half += step


@njit(cache=True, nogil=True, error_model="numpy")
def _limits(middle, own, valid, tolerance, reject, floor, reach, width, pool, total, spare, low, spread, wide):
    """Limits of every stratum along a row: a sample is kept while (x - middle)^2 <= spread r^2 + wide."""
    strata = len(middle)
    square = reject * reject
    for j in range(width):
        pool[j] = total[j] = F(0)
    for s in range(strata):
        for j in range(width):
            pool[j] += valid[s, j] * own[s, j]
            total[j] += valid[s, j]
    for j in range(width):
        pool[j] /= larger(total[j], F(1))
    for s in range(strata):
        _lowest_nearby(middle[s], valid[s], reach, width, spare, low)
        for j in range(width):
            n = valid[s, j]
            variance = (n * own[s, j] * own[s, j] + POOLED * pool[j] * pool[j]) / (n + POOLED)
            seeing = tolerance[s] * larger(middle[s, j] - low[j], F(0))
            spread[s, j] = square * larger(variance, floor * floor) if reject > 0 else LIMIT
            wide[s, j] = square * seeing * seeing


@njit(cache=True, nogil=True, error_model="numpy")
def _accept(values, middle, spread, wide, reference, noise2, length, use, deviation, seen, kept):
    """Which samples of one frame are kept (``use`` 1 or 0), and their deviations from the pixel's reference value."""
    for j in range(length):
        x = values[j]
        d = x - middle[j]
        good = (d * d <= spread[j] * noise2 + wide[j]) & (x < LIMIT)
        use[j] = F(1) if good else F(0)
        deviation[j] = x - reference[j] if good else F(0)
        kept[j] += F(1) if good else F(0)
        seen[j] += F(1) if x < LIMIT else F(0)


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"reassoc"})
def _total(values):
    """The sum of ones and noughts: whole numbers, so that the order of adding, left to the compiler, does not matter."""
    total = F(0)
    for j in range(len(values)):
        total += values[j]
    return int(total)


@njit(cache=True, nogil=True, error_model="numpy")
def _count_lost(values, complete, use, column, length, lost):
    """Add one frame's rejected samples to its cells."""
    for first in range(0, length, CELL):
        last = min(first + CELL, length)
        there = last - first
        if not complete:
            there = 0
            for j in range(first, last):
                there += 1 if values[j] < LIMIT else 0
        lost[(column + first) // CELL] += there - _total(use[first:last])


@njit(cache=True, nogil=True, error_model="numpy")
def _add(weight, use, deviation, length, weights, sums):
    for j in range(length):
        weights[j] += weight * use[j]
        sums[j] += weight * deviation[j]


@njit(cache=True, nogil=True, error_model="numpy")
def _add_squares(weight, deviation, length, squares):
    for j in range(length):
        squares[j] += weight * deviation[j] * deviation[j]


@njit(cache=True, nogil=True, error_model="numpy")
def _add_ones(weight, use, length, sums):
    for j in range(length):
        sums[j] += weight * use[j]


@njit(cache=True, nogil=True, error_model="numpy")
def _write_means(weights, sums, reference, seen, length, mean, half_a, half_b):
    """A weighted mean and its two halves. Where all samples are rejected (the others say so) the group's median stands in: no hole."""
    for j in range(length):
        wa, wb, sa, sb = weights[0, j], weights[1, j], sums[0, j], sums[1, j]
        a = reference[j] + (sa / wa if wa > 0 else F(0))
        b = reference[j] + (sb / wb if wb > 0 else F(0))
        both = reference[j] + ((sa + sb) / (wa + wb) if wa + wb > 0 else F(0))
        half_a[j] = a if seen[0, j] > 0 else F(np.nan)
        half_b[j] = b if seen[1, j] > 0 else F(np.nan)
        mean[j] = both if seen[0, j] + seen[1, j] > 0 else F(np.nan)


@njit(cache=True, nogil=True, error_model="numpy")
def _write_maps(weights, noise_weights, noise_sums, squares, errors, seen, kept, floor, length, stderr, count, rejected):
    """Standard error: the variance of a frame of relative noise 1 about the inverse-variance mean, times sum(w^2 r^2) / sum(w)^2."""
    for j in range(length):
        c = kept[j]
        spread = squares[j] - noise_sums[j] * noise_sums[j] / noise_weights[j]
        variance = larger(spread / (c - F(1)), F(0)) if c > 1 else floor * floor
        error = np.sqrt(variance * errors[j]) / weights[j] if weights[j] > 0 else floor
        stderr[j] = error if seen[j] > 0 else F(np.nan)
        count[j] = np.uint16(c)
        rejected[j] = np.uint16(seen[j] - c)


@njit(cache=True, nogil=True, error_model="numpy")
def _joined(halves, length, out):
    for j in range(length):
        out[j] = halves[0, j] + halves[1, j]


@njit(cache=True, nogil=True, error_model="numpy")
def _combine(
    raw, frames, gaps, first_gap, members, edges, tolerance, noise, mixture, reject, floor, reach, weights, mapped, sets, counts,
    mean, stderr, count, rejected, half_a, half_b, lost, saturated,
):  # fmt: skip
    """Block by block of columns of every row: load and judge a little beyond both ends, then add frame by frame in rank order."""
    total, width = len(noise), mean.shape[2]
    strata = len(edges) - 1
    most = 1
    stratum = np.empty(total, np.int64)
    for s in range(strata):
        most = max(most, edges[s + 1] - edges[s])
        for k in range(edges[s], edges[s + 1]):
            stratum[members[k]] = s
    span = BLOCK + 2 * reach
    block, scratch = np.empty((total, span), F), np.empty((most, span), F)
    lines = np.empty((8, span), F)
    middle, own, valid = np.empty((strata, span), F), np.empty((strata, span), F), np.empty((strata, span), F)
    spread, wide = np.empty((strata, span), F), np.empty((strata, span), F)
    for row in range(mean.shape[1]):
        for a in range(0, width, BLOCK):
            b = min(a + BLOCK, width)
            first = max(a - reach, 0)
            length = min(b + reach, width) - first
            place = row * width + first
            complete = _fill(raw, frames, place, first, length, row, gaps, first_gap, lines[0], lines[1], lines[2], lines[3], block)
            if _largest(lines[3], length) >= 0:
                _flag(raw, frames, place, length, lines[0], saturated)
            _centres(block, scratch, members, edges, mixture, complete, length, middle, own, valid)
            _limits(middle, own, valid, tolerance, reject, floor, reach, length, lines[4], lines[5], lines[6], lines[7], spread, wide)
            _add_up(
                block, complete, row, a, b, a - first, stratum, middle, valid, spread, wide, noise, floor, weights, mapped, sets, counts,
                mean, stderr, count, rejected, half_a, half_b, lost,
            )  # fmt: skip


@njit(cache=True, nogil=True, error_model="numpy")
def _add_up(
    block, complete, row, a, b, inset, stratum, middle, valid, spread, wide, noise, floor, weights, mapped, sets, counts,
    mean, stderr, count, rejected, half_a, half_b, lost,
):  # fmt: skip
    """The running sums of columns a..b, ``inset`` columns into the block; an output is written whenever its last frame is in."""
    length = b - a
    end = inset + length
    lines = np.empty((9, BLOCK), F)
    reference, use, deviation, kept, squares = lines[0], lines[1], lines[2], lines[3], lines[4]
    all_weights, all_seen, noise_weights, noise_sums = lines[5], lines[6], lines[7], lines[8]
    seen = np.empty((2, BLOCK), F)
    sums, sum_weights = np.empty((len(weights), 2, BLOCK), F), np.empty((len(weights), 2, BLOCK), F)
    errors = np.empty((len(weights), BLOCK), F)
    needed = np.zeros(len(weights), np.int64)
    for p in range(len(counts)):
        needed[sets[p]] = max(needed[sets[p]], counts[p])
    for j in range(length):
        seen[0, j] = seen[1, j] = kept[j] = squares[j] = F(0)
        reference[j] = middle[0, inset + j]
    for s in range(1, len(middle)):
        for j in range(length):
            reference[j] = middle[s, inset + j] if valid[0, inset + j] == 0 and reference[j] == 0 else reference[j]
    for q in range(len(weights)):
        for j in range(length):
            sums[q, 0, j] = sums[q, 1, j] = sum_weights[q, 0, j] = sum_weights[q, 1, j] = errors[q, j] = F(0)
    p = 0
    for i in range(len(noise)):
        s, half, noise2 = stratum[i], i & 1, noise[i] * noise[i]
        values, centre = block[i, inset:end], middle[s, inset:end]
        scatter, seeing = spread[s, inset:end], wide[s, inset:end]
        _accept(values, centre, scatter, seeing, reference, noise2, length, use, deviation, seen[half], kept)
        _count_lost(values, complete, use, a, length, lost[i])
        _add(weights[0, i], use, deviation, length, sum_weights[0, half], sums[0, half])
        _add_squares(weights[0, i], deviation, length, squares)
        for q in range(1, len(weights)):
            if i < needed[q]:
                _add(weights[q, i], use, deviation, length, sum_weights[q, half], sums[q, half])
                if mapped[q]:
                    _add_ones(weights[q, i] * weights[q, i] * noise2, use, length, errors[q])
        while p < len(counts) and counts[p] == i + 1:
            q = sets[p]
            _write_means(sum_weights[q], sums[q], reference, seen, length, mean[p, row, a:b], half_a[p, row, a:b], half_b[p, row, a:b])
            if mapped[q]:
                _joined(sum_weights[q], length, all_weights)
                _joined(seen, length, all_seen)
                _joined(sum_weights[0], length, noise_weights)
                _joined(sums[0], length, noise_sums)
                squared = noise_weights if q == 0 else errors[q]
                _write_maps(
                    all_weights, noise_weights, noise_sums, squares, squared, all_seen, kept, floor, length,
                    stderr[p, row, a:b], count[p, row, a:b], rejected[p, row, a:b],
                )  # fmt: skip
            p += 1
