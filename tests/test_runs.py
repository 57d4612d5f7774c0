"""A recipe made ready to run: frames opened and judged, files of the imager's read, workers found."""

from __future__ import annotations

import io
import os
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from astropy.io import fits

from layerblend import runs
from layerblend.engine.runner import Event
from layerblend.errors import InputError, RecipeError
from layerblend.files.pictures import write_fits, write_frame
from layerblend.kinds import Ellipse, FrameInfo
from layerblend.maths.bands import thread_count
from layerblend.recipe.load import recipe_from
from layerblend.recipe.schema import Execution, Recipe
from layerblend.runs import Sources, find_sources, make_executor, open_run, read_measurements, step_bar, worker_count
from layerblend.runs import _progress as progress
from tests.files.test_wcs import CARDS, SCALE, gnomonic

QUIET = Execution(workers=1, quiet=True)


def make_frames(folder: Path, count: int = 3, cards: Any = (("EXPTIME", 60.0, ""),), shape: tuple[int, ...] = (3, 20, 30)) -> Path:
    for index in range(count):
        write_frame(folder / f"L_{index}.fits", np.full(shape, 1000 + index, np.uint16), cards=cards)
    return folder


def recipe(home: Path, **groups: Any) -> Recipe:
    return recipe_from({"target": "x", "frames": {"folder": "f", **groups.pop("frames", {})}, **groups}, base=home)


def sources(home: Path, **groups: Any) -> tuple[Sources, list[dict[str, Any]]]:
    warnings: list[dict[str, Any]] = []
    return find_sources(recipe(home, **groups), warnings), warnings


# ---------------------------------------------------------------- frames
def test_frames_in_natural_order_without_excluded_ones(tmp_path: Path) -> None:
    make_frames(tmp_path / "f", 12)
    found, warnings = sources(tmp_path, frames={"exclude": {"files": ["L_3.fits"]}})
    assert list(found.named) == [info.path.name for info in found.frames] == [f"L_{i}.fits" for i in range(12) if i != 3]
    assert list(found.left_out) == ["L_3.fits"]
    assert warnings == []


def test_what_is_left_out_by_name_may_be_anything(tmp_path: Path) -> None:
    """Frames of another size, upside down or broken are told to be listed there."""
    folder = make_frames(tmp_path / "f")
    (folder / "broken.fits").write_bytes(b"no frame")
    write_frame(folder / "turned.fits", np.ones((30, 20), np.uint16), top_down=True)
    found, warnings = sources(tmp_path, frames={"exclude": {"files": ["broken.fits", "turned.fits"]}})
    assert len(found.frames) == 3 and list(found.left_out) == ["turned.fits"] and warnings == []


NIGHTS = {"pattern": "**/*.fits"}


def make_nights(home: Path) -> None:
    """Numbers begin anew every night."""
    for night, count in (("n1", 2), ("n2", 3)):
        make_frames(home / "f" / night, count)


def test_frames_of_one_name_are_told_apart_by_their_folders(tmp_path: Path) -> None:
    make_nights(tmp_path)
    exclude = {"files": ["n2/L_0.fits", "n2/L_2.fits"]}
    found, warnings = sources(tmp_path, frames={**NIGHTS, "exclude": exclude})
    assert list(found.named) == ["n1/L_0.fits", "n1/L_1.fits", "n2/L_1.fits"]
    assert list(found.left_out) == ["n2/L_0.fits", "L_2.fits"] and warnings == []
    with pytest.raises(
        RecipeError, match=r"L_0\.fits can be any of 2 frames; name the folder too, such as n1/L_0\.fits or n2/L_0"
    ) as caught:
        sources(tmp_path, frames={**NIGHTS, "exclude": {"files": ["L_2.fits", "L_0.fits"]}})
    assert caught.value.key == "frames.exclude.files"


def test_measurements_of_frames_of_one_name(tmp_path: Path) -> None:
    make_nights(tmp_path)
    (tmp_path / "m.csv").write_text("file,fwhm\nn2/L_0.fits,2.5\nL_2.fits,2.6\nn2/L_2.fits,2.7\nn1/L_1.fits,3\nx,4\n", encoding="utf-8")
    frames = {**NIGHTS, "measurements": "m.csv", "exclude": {"files": ["n1/L_1.fits"]}}
    found, _ = sources(tmp_path, frames=frames)
    assert found.given == {"n2/L_0.fits": {"fwhm": 2.5}, "L_2.fits": {"fwhm": 2.7}, "x": {"fwhm": 4.0}}
    (tmp_path / "m.csv").write_text("file,fwhm\nL_0.fits,2.5\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"m\.csv: L_0\.fits can be any of 2 frames") as caught:
        sources(tmp_path, frames=frames)
    assert caught.value.key == "frames.measurements"


def test_results_of_an_earlier_run_below_the_frames_are_no_frames(tmp_path: Path) -> None:
    folder = make_frames(tmp_path / "f")
    write_fits(folder / "out" / "layers" / "detail.fits", np.ones((20, 30, 3), np.float32))
    found, warnings = sources(tmp_path, frames=NIGHTS, output={"folder": "f/out"})
    assert list(found.named) == ["L_0.fits", "L_1.fits", "L_2.fits"] and not found.left_out and warnings == []
    make_frames(folder / "out", 1)  # a night in the folder of results is not passed over: that is for the imager to mend
    assert list(sources(tmp_path, frames=NIGHTS, output={"folder": "f/out"})[0].named)[-1] == "out/L_0.fits"
    with pytest.raises(InputError, match=r"detail\.fits: written by layerblend"):
        sources(tmp_path, frames=NIGHTS)


def test_an_excluded_name_that_is_not_there_is_said(tmp_path: Path) -> None:
    make_frames(tmp_path / "f")
    _, warnings = sources(tmp_path, frames={"exclude": {"files": ["L_1.fits", "M_1.fits"]}})
    (note,) = warnings
    assert note["code"] == "not_found" and "M_1.fits" in note["text"] and "L_1" not in note["text"]


def test_what_cannot_be_read_is_left_out_and_named(tmp_path: Path) -> None:
    folder = make_frames(tmp_path / "f", 4)
    (folder / "broken.fits").write_bytes(b"no frame")
    cut = folder / "L_2.fits"
    cut.write_bytes(cut.read_bytes()[:4000])
    found, warnings = sources(tmp_path)
    assert len(found.frames) == 3
    assert [(w["code"], Path(w["file"]).name) for w in warnings] == [("frame_left_out", "broken.fits"), ("frame_left_out", "L_2.fits")]


def test_frames_through_several_filters_are_told_before_anything_is_done(tmp_path: Path) -> None:
    for name in ("R", "G"):
        write_frame(tmp_path / "f" / f"{name}.fits", np.full((20, 30), 1000, np.uint16), cards=[("FILTER", name, "")])
    _, warnings = sources(tmp_path)
    assert [note["code"] for note in warnings] == ["mixed_filters"] and "one grey picture" in warnings[0]["text"]


def test_a_white_level_of_floats_is_refused_for_whole_numbers(tmp_path: Path) -> None:
    make_frames(tmp_path / "f")
    with pytest.raises(InputError, match=r"L_0\.fits and 2 more frames hold whole numbers.*leave frames\.white_level out"):
        sources(tmp_path, frames={"white_level": 1})
    assert sources(tmp_path, frames={"white_level": 4095})[0].frames[0].white_level == 4095


def test_a_protected_place_outside_the_picture_is_told(tmp_path: Path) -> None:
    make_frames(tmp_path / "f")
    places = [{"x": 10, "y": 10, "radius": 3}, {"x": 35, "y": 10, "radius": 8}, {"x": 300, "y": 10, "radius": 8}]
    _, warnings = sources(tmp_path, flatten={"protect": places})
    assert [note["text"] for note in warnings] == ["flatten.protect[2] lies outside the picture of 30 x 20 px, at 300, 10."]


@pytest.mark.parametrize(
    "groups, said",
    [
        ({"split": {"keep": [[3, 4], [29.6, 4]]}}, r"split\.keep\[1\] names the place \[29\.6, 4\], outside the picture of 30 x 20 px"),
        ({"split": {"remove": [[3, -1]]}}, r"split\.remove\[0\] names the place \[3, -1\], outside"),
        ({"output": {"crop": [2, 20, 9, 30]}}, r"output\.crop \[2, 20, 9, 30\] reaches outside the picture of 30 x 20 px"),
        ({"output": {"crop": [2, 3, 9, 21]}}, r"output\.crop \[2, 3, 9, 21\] reaches outside the picture of 30 x 20 px"),
    ],
)
def test_places_outside_the_picture_are_told_before_anything_runs(tmp_path: Path, groups: dict[str, Any], said: str) -> None:
    make_frames(tmp_path / "f")
    with pytest.raises(RecipeError, match=said) as caught:
        sources(tmp_path, **groups)
    assert caught.value.key is not None and said.replace("\\", "").startswith(caught.value.key)
    fits.writeto(tmp_path / "s.fits", np.ones((20, 30), np.uint16))
    with pytest.raises(RecipeError, match=said):
        find_sources(recipe_from({"target": "x", "stacks": {"all": {"file": "s.fits"}}, **groups}, base=tmp_path), [])


@pytest.mark.parametrize(
    "unlike, files", [("t.tif", {"file": "t.tif"}), ("b.fits", {"files": {"r": "s.fits", "g": "s.fits", "b": "b.fits"}})]
)
def test_stacks_of_unlike_sizes_are_told_before_anything_runs(tmp_path: Path, unlike: str, files: dict[str, Any]) -> None:
    fits.writeto(tmp_path / "s.fits", np.ones((20, 30), np.uint16))
    fits.writeto(tmp_path / "b.fits", np.ones((20, 29), np.uint16))
    tifffile.imwrite(tmp_path / "t.tif", np.ones((20, 29, 3), np.uint16), photometric="rgb")
    stacks = {"best25": files, "all": {"file": "s.fits"}}
    with pytest.raises(InputError, match=rf"{unlike} is 29 x 20 px where the colour stack is 30 x 20; give stacks of one size") as caught:
        find_sources(recipe_from({"target": "x", "stacks": stacks}, base=tmp_path), [])
    assert caught.value.code == "mixed_grid" and caught.value.file == str(tmp_path / unlike)
    roles = {name: {"stack": "all"} for name in ("stars", "detail", "colour")}
    find_sources(recipe_from({"target": "x", "stacks": stacks, "roles": roles}, base=tmp_path), [])  # nobody asks for the other


def test_of_tiff_stacks_too_places_outside_the_picture_are_told(tmp_path: Path) -> None:
    tifffile.imwrite(
        tmp_path / "s.tif", np.ones((20, 30, 3), np.uint16), photometric="rgb", extratags=[(274, 3, 1, 6, True)]
    )  # on its side
    recipe = {"target": "x", "stacks": {"all": {"file": "s.tif"}}}
    warnings: list[dict[str, Any]] = []
    found = find_sources(recipe_from({**recipe, "flatten": {"protect": [{"x": 28, "y": 10, "radius": 3}]}}, base=tmp_path), warnings)
    assert found.pixels == 600
    assert [note["text"] for note in warnings] == ["flatten.protect[0] lies outside the picture of 20 x 30 px, at 28, 10."]
    with pytest.raises(RecipeError, match=r"split\.keep\[0\] names the place \[21, 4\], outside the picture of 20 x 30 px"):
        find_sources(recipe_from({**recipe, "split": {"keep": [[21, 4]]}}, base=tmp_path), [])


@pytest.mark.parametrize("first", ["tiff", "files"])
def test_sky_positions_are_found_by_any_stack_that_has_world_coordinates(tmp_path: Path, first: str) -> None:
    tifffile.imwrite(tmp_path / "t.tif", np.ones((400, 600, 3), np.uint16), photometric="rgb")
    folder = make_frames(tmp_path / "f", 1, cards=CARDS, shape=(400, 600))
    solved = str(next(folder.iterdir()))
    best = {"file": "t.tif"} if first == "tiff" else {"files": dict.fromkeys("rgb", solved)}
    recipe = {"target": "x", "stacks": {"best25": best, **({"all": {"file": solved}} if first == "tiff" else {})}}
    spot = {"ra": 150.0, "dec": 30.0, "radius": 20}
    found = find_sources(recipe_from({**recipe, "flatten": {"protect": [spot]}}, base=tmp_path), [])
    np.testing.assert_allclose([found.protect[0].x, found.protect[0].y], [300, 399 - 200], atol=1e-6)


def test_places_at_the_edge_of_the_picture_are_inside(tmp_path: Path) -> None:
    make_frames(tmp_path / "f")
    found, warnings = sources(tmp_path, split={"keep": [[29.4, 19.4], [-0.5, 0]]}, output={"crop": [29, 19, 30, 20]})
    assert found.pixels == 30 * 20 and not warnings
    with pytest.raises(RecipeError, match=r"29\.6"):  # a fifth of a pixel farther
        sources(tmp_path, split={"keep": [[29.6, 19.4]]})


def test_mostly_unreadable_frames_stop_the_run(tmp_path: Path) -> None:
    folder = make_frames(tmp_path / "f", 3)
    for index in (0, 2):
        (folder / f"L_{index}.fits").write_bytes(b"no frame")
    with pytest.raises(InputError, match=r"L_0\.fits"):
        sources(tmp_path)


def test_all_frames_excluded_by_name(tmp_path: Path) -> None:
    make_frames(tmp_path / "f", 1)
    with pytest.raises(InputError, match="are left to work on"):
        sources(tmp_path, frames={"exclude": {"files": ["L_0.fits"]}})


def test_one_upside_down_frame_is_refused(tmp_path: Path) -> None:
    folder = make_frames(tmp_path / "f")
    write_frame(folder / "turned.fits", np.ones((3, 20, 30), np.uint16), top_down=True)
    with pytest.raises(InputError, match=r"Mixed row order.*turned\.fits"):
        sources(tmp_path)


def test_floats_need_a_white_level(tmp_path: Path) -> None:
    (tmp_path / "f").mkdir()
    for index in range(3):
        fits.writeto(tmp_path / "f" / f"{index}.fits", np.ones((20, 30), np.float32))
    with pytest.raises(InputError, match=r"0\.fits and 2 more files hold floats") as caught:
        sources(tmp_path)
    assert caught.value.key == "frames.white_level"
    found, _ = sources(tmp_path, frames={"white_level": 1})
    assert {info.white_level for info in found.frames} == {1.0}


def test_what_many_headers_say_is_said_once(tmp_path: Path) -> None:
    make_frames(tmp_path / "f", 5, cards=(("EXPTIME", "long", ""),))
    _, warnings = sources(tmp_path)
    (note,) = warnings
    assert note["code"] == "frame_header" and note["text"].startswith("L_0.fits (and 4 more frames): card EXPTIME = 'long'")


# ---------------------------------------------------------------- the imager's other files
def test_measurements_by_file_name(tmp_path: Path) -> None:
    path = tmp_path / "m.csv"
    path.write_text("\ufefffile,fwhm,note,snr\nL_0.fits,2.5,good,\nL_1.fits,nan,,40\n", encoding="utf-8")
    assert read_measurements(path) == {"L_0.fits": {"fwhm": 2.5}, "L_1.fits": {"snr": 40.0}}
    path.write_text("name,fwhm\nL_0.fits,2.5\n", encoding="utf-8")
    with pytest.raises(InputError, match="column `file`"):
        read_measurements(path)
    path.write_text("file,fwhm\nL_0.fits,2.5,\nL_1.fits\n", encoding="utf-8")
    assert read_measurements(path) == {"L_0.fits": {"fwhm": 2.5}, "L_1.fits": {}}
    path.write_text("file,fwhm\nL_0.fits,2.5\n,3\n,4\nL_0.fits,2.6\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"L_0\.fits more than once"):
        read_measurements(path)
    with pytest.raises(InputError, match=r"gone\.csv cannot be read"):
        read_measurements(tmp_path / "gone.csv")


def test_a_column_to_rank_by_that_is_nowhere_is_told_before_anything_runs(tmp_path: Path) -> None:
    make_frames(tmp_path / "f")
    (tmp_path / "m.csv").write_text("file,seeing\nL_0.fits,2.5\n", encoding="utf-8")
    for name in ("seeing", "-seeing", "snr"):
        assert sources(tmp_path, frames={"measurements": "m.csv", "rank_by": name})[0].given == {"L_0.fits": {"seeing": 2.5}}
    with pytest.raises(RecipeError, match=r"exposure_s, seeing; got 'seing', of which m\.csv") as caught:
        sources(tmp_path, frames={"measurements": "m.csv", "rank_by": "seing"})
    assert caught.value.key == "frames.rank_by"


def test_protected_places_in_pixels_or_on_the_sky(tmp_path: Path) -> None:
    make_frames(tmp_path / "f", cards=CARDS, shape=(3, 400, 600))
    spots = [{"x": 30, "y": 40, "radius": 5}, {"ra": 150.05, "dec": 30.02, "a": 20, "b": 10, "angle": 30}]
    found, _ = sources(tmp_path, flatten={"protect": spots})
    column, row = gnomonic(150.05, 30.02)
    assert found.protect[0] == Ellipse(30, 40, 5, 5, 0)
    place = found.protect[1]
    np.testing.assert_allclose([place.x, place.y, place.a, place.b, place.angle], [column, 399 - row, 20, 10, 30], atol=1e-6)


def test_a_protected_place_on_the_far_side_of_the_sky_is_refused_by_its_key(tmp_path: Path) -> None:
    make_frames(tmp_path / "f", cards=CARDS, shape=(3, 400, 600))
    spots = [{"x": 30, "y": 40, "radius": 5}, {"ra": 330, "dec": -30, "radius": 9}]
    with pytest.raises(RecipeError, match=r"flatten\.protect\[1\] lies far outside .*ra 330, dec -30") as caught:
        sources(tmp_path, flatten={"protect": spots})
    assert caught.value.key == "flatten.protect[1]"


def test_catalogue_stars_come_to_their_pixels(tmp_path: Path) -> None:
    make_frames(tmp_path / "f", cards=CARDS, shape=(3, 400, 600))
    (tmp_path / "stars.csv").write_text("ra,dec,b_v\n150.0,30.0,0.65\n", encoding="utf-8")
    found, _ = sources(tmp_path, white={"from": "stars.csv"})
    np.testing.assert_allclose(found.catalogue, [[300, 399 - 200, 0.65]], atol=1e-6)
    assert found.catalogue_path == tmp_path / "stars.csv" and SCALE > 0


@pytest.mark.parametrize("group", [{"flatten": {"protect": [{"ra": 1, "dec": 2, "radius": 3}]}}, {"white": {"from": "stars.csv"}}])
def test_sky_positions_need_world_coordinates(tmp_path: Path, group: dict[str, Any]) -> None:
    make_frames(tmp_path / "f")
    (tmp_path / "stars.csv").write_text("ra,dec,b_v\n150.0,30.0,0.65\n", encoding="utf-8")
    with pytest.raises(InputError, match="need world coordinates") as caught:
        sources(tmp_path, **group)
    assert caught.value.code == "no_wcs" and caught.value.key == next(f"{k}.{next(iter(v))}" for k, v in group.items())


def test_world_coordinates_of_a_finished_stack(tmp_path: Path) -> None:
    header = fits.Header([card for card in CARDS if card[0] != "COMMENT"])
    fits.writeto(tmp_path / "s.fits", np.ones((400, 600), np.float32), header)
    made = recipe_from(
        {
            "target": "x",
            "frames": {"white_level": 1},
            "stacks": {"all": {"file": "s.fits"}},
            "flatten": {"protect": [{"ra": 150, "dec": 30, "radius": 9}]},
        },
        base=tmp_path,
    )
    assert find_sources(made, []).protect[0].x == pytest.approx(300)


# ---------------------------------------------------------------- carrying out
def test_workers_as_asked_or_all_cores() -> None:
    assert worker_count(Execution(workers=3)) == 3
    assert worker_count(Execution()) >= 1


def test_an_interrupt_leaves_the_executor_without_waiting() -> None:
    with pytest.raises(KeyboardInterrupt), make_executor(Execution(workers=1)) as executor:
        executor.submit(lambda: 1)
        raise KeyboardInterrupt
    with pytest.raises(RuntimeError):
        executor.submit(lambda: 1)


def test_a_cluster_that_is_not_there(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(RecipeError, match=r"layerblend\[cluster\]"), make_executor(Execution(cluster="tcp://127.0.0.1:1")):
        pass


def test_kernels_use_as_many_threads_as_asked_while_a_run_is_open(tmp_path: Path) -> None:
    make_frames(tmp_path / "f")
    usual = thread_count()
    with open_run(recipe(tmp_path), Execution(workers=1, quiet=True)):
        assert thread_count() == 1
    assert thread_count() == usual


def test_each_warning_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    make_frames(tmp_path / "f")
    with open_run(recipe(tmp_path), QUIET) as run:
        run.warn("x", "twice")
        run.warn("x", "twice")
        assert run.warnings == [{"code": "x", "text": "twice", "file": None}]
        assert run.runner.store.folder == Path.cwd() / ".layerblend"  # a recipe without a file of its own keeps its store here


def test_headers_are_read_once_and_a_look_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    make_frames(tmp_path / "f")
    for path in (tmp_path / "f").iterdir():
        os.utime(path, (1e9, 1e9))

    def open_and_make(*nodes: str) -> tuple[FrameInfo, ...]:
        with open_run(recipe(tmp_path), QUIET) as run:
            run.get_all(*nodes)
            return run.sources.frames

    first = open_and_make()
    assert not (tmp_path / ".layerblend").exists()
    open_and_make("table")
    monkeypatch.setattr("layerblend.known.open_frame", lambda *_, **__: pytest.fail("read again"))
    assert open_and_make() == first


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize("screen", [Terminal, io.StringIO])
def test_progress_goes_to_stderr(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, screen: Any) -> None:
    """Bars on a terminal, lines in a log file."""
    monkeypatch.setattr(sys, "stderr", said := screen())
    show(Execution())
    text = said.getvalue()
    assert "grading frames" in text and "flattening" in text and "stacking" in text
    assert ("2/2" if screen is Terminal else "grading frames: 2 of 2\n") in text
    assert capsys.readouterr().out == ""


def test_quiet_is_silent(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stderr", said := Terminal())
    show(QUIET)
    assert said.getvalue() == ""


def test_long_work_is_told_by_tenths(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stderr", said := io.StringIO())
    with progress(Execution(), 600) as (_, wrap):
        assert len(list(wrap(range(400)))) == 400
    assert said.getvalue().splitlines() == [f"stacking: {n} of 400" for n in range(40, 401, 40)]


def show(execution: Execution) -> None:
    with progress(execution, 2) as (tell, wrap):
        for index in range(2):
            tell(Event("started", f"grade/{index}"))
            tell(Event("finished", f"grade/{index}", 1.0))
        tell(Event("started", "sky/all"))
        tell(Event("finished", "sky/all", 1.0))
        assert list(wrap([1, 2, 3])) == [1, 2, 3]
    with step_bar(execution, "waiting", 1) as advance:
        advance()


@pytest.mark.parametrize(
    "name, said", [("none.fits", "There is no file"), ("none.tif", "There is no file"), ("all.png", "is not a linear stack")]
)
def test_a_finished_stack_that_is_not_there_is_told_before_anything_runs(tmp_path: Path, name: str, said: str) -> None:
    recipe = recipe_from({"target": "x", "stacks": {"all": {"file": name}}}, base=tmp_path)
    with pytest.raises(InputError, match=said):
        find_sources(recipe, [])


def test_long_steps_give_their_memory_back(monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[Event] = []
    given: list[str] = []
    monkeypatch.setattr(runs, "give_back_freed_memory", lambda: given.append("back"))
    tell = runs._giving_back(told.append)
    events = [Event("started", "split"), Event("finished", "split", 9.0), Event("finished", "curve", 0.1)]
    for event in events:
        tell(event)
    assert told == events and given == ["back"]


def test_memory_decides_how_many_steps_are_made_at_one_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """12 megapixels took 3.0 and 4.6 GB with one lane and two (this project's own measure)."""
    assert runs._lanes(12_000_000, 8, 16_000_000_000) == 2
    assert runs._lanes(12_000_000, 1, 16_000_000_000) == 1
    assert runs._lanes(12_000_000, 8, 4_000_000_000) == 1
    assert runs._lanes(0, 8, 1) == 2 and not runs._short_of_memory(0, 1)  # no header tells the size
    assert not runs._short_of_memory(12_000_000, 4_000_000_000)
    (note,) = runs._short_of_memory(61_000_000, 7_000_000_000)
    assert "At 61 megapixels" in note["text"] and "about 16 GB of memory and 7 GB are free" in note["text"]
    make_frames(tmp_path / "f")
    recipe = recipe_from({"target": "t", "frames": {"folder": "f"}}, base=tmp_path).placed(tmp_path / "r.yaml")
    for free, lanes, codes in ((10**9, 2, []), (1000, 1, ["memory"])):
        monkeypatch.setattr(runs, "available_memory", lambda free=free: free)
        with open_run(recipe, Execution(workers=2, quiet=True)) as opened:
            assert (opened.runner.lanes, [note["code"] for note in opened.warnings]) == (lanes, codes)


def test_the_pictures_size_is_known_before_it_is_read(tmp_path: Path) -> None:
    make_frames(tmp_path / "f")
    assert sources(tmp_path)[0].pixels == 30 * 20
