"""One small error per way of being wrong, and the checks of arguments that every public function shares.

The exit code of the command line depends on the class: RecipeError and PlaceError 2, InputError 3, StoppedError 4; anything else is a
bug, 1.
"""

from __future__ import annotations

import errno
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np


NO_ROOM = {errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC)}
"""A full disk, however it says so: an account's quota and limits of file size feel the same. Windows knows no quota by this name."""


FEW_STARS = "few_stars"
"""Code of an error that has too few stars for its cause."""


class LayerblendError(Exception):
    """Base of all expected trouble: one clear sentence (what, where, how to mend)."""

    exit_code = 1
    code = "error"

    def __init__(
        self, text: str, *, file: str | Path | None = None, line: int | None = None, key: str | None = None, code: str | None = None
    ):
        super().__init__(text)
        self.text = text
        self.file = None if file is None else str(file)
        self.line = line
        self.key = key
        if code is not None:
            self.code = code


class RecipeError(LayerblendError):
    """The command line or the recipe is wrong; ``faults`` lists all of them, one line each."""

    exit_code = 2
    code = "recipe"

    def __init__(self, text: str, *, faults: Sequence[str] = (), **where: Any):
        super().__init__(text, **where)
        self.faults = tuple(faults)


class InputError(LayerblendError):
    """The frames, stacks or arrays given cannot be used."""

    exit_code = 3
    code = "input"


class PlaceError(InputError):
    """The data may be sound, but the command line or the recipe names the wrong folder, file or value for them."""

    exit_code = 2


class StoppedError(LayerblendError):
    """The run had to stop: disk full, memory short, interrupted. What was finished is kept."""

    exit_code = 4
    code = "stopped"


class ArgumentError(InputError, ValueError):
    """An argument of a public function lies outside its range; the sentence names it."""

    code = "argument"


# ---------------------------------------------------------------- shared argument checks
MOST_DISPLAY = 4.0  # no sum of layers reaches it


def check_range(name: str, value: float, low: float, high: float, *, open_low: bool = False) -> float:
    """``value`` as float if it lies in [low, high] (or (low, high]), else ArgumentError naming ``name``."""
    try:
        number = float(value)
    except (TypeError, ValueError):
        raise ArgumentError(f"`{name}` must be a number, got {value!r}.") from None
    if not (low < number if open_low else low <= number) or not number <= high:
        bracket = "(" if open_low else "["
        raise ArgumentError(f"`{name}` must lie in {bracket}{low:g}, {high:g}], got {value!r}.")
    return number


def check_choice(name: str, value: str, allowed: Sequence[str]) -> str:
    """``value`` if it is one of ``allowed``, else ArgumentError that lists them."""
    if not isinstance(value, str) or value not in allowed:
        raise ArgumentError(f"`{name}` must be one of {', '.join(allowed)}, got {value!r}.")
    return value


def check_flag(name: str, value: Any) -> bool:
    """``value`` if it is True or False, else ArgumentError naming ``name``: the text "no" would count as True."""
    if type(value).__name__ not in {"bool", "bool_"}:
        raise ArgumentError(f"`{name}` must be True or False, got {value!r}.")
    return bool(value)


def check_numbers(name: str, value: Any) -> np.ndarray:
    """``value`` as an array of numbers of any shape, else ArgumentError naming ``name``."""
    import numpy as np

    try:
        array = np.asarray(value)
    except ValueError:  # rows of unequal length
        array = np.asarray(None)
    if array.dtype.kind not in "fiu":
        raise ArgumentError(f"`{name}` must hold numbers, got {value!r}.")
    return array


def check_image(name: str, image: Any, *, colour: bool | None = None, display: bool = False) -> np.ndarray:
    """``image`` as a float32 array (H, W) or (H, W, 3); a copy only where the type differs. Integer arrays are refused.

    ``colour`` True demands three channels, False a plane, None takes both; ``display``: what its numbers should have been.
    """
    import numpy as np  # only here: the recipe and the help text need errors, not numerics

    array = np.asarray(image)
    if array.dtype.kind != "f":
        kind = f"floats (linear light, 1.0 = white level), got {array.dtype}; divide by the white level first"
        if display:
            kind = f"floats (display values, 0 to 1), got {array.dtype}; divide by the largest code first"
        raise ArgumentError(f"`{name}` must hold {kind}.")
    fits = (array.ndim == 2 and colour is not True) or (array.ndim == 3 and array.shape[2] == 3 and colour is not False)
    if not fits or array.size == 0:
        wanted = {True: "(H, W, 3)", False: "(H, W)", None: "(H, W) or (H, W, 3)"}[colour]
        raise ArgumentError(f"`{name}` must have the shape {wanted}, got {array.shape}.")
    return np.asarray(array, np.float32)


def check_map(name: str, values: Any, shape: Sequence[int]) -> np.ndarray:
    """``values`` as an array of numbers or bools of the picture's height and width, else ArgumentError naming ``name``."""
    import numpy as np

    array = np.asarray(values)
    if array.dtype.kind not in "fiub":
        raise ArgumentError(f"`{name}` must hold numbers, got {array.dtype}.")
    if array.shape != tuple(shape[:2]):
        raise ArgumentError(f"`{name}` must have the shape {tuple(shape[:2])} of the picture, got {array.shape}.")
    return array


def check_display(name: str, image: Any, *, colour: bool | None = None) -> np.ndarray:
    """`check_image` of display values: 0..1 and a little beyond, not codes or linear light of another scale (every fifth row is asked)."""
    import numpy as np

    array = check_image(name, image, colour=colour, display=True)
    most = float(np.fmax.reduce(array[::5], axis=None, initial=-np.inf))
    if most > MOST_DISPLAY:
        raise ArgumentError(f"`{name}` must hold display values, 0 to 1, got values up to {most:.6g}; divide by the largest code first.")
    return array
