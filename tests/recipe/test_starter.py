"""The starter recipe runs as it stands and, with every comment taken away, still says the defaults."""

import re
from pathlib import Path

import pytest

from layerblend.recipe.load import load_recipe, recipe_from
from layerblend.recipe.schema import settings
from layerblend.recipe.starter import sort_out, starter_recipe


def loaded(folder: Path, text: str) -> object:
    path = folder / "r.yaml"
    path.write_text(text, encoding="utf-8")
    return load_recipe(path)


@pytest.mark.parametrize("target", ["Lantern Spiral", "on", "1e-3", "Größe: Ziel #7 ★", "it's", "- x", "null"])
def test_starter_for_frames_loads_with_all_defaults(tmp_path: Path, target: str) -> None:
    text = starter_recipe(target, folder=tmp_path / "frames", frame_count=48, home=tmp_path)
    assert "folder: frames " in text
    assert "48 frames found" in text
    assert loaded(tmp_path, text) == recipe_from({"target": target, "frames": {"folder": "frames"}}, base=tmp_path)


def test_starter_shows_every_setting(tmp_path: Path) -> None:
    text = starter_recipe("x", folder="frames")
    for row in settings():
        if "[]" not in row.key and "file" not in row.key and not row.key.startswith("roles.add."):
            assert re.search(rf"\b{row.key.rsplit('.', 1)[-1]}:", text), row.key


def test_uncommented_starter_says_the_defaults(tmp_path: Path) -> None:
    text = starter_recipe("x", folder="frames", home=tmp_path)
    # a comment that begins with `key:` is a default; all others are prose
    bare = re.sub(r"(?m)^(\s*)# (?=[a-z_]+: *\S)", r"\1", text)
    stacks = {"best25": "25%", "best40": {"keep": 0.4}}  # the example that the starter gives
    bare = bare.replace("stack: deep", "stack: best40").replace("stack: all", "stack: best25")
    roles = {"detail": {"stack": "best40"}, "colour": {"stack": "best25"}}
    recipe = loaded(tmp_path, bare)
    assert recipe == recipe_from({"target": "x", "frames": {"folder": "frames"}, "stacks": stacks, "roles": roles}, base=tmp_path)
    assert bare.count("#") < text.count("#")


def test_starter_for_stacks(tmp_path: Path) -> None:
    files = {"best25": tmp_path / "M best25.tif", "all": {c: tmp_path / f"all_{c}.fits" for c in "rgb"}}
    text = starter_recipe("x", stacks=files, home=tmp_path)
    recipe = load_recipe(write(tmp_path, text))
    assert recipe.stacks["best25"].file == tmp_path / "M best25.tif"
    assert recipe.stacks["all"].files is not None
    assert recipe.stacks["all"].files.g == tmp_path / "all_g.fits"
    assert recipe.frames.folder is None


def write(folder: Path, text: str) -> Path:
    path = folder / "r.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def test_frames_and_stacks_are_told_apart_by_name() -> None:
    found = sort_out(Path(name) for name in ("L_0001.fits", "L_0002.FIT", "field_g.fits.gz", "notes.txt", "spallation.fits"))
    assert [p.name for p in found.frames] == ["L_0001.fits", "L_0002.FIT", "field_g.fits.gz", "spallation.fits"]
    assert not found.stacks
    found = sort_out(
        Path(name) for name in ("t_all.fits", "t_best25.fits", "deep.tif", "mine_r.tif", "mine_g.tif", "mine_b.tif", "all.tif")
    )
    assert list(found.stacks) == ["best25", "mine", "all", "all_2", "deep"] or list(found.stacks) == [
        "best25",
        "all_2",
        "mine",
        "all",
        "deep",
    ]
    assert set(found.stacks["mine"]) == {"r", "g", "b"}  # type: ignore[arg-type]
    assert not found.frames
