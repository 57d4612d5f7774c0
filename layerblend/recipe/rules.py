"""Kinds of value a recipe may hold: each reads what YAML gave, says its rule in words, and knows its JSON Schema."""

from __future__ import annotations

import math
import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

_CONTROL = re.compile(r"[\x00-\x1f\x7f]")
_PERCENT = re.compile(r"([0-9]+(?:\.[0-9]*)?|\.[0-9]+)\s*%")
_SEXAGESIMAL = re.compile(r"([+-]?)(\d{1,3})[:hd°\s]\s*(\d{1,2})[:m'′\s]\s*(\d{1,2}(?:\.\d*)?)\s*[s\"″]?")
_MANY = 10_000


class RuleError(ValueError):
    """A value that breaks its rule; the text follows the key in a sentence: 'must lie in [0, 1]'."""


def is_number(value: Any) -> bool:
    """A finite int or float; true and false are no numbers, nor is NaN."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    try:
        return math.isfinite(value)
    except OverflowError:  # an integer beyond every float
        return False


class Rule:
    """One kind of value: ``kind`` names it, ``span`` says what is allowed."""

    @property
    def kind(self) -> str:
        """Short name of the kind for the settings table."""
        raise NotImplementedError

    @property
    def span(self) -> str:
        """What is allowed, in words or as an interval; empty when anything of the kind is."""
        return ""

    def read(self, value: Any, base: Path) -> Any:
        """The value as the program uses it, else RuleError; relative paths start from ``base``."""
        raise NotImplementedError

    def schema(self) -> dict[str, Any]:
        """JSON Schema of the accepted forms."""
        raise NotImplementedError


@dataclass(frozen=True)
class Number(Rule):
    """A number between two bounds; an infinite bound is none. ``percent``: ``25%`` is also read, as .25."""

    low: float = -math.inf
    high: float = math.inf
    open_low: bool = False
    percent: bool = False
    whole: bool = False

    @property
    def kind(self) -> str:
        return "number or share (25%)" if self.percent else "whole number" if self.whole else "number"

    @property
    def span(self) -> str:
        if math.isinf(self.high):
            return "" if math.isinf(self.low) else f"{'>' if self.open_low else '>='} {self.low:g}"
        return f"{'(' if self.open_low else '['}{self.low:g}, {self.high:g}]"

    @property
    def rule(self) -> str:
        """The rule as words behind the key."""
        if not self.span:
            return "must be a finite number"
        if self.whole:
            return f"must be a whole number {self.span}"
        words = f"must be {self.span}" if math.isinf(self.high) else f"must lie in {self.span}"
        return f"{words} or be a share such as 25%" if self.percent else words

    def read(self, value: Any, base: Path) -> float:
        if self.percent and isinstance(value, str) and (match := _PERCENT.fullmatch(value.strip())):
            value = float(match[1]) / 100
        if not is_number(value) or value < self.low or value > self.high or (self.open_low and value == self.low):
            raise RuleError(self.rule)
        if self.whole and value != int(value):
            raise RuleError(self.rule)
        return int(value) if self.whole else float(value)

    def schema(self) -> dict[str, Any]:
        form: dict[str, Any] = {"type": "integer" if self.whole else "number"}
        if math.isfinite(self.low):
            form["exclusiveMinimum" if self.open_low else "minimum"] = self.low
        if math.isfinite(self.high):
            form["maximum"] = self.high
        return {"anyOf": [form, {"type": "string", "pattern": r"^[0-9.]+\s*%$"}]} if self.percent else form


@dataclass(frozen=True)
class Angle(Number):
    """Degrees as a number, or sexagesimal text: ``hours`` reads hh:mm:ss (15 degrees to the hour), otherwise dd:mm:ss."""

    hours: bool = False

    @property
    def rule(self) -> str:
        return f"must be degrees in {self.span} or text such as {'12:34:56.7 (hours)' if self.hours else '+12:34:56'}"

    def read(self, value: Any, base: Path) -> float:
        if isinstance(value, str):
            match = _SEXAGESIMAL.fullmatch(value.strip())
            if not match or int(match[3]) > 59 or float(match[4]) >= 60:
                raise RuleError(self.rule)
            size = int(match[2]) + int(match[3]) / 60 + float(match[4]) / 3600
            value = (-size if match[1] == "-" else size) * (15 if self.hours else 1)
        return super().read(value, base)

    def schema(self) -> dict[str, Any]:
        return {"anyOf": [super().schema(), {"type": "string"}]}


@dataclass(frozen=True)
class Switch(Rule):
    """true or false; 1, 0, yes and no are not taken for them."""

    @property
    def kind(self) -> str:
        return "true or false"

    def read(self, value: Any, base: Path) -> bool:
        if not isinstance(value, bool):
            raise RuleError("must be true or false")
        return value

    def schema(self) -> dict[str, Any]:
        return {"type": "boolean"}


@dataclass(frozen=True)
class Choice(Rule):
    """One of a few words or numbers."""

    names: tuple[Any, ...]

    @property
    def kind(self) -> str:
        return "choice"

    @property
    def span(self) -> str:
        return ", ".join(str(name) for name in self.names)

    def read(self, value: Any, base: Path) -> Any:
        for name in self.names:
            if value == name and not isinstance(value, bool):
                return name
        raise RuleError(f"must be one of {self.span}")

    def schema(self) -> dict[str, Any]:
        return {"enum": list(self.names)}


@dataclass(frozen=True)
class Text(Rule):
    """A name or word on one line; ``pattern`` narrows it and ``rule`` says how."""

    pattern: str = ""
    rule: str = "must be text"
    forms: str = ""

    @property
    def kind(self) -> str:
        return "text"

    @property
    def span(self) -> str:
        return self.forms

    def read(self, value: Any, base: Path) -> str:
        if isinstance(value, bool | int | float):
            raise RuleError(f"{self.rule}; put quotes around it")
        if not isinstance(value, str) or not value.strip():
            raise RuleError(self.rule)
        if _CONTROL.search(value):
            raise RuleError(f"{self.rule} on one line")
        if self.pattern and not re.fullmatch(self.pattern, value.strip()):
            raise RuleError(self.rule)
        return value.strip()

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "minLength": 1} | ({"pattern": f"^(?:{self.pattern})$"} if self.pattern else {})


@dataclass(frozen=True)
class Place(Rule):
    """A path; relative ones start at the recipe's folder, ``~`` is the home folder."""

    @property
    def kind(self) -> str:
        return "path"

    def read(self, value: Any, base: Path) -> Path:
        if isinstance(value, Path):
            value = str(value)
        if not isinstance(value, str) or not value.strip():
            raise RuleError("must be a path")
        if _CONTROL.search(value):
            raise RuleError(
                "must be a path on one line: a backslash in double quotes starts an escape; write a Windows path with / or in single quotes"
            )
        return Path(os.path.normpath(base / Path(value.strip()).expanduser()))

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "minLength": 1}


@dataclass(frozen=True)
class ListOf(Rule):
    """A list of like values. ``alone``: one value may stand without brackets and then serves ``times`` times."""

    item: Rule
    what: str = "a list"
    least: int = 0
    most: int = _MANY
    alone: bool = False
    times: int = 1

    @property
    def kind(self) -> str:
        return f"list of {self.item.kind.split()[0]}s" if isinstance(self.item, Number | Text | Place) else "list"

    @property
    def span(self) -> str:
        return f"{self.what}, each {self.item.span}" if isinstance(self.item, Number) and self.item.span else self.what

    def read(self, value: Any, base: Path) -> tuple[Any, ...]:
        if self.alone and value is not None and not isinstance(value, list | tuple | dict):
            value = [value] * self.times
        if not isinstance(value, list | tuple) or not self.least <= len(value) <= self.most:
            raise RuleError(f"must be {self.span}")
        items: list[Any] = []
        for index, item in enumerate(value, 1):
            try:
                items.append(self.item.read(item, base))
            except RuleError as fault:
                raise RuleError(f"must be {self.what}: item {index} {fault}") from None
        return tuple(items)

    def schema(self) -> dict[str, Any]:
        form: dict[str, Any] = {"type": "array", "items": self.item.schema()}
        if self.least:
            form["minItems"] = self.least
        if self.most < _MANY:
            form["maxItems"] = self.most
        return {"anyOf": [form, self.item.schema()]} if self.alone else form


@dataclass(frozen=True)
class Either(Rule):
    """The first of several rules that takes the value; ``what`` says all of them in words."""

    what: str
    rules: tuple[Rule, ...]

    @property
    def kind(self) -> str:
        return " or ".join(dict.fromkeys(rule.kind for rule in self.rules))

    @property
    def span(self) -> str:
        return self.what

    def read(self, value: Any, base: Path) -> Any:
        for rule in self.rules:
            try:
                return rule.read(value, base)
            except RuleError as fault:
                meant = (isinstance(rule, ListOf) and isinstance(value, list | tuple)) or (
                    isinstance(rule, Place) and isinstance(value, str)
                )
                if meant and value:
                    raise RuleError(str(fault)) from None  # the words of the form that was meant serve best
        raise RuleError(f"must be {self.what}")

    def schema(self) -> dict[str, Any]:
        return {"anyOf": [rule.schema() for rule in self.rules]}


@dataclass(frozen=True)
class Maybe(Rule):
    """A value, or a word for none at all; the word (``none``, ``auto``) and an empty value give ``empty``."""

    rule: Rule
    word: str = "none"
    empty: Any = None

    @property
    def kind(self) -> str:
        return f"{self.rule.kind} or {self.word}"

    @property
    def span(self) -> str:
        return self.rule.span

    def read(self, value: Any, base: Path) -> Any:
        if value is None or value == self.word:
            return self.empty
        try:
            return self.rule.read(value, base)
        except RuleError as fault:
            raise RuleError(f"{fault}, or {self.word}") from None

    def schema(self) -> dict[str, Any]:
        return {"anyOf": [{"enum": [self.word, None]}, self.rule.schema()]}
