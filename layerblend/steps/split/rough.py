"""How structured the ground round each source is: arms and dust shake what is fitted to the sources on them."""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np

from layerblend.kinds import Array, Mask, Plane
from layerblend.maths.robust import MAD_TO_SIGMA
from layerblend.steps.split.mask import usual_height

# Sides of the box round a source and of the hole in it, FWHM: what the source's own model misses says nothing about the ground.
BOX, HOLE = 8.0, 3.2
# Heights above so many times the picture's usual one count as that: sources nobody fitted.
MOST_HEIGHT = 8.0
# Noise alone may look so much larger in one box than in the picture.
LUCK = 1.1


class Roughness(NamedTuple):
    """``scatter`` (n,) of the ground as heights of stars, beyond the noise; ``share`` (n,), scatter over noise."""

    scatter: Array
    share: Array


def roughness(response: Plane, x: Array, y: Array, fwhm: float, seen: Mask | None = None) -> Roughness:
    """Structure of the ground round places.

    Parameters
    ----------
    response : (H, W) float32, `mask.peak_response` of the picture less all that was fitted
    x, y : (n,) px
    fwhm : float, px
    seen : (H, W) bool, where data is; everywhere when left out
    """
    usual = float(usual_height(response, seen))
    square = np.minimum(response * response, np.float32((MOST_HEIGHT * usual) ** 2))
    column, row = (np.clip(np.rint(a), 0, n - 1).astype(int) for a, n in zip((x, y), response.shape[::-1], strict=True))
    outer, inner = int(BOX * fwhm) | 1, int(HOLE * fwhm) | 1
    box, hole = (side**2 * cv2.blur(square, (side, side))[row, column].astype(float) for side in (outer, inner))
    scatter = np.sqrt(np.maximum(box - hole, 0) / (outer**2 - inner**2))
    quiet = MAD_TO_SIGMA * usual
    return Roughness(np.sqrt(np.maximum(scatter**2 - (LUCK * quiet) ** 2, 0)), scatter / max(quiet, 1e-30))
