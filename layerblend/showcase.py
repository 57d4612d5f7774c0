"""The demo: simulate a target of our own, run the whole job, judge it against the plain stack and the classical assignment."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from layerblend import judge
from layerblend.demo.scene import Exposures, frame_plan, load_scenario, simulate_truth, truth_images
from layerblend.errors import PlaceError
from layerblend.evidence.measures import Subject
from layerblend.evidence.verdict import Comparison
from layerblend.files.pictures import write_fits, write_frame
from layerblend.files.provenance import write_json
from layerblend.files.whole import write_bytes
from layerblend.recipe.load import load_recipe
from layerblend.recipe.schema import Execution
from layerblend.runs import Run, open_run, step_bar, worker_count

NOTE = "demo.json"
CLASSICAL = {"roles.stars.stack": "best25", "roles.detail.stack": "best50", "roles.colour.stack": "all"}
RECIPE = """\
# The demo's recipe. Everything left out has a default; `layerblend check recipe.yaml` lists what would run.
# Try: layerblend blend recipe.yaml --set roles.detail.stack=best75
target: Lantern Spiral

frames:
  folder: frames

roles:
  stars:  {stack: best25}    # the sharpest quarter: tight stars, noise does not matter there
  detail: {stack: deep}      # all frames weighted by sharpness: light and dark of everything that is no star
  colour: {stack: all}       # every frame: the quietest colour

output:
  folder: out
"""
TOLD = (
    "star fwhm_major", "star flux ratio", "sky lightness noise", "sky chroma noise", "contrast 0.05-0.10", "contrast 0.10-0.15",
    "contrast 0.15-0.20", "detail SNR 0.05-0.10", "detail SNR 0.10-0.15", "detail SNR 0.15-0.20", "ringing",
)  # fmt: skip


def simulate(folder: Path, *, frames: int, size: tuple[int, int], seed: int, execution: Execution) -> Path:
    """Write frames, truth and recipe into ``folder``; what is there from the same demo stays. Returns the recipe.

    Raises
    ------
    PlaceError
        The folder holds another demo, or something that is no demo.
    """
    made = {"frames": frames, "size": list(size), "seed": seed}
    note = folder / NOTE
    if note.exists():
        if json.loads(note.read_text(encoding="utf-8")) != made:
            raise PlaceError(
                f"{folder} holds a demo made with other options; choose another folder with --out.", file=folder, code="exists"
            )
    elif folder.exists() and any(folder.iterdir()):
        raise PlaceError(f"{folder} is not empty and holds no demo; choose another folder with --out.", file=folder, code="exists")
    folder.mkdir(parents=True, exist_ok=True)
    write_json(note, made)
    recipe = folder / "recipe.yaml"
    if not recipe.exists():
        write_bytes(recipe, RECIPE.encode("utf-8"))
    scenario = load_scenario()
    plans = frame_plan(scenario, frames, seed)
    missing = [plan for plan in plans if not (folder / "frames" / plan.name).exists()]
    if missing or not (folder / "truth" / "sky.fits").exists():
        truth = simulate_truth(scenario, size, seed)
        exposures = Exposures(scenario, truth, seed)
        (folder / "frames").mkdir(exist_ok=True)

        def take(plan: Any) -> None:
            write_frame(folder / "frames" / plan.name, exposures.take(plan), cards=exposures.cards(plan))

        with ThreadPoolExecutor(worker_count(execution)) as pool, step_bar(execution, "simulating frames", len(missing)) as advance:
            for _ in pool.map(take, missing):
                advance()
        for name, image in truth_images(truth).items():
            write_fits(folder / "truth" / f"{name}.fits", image)
    return recipe


def judge_assignments(
    recipe: Path, render: Callable[[Run, Path], Any], execution: Execution
) -> tuple[list[Comparison], list[Path], list[dict[str, Any]]]:
    """Render the recipe; compare it and the classical assignment with `plain`, and both with each other."""
    loaded = load_recipe(recipe)
    assert loaded.output.folder is not None
    folder = loaded.output.folder
    with open_run(loaded, execution) as opened:
        _, written = render(opened, folder)
        values = opened.get_all(*judge.subject_nodes(opened))
        blended = judge.result_subject(opened, values, "detail from deep")
        plain = judge.plain_subject(opened, values)
        warnings = opened.warnings
    with open_run(load_recipe(recipe, CLASSICAL), execution) as opened:
        values = opened.get_all(*judge.subject_nodes(opened))
        classical = judge.result_subject(opened, values, "detail from best50")
    pairs: list[tuple[Subject, Subject, Path]] = [
        (blended, plain, folder / "compare"),
        (classical, plain, folder / "compare" / "best50_against_plain"),
        (blended, classical, folder / "compare" / "deep_against_best50"),
    ]
    comparisons = []
    for a, b, place in pairs:
        comparison, files = judge.write_comparison(a, b, place)
        comparisons.append(comparison)
        written += files
    return comparisons, written, warnings


def table_rows(comparisons: Iterable[Comparison]) -> list[tuple[str, str, float, float, float]]:
    """(measure, unit, plain, detail from best50, detail from deep) of the measures that tell most."""
    deep, classical = ({m.name: m for m in comparison.measures} for comparison in list(comparisons)[:2])
    return [(name, deep[name].unit, deep[name].b, classical[name].a, deep[name].a) for name in TOLD if name in deep and name in classical]
