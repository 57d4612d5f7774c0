"""Toy steps for the engine's tests: pure functions with a record of every call."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

CALLS: list[str] = []
MEETING = threading.Barrier(2)


@dataclass(frozen=True)
class Picture:
    """A record with an array, a name and a nested record."""

    pixels: np.ndarray[Any, Any]
    name: str = ""
    inner: Any = None
    words: tuple[str, ...] = field(default=())


class Pair(NamedTuple):
    """Two named values."""

    left: Any
    right: Any


def source(*, seed: int, size: int = 100) -> Any:
    """Random numbers of one seed."""
    CALLS.append(f"source {seed}")
    return np.random.default_rng(seed).normal(size=(size, size)).astype(np.float32)


def scale(image: Any, *, factor: float, name: str = "scale") -> Any:
    """The image times a factor."""
    CALLS.append(f"{name} {factor:g}")
    return (image * np.float32(factor)).astype(np.float32)


def add(left: Any, right: Any) -> Any:
    """The sum."""
    CALLS.append("add")
    return left + right


def total(images: tuple[Any, ...]) -> float:
    """The sum of all values of all images."""
    CALLS.append("total")
    return float(sum(np.sum(image, dtype=np.float64) for image in images))


def read_text(*, path: Path) -> Any:
    """The length of a file's text, slowly enough to overlap with others."""
    time.sleep(0.01)
    return {"length": len(Path(path).read_text(encoding="utf-8"))}


def rows(*, folder: Path, count: int, pause_s: float = 0.0, log: Path) -> Any:
    """A picture made row by row in a work folder; rows already there are not made again."""
    made = np.lib.format.open_memmap(
        folder / "sum.npy", mode="r+" if (folder / "sum.npy").exists() else "w+", dtype="f4", shape=(count, 2000)
    )
    for row in range(count):
        mark = folder / f"row{row}"
        if not mark.exists():
            made[row] = row
            made.flush()
            mark.touch()
            with open(log, "a", encoding="utf-8") as handle:
                handle.write(f"{row}\n")
            time.sleep(pause_s)
    (folder / "side.txt").write_text("beside", encoding="utf-8")
    return Picture(made, "rows", inner=folder / "side.txt")


def pixel_sum(picture: Any) -> float:
    """The sum of a picture's pixels."""
    return float(np.sum(picture.pixels, dtype=np.float64))


def gather(parts: tuple[Any, ...]) -> Any:
    """The lengths of several files."""
    return [part["length"] for part in parts]


def fail(*inputs: Any, words: str) -> Any:
    """Always in trouble."""
    raise RuntimeError(words)


def slowly(*, pause_s: float) -> float:
    """One, after a while."""
    time.sleep(pause_s)
    return 1.0


def meet(image: Any, *, name: str) -> Any:
    """The image, once a second call is at work at the same time."""
    MEETING.wait(timeout=10)
    return image


def keywords(*, inner: Any) -> Any:
    """Gives back what it got."""
    return inner
