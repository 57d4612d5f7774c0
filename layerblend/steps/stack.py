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
from functools import partial
from itertools import pairwise

import numpy as np
import scipy
from numba import njit

from layerblend.kinds import Array
from layerblend.maths.lanes import larger, smaller
from layerblend.maths.robust import MAD_TO_SIGMA
from layerblend.maths.surface import rows_of

F = np.float32
NO_DATA = F(3e38)
LIMIT = F(1e30)
"""Values beyond this are no data: NaN, infinities and the mark for uncovered pixels."""

NO_BLANK = np.iinfo(np.int64).min
LANE = 128
"""Columns worked on together: loops of one fixed length, filling vector registers without rest; N x 2 lanes of float32 stay in the
second-level cache."""

STRIP = 64
"""Columns sorted together: those of a stratum stay in the first-level cache."""

GROUP = 6
"""Frames added in one go, three of either half: the sums are then loaded and stored a third as often."""

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
        excess = partial(_half_inside, part=part)
        out.append(1 / scipy.optimize.brentq(excess, 1e-6 * part.min(), 10 * part.max()))
    return np.array(out, F)


def _half_inside(mad: float, *, part: Array) -> float:
    return float(scipy.special.erf(mad / part).mean()) - 0.5


# ---------------------------------------------------------------- the order for a pass
@dataclass(frozen=True)
class StackOrder:
    """Everything that decides pixels in one pass over frames in rank order; plain arrays, so that it travels to any worker.

    Raw values (``bitpix`` 8, 16 or -32) become ADU as raw * ``bscale`` + ``bzero``, linear light as ADU * ``gain`` less a surface over the
    *file's* columns and rows: ``planes`` (N, C, terms), see `maths.surface`. ``full`` : (N,) ADU from which a sample is saturated.
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


def combine_rows(
    order: StackOrder, channel: int, raw: Array, row0: int, *, gaps: Array, saturated: Array, out: Combined | None = None
) -> Combined:
    """Combine a few rows of one channel.

    Parameters
    ----------
    raw : (N, bytes) uint8, each frame's rows as they stand in its file (big-endian), from file row ``row0``; padded to fours of bytes.
    gaps : (n, 4) int64, frame, file row, x0, x1 of runs without data, sorted by row.
    saturated : (ceil(N / 8), rows * W) uint8, one bit per frame; bits are set where this channel is saturated (written to).
    out : what an earlier call with the same order and number of rows gave, to be written over: fresh memory costs more than the sums.

    Returns
    -------
    Combined, whose arrays the caller owns.
    """
    rows = saturated.shape[1] // order.width
    out = _room_for(order, rows) if out is None else out
    out.lost[...] = 0
    surface = _surface_rows(order, channel, row0, rows)
    first = np.searchsorted(gaps[:, 1], np.arange(row0, row0 + rows + 1))
    strata = order.strata
    frames = (order.bitpix, order.bscale, order.bzero, order.blank, order.gain.astype(F), surface, order.full, order.width)
    _combine(
        *(_as_numbers(raw), frames, gaps, first, strata.members, strata.edges, strata.tolerance),
        *(order.noise.astype(F), _mixtures(strata, order.noise), F(order.reject), F(order.floor[channel]), order.reach),
        *(order.weights, order.mapped, order.sets, order.counts),
        *(out.mean, out.stderr, out.count, out.rejected, out.half_a, out.half_b, out.lost, saturated),
    )
    return out


def _room_for(order: StackOrder, rows: int) -> Combined:
    shape = (len(order.counts), rows, order.width)
    return Combined(
        *(np.empty(shape, F), np.zeros(shape, F), np.zeros(shape, np.uint16), np.zeros(shape, np.uint16)),
        *(np.empty(shape, F), np.empty(shape, F)),
        np.empty((len(order.bitpix), -(-order.width // CELL)), np.int32),
    )


def _as_numbers(raw: Array) -> tuple[Array, Array, Array]:
    """The raw rows as whole numbers of 1, 2 and 4 bytes; the same memory."""
    return raw, raw.view(np.uint16), raw.view(np.uint32)


def _surface_rows(order: StackOrder, channel: int, row0: int, rows: int) -> Array:
    """(N, rows, 5) float32: what ADU * gain lacks of matched light, as a polynomial in u along every row."""
    v = 2 * np.arange(row0, row0 + rows) / max(order.height - 1, 1) - 1
    return (-rows_of(order.planes[:, channel], v)).astype(F)


def matched_rows(order: StackOrder, channel: int, frames: Array, raw: Array, row0: int, *, gaps: Array) -> Array:
    """(n, rows, W) float32: some frames in matched linear light, NaN where there is no data; ``raw`` and ``gaps`` as for `combine_rows`."""
    itemsize = np.abs(order.bitpix[frames]) // 8
    rows = max(1, int(raw.shape[1] // itemsize.max()) // order.width)
    surface = _surface_rows(order, channel, row0, rows)
    out = np.empty((len(frames), rows, order.width), F)
    _match_rows(
        *(*_as_numbers(raw), order.bitpix[frames], order.bscale[frames], order.bzero[frames], order.blank[frames]),
        *(order.gain[frames].astype(F), surface[frames], out),
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
            scales.append(MAD_TO_SIGMA * np.median(np.abs(difference - np.median(difference))) / np.hypot(ra, rb))
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
# Functions are inlined by force: a call hands over every array as ten numbers, and every slice counts its references with a locked
# instruction; left alone both took a quarter of the time. Sums keep the order of the frames, so that the bytes depend on none of it.
@njit(cache=True, nogil=True, error_model="numpy")
def _match_rows(bytes1, bytes2, bytes4, bitpix, bscale, bzero, blank, gain, surface, out):
    """Every row of every frame in matched linear light."""
    width = out.shape[2]
    adu = np.empty(width, F)
    columns = np.empty(width, F)
    _place(columns, 0, width)
    for i in range(out.shape[0]):
        for row in range(out.shape[1]):
            place = row * width
            _load(bytes1[i], bytes2[i], bytes4[i], bitpix[i], bscale[i], bzero[i], blank[i], place, width, adu, adu.view(np.uint32))
            _level(adu, gain[i], _terms(surface, i, row), columns, width, out[i, row])


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def _exchange(lines, low, high):
    """Put the smaller values of two lines into ``low``, the larger ones into ``high``."""
    a, b = lines[low * STRIP : (low + 1) * STRIP], lines[high * STRIP : (high + 1) * STRIP]
    for j in range(STRIP):
        x = a[j]
        y = b[j]
        a[j] = smaller(x, y)
        b[j] = larger(x, y)


@njit(cache=True, nogil=True, error_model="numpy")
def _sort_eight(lines):
    """Sort eight lines in registers: the first three rounds of the merge network, loaded and stored once."""
    for j in range(STRIP):
        a, b, c, d = lines[j], lines[STRIP + j], lines[2 * STRIP + j], lines[3 * STRIP + j]
        e, f, g, h = lines[4 * STRIP + j], lines[5 * STRIP + j], lines[6 * STRIP + j], lines[7 * STRIP + j]
        a, b, c, d = smaller(a, b), larger(a, b), smaller(c, d), larger(c, d)
        e, f, g, h = smaller(e, f), larger(e, f), smaller(g, h), larger(g, h)
        a, c, b, d = smaller(a, c), larger(a, c), smaller(b, d), larger(b, d)
        e, g, f, h = smaller(e, g), larger(e, g), smaller(f, h), larger(f, h)
        b, c, f, g = smaller(b, c), larger(b, c), smaller(f, g), larger(f, g)
        a, e, b, f = smaller(a, e), larger(a, e), smaller(b, f), larger(b, f)
        c, g, d, h = smaller(c, g), larger(c, g), smaller(d, h), larger(d, h)
        c, e, d, f = smaller(c, e), larger(c, e), smaller(d, f), larger(d, f)
        b, c, d, e, f, g = smaller(b, c), larger(b, c), smaller(d, e), larger(d, e), smaller(f, g), larger(f, g)
        lines[j], lines[STRIP + j], lines[2 * STRIP + j], lines[3 * STRIP + j] = a, b, c, d
        lines[4 * STRIP + j], lines[5 * STRIP + j], lines[6 * STRIP + j], lines[7 * STRIP + j] = e, f, g, h


@njit(cache=True, nogil=True, error_model="numpy")
def _merge(lines, count, part):
    """Batcher's odd-even merge network (1968, AFIPS 32, 307) over lines of which every ``part`` are sorted already."""
    while part < count:
        step = part
        while step >= 1:
            first = step % part
            while first <= count - 1 - step:
                for i in range(min(step, count - first - step)):
                    low = first + i
                    if low // (2 * part) == (low + step) // (2 * part):
                        _exchange(lines, low, low + step)
                first += 2 * step
            step //= 2
        part *= 2


@njit(cache=True, nogil=True, error_model="numpy")
def _sort(lines, count):
    """Sort the first ``count`` lines column by column, all columns at once."""
    whole = count // 8 * 8
    for first in range(0, whole, 8):
        _sort_eight(lines[first * STRIP : (first + 8) * STRIP])
    _merge(lines[whole * STRIP :], count - whole, 1)
    _merge(lines, count, 8)


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def _median_and_mad(lines, valid, complete, count, middle, mad, least):
    """Exact median and MAD of every sorted column of ``lines``, of which ``valid[j]`` values count; 0 where none does.

    In sorted values the h nearest to the median stand together, so the h-th smallest deviation is the least, over all runs of h values,
    of the larger end's deviation: no second sort.
    """
    if complete:
        below, above = lines[(count - 1) // 2 * STRIP :], lines[count // 2 * STRIP :]
        for j in range(STRIP):
            middle[j] = F(0.5) * (below[j] + above[j])
            mad[j] = F(0)
        for near in range((count - 1) // 2, count // 2 + 1):
            _add_near(lines, count, near, middle, mad, least)
        for j in range(STRIP):
            mad[j] *= F(1) if count % 2 else F(0.5)
        return
    for j in range(STRIP):
        n = int(valid[j])
        middle[j] = mad[j] = F(0)
        if n == 0:
            continue
        column = lines[j::STRIP]
        m = F(0.5) * (column[(n - 1) // 2] + column[n // 2])
        for near in range((n - 1) // 2, n // 2 + 1):
            smallest = NO_DATA
            for i in range(n - near):
                smallest = smaller(smallest, larger(m - column[i], column[i + near] - m))
            mad[j] += smallest
        mad[j] *= F(1) if n % 2 else F(0.5)
        middle[j] = m


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def _add_near(lines, count, near, middle, total, least):
    """Add the near-th smallest deviation (from 0) of every sorted column from its median to ``total``."""
    for j in range(STRIP):
        least[j] = NO_DATA
    for i in range(count - near):
        below, above = lines[i * STRIP : (i + 1) * STRIP], lines[(i + near) * STRIP : (i + near + 1) * STRIP]
        for j in range(STRIP):
            least[j] = smaller(least[j], larger(middle[j] - below[j], above[j] - middle[j]))
    for j in range(STRIP):
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


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def _terms(surface, i, row):
    return surface[i, row, 0], surface[i, row, 1], surface[i, row, 2], surface[i, row, 3], surface[i, row, 4]


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def _place(columns, first, width):
    """Places in u, -1 to 1 over ``width`` columns, of the columns from ``first`` on."""
    for j in range(len(columns)):
        columns[j] = F(2 * (first + j) / max(width - 1, 1) - 1)


@njit(cache=True, nogil=True, error_model="numpy")
def _level(adu, gain, terms, columns, length, out):
    """ADU into matched linear light; how many values are missing, and the largest ADU."""
    missing, top = 0, -LIMIT
    t0, t1, t2, t3, t4 = terms
    if t2 == 0 and t3 == 0 and t4 == 0:
        for j in range(length):
            a = adu[j]
            good = abs(a) < LIMIT
            out[j] = a * gain + (t0 + columns[j] * t1) if good else NO_DATA
            missing += 0 if good else 1
            top = larger(top, a if good else -LIMIT)
        return missing, top
    for j in range(length):
        a = adu[j]
        u = columns[j]
        x = a * gain + (t0 + u * (t1 + u * (t2 + u * (t3 + u * t4))))
        good = abs(a) < LIMIT
        out[j] = x if good else NO_DATA
        missing += 0 if good else 1
        top = larger(top, a if good else -LIMIT)
    return missing, top


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def _load_and_level(bytes2, i, at, scale, zero, gain, terms, columns, length, block, slot):
    """`_load` and `_level` in one go for 16-bit numbers of which none is missing; the largest ADU."""
    top = -LIMIT
    t0, t1, t2, t3, t4 = terms
    if t2 == 0 and t3 == 0 and t4 == 0:  # most skies: a fourth of all time less
        for j in range(length):
            two = bytes2[i, at + j]
            a = F(np.int16((two >> np.uint16(8)) | (two << np.uint16(8)))) * scale + zero
            block[slot, i, j] = a * gain + (t0 + columns[j] * t1)
            top = larger(top, a)
        return top
    for j in range(length):
        two = bytes2[i, at + j]
        a = F(np.int16((two >> np.uint16(8)) | (two << np.uint16(8)))) * scale + zero
        u = columns[j]
        block[slot, i, j] = a * gain + (t0 + u * (t1 + u * (t2 + u * (t3 + u * t4))))
        top = larger(top, a)
    return top


@njit(cache=True, nogil=True, error_model="numpy")
def _mark(adu, full, length, bit, flags):
    """Set one frame's bit where it is saturated."""
    for j in range(length):
        if full <= adu[j] < LIMIT:
            flags[j] |= bit


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def _fill(raw, frames, row, column, length, gaps, first_gap, adu, columns, block, slot, saturated):
    """Matched values of all frames in one lane, bits of saturated samples; whether none is missing."""
    bytes1, bytes2, bytes4 = raw
    bitpix, bscale, bzero, blank, gain, surface, full, width = frames
    at = row * width + column
    words = adu.view(np.uint32)
    _place(columns, column, width)
    missing = 0
    for i in range(len(bitpix)):
        scale, zero = F(bscale[i]), F(bzero[i])
        if bitpix[i] == 16 and blank[i] == NO_BLANK and abs(scale) * F(32768) + abs(zero) < LIMIT:
            place, many = np.uintp(at), np.uintp(length)
            top = _load_and_level(bytes2, i, place, scale, zero, gain[i], _terms(surface, i, row), columns, many, block, slot)
        else:
            _load(bytes1[i], bytes2[i], bytes4[i], bitpix[i], bscale[i], bzero[i], blank[i], at, length, adu, words)
            gone, top = _level(adu, gain[i], _terms(surface, i, row), columns, length, block[slot, i])
            missing += gone
        for j in range(length, LANE):  # beyond the row's end: alike in all frames
            block[slot, i, j] = F(0)
        if top >= full[i]:
            _load(bytes1[i], bytes2[i], bytes4[i], bitpix[i], bscale[i], bzero[i], blank[i], at, length, adu, words)
            _mark(adu, full[i], length, np.uint8(1 << (i & 7)), saturated[i >> 3, at : at + length])
    for g in range(first_gap[row], first_gap[row + 1]):
        for x in range(max(gaps[g, 2], column), min(gaps[g, 3], column + length)):
            block[slot, gaps[g, 0], x - column] = NO_DATA
            missing += 1
    return missing == 0


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def _centres(block, lines, members, edges, mixture, complete, column, length, middle, own, valid, level, least):
    """Median, scale and number of values of every stratum in one lane; ``level`` : the medians, NO_DATA where there is none."""
    for first in range(0, LANE, STRIP):
        at = column + first
        for s in range(len(edges) - 1):
            count = edges[s + 1] - edges[s]
            for k in range(count):
                values, line = block[members[edges[s] + k], first : first + STRIP], lines[k * STRIP : (k + 1) * STRIP]
                for j in range(STRIP):
                    line[j] = values[j]
            there, centre, scale = valid[s, at : at + STRIP], middle[s, at : at + STRIP], own[s, at : at + STRIP]
            for j in range(STRIP):
                there[j] = F(count)
            if not complete:
                for j in range(STRIP):
                    there[j] = F(0)
                for k in range(count):
                    line = lines[k * STRIP : (k + 1) * STRIP]
                    for j in range(STRIP):
                        there[j] += F(1) if line[j] < LIMIT else F(0)
            _sort(lines, count)
            _median_and_mad(lines, there, complete, count, centre, scale, least)
            for j in range(STRIP):
                scale[j] *= mixture[s] * (F(1) + F(0.8) / larger(there[j], F(1)))
            found = level[s, LANE + at : LANE + at + STRIP]
            for j in range(STRIP):
                found[j] = centre[j] if there[j] > 0 and first + j < length else NO_DATA


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def _lowest_nearby(values, reach, spare, low):
    """low[j] = the lowest of values[j] .. values[j + 2 reach], by windows that double in width."""
    here, other = spare[0], spare[1]
    for j in range(LANE + 2 * reach):
        here[j] = values[j]
    wide = 1
    while wide <= reach:
        length = LANE + 2 * reach + 1 - 2 * wide
        now, ahead, out = here[:length], here[wide : wide + length], other[:length]
        for j in range(length):
            out[j] = smaller(now[j], ahead[j])
        here, other = other, here
        wide *= 2
    ahead = here[2 * reach + 1 - wide :]
    for j in range(LANE):
        low[j] = smaller(here[j], ahead[j])


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def _limits(middle, own, valid, level, column, tolerance, reject, floor, reach, pool, total, spare, low, limits):
    """Limits of every stratum in one lane: a sample is kept while (x - middle)^2 <= spread r^2 + wide; the three stand side by side."""
    strata = len(middle)
    square = reject * reject
    for j in range(LANE):
        pool[j] = total[j] = F(0)
    for s in range(strata):
        there, scale = valid[s, column : column + LANE], own[s, column : column + LANE]
        for j in range(LANE):
            pool[j] += there[j] * scale[j]
            total[j] += there[j]
    for j in range(LANE):
        pool[j] /= larger(total[j], F(1))
    for s in range(strata):
        _lowest_nearby(level[s, LANE + column - reach :], reach, spare, low)
        there, scale, centre = valid[s, column : column + LANE], own[s, column : column + LANE], middle[s, column : column + LANE]
        out, spread, wide = limits[s, :LANE], limits[s, LANE : 2 * LANE], limits[s, 2 * LANE :]
        for j in range(LANE):
            n = there[j]
            out[j] = centre[j]
            variance = (n * scale[j] * scale[j] + POOLED * pool[j] * pool[j]) / (n + POOLED)
            spread[j] = square * larger(variance, floor * floor) if reject > 0 else LIMIT
        for j in range(LANE):
            seeing = tolerance[s] * larger(centre[j] - low[j], F(0))
            wide[j] = square * seeing * seeing


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def _accept(block, slot, i, limits, s, reference, noise2, group, half, place):
    """Which samples of one frame are kept (1 or 0), and beside that their deviations from the pixel's reference value."""
    for j in range(LANE):
        x = block[slot, i, j]
        d = x - limits[s, j]
        good = (d * d <= limits[s, LANE + j] * noise2 + limits[s, 2 * LANE + j]) & (x < LIMIT)
        group[half, place, j] = F(1) if good else F(0)
        group[half, place, LANE + j] = x - reference[j] if good else F(0)


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def _count_seen(block, slot, i, seen, half):
    for j in range(LANE):
        seen[half, j] += F(1) if block[slot, i, j] < LIMIT else F(0)


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"reassoc"}, forceinline=True)
def _total(group, half, place, first, length):
    """The sum of a cell's ones and noughts: whole numbers, so that the order of adding, left to the compiler, does not matter."""
    total = F(0)
    for j in range(length):
        total += group[half, place, first + j]
    return int(total)


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def _count_lost(block, slot, i, complete, group, half, place, lane, length, lost):
    """Add one frame's rejected samples to its cells."""
    for cell in range(-(-length // CELL)):
        there = min(CELL, length - cell * CELL)
        kept = _total(group, half, place, np.uintp(cell * CELL), np.uintp(there))
        if not complete:
            for j in range(cell * CELL, cell * CELL + there):
                there -= 0 if block[slot, i, j] < LIMIT else 1
        lost[i, lane * (LANE // CELL) + cell] += there - kept


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def _add_three(group, half, w0, w1, w2, sums, q):
    """Weights and weighted deviations of three frames of one half."""
    for j in range(LANE):
        weight, total = sums[q, half, j], sums[q, half, LANE + j]
        weight += w0 * group[half, j]
        total += w0 * group[half, LANE + j]
        weight += w1 * group[half, 2 * LANE + j]
        total += w1 * group[half, 3 * LANE + j]
        weight += w2 * group[half, 4 * LANE + j]
        total += w2 * group[half, 5 * LANE + j]
        sums[q, half, j], sums[q, half, LANE + j] = weight, total


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def _add_squares(group, lead, w, squares):
    """Weighted squares of six frames' deviations, those of both halves by turns, and how many are kept."""
    w0, w1, w2, w3, w4, w5 = w[0], w[1], w[2], w[3], w[4], w[5]
    other = 1 - lead
    for j in range(LANE):
        a, b, c = group[lead, LANE + j], group[lead, 3 * LANE + j], group[lead, 5 * LANE + j]
        d, e, f = group[other, LANE + j], group[other, 3 * LANE + j], group[other, 5 * LANE + j]
        total = squares[j]
        total += w0 * a * a
        total += w1 * d * d
        total += w2 * b * b
        total += w3 * e * e
        total += w4 * c * c
        total += w5 * f * f
        squares[j] = total
    for half in range(2):
        for j in range(LANE):
            squares[LANE + j] += group[half, j] + group[half, 2 * LANE + j] + group[half, 4 * LANE + j]


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def _add_uses(group, lead, w, sums, q):
    """Weights of six frames where they are kept, those of both halves by turns."""
    w0, w1, w2, w3, w4, w5 = w[0], w[1], w[2], w[3], w[4], w[5]
    other = 1 - lead
    for j in range(LANE):
        total = sums[q, j]
        total += w0 * group[lead, j]
        total += w1 * group[other, j]
        total += w2 * group[lead, 2 * LANE + j]
        total += w3 * group[other, 2 * LANE + j]
        total += w4 * group[lead, 4 * LANE + j]
        total += w5 * group[other, 4 * LANE + j]
        sums[q, j] = total


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def _add_group(group, flat_group, first, count, noise, weights, mapped, needed, w, sums, squares, errors):
    """Add up to six frames in hand to the running sums of every weight set that needs them."""
    for k in range(count, GROUP):  # an end that holds fewer
        for j in range(2 * LANE):
            group[(first + k) & 1, k // 2, j] = F(0)
        w[k] = F(0)
    lead = first & 1
    for q in range(len(weights)):
        if q > 0 and first >= needed[q]:
            continue
        for k in range(count):
            w[k] = weights[q, first + k]
        _add_three(flat_group, lead, w[0], w[2], w[4], sums, q)
        _add_three(flat_group, 1 - lead, w[1], w[3], w[5], sums, q)
        if q == 0:
            _add_squares(flat_group, lead, w, squares)
        elif mapped[q]:
            for k in range(count):
                w[k] = w[k] * w[k] * (noise[first + k] * noise[first + k])
            _add_uses(flat_group, lead, w, errors, q)


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def _write_means(sums, reference, seen, length, mean, half_a, half_b):
    """A weighted mean and its two halves. Where all samples are rejected (the others say so) the group's median stands in: no hole."""
    for j in range(length):
        wa, wb, sa, sb = sums[0, j], sums[1, j], sums[0, LANE + j], sums[1, LANE + j]
        a = reference[j] + (sa / wa if wa > 0 else F(0))
        b = reference[j] + (sb / wb if wb > 0 else F(0))
        both = reference[j] + ((sa + sb) / (wa + wb) if wa + wb > 0 else F(0))
        half_a[j] = a if seen[0, j] > 0 else F(np.nan)
        half_b[j] = b if seen[1, j] > 0 else F(np.nan)
        mean[j] = both if seen[0, j] + seen[1, j] > 0 else F(np.nan)


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def _write_maps(sums, noise_sums, squares, errors, seen, floor, length, stderr, count, rejected):
    """Standard error: the variance of a frame of relative noise 1 about the inverse-variance mean, times sum(w^2 r^2) / sum(w)^2."""
    for j in range(length):
        weight, noise_weight = sums[0, j] + sums[1, j], noise_sums[0, j] + noise_sums[1, j]
        noise_sum, c = noise_sums[0, LANE + j] + noise_sums[1, LANE + j], squares[LANE + j]
        there = seen[0, j] + seen[1, j]
        spread = squares[j] - noise_sum * noise_sum / noise_weight
        variance = larger(spread / (c - F(1)), F(0)) if c > 1 else floor * floor
        error = np.sqrt(variance * errors[j]) / weight if weight > 0 else floor
        stderr[j] = error if there > 0 else F(np.nan)
        count[j] = np.uint16(c)
        rejected[j] = np.uint16(there - c)


@njit(cache=True, nogil=True, error_model="numpy")
def _combine(
    raw, frames, gaps, first_gap, members, edges, tolerance, noise, mixture, reject, floor, reach, weights, mapped, sets, counts,
    mean, stderr, count, rejected, half_a, half_b, lost, saturated,
):  # fmt: skip
    """Lane by lane of every row: load and find the centres; the lane before, whose stars reach into it, is judged and added up then."""
    total, width = len(noise), mean.shape[2]
    strata, lanes = len(edges) - 1, -(-width // LANE)
    most = 1
    stratum = np.empty(total, np.int64)
    for s in range(strata):
        most = max(most, edges[s + 1] - edges[s])
        for k in range(edges[s], edges[s + 1]):
            stratum[members[k]] = s
    needed = np.zeros(len(weights), np.int64)
    for p in range(len(counts)):
        needed[sets[p]] = max(needed[sets[p]], counts[p])
    block, complete = np.empty((2, total, LANE), F), np.zeros(2, np.bool_)
    sorted_lines, lines, spare = np.empty(most * STRIP, F), np.empty((6, LANE), F), np.empty((2, 3 * LANE), F)
    table = np.zeros((3, strata, lanes * LANE), F)
    middle, own, valid = table[0], table[1], table[2]
    level, limits = np.full((strata, (lanes + 2) * LANE), NO_DATA), np.empty((strata, 3 * LANE), F)
    sums = (np.empty((len(weights), 2, 2 * LANE), F), np.empty(2 * LANE, F), np.empty((len(weights), LANE), F))
    group = np.zeros((2, 3, 2 * LANE), F)
    hand = (group, group.reshape(2, GROUP * LANE), np.zeros(GROUP, F), np.empty((2, LANE), F), lines[5])
    for row in range(mean.shape[1]):
        for lane in range(lanes + 1):
            column = lane * LANE
            if lane < lanes:
                length = min(LANE, width - column)
                here = block[lane & 1]
                whole = _fill(raw, frames, row, column, length, gaps, first_gap, lines[0], lines[1], block, lane & 1, saturated)
                complete[lane & 1] = whole
                _centres(here, sorted_lines, members, edges, mixture, whole, column, length, middle, own, valid, level, lines[0])
            if lane > 0:
                before = column - LANE
                _limits(
                    middle, own, valid, level, before, tolerance, reject, floor, reach, lines[2], lines[3], spare, lines[4], limits
                )  # fmt: skip
                _add_up(
                    block, 1 - (lane & 1), complete[1 - (lane & 1)], row, before, min(LANE, width - before), stratum, middle, valid, limits,
                    noise, floor, weights, mapped, needed, sets, counts, hand, sums, mean, stderr, count, rejected, half_a, half_b, lost,
                )  # fmt: skip


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def _add_up(
    block, slot, complete, row, column, length, stratum, middle, valid, limits,
    noise, floor, weights, mapped, needed, sets, counts, hand, sums, mean, stderr, count, rejected, half_a, half_b, lost,
):  # fmt: skip
    """The running sums of one lane, in rank order; an output is written whenever its last frame is in."""
    group, flat_group, w, seen, reference = hand
    both, squares, errors = sums
    end = column + length
    both[:] = F(0)
    squares[:] = F(0)
    errors[:] = F(0)
    seen[:] = F(0)
    for j in range(LANE):
        reference[j] = middle[0, column + j]
    for s in range(1, len(middle)):
        for j in range(LANE):
            reference[j] = middle[s, column + j] if valid[0, column + j] == 0 and reference[j] == 0 else reference[j]
    p = first = 0
    for i in range(len(noise)):
        half, place = i & 1, (i - first) // 2
        _accept(block, slot, i, limits, stratum[i], reference, noise[i] * noise[i], group, half, place)
        _count_lost(block, slot, i, complete, group, half, place, column // LANE, length, lost)
        if not complete:
            _count_seen(block, slot, i, seen, half)
        ends = p < len(counts) and counts[p] == i + 1
        if ends or i + 1 - first == GROUP:
            _add_group(group, flat_group, first, i + 1 - first, noise, weights, mapped, needed, w, both, squares, errors)
            first = i + 1
        if ends and complete:
            seen[0, :] = F((i + 2) // 2)
            seen[1, :] = F((i + 1) // 2)
        while p < len(counts) and counts[p] == i + 1:
            q = sets[p]
            _write_means(both[q], reference, seen, length, mean[p, row, column:end], half_a[p, row, column:end], half_b[p, row, column:end])
            if mapped[q]:
                if q == 0:
                    for j in range(LANE):
                        errors[0, j] = both[0, 0, j] + both[0, 1, j]
                _write_maps(
                    both[q], both[0], squares, errors[q], seen, floor, length,
                    stderr[p, row, column:end], count[p, row, column:end], rejected[p, row, column:end],
                )  # fmt: skip
            p += 1
