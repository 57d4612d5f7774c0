"""layerblend: tight stars, deep detail and quiet colour from one set of deep-sky frames, and the evidence whether it helps."""

from __future__ import annotations

from importlib import import_module
from importlib.metadata import PackageNotFoundError, version
from typing import Any

try:
    __version__ = version("layerblend")
except PackageNotFoundError:
    __version__ = "unknown"

__all__ = [
    "blend",
    "combine_luminance",
    "compare",
    "deconvolve",
    "denoise_colour",
    "fit_curve",
    "flatten",
    "gate_stars",
    "grade_frames",
    "measure_psf",
    "nested_stacks",
    "ring_correlation",
    "run",
    "sharpen",
    "split_stars",
    "star_layer",
    "stretch",
    "unstretch",
    "white_balance",
]


def __getattr__(name: str) -> Any:
    """Public names are imported when they are first used, so that `import layerblend` is quick."""
    if name in __all__:
        return getattr(import_module("layerblend.api"), name)
    raise AttributeError(f"module 'layerblend' has no attribute {name!r}")


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
