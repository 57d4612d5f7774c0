"""What a pass found: the table of stacks, how each frame matched and how much of it was rejected, and words for the imager."""

from __future__ import annotations

import json
import math
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from layerblend.files import stacks
from layerblend.files.whole import write_bytes
from layerblend.kinds import Array, FrameRow, Stack
from layerblend.maths.robust import MAD_TO_SIGMA
from layerblend.stacking.arrange import Arrangement
from layerblend.stacking.journal import Band
from layerblend.stacking.workers import TILE_ROWS
from layerblend.steps import stack as step

MUCH_REJECTED = 0.2
REPORT, LOST_MAP = "stacking.json", "rejected.npy"


@dataclass(frozen=True)
class StackReport:
    """What the pass found. ``stacks``: per stack name, frames, hours, fwhm_major (px), noise (linear), depth_mag gained over one frame.

    ``frames``: per frame file, scale, noise (after scaling), stars behind the scale, rejected share. ``lost`` : (N, ny, nx) float32, the
    share of each frame's samples rejected in squares of 64 px, counted from the first row of the file. ``reference``: the frame all were
    matched to.
    """

    reference: str
    stacks: tuple[dict[str, Any], ...]
    frames: tuple[dict[str, Any], ...]
    words: tuple[str, ...]
    lost: Array = field(repr=False)


def read_report(folder: str | Path) -> StackReport:
    """What the pass that wrote the stacks in ``folder`` found."""
    folder = Path(folder)
    facts = json.loads((folder / REPORT).read_text(encoding="utf-8"))
    lost = np.load(folder / LOST_MAP)
    return StackReport(facts["reference"], tuple(facts["stacks"]), tuple(facts["frames"]), tuple(facts["words"]), lost)


def write_report(plan: Arrangement, order: step.StackOrder, done: Mapping[int, Band], folder: Path, final: Mapping[str, Path]) -> None:
    """Write what `read_report` reads. ``done``: every band by its number; ``final``: the finished files by stack name."""
    lost = _lost_shares(order, done)
    cover = np.array([row.measure.covered for row in plan.rows])
    cells = _cell_sizes(order.height, order.width)
    shares = (lost * cells).sum((1, 2)) / (cells.sum() * np.maximum(cover, 1e-6))
    words = list(plan.words)
    words += [
        f"{row.file}: {share:.0%} of its samples were rejected; look at it, and list it under frames.exclude.files if it is spoilt."
        for row, share in zip(plan.rows, shares, strict=True)
        if share > MUCH_REJECTED
    ]
    frames = [
        {"file": row.file, "scale": float(scale), "noise": float(noise), "stars": int(stars), "rejected": float(share)}
        for row, scale, noise, stars, share in zip(
            plan.rows, plan.matching.scale, plan.matching.noise, plan.matching.stars, shares, strict=True
        )
    ]
    facts = {
        "reference": plan.rows[plan.matching.reference].file,
        "stacks": [_stack_facts(plan, name, final[name]) for name in plan.specs],
        "frames": frames,
        "words": words,
    }
    write_bytes(folder / REPORT, json.dumps(_without_nan(facts), indent=1).encode())
    with tempfile.TemporaryFile() as handle:
        np.save(handle, lost)
        handle.seek(0)
        write_bytes(folder / LOST_MAP, handle.read())


def _without_nan(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _without_nan(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_without_nan(item) for item in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _lost_shares(order: step.StackOrder, done: Mapping[int, Band]) -> Array:
    """(N, ny, nx) float32: rejected share of each frame in squares of 64 px, row 0 the first row of the file."""
    ny = -(-order.height // step.CELL)
    lost = np.zeros((len(order.bitpix), ny, -(-order.width // step.CELL)), np.int64)
    for number, band in done.items():
        lost[:, number * TILE_ROWS // step.CELL] += band.lost
    return (lost / (order.channels * _cell_sizes(order.height, order.width))).astype(np.float32)


def _cell_sizes(height: int, width: int) -> Array:
    """(ny, nx) px in each square, smaller at the far edges."""
    y, x = (np.minimum(step.CELL, length - np.arange(0, length, step.CELL)) for length in (height, width))
    return y[:, None] * x


def _stack_facts(plan: Arrangement, name: str, path: Path) -> dict[str, Any]:
    count = plan.counts[name]
    weights, noise = plan.weights[plan.sets[name], :count].astype(float), plan.matching.noise[:count]
    single = plan.matching.noise[plan.matching.reference]
    mean_noise = float(np.sqrt((weights**2 * noise**2).sum()) / weights.sum())
    stack = stacks.open_stack(path)
    return {
        "name": name,
        "frames": count,
        "hours": exposure(plan.rows[:count]) / 3600,
        "fwhm_major": stack.fwhm_major,
        "noise": half_noise(stack),
        "depth_mag": 2.5 * math.log10(single / mean_noise) if single > 0 and mean_noise > 0 else float("nan"),
    }


def half_noise(stack: Stack, *, every: int = 16) -> float:
    """Noise of a pixel of Y, linear light, from half the difference of the half-sets on some rows; NaN for a single frame."""
    if stack.halves is None:
        return float("nan")
    a, b = (np.asarray(half[::every], np.float32) for half in stack.halves)
    difference = (a - b) / 2
    if difference.ndim == 3:
        difference = (difference[..., 0] + 2 * difference[..., 1] + difference[..., 2]) / 4
    difference = difference[np.isfinite(difference)]
    return float(MAD_TO_SIGMA * np.median(np.abs(difference - np.median(difference)))) if difference.size else float("nan")


def exposure(rows: Sequence[FrameRow]) -> float:
    """Integration time of frames, s; those whose header does not say theirs count nothing."""
    return float(np.nansum([row.exposure_s for row in rows]))


def expected_width(widths: Array, weights: Array, *, beta: float = 3.0) -> float:
    """FWHM, px, of the weighted mean of Moffat stars of equal flux and the given widths (Moffat 1969, A&A 3, 455)."""
    known = np.isfinite(widths) & (widths > 0) & (weights > 0)
    widths, weights = widths[known], weights[known]
    if not widths.size:
        return float("nan")
    peaks = weights / widths**2
    low, high = float(widths.min()), float(widths.max())
    for _ in range(60):
        middle = (low + high) / 2
        profile = float((peaks * (1 + (2 ** (1 / beta) - 1) * (middle / widths) ** 2) ** -beta).sum())
        low, high = (middle, high) if profile > peaks.sum() / 2 else (low, middle)
    return (low + high) / 2
