"""The whole way, as a program or a user drives it: laws of the result, reruns, finished stacks, comparisons, the Python names."""

from __future__ import annotations

import inspect
import json
import re
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from astropy.io import fits

import layerblend as lb
from layerblend import api
from layerblend.engine.runner import Runner
from layerblend.errors import InputError, RecipeError
from layerblend.evidence.measures import aperture_flux
from layerblend.evidence.verdict import Comparison, Measure
from layerblend.files.pictures import read_linear, read_picture, write_fits, write_tiff
from layerblend.files.provenance import read_record
from layerblend.files.stacks import open_stack
from layerblend.kinds import working_luminance
from layerblend.ledger import WRITING
from layerblend.recipe.load import load_recipe
from layerblend.recipe.schema import Execution
from layerblend.runs import open_run
from layerblend.steps.colour import hue_layer
from tests.conftest import EXECUTION, Demo, identity_changes


def changes_of(values: dict[str, Any]) -> dict[str, Any]:
    return {key.replace(".", "__"): value for key, value in values.items()}


# ---------------------------------------------------------------- laws
def test_with_nothing_done_the_result_is_plain(demo: Demo) -> None:
    """Identity law: every strength at its identity and every role from `all` gives the plain stack back."""
    values = demo.values("result", "plain", **changes_of(identity_changes()))
    np.testing.assert_allclose(values["result"], values["plain"], atol=4e-6)


def test_no_source_is_lost_and_none_counts_twice(demo: Demo) -> None:
    """The layers come from three stacks: what one of them takes for a star and another for a knot would be in none, or in two."""
    values = demo.values("linear/all", "split/all", "split/best25", "result", "curve")
    rows = [values[split].catalogue for split in ("split/all", "split/best25")]
    places = np.concatenate([row[row["kept"] == ""][["x", "y"]] for row in rows])
    here = working_luminance(lb.unstretch(np.minimum(values["result"], np.float32(1 - 1e-6)), values["curve"]))
    stars = np.stack([places["x"], places["y"]], 1)
    before, after = (aperture_flux(plane, stars, 4.0) for plane in (working_luminance(values["linear/all"]), here))
    clear = before > np.median(before)
    ratio = (after / np.maximum(before, 1e-12))[clear]
    assert len(ratio) > 50
    assert (ratio < 0.5).mean() < 0.01 and (ratio > 1.7).mean() < 0.01, np.sort(ratio)


def test_the_star_layer_over_its_own_starless_picture_gives_the_picture(demo: Demo) -> None:
    values = demo.values("linear/best25", "split/best25", "curve")
    image, split, curve = (values[name] for name in ("linear/best25", "split/best25", "curve"))
    layer = lb.star_layer(image, split.starless, curve)
    joined = lb.blend(lb.stretch(split.starless, curve), layer)
    np.testing.assert_allclose(joined, lb.stretch(image, curve), atol=4e-6)


@pytest.mark.parametrize("name", ["all", "deep", "best25"])
def test_starless_and_stars_are_the_picture(demo: Demo, name: str) -> None:
    values = demo.values(f"linear/{name}", f"split/{name}")
    image, split = values[f"linear/{name}"], values[f"split/{name}"]
    np.testing.assert_allclose(split.starless + split.stars, image, rtol=3e-7, atol=3e-7 * float(np.nanmax(np.abs(image))))


def test_stacks_nest_and_hold_the_sharpest(demo: Demo) -> None:
    stacks = {name: open_stack(demo.out / "stacks" / f"{name}.fits") for name in ("best25", "best50", "best75", "all", "deep")}
    table = demo.values("table")["table"]
    ranked = [row.file for row in table.used]
    for name, share in (("best25", 0.25), ("best50", 0.5), ("best75", 0.75), ("all", 1), ("deep", 1)):
        assert list(stacks[name].files) == ranked[: max(1, int(share * len(ranked) + 0.5))]
    assert [row.fwhm_major for row in table.used] == sorted(row.fwhm_major for row in table.used)


# ---------------------------------------------------------------- the same bytes
def test_workers_and_the_order_and_place_of_frames_change_no_byte(demo: Demo, tmp_path: Path) -> None:
    """Frames written to another place in another order, two workers: the same bytes of every output."""
    (tmp_path / "elsewhere").mkdir()
    for path in reversed(demo.frames):
        shutil.copyfile(path, tmp_path / "elsewhere" / path.name)
    recipe = tmp_path / "recipe.yaml"
    recipe.write_text("target: Lantern Spiral\nframes: {folder: elsewhere}\noutput: {folder: out}\n", encoding="utf-8")
    result = api.blend_recipe(recipe, changes=[], out=None, upto=None, execution=Execution(workers=2, memory=10**7, quiet=True))
    places = [path.relative_to(tmp_path / "out") for path in result.outputs]
    places = [place for place in places if place.suffix in {".tif", ".png", ".jpg", ".fits"} and place.parts[0] != "grade"]
    assert len(places) >= 4 + 8 + 5  # results, layers, stacks
    for place in places:
        assert (tmp_path / "out" / place).read_bytes() == (demo.out / place).read_bytes(), place


def test_the_same_run_again_does_nothing(demo: Demo) -> None:
    with open_run(load_recipe(demo.recipe), EXECUTION) as run:
        reasons = run.runner.explain("result")
    assert {reason.status for reason in reasons} == {"done"}


# ---------------------------------------------------------------- reruns
def made(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The names of all nodes that are made from now on."""
    names: list[str] = []
    finish = Runner.finish
    monkeypatch.setattr(Runner, "finish", lambda self, node, *rest: (names.append(node.name), finish(self, node, *rest))[1])
    return names


def test_another_detail_stack_reruns_only_what_hangs_on_it(demo: Demo, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    names = made(monkeypatch)
    changes = ["roles.detail.stack=best75"]
    answer = api.blend_recipe(demo.recipe, changes=changes, out=tmp_path / "out", upto=None, execution=EXECUTION)
    kept = {name for name in names if demo_node(demo, name).keep}
    assert kept == {"cover/best75", "psf/best75", "split/best75", "facts/best75", "detail", "colour", "lit", "base"}
    assert (tmp_path / "out" / "result.tif") in answer.outputs
    names.clear()
    api.blend_recipe(demo.recipe, changes=changes, out=tmp_path / "out", upto=None, execution=EXECUTION)
    assert not [name for name in names if demo_node(demo, name).keep]


def test_a_new_blend_opens_no_picture_of_the_steps_and_writes_only_what_changed(
    demo: Demo, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"

    def blend(*changes: str) -> set[str]:
        """The files that a run wrote."""
        times = {path: path.stat().st_mtime_ns for path in out.rglob("*") if path.suffix in {".tif", ".png", ".fits", ".jpg"}}
        api.blend_recipe(demo.recipe, changes=list(changes), out=out, upto=None, execution=EXECUTION)
        found = {path: path.stat().st_mtime_ns for path in out.rglob("*") if path.suffix in {".tif", ".png", ".fits", ".jpg"}}
        return {path.relative_to(out).as_posix() for path, when in found.items() if times.get(path) != when}

    results = {"result.tif", "result.png", "result.fits", "result.jpg"}
    assert blend() > results | {"layers/detail.fits", "steps/split.png", "grade/report.png"}
    assert blend() == set()
    opened: list[str] = []
    value = Runner.value
    monkeypatch.setattr(Runner, "value", lambda self, name: (opened.append(name), value(self, name))[1])
    assert blend("blend.amount=0.5") == results
    assert not [name for name in opened if name.split("/")[0] in {"split", "psf", "sky", "linear", "detail", "colour", "picture"}]
    (out / "layers" / "detail.tif").unlink()
    (out / "layers" / "colour.fits").write_bytes(b"painted over")
    assert blend("blend.amount=0.5") == {"layers/detail.tif", "layers/colour.fits", "layers/colour-kept.fits"}
    assert (out / "layers" / "colour.fits").stat().st_size > 1000
    assert (out / "layers" / "colour-kept.fits").read_bytes() == b"painted over"  # what somebody did in place is not lost
    assert WRITING not in read_record(out)
    api.grade(demo.recipe, csv=None, links=None, out=out, changes=[], execution=EXECUTION)  # writes its plot too, which is nobody's work
    assert blend("blend.amount=0.5") == {"grade/report.png"}
    assert blend("blend.amount=0.5", "roles.stars.stack=best75") == {
        "layers/starless.fits",
        "layers/stars.tif",
        "layers/stars.fits",
        *results,
    }
    assert {f"layers/{name}.{end}" for name in ("starless", "stars", "detail", "colour") for end in ("tif", "fits")} <= blend(
        "blend.amount=0.5", "output.crop=[0, 0, 200, 150]"
    )


def test_smaller_stars_are_told_with_the_light_they_lost(demo: Demo, tmp_path: Path) -> None:
    answer = api.blend_recipe(demo.recipe, changes=["roles.stars.size=0.8"], out=tmp_path / "small", upto=None, execution=EXECUTION)
    (text,) = [note["text"] for note in answer.warnings if note["code"] == "stars_smaller"]
    layers = [demo.values("starlight", **changes)["starlight"].layer for changes in ({}, {"roles__stars__size": 0.8})]
    lost = 1 - np.maximum(layers[1], 0).sum(dtype=float) / np.maximum(layers[0], 0).sum(dtype=float)
    assert 0.02 < lost < 0.6
    assert f"took {lost:.0%} of their light" in text


def demo_node(demo: Demo, name: str) -> Any:
    with open_run(load_recipe(demo.recipe, {"roles.detail.stack": "best75"}), EXECUTION) as run:
        return run.graph[name]


def test_there_and_back_again_is_the_first_picture(demo: Demo) -> None:
    """A, B, A: a changed setting leaves no trace."""
    first = demo.values("result")["result"].copy()
    other = demo.values("result", blend__mode="lighten")["result"]
    assert not np.array_equal(first, other)
    np.testing.assert_array_equal(demo.values("result")["result"], first)


def test_check_says_what_would_run_and_why(demo: Demo) -> None:
    lines = api.check(demo.recipe, ["roles.detail.grain=.7"]).lines
    text = "\n".join(lines)
    assert "12 of 12 frames graded" in text
    assert "detail           would run: setting grain 0.5 -> 0.7" in text
    assert "split/deep       done" in text
    assert lines[-1] == f'Next: layerblend blend "{demo.recipe}" --set roles.detail.grain=.7'
    assert "Next" not in "\n".join(api.check(demo.recipe, []).lines)


def test_check_says_done_whatever_was_made_elsewhere_in_between(demo: Demo, tmp_path: Path) -> None:
    api.blend_recipe(demo.recipe, changes=["blend.gate=2.5"], out=tmp_path, upto=None, execution=EXECUTION)
    api.blend_recipe(demo.recipe, changes=[], out=None, upto=None, execution=EXECUTION)
    turned = demo.folder / ".." / demo.folder.name / demo.recipe.name  # another way to the same recipe
    for way in (demo.recipe, turned):
        answer = api.check(way, [])
        assert {node["status"] for node in answer.data["nodes"]} == {"done"}, answer.lines


def test_check_names_words_and_places_that_are_not_there(demo: Demo) -> None:
    with pytest.raises(RecipeError, match=r"white\.from must be stars, sky, .* there is no file .*starz"):
        api.check(demo.recipe, ["white.from=starz"])
    answer = api.check(demo.recipe, ["compare.against=elsewhere"])
    assert next(note["text"] for note in answer.warnings if note["code"] == "missing").startswith("compare.against names")


@pytest.mark.parametrize("step", ["grade", "stack", "flatten", "white", "split", "detail", "colour", "combine", "stars"])
def test_upto_stops_and_writes_what_the_step_made(demo: Demo, tmp_path: Path, step: str) -> None:
    answer = api.blend_recipe(demo.recipe, changes=[], out=tmp_path, upto=step, execution=EXECUTION)
    assert all(path.is_file() for path in answer.outputs)
    assert bool(answer.outputs) == (step != "white") and not (tmp_path / "result.tif").exists()
    assert step not in {"flatten", "white"} or step in {note["code"] for note in answer.warnings}  # what they found is told
    layers = list(tmp_path.glob("steps/*.fits"))
    assert bool(layers) == (step in {"flatten", "split", "detail", "colour"})
    for path in layers:
        cards, layer = fits.getheader(path), fits.getheader(demo.out / "layers" / "colour.fits")
        assert all(cards[key] == layer[key] for key in ("OBJECT", "ROWORDER"))


def test_an_unknown_step_is_refused(demo: Demo) -> None:
    with pytest.raises(RecipeError, match="--upto must be one of grade, stack, flatten"):
        api.blend_recipe(demo.recipe, changes=[], out=None, upto="polish", execution=EXECUTION)


# ---------------------------------------------------------------- finished stacks
@pytest.fixture(scope="module")
def given(demo: Demo, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's stacks as somebody else might bring them: FITS, 16-bit TIFF, three mono files, a mono luminance of another scale."""
    folder = tmp_path_factory.mktemp("given")
    light = {
        name: np.asarray(open_stack(demo.out / "stacks" / f"{name}.fits").mean, np.float32)[4:-4, 8:-8]
        for name in ("all", "best25", "deep")
    }
    cards = [card for card in open_stack(demo.out / "stacks" / "all.fits").cards if card[0] in {"OBJECT", "DATE-OBS"}]
    write_fits(folder / "all.fits", light["all"], cards=cards)
    write_tiff(folder / "best25.tif", light["best25"])
    for index, channel in enumerate("rgb"):
        write_fits(folder / f"deep_{channel}.fits", light["all"][..., index])
    write_fits(folder / "lum.fits", 0.3 * working_luminance(light["deep"]))
    return folder


def render(folder: Path, name: str, text: str) -> tuple[Any, Path]:
    recipe = folder / f"{name}.yaml"
    recipe.write_text(f"target: {name}\n{text}", encoding="utf-8")
    answer = api.blend_recipe(recipe, changes=[], out=None, upto=None, execution=EXECUTION)
    return answer, folder / "out" / name


def test_finished_stacks_make_the_same_picture(demo: Demo, given: Path) -> None:
    text = "stacks: {best25: {file: best25.tif}, all: {file: all.fits}, deep: {files: {r: deep_r.fits, g: deep_g.fits, b: deep_b.fits}}}\n"
    answer, out = render(given, "three", text)
    picture, own = read_picture(out / "result.tif"), read_picture(demo.out / "result.tif")[4:-4, 8:-8]
    assert picture.shape == own.shape
    assert np.median(np.abs(picture - own)) < 0.03
    assert not (out / "stacks").exists() and not (out / "grade").exists()
    factors = [note for note in answer.warnings if "brightness" in note["text"]]
    assert not factors


@pytest.mark.parametrize("own", [True, False])
def test_bright_stars_of_finished_stacks_are_split_off_as_from_frames(demo: Demo, given: Path, own: bool) -> None:
    """No map of saturated pixels comes with a finished stack of somebody else's; one made here brings its own and its half-sets."""
    path = (demo.out / "stacks" if own else given) / "all.fits"
    _, out = render(given, f"bright_{own}", f"stacks: {{all: {{file: '{path.as_posix()}'}}}}\n")
    with open_run(load_recipe(given / f"bright_{own}.yaml"), EXECUTION) as run:
        values = run.get_all("split/all", "stack/all")
    frames = demo.values("split/all")["split/all"]
    split, stack = values["split/all"], values["stack/all"]
    assert stack.saturated is not None and (stack.halves is not None) == own
    assert np.nanmax(split.starless) < 1.3 * np.nanmax(frames.starless)
    assert split.checks["saturated"] == pytest.approx(frames.checks["saturated"], abs=2)
    assert (out / "result.tif").exists()


@pytest.mark.parametrize("fill", [True, False])
def test_hot_pixels_of_a_finished_stack_are_counted_and_told(given: Path, fill: bool) -> None:
    """Debayered red dots on a grid; the spots that are said to be filled are, and with the switch off they stay."""
    clean = read_linear(given / "all.fits")[0]
    hot, places = clean.copy(), [(y, x) for y in range(30, len(clean) - 30, 24) for x in range(30, clean.shape[1] - 30, 24)]
    dot = 0.05 * np.outer((0.5, 1, 0.5), (0.5, 1, 0.5)).astype(np.float32)
    for y, x in places:
        hot[y - 1 : y + 2, x - 1 : x + 2, 0] += dot
    write_fits(given / "hot.fits", hot)
    answer, out = render(given, f"hot_{fill}", f"stacks: {{all: {{file: hot.fits}}}}\nsplit: {{fill_hot: {fill}}}\n")
    told = json.loads((out / "provenance.json").read_text())["facts"]["hot_pixels_filled"]["all"]
    said = [note["text"] for note in answer.warnings if "narrower than any star were filled" in note["text"]]
    assert (told > 0.7 * len(places)) == fill == bool(said) and (fill or told == 0)
    assert not any("stars.tif" in note["text"] for note in answer.warnings)  # its noise below 0 is no light that was clipped
    light = read_linear(out / "layers" / "colour.fits")[0]
    dots = np.median([light[y, x, 0] - np.median(light[y - 6 : y + 7, x - 6 : x + 7, 0]) for y, x in places])
    assert (dots < 0.002) == fill


def test_no_data_is_grey_in_pictures_and_nan_in_light(given: Path) -> None:
    """A corner that no frame covers, in every stack."""
    from astropy.io import fits

    for name in ("all", "deep_r", "deep_g", "deep_b"):
        image = read_linear(given / f"{name}.fits")[0].copy()
        image[:9, :20] = np.nan
        write_fits(given / f"holed_{name}.fits", image)
    text = "stacks: {all: {file: holed_all.fits}, deep: {files: {r: holed_deep_r.fits, g: holed_deep_g.fits, b: holed_deep_b.fits}}}\n"
    _, out = render(given, "holed", text)
    picture, light = read_picture(out / "result.tif"), fits.getdata(out / "result.fits")[:, ::-1]
    gap = np.zeros(picture.shape[:2], bool)
    gap[:9, :20] = True
    np.testing.assert_array_equal(np.isnan(light).any(0), gap)
    assert np.isfinite(light[:, ~gap]).all()
    np.testing.assert_allclose(picture[gap], 0.12, atol=0.01)
    assert np.ptp(picture[20:, 40:]) > 0.5  # the gap took nothing else with it


def test_colour_from_three_mono_files_with_a_mono_luminance_of_another_scale(given: Path) -> None:
    text = """stacks:
  colour: {files: {r: deep_r.fits, g: deep_g.fits, b: deep_b.fits}}
  lum: {file: lum.fits}
roles: {stars: {stack: colour}, detail: {stack: lum}, colour: {stack: colour}}
"""
    _, out = render(given, "lrgb", text)
    with open_run(load_recipe(given / "lrgb.yaml"), EXECUTION) as run:
        values = run.get_all("brightness/lum", "linear/lum", "linear/colour", "white")
    white = values["white"].factors
    assert values["brightness/lum"].factor == pytest.approx((white[0] + 2 + white[2]) / 4 / 0.3, rel=0.15)  # stars are white on average
    lum, colour = (working_luminance(values[f"linear/{name}"]) for name in ("lum", "colour"))
    bright = colour > np.quantile(colour, 0.99)
    assert lum[bright].sum() == pytest.approx(colour[bright].sum(), rel=0.05)
    picture = read_picture(out / "result.tif")
    assert np.ptp(picture, axis=2).max() > 0.1  # colour is there


def test_a_second_filter_is_screened_in_with_its_hue(given: Path) -> None:
    """Light that the second filter alone has appears with its hue; sky and stars stay as they are without it."""
    stacks = (
        "stacks: {best25: {file: best25.tif}, all: {file: all.fits}, deep: {files: {r: deep_r.fits, g: deep_g.fits, b: deep_b.fits}}}\n"
    )
    stars = working_luminance(np.asarray(read_linear(given / "best25.tif")[0]))
    y, x = np.indices(stars.shape)
    cloud = 0.05 * np.exp(-((y - 60.0) ** 2 + (x - 330.0) ** 2) / (2 * 9.0**2))
    write_fits(given / "narrow.fits", (0.4 * (stars + cloud)).astype(np.float32))
    answer, out = render(given, "second", stacks + "roles: {add: {file: narrow.fits, hue: 30, amount: 0.8}}\n")
    _, bare = render(given, "first", stacks)
    base, lit = (read_picture(folder / "layers" / "starless.tif") for folder in (bare, out))
    layer = _added_picture(given / "second.yaml")
    np.testing.assert_allclose(lit, base + 0.8 * layer - base * 0.8 * layer, atol=2e-5)  # W3C Compositing Level 1, 10.1.3 screen
    assert lit[60, 330, 0] > base[60, 330, 0] + 0.2
    assert lit[60, 330, 0] > lit[60, 330, 1] + 0.05 and lit[60, 330, 0] > lit[60, 330, 2] + 0.05
    sky = np.s_[2:30, 2:60]
    assert abs(lit[sky] - base[sky]).mean() < 0.004
    np.testing.assert_array_equal(read_picture(out / "layers" / "stars.tif"), read_picture(bare / "layers" / "stars.tif"))
    inputs = json.loads((out / "provenance.json").read_text(encoding="utf-8"))["inputs"]
    assert str(given / "narrow.fits") in [entry["file"] for entry in inputs]
    assert not [note for note in answer.warnings if "misplaced" in note["text"]]
    api.compare_sources([given / "second.yaml"], out=given / "judged", changes=[], execution=EXECUTION)


def _added_picture(recipe: Path) -> Any:
    with open_run(load_recipe(recipe), EXECUTION) as run:
        return hue_layer(run.get_all("added")["added"].plane, 30)


def test_stacks_of_another_size_are_refused_by_name(given: Path) -> None:
    write_fits(given / "small.fits", np.zeros((40, 60, 3), np.float32) + 0.1)
    with pytest.raises(InputError, match=r"small\.fits is 60 x 40"):
        render(given, "sizes", "stacks: {all: {file: all.fits}, best25: {file: small.fits}}\n")


# ---------------------------------------------------------------- compare, sweep
MEASURE = {"name", "unit", "better", "a", "b", "difference", "interval", "method", "verdict"}


def test_a_recipe_alone_is_judged_against_plain(demo: Demo) -> None:
    answer = api.compare_sources([demo.recipe], out=None, changes=[], execution=EXECUTION)
    assert [path.name for path in answer.outputs] == ["measures.json", "sheet.png", "page.html"]
    assert all(path.parent == demo.out / "compare" for path in answer.outputs)
    (facts,) = answer.data["comparisons"]
    assert (facts["a"], facts["b"], facts["confidence"]) == ("Lantern Spiral", "plain", 0.95)
    for measure in facts["measures"]:
        assert set(measure) == MEASURE
        assert measure["verdict"] in {"A better", "B better", "no difference shown"}
    names = {m["name"]: m for m in facts["measures"]}
    assert names["star fwhm_major"]["verdict"] == "A better"
    assert names["contrast 0.10-0.15"]["verdict"] == "A better"


def test_a_result_folder_and_two_pictures(demo: Demo, tmp_path: Path) -> None:
    answer = api.compare_sources(
        [demo.out, demo.out / "result.png", demo.out / "result.tif"], out=tmp_path / "judged", changes=[], execution=EXECUTION
    )
    first, second = answer.data["comparisons"]
    assert {first["a"], second["a"]} == {"out"} and first["b"] != second["b"]
    for facts in (first, second):  # the same picture, so nothing may be called better
        # a picture file does not say how much saturation was asked for, so its colour cannot be set against the source's
        told = {m["name"]: m for m in facts["measures"] if m["verdict"] != "no difference shown"}
        others = [told[name] for name in told if name not in ("chroma ratio", "colour difference")]
        # the files round light to whole numbers: what that moves is a thousandth or two of a degree, of a px, of the lightness scale's 1
        assert all(abs(m["difference"]) < 2e-3 * max(abs(m["a"]), 1) for m in others), others
    assert (tmp_path / "judged" / "page.html").is_file()


@pytest.mark.parametrize("record", ["{", "[]", '{"home": 7}'])
def test_a_damaged_record_keeps_no_result_from_being_judged(demo: Demo, tmp_path: Path, record: str) -> None:
    shutil.copyfile(demo.out / "recipe.yaml", tmp_path / "recipe.yaml")
    (tmp_path / "provenance.json").write_text(record, encoding="utf-8")
    assert api._recipe_of(tmp_path).target == load_recipe(demo.recipe).target


def test_two_tiffs_alone(demo: Demo, tmp_path: Path) -> None:
    picture = read_picture(demo.out / "result.tif")
    noisier = picture + np.random.default_rng(1).normal(0, 0.02, picture.shape).astype(np.float32)
    write_tiff(tmp_path / "noisier.tif", np.clip(noisier, 0, 1))
    answer = api.compare_sources([demo.out / "result.tif", tmp_path / "noisier.tif"], out=tmp_path / "c", changes=[], execution=EXECUTION)
    (facts,) = answer.data["comparisons"]
    noise = [m for m in facts["measures"] if m["name"].startswith("sky lightness noise")]
    assert noise and noise[0]["verdict"] == "A better"
    assert any("by the picture alone" in line for line in answer.lines)
    one, other = demo.out / "result.tif", tmp_path / "noisier.tif"
    assert api.compare(one, other, out=tmp_path / "half", confidence=0.5).confidence == 0.5
    wide, narrow = (api.compare(one, other, confidence=c).measures[0].interval for c in (0.95, 0.5))
    assert narrow[1] - narrow[0] < wide[1] - wide[0]


def test_a_picture_with_a_hole_is_judged_as_its_file_would_be(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    picture, other = (rng.normal(0.12, 0.01, (120, 160, 3)).clip(0, 1).astype(np.float32) for _ in range(2))
    picture[50:60, 70:90] = np.nan
    tifffile.imwrite(tmp_path / "hole.tif", picture, photometric="rgb")
    by_array, by_file = (lb.compare(source, other) for source in (picture, tmp_path / "hole.tif"))
    assert [(m.name, m.a, m.b) for m in by_array.measures] == [(m.name, m.a, m.b) for m in by_file.measures]
    assert all(np.isfinite(m.a) for m in by_array.measures)


def test_pictures_without_a_recipe_are_judged_beside_where_one_stands(demo: Demo, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    answer = api.compare_sources([demo.out / "result.tif", demo.out / "result.png"], out=None, changes=[], execution=EXECUTION)
    assert {path.parent for path in answer.outputs} == {Path("compare") / "result_against_result_2"}


def test_one_picture_alone_is_refused(demo: Demo, tmp_path: Path) -> None:
    with pytest.raises(RecipeError, match="needs two results"):
        api.compare_sources([demo.out / "result.tif"], out=None, changes=[], execution=EXECUTION)
    with pytest.raises(InputError, match="no result folder"):
        api.compare_sources([tmp_path, demo.out], out=None, changes=[], execution=EXECUTION)
    with pytest.raises(InputError, match=r"result\.fits is linear light.*\.png"):
        api.compare_sources([demo.out / "result.fits", demo.out], out=None, changes=[], execution=EXECUTION)


def test_several_judged_leave_the_verdict_against_plain(demo: Demo) -> None:
    api.compare_sources([demo.recipe], out=None, changes=[], execution=EXECUTION)
    kept = (demo.out / "compare" / "measures.json").read_bytes()
    answer = api.compare_sources([demo.out / "result.png", demo.out], out=None, changes=[], execution=EXECUTION)
    assert {path.parent for path in answer.outputs} == {demo.out / "compare" / "result_against_out"}
    assert (demo.out / "compare" / "measures.json").read_bytes() == kept


def test_several_judged_write_over_none_of_each_other(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    paths = [tmp_path / name for name in ("a.tif", "x/y.tif", "z/y.tif", "y_2.tif")]  # the second y goes by `y 2`, its folder by y_2
    for path in paths:
        path.parent.mkdir(exist_ok=True)
        tifffile.imwrite(path, rng.normal(0.12, 0.01, (120, 160, 3)).clip(0, 1).astype(np.float32), photometric="rgb")
    answer = api.compare_sources(paths, out=tmp_path / "out", changes=[], execution=EXECUTION)
    assert len(set(answer.outputs)) == len(answer.outputs) == 9


def test_a_result_folder_goes_by_its_whole_name(demo: Demo, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "v1.5"
    api.blend_recipe(demo.recipe, changes=[], out=folder, upto=None, execution=EXECUTION)
    monkeypatch.chdir(folder)
    for source in (folder, Path()):
        answer = api.compare_sources([demo.out / "result.tif", source], out=tmp_path / "judged", changes=[], execution=EXECUTION)
        assert answer.lines[0] == "result against v1.5:"


def test_what_a_recipe_is_judged_against_has_another_name_than_its_target(demo: Demo, tmp_path: Path) -> None:
    target = load_recipe(demo.recipe).target
    shutil.copy(demo.out / "result.tif", tmp_path / f"{target}.tif")
    changes = [f"compare.against={tmp_path / target}.tif"]
    answer = api.compare_sources([demo.recipe], out=tmp_path / "judged", changes=changes, execution=EXECUTION)
    assert answer.lines[0] == f"{target} against {target} 2:"


def test_what_cannot_be_judged_is_told_before_anything_is_rendered(demo: Demo, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(api, "open_run", lambda *_: pytest.fail("something was rendered"))
    with pytest.raises(InputError, match=r"absent\.tif"):
        api.compare_sources([demo.recipe, tmp_path / "absent.tif"], out=None, changes=[], execution=EXECUTION)
    with pytest.raises(RecipeError, match=r"absent\.yaml"):
        api.compare_sources([demo.recipe, tmp_path / "absent.yaml"], out=None, changes=[], execution=EXECUTION)
    changes = [f"compare.against={tmp_path / 'absent.png'}"]
    with pytest.raises(InputError, match=r"absent\.png"):
        api.compare_sources([demo.recipe], out=None, changes=changes, execution=EXECUTION)


def test_sweep_renders_every_assignment(demo: Demo, tmp_path: Path) -> None:
    answer = api.sweep(
        demo.recipe,
        tries=["blend.mode=screen,lighten", "roles.detail.core=0,.3"],
        sort="contrast 0.10-0.15",
        out=tmp_path,
        execution=EXECUTION,
    )
    labels = [row["label"] for row in answer.data["results"]]
    assert sorted(labels) == sorted(f"blend.mode={m}, roles.detail.core={c}" for m in ("screen", "lighten") for c in ("0", "0.3"))
    contrast = [next(m["a"] for m in row["measures"] if m["name"] == "contrast 0.10-0.15") for row in answer.data["results"]]
    assert contrast == sorted(contrast, reverse=True)
    assert [path.name for path in answer.outputs] == ["contact.png", "sweep.json"]


def test_results_whose_measure_could_not_be_taken_come_last() -> None:
    def row(label: str, **values: float) -> dict[str, Any]:
        measures = [Measure(name, "", "higher", value, 1.0, value - 1, (0.0, 0.0), "", "A better") for name, value in values.items()]
        return {"label": label, "comparison": Comparison(label, "plain", 0.95, tuple(measures))}

    rows = [row("none"), row("low", snr=2.0), row("high", snr=3.0, other=1.0)]
    assert [r["label"] for r in api._sorted_rows(rows, "snr")] == ["high", "low", "none"]
    with pytest.raises(RecipeError, match="--sort must be one of"):
        api._sorted_rows(rows, "beauty")


def test_a_sweep_says_what_the_steps_say_once(demo: Demo, tmp_path: Path) -> None:
    answer = api.sweep(demo.recipe, tries=["roles.stars.size=0.5,1"], sort=None, out=tmp_path, execution=EXECUTION)
    texts = [note["text"] for note in answer.warnings]
    assert sum("Making the stars smaller" in text for text in texts) == 1
    assert any(text.startswith("white:") for text in texts) and len(texts) == len(set(texts))


@pytest.mark.parametrize(
    "tries, sort, said",
    [
        (["blend.mode=screen,shout"], None, "shout"),
        (["blend.gate=1,2"], "beauty", "--sort must be one of"),
        (["blend.gate"], None, "KEY=VALUE"),
        (["blend.gate=1,99"], None, "^--try  blend.gate  must lie in"),
        (["frames.folder.x=1"], None, r"^--try  frames.folder.x  cannot be set"),
        (["blend.mode=screen", "blend.gate="], None, "^--try  blend.gate  names no value to try"),
    ],
)
def test_sweeps_that_cannot_be_are_refused(demo: Demo, tmp_path: Path, tries: list[str], sort: str | None, said: str) -> None:
    with pytest.raises(RecipeError, match=said):
        api.sweep(demo.recipe, tries=tries, sort=sort, out=tmp_path, execution=EXECUTION)


# ---------------------------------------------------------------- new
def test_new_on_stacks_then_check_then_blend(given: Path, tmp_path: Path) -> None:
    folder = tmp_path / "my stacks"
    folder.mkdir()
    for name in ("all.fits", "best25.tif", "deep_r.fits", "deep_g.fits", "deep_b.fits"):
        shutil.copyfile(given / name, folder / name)
    answer = api.new(folder, None)
    (recipe,) = answer.outputs
    assert recipe == tmp_path / "my stacks.yaml" and answer.data["stacks"] == ["best25", "all", "deep"]
    assert "stacks best25, all, deep" in api.check(recipe, []).lines[0]
    api.blend_recipe(recipe, changes=[], out=None, upto=None, execution=EXECUTION)
    name = load_recipe(recipe).target
    assert name == "my stacks"  # one file of five tells an OBJECT
    assert (tmp_path / "out" / "my_stacks" / "result.jpg").is_file()


def test_results_do_not_lie_among_the_frames(demo: Demo) -> None:
    frames = demo.folder / "frames"
    before = sorted(frames.iterdir())
    with pytest.raises(InputError, match="frames' own folder"):
        api.blend_recipe(demo.recipe, changes=[], out=frames, upto=None, execution=EXECUTION)
    assert sorted(frames.iterdir()) == before


def test_the_hint_judges_the_picture_that_was_made(demo: Demo, tmp_path: Path) -> None:
    answer = api.blend_recipe(demo.recipe, changes=["blend.amount=.9"], out=tmp_path / "other", upto=None, execution=EXECUTION)
    assert answer.lines[-1].endswith(f"layerblend compare {tmp_path / 'other'}")


def test_sorted_links(demo: Demo, tmp_path: Path) -> None:
    for _ in range(2):  # a second run replaces its own links
        answer = api.grade(demo.recipe, csv=tmp_path / "t.csv", links=tmp_path / "links", out=tmp_path, changes=[], execution=EXECUTION)
    names = sorted(path.name for path in (tmp_path / "links").iterdir())
    table = demo.values("table")["table"]
    assert names == [f"{row.fwhm_major:05.2f}px_{row.file}" for row in table.used]
    assert (tmp_path / "links" / names[0]).samefile(table.used[0].path)
    assert (tmp_path / "t.csv").read_bytes() == (demo.out / "grade" / "frames.csv").read_bytes()
    assert len(answer.listings[0].rows) == 12 and answer.lines[-1].endswith(f"are in {tmp_path / 'links'}.")
    assert answer.listings[0].title == "Sharpest first"
    other = api.grade(demo.recipe, csv=None, links=None, out=tmp_path, changes=["frames.rank_by=snr"], execution=EXECUTION)
    assert other.listings[0].title == "Ranked by snr"
    with pytest.raises(InputError, match="holds the frames"):
        api.grade(demo.recipe, csv=None, links=demo.folder / "frames", out=tmp_path, changes=[], execution=EXECUTION)


def test_frames_of_one_name_are_told_apart(demo: Demo, tmp_path: Path) -> None:
    paths = [tmp_path / night / "L_0.fits" for night in ("n1", "n2")]
    for frame, path in zip(demo.frames, paths, strict=False):
        path.parent.mkdir()
        shutil.copyfile(frame, path)
    assert sorted(row.file for row in lb.grade_frames(paths, workers=1)) == ["n1/L_0.fits", "n2/L_0.fits"]


def test_a_frame_left_out_by_name_is_in_the_table_with_its_reason_and_no_note(demo: Demo, tmp_path: Path) -> None:
    name = demo.frames[0].name
    changes = [f"frames.exclude.files=[{name}]"]
    answer = api.grade(demo.recipe, csv=tmp_path / "t.csv", links=None, out=tmp_path, changes=changes, execution=EXECUTION)
    before = api.grade(demo.recipe, csv=None, links=None, out=tmp_path, changes=[], execution=EXECUTION)
    last = (tmp_path / "t.csv").read_text(encoding="utf-8").splitlines()[-1]
    assert last.startswith(name) and last.endswith("named in exclude.files")
    assert not any("exclude.files" in note["text"] for note in answer.warnings) and len(answer.warnings) <= len(before.warnings)


def test_grading_a_folder_needs_no_recipe(demo: Demo, tmp_path: Path) -> None:
    answer = api.grade(demo.folder / "frames", csv=None, links=None, out=tmp_path, changes=[], execution=EXECUTION)
    assert (tmp_path / "grade" / "frames.csv").read_bytes() == (demo.out / "grade" / "frames.csv").read_bytes()
    assert answer.data["used"] == len(demo.values("table")["table"].used)


def test_grading_a_result_folder_grades_its_frames(demo: Demo, tmp_path: Path) -> None:
    api.grade(demo.out, csv=tmp_path / "t.csv", links=None, out=tmp_path, changes=[], execution=EXECUTION)
    assert (tmp_path / "t.csv").read_bytes() == (demo.out / "grade" / "frames.csv").read_bytes()


# ---------------------------------------------------------------- Python
def test_run_gives_the_picture_and_its_layers(demo: Demo, tmp_path: Path) -> None:
    result = lb.run(demo.recipe, output__folder=str(tmp_path / "out"), blend__mode="lighten")
    np.testing.assert_allclose(result.picture, np.maximum(result.starless, np.clip(result.stars, 0, 1)), atol=1e-6)
    assert result.folder == tmp_path / "out" and all(path.is_file() for path in result.files)
    comparison = lb.compare(result, demo.recipe)
    assert comparison.measures
    with pytest.raises(RecipeError, match=r"blend\.mood"):
        lb.run(demo.recipe, blend__mood="x")


def test_grade_and_stack_from_paths(demo: Demo, tmp_path: Path) -> None:
    table = lb.grade_frames(demo.frames, workers=1)
    widths = [row.fwhm_major for row in table.used]
    assert widths == sorted(widths)
    table.write_csv(tmp_path / "t.csv")
    head = (tmp_path / "t.csv").read_text().splitlines()[0].split(",")
    assert head[:12] == [
        "file",
        "stars",
        "fwhm",
        "fwhm_major",
        "eccentricity",
        "angle",
        "sky_r",
        "sky_g",
        "sky_b",
        "noise",
        "snr",
        "transparency",
    ]
    stacks = lb.nested_stacks(table, {"best25": 0.25, "deep": {"keep": 1.0, "weights": "sharpness"}}, folder=tmp_path / "stacks")
    assert isinstance(stacks["deep"].mean, np.memmap) and stacks["deep"].halves is not None
    assert stacks["best25"].n_frames == max(1, int(0.25 * len(table.used) + 0.5))
    assert stacks["deep"].exposure_s == pytest.approx(sum(row.exposure_s for row in table.used))
    in_memory = lb.nested_stacks(table, {"best25": 0.25})
    np.testing.assert_array_equal(in_memory["best25"].mean, stacks["best25"].mean)
    with pytest.raises(InputError, match="No frames"):
        lb.grade_frames([])
    assert [row.file for row in lb.grade_frames(demo.folder / "frames")] == [row.file for row in table]
    assert len(lb.grade_frames(str(demo.frames[0]))) == 1


ARRAY_FUNCTIONS = [
    "blend", "combine_luminance", "deconvolve", "denoise_colour", "fit_curve", "flatten", "gate_stars", "measure_psf", "ring_correlation",
    "sharpen", "split_stars", "star_layer", "stretch", "unstretch", "white_balance",
]  # fmt: skip


def test_every_public_name_is_there_and_explained() -> None:
    assert set(lb.__all__) == {*ARRAY_FUNCTIONS, "grade_frames", "nested_stacks", "compare", "run"}
    assert set(dir(lb)) >= set(lb.__all__)
    for name in lb.__all__:
        text = inspect.getdoc(getattr(lb, name))
        assert text and len(text.splitlines()[0]) > 20, name
    with pytest.raises(AttributeError):
        _ = lb.polish


def test_the_readme_names_what_is_there() -> None:
    text = (Path(__file__).resolve().parents[1] / "README.md").read_text(encoding="utf-8")
    named = set(re.findall(r"\blb\.(\w+)", text))
    assert {"run", "compare"} <= named <= set(lb.__all__)


# what may be given by place: the arrays, and what design fixes so
BY_PLACE = {
    "blend": ["base", "top", "mode", "amount"], "combine_luminance": ["colour", "luminance"], "compare": ["a", "b"],
    "deconvolve": ["luminance", "star_shape"], "denoise_colour": ["image", "guide"], "fit_curve": ["image"], "flatten": ["image"],
    "gate_stars": ["sharp", "deep", "sigma", "gate"], "grade_frames": ["paths"], "measure_psf": ["image"],
    "nested_stacks": ["frames", "stacks"], "ring_correlation": ["half_a", "half_b"], "run": ["recipe"], "sharpen": ["lightness", "gains"],
    "split_stars": ["image"], "star_layer": ["image", "starless", "curve"], "stretch": ["image", "curve"],
    "unstretch": ["display", "curve"], "white_balance": ["image"],
}  # fmt: skip


@pytest.mark.parametrize("name", BY_PLACE)
def test_options_go_by_keyword(name: str) -> None:
    found = inspect.signature(getattr(lb, name)).parameters.values()
    assert [p.name for p in found if p.kind in (p.POSITIONAL_ONLY, p.POSITIONAL_OR_KEYWORD)] == BY_PLACE[name]


def test_array_functions_leave_their_arrays_alone(demo: Demo) -> None:
    names = ("linear/all", "linear/deep", "half_a/all", "half_b/all", "split/all", "psf/all", "curve", "noise/all")
    values = demo.values(*names)
    image, split, curve, shape = (values[n] for n in ("linear/all", "split/all", "curve", "psf/all"))
    luminance, starless = working_luminance(image), split.starless
    halves = [working_luminance(values[n]) for n in ("half_a/all", "half_b/all")]
    shown = lb.stretch(starless, curve)
    arrays = {"image": image, "starless": starless, "luminance": luminance, "a": halves[0], "b": halves[1], "shown": shown}
    before = {name: array.copy() for name, array in arrays.items()}
    for array in arrays.values():
        array.flags.writeable = False
    sigma = float(curve.sigma)
    stars = lb.star_layer(image, starless, curve)
    calls = [
        lb.blend(shown, stars),
        lb.combine_luminance(shown, shown[..., 1]),
        lb.deconvolve(luminance, shape, sigma=sigma),
        lb.denoise_colour(starless, luminance, sigma=sigma),
        lb.fit_curve(starless, sigma=sigma),
        lb.flatten(image),
        lb.gate_stars(stars, stars, 0.01, 3),
        lb.measure_psf(luminance),
        lb.ring_correlation(np.nan_to_num(halves[0]), np.nan_to_num(halves[1])),
        lb.sharpen(shown[..., 1], [1, 1.2], sigma=0.01),
        lb.split_stars(image, star_shape=shape),
        lb.stretch(image, curve),
        lb.unstretch(shown, curve),
        lb.white_balance(image),
    ]
    assert len(calls) == len(ARRAY_FUNCTIONS) - 1
    for name, array in arrays.items():
        np.testing.assert_array_equal(array, before[name])
