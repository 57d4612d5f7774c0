"""Kernels that sort many columns at once, and exact median and MAD of the sorted ones."""

from __future__ import annotations

from numba import njit

from layerblend.maths.lanes import larger, smaller

from .sizes import NO_DATA, STRIP, F


@njit(cache=True, nogil=True, error_model="numpy")
def sort_lines(lines, count):
    """Sort the first ``count`` lines column by column, all columns at once."""
    whole = count // 8 * 8
    for first in range(0, whole, 8):
        _sort_eight(lines[first * STRIP : (first + 8) * STRIP])
    _merge(lines[whole * STRIP :], count - whole, 1)
    _merge(lines, count, 8)


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


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def _exchange(lines, low, high):
    """Put the smaller values of two lines into ``low``, the larger ones into ``high``."""
    a, b = lines[low * STRIP : (low + 1) * STRIP], lines[high * STRIP : (high + 1) * STRIP]
    for j in range(STRIP):
        x = a[j]
        y = b[j]
        a[j] = smaller(x, y)
        b[j] = larger(x, y)


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def median_and_mad(lines, valid, complete, count, middle, mad, least):
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
