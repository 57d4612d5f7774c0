"""Bands of rows, read from and written into files in place: the raw bytes of a few rows, never a whole picture."""

from __future__ import annotations

import io
import os
from dataclasses import replace
from pathlib import Path

import numpy as np

from layerblend.errors import InputError
from layerblend.kinds import Array, FrameInfo

POSITIONAL = hasattr(os, "preadv") and hasattr(os, "pwrite")
READABLE_IN_PLACE = (8, 16, 32, -32, -64)
WIDE = (32, -64)
"""Sample types that are narrowed to float32 while they are read."""


def in_place(info: FrameInfo) -> bool:
    """Whether bands of this frame can be read without unpacking the whole picture."""
    return info.data_offset is not None and info.bitpix in READABLE_IN_PLACE


def row_bytes(info: FrameInfo) -> int:
    """Bytes of one row of one channel."""
    return info.width * abs(info.bitpix) // 8


def data_bytes(info: FrameInfo) -> int:
    """Bytes of all pixels of the frame."""
    return info.channels * info.height * row_bytes(info)


def missing_bytes(info: FrameInfo) -> int:
    """How many of the promised pixel bytes the file lacks (padding after the last pixel does not count)."""
    assert info.data_offset is not None
    return max(0, info.data_offset + data_bytes(info) - info.path.stat().st_size)


def read_rows(info: FrameInfo, channel: int, row0: int, row1: int, out: Array) -> None:
    """Fill ``out`` with the raw bytes of file rows row0..row1 of one channel, as they stand in the file (big-endian).

    ``out`` : uint8, one-dimensional, (row1 - row0) x `row_bytes`. The file is open only while it is read, so that any number of frames
    can take part. Raises InputError when the file ends too early.
    """
    if info.planes_first or info.channels == 1:
        _read_at(info, _place(info, channel, row0), out)
        return
    mixed = np.empty(info.channels * out.size, np.uint8)
    _read_at(info, row0 * row_bytes(info) * info.channels, mixed)
    item = abs(info.bitpix) // 8
    out.reshape(-1, item)[...] = mixed.reshape(-1, info.channels, item)[:, channel]


def _place(info: FrameInfo, channel: int, row: int) -> int:
    return (channel * info.height + row) * row_bytes(info)


def narrow(info: FrameInfo) -> FrameInfo:
    """How the rows that `read_narrow` gives are to be understood: float32 ADU where the file holds wider numbers, else the file's own."""
    return replace(info, bitpix=-32, bscale=1.0, bzero=0.0, blank=None) if info.bitpix in WIDE else info


def read_narrow(info: FrameInfo, channel: int, row0: int, row1: int, out: Array) -> None:
    """As `read_rows`, but 32-bit integers and float64 come as big-endian float32 ADU (NaN for BLANK), for kernels that know three types."""
    if info.bitpix not in WIDE:
        read_rows(info, channel, row0, row1, out)
        return
    raw = np.empty((row1 - row0) * row_bytes(info), np.uint8)
    read_rows(info, channel, row0, row1, raw)
    stored = raw.view(">i4" if info.bitpix == 32 else ">f8")
    adu = stored.astype(float) * info.bscale + info.bzero
    if info.blank is not None:
        adu[stored == info.blank] = np.nan
    with np.errstate(over="ignore"):  # beyond float32 becomes infinite, and so no data
        out.view(">f4")[...] = adu


def _read_at(info: FrameInfo, first: int, out: Array) -> None:
    assert info.data_offset is not None
    view = out.data
    try:
        descriptor = os.open(info.path, os.O_RDONLY | getattr(os, "O_BINARY", 0))
        try:
            done = 0
            while done < out.size and (step := _read_some(descriptor, info.data_offset + first + done, view[done:])):
                done += step
        finally:
            os.close(descriptor)
    except OSError as error:
        raise InputError(f"{info.path.name} cannot be read: {error.strerror or error}.", file=info.path, code="unreadable") from error
    if done < out.size:
        raise InputError(
            f"{info.path.name} ends before its last row: the header promises {data_bytes(info)} bytes of pixels. "
            "Copy the file again, or list it under frames.exclude.files.",
            file=info.path,
            code="short_file",
        )


def _read_some(descriptor: int, place: int, view: memoryview) -> int:
    if POSITIONAL:
        return os.preadv(descriptor, [view], place)
    handle = io.FileIO(descriptor, "rb", closefd=False)
    handle.seek(place)
    return handle.readinto(view) or 0


def write_rows(path: Path, place: int, rows: Array) -> None:
    """Write the bytes of a C-contiguous array at byte ``place`` of an existing file."""
    view = rows.reshape(-1).view(np.uint8).data
    descriptor = os.open(path, os.O_RDWR | getattr(os, "O_BINARY", 0))
    try:
        done = 0
        while done < len(view):
            done += _write_some(descriptor, place + done, view[done:])
    finally:
        os.close(descriptor)


def _write_some(descriptor: int, place: int, view: memoryview) -> int:
    if POSITIONAL:
        return os.pwrite(descriptor, view, place)
    os.lseek(descriptor, place, os.SEEK_SET)
    return os.write(descriptor, view)
