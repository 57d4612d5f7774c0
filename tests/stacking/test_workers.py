from types import SimpleNamespace

import numpy as np
import pytest

from layerblend.files import bands
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


def test_what_is_read_next_is_known(table, tmp_path):
    """Channel by channel, then the rows left of the band, then the band whose turn it is for this worker."""
    order = SimpleNamespace(channels=3, height=80)
    job = workers.Job(order, tuple(row.info for row in table), (), 20, tmp_path / "stop", ahead=2)
    assert workers._next_read(job, 0, 0, 0, 20) == (1, 0, 20)
    assert workers._next_read(job, 0, 2, 0, 20) == (0, 20, 32)
    assert workers._next_read(job, 0, 2, 20, 32) == (0, 64, 80)
    assert workers._next_read(job, 1, 2, 52, 64) is None


@pytest.mark.parametrize("fetches", [True, False])
def test_telling_what_comes_next_changes_no_byte(table, tmp_path, monkeypatch, fetches):
    monkeypatch.setattr(bands, "FETCHES_AHEAD", fetches and bands.FETCHES_AHEAD)
    job = workers.Job(None, tuple(row.info for row in table), (), 4, tmp_path / "stop")
    alone = workers._read_band(job, 0, 0, 4).copy()
    assert np.array_equal(workers._read_band(job, 0, 0, 4, (1, 0, 4)), alone)
