"""Modules that take long to load and that many runs do without: loaded when they are first asked for something."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

__all__ = ["fits"]


class Later:
    """Stands for a module by its name until something of it is wanted; threads may ask at once."""

    def __init__(self, name: str):
        self._name = name

    def __getattr__(self, wanted: str) -> Any:
        return getattr(importlib.import_module(self._name), wanted)


if TYPE_CHECKING:
    from astropy.io import fits
else:
    fits = Later("astropy.io.fits")  # a third of a second: with it a new blend waits before it begins, without it a writer's thread does
