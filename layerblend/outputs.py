"""What a run leaves in its folder: the picture, its layers, stacks, grades, pictures of the steps, the complete recipe, provenance."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from layerblend import chain
from layerblend.chain import StackPass
from layerblend.errors import InputError, StoppedError
from layerblend.files.pictures import write_fits, write_jpeg, write_png, write_tiff
from layerblend.files.provenance import provenance, write_json
from layerblend.files.whole import refuse_overwrite, whole, write_bytes
from layerblend.kinds import Array, FrameTable, Mask, Stack
from layerblend.plan import stack_paths
from layerblend.recipe.load import dump_recipe, recipe_data
from layerblend.report import plots
from layerblend.runs import Run
from layerblend.steps.rank import kept_count

DISPLAY_WRITERS = {"tiff": write_tiff, "png": write_png, "jpeg": write_jpeg}
RESULTS = {"tiff": "result.tif", "png": "result.png", "fits": "result.fits", "jpeg": "result.jpg"}
LAYERS = ("starless", "stars", "detail", "colour")
STEP_ARRAYS = {"flatten": "image", "split": "starless", "detail": "light", "colour": "image"}
STEP_PICTURES = ("combine", "stars")
MOST_NEGATIVE = 0.6  # half of the layer is noise around 0; more means that stars left holes
Box = tuple[int, int, int, int]


def input_files(run: Run) -> list[Path]:
    """Every file of the imager's that this run reads."""
    stacks = [path for spec in run.recipe.stacks.values() if not spec.from_frames for path in stack_paths(spec)]
    others = [p for p in (run.recipe.path, run.recipe.frames.measurements, run.sources.catalogue_path) if p is not None]
    return [*(info.path for info in run.sources.frames), *stacks, *others]


def planned_files(run: Run, folder: Path) -> list[Path]:
    """Every file that a run may leave in its folder."""
    names = [RESULTS[kind] for kind in run.recipe.output.formats]
    names += [f"layers/{layer}.{ending}" for layer in LAYERS for ending in ("tif", "fits")]
    names += [f"steps/{step}.fits" for step in STEP_ARRAYS] + [f"steps/{step}.tif" for step in STEP_PICTURES]
    names += [f"stacks/{name}.fits" for name, spec in run.recipe.stacks.items() if spec.from_frames]
    names += ["stacks/rejected.png", "grade/frames.csv", "grade/report.png", "steps/flatten.png", "steps/split.png"]
    return [folder / name for name in (*names, "recipe.yaml", "provenance.json")]


def claim_folder(run: Run, folder: Path, *also: Path) -> None:
    """Before hours of work: the result folder can be written, and no result (nor file of ``also``) takes the place of an input.

    Raises
    ------
    InputError
        A result would overwrite an input.
    StoppedError
        The folder cannot be made or written to.
    """
    refuse_overwrite([*planned_files(run, folder), *also], input_files(run))
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as error:
        text = f"Results cannot be written to {folder}: {error.strerror or error}. Choose another folder with --out or output.folder."
        raise StoppedError(text, file=folder, key="output.folder", code="cannot_write") from error


def write_grade(run: Run, table: FrameTable, folder: Path) -> list[Path]:
    """The table of the frames and its plots."""
    csv, png = folder / "grade" / "frames.csv", folder / "grade" / "report.png"
    write_table(table, csv)
    kept = {n: kept_count(s.keep, len(table.used)) for n, s in run.recipe.stacks.items() if s.keep is not None and table.used}
    write_bytes(png, plots.grade_report(table, kept=kept, title=run.recipe.target))
    return [csv, png]


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
    part = target.with_name(f".{target.name}.part")
    part.unlink(missing_ok=True)
    try:
        os.link(source, part)
    except OSError:
        shutil.copy2(source, part)
    part.replace(target)


def _is_there(source: Path, target: Path) -> bool:
    """Whether the target is the source already: the same file, or a copy with its size and time."""
    if not target.exists():
        return False
    one, other = source.stat(), target.stat()
    return (one.st_dev, one.st_ino) == (other.st_dev, other.st_ino) or (one.st_size, one.st_mtime_ns) == (other.st_size, other.st_mtime_ns)


# ---------------------------------------------------------------- the result
def write_result(run: Run, values: Mapping[str, Any], folder: Path) -> list[Path]:
    """The finished picture in every wanted format, and its layers."""
    formats = run.recipe.output.formats
    colour: Stack = values[f"stack/{run.names.colour}"]
    box = crop_box(run, values)
    picture = _cropped(values["result"], box)
    cards, top_down = crop_cards(colour.cards, box, values["result"].shape[0], colour.top_down), colour.top_down
    curve = values["curve"]
    most = max(values[f"cover/{role}"].brightest for role in run.names.roles)
    covered = _cropped(values[f"cover/{run.names.colour}"].covered, box)
    written = _write_display(folder, picture, formats, run)
    if "fits" in formats:
        light = _with_gaps(chain.linear_light(picture, curve, most), covered)
        write_fits(folder / RESULTS["fits"], light, cards=[*cards, *_curve_cards(curve)], top_down=top_down)
        written.append(folder / RESULTS["fits"])
    layers = {
        "starless": (values["base"].picture, None),
        "stars": (np.clip(values["starlight"].layer, 0, 1), None),
        "detail": (None, values["detail"].light),
        "colour": (None, values["colour"].image),
    }
    for name, (display, linear) in layers.items():
        if display is None:
            linear = _cropped(linear, box)
            display = chain.stretch(linear, curve)
        else:
            display = _cropped(display, box)
            linear = _with_gaps(chain.linear_light(display, curve, most), covered)
        written += _write_layer(folder / "layers" / name, display, linear, [*cards, *_curve_cards(curve)], top_down)
    clipped = float(np.mean(values["starlight"].layer < 0))
    if clipped > MOST_NEGATIVE:
        text = f"{clipped:.0%} of the star layer lies below 0 and is written as 0; the picture itself uses it as it is."
        run.warn("stars_negative", text)
    return written


def _with_gaps(linear: Array, covered: Mask) -> Array:
    """NaN where there is no data; pictures show the sky's grey there."""
    linear[~covered] = np.nan
    return linear


def _write_display(folder: Path, picture: Array, formats: Iterable[str], run: Run) -> list[Path]:
    written = [folder / RESULTS[kind] for kind in formats if kind in DISPLAY_WRITERS]
    clipped = [DISPLAY_WRITERS[kind](folder / RESULTS[kind], picture) for kind in formats if kind in DISPLAY_WRITERS]
    if any(clipped):
        run.warn("clipped", f"{clipped[0] / picture.size:.3%} of the values lay outside 0..1 and were clipped.", str(written[0]))
    return written


def _write_layer(stem: Path, display: Array, linear: Array, cards: Any, top_down: bool) -> list[Path]:
    """One layer twice: 16-bit display TIFF and linear FITS."""
    tif, fits = stem.with_name(stem.name + ".tif"), stem.with_name(stem.name + ".fits")
    write_tiff(tif, display)
    write_fits(fits, linear, cards=cards, top_down=top_down)
    return [tif, fits]


def _curve_cards(curve: Any) -> list[tuple[str, Any, str]]:
    return [
        ("LB_P", curve.p, "pedestal of the curve, linear light"),
        ("LB_S", curve.s, "softening of the curve, linear light"),
        ("LB_NORM", curve.norm, "code = asinh((v + p)/s)/norm, largest channel"),
    ]


def _cropped(picture: Array, box: Box | None) -> Array:
    return picture if box is None else picture[box[1] : box[3], box[0] : box[2]]


def crop_box(run: Run, values: Mapping[str, Any]) -> Box | None:
    """x0, y0, x1, y1 of what is written; None for everything."""
    crop = run.recipe.output.crop
    if crop is None:
        return None
    height, width = values["result"].shape[:2]
    if crop != "common":
        x0, y0, x1, y1 = crop
        if x0 >= width or y0 >= height:
            text = f"output.crop {list(crop)} lies outside the picture of {width} x {height} px."
            raise InputError(text, key="output.crop", code="crop")
        return x0, y0, min(x1, width), min(y1, height)
    covered = np.ones((height, width), bool)
    for name in run.names.roles:
        covered &= values[f"cover/{name}"].covered
    return largest_box(covered)


def largest_box(covered: Array) -> Box | None:
    """The box that is left when uncovered edge rows and columns are taken away, the worst first, until no edge has a gap."""
    x0, y0, x1, y1 = 0, 0, covered.shape[1], covered.shape[0]
    while x1 - x0 > 1 and y1 - y0 > 1:
        inside = covered[y0:y1, x0:x1]
        gaps = [1 - inside[:, 0].mean(), 1 - inside[0].mean(), 1 - inside[:, -1].mean(), 1 - inside[-1].mean()]
        worst = int(np.argmax(gaps))
        if gaps[worst] == 0:
            return None if (x0, y0, x1, y1) == (0, 0, covered.shape[1], covered.shape[0]) else (x0, y0, x1, y1)
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


def write_pictures(values: Mapping[str, Any], folder: Path) -> list[Path]:
    """Pictures of what flattening, star separation and rejection did."""
    places = {
        "picture/flatten": folder / "steps" / "flatten.png",
        "picture/split": folder / "steps" / "split.png",
        "picture/rejected": folder / "stacks" / "rejected.png",
    }
    written = [(path, values[node]) for node, path in places.items() if values.get(node)]
    for path, data in written:
        write_bytes(path, data)
    return [path for path, _ in written]


def write_step(run: Run, step: str, value: Any, folder: Path) -> list[Path]:
    """What one step made, linear FITS or display TIFF, for a look at it before the rest is run."""
    if step in STEP_ARRAYS:
        path = folder / "steps" / f"{step}.fits"
        write_fits(path, getattr(value, STEP_ARRAYS[step]))
        return [path]
    path = folder / "steps" / f"{step}.tif"
    write_tiff(path, value.picture if step == "combine" else np.clip(value.layer, 0, 1))
    return [path]


def write_records(run: Run, values: Mapping[str, Any], folder: Path, *, measures: Any = None) -> list[Path]:
    """The complete recipe with every default, and where the result comes from."""
    recipe, record = folder / "recipe.yaml", folder / "provenance.json"
    write_bytes(recipe, dump_recipe(run.recipe, folder).encode("utf-8"))
    known = {str(info.path): run.runner.store.files.known(info.path) or "" for info in run.sources.frames}
    words = [note["text"] for note in run.warnings]
    hashes = {path: key for path, key in known.items() if key}
    facts = provenance(recipe=recipe_data(run.recipe), inputs=input_files(run), hashes=hashes, measures=measures, words=words)
    facts["home"] = str(run.recipe.home)
    facts["facts"] = result_facts(run, values)
    write_json(record, facts)
    return [recipe, record]


def result_facts(run: Run, values: Mapping[str, Any]) -> dict[str, Any]:
    """Numbers of the run that are worth keeping: sky, white, star widths, separation, curve."""
    base = run.names.sky_of[run.names.colour]
    sky, white = values[f"sky/{base}"], values["white"]
    return {
        "sky": {"before_sigma": sky.before, "after_sigma": sky.after, "frame_filling": sky.frame_filling, "uncertain_sigma": sky.uncertain},
        "white": {"factors": white.factors, "along_percent": white.along, "across_percent": white.across, "source": white.source},
        "stars": {name: values[f"psf/{name}"].centre._asdict() for name in run.names.roles},
        "split": {name: values[f"split/{name}"].checks for name in run.names.roles},
        "curve": values["curve"],
    }
