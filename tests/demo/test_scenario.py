"""The demo's scenario file."""

from pathlib import Path

import pytest

from layerblend.demo import scenario as scenario_module
from layerblend.demo.scenario import load_scenario
from layerblend.errors import RecipeError

PACKAGED = Path(scenario_module.__file__).with_name("scenario.yaml")
COPY = Path(__file__).parents[2] / "demo_data" / "scenario.yaml"


def test_the_demo_has_four_nights_of_different_seeing() -> None:
    scenario = load_scenario()
    assert len(scenario.nights) == 4
    assert len({night.seeing_px for night in scenario.nights}) == 4
    assert any(max(night.moon_glow) > 0 for night in scenario.nights)


def test_the_copy_to_edit_is_the_packaged_scenario() -> None:
    assert COPY.read_text(encoding="utf-8") == PACKAGED.read_text(encoding="utf-8")
    assert load_scenario(COPY) == load_scenario()


def test_all_faults_are_listed_at_once(tmp_path: Path) -> None:
    text = PACKAGED.read_text(encoding="utf-8")
    wrong = tmp_path / "wrong.yaml"
    wrong.write_text(text.replace("exposure_s: 120", "exposure_s: -1").replace("focal_mm: 800", "focal: 800"), encoding="utf-8")
    with pytest.raises(RecipeError, match=r"3 faults") as caught:
        load_scenario(wrong)
    assert {fault.split(":")[0] for fault in caught.value.faults} == {"exposure_s", "camera.focal_mm", "camera.focal"}


def test_a_missing_file_and_broken_yaml_are_named(tmp_path: Path) -> None:
    with pytest.raises(RecipeError, match=r"gone\.yaml cannot be read"):
        load_scenario(tmp_path / "gone.yaml")
    (tmp_path / "broken.yaml").write_text("a: [1, 2", encoding="utf-8")
    with pytest.raises(RecipeError, match=r"broken\.yaml is not YAML"):
        load_scenario(tmp_path / "broken.yaml")
