import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest

from layerblend.kinds import FrameTable
from layerblend.stacking import StackSpec
from layerblend.stacking.arrange import arrange
from layerblend.stacking.order import frames_in_place, gap_table, make_order, pass_key
from tests.scenes.frames import WHITE, simulate, true_table, write_frames


@pytest.fixture(scope="module")
def pool():
    with ThreadPoolExecutor(1) as executor:
        yield executor


def plan_of(table, **spec):
    return arrange(table, {"all": StackSpec(**spec)}, level_sky="plane", match_brightness=True)


@pytest.mark.parametrize("top_down", [False, True])
@pytest.mark.parametrize("graded", [True, False])
def test_gaps_stand_in_file_rows(tmp_path, pool, top_down, graded):
    """Whether grading noted them or the frames have to be looked at again."""
    scene = simulate(3, shape=(20, 30), borders=4, seed=3, stars=3)
    write_frames(scene, tmp_path, top_down=top_down)
    table = true_table(scene)
    if not graded:
        table = FrameTable(tuple(replace(row, measure=replace(row.measure, gaps=None)) for row in table))
    gaps = gap_table(table, [row.info for row in table], pool)
    found = np.zeros((3, 20, 30), bool)
    for frame, row, start, stop in gaps:
        found[frame, row, start:stop] = True
    missing = np.isnan(scene.frames).all(3)
    assert np.array_equal(found, missing if top_down else missing[:, ::-1])
    assert (np.diff(gaps[:, 1]) >= 0).all()


def test_frames_that_cover_everything_have_no_gaps(table, pool):
    full = [replace(row, measure=replace(row.measure, covered=1.0, gaps=None)) for row in table]
    assert gap_table(full, [row.info for row in full], pool).shape == (0, 4)


def test_the_floor_is_the_pixel_noise_of_the_frames(tmp_path, pool):
    """Not the graded band noise, which resampling makes larger than the pixels' scatter."""
    scene = simulate(20, shape=(80, 100), seed=5, trails=0.3, borders=4, galaxy=0, tilt=0.0)
    write_frames(scene, tmp_path)
    table = true_table(scene)
    table = FrameTable(tuple(replace(row, measure=replace(row.measure, noise=3 * row.measure.noise)) for row in table))
    plan = plan_of(table)
    frames = frames_in_place(plan.rows, tmp_path, pool, False)
    order = make_order(plan, frames, gap_table(plan.rows, frames, pool), ["all"], 3.0)
    sigma = np.sqrt(8**2 + scene.sky / 1.5) / WHITE * plan.matching.scale[:, None] / order.noise[:, None]
    np.testing.assert_allclose(order.floor, np.median(sigma, 0), rtol=0.05)


def test_the_floor_is_at_least_half_a_step_of_the_numbers(tmp_path, pool):
    """Frames of 8 bits without noise, 257 ADU a step: most of their pixels do not scatter at all."""
    scene = simulate(6, shape=(40, 50), seed=5, galaxy=0, stars=3, tilt=0.0, read_noise=0.0, gain=1e9, transparency=1.0)
    write_frames(scene, tmp_path, dtype="uint8")
    rows = tuple(replace(row, flux_scale=1.0) for row in true_table(scene, white=255.0))
    plan = arrange(FrameTable(rows), {"all": StackSpec()}, level_sky="off", match_brightness=False)
    order = make_order(plan, [row.info for row in rows], np.zeros((0, 4), np.int32), ["all"], 3.0)
    np.testing.assert_allclose(order.floor, 0.5 / 255 / np.median(order.noise), rtol=1e-3)


@pytest.mark.parametrize(
    "change",
    [
        {"angle": 30.0}, {"eccentricity": 0.3}, {"fwhm": 3.33}, {"white_level": 60000.0}, {"channel_noise": (1e-3,) * 3}, {"covered": 0.9},
    ],
    ids=lambda change: next(iter(change)),
)  # fmt: skip
def test_the_key_follows_every_graded_number(table, change):
    """With the matching and the weights as they were."""
    plan = plan_of(table)
    row = plan.rows[2]
    (name,) = change
    if name == "white_level":
        other = replace(row, info=replace(row.info, **change))
    elif name in ("channel_noise", "covered"):
        other = replace(row, measure=replace(row.measure, **change))
    else:
        other = replace(row, **change)
    changed = replace(plan, rows=(*plan.rows[:2], other, *plan.rows[3:]))
    assert pass_key(changed, 3.0) != pass_key(plan, 3.0)


def test_the_key_follows_the_file(tmp_path):
    scene = simulate(3, shape=(24, 36), seed=3, stars=3)
    write_frames(scene, tmp_path)
    plan = plan_of(true_table(scene))
    before = pass_key(plan, 3.0)
    stat = scene.paths[1].stat()
    os.utime(scene.paths[1], ns=(stat.st_atime_ns, stat.st_mtime_ns + 1_000_000_000))
    assert pass_key(plan, 3.0) != before


def test_the_key_follows_what_decides_pixels(table):
    plan = plan_of(table)
    keys = {
        pass_key(plan, 3.0),
        pass_key(plan, 4.0),
        pass_key(plan_of(table, keep=0.5), 3.0),
        pass_key(plan_of(table, weights="sharpness"), 3.0),
        pass_key(plan_of(FrameTable(tuple(table)[:-1])), 3.0),
        pass_key(arrange(table, {"all": StackSpec()}, level_sky="offset", match_brightness=True), 3.0),
    }
    assert len(keys) == 6
    assert pass_key(plan_of(table), 3.0) in keys
