"""A first look at a folder of frames or finished stacks, for the recipe that `layerblend new` writes."""

from __future__ import annotations

import contextlib
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from layerblend.endings import FITS_ENDING, TIFF_ENDING
from layerblend.errors import InputError, PlaceError, RecipeError
from layerblend.files.frames import HOW_TO_SAY_WHITE, find_frames
from layerblend.files.pictures import brightest_value, check_stack_file, floats_in_tiff, read_linear
from layerblend.kinds import FrameInfo
from layerblend.maths.clipped import common_top, flat_tops
from layerblend.recipe.load import load_recipe
from layerblend.recipe.schema import file_name
from layerblend.recipe.starter import MOST_STACKS, Found, sort_out, starter_recipe

# Frames whose pixels are looked at: few of integers, more of floats, which may have been scaled one by one. Stars cut off below this
# share of white are told.
MOST_LOOKED_AT, MOST_FLOATS, LEAST_TOP = 3, 9, 0.95
MOST_HEADERS = 25  # of hundreds of frames; the headers of one set are alike
LONGEST_OBJECT = 60
NO_OBJECT = {"", "unknown", "none", "n/a", "na", "object", "target", "light", "lights", "light frame"}


@dataclass(frozen=True)
class Survey:
    """What a folder holds, by the names of its files, their headers and the tops of their brightest stars.

    ``pattern``: the glob that found the files, None where they lie in the folder itself; ``looked_at``: files whose headers were read, and
    ``headers`` those of them that are FITS; ``white_level``: the value at which stars of frames are cut off, None where headers say it or
    nothing shows it.
    """

    folder: Path
    found: Found
    pattern: str | None
    target: str
    looked_at: tuple[Path, ...]
    headers: tuple[FrameInfo, ...]
    white_level: float | None


def survey_folder(folder: Path, *, home: Path) -> Survey:
    """Look at a folder for a recipe that will lie in ``home``.

    Raises
    ------
    InputError : nothing in the folder or below it is a frame or a stack.
    PlaceError : too many TIFF files for finished stacks.
    """
    pattern = None
    found = sort_out([entry for entry in folder.iterdir() if entry.is_file()])
    if not found.frames and not found.stacks:
        pattern = "**/*"
        found = sort_out(find_frames(folder, pattern))
    if not found.frames and len(found.stacks) > MOST_STACKS:
        raise PlaceError(_too_many_stacks(folder, len(found.stacks)), file=folder, code="too_many_stacks")
    files = found.frames or [file for files in found.stacks.values() for file in _files(files)]
    looked_at = files[:: -(-len(files) // MOST_HEADERS)]
    headers = [header for file in looked_at if (header := _header(file)) is not None]
    white = _white_of_stars(headers) if found.frames else None
    return Survey(folder, found, pattern, _target_name(folder, headers, home), tuple(looked_at), tuple(headers), white)


def starter_text(survey: Survey, *, home: Path) -> str:
    """The starter recipe of what was found."""
    found = survey.found
    if not found.frames:
        return starter_recipe(survey.target, stacks={name: _absolute(files) for name, files in found.stacks.items()}, home=home)
    return starter_recipe(
        survey.target,
        folder=survey.folder.resolve(),
        pattern=survey.pattern,
        frame_count=len(found.frames),
        aside=[name for name in _names(found.stacks) if FITS_ENDING.search(name)],
        white_level=survey.white_level,
        home=home,
    )


def survey_lines(survey: Survey) -> list[str]:
    """What was found, for the terminal."""
    found, count = survey.found, len(survey.found.frames)
    if not found.frames:
        return [f"Found finished stacks: {', '.join(found.stacks)}."]
    lines = [f"Found {count} frame{'s' if count > 1 else ''}."]
    if found.stacks:
        lines.append(f"Left aside, as their names are those of finished stacks: {', '.join(_names(found.stacks))}.")
    return lines


def white_lines(survey: Survey) -> list[str]:
    """Which value is white, or what the recipe still needs to know of it."""
    if survey.white_level is not None:
        return [f"The brightest stars are cut off at about {survey.white_level:.10g}, which stands in the recipe as the white level."]
    unknown = [header.path for header in survey.headers if header.white_level is None]
    return _white_unknown([*unknown, *filter(_is_float_tiff, survey.looked_at)])


def _too_many_stacks(folder: Path, count: int) -> str:
    return (
        f"{folder} holds {count} TIFF files, too many for finished stacks of one target. Single frames are read as FITS: let the program "
        f"that registered them write FITS. If they are stacks, put those of this target (up to {MOST_STACKS}) into a folder of their own."
    )


def _files(files: Any) -> list[Path]:
    """The files of one stack."""
    return list(files.values()) if isinstance(files, Mapping) else [files]


def _names(stacks: Mapping[str, Any]) -> list[str]:
    """Names of the files of stacks, those in three files as well."""
    return [path.name for files in stacks.values() for path in _files(files)]


def _absolute(files: Any) -> Any:
    return files.resolve() if isinstance(files, Path) else {channel: path.resolve() for channel, path in files.items()}


def _header(path: Path) -> FrameInfo | None:
    """What a FITS file says of itself; one that cannot be opened is told of when it is used."""
    try:
        return check_stack_file(path)
    except InputError:
        return None


def _target_name(folder: Path, headers: Sequence[FrameInfo], home: Path) -> str:
    """What most of the headers call their target (OBJECT), else the folder's name.

    A set of one filter is called after that too, and what another recipe beside has taken gets the folder's name behind it: two recipes of
    one target would write into one folder.
    """
    own = " ".join(re.split(r"[\s_]+", folder.resolve().name)) or "target"
    names = Counter(name for header in headers if (name := _object_name(header)))
    name, count = names.most_common(1)[0] if names else ("", 0)
    if 2 * count <= len(headers):
        return own
    filters = {header.filter for header in headers if header.channels == 1}
    if len(filters) == 1 and (one := filters.pop()):
        name = f"{name} {_plain(one)}"
    taken = {_folder_name(beside) for beside in home.glob("*.y*ml")}
    return name if file_name(name).casefold() not in taken else f"{name} {own}"


def _object_name(header: FrameInfo) -> str:
    """The card OBJECT on one line, no longer than a folder's name may be; nothing where it only fills the place."""
    text = next((_plain(value) for key, value, _ in header.cards if key == "OBJECT"), "")
    return "" if text.casefold() in NO_OBJECT else text


def _plain(value: Any) -> str:
    return " ".join(re.sub(r"[\x00-\x1f\x7f]", " ", str(value or "")).split())[:LONGEST_OBJECT].strip()


def _folder_name(recipe: Path) -> str | None:
    """What the results of another recipe are filed under."""
    try:
        return file_name(load_recipe(recipe).target).casefold()
    except RecipeError:
        return None


def _white_of_stars(headers: Sequence[FrameInfo]) -> float | None:
    """The value at which the brightest stars of frames are cut off, where no header says it; None where it does, or where nothing shows it.

    Calibrating and cameras of 14 bits leave no pixel at the largest number, and floats have none.
    """
    unknown = [header for header in headers if header.white_level is None]
    if unknown:
        top = _top_of_stars([header.path for header in unknown[:: -(-len(unknown) // MOST_FLOATS)]], 1.0) if len(unknown) > 1 else None
        return None if top is None else _round(top)
    top = _top_of_stars([header.path for header in headers[:: -(-len(headers) // MOST_LOOKED_AT)]], None) if headers else None
    return None if top is None or top >= LEAST_TOP else _round(top * (headers[0].white_level or 1.0))


def _top_of_stars(paths: Sequence[Path], white_level: float | None) -> float | None:
    """The value at which bright stars of single frames are cut off; None where no three of them are.

    ``white_level`` : what the files' values are read by, None for what their headers say; the answer is a share of that.
    """
    levels: list[float] = []
    for path in paths:
        with contextlib.suppress(InputError):
            levels += flat_tops(read_linear(path, white_level=white_level)[0])
    return common_top(levels)


def _round(level: float) -> float:
    """Three digits."""
    return float(f"{level:.3g}")


def _is_float_tiff(path: Path) -> bool:
    return TIFF_ENDING.search(path.name) is not None and floats_in_tiff(path)


def _white_unknown(paths: Sequence[Path]) -> list[str]:
    """The hint that floats want a white level, with the value at which clipped stars would end."""
    if not paths:
        return []
    most = brightest_value(paths[0])
    hint = "" if most is None else f" The brightest pixel of {paths[0].name} holds {most:.4g}, which is white if its stars are clipped."
    return [f"Floats that do not say which value is white ({paths[0].name}): {HOW_TO_SAY_WHITE}{hint}"]
