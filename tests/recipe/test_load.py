"""Reading recipes: every trouble that YAML is known for, all faults at once with line and nearest key, changes, and the way back."""

import os
import random
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from layerblend.errors import RecipeError
from layerblend.recipe.load import (
    MOST_BYTES,
    apply_changes,
    change_recipe,
    dump_recipe,
    load_recipe,
    parse_changes,
    parse_tries,
    recipe_data,
    recipe_from,
)
from layerblend.recipe.schema import Recipe, settings

HEAD = "target: Lantern Spiral\nframes:\n  folder: frames\n"


def write(folder: Path, text: str | bytes) -> Path:
    path = folder / "lantern.yaml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def faults(path: Path, changes: dict[str, Any] | None = None) -> list[str]:
    with pytest.raises(RecipeError) as caught:
        load_recipe(path, changes)
    assert caught.value.exit_code == 2
    return [line.replace(str(path), "FILE") for line in caught.value.faults]


def test_a_name_and_frames_are_enough(tmp_path: Path) -> None:
    recipe = load_recipe(write(tmp_path, HEAD))
    assert recipe.target == "Lantern Spiral"
    assert recipe.frames.folder == tmp_path / "frames"
    assert recipe.path == tmp_path / "lantern.yaml"
    assert recipe.home == tmp_path


def test_paths_start_at_the_recipe_not_at_the_working_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    inner = tmp_path / "a" / "b"
    inner.mkdir(parents=True)
    write(inner, HEAD + "white: {from: ../cat.csv}\n")
    monkeypatch.chdir(tmp_path)
    recipe = load_recipe("a/b/lantern.yaml")
    assert recipe.frames.folder == inner / "frames"
    assert recipe.white.source == tmp_path / "a" / "cat.csv"


def test_all_faults_at_once_each_with_line_key_rule_value_and_nearest_key(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        HEAD + "stacks:\n  best50: {keep: 1.5}\n  all:\nroles:\n  detail:\n    grian: .5\n    stack: best5\ndisplay:\n  sky: dark\n",
    )
    assert faults(path) == [
        "FILE:5  stacks.best50.keep  must lie in (0, 1] or be a share such as 25%, got 1.5",
        "FILE:9  roles.detail.grian  is no known key  (nearest: roles.detail.grain)",
        "FILE:10  roles.detail.stack  names no stack, got 'best5'  (nearest: best50)",
        "FILE:12  display.sky  must lie in [0.02, 0.4], got 'dark'",
    ]


def test_the_error_carries_the_first_place(tmp_path: Path) -> None:
    path = write(tmp_path, HEAD + "blend:\n  gate: high\n")
    with pytest.raises(RecipeError) as caught:
        load_recipe(path)
    assert (caught.value.file, caught.value.line, caught.value.key) == (str(path), 5, "blend.gate")


# yaml/pyyaml#173: 1e-3 is text in YAML 1.1, a number in YAML 1.2
@pytest.mark.parametrize(("text", "value"), [("1e-1", 0.1), ("1e0", 1.0), (".5", 0.5), ("5.E-1", 0.5), ("+0.25", 0.25), ("1", 1.0)])
def test_numbers_in_every_usual_form(tmp_path: Path, text: str, value: float) -> None:
    assert load_recipe(write(tmp_path, HEAD + f"combine:\n  amount: {text}\n")).combine.amount == value


# drivendataorg/cyfi#64: validation that takes true as 1 and NaN as a number
@pytest.mark.parametrize("text", ["true", ".nan", ".inf", "1e999", "'0.5'", "[0.5]", "0.5.1", "9" * 5000, "~"])
def test_what_is_no_number(tmp_path: Path, text: str) -> None:
    (fault,) = faults(write(tmp_path, HEAD + f"combine:\n  amount: {text}\n"))
    assert fault.startswith("FILE:5  combine.amount  must lie in [0, 1], got ")
    assert len(fault) < 140


# yaml/pyyaml#165: of a repeated key the last wins
def test_repeated_keys_are_errors_with_both_lines(tmp_path: Path) -> None:
    path = write(tmp_path, HEAD + "blend:\n  gate: 1\n  gate: 2\nblend: {mode: screen}\n")
    assert faults(path) == [
        "FILE:6  blend.gate  is given twice (first in line 5)",
        "FILE:7  blend  is given twice (first in line 4)",
    ]


# yaml/pyyaml#613: yes, no, on, off become true and false in YAML 1.1
def test_yes_no_on_off_stay_words(tmp_path: Path) -> None:
    recipe = load_recipe(
        write(
            tmp_path, "target: on\nframes:\n  folder: no\n  align: off\nflatten:\n  mode: off\n  frame_filling: yes\nstacks:\n  off: 50%\n"
        )
    )
    assert (recipe.target, recipe.frames.align, recipe.flatten.mode, recipe.flatten.frame_filling) == ("on", "off", "off", "yes")
    assert recipe.frames.folder == tmp_path / "no"
    assert list(recipe.stacks) == ["off"]


def test_a_name_that_yaml_takes_for_something_else_wants_quotes(tmp_path: Path) -> None:
    for text in ("true", "31", "1e5"):
        (fault,) = faults(write(tmp_path, f"target: {text}\nframes: {{folder: f}}\n"))
        assert "FILE:1  target  must be text; put quotes around it" in fault


# spack/spack#52358: a Windows path in double quotes
def test_windows_paths_in_double_quotes_get_a_hint(tmp_path: Path) -> None:
    for text in (r'"C:\data\frames"', r'"C:\night\frames"', r'"D:\new"', r'"C:\Users\me"', r'"C:\xray"'):
        (fault,) = faults(write(tmp_path, f"target: x\nframes:\n  folder: {text}\n"))
        assert fault.startswith("FILE:3")
        assert "single quotes" in fault
    load_recipe(write(tmp_path, "target: x\nframes:\n  folder: 'C:\\night\\frames'\n"))


def test_a_picture_in_place_of_a_recipe_is_told_as_such(tmp_path: Path) -> None:
    (tmp_path / "L_1.fits").write_bytes(b"SIMPLE  =" + bytes(range(256)))
    with pytest.raises(RecipeError, match=r"L_1\.fits is no recipe, which is a YAML text"):
        load_recipe(tmp_path / "L_1.fits")


def test_what_has_no_end_is_not_read_to_its_end(tmp_path: Path) -> None:
    """A recipe named /dev/zero took all memory of the machine."""
    (tmp_path / "long.yaml").write_bytes(b"#" * (MOST_BYTES + 1))
    with pytest.raises(RecipeError, match=r"long\.yaml is no recipe, which is a YAML text"):
        load_recipe(tmp_path / "long.yaml")


def test_a_colon_in_a_name_gets_a_hint(tmp_path: Path) -> None:
    (fault,) = faults(write(tmp_path, "target: Lantern: second try\nframes: {folder: f}\n"))
    assert fault.startswith("FILE:1") and "put quotes round" in fault
    assert load_recipe(write(tmp_path, "target: 'Lantern: second try'\nframes: {folder: f}\n")).target == "Lantern: second try"


def dotted_keys() -> list[str]:
    return [row.key for row in settings() if len(row.key.replace("[]", "").rsplit(".", 1)[-1]) > 2 and "[]" not in row.key]


# drivendataorg/cyfi#64: a mistyped key is ignored and the default used
@pytest.mark.parametrize("key", dotted_keys())
def test_a_key_with_two_letters_swapped_names_the_right_one(key: str) -> None:
    group, _, name = key.replace("NAME", "all").rpartition(".")
    places = [i for i in range(len(name) - 1) if name[i] != name[i + 1]]
    index = random.Random(key).choice(places)
    wrong = name[:index] + name[index + 1] + name[index] + name[index + 2 :]
    right = f"{group}.{name}" if group else name
    data: dict[str, Any] = {"target": "x", "frames": {"folder": "f"}}
    if "files." in key:
        data["stacks"] = {"all": {"files": {"r": "r", "g": "g", "b": "b"}}}
    with pytest.raises(RecipeError) as caught:
        recipe_from(data, changes={f"{group}.{wrong}" if group else wrong: 1})
    assert any(f"(nearest: {right})" in line for line in caught.value.faults), caught.value.faults


def test_groups_with_swapped_letters_and_keys_in_the_wrong_group(tmp_path: Path) -> None:
    found = faults(write(tmp_path, HEAD + "blned: {gate: 3}\nrank_by: snr\nGATE: 3\nzzz: 1\nStars: {size: .8}\n"))
    assert "FILE:4  blned  is no known key  (nearest: blend)" in found
    assert "FILE:5  rank_by  is no known key  (nearest: frames.rank_by)" in found
    assert "FILE:6  GATE  is no known key  (nearest: blend.gate)" in found
    assert "FILE:8  Stars  is no known key  (nearest: roles.stars)" in found
    assert any(line.startswith("FILE:7  zzz  is no known key  (known here: target, frames, stacks") for line in found)


# yaml/pyyaml#123: UTF-8 under another locale, with a byte-order mark
def test_utf8_with_byte_order_mark_under_the_c_locale(tmp_path: Path) -> None:
    path = write(tmp_path, b"\xef\xbb\xbf" + "target: Größe – Ziel 7 ★\nframes: {folder: Bänder}\n".encode())
    assert load_recipe(path).target == "Größe – Ziel 7 ★"
    code = "import sys; from layerblend.recipe.load import load_recipe; r = load_recipe(sys.argv[1]); sys.exit(len(r.target) != 16)"
    environment = {**os.environ, "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    assert subprocess.run([sys.executable, "-c", code, str(path)], env=environment, check=False).returncode == 0


def test_another_encoding_is_named_with_its_line(tmp_path: Path) -> None:
    (fault,) = faults(write(tmp_path, "target: x\nframes: {folder: Größe}\n".encode("latin-1")))
    assert fault == "FILE:2  is not UTF-8 text (byte 0xF6); save the recipe as UTF-8"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "FILE:1  is empty"),
        ("# only a comment\n", "FILE:1  is empty"),
        ("- a\n- b\n", "FILE:1  must be a group"),
        ("target: [a\nframes: 1\n", "FILE:2  is no valid YAML"),
        ("target: x\n\tframes: 1\n", "indent with spaces"),
        ("target: x\nframes: &f {folder: a}\nwhite: *f\n", "FILE:3  is no valid YAML: aliases"),
        ("a: 1\n---\nb: 2\n", "FILE:2  is no valid YAML"),
        ("target: !!python/object/apply:os.system [ls]\nframes: {folder: f}\n", "FILE:1  target"),
        ("target: !name x\nframes: {folder: f}\n", "FILE:1  target  has a value of no known kind"),
        ("? [a, b]\n: 1\n", "holds a key that is no word"),
        ("target: x\nframes: 5\n", "FILE:2  frames  must be a group of keys (folder, pattern, rank_by"),
        ("target: x\nstacks: [best25]\n", "FILE:2  stacks  must be a group of named stacks"),
        ("target: x\nframes: {folder: f}\nstacks:\n  a: [1]\n", "FILE:4  stacks.a  must be a group of keys (keep, weights"),
        ("target: " + "[" * 1500 + "]" * 1500, "is no valid YAML"),
        ("target: x\x07\n", "FILE:1  is no valid YAML"),
        ("frames: {folder: f}\n", "FILE  target  is required"),
    ],
)
def test_files_that_are_no_recipe(tmp_path: Path, text: str, words: str) -> None:
    found = faults(write(tmp_path, text))
    assert any(words in line for line in found), found


def test_a_recipe_that_is_not_there(tmp_path: Path) -> None:
    write(tmp_path, HEAD)
    with pytest.raises(RecipeError, match=r"Is .*lantern\.yaml meant") as caught:
        load_recipe(tmp_path / "lantren.yaml")
    assert caught.value.exit_code == 2
    with pytest.raises(RecipeError, match="is a folder"):
        load_recipe(tmp_path)


def test_empty_groups_are_groups_of_defaults(tmp_path: Path) -> None:
    bare = load_recipe(write(tmp_path, HEAD))
    assert load_recipe(write(tmp_path, HEAD + "roles:\n  stars:\n  # stack: all\nblend:\nstacks:\n")) == bare


# ---------------------------------------------------------------- changes
def test_changes_reach_every_depth(tmp_path: Path) -> None:
    path = write(tmp_path, HEAD + "stacks:\n  best25: 25%\n  all:\n")
    recipe = load_recipe(
        path, {"roles.detail.stack": "all", "white.from": [1.1, 1, 0.9], "stacks.best25.weights": "equal", "frames.exclude.max_fwhm": 4}
    )
    assert recipe.roles.detail.stack == "all"
    assert recipe.white.source == (1.1, 1.0, 0.9)
    assert (recipe.stacks["best25"].keep, recipe.stacks["best25"].weights) == (0.25, "equal")
    assert recipe.frames.exclude.max_fwhm == 4.0


def test_a_change_inside_the_standard_set_keeps_the_set(tmp_path: Path) -> None:
    recipe = load_recipe(write(tmp_path, HEAD), {"stacks.best25.keep": "20%"})
    assert list(recipe.stacks) == ["best25", "best50", "best75", "all", "deep"]
    assert recipe.stacks["best25"].keep == 0.2


def test_a_faulty_change_is_named_as_one(tmp_path: Path) -> None:
    path = write(tmp_path, HEAD + "blend: {gate: 3}\n")
    assert faults(path, {"blend.gate": 30}) == ["--set  blend.gate  must lie in [0, 10], got 30"]
    assert faults(path, {"blend.gat": 3}) == ["--set  blend.gat  is no known key  (nearest: blend.gate)"]
    assert faults(path, {"target.name": 3}) == ["--set  target.name  cannot be set: target is no group"]
    assert faults(path, {"": 3})[0].startswith("--set")


def test_a_change_can_mend_a_recipe(tmp_path: Path) -> None:
    path = write(tmp_path, "target: x\nblend: {gate: 30}\n")
    assert load_recipe(path, {"blend.gate": 3, "frames.folder": "f"}).blend.gate == 3


def test_values_of_changes_are_yaml() -> None:
    assert parse_changes(["a.b=1e-3", "c=[1, 2]", "d={x: 1, y: 2}", "e=", "f=off", "g=25%", "h=x=y"]) == {
        "a.b": 0.001, "c": [1, 2], "d": {"x": 1, "y": 2}, "e": None, "f": "off", "g": "25%", "h": "x=y",
    }  # fmt: skip


def test_tries_are_lists() -> None:
    assert parse_tries(["roles.detail.stack=best50,best75", "roles.detail.sharpen=[1],[1,1.1]", "blend.gate=3"]) == {
        "roles.detail.stack": ["best50", "best75"], "roles.detail.sharpen": [[1], [1, 1.1]], "blend.gate": [3],
    }  # fmt: skip


def test_malformed_changes_are_faults_all_at_once(tmp_path: Path) -> None:
    """Together with what is wrong about the values of the others, and in the recipe itself."""
    path = write(tmp_path, HEAD + "split: {grow: 9}\n")
    texts = ["novalue", "=1", "white.from=[1", "blend.gate=30", "blend.gate=2", "blend.mood=screen"]
    with pytest.raises(RecipeError) as caught:
        load_recipe(path, parse_changes(texts))
    found = [" ".join(fault.split()[:2]) for fault in caught.value.faults]
    assert sorted(found[1:]) == [
        "--set =1",
        "--set blend.gate",
        "--set blend.gate",
        "--set blend.mood",
        "--set novalue",
        "--set white.from",
    ]
    assert found[0].endswith("split.grow")
    assert any("KEY=VALUE" in fault for fault in caught.value.faults)


def test_malformed_tries_are_faults_all_at_once() -> None:
    with pytest.raises(RecipeError) as caught:
        parse_tries(["novalue", "=1", "a=1]", "b=1", "b=2"])
    assert len(caught.value.faults) == 4


def test_apply_changes_works_in_place_and_tells_dead_ends() -> None:
    data: dict[str, Any] = {"target": "x", "blend": None}
    assert apply_changes(data, {"blend.gate": 1, "target.x": 2}) == [(("target", "x"), "cannot be set: target is no group")]
    assert data == {"target": "x", "blend": {"gate": 1}}


def test_change_recipe_keeps_the_rest(tmp_path: Path) -> None:
    recipe = load_recipe(write(tmp_path, HEAD + "flatten: {protect: [{x: 1, y: 2, radius: 3}]}\n"))
    changed = change_recipe(recipe, {"roles.detail.stack": "best75"})
    assert changed.roles.detail.stack == "best75"
    assert changed.path == recipe.path
    assert change_recipe(changed, {"roles.detail.stack": "deep"}) == recipe


# ---------------------------------------------------------------- and back
FULL: dict[str, Any] = {
    "target": "1e-3",
    "frames": {
        "folder": "f", "pattern": ["*.fit", "sub/**"], "rank_by": "-snr", "measurements": "m.csv", "white_level": 4095,
        "exclude": {"max_fwhm": 4.5, "files": ["no", "L_2.fits"]}, "align": "off",
    },
    "stacks": {"best25": "25%", "mine": {"file": "x.tif"}, "rgb": {"files": {"r": "r.fits", "g": "g.fits", "b": "b.fits"}}},
    "flatten": {"protect": [{"x": 1, "y": 2.5, "radius": 3}, {"ra": "1:02:03", "dec": -4, "a": 5, "b": 6, "angle": 7}], "mode": "off"},
    "white": {"from": [1.25, 1, 0.8]},
    "split": {"keep": [[1, 2]], "remove": [[3.5, 4], [5, 6]]},
    "compare": {"against": "other.yaml"},
    "output": {"folder": "Größe", "formats": "png", "crop": [0, 1, 20, 30]},
}  # fmt: skip


@pytest.mark.parametrize("data", [{"target": "x", "frames": {"folder": "f"}}, FULL], ids=["least", "full"])
def test_the_complete_recipe_loads_back_to_the_same(tmp_path: Path, data: dict[str, Any]) -> None:
    recipe = recipe_from(data, base=tmp_path)
    out = tmp_path / "out" / "deeper"
    out.mkdir(parents=True)
    text = dump_recipe(recipe, out)
    (out / "recipe.yaml").write_text(text, encoding="utf-8")
    assert load_recipe(out / "recipe.yaml") == recipe
    assert str(tmp_path) not in text  # a folder that is moved as a whole goes on working
    assert dump_recipe(load_recipe(out / "recipe.yaml"), out) == text
    # a reader of YAML 1.1 sees the same values
    assert recipe_from(yaml.safe_load(dump_recipe(recipe))) == recipe


def test_the_complete_recipe_writes_every_default() -> None:
    data = recipe_data(recipe_from({"target": "x", "frames": {"folder": "f"}}))
    for row in settings():
        if "NAME" in row.key or "[]" in row.key or row.key.startswith("roles.add."):
            continue
        value: Any = data
        for part in row.key.split("."):
            value = value[part]
        assert value is not None


@st.composite
def number_changes(draw: st.DrawFn) -> dict[str, Any]:
    keys = ["roles.detail.grain", "roles.detail.core", "combine.amount", "blend.amount", "roles.colour.denoise"]
    values = st.floats(0, 1, allow_nan=False) | st.integers(0, 1)
    return draw(st.dictionaries(st.sampled_from(keys), values))


@examples(max_examples=40, deadline=None)
@given(number_changes(), st.text(min_size=1).filter(lambda t: t.strip() and t.isprintable()))
def test_any_values_survive_the_way_out_and_back(changes: dict[str, Any], target: str) -> None:
    recipe = recipe_from({"target": "x", "frames": {"folder": "f"}}, changes={**changes, "target": target})
    assert recipe_from(yaml.safe_load(dump_recipe(recipe))) == recipe
    assert recipe.target == target.strip()


KEYS = ["target", "frames", "folder", "stacks", "best25", "keep", "roles", "stars", "stack", "protect", "flatten", "x", "white", "from"]
LEAVES = st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5)


@examples(max_examples=100, deadline=None)
@given(st.recursive(LEAVES, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(KEYS), inner, max_size=4)))
def test_whatever_the_data_it_is_a_recipe_or_a_recipe_error(data: Any) -> None:
    try:
        assert isinstance(recipe_from(data if isinstance(data, dict) else {"target": data}), Recipe)
    except RecipeError as error:
        assert error.faults
        assert all("stand-in" not in line for line in error.faults)
