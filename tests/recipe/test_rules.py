"""Each kind of value: what it takes, what it refuses, and the words of the refusal."""

import math
from pathlib import Path
from typing import Any

import pytest

from layerblend.recipe.rules import Angle, Choice, Either, ListOf, Maybe, Number, Place, RuleError, Switch, Text

BASE = Path("/home/imager/lantern")


@pytest.mark.parametrize(
    ("rule", "value", "expected"),
    [
        (Number(0, 1), 1, 1.0),
        (Number(0, 1), 1e-3, 0.001),
        (Number(0, 1, percent=True), "25%", 0.25),
        (Number(0, 1, percent=True), " 12.5 % ", 0.125),
        (Number(0, whole=True), 4.0, 4),
        (Angle(0, 360, hours=True), "12:30:00", 187.5),
        (Angle(0, 360, hours=True), "01h 02m 03.6s", 15.515),
        (Angle(-90, 90), "-00:30:00", -0.5),
        (Angle(-90, 90), -1.25, -1.25),
        (Switch(), False, False),
        (Choice((5, 11)), 11.0, 11),
        (Choice(("auto", "no")), "no", "no"),
        (Text(), " Lantern Spiral ", "Lantern Spiral"),
        (Place(), "frames", BASE / "frames"),
        (Place(), "../other/x.csv", Path("/home/imager/other/x.csv")),
        (Place(), "Größe – Ziel 7 ★", BASE / "Größe – Ziel 7 ★"),
        (ListOf(Number(0, 3)), [1, 2], (1.0, 2.0)),
        (ListOf(Number(0, 3), alone=True, times=4), 1, (1.0, 1.0, 1.0, 1.0)),
        (Maybe(Number(0), "auto"), "auto", None),
        (Maybe(Number(0)), None, None),
        (Maybe(ListOf(Text()), empty=()), "none", ()),
        (Either("a or a path", (Choice(("a",)), Place())), "b", BASE / "b"),
    ],
)
def test_reads(rule: Any, value: Any, expected: Any) -> None:
    result = rule.read(value, BASE)
    assert result == pytest.approx(expected) if isinstance(expected, float) else result == expected
    assert type(result) is type(expected) or isinstance(expected, Path)


@pytest.mark.parametrize(
    ("rule", "value", "words"),
    [
        (Number(0, 1), True, r"must lie in \[0, 1\]"),
        (Number(0, 1), "0.5", r"must lie in \[0, 1\]"),
        (Number(0, 1), math.nan, r"must lie in \[0, 1\]"),
        (Number(), math.inf, "must be a finite number"),
        (Number(0, 1, open_low=True), 0, r"must lie in \(0, 1\]"),
        (Number(0, 1, percent=True), "125%", "share such as 25%"),
        (Number(0, whole=True), 4.5, "whole number"),
        (Angle(0, 360, hours=True), "12:61:00", "hours"),
        (Switch(), 1, "true or false"),
        (Switch(), "yes", "true or false"),
        (Choice(("auto", "yes")), True, "must be one of auto, yes"),
        (Text(), True, "put quotes around it"),
        (Text(), 31, "put quotes around it"),
        (Text(), "  ", "must be text"),
        (Text(), "a\nb", "on one line"),
        (Place(), "C:\night\frames", "single quotes"),
        (Place(), 3, "must be a path"),
        (ListOf(Number(0, 3), "three gains", 3, 3), [1, 2], "must be three gains"),
        (ListOf(Number(0, 3)), [1, 7], r"item 2 must lie in \[0, 3\]"),
        (ListOf(Number(0, 3)), 1, "must be a list"),
        (Maybe(Number(0, 1)), 2, "or none"),
        (Either("stars or [r, 1, b]", (Choice(("stars",)), ListOf(Number(0, 9), "three factors", 3, 3))), [1, 2], "three factors"),
        (Either("stars or [r, 1, b]", (Choice(("stars",)), ListOf(Number(0, 9), "three factors", 3, 3))), "star", r"must be stars or \[r"),
    ],
)
def test_refuses_in_words(rule: Any, value: Any, words: str) -> None:
    with pytest.raises(RuleError, match=words):
        rule.read(value, BASE)


def test_home_folder_is_expanded() -> None:
    assert Place().read("~/frames", BASE) == Path.home() / "frames"


@pytest.mark.parametrize("rule", [Number(0, 1), Angle(0, 360), Switch(), Choice(("a", "b")), Text("x"), Place(), ListOf(Number(0, 1))])
def test_every_rule_has_words_and_a_json_schema(rule: Any) -> None:
    assert rule.kind
    assert isinstance(rule.span, str)
    assert set(rule.schema()) & {"type", "enum", "anyOf"}
