"""One recipe made ready to run: its frames opened, its graph built, its store beside it, progress on stderr."""

from __future__ import annotations

import contextlib
import math
import sys
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence, Sized
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from layerblend.chain.stacks import StackPass
from layerblend.engine.graph import Graph
from layerblend.engine.runner import AHEAD, Event, Runner
from layerblend.engine.store import Store
from layerblend.errors import InputError, PlaceError, RecipeError
from layerblend.files.frames import (
    HOW_TO_SAY_WHITE,
    FrameNames,
    check_same_grid,
    find_frames,
    is_own_result,
    open_frame,
    white_of_floats,
)
from layerblend.files.pictures import check_stack_file, floats_in_tiff, tiff_size
from layerblend.files.tables import read_csv
from layerblend.files.wcs import celestial_wcs, pixel_scale_deg, read_catalogue, sky_to_picture
from layerblend.kinds import Ellipse, FrameInfo, FrameTable
from layerblend.known import KnownFrames
from layerblend.maths.bands import cores, one_blas_thread, threads_allowed
from layerblend.memory import available_memory, give_back_freed_memory
from layerblend.plan import Names, Sources, build_graph, finished_files, names_of
from layerblend.recipe.schema import OWN_COLUMNS, Execution, Recipe
from layerblend.stacking import build_stacks, read_report

STORE_NAME = ".layerblend"
LEAST_GOOD_SHARE = 0.5
TENTHS = 10
MOST_LANES = 2  # steps made at one time: each works on whole pictures, and memory must do for all of them
# Bytes that the picture's steps take for each pixel of it, by lanes, measured at 12 megapixels.
PIXEL_BYTES = {1: 270, 2: 400}
LONG_S = 5.0  # steps that take longer leave gigabytes free
WORDS = {
    "grade": "grading frames",
    "table": "ranking frames",
    "stacks": "stacking",
    "sky": "flattening the sky",
    "white": "balancing white",
    "psf": "measuring the stars",
    "split": "separating the stars",
    "detail": "deconvolving the detail",
    "colour": "denoising the colour",
    "curve": "fitting the curve",
    "lit": "relighting the colour",
    "base": "combining light and colour",
    "starlight": "making the star layer",
    "result": "blending",
}


@dataclass
class Run:
    """A recipe with everything that is needed to ask for its results."""

    recipe: Recipe
    execution: Execution
    names: Names
    sources: Sources
    graph: Graph
    runner: Runner
    warnings: list[dict[str, Any]] = field(default_factory=list)

    def get_all(self, *nodes: str) -> dict[str, Any]:
        """Results of several nodes, made together."""
        return self.runner.get_all(nodes)

    def warn(self, code: str, text: str, file: str | None = None) -> None:
        """Note something the imager should know; each sentence once."""
        note = {"code": code, "text": text, "file": file}
        if note not in self.warnings:
            self.warnings.append(note)


@contextlib.contextmanager
def open_run(recipe: Recipe, execution: Execution) -> Iterator[Run]:
    """Open the recipe's frames and store; executor and progress bars are closed at the end.

    Raises
    ------
    InputError
        No frames, frames of different size, more than half of them unreadable.
    """
    warnings: list[dict[str, Any]] = []
    store = Store(recipe.home / STORE_NAME)
    known = KnownFrames(store.notes, recipe.frames.white_level)
    sources = find_sources(recipe, warnings, known)
    with make_executor(execution) as executor, _progress(execution, len(sources.frames)) as (tell, wrap):

        def stack_frames(table: FrameTable, *, folder: Path, **settings: Any) -> StackPass:
            return _stack(table, folder, settings, executor, execution, wrap)

        graph = build_graph(recipe, sources, stack_frames)
        workers = worker_count(execution)
        ahead = max(AHEAD, 2 * workers)
        free = available_memory()
        warnings += _short_of_memory(sources.pixels, free)
        lanes = _lanes(sources.pixels, workers, free)
        runner = Runner(graph, store, _giving_back(tell), executor=executor, ahead=ahead, lanes=lanes)
        try:
            with threads_allowed(execution.workers), one_blas_thread():
                yield Run(recipe, execution, names_of(recipe), sources, graph, runner, warnings)
                runner.settle()
                if store.folder.is_dir():  # a look at the recipe alone leaves nothing on the disk
                    known.remember()
        except BaseException:
            runner.abandon()
            raise
        finally:
            store.let_go()


def _short_of_memory(pixels: int, free: int) -> list[dict[str, Any]]:
    """A note where memory will hardly do, even for one step at a time."""
    needed = pixels * PIXEL_BYTES[1]
    if needed <= free:
        return []
    text = (
        f"At {pixels / 1e6:.2g} megapixels the picture's steps take about {needed / 1e9:.2g} GB of memory and {free / 1e9:.2g} GB are free:"
        " they may be slow or stop. Close other programs, or crop the frames."
    )
    return [{"code": "memory", "text": text, "file": None}]


def _lanes(pixels: int, workers: int, free: int) -> int:
    """How many steps are made at one time: one where memory would not do for two."""
    return 1 if pixels * PIXEL_BYTES[MOST_LANES] > free else min(workers, MOST_LANES)


def worker_count(execution: Execution) -> int:
    """Cores to use: as asked, else all that this process may use."""
    if execution.workers is not None:
        return execution.workers
    return cores()


@contextlib.contextmanager
def make_executor(execution: Execution) -> Iterator[Executor]:
    """Threads of this machine, or the workers of a dask cluster."""
    if execution.cluster is None:
        with ThreadPoolExecutor(worker_count(execution)) as executor:
            try:
                yield executor
            except BaseException:
                executor.shutdown(wait=False, cancel_futures=True)
                raise
        return
    try:
        from distributed import Client
    except ImportError:
        raise RecipeError("--cluster needs the extra `cluster`: pip install 'layerblend[cluster]'.", key="--cluster") from None
    try:
        client = Client(execution.cluster, timeout="10s")
    except (OSError, TimeoutError, ValueError) as error:
        raise RecipeError(f"No dask scheduler answers at {execution.cluster}: {error}.", key="--cluster") from error
    with client:
        yield client.get_executor(pure=False)


def _stack(
    table: FrameTable, folder: Path, settings: Mapping[str, Any], executor: Executor, execution: Execution, wrap: Callable[..., Any]
) -> StackPass:
    if not table.used:
        raise InputError(_why_none(table), key="frames.exclude", code="no_frames")
    paths = build_stacks(
        table,
        settings["specs"],
        folder=folder,
        reject=settings["reject"],
        level_sky=settings["level_sky"],
        match_brightness=settings["match_brightness"],
        check_places=settings["align"] != "off",
        executor=executor,
        workers=worker_count(execution),
        memory=execution.memory,
        progress=wrap,
    )
    return StackPass(paths, read_report(folder))


def _why_none(table: FrameTable) -> str:
    """Every frame is left out: the reasons, the commonest first."""
    reasons = Counter(row.excluded for row in table).most_common(3)
    listed = "; ".join(f"{count} x {reason}" for reason, count in reasons)
    return f"No frame is left to stack: all {len(table)} are left out ({listed}). Loosen frames.exclude; `layerblend grade` lists them."


# ---------------------------------------------------------------- sources
def find_sources(recipe: Recipe, warnings: list[dict[str, Any]], known: KnownFrames | None = None) -> Sources:
    """Open what the recipe names: frames (those ``known`` are not read again), measurements, catalogue, protected places."""
    found = _open_frames(recipe, warnings, known) if any(spec.from_frames for spec in recipe.stacks.values()) else _Frames()
    frames = tuple(found.used.values())
    stacks = [path for paths in finished_files(recipe).values() for path in paths]
    opened = {path: check_stack_file(path, white_level=recipe.frames.white_level) for path in stacks}
    headers = [header for header in opened.values() if header is not None]
    tiffs = [path for path, header in opened.items() if header is None and recipe.frames.white_level is None]
    _refuse_unknown_white([*_without_white(headers), *filter(floats_in_tiff, tiffs)])
    catalogue_path = recipe.white.source if isinstance(recipe.white.source, Path) else None
    warnings += _refuse_missing(recipe, catalogue_path)
    wants_wcs = catalogue_path is not None or any(spot.ra is not None for spot in recipe.flatten.protect)
    place = _Sky((*frames, *headers), "flatten.protect" if catalogue_path is None else "white.from") if wants_wcs else None
    protect = tuple(_ellipse(recipe, index, place) for index in range(len(recipe.flatten.protect)))
    finished = _sizes_told(opened)
    _refuse_unlike(recipe, frames, finished)
    sizes = [*((picture.height, picture.width) for picture in frames[:1]), *finished.values()]
    for size in sizes[:1]:
        warnings += _outside(protect, size)
        _refuse_outside(recipe, size)
    catalogue = None
    if catalogue_path is not None:
        assert place is not None
        listed = read_catalogue(catalogue_path)
        x, y = place.at(listed[:, 0], listed[:, 1])
        catalogue = np.stack([x, y, listed[:, 2]], axis=1)
    given = None if recipe.frames.measurements is None else _measurements(recipe, recipe.frames.measurements, found)
    pixels = max((height * width for height, width in sizes), default=0)
    return Sources(found.used, found.left_out, given, protect, catalogue, catalogue_path, pixels)


@dataclass(frozen=True)
class _Frames:
    """The frames of a recipe, opened, by name: those it works on, and those it leaves out by name."""

    used: Mapping[str, FrameInfo] = field(default_factory=dict)
    left_out: Mapping[str, FrameInfo] = field(default_factory=dict)
    names: FrameNames | None = None


def _open_frames(recipe: Recipe, warnings: list[dict[str, Any]], known: KnownFrames | None) -> _Frames:
    folder = recipe.frames.folder
    assert folder is not None
    look = partial(open_frame, white_level=recipe.frames.white_level) if known is None else known.open
    opened = {path: _opened(path, look) for path in find_frames(folder, recipe.frames.pattern)}
    opened = {path: info for path, info in opened.items() if not _is_result_of(recipe, info)}
    names = FrameNames(opened, folder)
    excluded = _excluded(recipe, names, warnings)
    left_out = {names.of[path]: info for path, info in opened.items() if names.of[path] in excluded and isinstance(info, FrameInfo)}
    rest = {names.of[path]: info for path, info in opened.items() if names.of[path] not in excluded}
    used = {name: info for name, info in rest.items() if isinstance(info, FrameInfo)}
    infos = list(used.values())
    troubles = [error for error in rest.values() if isinstance(error, InputError)]
    if troubles and len(infos) <= LEAST_GOOD_SHARE * len(rest):
        raise troubles[0]
    warnings += [{"code": "frame_left_out", "text": f"Left out: {error}", "file": error.file} for error in troubles]
    if not infos:
        raise InputError(f"No frames in {folder} are left to work on.", file=folder, key="frames.folder", code="no_frames")
    mixed = check_same_grid(infos)
    _refuse_unknown_white(_without_white(infos))
    _refuse_white_of_floats(infos)
    warnings += [*_header_notes(infos), *({"code": "mixed_filters", "text": text, "file": None} for text in mixed)]
    return _Frames(used, left_out, names)


def _opened(path: Path, look: Callable[[Path], FrameInfo]) -> FrameInfo | InputError:
    """A frame's header, or why there is none."""
    try:
        return look(path)
    except InputError as error:
        return error


def _is_result_of(recipe: Recipe, info: FrameInfo | InputError) -> bool:
    """Whether a file in the recipe's output folder is there by an earlier run: patterns with ``**`` reach into that folder too."""
    output = recipe.output.folder
    if output is None or isinstance(info, InputError) or not is_own_result(info):
        return False
    return info.path.parent.resolve().is_relative_to(output.resolve())


def _excluded(recipe: Recipe, names: FrameNames, warnings: list[dict[str, Any]]) -> set[str]:
    """The frames that the recipe leaves out by name."""
    meant = {text: names.meant(text) for text in recipe.frames.exclude.files}
    for text, several in meant.items():
        if len(several) > 1:
            raise RecipeError(f"frames.exclude.files: {_unclear(text, several)}", file=recipe.path, key="frames.exclude.files")
    absent = [text for text, found in meant.items() if not found]
    if absent:
        said = f"frames.exclude.files names {', '.join(absent)}, but {recipe.frames.folder} holds no such frame."
        warnings.append({"code": "not_found", "text": said, "file": None})
    return {name for found in meant.values() for name in found}


def _unclear(text: str, several: Sequence[str]) -> str:
    return f"{text} can be any of {len(several)} frames; name the folder too, such as {several[0]} or {several[1]}."


def _without_white(infos: Iterable[FrameInfo]) -> list[Path]:
    return [info.path for info in infos if info.white_level is None]


def _refuse_unknown_white(unknown: Sequence[Path]) -> None:
    if unknown:
        more = len(unknown) - 1
        others = f" and {more} more file{'s' if more > 1 else ''} hold floats and do" if more else " holds floats and does"
        raise InputError(
            f"{unknown[0].name}{others} not say which value is white (no card SATURATE or DATAMAX): {HOW_TO_SAY_WHITE}",
            file=unknown[0],
            key="frames.white_level",
            code="white_level",
        )


def _refuse_white_of_floats(infos: Sequence[FrameInfo]) -> None:
    wrong = [info for info in infos if white_of_floats(info)]
    if wrong:
        others = f" and {len(wrong) - 1} more frames hold" if len(wrong) > 1 else " holds"
        raise PlaceError(
            f"{wrong[0].path.name}{others} whole numbers, of which {wrong[0].white_level:g} is next to nothing: leave frames.white_level "
            "out, or set it to the value of a saturated pixel (65535 of 16 bits).",
            file=wrong[0].path,
            key="frames.white_level",
            code="white_level",
        )


def _header_notes(infos: Sequence[FrameInfo]) -> list[dict[str, Any]]:
    """What reading the headers had to say; what is said of many frames is said once."""
    said: dict[str, list[FrameInfo]] = {}
    for info in infos:
        for text in info.words:
            said.setdefault(text.replace(info.path.name, ""), []).append(info)
    notes = []
    for text, spoken in said.items():
        more = f" (and {len(spoken) - 1} more frames)" if len(spoken) > 1 else ""
        notes.append({"code": "frame_header", "text": f"{spoken[0].path.name}{more}{text}", "file": str(spoken[0].path)})
    return notes


class _Sky:
    """Sky positions to picture places, by the world coordinates of the first frame or stack that has them."""

    def __init__(self, infos: Iterable[FrameInfo], key: str) -> None:
        for info in infos:
            wcs = celestial_wcs(info.cards)
            if wcs is not None:
                self.wcs, self.height, self.top_down = wcs, info.height, info.top_down
                self.scale = pixel_scale_deg(wcs)
                return
        raise InputError(
            f"{key} gives sky positions; they need world coordinates, and no FITS header of this recipe's files has them. Solve one, or "
            f"{'give x and y in pixels' if key == 'flatten.protect' else 'balance on stars or sky'}.",
            key=key,
            code="no_wcs",
        )

    def at(self, ra: Any, dec: Any) -> tuple[Any, Any]:
        return sky_to_picture(self.wcs, ra, dec, height=self.height, top_down=self.top_down)


def _ellipse(recipe: Recipe, index: int, place: _Sky | None) -> Ellipse:
    """A protected place in picture pixels; lengths are px in either form."""
    spot, key = recipe.flatten.protect[index], f"flatten.protect[{index}]"
    x, y = spot.x, spot.y
    if spot.ra is not None:
        assert place is not None
        found = place.at([spot.ra], [spot.dec])
        x, y = float(found[0][0]), float(found[1][0])
        if not (math.isfinite(x) and math.isfinite(y)):
            text = f"{key} lies far outside the picture, on another side of the sky: ra {spot.ra:g}, dec {spot.dec:g} degrees."
            raise RecipeError(text, file=recipe.path, key=key)
    assert x is not None and y is not None
    a = spot.radius if spot.radius is not None else spot.a
    b = spot.radius if spot.radius is not None else spot.b
    assert a is not None and b is not None
    return Ellipse(x, y, a, b, spot.angle)


def _sizes_told(opened: Mapping[Path, FrameInfo | None]) -> dict[Path, tuple[int, int]]:
    """Height and width of the finished stacks' files that tell them."""
    told = {path: tiff_size(path) if header is None else (header.height, header.width) for path, header in opened.items()}
    return {path: size for path, size in told.items() if size is not None}


def _refuse_unlike(recipe: Recipe, frames: Sequence[FrameInfo], sizes: Mapping[Path, tuple[int, int]]) -> None:
    """Finished stacks in use must be as large as the colour stack."""
    names, files = names_of(recipe), finished_files(recipe)
    reference = [sizes[path] for path in files.get(names.colour, ())[:1] if path in sizes]
    if names.colour not in files:
        reference = [(info.height, info.width) for info in frames[:1]]
    for path in (path for name in names.roles for path in files.get(name, ())):
        if reference and path in sizes and sizes[path] != reference[0]:
            (height, width), (high, wide) = sizes[path], reference[0]
            sizes_said = f"{width} x {height} px where the colour stack is {wide} x {high}"
            text = f"The stack {path.name} is {sizes_said}; give stacks of one size and place."
            raise InputError(text, file=path, code="mixed_grid")


def _outside(protect: Sequence[Ellipse], size: tuple[int, int]) -> list[dict[str, Any]]:
    """Protected places that protect nothing, as of another picture or typed wrong."""
    notes = []
    height, width = size
    for index, spot in enumerate(protect):
        reach = max(spot.a, spot.b)
        if not (-reach < spot.x < width + reach and -reach < spot.y < height + reach):
            text = f"flatten.protect[{index}] lies outside the picture of {width} x {height} px, at {spot.x:.0f}, {spot.y:.0f}."
            notes.append({"code": "outside", "text": text, "file": None})
    return notes


def _refuse_missing(recipe: Recipe, catalogue: Path | None) -> list[dict[str, Any]]:
    """Refuse a catalogue that is not there, which may be a word mistyped; note a result to compare with that is not there yet."""
    if catalogue is not None and not catalogue.exists():
        text = f"white.from must be stars, sky, three factors [r, 1, b] or a CSV of catalogue colours; there is no file {catalogue}."
        raise RecipeError(text, file=recipe.path, key="white.from")
    against = recipe.compare.against
    if not isinstance(against, Path) or against.exists():
        return []
    return [{"code": "missing", "text": f"compare.against names {against}, which is not there; `compare` will need it.", "file": None}]


def _refuse_outside(recipe: Recipe, size: tuple[int, int]) -> None:
    """Places that the picture does not have, told hours before the step that asks for them."""
    height, width = size
    outside = f"outside the picture of {width} x {height} px"
    for key in ("keep", "remove"):
        for index, (x, y) in enumerate(getattr(recipe.split, key)):
            if not (-0.5 <= x < width - 0.5 and -0.5 <= y < height - 0.5):
                place = f"split.{key}[{index}]"
                raise RecipeError(f"{place} names the place [{x:g}, {y:g}], {outside}.", file=recipe.path, key=place)
    crop = recipe.output.crop
    if isinstance(crop, tuple) and (crop[2] > width or crop[3] > height):
        raise RecipeError(f"output.crop {list(crop)} reaches {outside}.", file=recipe.path, key="output.crop")


def _measurements(recipe: Recipe, path: Path, frames: _Frames) -> dict[str, dict[str, float]]:
    """The user's own measurements by frame, which hold the column to rank by if no column of ours has that name."""
    given = _of_frames(read_measurements(path), path, frames)
    column, columns = recipe.frames.rank_by.removeprefix("-"), sorted({name for row in given.values() for name in row})
    if column not in (*OWN_COLUMNS, *columns):
        known = ", ".join((*OWN_COLUMNS, *(name for name in columns if name not in OWN_COLUMNS)))
        text = f"frames.rank_by must be one of {known}; got {column!r}, of which {path.name} has no number."
        raise RecipeError(text, file=recipe.path, key="frames.rank_by")
    return given


def _of_frames(given: Mapping[str, dict[str, float]], path: Path, frames: _Frames) -> dict[str, dict[str, float]]:
    """Measurements by the names of the frames that are meant; what is measured of a frame that is left out counts for nothing."""
    found: dict[str, dict[str, float]] = {}
    for text, row in given.items():
        meant = frames.names.meant(text) if frames.names is not None else []
        if len(meant) > 1:
            raise InputError(f"{path}: {_unclear(text, meant)}", file=path, key="frames.measurements")
        if not meant or meant[0] in frames.used:
            found[meant[0] if meant else text] = row
    return found


def read_measurements(path: Path) -> dict[str, dict[str, float]]:
    """The user's own measurements by file name; cells that are no number are left out."""
    table = read_csv(path, key="frames.measurements")
    if "file" not in table.columns:
        raise InputError(f"{path} needs a first line with a column `file`.", file=path, key="frames.measurements")
    counts = Counter(row.cells["file"] for row in table.rows if row.cells["file"])
    if twice := [name for name, count in counts.items() if count > 1]:
        text = f"{path} holds measurements of {twice[0]} more than once; keep one line for each file."
        raise InputError(text, file=path, key="frames.measurements")
    return {
        row.cells["file"]: {name: value for name, cell in row.cells.items() if (value := _number(cell)) is not None} for row in table.rows
    }


def _number(cell: str) -> float | None:
    try:
        value = float(cell)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _giving_back(tell: Callable[[Event], None]) -> Callable[[Event], None]:
    """After long work the memory that it leaves free goes back to the system, for what comes next takes other sizes."""

    def told(event: Event) -> None:
        tell(event)
        if event.kind == "finished" and event.seconds > LONG_S:
            give_back_freed_memory()

    return told


# ---------------------------------------------------------------- progress
@contextlib.contextmanager
def _progress(execution: Execution, frames: int) -> Iterator[tuple[Callable[[Event], None], Callable[..., Any]]]:
    """Bars on stderr with the time left: one for grading, one for stacking, a line for each other step; lines alone in a log file."""
    if execution.quiet:
        yield (lambda event: None), (lambda items, **_: items)
        return
    if not sys.stderr.isatty():
        yield _log_lines(frames)
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn, TimeRemainingColumn

    words, counts = (SpinnerColumn(), TextColumn("{task.description}")), (BarColumn(), MofNCompleteColumn())
    columns = (*words, *counts, TimeElapsedColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True)) as bars:
        tasks: dict[str, Any] = {}
        done: Counter[str] = Counter()

        def tell(event: Event) -> None:
            kind = _kind(event)
            if kind not in WORDS or kind == "stacks":
                return
            total = frames if kind == "grade" else None
            if kind not in tasks:
                tasks[kind] = bars.add_task(WORDS[kind], total=total)
            if event.kind == "finished":
                done[kind] += 1  # how many of a kind there will be is known of the frames alone
                bars.update(tasks[kind], completed=done[kind], total=total or done[kind])

        def wrap(items: Iterable[Any], *, total: int | None = None) -> Iterator[Any]:
            task = bars.add_task(WORDS["stacks"], total=total if total is not None else _length(items))
            for item in items:
                yield item
                bars.advance(task)

        yield tell, wrap


def _kind(event: Event) -> str:
    return event.node.split("/")[0].removesuffix("_a").removesuffix("_b")


def _log_lines(frames: int) -> tuple[Callable[[Event], None], Callable[..., Any]]:
    """Progress for a log file: a line as each step begins, and one for every tenth of the long ones."""
    begun: dict[str, int] = {}

    def say(kind: str, done: int, total: int) -> None:
        if done * TENTHS // total > (done - 1) * TENTHS // total:
            print(f"{WORDS[kind]}: {done} of {total}", file=sys.stderr, flush=True)

    def tell(event: Event) -> None:
        kind = _kind(event)
        if event.kind == "started" and kind in WORDS and kind not in begun:
            begun[kind] = 0
            print(WORDS[kind], file=sys.stderr, flush=True)
        if event.kind == "finished" and kind == "grade":
            begun[kind] += 1
            say(kind, begun[kind], max(frames, begun[kind]))

    def wrap(items: Iterable[Any], *, total: int | None = None) -> Iterator[Any]:
        length = total if total is not None else _length(items)
        for number, item in enumerate(items, 1):
            yield item
            say("stacks", number, max(length or number, number))

    return tell, wrap


@contextlib.contextmanager
def step_bar(execution: Execution, words: str, total: int) -> Iterator[Callable[[], None]]:
    """One bar on stderr for a piece of work outside the graph; gives a function that moves it on."""
    if execution.quiet or not total or not sys.stderr.isatty():
        yield lambda: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bars:
        task = bars.add_task(words, total=total)
        yield lambda: bars.advance(task)


def _length(items: Iterable[Any]) -> int | None:
    return len(items) if isinstance(items, Sized) else None
