"""One line of a report: a bar, the figure reached, and whether it was met."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Line:
    """A figure beside its bar. ``above``: the figure must not fall below the bar; ``then``: a stricter bar to come; a NaN bar is none."""

    name: str
    figure: float
    bar: float = math.nan
    unit: str = ""
    above: bool = False
    then: float = math.nan

    def __str__(self) -> str:
        text = f"{self.name:88s} {self.figure:10.4f} {self.unit:4s}"
        if math.isnan(self.bar):
            return f"{text} no bar"
        text += f" {'>=' if self.above else '<='} {self.bar:<7g} {verdict(self.figure, self.bar, self.above)}"
        return text if math.isnan(self.then) else f"{text}, then {self.then:g} {verdict(self.figure, self.then, self.above)}"


def verdict(figure: float, bar: float, above: bool) -> str:
    """``met`` or ``NOT MET``."""
    return "met" if (figure >= bar if above else figure <= bar) else "NOT MET"
