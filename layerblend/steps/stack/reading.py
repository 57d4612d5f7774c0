"""Kernels that read: big-endian FITS numbers into matched linear light, bits of saturated samples, gaps."""

from __future__ import annotations

import numpy as np
from numba import njit

from layerblend.maths.lanes import larger

from .sizes import LANE, LIMIT, NO_BLANK, NO_DATA, F


@njit(cache=True, nogil=True, error_model="numpy")
def match_rows(bytes1, bytes2, bytes4, bitpix, bscale, bzero, blank, gain, surface, out):
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
def fill_lane(raw, frames, row, column, length, gaps, first_gap, adu, columns, block, slot, saturated):
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
def _place(columns, first, width):
    """Places in u, -1 to 1 over ``width`` columns, of the columns from ``first`` on."""
    for j in range(len(columns)):
        columns[j] = F(2 * (first + j) / max(width - 1, 1) - 1)


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def _terms(surface, i, row):
    return surface[i, row, 0], surface[i, row, 1], surface[i, row, 2], surface[i, row, 3], surface[i, row, 4]


@njit(cache=True, nogil=True, error_model="numpy")
def _mark(adu, full, length, bit, flags):
    """Set one frame's bit where it is saturated."""
    for j in range(length):
        if full <= adu[j] < LIMIT:
            flags[j] |= bit
