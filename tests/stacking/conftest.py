import pytest

from layerblend.stacking import build_stacks
from tests.scenes.frames import simulate, true_table, write_frames

SPECS = {"best25": 0.25, "best50": 0.5, "all": 1.0, "deep": {"weights": "sharpness"}}


@pytest.fixture(scope="package")
def scene():
    """Twelve colour frames with trails, cosmic rays and uncovered borders."""
    return simulate(12, shape=(80, 100), trails=0.4, rays=10, borders=5, seed=7)


@pytest.fixture(scope="package")
def table(scene, tmp_path_factory):
    write_frames(scene, tmp_path_factory.mktemp("frames"))
    return true_table(scene)


@pytest.fixture(scope="package")
def built(table, tmp_path_factory):
    folder = tmp_path_factory.mktemp("stacks")
    return folder, build_stacks(table, SPECS, folder=folder)
