"""The settings: defaults and ranges as published, relations between keys, the table and the JSON Schema made from them."""

import copy
import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from layerblend.errors import RecipeError
from layerblend.recipe.load import apply_changes, recipe_data, recipe_from
from layerblend.recipe.schema import (
    Execution,
    Recipe,
    file_name,
    json_schema,
    parse_bytes,
    settings,
    sharpness_order,
)
from tests.conftest import identity_changes

SMALL: dict[str, Any] = {"target": "Lantern Spiral", "frames": {"folder": "frames"}}


def recipe(**groups: Any) -> Recipe:
    return recipe_from({**SMALL, **groups}, base="/sky")


def faults(**groups: Any) -> list[str]:
    with pytest.raises(RecipeError) as caught:
        recipe(**groups)
    return list(caught.value.faults)


# the published defaults; a change here is a change of what old recipes give
DEFAULTS = {
    "frames.pattern": "auto",
    "frames.rank_by": "fwhm_major",
    "frames.measurements": "none",
    "frames.exclude.max_eccentricity": 0.75,
    "frames.exclude.min_stars": 0.4,
    "frames.exclude.max_fwhm": "none",
    "frames.exclude.min_transparency": "none",
    "frames.exclude.max_sky": "none",
    "frames.exclude.files": "none",
    "frames.white_level": "auto",
    "frames.align": "check",
    "stacks.NAME.weights": "noise",
    "stacks.NAME.power": 2,
    "stacks.NAME.kind": "mean",
    "stacks.NAME.psf": "native",
    "stacks.NAME.nodes": 5,
    "stacking.level_sky": "plane",
    "stacking.match_brightness": True,
    "stacking.reject": 3,
    "flatten.protect": "none",
    "flatten.frame_filling": "auto",
    "flatten.mode": "subtract",
    "white.from": "stars",
    "split.grow": 1,
    "split.keep_knots": True,
    "split.fill_hot": True,
    "split.keep": "none",
    "split.remove": "none",
    "display.sky": 0.12,
    "display.bright": 0.7,
    "display.black": 10,
    "roles.stars.stack": "best25",
    "roles.stars.saturation": 1.2,
    "roles.stars.repair_cores": True,
    "roles.stars.size": 1,
    "roles.detail.stack": "deep",
    "roles.detail.deconvolve": 0.5,
    "roles.detail.grain": 0.5,
    "roles.detail.sharpen": [1, 1.12, 1.08, 1.03],
    "roles.detail.core": 0.3,
    "roles.colour.stack": "all",
    "roles.colour.denoise": 1,
    "roles.colour.saturation": 1.2,
    "roles.colour.green_ceiling": False,
    "roles.add": "none",
    "combine.space": "oklab",
    "combine.amount": 1,
    "combine.chroma": "follow",
    "blend.mode": "screen",
    "blend.amount": 1,
    "blend.gate": 3,
    "compare.against": "plain",
    "output.folder": "auto",
    "output.formats": ["tiff", "png", "fits", "jpeg"],
    "output.crop": "none",
}
IDENTITY = {
    "stacks.NAME.keep": 1,
    "flatten.mode": "off",
    "white.from": [1, 1, 1],
    "roles.stars.saturation": 1,
    "roles.stars.repair_cores": False,
    "roles.stars.size": 1,
    "roles.detail.deconvolve": 0,
    "roles.detail.grain": 1,
    "roles.detail.sharpen": [1],
    "roles.detail.core": 0,
    "roles.colour.denoise": 0,
    "roles.colour.saturation": 1,
    "roles.colour.green_ceiling": False,
    "combine.amount": 0,
    "blend.gate": 0,
}
# (key, values at and inside the bounds, values outside)
RANGES: list[tuple[str, list[Any], list[Any]]] = [
    ("stacks.mine.keep", [1, 0.001, "25%"], [0, 1.01, "0%", "101%", True, "quarter"]),
    ("stacks.mine.weights", ["equal", "noise", "sharpness"], ["none", 1]),
    ("stacks.mine.power", [0, 7], [-0.1, 7.1]),
    ("stacks.mine.nodes", [5, 11], [7]),
    ("frames.align", ["check", "off"], ["yes", False]),
    ("frames.white_level", ["auto", 65535], [0, -1, True]),
    ("stacking.level_sky", ["offset", "plane"], ["off", "planes"]),
    ("stacking.match_brightness", [True, False], [1, "yes", "on"]),
    ("stacking.reject", [0, 10], [-1, 11, "nan"]),
    ("flatten.frame_filling", ["auto", "yes", "no"], [True, "maybe"]),
    ("flatten.mode", ["subtract", "divide", "off"], [False, "none"]),
    ("white.from", ["stars", "sky", [1.2, 1, 1.4], "catalogue.csv"], [[1, 1], [1, 2, 1], [0, 1, 1], 3]),
    ("split.grow", [0.5, 2], [0.49, 2.1]),
    ("split.keep", ["none", [], [[10, 20.5]]], [[10, 20], "all"]),
    ("display.sky", [0.02, 0.4], [0.01, 0.41]),
    ("display.bright", [0.5, 0.9], [0.29, 0.91]),
    ("display.black", [2, 20], [1.9, 21]),
    ("roles.stars.saturation", [0, 3], [-0.1, 3.1]),
    ("roles.stars.size", [0.5, 1], [0.4, 1.1]),
    ("roles.detail.deconvolve", [0, 1], [-0.1, 1.1]),
    ("roles.detail.grain", [0, 1], [-0.1, 1.1]),
    ("roles.detail.sharpen", [[1], [0, 3, 1], 1], [[], [3.1], "strong"]),
    ("roles.detail.core", [0, 1], [2]),
    ("roles.colour.denoise", [0, 1], [1.5]),
    ("roles.colour.saturation", [0, 3], [4]),
    ("roles.colour.green_ceiling", [True, False], [0, "no"]),
    ("combine.space", ["oklab", "cielab"], ["lab"]),
    ("combine.amount", [0, 1], [2]),
    ("combine.chroma", ["follow", "keep"], ["both"]),
    ("blend.mode", ["screen", "soft-light", "lighten", "plus-lighter", "normal"], ["overlay"]),
    ("blend.amount", [0, 1], [2]),
    ("blend.gate", [0, 10], [11]),
    ("output.formats", [["png"], "png", ["tiff", "jpeg"]], [[], ["gif"], "bmp"]),
    ("output.crop", ["none", "common", [0, 0, 10, 20]], [[0, 0, 10], [10, 0, 5, 5], [0, 0, 1.5, 2], "tight"]),
]


def test_defaults_are_the_published_ones() -> None:
    found = {row.key: row.default for row in settings()}
    assert {key: found[key] for key in DEFAULTS} == DEFAULTS


def test_identity_values_are_the_published_ones() -> None:
    found = {row.key: row.identity for row in settings() if row.has_identity}
    assert {key: found[key] for key in IDENTITY} == IDENTITY


@pytest.mark.parametrize(("key", "good", "bad"), RANGES, ids=[key for key, _, _ in RANGES])
def test_ranges(key: str, good: list[Any], bad: list[Any]) -> None:
    base = {**SMALL, "stacks": {"mine": "50%"}}
    for value in good:
        recipe_from(base, changes={key: value})
    for value in bad:
        with pytest.raises(RecipeError) as caught:
            recipe_from(base, changes={key: value})
        assert len(caught.value.faults) == 1, caught.value.faults
        assert caught.value.key is not None
        assert caught.value.key.startswith(key)


def test_every_default_obeys_its_own_rule() -> None:
    for row in settings():
        if (
            "NAME" not in row.key
            and "[]" not in row.key
            and "roles.add." not in row.key
            and not row.required
            and row.key != "frames.folder"
        ):
            assert recipe_from(SMALL, changes={row.key: row.default}) == recipe_from(SMALL), row.key


def test_standard_set_serves_when_stacks_are_left_out() -> None:
    stacks = recipe().stacks
    assert {name: (spec.keep, spec.weights) for name, spec in stacks.items()} == {
        "best25": (0.25, "noise"),
        "best50": (0.5, "noise"),
        "best75": (0.75, "noise"),
        "all": (1.0, "noise"),
        "deep": (1.0, "sharpness"),
    }
    assert recipe(stacks=None).stacks == stacks


def test_given_stacks_replace_the_set_and_know_short_forms() -> None:
    given = recipe(stacks={"best25": None, "deep": {"power": 3}, "third": "33%", "half": 0.5}).stacks
    assert {n: (s.keep, s.weights, s.power) for n, s in given.items()} == {
        "best25": (0.25, "noise", 2.0),
        "deep": (1.0, "sharpness", 3.0),
        "third": (0.33, "noise", 2.0),
        "half": (0.5, "noise", 2.0),
    }


def test_absent_default_stacks_give_way_to_present_ones() -> None:
    roles = recipe(stacks={"all": None, "best40": "40%", "best10": "10%"}).roles
    assert (roles.stars.stack, roles.detail.stack, roles.colour.stack) == ("best10", "best40", "all")
    files = {"target": "x", "stacks": {"sharp": {"file": "a.fits"}, "full": {"file": "b.fits"}}}
    roles = recipe_from(files).roles
    assert (roles.stars.stack, roles.detail.stack, roles.colour.stack) == ("sharp", "sharp", "full")


def test_order_and_deepest() -> None:
    standard = recipe()
    assert standard.order == ("best25", "best50", "best75", "deep", "all")
    assert (standard.sharpest, standard.deepest) == ("best25", "all")
    assert recipe(stacks={"deep": None, "best50": None}).deepest == "deep"
    assert sharpness_order(recipe(stacks={"b": 0.9, "a": 0.1}).stacks) == ("a", "b")


@pytest.mark.parametrize(
    ("groups", "words"),
    [
        ({"stacks": {"one": {}}}, "needs keep"),
        ({"stacks": {"one": {"keep": 1, "file": "x.fits"}}}, "cannot stand beside keep"),
        ({"stacks": {"one": {"file": "x.fits", "files": {"r": "r", "g": "g", "b": "b"}}}}, "cannot stand beside file"),
        ({"stacks": {"one": {"files": {"r": "r", "g": "g"}}}}, "stacks.one.files.b  is required"),
        ({"stacks": {"a b": 0.5}}, "letters, digits"),
        ({"stacks": {"con": 0.5}}, "file can bear"),
        ({"stacks": {"Half": 0.5, "half": 0.4}}, "capitals alone"),
        ({"stacks": {"one": {"keep": 1, "kind": "optimal"}}}, "not yet in this version"),
        ({"stacks": {"one": {"keep": 1, "psf": "2.8px"}}}, "needs kind: optimal"),
        ({"stacks": {"one": {"keep": 1, "psf": "onee"}}}, r"names no stack, got 'onee'  (nearest: one)"),
        ({"frames": {"folder": "frames", "align": "fix"}}, "not yet in this version"),
        ({"frames": {}}, "frames.folder  is required"),
        ({"frames": {"folder": "frames", "rank_by": "fwmh"}}, "nearest: fwhm"),
        ({"roles": {"add": {"hue": 350, "amount": 0.5}}}, "needs either stack or file"),
        ({"roles": {"add": {"stack": "al", "hue": 350}}}, "names no stack, got 'al'  (nearest: all)"),
        ({"roles": {"stars": {"stack": "best52"}}}, "names no stack, got 'best52'"),
        ({"display": {"sky": 0.4, "bright": 0.3}}, "must be above display.sky"),
        ({"flatten": {"protect": [{"x": 1, "y": 2}]}}, "needs radius, or a and b"),
        ({"flatten": {"protect": [{"x": 1, "radius": 3}]}}, "needs x and y, or ra and dec"),
        ({"flatten": {"protect": [{"x": 1, "y": 2, "ra": 3, "dec": 4, "radius": 3}]}}, "needs x and y, or ra and dec"),
        ({"output": {"folder": "frames"}}, "must not be the frames' own folder"),
    ],
)
def test_relations(groups: dict[str, Any], words: str) -> None:
    found = faults(**groups)
    assert any(words in line for line in found), found


def test_a_column_of_own_measurements_may_rank() -> None:
    made = recipe(frames={"folder": "frames", "rank_by": "-beauty", "measurements": "mine.csv"})
    assert made.frames.rank_by == "-beauty"


def test_protect_takes_pixels_and_sky_positions() -> None:
    spots = recipe(
        flatten={"protect": [{"x": 1, "y": 2, "a": 9, "b": 4, "angle": 30}, {"ra": "12:00:00", "dec": "-10:30:00", "radius": 5}]}
    )
    one, two = spots.flatten.protect
    assert (one.x, one.a, one.angle) == (1.0, 9.0, 30.0)
    assert (two.ra, two.dec, two.radius) == (180.0, -10.5, 5.0)


def test_output_folder_follows_the_target() -> None:
    assert recipe().output.folder == Path("/sky/out/Lantern_Spiral").absolute()
    assert file_name("Größe / 7:★") == "Größe_7"
    assert file_name("nul") == "nul_"
    assert file_name("★") == "result"


def test_recipes_are_frozen_and_compare_by_value() -> None:
    one = recipe()
    with pytest.raises(ValueError, match="frozen"):
        one.blend.gate = 1.0  # type: ignore[misc]
    assert one == recipe()
    assert one != recipe(blend={"gate": 1})


def test_identity_changes_give_a_recipe_whose_roles_all_come_from_one_stack() -> None:
    plain = recipe_from(SMALL, changes=identity_changes())
    assert {part.stack for part in (plain.roles.stars, plain.roles.detail, plain.roles.colour)} == {"all"}
    assert plain.combine.amount == plain.blend.gate == plain.roles.detail.deconvolve == plain.roles.detail.core == 0
    assert plain.flatten == recipe().flatten  # the sky is the plain result's too
    assert not plain.roles.stars.repair_cores


def test_every_setting_has_help_and_speaks_of_one_key() -> None:
    rows = list(settings())
    assert len({row.key for row in rows}) == len(rows)
    assert all(row.help and row.help[0] == row.help[0].lower() and not row.help.endswith(".") for row in rows)


def test_json_schema_is_plain_json_and_closed() -> None:
    schema = json_schema()
    json.dumps(schema, allow_nan=False)
    assert schema["additionalProperties"] is False
    assert schema["required"] == ["target"]
    assert schema["properties"]["white"]["properties"]["from"]["default"] == "stars"
    roles = schema["properties"]["roles"]["properties"]
    assert roles["detail"]["properties"]["grain"] | {"description": ""} == {
        "type": "number", "minimum": 0, "maximum": 1, "default": 0.5, "description": "",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("text", "size"), [("6GB", 6 * 10**9), ("512 MiB", 512 * 2**20), ("1.5gb", 1_500_000_000), ("1000000", 10**6), (".5TB", 5 * 10**11)]
)
def test_memory_sizes(text: str, size: int) -> None:
    assert parse_bytes(text) == size
    assert Execution.from_options(memory=text).memory == size


@pytest.mark.parametrize("text", ["six GB", "6 gigs", "0GB", "-1GB", "", "6", "900kB"])
def test_memory_sizes_that_are_none_or_lack_their_unit(text: str) -> None:
    with pytest.raises(RecipeError, match="6GB"):
        parse_bytes(text)


def test_execution_wants_a_worker() -> None:
    with pytest.raises(RecipeError, match="1 or more"):
        Execution.from_options(workers=0)


def test_checking_a_recipe_imports_no_numerics() -> None:
    code = (
        "import sys, layerblend.recipe.load as l, layerblend.recipe.starter; "
        "l.recipe_from({'target': 'x', 'frames': {'folder': 'f'}}); "
        "bad = {'numpy', 'scipy', 'astropy', 'cv2', 'numba', 'matplotlib'} & set(sys.modules); sys.exit(str(bad) if bad else 0)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def valid(value: Any, schema: Any) -> bool:
    """A value against the part of JSON Schema (draft 2020-12) that the recipe's schema uses."""
    if "anyOf" in schema and not any(valid(value, form) for form in schema["anyOf"]):
        return False
    if "enum" in schema and not any(value == item and type(value) is type(item) for item in schema["enum"]):
        return False
    kinds = {"object": dict, "array": list, "string": str, "number": int | float, "integer": int, "boolean": bool, "null": type(None)}
    wanted = schema.get("type", [])
    for kind in [wanted] if isinstance(wanted, str) else wanted:
        if isinstance(value, kinds[kind]) and (kind == "boolean" or not isinstance(value, bool)):
            break
    else:
        if wanted:
            return False
    if isinstance(value, dict):
        own, others = schema.get("properties", {}), schema.get("additionalProperties", True)
        inner = all(
            valid(item, own[key]) if key in own else valid(item, others) if isinstance(others, dict) else others
            for key, item in value.items()
        )
        return inner and set(schema.get("required", ())) <= set(value)
    if isinstance(value, list):
        enough = schema.get("minItems", 0) <= len(value) <= schema.get("maxItems", len(value))
        return enough and all(valid(item, schema.get("items", {})) for item in value)
    if isinstance(value, str):
        return re.search(schema.get("pattern", ""), value) is not None and len(value) >= schema.get("minLength", 0)
    if isinstance(value, int | float) and not isinstance(value, bool):
        low, high, above = schema.get("minimum", value), schema.get("maximum", value), schema.get("exclusiveMinimum", value - 1)
        return bool(low <= value <= high and value > above)
    return True


@pytest.mark.parametrize(("key", "good", "bad"), RANGES, ids=[key for key, _, _ in RANGES])
def test_json_schema_says_what_the_checks_say(key: str, good: list[Any], bad: list[Any]) -> None:
    schema = json_schema()

    def whole(value: Any) -> dict[str, Any]:
        data: dict[str, Any] = {**copy.deepcopy(SMALL), "stacks": {"mine": {"keep": 0.5}}, "roles": {}}
        apply_changes(data, {key: value})
        return data

    assert all(valid(whole(value), schema) for value in good)
    # a schema cannot say that x0 < x1, that the middle factor is 1, or which texts are shares
    beyond = {"output.crop": [[10, 0, 5, 5]], "white.from": [[1, 2, 1]], "stacks.mine.keep": ["0%", "101%"]}
    assert not any(valid(whole(value), schema) for value in bad if value not in beyond.get(key, []))


def test_json_schema_takes_whole_recipes() -> None:
    schema = json_schema()
    assert valid(recipe_data(recipe()), schema)
    assert valid(SMALL, schema)
    assert valid({"target": "x", "stacks": {"best25": None, "a": "25%", "b": 0.5, "c": {"files": {"r": "r", "g": "g", "b": "b"}}}}, schema)
    assert not valid({"target": "x", "stacks": {"c": {"files": {"r": "r", "g": "g"}}}}, schema)
    assert not valid({**SMALL, "blnd": {}}, schema)
    assert not valid({"frames": {"folder": "f"}}, schema)
