"""What `new` finds in a folder, and the recipe that it writes."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from astropy.io import fits

from layerblend import api, survey
from layerblend.errors import InputError, RecipeError
from layerblend.files.pictures import write_fits, write_tiff
from layerblend.recipe.load import load_recipe
from tests.conftest import Demo


def test_new_on_frames_then_check(demo: Demo, tmp_path: Path) -> None:
    answer = api.new(demo.folder / "frames", tmp_path / "r.yaml")
    assert answer.data == {"frames": 12, "stacks": []}
    assert load_recipe(tmp_path / "r.yaml").frames.folder == demo.folder / "frames"
    assert "12 frames" in "\n".join(api.check(tmp_path / "r.yaml", []).lines)
    with pytest.raises(InputError, match="there already"):
        api.new(demo.folder / "frames", tmp_path / "r.yaml")


def test_new_leaves_stacks_among_frames_aside(demo: Demo, tmp_path: Path) -> None:
    folder = tmp_path / "Aufnahmen Süd"
    folder.mkdir()
    for frame in demo.frames[:4]:
        shutil.copy(frame, folder / frame.name)
    write_fits(folder / "all.fits", np.full((32, 48, 3), 0.1, np.float32))
    answer = api.new(folder, None)
    recipe = load_recipe(answer.outputs[0])
    assert recipe.frames.exclude.files == ("all.fits",)
    assert any("Left aside" in line and "all.fits" in line for line in answer.lines)
    assert any(f'check "{answer.outputs[0]}"' in line for line in answer.lines)
    assert api.check(answer.outputs[0], []).data["frames"] == 4


def named_frames(folder: Path, objects: list[str | None], **cards: Any) -> Path:
    """Small frames with these names of their target in the headers."""
    folder.mkdir(parents=True)
    for index, name in enumerate(objects):
        header = fits.Header({key: value for key, value in {"OBJECT": name, **cards}.items() if value is not None})
        fits.writeto(folder / f"L_{index}.fits", np.full((32, 48), 100, np.int16), header)
    return folder


@pytest.mark.parametrize(
    ("objects", "target"),
    [
        (["Lantern Spiral"] * 3, "Lantern Spiral"),
        (["Lantern  Spiral "] * 2 + ["Moon", None], "night 1"),
        (["Lantern  Spiral "] * 3 + ["Moon", None], "Lantern Spiral"),
        (["Unknown"] * 3, "night 1"),
        ([None] * 3, "night 1"),
        (["Lantern 1/2: 'a' <b>?"] * 2, "Lantern 1/2: 'a' <b>?"),
        (["NUL"] * 2, "NUL"),
        (["x" * 200] * 2, "x" * 60),
    ],
)
def test_new_calls_the_target_as_most_headers_do(tmp_path: Path, objects: list[str | None], target: str) -> None:
    api.new(named_frames(tmp_path / "night_1", objects), tmp_path / "r.yaml")
    recipe = load_recipe(tmp_path / "r.yaml")
    assert recipe.target == target
    assert recipe.output.folder.parent == tmp_path / "out" and not set(recipe.output.folder.name) & set('<>:"/\\|?*')
    assert recipe.output.folder.name.lower() != "nul"


def test_new_gives_no_two_recipes_one_result_folder(tmp_path: Path) -> None:
    (tmp_path / "broken.yaml").write_text("target: [", encoding="utf-8")
    for folder in ("night_1", "night_2"):
        named_frames(tmp_path / folder, ["Lantern Spiral"] * 2)
    for colour in ("red", "green"):
        named_frames(tmp_path / colour, ["Lantern Spiral"] * 2, FILTER=colour.title())
    made = [load_recipe(api.new(tmp_path / name, None).outputs[0]) for name in ("night_1", "night_2", "red", "green")]
    assert [recipe.target for recipe in made] == ["Lantern Spiral", "Lantern Spiral night 2", "Lantern Spiral Red", "Lantern Spiral Green"]
    assert len({recipe.output.folder for recipe in made}) == 4


def test_new_says_that_floats_do_not_say_what_is_white(tmp_path: Path) -> None:
    (tmp_path / "lights").mkdir()
    write_fits(tmp_path / "lights" / "a.fits", np.full((32, 48, 3), 0.1, np.float32))
    assert not any("frames.white_level" in line for line in api.new(tmp_path / "lights", tmp_path / "own.yaml").lines)  # has SATURATE
    fits.writeto(tmp_path / "lights" / "a.fits", np.full((3, 32, 48), 0.1, np.float32), overwrite=True)
    assert any("frames.white_level" in line for line in api.new(tmp_path / "lights", tmp_path / "r.yaml").lines)


@pytest.mark.parametrize("floats", ["all.fits", "all.tif"])
def test_new_and_check_ask_every_finished_stack_what_is_white(tmp_path: Path, floats: str) -> None:
    """The first stack holds whole numbers; the second ends at .69, where its stars are clipped."""
    folder = tmp_path / "done"
    folder.mkdir()
    write_tiff(folder / "best25.tif", np.full((32, 48, 3), 0.1, np.float32))
    light = np.full((32, 48, 3), 0.1, np.float32)
    light[10:13, 20:23] = 0.69
    if floats.endswith("tif"):
        tifffile.imwrite(folder / floats, light, photometric="rgb")
    else:
        fits.writeto(folder / floats, np.moveaxis(light, 2, 0))
    answer = api.new(folder, None)
    (said,) = [line for line in answer.lines if "frames.white_level" in line]
    assert floats in said and "finished stacks too" in said and "holds 0.69," in said
    with pytest.raises(InputError, match=rf"{floats} holds floats .*frames\.white_level, in a recipe of finished stacks too"):
        api.check(answer.outputs[0], [])
    assert api.check(answer.outputs[0], ["frames.white_level=.69"]).data["frames"] == 0


@pytest.mark.parametrize(("cut", "white"), [(56000, 56000.0), (65535, "auto"), (0.8, 0.8)])
def test_new_writes_where_stars_are_cut_off(tmp_path: Path, cut: float, white: float | str) -> None:
    """After calibrating no pixel is 65535: clipped stars, not known as such, were kept as galaxies' cores, with black pixels beside."""
    y, x = np.mgrid[:100, :120]
    light = 0.02 + sum(3 * np.exp(-((x - a) ** 2 + (y - b) ** 2) / 8) for a, b in ((20, 20), (60, 70), (100, 30)))
    folder = tmp_path / "lights"
    folder.mkdir()
    for number in range(2):
        values = np.minimum(light * 65535, cut).astype(np.uint16) if cut > 1 else np.minimum(light, cut).astype(np.float32)
        fits.writeto(folder / f"{number}.fits", values)
    lines = api.new(folder, tmp_path / "r.yaml").lines
    assert load_recipe(tmp_path / "r.yaml").frames.white_level == (None if white == "auto" else white)
    assert any(f"cut off at about {cut:g}, which" in line for line in lines) == (white != "auto")


def test_new_on_nothing(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no folder"):
        api.new(tmp_path / "nowhere", None)
    with pytest.raises(InputError, match=r"No frames in .*: nothing there, nor in its subfolders, is a FITS file"):
        api.new(tmp_path, tmp_path / "r.yaml")


def test_new_takes_a_folder_full_of_tiffs_for_frames_that_it_cannot_read(tmp_path: Path) -> None:
    for n in range(40):
        (tmp_path / f"light_{n:03}.tif").touch()
    with pytest.raises(InputError, match=r"holds 40 TIFF files, too many for finished stacks .* frames are read as FITS: .* \(up to 12\)"):
        api.new(tmp_path, tmp_path / "r.yaml")
    assert not (tmp_path / "r.yaml").exists()


def test_new_writes_nothing_that_cannot_be_read(demo: Demo, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(survey, "starter_recipe", lambda *_, **__: "target: x\nframes: {folder: f, exclude: {files: [a #2]}}\n")
    with pytest.raises(RecipeError, match=r"r\.yaml:"):
        api.new(demo.folder / "frames", tmp_path / "r.yaml")
    assert not (tmp_path / "r.yaml").exists()
