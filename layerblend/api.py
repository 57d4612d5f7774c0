"""What the commands and `import layerblend` do: paths or arrays in, results out."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from layerblend import judge, outputs
from layerblend.chain.frames import grade_one
from layerblend.endings import FITS_ENDING
from layerblend.errors import ArgumentError, InputError, PlaceError, RecipeError, check_display, check_range
from layerblend.evidence.catalogue import KINDS
from layerblend.evidence.correlation import ring_correlation
from layerblend.evidence.measures import Subject
from layerblend.evidence.verdict import Comparison, compare_subjects
from layerblend.figures import number, signed
from layerblend.files.frames import FrameNames, check_same_grid, find_frames, open_frame
from layerblend.files.provenance import RECORD, plain_data, read_record, write_json
from layerblend.files.whole import refuse_overwrite, write_bytes
from layerblend.kinds import DisplayRGB, FrameTable, Stack
from layerblend.ledger import Ledger
from layerblend.links import sorted_links
from layerblend.maths.curve import stretch, unstretch
from layerblend.plan import STEPS, step_node
from layerblend.recipe.load import assignments, change_recipe, check_text, load_recipe, parse_changes, parse_tries, recipe_from
from layerblend.recipe.schema import Execution, Recipe
from layerblend.report.sheet import contact_sheet, on_contact_sheet
from layerblend.runs import Run, open_run, worker_count
from layerblend.stacking import nested_stacks as stack_table
from layerblend.steps.blend import blend, gate_stars, star_layer
from layerblend.steps.colour import denoise_colour
from layerblend.steps.combine import combine_luminance
from layerblend.steps.curve import fit_curve
from layerblend.steps.detail import deconvolve, sharpen
from layerblend.steps.flatten import flatten
from layerblend.steps.grade import grade_table
from layerblend.steps.psf import measure_psf
from layerblend.steps.split import split_stars
from layerblend.steps.white import white_balance
from layerblend.survey import starter_text, survey_folder, survey_lines, white_lines

__all__ = [
    "blend", "combine_luminance", "compare", "deconvolve", "denoise_colour", "fit_curve", "flatten", "gate_stars", "grade_frames",
    "measure_psf", "nested_stacks", "ring_correlation", "run", "sharpen", "split_stars", "star_layer", "stretch", "unstretch",
    "white_balance",
]  # fmt: skip

PICTURE_ENDINGS = {".tif", ".tiff", ".png", ".jpg", ".jpeg"}
MOST_RESULTS = 64
SMALLEST_DEMO, LARGEST_DEMO = 240, 20000
MOST_NEGATIVE = 0.6  # of the star layer: half is noise around 0


@dataclass(frozen=True)
class Listing:
    """A table for the terminal; ``tones``: good, bad, faint or nothing, one for each row."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    tones: tuple[str, ...]


@dataclass
class Answer:
    """What a command gives back to the command line: files, data (made plain, without NaN) and warnings for programs, tables and lines
    for people."""

    outputs: list[Path] = field(default_factory=list)
    data: dict[str, Any] = field(default_factory=dict)
    warnings: list[dict[str, Any]] = field(default_factory=list)
    lines: list[str] = field(default_factory=list)
    listings: list[Listing] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.data = plain_data(self.data)


@dataclass(frozen=True)
class Result:
    """A finished run: the picture and its layers (display), the folder with everything written."""

    picture: DisplayRGB = field(repr=False)
    starless: DisplayRGB = field(repr=False)
    stars: DisplayRGB = field(repr=False)
    folder: Path
    files: tuple[Path, ...]
    warnings: tuple[dict[str, Any], ...] = ()


# ---------------------------------------------------------------- library
def grade_frames(paths: str | Path | Iterable[str | Path], *, workers: int | None = None, white_level: float | None = None) -> FrameTable:
    """Measure the stars and the sky of registered frames and put the sharpest first.

    Parameters
    ----------
    paths : FITS frames of one target, registered to one grid; or the folder that holds them
    workers : threads; None takes all cores
    white_level : value of a saturated pixel where headers do not say it

    Returns
    -------
    FrameTable
        A sequence of FrameRow, sharpest first by ``fwhm_major``: widths in px, sky and noise in linear light (1.0 = white level),
        transparency as a share of the clearest frames'; ``words`` say what there is to know of the set. Nothing is excluded.

    Raises
    ------
    InputError
        A file is no FITS picture or cut short, or the frames differ in size. A packed file whose pixels are damaged has no stars.

    References
    ----------
    Moffat 1969, A&A 3, 455 (star image).
    """
    if workers is not None:
        check_range("workers", workers, 1, 4096)
    if white_level is not None:
        check_range("white_level", white_level, 0, math.inf, open_low=True)
    infos = [open_frame(path, white_level=white_level) for path in _frame_paths(paths)]
    if not infos:
        raise InputError("No frames were given to grade.", code="no_frames")
    mixed = check_same_grid(infos)
    with ThreadPoolExecutor(workers or worker_count(Execution())) as pool:
        measures = list(pool.map(lambda info: grade_one(info, white_level=white_level), infos))
    names = FrameNames(info.path for info in infos).of
    table = grade_table(infos, measures, names=[names[info.path] for info in infos])
    return replace(table, words=(*mixed, *table.words))


def _frame_paths(paths: str | Path | Iterable[str | Path]) -> Iterable[str | Path]:
    """The frames' paths; of a folder those of the FITS files in it."""
    if not isinstance(paths, str | Path):
        if not isinstance(paths, Iterable):
            raise ArgumentError(f"`paths` must be files, or the folder that holds them, got {paths!r}.")
        return paths
    return find_frames(Path(paths)) if Path(paths).is_dir() else [paths]


def nested_stacks(
    frames: FrameTable | str | Path | Iterable[str | Path],
    stacks: Mapping[str, Any],
    *,
    folder: str | Path | None = None,
    reject: float = 3.0,
    level_sky: str = "plane",
    match_brightness: bool = True,
) -> dict[str, Stack]:
    """All stacks of ranked frames in one pass; paths are graded first.

    Parameters
    ----------
    frames : FrameTable, frames or their folder
    stacks : name -> share of the sharpest frames (0.25), or {"keep": 1.0, "weights": "sharpness", "power": 2}
    folder : where the stacks are written and memory-mapped from; None keeps them in memory
    reject : 0 to 10, sigma; 0 keeps every sample
    level_sky : "plane", "offset" or "off", what is taken from every frame's sky to make it the reference's
    match_brightness : by the flux of the stars that frames share

    Returns
    -------
    dict of Stack by name
        ``mean``, ``stderr`` (H, W, 3) or (H, W) float32, linear light with its sky; ``count``, ``rejected`` of the same shape, uint16;
        ``saturated`` (H, W), share of a pixel's frames; ``halves``, the means of the odd and the even frames in rank order. Pixels without
        data are NaN. ``words`` say what is worth knowing of the pass, such as stacks of too few frames.

    Raises
    ------
    ArgumentError, InputError
        A spec is wrong; frames do not fit together, are cut short or have no known white level.

    References
    ----------
    Weights 1/variance: Aitken 1935, Proc. R. Soc. Edinb. 55, 42. The half-sets serve Fourier ring correlation, see `ring_correlation`.
    """
    if not isinstance(stacks, Mapping) or not stacks:
        raise ArgumentError(f"`stacks` must name at least one stack, such as {{'best25': 0.25}}, got {stacks!r}.")
    table = frames if isinstance(frames, FrameTable) else grade_frames(frames)
    return stack_table(table, stacks, folder=folder, reject=reject, level_sky=level_sky, match_brightness=match_brightness)


def compare(a: Any, b: Any, *, out: str | Path | None = None, confidence: float = 0.95) -> Comparison:
    """Measure two results against each other.

    Parameters
    ----------
    a, b : Result, display picture (H, W, 3), picture file, recipe or result folder (rendered if need be), or a Subject
    out : folder for measures.json, sheet.png and page.html
    confidence : of the intervals

    Returns
    -------
    Comparison
        ``measures``, worst for A first, each with both values, their difference, its interval and the verdict; ``unmeasured``: what could
        not be measured and why; ``as_json()`` gives what stands in measures.json.

    Raises
    ------
    ArgumentError
        Pictures that are no display values or differ in size; a confidence outside .5 to .999.
    InputError
        A file that is no picture and no result.
    """
    first, second = _any_subject(a, "A"), _any_subject(b, "B")
    if out is None:
        return compare_subjects(first, second, confidence=confidence)
    return judge.write_comparison(first, second, Path(out), confidence=confidence)[0]


def run(recipe: str | Path | Recipe, **changes: Any) -> Result:
    """Make a recipe's picture and write it.

    Parameters
    ----------
    recipe : its file, or a Recipe
    changes : recipe keys with `__` for the dot: ``roles__detail__stack="best75"``

    Returns
    -------
    Result: the picture, its starless part and its star layer, (H, W, 3) float32 display; the folder, its files and what there was to say

    Raises
    ------
    RecipeError
        The recipe or a change is wrong; all faults at once.
    InputError
        Frames or stacks cannot be used.
    StoppedError
        The disk is full.
    """
    if not isinstance(recipe, str | Path | Recipe):
        raise ArgumentError(f"`recipe` must be a file or a Recipe, got {recipe!r}.")
    named = {key.replace("__", "."): value for key, value in changes.items()}
    loaded = change_recipe(recipe, named) if isinstance(recipe, Recipe) else load_recipe(recipe, named)
    with open_run(loaded, Execution(quiet=True)) as opened:
        values, written = render(opened, _folder(loaded), "result", "base", "starlight")
        return Result(
            values["result"],
            values["base"].picture,
            values["starlight"].layer,
            _folder(loaded),
            tuple(written),
            tuple(opened.warnings),
        )


def _is_picture(path: Path) -> bool:
    return path.suffix.lower() in PICTURE_ENDINGS


def _any_subject(source: Any, name: str) -> Subject:
    if isinstance(source, Subject):
        return source
    if isinstance(source, Result):
        source = source.folder
    if hasattr(source, "ndim"):
        return Subject(name=name, picture=np.nan_to_num(check_display(name.lower(), source)))  # as a picture file is read
    if not isinstance(source, str | Path):
        raise ArgumentError(f"`{name.lower()}` must be a picture, a file, a folder or a Result, got {source!r}.")
    path = Path(source)
    if _is_picture(path):
        return judge.picture_subject(path)
    with open_run(_recipe_of(path), Execution(quiet=True)) as opened:
        return judge.result_subject(opened, opened.get_all(*judge.subject_nodes(opened)), _name_of(path))


def _name_of(path: Path) -> str:
    """What a result goes by: its folder's whole name, or its file's without the ending."""
    return path.resolve().name if path.is_dir() else path.stem


# ---------------------------------------------------------------- commands
def parse_size(text: str) -> tuple[int, int]:
    """(width, height) of a text such as 960x640."""
    match = re.fullmatch(r"\s*(\d{2,5})\s*[xX×]\s*(\d{2,5})\s*", text)
    if not match:
        raise RecipeError(f"--size must be WIDTHxHEIGHT such as 960x640, got {text!r}.", key="--size")
    size = int(match[1]), int(match[2])
    if not all(SMALLEST_DEMO <= side <= LARGEST_DEMO for side in size):
        raise RecipeError(f"--size must lie between {SMALLEST_DEMO} and {LARGEST_DEMO} pixels a side, got {text!r}.", key="--size")
    return size


def demo(out: Path, *, frames: int, size: tuple[int, int], seed: int, execution: Execution) -> Answer:
    """Simulate, run, judge, and say in words which assignment is better in what."""
    from layerblend import showcase

    out = out.absolute()  # as the recipe's own paths are
    recipe = showcase.simulate(out, frames=frames, size=size, seed=seed, execution=execution)
    comparisons, written, warnings = showcase.judge_assignments(recipe, render, execution)
    rows = showcase.table_rows(comparisons)
    data = {"comparisons": [c.as_json() for c in comparisons], "table": [list(row) for row in rows], "recipe": str(recipe)}
    folder = load_recipe(recipe).output.folder
    assert folder is not None
    lines = [line for comparison in comparisons for line in [*comparison_lines(comparison), ""]]
    lines += [f"{name}: plain {number(a)}, best50 {number(b)}, deep {number(c)} {unit}" for name, unit, a, b, c in rows]
    lines += [
        f"Look at {folder / 'result.jpg'}, then at {folder / 'compare' / 'page.html'} and sheet.png. The truth is in {out / 'truth'}."
    ]
    lines += [f"Try: layerblend blend {_quoted(recipe)} --set roles.detail.stack=best75"]
    return Answer([recipe, *written], data, warnings, lines)


def _quoted(path: Path | str) -> str:
    """A path, or a changed key, as a command line takes it."""
    return f'"{path}"' if re.search(r"[^\w./\\:~=-]", str(path)) else str(path)


def new(folder: Path, out: Path | None) -> Answer:
    """Look at a folder and write a starter recipe; what it still needs is said."""
    if not folder.is_dir():
        raise PlaceError(f"{folder} is no folder; name the folder that holds the frames or the stacks.", file=folder, code="no_folder")
    path = out or folder.resolve().parent / f"{folder.resolve().name}.yaml"
    if path.exists():
        raise PlaceError(f"{path} is there already; choose another name with --out.", file=path, code="exists")
    home = path.resolve().parent
    survey = survey_folder(folder, home=home)
    text = starter_text(survey, home=home)
    check_text(text, path)
    write_bytes(path, text.encode("utf-8"))
    lines = [*survey_lines(survey), f"Wrote {path}.", *white_lines(survey)]
    lines.append(f"Next: layerblend check {_quoted(path)}, then layerblend blend {_quoted(path)}.")
    return Answer([path], {"frames": len(survey.found.frames), "stacks": list(survey.found.stacks)}, lines=lines)


def check(recipe: Path, changes: Sequence[str]) -> Answer:
    """Validate a recipe and list what would run and why, reading no pixels."""
    loaded = load_recipe(recipe, parse_changes(changes))
    with open_run(loaded, Execution(quiet=True)) as opened:
        reasons = opened.runner.explain("result")
        grades = [r for r in reasons if r.node.startswith("grade/")]
        others = [r for r in reasons if not r.node.startswith("grade/") and (opened.graph[r.node].keep or r.node == "result")]
        waiting = [r for r in grades if r.status == "would run"]
        lines = [f"{loaded.target}: the recipe is sound. {len(opened.sources.frames)} frames, stacks {', '.join(loaded.stacks)}."]
        if grades:
            done = len(grades) - len(waiting)
            lines.append(f"  grade            {done} of {len(grades)} frames graded" + (f", {len(waiting)} to do" if waiting else ""))
        lines += [f"  {r.node:16s} {'done' if r.status == 'done' else f'would run: {r.why}'}" for r in others]
        if any(reason.status != "done" for reason in reasons):
            lines.append(f"Next: layerblend blend {' '.join([_quoted(recipe), *(f'--set {_quoted(change)}' for change in changes)])}")
        data = {"target": loaded.target, "frames": len(opened.sources.frames), "nodes": [r._asdict() for r in reasons]}
        return Answer([], data, opened.warnings, lines)


def grade(source: Path, *, csv: Path | None, links: Path | None, out: Path | None, changes: Sequence[str], execution: Execution) -> Answer:
    """Grade the frames of a recipe or a folder: table, plots, sorted links."""
    loaded = _graded_recipe(source, changes)
    folder = out or _folder(loaded)
    if csv is not None and csv.is_dir():
        raise PlaceError(f"{csv} is a folder; name the file that the table shall be written to.", file=csv, key="--csv", code="overwrite")
    if links is not None and links.exists() and not links.is_dir():
        raise PlaceError(f"{links} is a file; name the folder that the links shall go to.", file=links, key="--links", code="overwrite")
    with open_run(loaded, execution) as opened:
        if not opened.sources.frames:
            raise PlaceError("This recipe has finished stacks only; there are no frames to grade.", key="frames.folder", code="no_frames")
        outputs.claim_folder(opened, folder, *([csv] if csv is not None else []))
        if links is not None and links.resolve() in {info.path.resolve().parent for info in opened.sources.frames}:
            raise PlaceError(f"{links} holds the frames themselves; choose another folder with --links.", file=links, key="--links")
        values = opened.get_all("table", "picture/grade")
        table = values["table"]
        written = outputs.write_frames(opened, values, folder)
        if csv is not None:
            outputs.write_table(table, csv)
            written.append(csv)
        if links is not None:
            written += sorted_links(table, links)
        for text in table.words:
            opened.warn("grade", text)
        rows = [
            {name: getattr(row, name) for name in ("file", "fwhm_major", "eccentricity", "stars", "snr", "transparency", "excluded")}
            for row in table
        ]
        answer = Answer(written, {"frames": rows, "used": len(table.used)}, opened.warnings)
    answer.listings = [_grade_listing(table, loaded.frames.rank_by)]
    answer.lines = [f"{len(table.used)} of {len(table)} frames are used. See {folder / 'grade' / 'report.png'} and frames.csv beside it."]
    if links is not None:
        answer.lines.append(f"Links to them, sharpest first, are in {links}.")
    return answer


def _graded_recipe(source: Path, changes: Sequence[str]) -> Recipe:
    """The recipe to grade by: a file's, that of a result folder, or the defaults for a folder of frames."""
    if not source.exists():
        text = f"There is no recipe or folder {source}; name a recipe, or the folder that holds the frames."
        raise RecipeError(text, file=source, code="recipe_missing")
    if not source.is_dir():
        return load_recipe(source, parse_changes(changes))
    return _recipe_of(source, parse_changes(changes)) if (source / RECORD).exists() else _folder_recipe(source, changes)


def _folder_recipe(folder: Path, changes: Sequence[str]) -> Recipe:
    data = {"target": folder.resolve().name or "frames", "frames": {"folder": str(folder.resolve())}}
    home = folder.resolve().parent
    return recipe_from(data, base=home, changes=parse_changes(changes)).placed(home / "recipe.yaml")


def _grade_listing(table: FrameTable, rank_by: str) -> Listing:
    columns = ("frame", "FWHM long axis, px", "eccentricity", "stars", "SNR", "transparency", "")
    rows = tuple(
        (
            row.file,
            _figure(row.fwhm_major, ".2f"),
            _figure(row.eccentricity, ".2f"),
            str(row.stars),
            _figure(row.snr, ".0f"),
            _figure(row.transparency, ".2f"),
            row.excluded,
        )
        for row in table
    )
    title = "Sharpest first" if rank_by in ("fwhm_major", "fwhm") else f"Ranked by {rank_by}"
    return Listing(title, columns, rows, tuple("faint" if row.excluded else "" for row in table))


def stack(recipe: Path, *, out: Path | None, changes: Sequence[str], execution: Execution) -> Answer:
    """Build all stacks of a recipe in one pass."""
    loaded = load_recipe(recipe, parse_changes(changes))
    folder = out or _folder(loaded)
    with open_run(loaded, execution) as opened:
        if "stacks" not in opened.graph:
            raise PlaceError("This recipe has finished stacks only; there is nothing to stack.", key="stacks", code="no_frames")
        outputs.claim_folder(opened, folder)
        plots = outputs.plots_of(opened, "rejected")
        values = opened.get_all("table", "picture/grade", "stacks", *(node for plot in plots for node in plot.nodes))
        written = outputs.write_frames(opened, values, folder)
        written += outputs.write_outputs(opened, folder, plots, values)
        written += outputs.link_stacks(opened, values["stacks"], folder)
        rows = values["stacks"].report.stacks
        for code, words in (("grade", values["table"].words), ("stack", values["stacks"].report.words)):
            for text in words:
                opened.warn(code, text)
        answer = Answer(written, {"stacks": list(rows)}, opened.warnings, [f"Stacks are in {folder / 'stacks'}."])
    answer.listings = [_stack_listing(rows)]
    return answer


def _stack_listing(rows: Sequence[Mapping[str, Any]]) -> Listing:
    columns = ("stack", "frames", "hours", "FWHM long axis, px", "noise", "depth gained, mag")
    shown = (
        (
            r["name"],
            str(r["frames"]),
            *(_figure(r[key], form) for key, form in (("hours", ".2f"), ("fwhm_major", ".2f"), ("noise", ".3g"), ("depth_mag", ".2f"))),
        )
        for r in rows
    )
    return Listing("", columns, tuple(shown), ("",) * len(rows))


def _figure(value: float | None, form: str) -> str:
    """A number as a table shows it; what is not known is a dash."""
    return "-" if value is None or value != value else format(value, form)


def render(opened: Run, folder: Path, *also: str) -> tuple[dict[str, Any], list[Path]]:
    """Make the picture of an opened recipe and write everything that belongs to it and is not there yet.

    Gives what the words and numbers of the run need, with the results of the nodes ``also``, and every file of the result.
    """
    outputs.claim_folder(opened, folder)
    ledger = Ledger.read(folder)
    wanted = outputs.outputs_of(opened)
    stale = [output for output in wanted if not ledger.is_current(output.name, outputs.made_from(opened, output))]
    nodes = ["curve", *_spoken_nodes(opened), *also]
    nodes += [node for output in stale for node in output.nodes]
    if opened.sources.frames:
        nodes += ["table", "stacks"]
    values = opened.get_all(*dict.fromkeys(nodes))
    if "result" not in nodes:  # its files are there from an earlier run, and maybe not from the last one
        opened.runner.note("result")
    _collect_words(opened, values)
    names = [output.name for output in stale]
    pictures = [name for name in names if name not in outputs.PLOTS.values()]  # plots are nobody's work, and other commands write them too
    kept = ledger.keep_changed(pictures)
    try:
        ledger.begin(names)
        outputs.write_outputs(opened, folder, stale, values)
    except BaseException:
        ledger.give_back(kept)
        raise
    for name, path in kept.items():
        opened.warn("kept", f"{name} was changed since it was written; it is kept as {path.name}.", str(path))
    for output in stale:
        ledger.note(output.name, outputs.made_from(opened, output) or "")
    written = [folder / output.name for output in wanted if (folder / output.name).exists()]
    if opened.sources.frames:
        written.append(folder / "grade" / "frames.csv")
        outputs.write_table(values["table"], written[-1])
        written += outputs.link_stacks(opened, values["stacks"], folder)
    written += outputs.write_records(opened, values, folder, written=ledger.written)
    return values, written


def _spoken_nodes(opened: Run) -> list[str]:
    """The nodes that have words of their steps."""
    of_stacks = [f"facts/{name}" for name in opened.names.roles]
    return ["white", "sky_facts", "star_facts", *(f"hot/{name}" for name in opened.names.skies), *of_stacks]


def _collect_words(opened: Run, values: Mapping[str, Any]) -> None:
    """What the steps had to say becomes warnings."""
    spoken = {"flatten": values["sky_facts"].words, "white": values["white"].words}
    spoken |= {f"hot {name}": values[f"hot/{name}"].words for name in opened.names.skies}
    for name in opened.names.roles:
        spoken |= {f"{step} {name}": words for step, words in values[f"facts/{name}"].words.items()}
    if "stacks" in values:
        spoken["stack"] = values["stacks"].report.words
        spoken["grade"] = values["table"].words
    for code, words in spoken.items():
        for text in words:
            opened.warn(code.split()[0], f"{code}: {text}")
    stars = values["star_facts"]
    if stars.negative > MOST_NEGATIVE:
        text = f"{stars.negative:.0%} of the star layer lies below 0 and is written as 0; the picture itself uses it as it is."
        opened.warn("stars_negative", text)
    if stars.light_left < 1:
        opened.warn("stars_smaller", f"Making the stars smaller took {1 - stars.light_left:.0%} of their light away (roles.stars.size).")


def blend_recipe(recipe: Path, *, changes: Sequence[str], out: Path | None, upto: str | None, execution: Execution) -> Answer:
    """Make the picture of a recipe; ``upto`` stops after a step."""
    if upto is not None and upto not in STEPS:
        raise RecipeError(f"--upto must be one of {', '.join(STEPS)}, got {upto!r}.", key="--upto")
    loaded = load_recipe(recipe, parse_changes(changes))
    folder = out or _folder(loaded)
    with open_run(loaded, execution) as opened:
        if upto is not None and upto != "blend":
            return _run_upto(opened, upto, folder)
        values, written = render(opened, folder)
        facts = outputs.result_facts(opened, values)
        widths = ", ".join(f"{name} {values[f'facts/{name}'].star.fwhm_major:.2f} px" for name in opened.names.roles)
        judged = folder if changes or out is not None else recipe  # the recipe alone would be another picture
        lines = [
            f"{loaded.target}: the picture is {written[0]}.",
            f"Star widths along the long axis: {widths}.",
            f"Layers in {folder / 'layers'}, what the steps did in {folder / 'steps'}. To judge it: layerblend compare {_quoted(judged)}",
        ]
        return Answer(written, {"facts": facts, "folder": str(folder.absolute())}, opened.warnings, lines)


def _run_upto(opened: Run, step: str, folder: Path) -> Answer:
    names = [node.name for node in opened.graph]
    node = step_node(opened.recipe, step, names)
    outputs.claim_folder(opened, folder)
    values = opened.get_all(node, *(["picture/grade"] if node == "table" else []))
    written: list[Path] = []
    if step == "grade" and node == "table":
        written = outputs.write_frames(opened, values, folder)
    if step == "stack" and node == "stacks":
        written = outputs.link_stacks(opened, values["stacks"], folder)
    if step in {"flatten", "split", "detail", "colour", "combine", "stars"}:
        written = outputs.write_step(opened, step, values[node], folder)
    said = values[node].report if node == "stacks" else values[node]
    for text in getattr(said, "words", ()):
        opened.warn(step, text)
    where = f": {', '.join(str(path) for path in written)}" if written else ""
    return Answer(written, {"step": step, "node": node}, opened.warnings, [f"Done up to {step}{where}."])


def compare_sources(sources: Sequence[Path], *, out: Path | None, changes: Sequence[str], execution: Execution) -> Answer:
    """Judge results against each other; one recipe alone against its `plain`.

    Several without ``out``: each verdict has a folder of its own beside the one against `plain`, which stays.
    """
    subjects, folder, warnings = _subjects(sources, changes, execution)
    target = out or folder / "compare"
    if out is None and len(sources) > 1:
        target /= _safe(f"{subjects[0].name}_against_{subjects[1].name}")
    places = [target, *(target / _safe(other.name) for other in subjects[2:])]
    refuse_overwrite([path for place in places for path in judge.comparison_files(place)], sources)
    comparisons, written = [], []
    for other, place in zip(subjects[1:], places, strict=True):
        comparison, files = judge.write_comparison(subjects[0], other, place)
        comparisons.append(comparison)
        written += files
    data = {"comparisons": [comparison.as_json() for comparison in comparisons]}
    lines = [line for comparison in comparisons for line in comparison_lines(comparison)]
    answer = Answer(written, data, warnings, [*lines, f"Look at {target / 'page.html'} and {target / 'sheet.png'}."])
    answer.listings = [_comparison_listing(comparison) for comparison in comparisons]
    return answer


def _safe(name: str) -> str:
    return re.sub(r"[^\w.-]+", "_", name)


def _subjects(sources: Sequence[Path], changes: Sequence[str], execution: Execution) -> tuple[list[Subject], Path, list[dict[str, Any]]]:
    subjects: list[Subject] = []
    notes: list[str] = []
    folder = Path()
    looked_at = _looked_at(sources, changes, notes)
    warnings: list[dict[str, Any]] = [{"code": "picture", "text": text, "file": None} for text in notes]
    for path, recipe in zip(sources, looked_at, strict=True):
        if isinstance(recipe, Subject):
            subjects.append(replace(recipe, name=_unused(recipe.name, subjects)))
            continue
        with open_run(recipe, execution) as opened:
            values = opened.get_all(*judge.subject_nodes(opened))
            subjects.append(judge.result_subject(opened, values, _unused(recipe.target if len(sources) == 1 else _name_of(path), subjects)))
            if len(sources) == 1:
                other = _against(opened, values)
                subjects.append(replace(other, name=_unused(other.name, subjects)))
            warnings += opened.warnings
            folder = _folder(recipe)
    if len(subjects) < 2:
        raise RecipeError("compare needs two results, or one recipe to set against its plain stack.")
    return subjects, folder, warnings


def _looked_at(sources: Sequence[Path], changes: Sequence[str], notes: list[str]) -> list[Subject | Recipe]:
    """Every source opened, before the first is rendered, which may take hours; ``notes`` gets what there is to say of pictures."""
    for path in sources:
        if _is_picture(path) and not path.exists():
            raise PlaceError(f"There is no picture {path}.", file=path, code="no_file")
    found = [judge.picture_subject(path, notes) if _is_picture(path) else _recipe_of(path, parse_changes(changes)) for path in sources]
    if isinstance(lone := found[0], Recipe) and len(found) == 1 and isinstance(against := lone.compare.against, Path):
        _looked_at([against], (), notes)
    return found


def _against(opened: Run, values: Mapping[str, Any]) -> Subject:
    against = opened.recipe.compare.against
    return judge.plain_subject(opened, values) if against == "plain" else _any_subject(against, "B")


def _unused(name: str, subjects: Sequence[Subject]) -> str:
    """``name``, or with a number where another goes by it, or has a folder of that name: on some disks capitals are alike."""
    taken = {_safe(subject.name).casefold() for subject in subjects}
    return next(n for n in itertools.chain([name], (f"{name} {i}" for i in itertools.count(2))) if _safe(n).casefold() not in taken)


def _recipe_of(path: Path, changes: Mapping[str, Any] | None = None) -> Recipe:
    """The recipe in a file, or the one that a result folder was made from, with the store of its making."""
    if path.is_dir():
        if not (path / RECORD).exists() or not (path / "recipe.yaml").exists():
            raise PlaceError(f"{path} is no result folder: recipe.yaml and provenance.json are missing.", file=path, code="no_result")
        recipe = load_recipe(path / "recipe.yaml", changes)
        home, file = (read_record(path).get(key) for key in ("home", "recipe_file"))
        if isinstance(home, str) and Path(home).is_dir():
            return recipe.placed(Path(home) / (Path(file).name if isinstance(file, str) else "recipe.yaml"))
        return recipe
    if FITS_ENDING.search(path.name):
        text = f"{path} is linear light; compare takes recipes, result folders and finished pictures ({' '.join(sorted(PICTURE_ENDINGS))})."
        raise PlaceError(text, file=path, code="not_a_picture")
    return load_recipe(path, changes)


def comparison_lines(comparison: Comparison) -> list[str]:
    """In what is which better, in words."""
    return [f"{comparison.a} against {comparison.b}:", *(f"  {text}" for text in comparison.words())]


def _comparison_listing(comparison: Comparison) -> Listing:
    title = f"A: {comparison.a}   B: {comparison.b}"
    columns = ("measure", "better", "A", "B", "A - B", f"{comparison.confidence:.0%} interval", "verdict")
    rows = tuple(
        (
            f"{m.name}, {m.unit}" if m.unit else m.name,
            m.better,
            number(m.a),
            number(m.b),
            signed(m.difference),
            f"{signed(m.interval[0])} .. {signed(m.interval[1])}",
            m.verdict,
        )
        for m in comparison.measures
    )
    tones = {"A better": "good", "B better": "bad"}
    return Listing(title, columns, rows, tuple(tones.get(m.verdict, "faint") for m in comparison.measures))


def sweep(recipe: Path, *, tries: Sequence[str], sort: str | None, out: Path | None, execution: Execution) -> Answer:
    """Every assignment of the tried values: pictures on one contact sheet, measures against `plain`."""
    values_of = parse_tries(tries)
    count = math.prod(len(values) for values in values_of.values())
    if count > MOST_RESULTS:
        raise RecipeError(f"--try asks for {count} results; at most {MOST_RESULTS} are made at once, try fewer values.", key="--try")
    if sort is not None and sort not in KINDS:
        raise _no_measure(sort, KINDS)
    tried = assignments(values_of)
    loaded = [load_recipe(recipe, changes) for changes in tried]
    rows = [_sweep_one(one, changes, execution) for one, changes in zip(loaded, tried, strict=True)]
    if sort is not None:
        rows = _sorted_rows(rows, sort)
    folder = (out or _folder(loaded[0])) / "sweep"
    folder.mkdir(parents=True, exist_ok=True)
    sheet, table = folder / "contact.png", folder / "sweep.json"
    captions = [_sweep_caption(row) for row in rows]
    write_bytes(sheet, contact_sheet([(row["label"], row["picture"]) for row in rows], captions=captions))
    data = {"results": [{"label": row["label"], "changes": row["changes"], **row["comparison"].as_json()} for row in rows]}
    write_json(table, data)
    lines = [f"{row['label']}: {caption}" for row, caption in zip(rows, captions, strict=True)]
    warnings = [note for index, row in enumerate(rows) for note in row["warnings"] if all(note not in r["warnings"] for r in rows[:index])]
    return Answer([sheet, table], data, warnings, [*lines, f"Look at {sheet}."])


def _sweep_one(recipe: Recipe, changes: Mapping[str, Any], execution: Execution) -> dict[str, Any]:
    label = ", ".join(f"{key}={value}" for key, value in changes.items())
    with open_run(recipe, execution) as opened:
        values = opened.get_all(*judge.subject_nodes(opened), *_spoken_nodes(opened))
        _collect_words(opened, values)
        comparison = compare_subjects(judge.result_subject(opened, values, label), judge.plain_subject(opened, values))
        row = {"label": label, "changes": dict(changes), "comparison": comparison, "picture": on_contact_sheet(values["result"])}
        return row | {"warnings": opened.warnings}


def _sorted_rows(rows: list[dict[str, Any]], sort: str) -> list[dict[str, Any]]:
    """The best first; last those in which it could not be measured, such as detail that does not rise above the noise."""

    def value(row: dict[str, Any]) -> float:
        found = next((m for m in row["comparison"].measures if m.name == sort), None)
        if found is None:
            return math.inf
        if found.better == "lower":
            return float(found.a)
        return -float(found.a) if found.better == "higher" else abs(found.a - float(found.better.split()[1]))

    if all(math.isinf(value(row)) for row in rows):
        raise _no_measure(sort, [m.name for m in rows[0]["comparison"].measures])
    return sorted(rows, key=value)


def _no_measure(sort: str, names: Iterable[str]) -> RecipeError:
    return RecipeError(f"--sort must be one of the measures: {', '.join(names)}; got {sort!r}.", key="--sort")


def _sweep_caption(row: Mapping[str, Any]) -> str:
    """The measures that tell most, and how often the result beats plain."""
    measures = {m.name: m for m in row["comparison"].measures}
    told = [
        ("star fwhm_major", "stars {:.2f} px"),
        ("sky lightness noise", "sky noise {:.2f} L*"),
        ("contrast 0.10-0.15", "contrast {:.2f}"),
    ]
    parts = [form.format(measures[name].a) for name, form in told if name in measures]
    won = sum(m.verdict == "A better" for m in measures.values())
    lost = sum(m.verdict == "B better" for m in measures.values())
    return "; ".join([*parts, f"better than plain in {won}, worse in {lost} measures"])


def _folder(recipe: Recipe) -> Path:
    assert recipe.output.folder is not None
    return recipe.output.folder
