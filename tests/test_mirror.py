"""Every module of the package has a test file of its own at the mirrored place."""

from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
MODULES = [p for p in sorted((ROOT / "layerblend").rglob("*.py")) if p.name not in {"__init__.py", "__main__.py"}]


@pytest.mark.parametrize("module", MODULES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_module_has_its_tests(module: Path) -> None:
    place = module.relative_to(ROOT / "layerblend")
    assert (ROOT / "tests" / place.parent / f"test_{place.name}").is_file()
