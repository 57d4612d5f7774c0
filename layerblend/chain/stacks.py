"""Stacks opened: those of the pass over the frames, and finished ones that somebody else made."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from layerblend.errors import FEW_STARS, InputError
from layerblend.files.pictures import read_linear
from layerblend.files.stacks import is_own_stack, open_stack
from layerblend.kinds import Array, LinearImage, Plane, Stack
from layerblend.maths.clipped import clipped_cores
from layerblend.stacking import StackReport


@dataclass(frozen=True)
class StackPass:
    """The stacks that one pass over the frames wrote, and what it found."""

    paths: Mapping[str, Path]
    report: StackReport


def framed_stack(stacks: StackPass, *, name: str) -> Stack:
    """One stack of the pass over the frames, opened without being read."""
    return open_stack(stacks.paths[name])


def finished_stack(paths: Sequence[Path], *, white_level: float | None) -> Stack:
    """A finished stack: one colour or mono file, or three mono files for red, green and blue; one made here keeps its maps and halves."""
    if all(is_own_stack(path) for path in paths):
        own = [open_stack(path) for path in paths]
        if len(own) == 1:
            return replace(own[0], files=(str(paths[0]),))
        if len({(stack.mean.shape, stack.top_down) for stack in own}) == 1 and own[0].mean.ndim == 2:
            return _in_colour(own, paths)
    notes: list[str] = []
    planes = [read_linear(path, white_level=white_level, notes=notes) for path in paths]
    image, cards, top_down = planes[0]
    if len(planes) > 1:
        if len({plane[0].shape for plane in planes}) != 1 or image.ndim != 2:
            listed = ", ".join(f"{path.name} {size_of(plane[0])}" for path, plane in zip(paths, planes, strict=True))
            raise InputError(f"The files for r, g and b must be mono pictures of one size, got {listed}.", file=paths[0], code="mixed_grid")
        image = np.stack([plane[0] for plane in planes], axis=-1)
    files = tuple(str(path) for path in paths)
    return Stack(mean=image, saturated=clipped_cores(image), files=files, cards=cards, top_down=top_down, words=tuple(notes))


def _in_colour(stacks: Sequence[Stack], paths: Sequence[Path]) -> Stack:
    """Mono stacks made here of red, green and blue as one, with their maps and halves."""

    def together(planes: Sequence[Array | None]) -> Array | None:
        known = [plane for plane in planes if plane is not None]
        return np.stack(known, axis=-1).astype(known[0].dtype.newbyteorder("="), copy=False) if len(known) == len(planes) else None

    halves = [together([None if s.halves is None else s.halves[k] for s in stacks]) for k in (0, 1)]
    shares = together([s.saturated for s in stacks])
    mean = together([s.mean for s in stacks])
    assert mean is not None
    return Stack(
        mean=mean,
        stderr=together([s.stderr for s in stacks]),
        count=together([s.count for s in stacks]),
        rejected=together([s.rejected for s in stacks]),
        saturated=None if shares is None else shares.max(-1),
        halves=None if halves[0] is None or halves[1] is None else (halves[0], halves[1]),
        n_frames=min(s.n_frames for s in stacks),
        exposure_s=sum(s.exposure_s for s in stacks),
        files=tuple(str(path) for path in paths),
        cards=stacks[0].cards,
        top_down=stacks[0].top_down,
    )


def size_of(image: LinearImage) -> str:
    """Width, height and kind in words, for what is said of stacks that do not fit."""
    return f"{image.shape[1]} x {image.shape[0]} {'mono' if image.ndim == 2 else 'colour'}"


@contextlib.contextmanager
def stretch_suspected(stack: Stack) -> Iterator[None]:
    """Where somebody else's stack has too few stars, it may be no linear light: of few stars alone that cannot be told for sure."""
    try:
        yield
    except InputError as error:
        if error.code != FEW_STARS or stack.halves is not None or not stack.files:
            raise
        name = Path(stack.files[0]).name
        text = f"{error} If {name} was stretched already, that is why: give it as it was before any stretch."
        raise InputError(text, file=stack.files[0], code=error.code) from None


def native(array: Array) -> Array:
    """A plane that may lie in a file, as float32 in the machine's byte order: itself where it is that already."""
    return np.asarray(array, np.float32) if array.dtype.isnative else array.astype(np.float32)


def fewest_frames(count: Array) -> Plane:
    """Number of frames at a pixel, in the channel that has fewest."""
    return native(count if count.ndim == 2 else count.min(2))


def saturated_map(stack: Stack) -> Plane | None:
    """Share of frames that clip at a pixel, or None where nobody knows."""
    return None if stack.saturated is None else native(stack.saturated)
