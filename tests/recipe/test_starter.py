"""The starter recipe runs as it stands and, with every comment taken away, still says the defaults."""

import re
from pathlib import Path, PurePosixPath, PureWindowsPath

import pytest

from layerblend.recipe.load import load_recipe, recipe_from
from layerblend.recipe.schema import settings
from layerblend.recipe.starter import full_recipe, sort_out, starter_recipe


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


def test_names_set_aside_are_quoted(tmp_path: Path) -> None:
    aside = ["stack #2.fits", "all, deep.fits", "it's all: [1].fits", "on", "plain_all.fits"]
    text = starter_recipe("x", folder=tmp_path / "frames", aside=aside, home=tmp_path)
    assert load_recipe(write(tmp_path, text)).frames.exclude.files == tuple(aside)


def test_starter_shows_every_setting(tmp_path: Path) -> None:
    text = starter_recipe("x", folder="frames")
    for row in settings():
        if "[]" not in row.key and "file" not in row.key and not row.key.startswith("roles.add."):
            assert re.search(rf"\b{row.key.rsplit('.', 1)[-1]}:", text), row.key


def test_uncommented_starter_says_the_defaults(tmp_path: Path) -> None:
    text = starter_recipe("x", folder=tmp_path / "frames", home=tmp_path)
    # a comment that begins with `key: value` is a default; all others are prose
    bare = re.sub(r"(?m)^(\s*)# (?=[a-z_]+: *\S)", r"\1", text)
    assert bare.count("#") < text.count("#")
    assert loaded(tmp_path, bare) == recipe_from({"target": "x", "frames": {"folder": "frames"}}, base=tmp_path)


def test_the_example_of_stacks_in_the_starter_can_be_used(tmp_path: Path) -> None:
    text = starter_recipe("x", folder=tmp_path / "frames", home=tmp_path)
    start = text.index("# stacks:")
    end = text.index("\n\n", start)
    used = text[:start] + re.sub(r"(?m)^# ", "", text[start:end]) + text[end:]
    recipe = load_recipe(write(tmp_path, used))
    assert {name: spec.keep for name, spec in recipe.stacks.items()} == {"best25": 0.25, "best40": 0.4}


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
    assert list(found.stacks) == ["best25", "all_2", "mine", "all", "deep"]
    assert set(found.stacks["mine"]) == {"r", "g", "b"}  # type: ignore[arg-type]
    assert not found.frames


def test_a_target_may_be_called_as_a_stack() -> None:
    names = [f"deep_sky_{n:03}.fits" for n in range(13)]
    found = sort_out(map(Path, [*names, "all.tif"]))
    assert ([path.name for path in found.frames], list(found.stacks)) == (names, ["all"])
    assert len(sort_out(map(Path, names[:12])).stacks) == 12


def test_names_sort_alike_on_every_system() -> None:
    names = ("L_0001.fits", "a.fits", "all.fits", "B_all.fits", "b.fits")
    for system in (PurePosixPath, PureWindowsPath):
        found = sort_out(map(system, names))  # type: ignore[arg-type]
        assert [path.name for path in found.frames] == ["L_0001.fits", "a.fits", "b.fits"]
        assert {name: path.name for name, path in found.stacks.items()} == {"all": "B_all.fits", "all_2": "all.fits"}  # type: ignore[union-attr]


def test_whatever_is_read_as_fits_is_found_packed_or_not() -> None:
    names = [f"L_{n}.{end}{packed}" for n, end in enumerate(("fits", "FIT", "fts")) for packed in ("", ".gz", ".fz", ".BZ2")]
    assert [path.name for path in sort_out(map(Path, names)).frames] == sorted(names)
    assert set(sort_out([Path("night one_all.fits.bz2"), Path("best25.FIT.fz")]).stacks) == {"all", "best25"}


def test_three_files_of_one_name_are_a_stack_where_nothing_else_lies() -> None:
    found = sort_out(Path(f"Nebula deep field_{c}.fits") for c in "RGB")
    assert not found.frames and set(found.stacks["deep"]) == {"r", "g", "b"}  # type: ignore[arg-type]
    assert set(sort_out(Path(f"field {c}.fit") for c in ("red", "green", "blue")).stacks) == {"field"}
    # beside frames, or in numbers, they are frames themselves
    assert len(sort_out(Path(n) for n in ("a_r.fits", "a_g.fits", "a_b.fits", "light_1.fits")).frames) == 4
    assert len(sort_out(Path(f"light_{n}_{c}.fits") for n in range(4) for c in "rgb").frames) == 12


RECIPES = Path(__file__).resolve().parents[2] / "recipes"


@pytest.mark.parametrize("path", sorted(RECIPES.glob("*.yaml")), ids=lambda path: path.name)
def test_example_recipes_load(path: Path) -> None:
    assert load_recipe(path).target == "Lantern Spiral"


def test_full_example_is_what_the_schema_says() -> None:
    text = (RECIPES / "lantern_spiral_full.yaml").read_text(encoding="utf-8")
    assert text == full_recipe("Lantern Spiral", "frames")
    assert load_recipe(RECIPES / "lantern_spiral_full.yaml") == load_recipe(RECIPES / "lantern_spiral_minimal.yaml")
