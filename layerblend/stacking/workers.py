"""What a worker does: read one band of every frame, combine it, write it into every stack, and say what it wrote."""

from __future__ import annotations

import threading
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from layerblend.files import bands, stacks
from layerblend.kinds import Array, FrameInfo
from layerblend.stacking.journal import Band, WorkFolder
from layerblend.stacking.order import slab_bytes
from layerblend.steps import stack as step

TILE_ROWS = 32
DEFAULT_MEMORY = 800_000_000
"""Bytes for the raw bands of all workers together; the rest of a pass takes about 200 MB."""


@dataclass(frozen=True)
class Job:
    """What a worker needs; the same for every band."""

    order: step.StackOrder
    frames: tuple[FrameInfo, ...]
    outputs: tuple[stacks.StackFile, ...]
    rows_at_once: int
    stop: Path


class StopRequestedError(Exception):
    """A worker saw the stop mark."""


def rows_at_once(frames: Sequence[FrameInfo], workers: int, memory: int | None) -> int:
    """How many rows of all frames each worker may hold, at most a band's."""
    row = len(frames) * slab_bytes(frames, 1)
    return int(min(max((memory or DEFAULT_MEMORY) // (workers * row), 1), TILE_ROWS))


def stack_band(job: Job, number: int, gaps: Array) -> Band:
    """Read, combine and write one band of all channels; runs on any worker."""
    order = job.order
    first, last = _rows(job, number)
    checks = [0] * len(job.outputs)
    lost = np.zeros((len(job.frames), -(-order.width // step.CELL)), np.int32)
    for row0 in range(first, last, job.rows_at_once):
        row1 = min(row0 + job.rows_at_once, last)
        saturated = np.zeros((-(-len(job.frames) // 8), (row1 - row0) * order.width), np.uint8)
        cover = np.zeros((len(job.outputs), saturated.shape[1]), np.uint16)
        for channel in range(order.channels):
            raw = _read_band(job, channel, row0, row1)
            done = step.combine_rows(order, channel, raw, row0, gaps=gaps, saturated=saturated, out=_room(order, row1 - row0))
            _kept.room = order, done
            lost += done.lost
            np.maximum(cover, (done.count + done.rejected).reshape(cover.shape), out=cover)
            _write_channel(job, channel, row0, done, checks)
        shares = step.saturated_share(saturated, cover, order.counts).reshape(-1, row1 - row0, order.width)
        for k, file in enumerate(job.outputs):
            if stacks.SATURATED in file.names:
                checks[k] += _check(file.write(stacks.SATURATED, 0, row0, shares[k]), stacks.SATURATED, 0, row0)
    return Band(number, tuple(checks), lost)


def _rows(job: Job, number: int) -> tuple[int, int]:
    return number * TILE_ROWS, min((number + 1) * TILE_ROWS, job.order.height)


_kept = threading.local()
"""Buffers that each thread keeps: fresh memory costs more than reading."""


def let_go_of_buffers() -> None:
    """Give back what all threads of this process keep; the pass is over, and what follows needs the memory."""
    global _kept
    _kept = threading.local()


def _room(order: step.StackOrder, rows: int) -> step.Combined | None:
    """The arrays of this thread's last call, if they fit."""
    order_before, room = getattr(_kept, "room", (None, None))
    return room if room is not None and order_before is order and room.mean.shape[1] == rows else None


def _read_band(job: Job, channel: int, row0: int, row1: int) -> Array:
    """(N, bytes) raw rows of every frame."""
    shape = (len(job.frames), slab_bytes(job.frames, job.rows_at_once))
    raw: Array = getattr(_kept, "raw", np.empty(0))
    if raw.shape != shape:
        _kept.raw = raw = np.empty(shape, np.uint8)
    for i, info in enumerate(job.frames):
        if i % 64 == 0 and job.stop.exists():
            raise StopRequestedError
        size = bands.row_bytes(bands.narrow(info)) * (row1 - row0)
        bands.read_narrow(info, channel, row0, row1, raw[i, :size])
    return raw


def _write_channel(job: Job, channel: int, row0: int, done: step.Combined, checks: list[int]) -> None:
    arrays = {
        stacks.MEAN: done.mean,
        stacks.STDERR: done.stderr,
        stacks.COUNT: done.count,
        stacks.REJECTED: done.rejected,
        stacks.HALF_A: done.half_a,
        stacks.HALF_B: done.half_b,
    }
    for k, file in enumerate(job.outputs):
        for name in file.names:
            if name != stacks.SATURATED:
                checks[k] += _check(file.write(name, channel, row0, arrays[name][k]), name, channel, row0)


def _check(stored: Array, name: str, channel: int, row0: int) -> int:
    """Sum of the CRC-32 of written rows (n, bytes), each started from its place: pieces can be joined in any order and size."""
    return sum(zlib.crc32(line.data, zlib.crc32(f"{name} {channel} {row}".encode())) for row, line in enumerate(stored, row0))


def good_bands(job: Job, work: WorkFolder) -> Iterator[Band]:
    """Bands of an earlier run whose bytes still stand in the files as they were written."""
    shape = (len(job.frames), -(-job.order.width // step.CELL))
    for band in work.noted(shape):
        row0, row1 = _rows(job, band.number)
        if band.checks == tuple(_check_of(file, row0, row1) for file in job.outputs):
            yield band


def _check_of(file: stacks.StackFile, row0: int, row1: int) -> int:
    places = [(name, channel) for name, _, _, planes in file.places for channel in range(planes)]
    return sum(_check(file.read(name, channel, row0, row1), name, channel, row0) for name, channel in places)
