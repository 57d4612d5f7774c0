"""What a frame does not cover: exact zeros, or another number again and again, at its edge."""

from __future__ import annotations

import numpy as np
from numba import njit

from layerblend.kinds import Array

# A fill is so many equal pixels in a row along an edge, so deep and below so much of white; where most neighbours are equal in the
# middle too, the steps are coarser than the noise, and nothing tells a fill.
FILL_RUN, FILL_DEPTH, FILL_BELOW, MOST_EQUAL = 32, 3, 0.9, 0.5


def blank_edges(image: Array) -> None:
    """Turn what fills the uncovered edge of an (H, W, C) float picture into NaN, in place: exact zeros, and what zeros became.

    Registration fills what a turned or shifted frame does not cover with exact zeros; a pedestal added later, or another scale, makes any
    number of them, in each channel its own. A zero inside the picture is a value.
    """
    blank_connected(image, np.zeros(image.shape[2], image.dtype))
    for fill in fills(image):
        blank_connected(image, fill)


def fills(image: Array) -> list[Array]:
    """Numbers (C,) that fill parts of the edge of an (H, W, C) picture; most often none."""
    found: list[Array] = []
    for edge in (image, image[::-1], image.swapaxes(0, 1), image.swapaxes(0, 1)[::-1]):
        start, length = _longest_run(edge[0])
        fill = edge[0, start].copy()
        deep = edge[:FILL_DEPTH, start + length // 2]
        if length >= FILL_RUN and len(deep) == FILL_DEPTH and (deep == fill).all() and fill.max() < FILL_BELOW:
            found.append(fill)
    return found if found and _equal_inside(image) < MOST_EQUAL else []


def _equal_inside(image: Array) -> float:
    """Share of neighbours in the middle of a picture that are equal."""
    height, width = image.shape[:2]
    inside = image[height // 4 : height - height // 4, width // 4 : width - width // 4]
    return max(float((part[1:] == part[:-1]).all(-1).mean()) for part in (inside, inside.swapaxes(0, 1)))


def _longest_run(line: Array) -> tuple[int, int]:
    """Start and length of the longest run of equal pixels of (n, C)."""
    ends = np.flatnonzero(np.append((line[1:] != line[:-1]).any(-1), True)) + 1
    lengths = np.diff(ends, prepend=0)
    longest = int(lengths.argmax())
    return int(ends[longest] - lengths[longest]), int(lengths[longest])


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def blank_connected(image: Array, fill: Array) -> None:
    """Turn pixels of one value (C,) that hang together with the edge of an (H, W, C) float picture into NaN, in place.

    Pixels hang together through shared sides. The work grows with the uncovered area, not with the picture.
    """
    height, width, channels = image.shape
    waiting = [(0, 0) for _ in range(0)]
    for y in range(height):
        waiting.append((y, 0))
        waiting.append((y, width - 1))
    for x in range(width):
        waiting.append((0, x))
        waiting.append((height - 1, x))
    while waiting:
        y, x = waiting.pop()
        if y < 0 or x < 0 or y >= height or x >= width:
            continue
        empty = True
        for channel in range(channels):
            empty = empty and image[y, x, channel] == fill[channel]
        if not empty:
            continue
        for channel in range(channels):
            image[y, x, channel] = np.nan
        waiting.append((y - 1, x))
        waiting.append((y + 1, x))
        waiting.append((y, x - 1))
        waiting.append((y, x + 1))
