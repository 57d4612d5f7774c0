"""Which pixels a frame covers: borders without data, as a compact list of runs."""

from __future__ import annotations

import cv2
import numpy as np

from layerblend.kinds import Array, Mask


def edge_connected(mask: Mask) -> Mask:
    """(H, W) bool: the pixels of ``mask`` that hang together with the picture's edge through shared sides."""
    if not (mask[0].any() or mask[-1].any() or mask[:, 0].any() or mask[:, -1].any()):
        return np.zeros_like(mask)
    _, labels = cv2.connectedComponents(np.ascontiguousarray(mask).view(np.uint8), connectivity=4, ltype=cv2.CV_32S)
    touching = np.zeros(int(labels.max()) + 1, bool)
    for border in (labels[0], labels[-1], labels[:, 0], labels[:, -1]):
        touching[border] = True
    touching[0] = False
    return np.asarray(touching[labels])


def gap_runs(missing: Mask) -> Array:
    """(n, 3) int32, y, x0, x1: the runs x0 <= x < x1 of row y where ``missing`` is true, in reading order."""
    padded = np.zeros((missing.shape[0], missing.shape[1] + 2), np.int8)
    padded[:, 1:-1] = missing
    step = np.diff(padded, axis=1)
    y, start = np.nonzero(step == 1)
    stop = np.nonzero(step == -1)[1]
    return np.stack([y, start, stop], 1).astype(np.int32)


def fill_runs(runs: Array, height: int, width: int) -> Mask:
    """(height, width) bool: the mask that `gap_runs` describes."""
    mask = np.zeros((height, width), bool)
    for y, start, stop in np.asarray(runs):
        mask[y, start:stop] = True
    return mask
