"""The graph of a recipe: what depends on what, seen through the keys. No pixel is worked on here."""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from layerblend.engine.runner import Runner
from layerblend.engine.store import Store
from layerblend.files.frames import open_frame
from layerblend.files.pictures import write_frame
from layerblend.plan import STEPS, Sources, build_graph, names_of, step_node
from layerblend.recipe.load import recipe_from
from layerblend.recipe.schema import Recipe, settings
from layerblend.runs import find_sources

SMALL: dict[str, Any] = {"target": "Lantern Spiral", "frames": {"folder": "frames"}}


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six tiny frames, old enough that their contents are remembered, and files that recipes may name."""
    home = tmp_path_factory.mktemp("plan")
    rng = np.random.default_rng(5)
    for index in range(6):
        path = home / "frames" / f"L_{index}.fits"
        write_frame(path, rng.integers(0, 60000, (3, 8, 12), np.uint16), cards=[("EXPTIME", 60.0, "")])
        _age(path)
    (home / "measures.csv").write_text("file,fwhm_major\nL_1.fits,2.5\n", encoding="utf-8")
    return home


def _age(path: Path) -> None:
    when = time.time() - 3600
    os.utime(path, (when, when))


def runner(recipe: Recipe, home: Path) -> Runner:
    sources = find_sources(recipe, [])
    return Runner(build_graph(recipe, sources, lambda **_: None), Store(home / ".layerblend"))


def keys(home: Path, *nodes: str, changes: dict[str, Any] | None = None, data: dict[str, Any] | None = None) -> tuple[str, ...]:
    made = runner(recipe_from(data or SMALL, base=home, changes=changes), home)
    return tuple(made.key(node) for node in nodes)


# for every key of the recipe a value other than its default
CHANGES: dict[str, Any] = {
    "frames.pattern": "L_[0-4].fits",
    "frames.rank_by": "eccentricity",
    "frames.measurements": "measures.csv",
    "frames.exclude.max_eccentricity": 0.6,
    "frames.exclude.min_stars": 0.3,
    "frames.exclude.max_fwhm": 5,
    "frames.exclude.min_transparency": 0.5,
    "frames.exclude.max_sky": 0.4,
    "frames.exclude.files": ["L_3.fits"],
    "frames.white_level": 65000,
    "frames.align": "off",
    "stacks.all.keep": 0.9,
    "stacks.deep.weights": "equal",
    "stacks.deep.power": 4,
    "stacking.level_sky": "offset",
    "stacking.match_brightness": False,
    "stacking.reject": 2.5,
    "flatten.protect": [{"x": 3, "y": 3, "radius": 2}],
    "flatten.frame_filling": "yes",
    "flatten.mode": "off",
    "white.from": "sky",
    "split.grow": 1.2,
    "split.keep_knots": False,
    "split.fill_hot": False,
    "split.keep": [[3, 4]],
    "split.remove": [[5, 4]],
    "display.sky": 0.15,
    "display.bright": 0.6,
    "display.black": 8,
    "roles.stars.stack": "best50",
    "roles.stars.saturation": 1,
    "roles.stars.repair_cores": False,
    "roles.stars.size": 0.9,
    "roles.detail.stack": "best75",
    "roles.detail.deconvolve": 0.4,
    "roles.detail.grain": 0.4,
    "roles.detail.sharpen": [1],
    "roles.detail.core": 0,
    "roles.colour.stack": "best75",
    "roles.colour.denoise": 0.5,
    "roles.colour.saturation": 1,
    "roles.colour.green_ceiling": True,
    "combine.space": "cielab",
    "combine.amount": 0.5,
    "combine.chroma": "keep",
    "blend.mode": "lighten",
    "blend.amount": 0.5,
    "blend.gate": 0,
}
# a name, places, and what is not in this version
NO_PIXELS = {"target", "frames.folder", "compare.against", "output.folder", "output.formats", "output.crop"}
NOT_YET = {"stacks.NAME.kind", "stacks.NAME.psf", "stacks.NAME.nodes"}
OTHER_FORMS = {"stacks.NAME.file", "stacks.NAME.files"}


def test_no_setting_is_forgotten_here() -> None:
    rows = {row.key for row in settings() if "[]" not in row.key and not row.key.startswith(("roles.add", "stacks.NAME.files."))}
    named = {key.replace(".all.", ".NAME.").replace(".deep.", ".NAME.") for key in CHANGES}
    assert named | NO_PIXELS | NOT_YET | OTHER_FORMS == rows


@pytest.mark.parametrize("key", CHANGES)
def test_every_key_that_can_change_the_picture_changes_the_key_of_the_result(home: Path, key: str) -> None:
    assert keys(home, "result", changes={key: CHANGES[key]}) != keys(home, "result")


@pytest.mark.parametrize(
    "key, value",
    [("target", "Other"), ("output.folder", "x"), ("output.formats", ["png"]), ("output.crop", "common"), ("compare.against", "x")],
)
def test_names_and_places_leave_the_key_alone(home: Path, key: str, value: Any) -> None:
    assert keys(home, "result", changes={key: value}) == keys(home, "result")


@pytest.mark.parametrize(
    "key, stays",
    [
        ("roles.detail.stack", ("stacks", "sky/all", "white", "split/all", "split/best25", "curve", "starlight")),
        ("roles.stars.stack", ("stacks", "split/all", "split/deep", "detail", "colour", "curve", "base")),
        ("roles.detail.grain", ("colour", "curve", "starlight")),
        ("roles.detail.core", ("detail", "colour", "curve", "starlight", "lit")),
        ("combine.amount", ("detail", "colour", "curve", "starlight", "lit")),
        ("roles.colour.denoise", ("detail", "curve", "starlight")),
        ("display.sky", ("detail", "colour", "split/all")),
        ("split.grow", ("sky/all", "white", "psf/all")),
        ("white.from", ("stacks", "sky/all")),
        ("flatten.mode", ("stacks",)),
        ("blend.mode", ("base", "starlight")),
        ("stacking.reject", ("table",)),
    ],
)
def test_a_change_touches_only_what_hangs_on_it(home: Path, key: str, stays: tuple[str, ...]) -> None:
    assert keys(home, *stays, changes={key: CHANGES[key]}) == keys(home, *stays)


def test_one_stack_tells_for_all_what_is_a_star(home: Path) -> None:
    recipe = recipe_from(SMALL, base=home)
    graph = build_graph(recipe, find_sources(recipe, []), lambda **_: None)
    judged = {name: "split/all" in graph[f"split/{name}"].needs for name in ("all", "deep", "best25")}
    assert judged == {"all": False, "deep": True, "best25": True}


def test_the_detail_is_sharpened_as_far_as_the_colour_stack_would_be(home: Path) -> None:
    recipe = recipe_from(SMALL, base=home)
    graph = build_graph(recipe, find_sources(recipe, []), lambda **_: None)
    assert graph["detail"].needs[:3] == ("split/deep", "psf/deep", "psf/all")


def test_a_moved_folder_of_frames_keeps_the_key(home: Path, tmp_path: Path) -> None:
    moved = tmp_path / "moved frames"
    moved.mkdir()
    for path in (home / "frames").glob("*.fits"):
        (moved / path.name).write_bytes(path.read_bytes())
    assert keys(home, "result", changes={"frames.folder": str(moved)}) == keys(home, "result")


def test_names_of_frames_count_because_ties_go_by_them(home: Path, tmp_path: Path) -> None:
    other = tmp_path / "frames"
    other.mkdir()
    for path in (home / "frames").glob("*.fits"):
        (other / path.name.replace("L_", "M_")).write_bytes(path.read_bytes())
    assert keys(home, "table", changes={"frames.folder": str(other)}) != keys(home, "table")


def test_a_changed_pixel_changes_the_key_of_one_grade(home: Path, tmp_path: Path) -> None:
    other = tmp_path / "frames"
    other.mkdir()
    for path in (home / "frames").glob("*.fits"):
        (other / path.name).write_bytes(path.read_bytes())
    data = bytearray((other / "L_2.fits").read_bytes())
    data[2880 + 7] ^= 1
    (other / "L_2.fits").write_bytes(data)
    grades = [f"grade/{index:04d}" for index in range(6)]
    before, after = keys(home, *grades), keys(home, *grades, changes={"frames.folder": str(other)})
    assert [a == b for a, b in zip(before, after, strict=True)] == [True, True, False, True, True, True]


def test_every_step_leads_to_a_node(home: Path) -> None:
    recipe = recipe_from(SMALL, base=home)
    names = [node.name for node in runner(recipe, home).graph]
    for step in STEPS:
        assert step_node(recipe, step, names) in names


def test_one_sky_for_stacks_of_the_frames_and_its_own_for_a_finished_one(home: Path) -> None:
    stacks = {"best25": "25%", "all": 1, "lum": {"file": "lum.fits"}}
    recipe = recipe_from({**SMALL, "stacks": stacks, "roles": {"detail": {"stack": "lum"}}}, base=home)
    names = names_of(recipe)
    assert names.sky_of == {"best25": "all", "all": "all", "lum": "lum"}
    assert (names.stars, names.detail, names.colour, names.plain) == ("best25", "lum", "all", "all")
    sources = Sources(named={path.name: open_frame(path) for path in sorted((home / "frames").glob("*.fits"))})
    graph = build_graph(recipe, sources, lambda **_: None)
    assert graph["brightness/lum"].needs and not graph["brightness/best25"].needs
    assert "sky/best25" not in [node.name for node in graph]


@pytest.mark.parametrize("source", [{"stack": "best50"}, {"file": "narrow.fits"}])
def test_a_second_filter_changes_the_picture_and_nothing_before_it(home: Path, source: dict[str, str]) -> None:
    (home / "narrow.fits").write_bytes(next((home / "frames").glob("*.fits")).read_bytes())
    _age(home / "narrow.fits")

    def with_added(*nodes: str, **more: Any) -> tuple[str, ...]:
        return keys(home, *nodes, data={**SMALL, "roles": {"add": {**source, **more}}})

    before = ("stacks", "sky/all", "white", "detail", "colour", "curve", "starlight")
    assert with_added(*before) == keys(home, *before)
    results = [keys(home, "result"), with_added("result"), with_added("result", hue=350), with_added("result", amount=0.5)]
    assert len(set(results)) == len(results)
    assert with_added("added", hue=350) == with_added("added", amount=0.5)
    assert with_added("result", amount=0) == keys(home, "result")


def test_finished_stacks_alone_need_no_frames(home: Path) -> None:
    recipe = recipe_from({"target": "x", "stacks": {"sharp": {"file": "s.fits"}, "deep": {"file": "d.fits"}}}, base=home)
    names = [node.name for node in build_graph(recipe, Sources(), lambda **_: None)]
    assert "stacks" not in names and "table" not in names and "result" in names
    assert step_node(recipe, "grade", names) == "stack/deep"
