"""What a frame does not cover: exact zeros at its edge."""

from __future__ import annotations

import numpy as np
from numba import njit

from layerblend.kinds import Array


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def blank_edge_zeros(image: Array) -> None:
    """Turn exact zeros (in all channels) that hang together with the edge of an (H, W, C) float picture into NaN, in place.

    Registration fills what a turned or shifted frame does not cover with exact zeros; a zero inside the picture is a value. Pixels hang
    together through shared sides. The work grows with the uncovered area, not with the picture.
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
            empty = empty and image[y, x, channel] == 0
        if not empty:
            continue
        for channel in range(channels):
            image[y, x, channel] = np.nan
        waiting.append((y - 1, x))
        waiting.append((y + 1, x))
        waiting.append((y, x - 1))
        waiting.append((y, x + 1))
