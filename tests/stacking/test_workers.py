import numpy as np
import pytest

from layerblend.stacking import workers


def test_memory_bounds_the_rows_held_at_once(table):
    frames = [row.info for row in table]
    row = 12 * 100 * 2
    assert workers.rows_at_once(frames, 2, None) == workers.TILE_ROWS
    assert workers.rows_at_once(frames, 2, 2 * 5 * row) == 5
    assert workers.rows_at_once(frames, 4, 2 * 5 * row) == 2
    assert workers.rows_at_once(frames, 2, 1) == 1


def test_checks_join_in_any_pieces():
    rows = np.random.default_rng(0).integers(0, 256, (6, 40)).astype(np.uint8)
    whole = workers._check(rows, "MEAN", 1, 10)
    assert whole == workers._check(rows[2:], "MEAN", 1, 12) + workers._check(rows[:2], "MEAN", 1, 10)
    assert whole != workers._check(rows, "MEAN", 2, 10)
    assert whole != workers._check(rows[::-1].copy(), "MEAN", 1, 10)


def test_the_stop_mark_stops_a_worker(table, tmp_path):
    job = workers.Job(None, tuple(row.info for row in table), (), 4, tmp_path / "stop")
    assert workers._read_band(job, 0, 0, 4).shape[0] == 12
    job.stop.touch()
    with pytest.raises(workers.StopRequestedError):
        workers._read_band(job, 0, 0, 4)
