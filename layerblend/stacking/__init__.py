"""Nested stacks of ranked frames in one pass over their pixels.

The pixels are decided in `layerblend.steps`; here are files, workers and words: `arrange` (who takes part, how they match), `order` (all
numbers that decide a pixel), `workers` (one band), `journal` (resuming), `build` (the pass), `report` (what it found).
"""

from layerblend.stacking.arrange import StackSpec
from layerblend.stacking.build import build_stacks, nested_stacks
from layerblend.stacking.report import StackReport, read_report

__all__ = ["StackReport", "StackSpec", "build_stacks", "nested_stacks", "read_report"]
