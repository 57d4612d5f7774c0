"""The one pass over the frames: match them, cut the picture into bands, combine band by band on any executor, resume, report.

The pixels are decided in `layerblend.steps`; here are files, workers and words. Everything that can change a pixel is in the key of a
pass, so one that was stopped goes on where it was only when it would give the same bytes.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
import shutil
import tempfile
import threading
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ThreadPoolExecutor, wait
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from layerblend.errors import ArgumentError, InputError, StoppedError, check_choice, check_range
from layerblend.files import bands, stacks
from layerblend.files.frames import check_same_grid, read_image
from layerblend.files.whole import write_bytes
from layerblend.kinds import Array, FrameInfo, FrameRow, FrameTable, Stack
from layerblend.maths.cover import edge_connected, gap_runs
from layerblend.steps import match
from layerblend.steps import stack as step
from layerblend.steps.rank import kept_count

VERSION = 1
TILE_ROWS = 32
DEFAULT_MEMORY = 800_000_000
"""Bytes for the raw bands of all workers together; the rest of a pass takes about 200 MB."""

FLOOR_FRAMES, FLOOR_ROWS = 48, 4
FEWEST_TO_REJECT = 5
MUCH_REJECTED = 0.2
PEAKS_LOST = 0.05
LEAST_SPREAD = 0.02
"""Relative scatter that noise alone gives the peak of a bright star."""
REPORT, LOST_MAP = "stacking.json", "rejected.npy"


# ---------------------------------------------------------------- what is asked for
@dataclass(frozen=True)
class StackSpec:
    """One stack of the pass: the sharpest share ``keep`` of the frames, summed with ``weights``.

    ``weights`` : "equal", "noise", "sharpness" (1/(s^2 FWHM^power)), or one number per used frame in rank order.
    ``maps`` : False leaves out error, counts and saturation (for sums that are joined afterwards).
    """

    keep: float = 1.0
    weights: str | tuple[float, ...] = "noise"
    power: float = 2.0
    maps: bool = True

    @classmethod
    def of(cls, name: str, value: Any) -> StackSpec:
        """A spec from a share (0.25), a mapping, or anything with ``keep``, ``weights``, ``power`` (a recipe's stack)."""
        if isinstance(value, cls):
            return value._checked(name)
        if isinstance(value, int | float):
            return cls(keep=float(value))._checked(name)
        if not isinstance(value, Mapping):
            value = {key: getattr(value, key) for key in ("keep", "weights", "power") if getattr(value, key, None) is not None}
        unknown = set(value) - {"keep", "weights", "power", "maps"}
        if unknown:
            raise ArgumentError(f"`stacks[{name!r}]` knows keep, weights and power, not {', '.join(sorted(map(str, unknown)))}.")
        return cls(**value)._checked(name)

    def _checked(self, name: str) -> StackSpec:
        check_range(f"stacks[{name!r}].keep", self.keep, 0, 1, open_low=True)
        check_range(f"stacks[{name!r}].power", self.power, 0, 7)
        if isinstance(self.weights, str):
            check_choice(f"stacks[{name!r}].weights", self.weights, match.WEIGHTS)
            return self
        given = tuple(float(w) for w in self.weights)
        if not given or min(given) < 0 or not math.isfinite(sum(given)) or sum(given) == 0:
            raise ArgumentError(f"`stacks[{name!r}].weights` must be finite numbers, none negative, not all zero.")
        return replace(self, weights=given)


@dataclass(frozen=True)
class StackReport:
    """What the pass found. ``stacks``: per stack name, frames, hours, fwhm_major (px), noise (linear), depth_mag gained over one frame.

    ``frames``: per frame file, scale, noise (after scaling), stars behind the scale, rejected share. ``lost`` : (N, ny, nx) float32, the
    share of each frame's samples rejected in squares of 64 px, counted from the first row of the file. ``reference``: the frame all were
    matched to.
    """

    reference: str
    stacks: tuple[dict[str, Any], ...]
    frames: tuple[dict[str, Any], ...]
    words: tuple[str, ...]
    lost: Array = field(repr=False)


def nested_stacks(
    table: FrameTable,
    specs: Mapping[str, Any],
    *,
    folder: str | Path | None = None,
    reject: float = 3.0,
    level_sky: str = "plane",
    match_brightness: bool = True,
    executor: Executor | None = None,
    workers: int = 2,
) -> dict[str, Stack]:
    """All stacks of ranked frames in one pass over the pixels.

    Parameters
    ----------
    table : graded and ranked frames; excluded ones do not take part.
    specs : stack name -> share of the sharpest frames (0.25) or {"keep": 1.0, "weights": "sharpness", "power": 2.0}
    folder : where the stacks are written and memory-mapped from; None keeps them in memory.
    reject : 0..10, sigma; 0 keeps every sample.
    level_sky : "plane", "offset" or "off";  match_brightness : by star flux ratios.

    Returns
    -------
    dict of Stack, in the order of ``specs``

    Raises
    ------
    ArgumentError, InputError : a spec is wrong; frames do not fit together, are cut short or have no known white level.
    """
    with tempfile.TemporaryDirectory(prefix="layerblend-") as scratch:
        paths = build_stacks(
            table,
            specs,
            folder=folder or scratch,
            reject=reject,
            level_sky=level_sky,
            match_brightness=match_brightness,
            executor=executor,
            workers=workers,
        )
        found = {name: stacks.open_stack(path) for name, path in paths.items()}
        return found if folder is not None else {name: stacks.load(stack) for name, stack in found.items()}


def build_stacks(
    table: FrameTable,
    specs: Mapping[str, Any],
    *,
    folder: str | Path,
    reject: float = 3.0,
    level_sky: str = "plane",
    match_brightness: bool = True,
    executor: Executor | None = None,
    workers: int = 2,
    memory: int | None = None,
    progress: Callable[[Iterable[Any]], Iterable[Any]] = lambda steps: steps,
) -> dict[str, Path]:
    """Write ``folder``/NAME.fits for every spec, in one pass over the frames; see `nested_stacks` for the settings.

    ``executor`` : any `concurrent.futures.Executor` whose workers see the same files; None makes ``workers`` threads.
    ``memory`` : bytes for the raw bands of all workers. Neither changes a pixel. ``progress`` wraps the iterable of finished bands.
    A stopped pass leaves its finished bands in ``folder``/.stacking and goes on from them; `read_report` tells what the pass found.
    """
    check_range("reject", reject, 0, 10)
    if not specs:
        raise ArgumentError("`stacks` must name at least one stack.")
    wanted = {name: StackSpec.of(name, value) for name, value in specs.items()}
    folder = Path(folder)
    plan = _plan_pass(table, wanted, level_sky=level_sky, match_brightness=match_brightness)
    own = ThreadPoolExecutor(workers) if executor is None else None
    work = _WorkFolder(folder / ".stacking")
    try:
        with _disk_trouble(folder, plan):
            return _run_pass(plan, work, folder, float(reject), own or executor, workers, memory, progress)  # type: ignore[arg-type]
    except BaseException:
        work.stop()
        raise
    finally:
        if own is not None:
            own.shutdown(wait=True, cancel_futures=True)


def read_report(folder: str | Path) -> StackReport:
    """What the pass that wrote the stacks in ``folder`` found."""
    folder = Path(folder)
    facts = json.loads((folder / REPORT).read_text(encoding="utf-8"))
    lost = np.load(folder / LOST_MAP)
    return StackReport(facts["reference"], tuple(facts["stacks"]), tuple(facts["frames"]), tuple(facts["words"]), lost)


# ---------------------------------------------------------------- before a pixel is read
@dataclass(frozen=True)
class _Plan:
    """The frames of the pass in rank order, how they match, and which frames and weights each stack sums."""

    rows: tuple[FrameRow, ...]
    matching: match.Matching
    specs: dict[str, StackSpec]
    counts: dict[str, int]
    weights: Array
    sets: dict[str, int]
    words: tuple[str, ...]

    @property
    def info(self) -> FrameInfo:
        return self.rows[self.matching.reference].info


def _plan_pass(table: FrameTable, specs: dict[str, StackSpec], *, level_sky: str, match_brightness: bool) -> _Plan:
    rows, words = table.used, []
    matching = match.match_frames(rows, match.choose_reference(table), level_sky=level_sky, match_brightness=match_brightness)
    misplaced = [i for i, reason in enumerate(matching.misplaced) if reason]
    if misplaced:
        words += [f"{rows[i].file} is left out: {matching.misplaced[i]}." for i in misplaced]
        rows = tuple(row for i, row in enumerate(rows) if i not in misplaced)
        reference = rows.index(table.used[matching.reference])
        matching = match.match_frames(rows, reference, level_sky=level_sky, match_brightness=match_brightness)
    words += check_same_grid([row.info for row in rows])
    _refuse_unreadable(rows)
    counts = {name: kept_count(spec.keep, len(rows)) for name, spec in specs.items()}
    weights, sets = _weight_sets(specs, matching, rows)
    words += [*matching.words, *_warnings(rows, counts, specs)]
    return _Plan(rows, matching, specs, counts, weights, sets, tuple(words))


def _refuse_unreadable(rows: Sequence[FrameRow]) -> None:
    if len(rows) > stacks.LARGEST_COUNT:
        raise InputError(f"At most {stacks.LARGEST_COUNT} frames can be stacked in one pass, got {len(rows)}.")
    for row in rows:
        if row.info.white_level is None:
            raise InputError(
                f"{row.file} does not say which value is white: set frames.white_level (1 if saturated pixels hold 1.0).",
                file=row.path,
                key="frames.white_level",
                code="white_level",
            )
        if bands.in_place(row.info) and (short := bands.missing_bytes(row.info)):
            raise InputError(
                f"{row.file} is cut short: {short} bytes of pixels are missing. Copy it again, or list it under frames.exclude.files.",
                file=row.path,
                code="short_file",
            )


def _weight_sets(specs: dict[str, StackSpec], matching: match.Matching, rows: Sequence[FrameRow]) -> tuple[Array, dict[str, int]]:
    """(J, N) float32 weights, first 1/r^2, and which row each stack uses; equal sets are kept once."""
    table = [(1 / match.relative_noise(matching.noise) ** 2).astype(np.float32)]
    sets = {}
    for name, spec in specs.items():
        if isinstance(spec.weights, str):
            fwhm = np.array([row.fwhm for row in rows])
            values = match.frame_weights(matching, fwhm, weights=spec.weights, power=spec.power)
            values = table[0] if spec.weights == "noise" else values.astype(np.float32)
        elif len(spec.weights) != len(rows):
            raise ArgumentError(f"`stacks[{name!r}].weights` must have one number for each of the {len(rows)} used frames.")
        else:
            values = np.array(spec.weights, np.float32)
        sets[name] = next((j for j, known in enumerate(table) if np.array_equal(known, values)), len(table))
        if sets[name] == len(table):
            table.append(values)
    return np.stack(table), sets


def _warnings(rows: Sequence[FrameRow], counts: dict[str, int], specs: dict[str, StackSpec]) -> list[str]:
    words = []
    for name, count in counts.items():
        if count < FEWEST_TO_REJECT and specs[name].maps:
            words.append(
                f"{name} holds only {count} of {len(rows)} frames: with fewer than {FEWEST_TO_REJECT} a trail or cosmic ray cannot be told "
                "from light within the stack; keep more frames, or look for trails in it."
            )
    lost = ordinary_peak_loss(np.array([row.fwhm for row in rows]))
    if lost > PEAKS_LOST:
        words.append(
            "The seeing of these frames is so mixed that an ordinary stack of all of them, clipped at 3 sigma, would lose "
            f"up to {lost:.0%} of the bright stars' peaks: it throws out the sharp frames' cores. Here each frame is judged among frames "
            "of like seeing, so the peaks stay."
        )
    packed = sum(not bands.in_place(row.info) for row in rows)
    if packed:
        words.append(
            f"{packed} of {len(rows)} frames are compressed or stored as 64-bit integers: they are unpacked once to a scratch file, "
            "which is slower and takes room; plain FITS is read in place."
        )
    return words


def ordinary_peak_loss(fwhm: Array, *, sigma: float = 3.0) -> float:
    """Share of a bright star's peak that clipping all frames together takes away, from the widths alone (peaks go as FWHM^-2).

    The larger loss of the two usual ways: about the median by the standard deviation until nothing changes, or once by the MAD.
    """
    peaks = 1 / np.asarray(fwhm, float)[np.isfinite(fwhm)] ** 2
    if peaks.size < 3:
        return 0.0
    away = np.abs(peaks - np.median(peaks))
    by_mad = peaks[away <= sigma * max(1.4826 * np.median(away), LEAST_SPREAD * np.median(peaks))]
    by_deviation = peaks
    for _ in range(peaks.size):
        inside = np.abs(by_deviation - np.median(by_deviation)) <= sigma * by_deviation.std()
        if inside.all():
            break
        by_deviation = by_deviation[inside]
    return float(1 - min(by_mad.mean(), by_deviation.mean()) / peaks.mean())


# ---------------------------------------------------------------- the pass
@dataclass(frozen=True)
class _Job:
    """What a worker needs; the same for every band."""

    order: step.StackOrder
    frames: tuple[FrameInfo, ...]
    outputs: tuple[stacks.StackFile, ...]
    rows_at_once: int
    stop: Path


@dataclass(frozen=True)
class _Band:
    """A finished band: CRC-32 of what it wrote into each output; rejected samples of each frame in cells of 64 columns, all channels."""

    number: int
    checks: tuple[int, ...]
    lost: Array


class _StoppedError(Exception):
    """A worker saw the stop mark."""


class _WorkFolder:
    """The hidden folder beside the results: unfinished stacks, scratch frames, journal of finished bands, mark that stops workers."""

    def __init__(self, path: Path):
        self.path, self.journal, self.mark = path, path / "journal", path / "stop"

    def enter(self, key: str) -> bool:
        """Make ready for the pass ``key``; True when bands of the same pass may be there already."""
        self.mark.unlink(missing_ok=True)
        if self.journal.exists() and self.journal.read_text(encoding="utf-8").split("\n", 1)[0] == key:
            return True
        shutil.rmtree(self.path, ignore_errors=True)
        self.path.mkdir(parents=True)
        return False

    def begin(self, key: str) -> None:
        self.journal.write_text(key + "\n", encoding="utf-8")

    def note(self, band: _Band) -> None:
        packed = zlib.compress(band.lost.astype("<u4").tobytes()).hex()
        with open(self.journal, "a", encoding="utf-8") as handle:
            handle.write(json.dumps({"band": band.number, "checks": band.checks, "lost": packed}) + "\n")

    def noted(self, shape: tuple[int, int]) -> Iterator[_Band]:
        """The bands of the journal; a last line cut off by a crash is passed over."""
        for line in self.journal.read_text(encoding="utf-8").splitlines()[1:]:
            try:
                entry = json.loads(line)
                lost = np.frombuffer(zlib.decompress(bytes.fromhex(entry["lost"])), "<u4").reshape(shape).astype(np.int32)
                yield _Band(entry["band"], tuple(entry["checks"]), lost)
            except (ValueError, KeyError, zlib.error):
                continue

    def stop(self) -> None:
        if self.path.is_dir():
            self.mark.touch()

    def clear(self) -> None:
        shutil.rmtree(self.path, ignore_errors=True)


def _run_pass(
    plan: _Plan,
    work: _WorkFolder,
    folder: Path,
    reject: float,
    executor: Executor,
    workers: int,
    memory: int | None,
    progress: Callable[[Iterable[Any]], Iterable[Any]],
) -> dict[str, Path]:
    key = _key(plan, reject)
    resuming = work.enter(key)
    names = sorted(plan.specs, key=lambda name: plan.counts[name])  # the kernel writes outputs in the order of their last frame
    layouts = {name: _lay_out(plan, name, work.path / f"{name}.fits") for name in names}
    _check_room(folder, plan, [file for file, _ in layouts.values()])
    resuming = resuming and all(file.path.exists() and file.path.stat().st_size == file.size for file, _ in layouts.values())
    if not resuming:
        for file, pieces in layouts.values():
            stacks.create(file, pieces)
        work.begin(key)
    frames = _frames_in_place(plan.rows, work.path, executor, plan.info.top_down)
    gaps = _gap_table(plan.rows, frames, executor)
    order = _order(plan, frames, gaps, names, reject)
    plain = tuple(replace(info, cards=(), words=()) for info in frames)
    job = _Job(order, plain, tuple(layouts[name][0] for name in names), _rows_at_once(frames, workers, memory), work.mark)
    done = {band.number: band for band in _good_bands(job, work)} if resuming else {}
    for band in progress(_Bands(job, gaps, done, executor, workers)):
        if band.number not in done:
            done[band.number] = band
            work.note(band)
    return _finish(plan, order, job, names, done, work, folder)


@dataclass(frozen=True)
class _Bands:
    """The bands of a pass as they get finished, those of an earlier run first; knows its length, for progress bars."""

    job: _Job
    gaps: Array
    done: dict[int, _Band]
    executor: Executor
    workers: int

    def __len__(self) -> int:
        return -(-self.job.order.height // TILE_ROWS)

    def __iter__(self) -> Iterator[_Band]:
        yield from list(self.done.values())
        ahead = iter([number for number in range(len(self)) if number not in self.done])
        running: set[Future[_Band]] = set()
        try:
            while True:
                while len(running) < 2 * self.workers and (number := next(ahead, None)) is not None:
                    running.add(self.executor.submit(_stack_band, self.job, number, _rows_of(self.gaps, number)))
                if not running:
                    return
                finished, running = wait(running, return_when=FIRST_COMPLETED)
                for future in finished:
                    yield future.result()
        finally:
            for future in running:
                future.cancel()


def _rows_of(gaps: Array, number: int) -> Array:
    first, last = np.searchsorted(gaps[:, 1], [number * TILE_ROWS, (number + 1) * TILE_ROWS])
    return gaps[first:last]


def _stack_band(job: _Job, number: int, gaps: Array) -> _Band:
    """Read, combine and write one band of all channels; runs on any worker."""
    order = job.order
    first, last = number * TILE_ROWS, min((number + 1) * TILE_ROWS, order.height)
    checks = [0] * len(job.outputs)
    lost = np.zeros((len(job.frames), -(-order.width // step.CELL)), np.int32)
    for row0 in range(first, last, job.rows_at_once):
        row1 = min(row0 + job.rows_at_once, last)
        saturated = np.zeros((-(-len(job.frames) // 8), (row1 - row0) * order.width), np.uint8)
        cover = np.zeros((len(job.outputs), saturated.shape[1]), np.int64)
        for channel in range(order.channels):
            raw = _read_band(job, channel, row0, row1)
            done = step.combine_rows(order, channel, raw, row0, gaps=gaps, saturated=saturated)
            lost += done.lost
            cover = np.maximum(cover, (done.count.astype(np.int64) + done.rejected).reshape(cover.shape))
            _write_channel(job, channel, row0, done, checks)
        shares = step.saturated_share(saturated, cover, order.counts)
        for k, file in enumerate(job.outputs):
            if stacks.SATURATED in file.names:
                checks[k] ^= _crc(file.write(stacks.SATURATED, 0, row0, shares[k]), stacks.SATURATED, 0, row0)
    return _Band(number, tuple(checks), lost)


_kept = threading.local()


def _read_band(job: _Job, channel: int, row0: int, row1: int) -> Array:
    """(N, bytes) raw rows of every frame, into a buffer that each thread keeps: fresh pages cost more than reading."""
    shape = (len(job.frames), _slab_bytes(job.frames, job.rows_at_once))
    if getattr(_kept, "raw", np.empty(0)).shape != shape:
        _kept.raw = np.empty(shape, np.uint8)
    for i, info in enumerate(job.frames):
        if i % 64 == 0 and job.stop.exists():
            raise _StoppedError
        bands.read_narrow(info, channel, row0, row1, _kept.raw[i, : bands.row_bytes(bands.narrow(info)) * (row1 - row0)])
    return _kept.raw


def _slab_bytes(frames: Sequence[FrameInfo], rows: int) -> int:
    """Bytes that hold so many rows of any of the frames, in fours."""
    size = rows * max(bands.row_bytes(bands.narrow(info)) for info in frames)
    return size + -size % 4


def _write_channel(job: _Job, channel: int, row0: int, done: step.Combined, checks: list[int]) -> None:
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
                checks[k] ^= _crc(file.write(name, channel, row0, arrays[name][k]), name, channel, row0)


def _crc(stored: Array, name: str, channel: int, row0: int) -> int:
    """CRC-32 of written rows (n, bytes), each started from its place: pieces can be joined in any order and size."""
    check = 0
    for row, line in enumerate(stored, row0):
        check ^= zlib.crc32(line.data, zlib.crc32(f"{name} {channel} {row}".encode()))
    return check


def _good_bands(job: _Job, work: _WorkFolder) -> Iterator[_Band]:
    """Bands of an earlier run whose bytes still stand in the files as they were written."""
    shape = (len(job.frames), -(-job.order.width // step.CELL))
    for band in work.noted(shape):
        row0, row1 = band.number * TILE_ROWS, min((band.number + 1) * TILE_ROWS, job.order.height)
        if band.checks == tuple(_check_of(file, row0, row1) for file in job.outputs):
            yield band


def _check_of(file: stacks.StackFile, row0: int, row1: int) -> int:
    check = 0
    for name, _, _, planes in file.places:
        for channel in range(planes):
            check ^= _crc(file.read(name, channel, row0, row1), name, channel, row0)
    return check


# ---------------------------------------------------------------- the order for the workers
def _order(plan: _Plan, frames: Sequence[FrameInfo], gaps: Array, names: Sequence[str], reject: float) -> step.StackOrder:
    info, matching = plan.info, plan.matching
    narrow = [bands.narrow(frame) for frame in frames]
    white = np.array([frame.white_level for frame in frames], float)
    planes = matching.planes * ([1, 1, 1] if info.top_down else [1, 1, -1])  # v runs along the file's rows
    mapped = np.zeros(len(plan.weights), bool)
    for name in names:
        mapped[plan.sets[name]] |= plan.specs[name].maps
    reference = plan.rows[matching.reference].measure
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
        floor=np.zeros(info.channels),
        sky=np.nan_to_num(np.array(reference.sky, float)),
        reject=reject,
    )
    return replace(order, floor=_floors(plan, order, frames, gaps))


def _strata(rows: Sequence[FrameRow]) -> step.Strata:
    fwhm, eccentricity, angle = (np.array([getattr(row, name) for row in rows], float) for name in ("fwhm", "eccentricity", "angle"))
    return step.make_strata(fwhm, eccentricity=eccentricity, angle=angle)


def _floors(plan: _Plan, order: step.StackOrder, frames: Sequence[FrameInfo], gaps: Array) -> Array:
    """(C,) noise below which no pixel's scatter is believed: measured between frames on a few rows, at least half a step of the numbers."""
    chosen = np.unique(np.linspace(0, len(frames) - 1, min(len(frames), FLOOR_FRAMES)).round().astype(int))
    rows = np.unique(np.linspace(0, order.height - 1, FLOOR_ROWS + 2).round().astype(int)[1:-1])
    raw = np.empty((len(chosen), _slab_bytes([frames[i] for i in chosen], 1)), np.uint8)
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


def _rows_at_once(frames: Sequence[FrameInfo], workers: int, memory: int | None) -> int:
    row = len(frames) * _slab_bytes(frames, 1)
    return int(min(max((memory or DEFAULT_MEMORY) // (workers * row), 1), TILE_ROWS))


def _frames_in_place(rows: Sequence[FrameRow], folder: Path, executor: Executor, top_down: bool) -> list[FrameInfo]:
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


def _gap_table(rows: Sequence[FrameRow], frames: Sequence[FrameInfo], executor: Executor) -> Array:
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


def _key(plan: _Plan, reject: float) -> str:
    """Hash of all that decides the bytes of the stacks."""
    digest = hashlib.sha256()
    for row in plan.rows:
        stat = row.path.stat()
        digest.update(f"{row.path.resolve()} {stat.st_size} {stat.st_mtime_ns} {row.fwhm!r} {row.info.white_level!r}\n".encode())
    specs = {name: asdict(spec) for name, spec in plan.specs.items()}
    digest.update(json.dumps([VERSION, reject, plan.counts, specs, plan.matching.reference], sort_keys=True).encode())
    for array in (plan.matching.scale, plan.matching.planes, plan.matching.noise, plan.weights):
        digest.update(np.ascontiguousarray(array).tobytes())
    return digest.hexdigest()


# ---------------------------------------------------------------- files
def _lay_out(plan: _Plan, name: str, path: Path) -> tuple[stacks.StackFile, list[tuple[int, bytes]]]:
    count, info = plan.counts[name], plan.info
    weights = plan.weights[plan.sets[name], :count].astype(float)
    rows = plan.rows[:count]
    head = stacks.StackHead(
        cards=info.cards,
        top_down=info.top_down,
        files=tuple(row.file for row in rows),
        weights=tuple(weights / weights.mean()),
        scales=tuple(plan.matching.scale[:count]),
        exposure_s=_exposure(rows),
        fwhm_major=expected_width(np.array([row.fwhm_major for row in rows]), weights),
    )
    return stacks.lay_out(path, height=info.height, width=info.width, channels=info.channels, maps=plan.specs[name].maps, head=head)


def _exposure(rows: Sequence[FrameRow]) -> float:
    return float(np.nansum([row.exposure_s for row in rows]))


def expected_width(widths: Array, weights: Array, *, beta: float = 3.0) -> float:
    """FWHM, px, of the weighted mean of Moffat stars of equal flux and the given widths (Moffat 1969, A&A 3, 455)."""
    known = np.isfinite(widths) & (widths > 0) & (weights > 0)
    widths, weights = widths[known], weights[known]
    if not widths.size:
        return float("nan")
    peaks = weights / widths**2
    low, high = float(widths.min()), float(widths.max())
    for _ in range(60):
        middle = (low + high) / 2
        profile = float((peaks * (1 + (2 ** (1 / beta) - 1) * (middle / widths) ** 2) ** -beta).sum())
        low, high = (middle, high) if profile > peaks.sum() / 2 else (low, middle)
    return (low + high) / 2


def _check_room(folder: Path, plan: _Plan, files: Sequence[stacks.StackFile]) -> None:
    needed = _room(plan, files)
    there = sum(path.stat().st_size for path in (folder / ".stacking").glob("*") if path.is_file())
    free = shutil.disk_usage(folder).free + there
    if free < needed:
        raise StoppedError(
            f"No room for the stacks in {folder}: they need {needed / 1e9:.2f} GB, {free / 1e9:.2f} GB are free. "
            "Make room, ask for fewer stacks, or set output.folder to another disk.",
            file=folder,
            code="disk_full",
        )


def _room(plan: _Plan, files: Sequence[stacks.StackFile]) -> int:
    scratch = sum(4 * row.info.height * row.info.width * row.info.channels for row in plan.rows if not bands.in_place(row.info))
    return sum(file.size for file in files) + scratch


class _disk_trouble:  # noqa: N801 - reads like the function it is used as
    """Turns a disk's refusal into a sentence; leaves no work folder behind that holds nothing yet."""

    def __init__(self, folder: Path, plan: _Plan):
        self.folder, self.plan = folder, plan

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: Any, error: Any, trace: Any) -> None:
        if not isinstance(error, OSError) or isinstance(error, InputError):
            return
        work = self.folder / ".stacking"
        if not (work / "journal").exists():
            shutil.rmtree(work, ignore_errors=True)
        raise StoppedError(
            f"The disk refused while stacking into {self.folder}: {error.strerror or error}. "
            "Make room or set output.folder to another disk, then run again: finished bands are kept.",
            file=error.filename or self.folder,
            code="disk",
        ) from error


def _finish(
    plan: _Plan, order: step.StackOrder, job: _Job, names: Sequence[str], done: Mapping[int, _Band], work: _WorkFolder, folder: Path
) -> dict[str, Path]:
    """Give the files their names, write the report, clear the work folder."""
    for file in job.outputs:
        with open(file.path, "rb+") as handle:
            os.fsync(handle.fileno())
    final = {name: folder / f"{name}.fits" for name in plan.specs}
    for name, file in zip(names, job.outputs, strict=True):
        file.path.replace(final[name])
    _write_report(plan, order, done, folder, final)
    work.clear()
    return final


# ---------------------------------------------------------------- report
def _write_report(plan: _Plan, order: step.StackOrder, done: Mapping[int, _Band], folder: Path, final: Mapping[str, Path]) -> None:
    lost = _lost_shares(order, done)
    cover = np.array([row.measure.covered for row in plan.rows])
    cells = _cell_sizes(order.height, order.width)
    shares = (lost * cells).sum((1, 2)) / (cells.sum() * np.maximum(cover, 1e-6))
    words = list(plan.words)
    words += [
        f"{row.file}: {share:.0%} of its samples were rejected; look at it, and list it under frames.exclude.files if it is spoilt."
        for row, share in zip(plan.rows, shares, strict=True)
        if share > MUCH_REJECTED
    ]
    frames = [
        {"file": row.file, "scale": float(scale), "noise": float(noise), "stars": int(stars), "rejected": float(share)}
        for row, scale, noise, stars, share in zip(
            plan.rows, plan.matching.scale, plan.matching.noise, plan.matching.stars, shares, strict=True
        )
    ]
    facts = {
        "reference": plan.rows[plan.matching.reference].file,
        "stacks": [_stack_facts(plan, name, final[name]) for name in plan.specs],
        "frames": frames,
        "words": words,
    }
    write_bytes(folder / REPORT, json.dumps(_without_nan(facts), indent=1).encode())
    with tempfile.TemporaryFile() as handle:
        np.save(handle, lost)
        handle.seek(0)
        write_bytes(folder / LOST_MAP, handle.read())


def _without_nan(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _without_nan(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_without_nan(item) for item in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _lost_shares(order: step.StackOrder, done: Mapping[int, _Band]) -> Array:
    """(N, ny, nx) float32: rejected share of each frame in squares of 64 px, row 0 the first row of the file."""
    ny = -(-order.height // step.CELL)
    lost = np.zeros((len(order.bitpix), ny, -(-order.width // step.CELL)), np.int64)
    for number, band in done.items():
        lost[:, number * TILE_ROWS // step.CELL] += band.lost
    return (lost / (order.channels * _cell_sizes(order.height, order.width))).astype(np.float32)


def _cell_sizes(height: int, width: int) -> Array:
    """(ny, nx) px in each square, smaller at the far edges."""
    y, x = (np.minimum(step.CELL, length - np.arange(0, length, step.CELL)) for length in (height, width))
    return y[:, None] * x


def _stack_facts(plan: _Plan, name: str, path: Path) -> dict[str, Any]:
    count = plan.counts[name]
    weights, noise = plan.weights[plan.sets[name], :count].astype(float), plan.matching.noise[:count]
    single = plan.matching.noise[plan.matching.reference]
    mean_noise = float(np.sqrt((weights**2 * noise**2).sum()) / weights.sum())
    stack = stacks.open_stack(path)
    return {
        "name": name,
        "frames": count,
        "hours": _exposure(plan.rows[:count]) / 3600,
        "fwhm_major": stack.fwhm_major,
        "noise": half_noise(stack),
        "depth_mag": 2.5 * math.log10(single / mean_noise) if mean_noise > 0 else float("nan"),
    }


def half_noise(stack: Stack, *, every: int = 16) -> float:
    """Noise of a pixel of Y, linear light, from half the difference of the half-sets on some rows; NaN for a single frame."""
    if stack.halves is None:
        return float("nan")
    a, b = (np.asarray(half[::every], np.float32) for half in stack.halves)
    difference = (a - b) / 2
    if difference.ndim == 3:
        difference = (difference[..., 0] + 2 * difference[..., 1] + difference[..., 2]) / 4
    difference = difference[np.isfinite(difference)]
    return float(1.4826 * np.median(np.abs(difference - np.median(difference)))) if difference.size else float("nan")
