"""The demo's folder: made once, never over something else."""

import pytest

from layerblend import showcase
from layerblend.errors import InputError
from tests.conftest import EXECUTION, FRAMES, SEED, SIZE, Demo


def test_simulating_again_changes_nothing(demo: Demo) -> None:
    before = [path.stat().st_mtime_ns for path in demo.frames]
    assert showcase.simulate(demo.folder, frames=FRAMES, size=SIZE, seed=SEED, execution=EXECUTION) == demo.recipe
    assert [path.stat().st_mtime_ns for path in demo.frames] == before and len(before) == FRAMES


def test_another_folder_is_never_written_over(demo: Demo, tmp_path) -> None:
    with pytest.raises(InputError, match="other options"):
        showcase.simulate(demo.folder, frames=FRAMES, size=SIZE, seed=SEED + 1, execution=EXECUTION)
    (tmp_path / "mine.txt").touch()
    with pytest.raises(InputError, match="holds no demo"):
        showcase.simulate(tmp_path, frames=4, size=SIZE, seed=1, execution=EXECUTION)
