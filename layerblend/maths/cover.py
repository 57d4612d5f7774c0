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
    height, width = missing.shape
    padded = np.zeros((height, width + 1), bool)  # a blank column after every row keeps runs of neighbouring rows apart
    padded[:, :width] = missing
    flat = padded.ravel()
    changes = np.flatnonzero(flat[1:] != flat[:-1]) + 1
    if flat[0]:
        changes = np.concatenate([[0], changes])
    start, stop = changes[0::2], changes[1::2]
    y = start // (width + 1)
    return np.stack([y, start - y * (width + 1), stop - y * (width + 1)], 1).astype(np.int32)
