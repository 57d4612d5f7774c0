"""The one pass over the frames: cut the picture into bands, hand them to any executor, resume, name the finished files."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ThreadPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from layerblend.errors import ArgumentError, StoppedError, check_flag, check_range
from layerblend.files import bands, stacks
from layerblend.kinds import Array, FrameTable, Stack
from layerblend.moves import mend_words, take_name
from layerblend.stacking.arrange import Arrangement, StackSpec, arrange
from layerblend.stacking.journal import Band, WorkFolder
from layerblend.stacking.order import frames_in_place, gap_table, make_order, pass_key
from layerblend.stacking.report import expected_width, exposure, read_report, write_report
from layerblend.stacking.workers import TILE_ROWS, Job, good_bands, let_go_of_buffers, rows_at_once, stack_band
from layerblend.steps import stack as step

LOOK_UP_S = 0.2
"""On Windows Ctrl-C is not heard while a thread waits, so no wait is longer than this."""


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
    dict of Stack, in the order of ``specs``; their ``words`` name frames that were left out and what else the pass has to say.

    Raises
    ------
    ArgumentError, InputError : a spec is wrong; frames do not fit together, are cut short or have no known white level.
    """
    with tempfile.TemporaryDirectory(prefix="layerblend-", ignore_cleanup_errors=True) as scratch:
        place = folder or scratch
        paths = build_stacks(
            table,
            specs,
            folder=place,
            reject=reject,
            level_sky=level_sky,
            match_brightness=match_brightness,
            executor=executor,
            workers=workers,
        )
        words = read_report(place).words
        return {name: _opened(path, words, in_memory=folder is None) for name, path in paths.items()}


def _opened(path: Path, words: tuple[str, ...], *, in_memory: bool) -> Stack:
    """A finished stack, mapped or read; read, its file is let go of, for Windows deletes none that is mapped."""
    stack = replace(stacks.open_stack(path), words=words)
    return stacks.load(stack) if in_memory else stack


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
    check_places: bool = True,
) -> dict[str, Path]:
    """Write ``folder``/NAME.fits for every spec, in one pass over the frames; see `nested_stacks` for the settings.

    ``executor`` : any `concurrent.futures.Executor` whose workers see the same files; None makes ``workers`` threads.
    ``memory`` : bytes for the raw bands of all workers. Neither changes a pixel. ``progress`` wraps the iterable of finished bands.
    ``check_places`` : leave out frames whose stars stand elsewhere than the reference's; False stacks them as they lie.
    A stopped pass leaves its finished bands in ``folder``/.stacking and goes on from them; `read_report` tells what the pass found.
    """
    check_range("reject", reject, 0, 10)
    check_flag("match_brightness", match_brightness)
    if not specs:
        raise ArgumentError("`stacks` must name at least one stack.")
    wanted = {name: StackSpec.of(name, value) for name, value in specs.items()}
    folder = Path(folder)
    plan = arrange(table, wanted, level_sky=level_sky, match_brightness=match_brightness, check_places=check_places)
    own = ThreadPoolExecutor(workers) if executor is None else None
    work = WorkFolder(folder / ".stacking")
    try:
        with _disk_trouble(folder, work):
            return _run_pass(plan, work, folder, float(reject), own or executor, workers, memory, progress)  # type: ignore[arg-type]
    except BaseException:
        work.stop()
        raise
    finally:
        if own is not None:
            own.shutdown(wait=True, cancel_futures=True)
        let_go_of_buffers()


# ---------------------------------------------------------------- the pass
def _run_pass(
    plan: Arrangement,
    work: WorkFolder,
    folder: Path,
    reject: float,
    executor: Executor,
    workers: int,
    memory: int | None,
    progress: Callable[[Iterable[Any]], Iterable[Any]],
) -> dict[str, Path]:
    key = pass_key(plan, reject)
    resuming = work.enter(key)
    names = sorted(plan.specs, key=lambda name: plan.counts[name])  # the kernel writes outputs in the order of their last frame
    layouts = {name: _lay_out(plan, name, work.path / f"{name}.fits") for name in names}
    _check_room(folder, plan, [file for file, _ in layouts.values()])
    resuming = resuming and all(file.path.exists() and file.path.stat().st_size == file.size for file, _ in layouts.values())
    if not resuming:
        for file, pieces in layouts.values():
            stacks.create(file, pieces)
        work.begin(key)
    frames = frames_in_place(plan.rows, work.path, executor, plan.info.top_down)
    gaps = gap_table(plan.rows, frames, executor)
    order = make_order(plan, frames, gaps, names, reject)
    plain = tuple(replace(info, cards=(), words=()) for info in frames)
    job = Job(order, plain, tuple(layouts[name][0] for name in names), rows_at_once(frames, workers, memory), work.mark)
    done = {band.number: band for band in good_bands(job, work)} if resuming else {}
    with _ToDisk([file.path for file in job.outputs]) as to_disk:
        for band in progress(_Bands(job, gaps, done, executor, workers)):
            if band.number not in done:
                done[band.number] = band
                work.note(band)
                to_disk.bring()
        to_disk.finish()
    return _finish(plan, order, job, names, done, work, folder)


@dataclass(frozen=True)
class _Bands:
    """The bands of a pass as they get finished, those of an earlier run first; knows its length, for progress bars."""

    job: Job
    gaps: Array
    done: dict[int, Band]
    executor: Executor
    workers: int

    def __len__(self) -> int:
        return -(-self.job.order.height // TILE_ROWS)

    def __iter__(self) -> Iterator[Band]:
        yield from list(self.done.values())
        ahead = iter([number for number in range(len(self)) if number not in self.done])
        running: set[Future[Band]] = set()
        try:
            while True:
                while len(running) < 2 * self.workers and (number := next(ahead, None)) is not None:
                    running.add(self.executor.submit(stack_band, self.job, number, _rows_of(self.gaps, number)))
                if not running:
                    return
                finished, running = wait(running, LOOK_UP_S, FIRST_COMPLETED)
                for future in finished:
                    yield future.result()
        finally:
            for future in running:
                future.cancel()


def _rows_of(gaps: Array, number: int) -> Array:
    first, last = np.searchsorted(gaps[:, 1], [number * TILE_ROWS, (number + 1) * TILE_ROWS])
    return gaps[first:last]


class _ToDisk:
    """Brings what is written to the disk while the pass goes on, so that its end need not wait for gigabytes."""

    def __init__(self, paths: Sequence[Path]):
        self.paths, self.pool = paths, ThreadPoolExecutor(1)
        self.running: Future[None] | None = None

    def __enter__(self) -> _ToDisk:
        return self

    def __exit__(self, *trouble: object) -> None:
        self.pool.shutdown(wait=True, cancel_futures=True)

    def bring(self) -> None:
        """Start bringing, unless it is still under way."""
        if self.running is None or self.running.done():
            self.finish_running()
            self.running = self.pool.submit(_bring_to_disk, self.paths)

    def finish_running(self) -> None:
        if self.running is not None:
            self.running.result()

    def finish(self) -> None:
        """All that is written stands on the disk; raises what the disk refused."""
        self.finish_running()
        _bring_to_disk(self.paths)


def _bring_to_disk(paths: Sequence[Path]) -> None:
    for path in paths:
        with open(path, "rb+") as handle:
            os.fsync(handle.fileno())


# ---------------------------------------------------------------- files
def _lay_out(plan: Arrangement, name: str, path: Path) -> tuple[stacks.StackFile, list[tuple[int, bytes]]]:
    count, info = plan.counts[name], plan.info
    weights = plan.weights[plan.sets[name], :count].astype(float)
    rows = plan.rows[:count]
    head = stacks.StackHead(
        cards=info.cards,
        top_down=info.top_down,
        files=tuple(row.file for row in rows),
        weights=tuple(weights / weights.mean()),
        scales=tuple(plan.matching.scale[:count]),
        exposure_s=exposure(rows),
        fwhm_major=expected_width(np.array([row.fwhm_major for row in rows]), weights),
    )
    return stacks.lay_out(path, height=info.height, width=info.width, channels=info.channels, maps=plan.specs[name].maps, head=head)


def _check_room(folder: Path, plan: Arrangement, files: Sequence[stacks.StackFile]) -> None:
    needed = _room(plan, files)
    there = sum(path.stat().st_size for path in (folder / ".stacking").glob("*") if path.is_file())
    free = shutil.disk_usage(folder).free + there
    if free < needed:
        raise StoppedError(
            f"No room for the stacks in {folder}: they need {needed / 1e9:.2f} GB, {free / 1e9:.2f} GB are free. "
            "Make room, ask for fewer stacks, or move the recipe to another disk: what it keeps lies beside it.",
            file=folder,
            code="disk_full",
        )


def _room(plan: Arrangement, files: Sequence[stacks.StackFile]) -> int:
    scratch = sum(4 * row.info.height * row.info.width * row.info.channels for row in plan.rows if not bands.in_place(row.info))
    return sum(file.size for file in files) + scratch


@contextmanager
def _disk_trouble(folder: Path, work: WorkFolder) -> Iterator[None]:
    """Turns a disk's refusal into a sentence; leaves no work folder behind that holds nothing yet."""
    try:
        yield
    except OSError as error:
        if not work.journal.exists():
            work.clear()
        place = Path(getattr(error, "filename2", None) or error.filename or folder)
        mend = mend_words(error, place) if place != folder else ""
        raise StoppedError(
            f"The disk refused while stacking into {folder}: {error.strerror or error}."
            f"{mend or ' Make room there, then run again:'} {'F' if mend else 'f'}inished bands are kept.",
            file=place,
            code="disk",
        ) from error


def _finish(
    plan: Arrangement, order: step.StackOrder, job: Job, names: Sequence[str], done: Mapping[int, Band], work: WorkFolder, folder: Path
) -> dict[str, Path]:
    """Give the files their names, write the report, clear the work folder."""
    final = {name: folder / f"{name}.fits" for name in plan.specs}
    for name, file in zip(names, job.outputs, strict=True):
        take_name(file.path, final[name])
    write_report(plan, order, done, folder, final)
    work.clear()
    return final
