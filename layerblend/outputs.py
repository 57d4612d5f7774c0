"""What a run leaves in its folder: the picture, its layers, stacks, grades, pictures of the steps, the complete recipe, provenance."""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from threading import Event
from typing import Any

import numpy as np

from layerblend import __version__
from layerblend.chain.layers import ColourLayer, DetailLayer
from layerblend.chain.picture import Base
from layerblend.chain.stacks import StackPass
from layerblend.chain.starlight import StarLight
from layerblend.chain.writing import linear_light
from layerblend.errors import PlaceError, RecipeError, StoppedError
from layerblend.files.pictures import write_fits, write_jpeg, write_png, write_tiff
from layerblend.files.provenance import RECORD, SCHEMA, provenance, read_record, write_json
from layerblend.files.whole import refuse_overwrite, refused, whole, write_bytes
from layerblend.kinds import Array, FrameTable
from layerblend.maths.curve import stretch
from layerblend.plan import finished_files
from layerblend.recipe.load import dump_recipe, recipe_data
from layerblend.runs import Run, step_bar, worker_count

DISPLAY_WRITERS = {"tiff": write_tiff, "png": write_png, "jpeg": write_jpeg}
RESULTS = {"tiff": "result.tif", "png": "result.png", "fits": "result.fits", "jpeg": "result.jpg"}
LAYERS = {"starless": "base", "stars": "starlight", "detail": "detail", "colour": "colour"}
LINEAR = ("detail", "colour")  # nodes whose pictures are linear light; the others' lie behind the curve
PLOTS = {"grade": "grade/report.png", "flatten": "steps/flatten.png", "split": "steps/split.png", "rejected": "stacks/rejected.png"}
STEP_ARRAYS = {"flatten": "image", "split": "starless", "detail": "light", "colour": "image"}
STEP_PICTURES = ("combine", "stars")
Box = tuple[int, int, int, int]


def input_files(run: Run) -> list[Path]:
    """Every file of the imager's that this run reads."""
    stacks = [path for paths in finished_files(run.recipe).values() for path in paths]
    others = [p for p in (run.recipe.path, run.recipe.frames.measurements, run.sources.catalogue_path) if p is not None]
    return [*(info.path for info in run.sources.frames), *stacks, *others]


def planned_files(run: Run, folder: Path) -> list[Path]:
    """Every file that a run may leave in its folder."""
    names = [RESULTS[kind] for kind in run.recipe.output.formats]
    names += [f"layers/{layer}.{ending}" for layer in LAYERS for ending in ("tif", "fits")]
    names += [f"steps/{step}.fits" for step in STEP_ARRAYS] + [f"steps/{step}.tif" for step in STEP_PICTURES]
    names += [f"stacks/{name}.fits" for name, spec in run.recipe.stacks.items() if spec.from_frames]
    return [folder / name for name in (*names, *PLOTS.values(), "grade/frames.csv", "recipe.yaml", RECORD)]


def claim_folder(run: Run, folder: Path, *also: Path) -> None:
    """Before hours of work: the result folder can be written and is ours from now on, and no result (nor file of ``also``) takes the place
    of an input.

    Raises
    ------
    PlaceError
        A result would overwrite an input or a file that no run has put there, or lie among the frames.
    StoppedError
        The folder cannot be made or written to.
    """
    if run.recipe.frames.folder is not None and folder.resolve() == run.recipe.frames.folder.resolve():
        text = f"{folder} is the frames' own folder; results among them would be taken for frames. Choose another with --out."
        raise PlaceError(text, file=folder, key="output.folder", code="overwrite")
    refuse_overwrite([*planned_files(run, folder), *also], input_files(run))
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
        _sign(run, folder)
    except OSError as error:
        text = f"Results cannot be written to {folder}: {error.strerror or error}. Choose another folder with --out or output.folder."
        raise StoppedError(text, file=folder, key="output.folder", code="cannot_write") from error


def _sign(run: Run, folder: Path) -> None:
    """Leave the record that tells our folders before anything else is written: a run that is killed must find its own."""
    if (folder / RECORD).exists():
        _refuse_other_recipe(run, folder)
        return
    foreign = [path.name for path in planned_files(run, folder) if path.exists()]
    if foreign:
        text = f"{folder} holds {foreign[0]}, which no run has written. Choose another folder with --out or output.folder."
        raise PlaceError(text, file=folder / foreign[0], key="output.folder", code="overwrite")
    write_json(folder / RECORD, {"schema": SCHEMA, "recipe_file": _recipe_file(run), "written": {}})


def _refuse_other_recipe(run: Run, folder: Path) -> None:
    """Two recipes with one target would write over each other's results; one that was only renamed may go on."""
    other, own = read_record(folder).get("recipe_file"), _recipe_file(run)
    if not other or own is None or not Path(other).is_file() or not Path(own).is_file() or Path(other).samefile(own):
        return
    text = f"{folder} holds the results of {other}. Give this recipe another `target` or `output.folder`, or choose another --out."
    raise PlaceError(text, file=folder, key="output.folder", code="other_recipe")


def _recipe_file(run: Run) -> str | None:
    return None if run.recipe.path is None else str(run.recipe.path.resolve())


def write_frames(run: Run, values: Mapping[str, Any], folder: Path) -> list[Path]:
    """The table of the frames and its plot."""
    csv = folder / "grade" / "frames.csv"
    write_table(values["table"], csv)
    return [csv, *write_outputs(run, folder, plots_of(run, "grade"), values)]


def write_table(table: FrameTable, path: Path) -> None:
    """The frame table as CSV, whole or not at all."""
    with whole(path) as part:
        table.write_csv(part)


def link_stacks(run: Run, made: StackPass, folder: Path) -> list[Path]:
    """The stacks appear in the result folder: linked where the disk can, copied where it cannot."""
    paths = made.paths
    targets = [folder / "stacks" / f"{name}.fits" for name in paths]
    (folder / "stacks").mkdir(parents=True, exist_ok=True)
    for source, target in zip(paths.values(), targets, strict=True):
        _link(source, target)
    return targets


def _link(source: Path, target: Path) -> None:
    if _is_there(source, target):
        return
    try:
        target.unlink(missing_ok=True)
    except OSError as error:
        raise refused(error, target, target) from error
    try:
        os.link(source, target)  # under its own name at once: Windows lets no name of a mapped file be moved, and the store's are mapped
    except OSError:
        with whole(target, needed=source.stat().st_size) as part:
            shutil.copy2(source, part)


def _is_there(source: Path, target: Path) -> bool:
    """Whether the target is the source already: the same file, or a copy with its size and time."""
    if not target.exists():
        return False
    one, other = source.stat(), target.stat()
    return (one.st_dev, one.st_ino) == (other.st_dev, other.st_ino) or (one.st_size, one.st_mtime_ns) == (other.st_size, other.st_mtime_ns)


# ---------------------------------------------------------------- the result
@dataclass(frozen=True)
class Output:
    """One file of the result folder: the nodes that it is made of, and how they are written; gives the number of clipped values."""

    name: str
    nodes: tuple[str, ...]
    write: Callable[[Path, Mapping[str, Any]], int | None]


def outputs_of(run: Run) -> list[Output]:
    """Every picture, layer and plot of a recipe."""
    formats = run.recipe.output.formats
    found = [Output(RESULTS[kind], *_display(run, DISPLAY_WRITERS[kind])) for kind in formats if kind in DISPLAY_WRITERS]
    if "fits" in formats:
        found.append(Output(RESULTS["fits"], *_linear(run, "result")))
    for layer, node in LAYERS.items():
        found.append(Output(f"layers/{layer}.tif", *_layer(run, node)))
        found.append(Output(f"layers/{layer}.fits", *_linear(run, node)))
    return found + plots_of(run)


def plots_of(run: Run, *wanted: str) -> list[Output]:
    """Plots of what single steps did, all that the recipe has or the ``wanted`` of them."""
    return [
        Output(name, *_plot(f"picture/{picture}"))
        for picture, name in PLOTS.items()
        if f"picture/{picture}" in run.graph and (not wanted or picture in wanted)
    ]


def made_from(run: Run, output: Output) -> str | None:
    """Key of all that shapes a file; None while a frame is still unread."""
    keys = [run.runner.key_if_known(node) for node in output.nodes]
    if None in keys:
        return None
    return hashlib.sha256(repr((__version__, output.name, run.recipe.output.crop, keys)).encode()).hexdigest()


def write_outputs(run: Run, folder: Path, outputs: Sequence[Output], values: Mapping[str, Any]) -> list[Path]:
    """Write several files at a time; gives those that there was something to write for.

    After the first that fails (a full disk) no other is begun.
    """
    failed = Event()

    def write(output: Output) -> int:
        if failed.is_set():
            return 0
        try:
            return output.write(folder / output.name, values) or 0
        except BaseException:
            failed.set()
            raise

    workers = worker_count(run.execution)
    at_once = workers if workers == 1 else workers + 1  # one of them waits for the disk
    with ThreadPoolExecutor(at_once) as pool, step_bar(run.execution, "writing", len(outputs)) as advance:
        for output, clipped in zip(outputs, pool.map(write, outputs), strict=True):
            advance()
            if clipped:
                text = f"{clipped} values of {output.name} lay outside 0..1 and were clipped."
                run.warn("clipped", text, str(folder / output.name))
    return [folder / output.name for output in outputs if (folder / output.name).exists()]


def _pixels(value: Any) -> Array:
    """What a node's picture is; the star layer's is signed."""
    if isinstance(value, Base):
        return value.picture
    if isinstance(value, StarLight):
        return value.layer
    if isinstance(value, DetailLayer):
        return value.light
    if isinstance(value, ColourLayer):
        return value.image
    return value


def _display(run: Run, writer: Callable[..., int]) -> tuple[tuple[str, ...], Callable[..., int]]:
    """The result in one format."""

    def write(path: Path, values: Mapping[str, Any]) -> int:
        return writer(path, _cropped(values["result"], crop_box(run, values)))

    return ("result", *_crop_nodes(run)), write


def _layer(run: Run, node: str) -> tuple[tuple[str, ...], Callable[..., int]]:
    """A layer as display picture."""

    def write(path: Path, values: Mapping[str, Any]) -> int:
        picture, curve = _cropped(_pixels(values[node]), crop_box(run, values)), values["curve"]

        def shown(rows: slice) -> Array:
            return stretch(picture[rows], curve) if node in LINEAR else _displayed(node, picture[rows])

        return write_tiff(path, picture, made=shown)

    return (node, "curve", *_crop_nodes(run)), write


def _displayed(node: str, picture: Array) -> Array:
    """A layer in display values: the star layer's noise below 0 cannot be shown, and is no light that was clipped."""
    return np.clip(picture, 0, 1) if node == LAYERS["stars"] else picture


def _linear(run: Run, node: str) -> tuple[tuple[str, ...], Callable[..., None]]:
    """A picture in linear light as FITS, NaN where there is no data."""
    colour = run.names.colour
    covers = () if node in LINEAR else tuple(f"cover/{role}" for role in run.names.roles)

    def write(path: Path, values: Mapping[str, Any]) -> None:
        box, curve, facts = crop_box(run, values), values["curve"], values[f"facts/{colour}"]
        picture = _cropped(_pixels(values[node]), box)

        def in_linear_light(rows: slice) -> Array:
            brightest = max(values[cover].brightest for cover in covers)
            light = linear_light(_displayed(node, picture[rows]), curve, brightest)
            light[~_cropped(values[f"cover/{colour}"].covered, box)[rows]] = np.nan
            return light

        cards = [*crop_cards(facts.cards, box, facts.height, facts.top_down), *_curve_cards(curve)]
        write_fits(path, picture, cards=cards, top_down=facts.top_down, made=None if node in LINEAR else in_linear_light)

    return (node, "curve", f"facts/{colour}", *(covers or _crop_nodes(run))), write


def _plot(node: str) -> tuple[tuple[str, ...], Callable[..., None]]:
    """A plot that a node has drawn."""

    def write(path: Path, values: Mapping[str, Any]) -> None:
        if values[node]:
            write_bytes(path, values[node])

    return (node,), write


def _curve_cards(curve: Any) -> list[tuple[str, Any, str]]:
    return [
        ("LB_P", curve.p, "pedestal of the curve, linear light"),
        ("LB_S", curve.s, "softening of the curve, linear light"),
        ("LB_NORM", curve.norm, "code = asinh((v + p)/s)/norm, largest channel"),
    ]


def _crop_nodes(run: Run) -> tuple[str, ...]:
    """What the crop depends on."""
    return tuple(f"cover/{role}" for role in run.names.roles) if run.recipe.output.crop is not None else ()


def _cropped(picture: Array, box: Box | None) -> Array:
    return picture if box is None else picture[box[1] : box[3], box[0] : box[2]]


def crop_box(run: Run, values: Mapping[str, Any]) -> Box | None:
    """x0, y0, x1, y1 of what is written; None for everything."""
    crop = run.recipe.output.crop
    if crop is None:
        return None
    height, width = values[f"cover/{run.names.colour}"].covered.shape
    if crop != "common":
        x0, y0, x1, y1 = crop
        if x1 > width or y1 > height:  # found before where headers tell the size
            text = f"output.crop {list(crop)} reaches outside the picture of {width} x {height} px."
            raise RecipeError(text, key="output.crop", code="crop")
        return x0, y0, x1, y1
    covers = [values[f"cover/{name}"] for name in run.names.roles]
    box = largest_box(np.logical_and.reduce([cover.common for cover in covers]))
    if box is None:  # a gap of some frame runs through the picture
        box = largest_box(np.logical_and.reduce([cover.covered for cover in covers]))
    return None if box == (0, 0, width, height) else box


def largest_box(covered: Array) -> Box | None:
    """The box that is left when uncovered edge rows and columns go, worst first, until no edge has a gap; None where nothing is left."""
    x0, y0, x1, y1 = 0, 0, covered.shape[1], covered.shape[0]
    while x1 - x0 > 1 and y1 - y0 > 1:
        inside = covered[y0:y1, x0:x1]
        gaps = [1 - inside[:, 0].mean(), 1 - inside[0].mean(), 1 - inside[:, -1].mean(), 1 - inside[-1].mean()]
        worst = int(np.argmax(gaps))
        if gaps[worst] == 0:
            return x0, y0, x1, y1
        x0, y0, x1, y1 = (x0 + (worst == 0), y0 + (worst == 1), x1 - (worst == 2), y1 - (worst == 3))
    return None


def crop_cards(cards: Iterable[tuple[str, Any, str]], box: Box | None, height: int, top_down: bool) -> list[tuple[str, Any, str]]:
    """Header cards with the reference pixel of the world coordinates moved along with the crop."""
    if box is None:
        return list(cards)
    shift = {"CRPIX1": box[0], "CRPIX2": box[1] if top_down else height - box[3]}
    return [
        (key, value - shift[key], note) if key in shift and isinstance(value, int | float) else (key, value, note)
        for key, value, note in cards
    ]


def write_step(run: Run, step: str, value: Any, folder: Path) -> list[Path]:
    """What one step made, linear FITS or display TIFF, for a look at it before the rest is run."""
    if step in STEP_ARRAYS:
        path, facts = folder / "steps" / f"{step}.fits", run.get_all(f"stack/{run.names.colour}")[f"stack/{run.names.colour}"]
        write_fits(path, getattr(value, STEP_ARRAYS[step]), cards=facts.cards, top_down=facts.top_down)
        return [path]
    path = folder / "steps" / f"{step}.tif"
    write_tiff(path, value.picture if step == "combine" else np.clip(value.layer, 0, 1))
    return [path]


def write_records(run: Run, values: Mapping[str, Any], folder: Path, *, written: Mapping[str, Any]) -> list[Path]:
    """The complete recipe with every default, where the result comes from, and what was ``written`` from what."""
    recipe, record = folder / "recipe.yaml", folder / RECORD
    write_bytes(recipe, dump_recipe(run.recipe, folder).encode("utf-8"))
    inputs, files = input_files(run), run.runner.store.files
    hashes = {str(path): known for path in inputs if (known := files.known(path)) is not None}
    facts = provenance(recipe=recipe_data(run.recipe), inputs=inputs, hashes=hashes, words=[note["text"] for note in run.warnings])
    facts["home"], facts["recipe_file"] = str(run.recipe.home), _recipe_file(run)
    facts["facts"] = result_facts(run, values)
    facts["written"] = dict(written)
    write_json(record, facts)
    return [recipe, record]


def result_facts(run: Run, values: Mapping[str, Any]) -> dict[str, Any]:
    """Numbers of the run that are worth keeping: sky, white, star widths, separation, star layer, curve."""
    sky, white = values["sky_facts"], values["white"]
    told = {name: values[f"facts/{name}"] for name in run.names.roles}
    return {
        "sky": {"before_sigma": sky.before, "after_sigma": sky.after, "frame_filling": sky.frame_filling, "uncertain_sigma": sky.uncertain},
        "white": {"factors": white.factors, "along_percent": white.along, "across_percent": white.across, "source": white.source},
        "hot_pixels_filled": {name: len(values[f"hot/{name}"]) for name in run.names.skies},
        "stars": {name: facts.star._asdict() for name, facts in told.items()},
        "split": {name: facts.checks for name, facts in told.items()},
        "star_layer": {"negative_share": values["star_facts"].negative, "light_left": values["star_facts"].light_left},
        "curve": values["curve"],
    }
