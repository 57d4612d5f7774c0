"""The commented starter recipe that `layerblend new` writes, made from the schema; and the look at file names that it starts from."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from layerblend.endings import FITS_ENDING, TIFF_ENDING
from layerblend.recipe.schema import (
    STANDARD_STACKS,
    Recipe,
    Section,
    Sections,
    Setting,
    StackSpec,
    flow,
    key_of,
    part_of,
    setting_of,
    written,
)

# words in a file name that say "finished stack"; numbered files (L_0001.fits) are frames
_STACK_WORDS = {"all", "deep", "stack", "stacked", "master", "mean", "combined"}
MOST_STACKS = 12  # finished stacks of one target in one folder; more files are its frames, whatever their names
_MOST_TRIOS = 3  # as many stacks lie in a folder of three files each; more are frames of a mono camera
_CHANNEL_WORDS = {"r": "r", "red": "r", "g": "g", "green": "g", "b": "b", "blue": "b"}
_WIDTH = 110

StackFile = Path | Mapping[str, Path]


@dataclass(frozen=True)
class Found:
    """What a folder holds, judged by file names alone: frames, or finished stacks by name."""

    frames: tuple[Path, ...] = ()
    stacks: Mapping[str, StackFile] = field(default_factory=dict)


def sort_out(paths: Iterable[Path]) -> Found:
    """Tell frames from finished stacks by name: `best25`, `all`, `deep`, `stack`, ... and every TIFF are stacks; other FITS are frames.

    Stacks in three files (`deep_r.fits`, `deep_g.fits`, `deep_b.fits`) are joined under one name. A folder that holds nothing but up to
    three such sets holds stacks, whatever their names.
    """
    frames: list[Path] = []
    stacks: list[Path] = []
    for path in sorted(paths, key=_parts):
        is_fits = FITS_ENDING.search(path.name)
        if TIFF_ENDING.search(path.name) or (is_fits and _is_stack(path)):
            stacks.append(path)
        elif is_fits:
            frames.append(path)
    if len(called := [path for path in stacks if FITS_ENDING.search(path.name)]) > MOST_STACKS:
        frames, stacks = sorted(frames + called, key=_parts), [path for path in stacks if path not in called]
    if 0 < len(frames) <= 3 * _MOST_TRIOS and len(_trios(frames)) * 3 == len(frames):
        frames, stacks = [], sorted(frames + stacks, key=_parts)
    return Found(tuple(frames), _named(stacks))


def _parts(path: Path) -> tuple[str, ...]:
    """The order of paths by their exact letters, which is not every system's own."""
    return path.parts


def _stem(path: Path) -> str:
    return TIFF_ENDING.sub("", FITS_ENDING.sub("", path.name))


def _words(path: Path) -> list[str]:
    return [word for word in re.split(r"[^a-z0-9]+", _stem(path).lower()) if word]


def _is_stack(path: Path) -> bool:
    return any(word in _STACK_WORDS or re.fullmatch(r"best\d{1,2}", word) for word in _words(path))


def _trios(paths: Sequence[Path]) -> dict[str, dict[str, Path]]:
    """Files that differ by the channel at the end of their names alone: {what they share: {r, g, b files}}."""
    channels: dict[str, dict[str, Path]] = {}
    for path in paths:
        words = _words(path)
        if len(words) > 1 and words[-1] in _CHANNEL_WORDS:
            channels.setdefault("_".join(words[:-1]), {})[_CHANNEL_WORDS[words[-1]]] = path
    return {name: files for name, files in channels.items() if set(files) == {"r", "g", "b"}}


def _named(paths: Sequence[Path]) -> dict[str, StackFile]:
    whole = _trios(paths)
    joined = {path for files in whole.values() for path in files.values()}
    named: dict[str, StackFile] = {}
    for path in paths:
        if path not in joined:
            named[_free_name(_stack_name(_words(path)), named)] = path
    for name, files in whole.items():
        named[_free_name(_stack_name(name.split("_")), named)] = {key: files[key] for key in "rgb"}
    order = sorted(named, key=_depth)
    return {name: named[name] for name in order}


def _stack_name(words: Sequence[str]) -> str:
    known = [word for word in words if re.fullmatch(r"best\d{1,2}", word) or word in {"all", "deep"}]
    return known[0] if known else "_".join(words) or "stack"


def _free_name(name: str, taken: Mapping[str, Any]) -> str:
    return name if name not in taken else next(f"{name}_{n}" for n in range(2, len(taken) + 3) if f"{name}_{n}" not in taken)


def _depth(name: str) -> tuple[int, str]:
    match = re.fullmatch(r"best(\d{1,2})", name)
    return (int(match[1]) if match else {"all": 100, "deep": 101}.get(name, 99), name)


# ---------------------------------------------------------------- the text
def starter_recipe(
    target: str,
    *,
    folder: str | Path | None = None,
    pattern: str | None = None,
    stacks: Mapping[str, StackFile] | None = None,
    frame_count: int | None = None,
    aside: Sequence[str] = (),
    white_level: float | None = None,
    home: str | Path | None = None,
) -> str:
    """A recipe that runs as it stands: what is needed is written out, everything else stands as a comment with its default.

    ``folder``: the frames; ``aside``: names of files in it that are no frames; ``white_level``: where their stars are cut off, if that is
    not what the files say; ``stacks``: finished stacks by name, a file or {r, g, b} files; ``home``: the folder the recipe will lie in, so
    that paths can be written relative to it.
    """
    head = (
        f"Recipe of {' '.join(target.split())}. A line behind # shows a default: remove the # and change the value to set it. "
        "`layerblend check` tells what is wrong or what would run; `layerblend blend` makes the picture."
    )
    return _text(head, target, _frames_lines(folder, pattern, frame_count, aside, white_level, home), _stacks_lines(stacks, home), "# ")


def full_recipe(target: str, folder: str | Path) -> str:
    """A recipe in which every setting is written out with its default; it gives what a recipe of name and folder alone gives."""
    frames = ["frames:", _line("folder", Path(folder).as_posix(), "  "), *_settings_lines(_part("frames"), "  ", ("folder",), "")]
    stacks = ["stacks:"]
    for name, spec in STANDARD_STACKS.items():
        given = StackSpec.model_validate(dict(spec))
        stacks += [f"  {name}:", *_settings_lines(given, "    ", ("file", "files"), "", notes=name == next(iter(STANDARD_STACKS)))]
    return _text("Every setting with its default; what is not needed can be left out.", target, frames, stacks, "")


def _text(head: str, target: str, frames: list[str], stacks: list[str], mark: str) -> str:
    lines = [*_comment(head), "", _line("target", target, "")]
    for name in Recipe.model_fields:
        if name != "target":
            lines += ["", *_comment(setting_of(Recipe, name).help)]
            known = {"frames": frames, "stacks": stacks}
            lines += known[name] if name in known else [f"{name}:", *_settings_lines(_part(name), "  ", mark=mark)]
    return "\n".join(lines) + "\n"


def _part(name: str) -> type[Section]:
    part = part_of(Recipe, name)
    assert part is not None
    return part


def _comment(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(text[0].upper() + text[1:], _WIDTH, initial_indent=f"{indent}# ", subsequent_indent=f"{indent}# ")


def _quoted(value: Any) -> str:
    if isinstance(value, list):
        return f"[{', '.join(map(_quoted, value))}]"
    if not isinstance(value, str):
        return flow(value)
    style = None if re.fullmatch(r"[^\W\d][\w ./-]*", value) else "'"
    return str(yaml.safe_dump(value, allow_unicode=True, width=10_000, default_style=style)).split("\n...")[0].strip()


def _line(key: str, value: Any, indent: str, note: str = "") -> str:
    text = f"{indent}{key}: {_quoted(value)}"
    return f"{text:<36}  # {note}" if note else text


def _settings_lines(
    section: type[Section] | Section, indent: str, skip: Sequence[str] = (), mark: str = "# ", *, notes: bool = True
) -> list[str]:
    """One line for each setting, behind ``mark``: the defaults of a kind of section, or what one section says."""
    model = type(section) if isinstance(section, Section) else section
    lines: list[str] = []
    for name, info in model.model_fields.items():
        setting, key = setting_of(model, name), key_of(model, name)
        if key in skip:
            continue
        part = part_of(model, name)
        if part is not None and setting.rule is None:
            lines += [f"{indent}{key}:  # {setting.help}", *_settings_lines(part, indent + "  ", mark=mark)]
            continue
        value = getattr(section, name) if isinstance(section, Section) else info.default
        lines.append(_line(mark + key, written(setting.rule, value), indent, _note(setting) if notes else ""))
    return lines


def _note(setting: Setting) -> str:
    """Help, then what is allowed in brackets."""
    allowed = "" if setting.rule is None else setting.rule.span
    if isinstance(setting.rule, Sections):
        allowed = f"such as {allowed}"
    elif span := re.fullmatch(r"([\[(])(\S+), (\S+)\]", allowed):
        allowed = f"{'above ' if span[1] == '(' else ''}{span[2]} to {span[3]}"
    inside = " ".join(part for part in (allowed, setting.unit) if part)
    return f"{setting.help} [{inside}]" if inside else setting.help


def _relative(path: str | Path, home: str | Path | None) -> str:
    if home is None:
        return Path(path).as_posix()
    try:
        return Path(path).absolute().relative_to(Path(home).absolute()).as_posix()
    except ValueError:
        return Path(path).absolute().as_posix()


def _frames_lines(
    folder: str | Path | None, pattern: str | None, count: int | None, aside: Sequence[str], white: float | None, home: str | Path | None
) -> list[str]:
    lines = ["frames:"]
    given: list[str] = []
    if folder is not None:
        lines.append(_line("folder", _relative(folder, home), "  ", "" if count is None else f"{count} frames found"))
        given.append("folder")
    if pattern is not None:
        lines.append(_line("pattern", pattern, "  "))
        given.append("pattern")
    if aside:
        lines += ["  exclude:", _line("files", list(aside), "    ", "finished stacks by their names")]
        given.append("exclude")
    if white is not None:
        lines.append(_line("white_level", white, "  ", "where the brightest stars are cut off"))
        given.append("white_level")
    return lines + _settings_lines(_part("frames"), "  ", given)


def _stacks_lines(stacks: Mapping[str, StackFile] | None, home: str | Path | None) -> list[str]:
    if not stacks:
        lines = _comment("A set written here replaces the standard one. Settings of one stack:")
        lines += ["# stacks:", "#   best25: 25%                     # short for {keep: 25%}", "#   best40:"]
        example = StackSpec.model_validate({"keep": 0.4})
        return lines + ["# " + line for line in _settings_lines(example, "    ", ("file", "files"), "")]
    lines = ["stacks:  # finished stacks, sharpest first; all of one size and place"]
    for name, file in stacks.items():
        lines.append(f"  {name}:")
        if isinstance(file, Mapping):
            lines.append("    files:")
            lines += [_line(key, _relative(file[key], home), "      ") for key in ("r", "g", "b")]
        else:
            lines.append(_line("file", _relative(file, home), "    "))
    return lines
