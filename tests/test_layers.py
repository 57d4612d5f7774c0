"""Import directions: downward only, as DEVELOPERS.md draws them. No exceptions."""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1] / "layerblend"
EVERYWHERE = {"kinds", "errors", "endings", "figures", "moves"}
ALLOWED = {
    "kinds": set(),
    "errors": set(),
    "endings": set(),
    "figures": set(),
    "moves": set(),
    "maths": {"maths"},
    "steps": {"maths", "steps"},
    "evidence": {"maths", "evidence"},
    "recipe": {"recipe"},
    "engine": {"engine"},
    "files": {"files"},
    "report": {"report"},
    "demo": {"demo", "maths"},
    "stacking": {"stacking", "steps", "files", "maths"},
    "chain": {"chain", "stacking", "steps", "files", "report", "maths"},
    "plan": {"chain", "recipe", "engine"},
    "known": {"engine", "files", "__init__"},
    "runs": {"known", "plan", "chain", "stacking", "recipe", "engine", "files", "maths", "memory"},
    "ledger": {"files"},
    "links": {"files"},
    "survey": {"recipe", "files", "maths"},
    "memory": set(),
    "outputs": {"runs", "plan", "chain", "stacking", "recipe", "files", "maths", "__init__"},
    "judge": {"runs", "chain", "evidence", "files", "report", "maths"},
    "showcase": {"runs", "judge", "recipe", "demo", "evidence", "files"},
    "api": {
        "showcase",
        "runs",
        "outputs",
        "ledger",
        "links",
        "survey",
        "judge",
        "plan",
        "chain",
        "stacking",
        "recipe",
        "steps",
        "evidence",
        "files",
        "report",
        "demo",
        "maths",
    },
    "cli": {"api", "recipe", "memory"},
    "__init__": {"api"},
    "__main__": {"cli"},
}
NOT_IN_NUMERICS = {"yaml", "logging", "pydantic", "typer", "rich"}


def module_imports(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            if node.level:
                package = ("layerblend", *path.relative_to(ROOT).with_suffix("").parts)[: -node.level]
                base = ".".join((*package, node.module) if node.module else package)
            else:
                base = node.module or ""
            names |= {f"{base}.{alias.name}" for alias in node.names}
    return names


MODULES = sorted(ROOT.rglob("*.py"))


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_imports_point_downward(path: Path) -> None:
    parts = path.relative_to(ROOT).with_suffix("").parts
    top = parts[0]
    for name in module_imports(path):
        pieces = name.split(".")
        if pieces[0] != "layerblend":
            if top in {"maths", "steps", "evidence"}:
                assert pieces[0] not in NOT_IN_NUMERICS, f"{path}: numerics import {name}"
            continue
        if len(pieces) == 1 or pieces[1] in EVERYWHERE or pieces[1].startswith("__"):
            continue
        assert pieces[1] in ALLOWED[top], f"{path}: {top} imports {name}"
        if top == "steps" and pieces[1] == "steps":
            # A step may be a folder of modules: they may import each other, never another step.
            assert len(parts) > 2 and pieces[2] == parts[1], f"{path}: a step imports a step, {name}"


def test_no_kernel_takes_numbas_own_threads() -> None:
    """Steps run side by side in threads, and numba's fallback threads end the process when two of them call at once."""
    using = [path.name for path in sorted(ROOT.rglob("*.py")) if re.search(r"\bprange\b|njit\([^)]*parallel=True", path.read_text("utf-8"))]
    assert not using
