"""Bars of the whole command on one set at the size users have: cold, after a new blend, after a new role.

``python -m tests.benchmarks.whole FOLDER [--frames 12] [--size 4144x2822]`` simulates a set in FOLDER (kept for the next time: 140 MB a
frame and about 10 GB of results), builds its stacks once, and then runs the command line as a user would, each time a process of its own:
wall time with all imports, processor seconds, peak memory. Run it on a quiet machine with the kernels compiled (the first pass does that);
wall times mean nothing beside other work, which the processor seconds show.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from layerblend import showcase
from layerblend.api import parse_size
from layerblend.recipe.load import load_recipe
from layerblend.recipe.schema import Execution
from layerblend.runs import open_run
from tests.benchmarks.bars import Line

COLD_S, BLEND_S, ROLE_S, MEMORY_GB = 100.0, 5.0, 8.0, 6.0
KEPT = ("grade", "table", "stacks", "picture/grade")


@dataclass(frozen=True)
class Cost:
    """What one command took."""

    wall: float
    processor: float
    memory_gb: float


def command(*words: str | Path) -> Cost:
    """Run the command line once."""
    begin = time.monotonic()
    child = subprocess.Popen([sys.executable, "-m", "layerblend", *map(str, words), "--quiet"], stdout=subprocess.DEVNULL)
    _, status, used = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise SystemExit(f"{words} ended with {child.returncode}")
    return Cost(time.monotonic() - begin, used.ru_utime + used.ru_stime, used.ru_maxrss / 1e6)


def forget_results(recipe: Path) -> None:
    """Throw away everything that is made from the stacks."""
    loaded = load_recipe(recipe)
    with open_run(loaded, Execution(quiet=True)) as run:
        for node in run.graph:
            key = run.runner.key_if_known(node.name)
            if key is not None and not node.name.startswith(KEPT) and run.runner.store.has(key):
                run.runner.store.remove(key)
    shutil.rmtree(loaded.output.folder or "", ignore_errors=True)


def lines(recipe: Path) -> Iterator[Line]:
    """Every bar; the cold run is done once before, so that nothing is compiled in the one that counts."""
    command("blend", recipe)
    forget_results(recipe)
    runs = [
        ("cold, from stacks to files", COLD_S, ()),
        ("after blend.amount", BLEND_S, ("--set", "blend.amount=0.9")),
        ("after blend.mode", BLEND_S, ("--set", "blend.mode=lighten")),
        ("after combine.amount", BLEND_S, ("--set", "combine.amount=0.9")),
        ("star role whose layers are there", ROLE_S, ("--set", "roles.stars.stack=deep")),
        ("a star stack not used before", float("nan"), ("--set", "roles.stars.stack=best50")),
    ]
    for name, bar, changes in runs:
        cost = command("blend", recipe, *changes)
        yield Line(f"{name}: wall", cost.wall, bar, "s")
        yield Line(f"{name}: processor", cost.processor, unit="s")
        yield Line(f"{name}: memory", cost.memory_gb, MEMORY_GB, "GB")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--frames", type=int, default=12)
    parser.add_argument("--size", default="4144x2822")
    asked = parser.parse_args()
    recipe = showcase.simulate(asked.folder, frames=asked.frames, size=parse_size(asked.size), seed=1, execution=Execution(quiet=True))
    command("stack", recipe)
    for line in lines(recipe):
        print(line, flush=True)


if __name__ == "__main__":
    main()
