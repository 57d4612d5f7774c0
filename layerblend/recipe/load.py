"""YAML to Recipe and back: all faults at once, each with its line, its rule and the nearest known key."""

from __future__ import annotations

import copy
import itertools
import os
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import yaml
from pydantic import ValidationError

from layerblend.errors import RecipeError
from layerblend.recipe.schema import (
    STANDARD_STACKS,
    AddedLayer,
    Recipe,
    Roles,
    Section,
    Sections,
    Spot,
    StackSpec,
    complete,
    flow,
    key_of,
    part_of,
    relations,
    setting_of,
    settings,
    written,
)

Loc = tuple[str | int, ...]
CHANGE, TRY = "--set", "--try"
_LONGEST_SHOWN = 60
_ROUNDS = 20
RECIPE_ENDINGS = {".yaml", ".yml", ".txt", ""}
MOST_BYTES = 4_000_000  # no recipe is as long: what is longer is a picture or an endless device, and is not read to its end


@dataclass(frozen=True)
class Fault:
    """One fault: where (a line, or a change made for this run), which key, and what is wrong."""

    where: int | str | None
    key: str
    text: str

    def words(self, label: str) -> str:
        """FILE:LINE  key  rule, got value  (nearest key)."""
        place = f"{label}:{self.where}" if isinstance(self.where, int) else self.where or label
        return "  ".join(part for part in (place, self.key, self.text) if part)


@dataclass
class _Document:
    """A recipe as plain data, with the place of every key and the faults found while reading."""

    data: dict[str, Any] = field(default_factory=dict)
    places: dict[Loc, int | str] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)

    def place(self, loc: Loc) -> int | str | None:
        """Line (or change) of a key, or of the nearest group around it that was written."""
        for length in range(len(loc), 0, -1):
            if loc[:length] in self.places:
                return self.places[loc[:length]]
            below = [place for place in self.places if place[:length] == loc[:length]]
            if below:
                return self.places[below[0]]
        return None


# ---------------------------------------------------------------- the public ways in
def load_recipe(path: str | Path, changes: Mapping[str, Any] | None = None) -> Recipe:
    """The recipe in a YAML file, with ``changes`` (dotted key to value) made first.

    Raises RecipeError with all faults at once in ``faults``.
    """
    file = Path(path).absolute()
    if ".." in file.parts:  # frames are known again by their paths, whichever way the recipe was named
        file = file.parent.resolve() / file.name
    document = _read_yaml(_text_of(Path(path)), str(path))
    return _build(document, file.parent, str(path), changes).placed(file)


def check_text(text: str, path: Path) -> None:
    """That a recipe's text is sound, before it is written to ``path``."""
    _build(_read_yaml(text, str(path)), path.absolute().parent, str(path), None)


def recipe_from(data: Mapping[str, Any], *, base: str | Path = ".", changes: Mapping[str, Any] | None = None) -> Recipe:
    """A recipe from plain data in the recipe's own form; relative paths start at ``base``."""
    return _build(_Document(copy.deepcopy(dict(data))), Path(base).absolute(), "recipe", changes)


def change_recipe(recipe: Recipe, changes: Mapping[str, Any]) -> Recipe:
    """The same recipe with some keys changed: ``{"roles.detail.stack": "best75"}``."""
    return _build(_Document(recipe_data(recipe)), recipe.home, "recipe", changes).placed(recipe.path)


# ---------------------------------------------------------------- changes from the command line
class Changes(dict[str, Any]):
    """Dotted keys and their values, and what was wrong with the texts they came from: told with the faults of the recipe they change.

    ``option`` is where a fault says that the change comes from.
    """

    faults: tuple[Fault, ...] = ()
    option: str = CHANGE


def parse_changes(texts: Iterable[str]) -> Changes:
    """``KEY=VALUE`` texts as a mapping; VALUE is YAML."""
    return _parsed(texts, CHANGE, "{}")


def parse_tries(texts: Iterable[str]) -> dict[str, list[Any]]:
    """``KEY=V1,V2,...`` texts as a mapping from key to the values to try; each value is YAML."""
    tries = _parsed(texts, TRY, "[{}]")
    empty = [Fault(TRY, key, "names no value to try") for key, values in tries.items() if not values]
    _raise([*tries.faults, *empty], TRY)
    return tries


def assignments(tries: Mapping[str, Sequence[Any]]) -> list[Changes]:
    """Every assignment of the values to try."""
    found = [Changes(zip(tries, values, strict=True)) for values in itertools.product(*tries.values())]
    for changes in found:
        changes.option = TRY
    return found


def _parsed(texts: Iterable[str], option: str, form: str) -> Changes:
    values, given = Changes(), set()
    faults: list[Fault] = []
    for text in texts:
        key, equals, value = text.partition("=")
        key = key.strip()
        if not equals or not key:
            faults.append(Fault(option, text, f"must have the form KEY=VALUE, such as {option} roles.detail.stack=best75"))
        elif key in given:
            faults.append(Fault(option, key, "is given twice"))
        else:
            given.add(key)
            document = _read_yaml("value: " + form.format(value), option)
            faults += [Fault(option, key, fault.text) for fault in document.faults]
            if not document.faults:
                values[key] = document.data.get("value")
    values.faults = tuple(faults)
    return values


def apply_changes(data: dict[str, Any], changes: Mapping[str, Any]) -> list[tuple[Loc, str]]:
    """Make changes in plain recipe data, in place; returns the keys that lead nowhere, each with its fault."""
    faults: list[tuple[Loc, str]] = []
    for key, value in changes.items():
        loc = tuple(key.split("."))
        if loc[0] == "stacks" and len(loc) > 1 and not data.get("stacks"):
            data["stacks"] = {name: dict(spec) for name, spec in STANDARD_STACKS.items()}
        group: Any = data
        for depth, name in enumerate(loc[:-1]):
            inner = group.get(name)
            if inner is None:
                inner = {}
            elif depth == 1 and loc[0] == "stacks" and not isinstance(inner, dict | list):
                inner = {"keep": inner}  # the short form: a share alone
            if not isinstance(inner, dict):
                faults.append((loc, f"cannot be set: {'.'.join(loc[: depth + 1])} is no group"))
                break
            group[name] = inner
            group = inner
        else:
            group[loc[-1]] = value
    return faults


# ---------------------------------------------------------------- YAML
class _Loader(yaml.SafeLoader):
    """YAML 1.2's plain words: yes, no, on, off and 12:30 stay text, 1e-3 is a number; one meaning for one text, so no aliases."""

    yaml_implicit_resolvers: dict[str, list[tuple[str, re.Pattern[str]]]] = {}  # noqa: RUF012  (PyYAML's own class attribute)

    def compose_node(self, parent: Any, index: Any) -> Any:
        if self.check_event(yaml.AliasEvent):
            mark = self.peek_event().start_mark  # type: ignore[no-untyped-call]
            raise yaml.composer.ComposerError(
                None,
                None,
                "aliases (*name) are not used in recipes; write the value again, or put quotes round a text that begins with *",
                mark,
            )
        return super().compose_node(parent, index)


def _resolve(tag: str, pattern: str, first: str) -> None:
    _Loader.add_implicit_resolver(f"tag:yaml.org,2002:{tag}", re.compile(f"^(?:{pattern})$"), list(first))


_resolve("bool", "true|True|TRUE|false|False|FALSE", "tTfF")
_resolve("null", "~|null|Null|NULL|", "~nN")
_Loader.yaml_implicit_resolvers.setdefault("", []).append(("tag:yaml.org,2002:null", re.compile("^$")))
_resolve("int", "[-+]?[0-9]+", "-+0123456789")
_resolve("float", r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?", "-+.0123456789")
_resolve("float", r"[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN)", "-+.")


def _text_of(path: Path) -> str:
    try:
        with open(path, "rb") as handle:
            raw = handle.read(MOST_BYTES + 1)
    except OSError as error:
        raise RecipeError(_no_recipe(path, error), file=path, code="recipe_missing") from None
    if len(raw) > MOST_BYTES:
        raise RecipeError(_other_file(path), file=path)
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        if path.suffix.lower() not in RECIPE_ENDINGS:
            raise RecipeError(_other_file(path), file=path) from None
        line = raw[: error.start].count(b"\n") + 1
        fault = Fault(line, "", f"is not UTF-8 text (byte 0x{raw[error.start]:02X}); save the recipe as UTF-8")
        raise RecipeError(fault.words(str(path)), faults=[fault.words(str(path))], file=path, line=line) from None


def _other_file(path: Path) -> str:
    return f"{path} is no recipe, which is a YAML text such as galaxy.yaml."


def _no_recipe(path: Path, error: OSError) -> str:
    if path.is_dir():
        inside = sorted(path.glob("*.y*ml"))
        if inside:
            return f"{path} is a folder; name the recipe file{f', such as {inside[0]}' if len(inside) > 1 else f' in it: {inside[0]}'}."
        return f"{path} is a folder; name the recipe file, or write one with `layerblend new {path}`."
    if not path.exists():
        beside = sorted(p.name for p in path.parent.glob("*.y*ml")) if path.parent.is_dir() else []
        near = get_close_matches(path.name, beside, 1)
        return f"There is no recipe {path}." + (f" Is {path.parent / near[0]} meant?" if near else " `layerblend new FOLDER` writes one.")
    return f"The recipe {path} cannot be read: {error.strerror or error}."


def _read_yaml(text: str, label: str) -> _Document:
    document = _Document()
    try:
        node = yaml.compose(text, _Loader)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        words = f"is no valid YAML: {error.problem or error.context}{_yaml_hint(str(error.problem))}"
        document.faults.append(Fault(mark.line + 1 if mark else None, "", words))
        return document
    except (yaml.YAMLError, RecursionError) as error:
        position = getattr(error, "position", None)
        line = text.count("\n", 0, position) + 1 if isinstance(position, int) else None
        reason = getattr(error, "reason", "groups lie too deep in one another")
        document.faults.append(Fault(line, "", f"is no valid YAML: {reason}"))
        return document
    if node is None:
        document.faults.append(Fault(1, "", "is empty; a recipe needs at least `target` and `frames` or `stacks`"))
    elif not isinstance(node, yaml.MappingNode):
        document.faults.append(Fault(node.start_mark.line + 1, "", "must be a group of `key: value` lines"))
    else:
        document.data = _value(node, (), document)
    return document


def _yaml_hint(problem: str) -> str:
    if "escape" in problem:
        return "; a backslash in double quotes starts an escape: write a Windows path with / or in single quotes"
    if "mapping values" in problem:
        return "; put quotes round a text with `: ` in it, or give each key a line of its own"
    if "alphabetic or numeric" in problem:
        return "; put quotes round a text that begins with * or &, such as '*.fits'"
    return "; indent with spaces, not tabs" if r"'\t'" in problem else ""


def _value(node: yaml.Node, loc: Loc, document: _Document) -> Any:
    if isinstance(node, yaml.MappingNode):
        return _mapping(node, loc, document)
    if isinstance(node, yaml.SequenceNode):
        items = []
        for index, item in enumerate(node.value):
            document.places[*loc, index] = item.start_mark.line + 1
            items.append(_value(item, (*loc, index), document))
        return items
    return _scalar(node, loc, document)


def _mapping(node: yaml.MappingNode, loc: Loc, document: _Document) -> dict[str, Any]:
    group: dict[str, Any] = {}
    for key_node, value_node in node.value:
        line = key_node.start_mark.line + 1
        if not isinstance(key_node, yaml.ScalarNode):
            document.faults.append(Fault(line, dotted(loc), "holds a key that is no word"))
            continue
        key = str(key_node.value)
        here = (*loc, key)
        if key in group:
            first = document.places[here]
            document.faults.append(Fault(line, dotted(here), f"is given twice (first in line {first})"))
            continue
        document.places[here] = line
        group[key] = _value(value_node, here, document)
    return group


def _scalar(node: yaml.Node, loc: Loc, document: _Document) -> Any:
    kind, text = node.tag.removeprefix("tag:yaml.org,2002:"), str(node.value)
    try:
        if kind == "int":
            return int(text)
        if kind == "float":
            return float(text.lower().replace(".inf", "inf").replace(".nan", "nan"))
    except ValueError:
        return text  # more digits than Python reads: no setting takes it, and its rule will say so
    if kind == "null":
        return None
    if kind == "bool":
        return text.lower() == "true"
    if kind != "str":
        document.faults.append(Fault(node.start_mark.line + 1, dotted(loc), f"has a value of no known kind ({kind})"))
    return text


# ---------------------------------------------------------------- checking
def _build(document: _Document, base: Path, label: str, changes: Mapping[str, Any] | None) -> Recipe:
    if changes and (document.data or not document.faults):
        option = changes.option if isinstance(changes, Changes) else CHANGE
        for loc, text in apply_changes(document.data, changes):
            document.faults.append(Fault(option, dotted(loc), text))
        for key in changes:
            loc = tuple(key.split("."))
            document.places = {place: line for place, line in document.places.items() if place[: len(loc)] != loc}
            document.places[loc] = option
    faults = [*document.faults, *(changes.faults if isinstance(changes, Changes) else ())]
    recipe = None
    if document.data or not document.faults:
        recipe, found = _validate(document, base)
        faults += found
    if faults or recipe is None:
        _raise(faults, label)
    assert recipe is not None
    return recipe


def _validate(document: _Document, base: Path) -> tuple[Recipe | None, list[Fault]]:
    """All faults of all keys: what is faulty is taken out and the rest looked at again, relations last."""
    data: dict[str, Any] = copy.deepcopy(document.data)
    faults: list[Fault] = []
    faulty: set[Loc] = set()
    for _ in range(_ROUNDS):
        try:
            recipe = complete(Recipe.model_validate(data, context={"base": base}), base)
            break
        except ValidationError as error:
            for detail in error.errors(include_url=False):
                loc = _known_loc(detail["loc"])
                faulty.add(loc)
                faults.append(_fault(document, loc, detail))
                _take_out(data, loc, missing=detail["type"] == "missing")
    else:
        return None, faults
    for loc, text in relations(recipe):
        if not any(bad[: len(loc)] == loc or loc[: len(bad)] == bad for bad in faulty):
            faults.append(Fault(document.place(loc), dotted(loc), text))
    return recipe, _in_order(faults)


def _known_loc(loc: tuple[Any, ...]) -> Loc:
    return tuple(part for part in loc if isinstance(part, str | int))


def _fault(document: _Document, loc: Loc, detail: Any) -> Fault:
    place, kind, value = document.place(loc), detail["type"], detail["input"]
    if kind == "extra_forbidden":
        return Fault(place, dotted(loc), f"is no known key  {nearest_key(loc)}")
    if kind == "missing":
        return Fault(place, dotted(loc), "is required")
    if kind in {"model_type", "model_attributes_type", "dict_type"}:
        return Fault(place, dotted(loc), f"must be a group of keys{_known_keys(loc)}, got {shown(value)}")
    rule = str(detail["msg"]) if kind == "rule" else f"is not usable ({detail['msg']})"
    return Fault(place, dotted(loc), f"{rule}, got {shown(value)}")


def _take_out(data: dict[str, Any], loc: Loc, *, missing: bool) -> None:
    """Remove a faulty key so that the rest can be checked; a stand-in takes the place of what is required."""
    group: Any = data
    for part in loc[:-1]:
        inner = group.get(part) if isinstance(group, dict) else group[part]
        if not isinstance(inner, dict | list):
            inner = group[part] = {}  # left out, or a short form (`best25: 7`), which goes as a whole
        group = inner
    last = loc[-1]
    if missing or loc == ("target",) or (loc[-2:-1] == ("files",) and last in {"r", "g", "b"}):
        group[last] = "stand-in"
    elif isinstance(group, dict):
        group.pop(last, None)
    elif isinstance(group, list) and isinstance(last, int):
        group[last] = {}


def _in_order(faults: list[Fault]) -> list[Fault]:
    """By line; what has no line (missing keys) last."""
    unique = list(dict.fromkeys(faults))
    return sorted(unique, key=lambda fault: (not isinstance(fault.where, int), fault.where if isinstance(fault.where, int) else 0))


def _raise(faults: list[Fault], label: str) -> None:
    if not faults:
        return
    faults = _in_order(faults)
    lines = [fault.words(label) for fault in faults]
    first = faults[0]
    raise RecipeError(
        "\n".join(lines), faults=lines, file=label, line=first.where if isinstance(first.where, int) else None, key=first.key or None
    )


def dotted(loc: Loc) -> str:
    """A key's place as it is written: flatten.protect[0].radius."""
    text = ""
    for part in loc:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text


def shown(value: Any) -> str:
    """A value as a fault shows it, on one short line."""
    if value is None:
        return "nothing"
    text = repr(value) if isinstance(value, str) else flow(value) if not isinstance(value, dict) else "a group"
    text = " ".join(text.split())
    return text if len(text) <= _LONGEST_SHOWN else text[: _LONGEST_SHOWN - 3] + "..."


# ---------------------------------------------------------------- nearest keys
def _section_at(loc: Loc) -> type[Section] | None:
    """The section whose keys may stand at ``loc``."""
    section: type[Section] | None = Recipe
    skip = 0
    for index, part in enumerate(loc):
        if skip:
            skip -= 1
            continue
        if section is None or isinstance(part, int):
            continue
        name = next((n for n in section.model_fields if key_of(section, n) == part), None)
        if name is None:
            return None
        if section is Recipe and part == "stacks":
            skip = 1  # the stack's own name
            section = StackSpec if index + 1 < len(loc) else None
        else:
            section = part_of(section, name)
    return section


def _known_keys(loc: Loc) -> str:
    section = _section_at(loc)
    return f" ({', '.join(key_of(section, name) for name in section.model_fields)})" if section else ""


def nearest_key(loc: Loc) -> str:
    """The known key nearest to an unknown one: in its own group, else anywhere, else all keys of the group."""
    section, wrong = _section_at(loc[:-1]), str(loc[-1])
    own = [key_of(section, name) for name in section.model_fields] if section else []
    if near := get_close_matches(wrong, own, 1, 0.6):
        return f"(nearest: {dotted((*loc[:-1], near[0]))})"
    everywhere = {row.key.rsplit(".", 1)[-1]: row.key for row in reversed(list(settings())) if "[]" not in row.key}
    roles = {key_of(Roles, name): f"roles.{key_of(Roles, name)}" for name in Roles.model_fields}
    groups = {key_of(Recipe, name): key_of(Recipe, name) for name in Recipe.model_fields}
    known = {key.lower(): full for key, full in (everywhere | roles | groups).items()}
    if near := get_close_matches(wrong.lower(), known, 1, 0.75):
        return f"(nearest: {known[near[0]]})"
    if near := get_close_matches(wrong, own, 1, 0.3):
        return f"(nearest: {dotted((*loc[:-1], near[0]))})"
    return f"(known here: {', '.join(own)})"


# ---------------------------------------------------------------- writing
def recipe_data(recipe: Recipe, folder: str | Path | None = None) -> dict[str, Any]:
    """The complete recipe as plain data, every default written out; paths relative to ``folder`` when given, else absolute."""
    base = None if folder is None else Path(folder).absolute()

    def show_path(path: Path) -> str:
        if base is None:
            return str(path)
        try:
            return Path(os.path.relpath(path, base)).as_posix()
        except ValueError:  # another drive
            return str(path)

    return _section_data(recipe, show_path)


def _section_data(section: Section, show_path: Any) -> dict[str, Any]:
    data: dict[str, Any] = {}
    for name in type(section).model_fields:
        rule, value, key = setting_of(type(section), name).rule, getattr(section, name), key_of(type(section), name)
        if isinstance(value, Section):
            data[key] = _section_data(value, show_path)
        elif isinstance(value, dict):
            data[key] = {stack: _section_data(spec, show_path) for stack, spec in value.items()}
        elif isinstance(rule, Sections) and value:
            data[key] = [_section_data(item, show_path) for item in value]
        elif value is None and isinstance(section, StackSpec | Spot | AddedLayer):
            continue  # one of several that exclude each other: keep, file, files; x, y or ra, dec
        else:
            data[key] = written(rule, value, show_path)
    return data


class _Dumper(yaml.SafeDumper):
    """Short lists on one line, groups on many."""

    def represent_list(self, data: Any) -> yaml.SequenceNode:
        short = all(isinstance(item, int | float | str) for item in data)
        return self.represent_sequence("tag:yaml.org,2002:seq", data, flow_style=short or None)


_Dumper.add_representer(list, _Dumper.represent_list)
# quote what either reading of YAML would take for something else than text: `off` as well as `1e-3`
_Dumper.yaml_implicit_resolvers = {
    first: [*yaml.SafeDumper.yaml_implicit_resolvers.get(first, []), *_Loader.yaml_implicit_resolvers.get(first, [])]
    for first in {*yaml.SafeDumper.yaml_implicit_resolvers, *_Loader.yaml_implicit_resolvers}
}


def dump_recipe(recipe: Recipe, folder: str | Path | None = None) -> str:
    """The complete recipe as YAML text, which loads back to the same recipe; ``folder`` is where the text will be written."""
    return yaml.dump(recipe_data(recipe, folder), Dumper=_Dumper, sort_keys=False, allow_unicode=True, width=1000, default_flow_style=False)
