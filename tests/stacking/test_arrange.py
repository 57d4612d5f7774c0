from dataclasses import replace

import numpy as np
import pytest

from layerblend.errors import ArgumentError, InputError
from layerblend.files import stacks
from layerblend.kinds import FrameTable
from layerblend.stacking import StackSpec, arrange, build_stacks, nested_stacks, read_report
from tests.scenes.frames import simulate, true_table, write_frames


def test_a_cut_frame_stops_the_work_before_it_begins(tmp_path):
    scene = simulate(4, shape=(40, 50), seed=3)
    write_frames(scene, tmp_path)
    table = true_table(scene)
    with open(scene.paths[2], "r+b") as handle:
        handle.truncate(9000)
    with pytest.raises(InputError, match=r"frame002\.fits is cut short"):
        nested_stacks(table, {"all": 1.0})


def test_mixed_sizes_are_refused_by_name(tmp_path):
    scene = simulate(4, shape=(40, 50), seed=3)
    write_frames(scene, tmp_path)
    table = true_table(scene)
    odd = replace(table[2], info=replace(table[2].info, height=39))
    with pytest.raises(InputError, match=r"frame002\.fits"):
        nested_stacks(FrameTable((*table[:2], odd, table[3])), {"all": 1.0})


def test_unknown_white_level_is_said(tmp_path):
    scene = simulate(3, shape=(40, 50), seed=3)
    write_frames(scene, tmp_path)
    table = true_table(scene)
    row = replace(table[1], info=replace(table[1].info, white_level=None))
    with pytest.raises(InputError, match=r"frames\.white_level"):
        nested_stacks(FrameTable((table[0], row, table[2])), {"all": 1.0})


@pytest.mark.parametrize(
    "spec",
    [
        0.0, 1.5, True, "half", "130%", None, (), {"keep": 2}, {"keep": "all"}, {"weights": "best"}, {"power": 9}, {"sharp": 1},
        {"weights": (1.0, -1.0)}, {"weights": (1.0, 2.0)},
    ],
)  # fmt: skip
def test_wrong_specs_are_refused(table, spec):
    with pytest.raises(ArgumentError, match=r"`stacks\['all'\]"):
        nested_stacks(table, {"all": spec})


def test_mixed_seeing_is_said():
    assert arrange.ordinary_peak_loss(np.full(50, 3.0)) == 0
    mixed = np.concatenate([np.full(9, 2.6), np.linspace(4.3, 4.7, 51)])
    assert 0.05 < arrange.ordinary_peak_loss(mixed) < 0.4
    # two frames of ten 4 px ones are 2 px sharp, with peaks four times as high: clipped, (10 + 8) / 12 falls to 1
    assert arrange.ordinary_peak_loss(np.array([4.0] * 10 + [2.0] * 2)) == pytest.approx(1 / 3)


def test_a_stack_among_its_own_frames_is_told(table):
    """The mean of sixteen frames has a quarter of their noise and sixteen times their weight; ten long exposures of forty are frames."""
    rows = [replace(table.used[0], file=f"L_{n}.fits") for n in range(40)]
    weights = np.ones(40)
    assert arrange._words_on_heavy_frames(rows, weights) == []
    weights[7] = 16
    (words,) = arrange._words_on_heavy_frames(rows, weights)
    assert words.startswith("L_7.fits counts as much as 16 ordinary frames") and "frames.exclude.files" in words
    weights[:10] = 16
    assert arrange._words_on_heavy_frames(rows, weights) == []


def test_few_frames_are_said_once_and_as_it_is(table):
    rows = table.used
    specs = {
        "a": arrange.StackSpec(0.1),
        "b": arrange.StackSpec(0.25),
        "c": arrange.StackSpec(1.0),
        "sum": arrange.StackSpec(0.1, maps=False),
    }
    counts = {"a": 1, "b": 3, "c": 12, "sum": 1}
    alike = [replace(row, fwhm=3.0) for row in rows]
    (words,) = arrange._warnings(alike, counts, specs)
    assert words.startswith("a and b hold only 1 and 3 of 12 frames: trails and cosmic rays are judged among all frames of like seeing")
    apart = [replace(row, fwhm=2.0 if i < 3 else 4.0) for i, row in enumerate(rows)]
    words = arrange._warnings(apart, counts, specs)[0]
    assert words.startswith("a and b hold only 1 and 3 of 12 frames: judged among fewer than 5 frames")
    (words,) = arrange._warnings(alike[:1], {"a": 1}, specs)
    assert words.startswith("a holds only 1 of 1 frame: judged among fewer than 5")
    assert not arrange._warnings(alike, {"c": 12, "sum": 1}, specs)


def test_a_turned_frame_is_left_out_by_name(tmp_path):
    scene = simulate(8, shape=(96, 128), seed=3, stars=25)
    write_frames(scene, tmp_path / "f")
    table = true_table(scene)
    row = table[5]
    stars = row.measure.star_list.copy()
    stars[:, 0], stars[:, 1] = 127 - stars[:, 0], 95 - stars[:, 1]
    turned = replace(row, measure=replace(row.measure, star_list=stars))
    paths = build_stacks(FrameTable((*table[:5], turned, *table[6:])), {"all": 1.0}, folder=tmp_path / "out")
    assert stacks.open_stack(paths["all"]).n_frames == 7
    assert any("frame005.fits is left out: turned by 180 degrees" in text for text in read_report(tmp_path / "out").words)
    stack = nested_stacks(FrameTable((*table[:5], turned, *table[6:])), {"all": 1.0})["all"]
    assert any("frame005.fits is left out" in text for text in stack.words)
    unchecked = arrange.arrange(
        FrameTable((*table[:5], turned, *table[6:])), {"all": StackSpec()}, level_sky="plane", match_brightness=True, check_places=False
    )
    assert len(unchecked.rows) == 8 and not any("left out" in text for text in unchecked.words)


def test_the_reference_stays_the_same_frame_when_one_before_it_is_left_out(tmp_path):
    scene = simulate(8, shape=(96, 128), seed=3, stars=25)
    write_frames(scene, tmp_path)
    rows = [replace(row, snr=9.0 if i == 3 else 1.0) for i, row in enumerate(true_table(scene))]
    stars = rows[1].measure.star_list.copy()
    stars[:, 0], stars[:, 1] = 127 - stars[:, 0], 95 - stars[:, 1]
    rows[1] = replace(rows[1], measure=replace(rows[1].measure, star_list=stars))
    plan = arrange.arrange(FrameTable(tuple(rows)), {"all": StackSpec()}, level_sky="plane", match_brightness=True)
    assert [row.file for row in plan.rows] == [row.file for i, row in enumerate(rows) if i != 1]
    assert plan.rows[plan.matching.reference].file == rows[3].file
    assert plan.matching.scale[plan.matching.reference] == 1
    assert len(plan.weights[0]) == 7


@pytest.mark.parametrize("power", [0.0, 1.0, 3.0])
def test_weights_of_sharpness_are_those_of_its_definition(table, power):
    """1 / (s^2 FWHM^power), FWHM the mean of both axes, whatever the longer one is."""
    rows = FrameTable(tuple(replace(row, fwhm_major=5 - row.fwhm) for row in table))
    plan = arrange.arrange(
        rows, {"a": StackSpec(weights="sharpness", power=power), "b": StackSpec(weights="equal")}, level_sky="plane", match_brightness=True
    )
    wanted = plan.matching.noise**-2.0 * np.array([row.fwhm for row in plan.rows]) ** -power
    weights, equal = (plan.weights[plan.sets[name]] for name in "ab")
    np.testing.assert_allclose(weights / weights.mean(), wanted / wanted.mean(), rtol=1e-5)
    assert np.ptp(equal) == 0 and equal[0] > 0


def test_weight_sets_are_kept_once(table):
    specs = {"a": StackSpec(0.25), "b": StackSpec(), "c": StackSpec(weights="sharpness"), "d": StackSpec(weights="sharpness", power=0)}
    plan = arrange.arrange(table, specs, level_sky="plane", match_brightness=True)
    assert plan.sets == {"a": 0, "b": 0, "c": 1, "d": 0}
    assert plan.weights.shape == (2, 12)
    assert plan.counts == {"a": 3, "b": 12, "c": 12, "d": 12}


def test_a_recipes_stack_serves_as_spec():
    class FromRecipe:
        keep, weights, power, kind = 0.5, "sharpness", 3.0, "mean"

    assert StackSpec.of("x", FromRecipe()) == StackSpec(0.5, "sharpness", 3.0)
    assert StackSpec.of("x", 1) == StackSpec()
    assert StackSpec.of("x", "25%") == StackSpec.of("x", {"keep": "25 %"}) == StackSpec(0.25)
