"""The order for the workers: every number that decides a pixel, the gaps of the frames, and where their pixels can be read."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Sequence
from concurrent.futures import Executor, Future
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np

from layerblend.files import bands
from layerblend.files.frames import read_image
from layerblend.files.whole import write_bytes
from layerblend.kinds import Array, FrameInfo, FrameRow
from layerblend.maths.cover import edge_connected, gap_runs
from layerblend.maths.surface import upside_down
from layerblend.stacking.arrange import Arrangement
from layerblend.steps import match
from layerblend.steps import stack as step

VERSION = 4
FLOOR_FRAMES, FLOOR_ROWS, FLOOR_PIXELS = 48, 4, 16384


def pass_key(plan: Arrangement, reject: float) -> str:
    """Hash of all that decides the bytes of the stacks."""
    digest = hashlib.sha256()
    for row in plan.rows:
        stat = row.path.stat()
        measure = row.measure
        graded = [row.fwhm, row.eccentricity, row.angle, *measure.channel_noise, measure.covered, row.info.white_level]
        # plain floats: how numpy's numbers print can be set from outside
        numbers = [None if value is None else float(value) for value in graded]
        digest.update(f"{row.path.resolve()} {stat.st_size} {stat.st_mtime_ns} {numbers}\n".encode())
    specs = {name: asdict(spec) for name, spec in plan.specs.items()}
    digest.update(json.dumps([VERSION, reject, plan.counts, specs, plan.matching.reference], sort_keys=True).encode())
    for array in (plan.matching.scale, plan.matching.planes, plan.matching.noise, plan.weights):
        digest.update(np.ascontiguousarray(array).tobytes())
    return digest.hexdigest()


def make_order(plan: Arrangement, frames: Sequence[FrameInfo], gaps: Array, names: Sequence[str], reject: float) -> step.StackOrder:
    """The numbers of a pass as the kernel takes them; ``names`` are the outputs in the order of their last frame."""
    info, matching = plan.info, plan.matching
    narrow = [bands.narrow(frame) for frame in frames]
    white = np.array([frame.white_level for frame in frames], float)
    planes = matching.planes if info.top_down else upside_down(matching.planes)  # v runs along the file's rows
    mapped = np.zeros(len(plan.weights), bool)
    for name in names:
        mapped[plan.sets[name]] |= plan.specs[name].maps
    order = step.StackOrder(
        height=info.height,
        width=info.width,
        channels=info.channels,
        bitpix=np.array([frame.bitpix for frame in narrow], np.int64),
        bscale=np.array([frame.bscale for frame in narrow], float),
        bzero=np.array([frame.bzero for frame in narrow], float),
        blank=np.array([step.NO_BLANK if frame.blank is None else frame.blank for frame in narrow], np.int64),
        gain=matching.scale / white,
        planes=planes,
        full=(step.SATURATED_SHARE * white).astype(np.float32),
        noise=match.relative_noise(matching.noise),
        weights=plan.weights,
        mapped=mapped,
        sets=np.array([plan.sets[name] for name in names], np.int64),
        counts=np.array([plan.counts[name] for name in names], np.int64),
        strata=_strata(plan.rows),
        reach=step.star_reach(np.array([row.fwhm for row in plan.rows])),
        floor=np.zeros(info.channels),
        reject=reject,
    )
    return replace(order, floor=_floors(plan, order, frames, gaps))


def _strata(rows: Sequence[FrameRow]) -> step.Strata:
    fwhm, eccentricity, angle = (np.array([getattr(row, name) for row in rows], float) for name in ("fwhm", "eccentricity", "angle"))
    return step.make_strata(fwhm, eccentricity=eccentricity, angle=angle)


def _floors(plan: Arrangement, order: step.StackOrder, frames: Sequence[FrameInfo], gaps: Array) -> Array:
    """(C,) noise below which no pixel's scatter is believed: measured between frames on a few rows, at least half a step of the numbers."""
    chosen = np.unique(np.linspace(0, len(frames) - 1, min(len(frames), FLOOR_FRAMES)).round().astype(int))
    count = min(max(FLOOR_ROWS, -(-FLOOR_PIXELS // order.width)), order.height)
    rows = np.unique(np.linspace(0, order.height - 1, count + 2).round().astype(int)[1:-1])
    raw = np.empty((len(chosen), slab_bytes([frames[i] for i in chosen], 1)), np.uint8)
    steps = [abs(frames[i].bscale * order.gain[i]) / order.noise[i] for i in chosen if frames[i].bitpix > 0]
    floors = []
    for channel in range(order.channels):
        values = []
        for row in rows:
            for k, i in enumerate(chosen):
                bands.read_narrow(frames[i], channel, int(row), int(row) + 1, raw[k, : bands.row_bytes(bands.narrow(frames[i]))])
            values.append(step.matched_rows(order, channel, chosen, raw, int(row), gaps=gaps)[:, 0])
        floor = step.noise_floor(np.concatenate(values, 1), order.noise[chosen])
        if not math.isfinite(floor):
            graded = [row.measure.channel_noise[channel] for row in plan.rows] * plan.matching.scale / order.noise
            floor = float(np.nanmedian(graded)) if np.isfinite(graded).any() else 0.0
        floors.append(max(floor, 0.5 * float(np.median(steps)) if steps else 0.0))
    return np.array(floors)


def slab_bytes(frames: Sequence[FrameInfo], rows: int) -> int:
    """Bytes that hold so many rows of any of the frames, in fours."""
    size = rows * max(bands.row_bytes(bands.narrow(info)) for info in frames)
    return size + -size % 4


def frames_in_place(rows: Sequence[FrameRow], folder: Path, executor: Executor, top_down: bool) -> list[FrameInfo]:
    """Where each frame's pixels can be read in bands: its own file, or a scratch file it was unpacked to."""
    futures = {
        i: executor.submit(_unpack, row.info, folder / f"frame{i}.raw", top_down)
        for i, row in enumerate(rows)
        if not bands.in_place(row.info)
    }
    return [futures[i].result() if i in futures else row.info for i, row in enumerate(rows)]


def _unpack(info: FrameInfo, path: Path, top_down: bool) -> FrameInfo:
    """Unpack one frame to big-endian float32 planes in linear light, in the row order of the set."""
    if not path.exists():
        image = read_image(info)
        planes = np.moveaxis(image.reshape(info.height, info.width, info.channels), 2, 0)
        write_bytes(path, np.ascontiguousarray(planes if top_down else planes[:, ::-1], ">f4").reshape(-1).view(np.uint8).data)
    return replace(info, path=path, hdu=0, planes_first=True, bitpix=-32, bscale=1.0, bzero=0.0, blank=None, data_offset=0, white_level=1.0)


def gap_table(rows: Sequence[FrameRow], frames: Sequence[FrameInfo], executor: Executor) -> Array:
    """(n, 4) int32, frame, file row, x0, x1 of all runs without data, by row. Unpacked frames carry NaN there instead."""
    pieces = [np.zeros((0, 4), np.int32)]
    found: dict[int, Any] = {}
    for i, row in enumerate(rows):
        if frames[i].path == row.path and row.measure.covered < 1:
            found[i] = row.measure.gaps if row.measure.gaps is not None else executor.submit(_find_gaps, row.info)
    for i, runs in found.items():
        runs = runs.result() if isinstance(runs, Future) else runs
        y = runs[:, 0] if frames[i].top_down else frames[i].height - 1 - runs[:, 0]
        pieces.append(np.stack([np.full(len(runs), i), y, runs[:, 1], runs[:, 2]], 1).astype(np.int32))
    table = np.concatenate(pieces)
    return table[np.argsort(table[:, 1], kind="stable")]


def _find_gaps(info: FrameInfo) -> Array:
    image = read_image(info)
    missing = np.isnan(image.reshape(info.height, info.width, -1)).all(2)
    return gap_runs(edge_connected(np.asarray(missing)))
