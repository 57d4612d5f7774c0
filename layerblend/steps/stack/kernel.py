"""The kernel of a pass: centres and limits of every stratum, samples judged, running sums, outputs written.

Functions are inlined by force: a call hands over every array as ten numbers, and every slice counts its references with a locked
instruction; left alone both took a quarter of the time. Sums keep the order of the frames, so that the bytes depend on none of it.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from layerblend.maths.lanes import larger, smaller

from .medians import median_and_mad, sort_lines
from .reading import fill_lane
from .sizes import CELL, GROUP, LANE, LIMIT, NO_DATA, STRIP, F

POOLED = F(15)


@njit(cache=True, nogil=True, error_model="numpy")
def combine_lanes(
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
                whole = fill_lane(raw, frames, row, column, length, gaps, first_gap, lines[0], lines[1], block, lane & 1, saturated)
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
            sort_lines(lines, count)
            median_and_mad(lines, there, complete, count, centre, scale, least)
            for j in range(STRIP):
                scale[j] *= mixture[s] * (F(1) + F(0.8) / larger(there[j], F(1)))
            found = level[s, LANE + at : LANE + at + STRIP]
            for j in range(STRIP):
                found[j] = centre[j] if there[j] > 0 and first + j < length else NO_DATA


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


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"reassoc"}, forceinline=True)
def _total(group, half, place, first, length):
    """The sum of a cell's ones and noughts: whole numbers, so that the order of adding, left to the compiler, does not matter."""
    total = F(0)
    for j in range(length):
        total += group[half, place, first + j]
    return int(total)


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
