"""Bars of the whole command on one set at the size users have: cold, after a new blend, after a new role.

``python -m tests.benchmarks.whole FOLDER [--frames 12] [--size 4144x2822]`` simulates a set in FOLDER (kept for the next time: 140 MB a
frame and about 10 GB of results), builds its stacks once, and then runs the command line as a user would, each time a process of its own:
wall time with all imports, processor seconds, peak memory. Run it on a quiet machine with the kernels compiled (the first pass does that);
wall times mean nothing beside other work, which the processor seconds show. ``--many 600`` measures instead what the number of frames
costs a new blend: so many small frames against twelve of the same size.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from layerblend import showcase
from layerblend.api import parse_size
from layerblend.recipe.load import load_recipe, parse_changes
from layerblend.recipe.schema import Execution
from layerblend.runs import Run, open_run
from tests.benchmarks.bars import Line

COLD_S, BLEND_S, ROLE_S, MEMORY_GB = 100.0, 5.0, 8.0, 6.0
FEW, SMALL, MANY_RATIO = 12, (480, 320), 2.0
KEPT = ("grade", "table", "stacks", "picture/grade")


@dataclass(frozen=True)
class Cost:
    """What one command took."""

    wall: float
    processor: float
    memory_gb: float


# The child tells its own peak: the one the system keeps for children begins with that of the parent.
CHILD = """
import atexit, re, sys
from pathlib import Path
from layerblend.cli import main
peak = lambda: print(re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text())[1], file=sys.__stdout__)
atexit.register(peak)
main()
"""


def command(*words: str | Path) -> Cost:
    """Run the command line once."""
    begin, before = time.monotonic(), resource.getrusage(resource.RUSAGE_CHILDREN)
    users = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}  # an installation keeps its bytecode
    call = [sys.executable, "-c", CHILD, *map(str, words), "--quiet"]  # as a user's: `main` reads the words itself
    done = subprocess.run(call, stdout=subprocess.PIPE, text=True, check=False, env=users)
    wall, after = time.monotonic() - begin, resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode:
        raise SystemExit(f"{words} ended with {done.returncode}")
    processor = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Cost(wall, processor, float(done.stdout.split()[-1]) / 1e6)


def forget(recipe: Path, *changes: str) -> None:
    """Throw away everything that is made from the stacks; with ``changes`` only what these make anew."""
    loaded = load_recipe(recipe)
    with open_run(loaded, Execution(quiet=True)) as run:
        own = _kept_keys(run)
        doomed = own
        if changes:
            with open_run(load_recipe(recipe, parse_changes(changes)), Execution(quiet=True)) as other:
                doomed = _kept_keys(other) - own
        for key in doomed:
            run.runner.store.remove(key)
    if not changes:
        shutil.rmtree(loaded.output.folder or "", ignore_errors=True)


def _kept_keys(run: Run) -> set[str]:
    keys = {run.runner.key_if_known(node.name) for node in run.graph if not node.name.startswith(KEPT)}
    return {key for key in keys if key is not None and run.runner.store.has(key)}


def lines(recipe: Path) -> Iterator[Line]:
    """Every bar; the cold run is done once before, so that nothing is compiled in the one that counts."""
    command("blend", recipe)
    forget(recipe)
    runs = [
        ("cold, from stacks to files", COLD_S, ()),
        ("after blend.amount", BLEND_S, ("blend.amount=0.9",)),
        ("after blend.mode", BLEND_S, ("blend.mode=lighten",)),
        ("after combine.amount", BLEND_S, ("combine.amount=0.9",)),
        ("star role whose layers are there", ROLE_S, ("roles.stars.stack=deep",)),
        ("a star stack not used before", float("nan"), ("roles.stars.stack=best50",)),
    ]
    for name, bar, changes in runs:
        if changes:
            forget(recipe, *changes)
        cost = command("blend", recipe, *(word for change in changes for word in ("--set", change)))
        yield Line(f"{name}: wall", cost.wall, bar, "s")
        yield Line(f"{name}: processor", cost.processor, unit="s")
        yield Line(f"{name}: memory", cost.memory_gb, MEMORY_GB, "GB")


def many_lines(folder: Path, frames: int) -> Iterator[Line]:
    """A new blend of many small frames beside one of few."""
    walls = []
    for count in (FEW, frames):
        recipe = showcase.simulate(folder / f"of {count}", frames=count, size=SMALL, seed=1, execution=Execution(quiet=True))
        command("blend", recipe)
        command("blend", recipe, "--set", "blend.amount=0.8")  # notes what it has read
        walls.append(command("blend", recipe, "--set", "blend.amount=0.9").wall)
        yield Line(f"{count} small frames, after blend.amount: wall", walls[-1], unit="s")
    yield Line(f"{frames} frames over {FEW}", walls[1] / walls[0], MANY_RATIO, "x")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--frames", type=int, default=12)
    parser.add_argument("--size", default="4144x2822")
    parser.add_argument("--many", type=int, default=0)
    asked = parser.parse_args()
    if asked.many:
        for line in many_lines(asked.folder, asked.many):
            print(line, flush=True)
        return
    recipe = showcase.simulate(asked.folder, frames=asked.frames, size=parse_size(asked.size), seed=1, execution=Execution(quiet=True))
    command("stack", recipe)
    for line in lines(recipe):
        print(line, flush=True)


if __name__ == "__main__":
    main()
