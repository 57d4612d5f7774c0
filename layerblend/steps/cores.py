"""Clipped star cores: their colour is false, the light just outside still has the true one."""

from __future__ import annotations

import cv2
import numpy as np

from layerblend.errors import check_image, check_range
from layerblend.kinds import Array, LinearImage, StarShape
from layerblend.maths.clipped import clipped_pixels

# Ring whose sums give the colour, px outside the clipped blob.
RING_PX = (0.5, 3.0)
LEAST_LIGHT = 1e-12


def repair_cores(
    image: LinearImage, *, saturated: Array | None = None, star_shape: StarShape | None = None, clip: float = 0.0
) -> LinearImage:
    """Give clipped star cores the colour of the light just outside, and the light their least clipped channel tells.

    Parameters
    ----------
    image : (H, W, 3) float32, linear, sky-subtracted; a mono picture is returned as it is
    saturated : (H, W) bool, or float share of a pixel's frames that were saturated; plateaus of the picture when None
    star_shape : StarShape or None
    clip : 0..1, share of saturated frames above which a pixel counts as clipped

    Returns
    -------
    (H, W, 3) float32, unchanged outside the clipped pixels
    """
    image = check_image("image", image)
    check_range("clip", clip, 0, 1)
    out = image.copy()
    if image.ndim == 2:
        return out
    clipped = clipped_pixels(image, saturated, least_share=clip)
    if not clipped.any():
        return out
    distance, blob = cv2.distanceTransformWithLabels((~clipped).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_CCOMP)
    colour, known = ring_colours(image, distance, blob)
    inside = clipped & known[blob] & np.isfinite(image).all(-1)
    core_colour = colour[blob[inside]]
    # What clipping leaves is never more than the truth, so the channel that asks for most light is the least clipped one.
    light = (image[inside] / core_colour).max(1)
    out[inside] = np.maximum(light, 0)[:, None] * core_colour
    return out


def ring_colours(image: Array, distance: Array, blob: Array) -> tuple[Array, Array]:
    """Colour (blobs + 1, 3) from sums over each blob's ring, green = 1, and (blobs + 1,) bool where the ring shows one."""
    ring = (distance > RING_PX[0]) & (distance <= RING_PX[1]) & np.isfinite(image).all(-1)
    n = int(blob.max()) + 1
    sums = np.stack([np.bincount(blob[ring], image[..., c][ring].astype(np.float64), n) for c in range(3)], 1)
    known = np.asarray((sums > LEAST_LIGHT).all(1))
    safe = np.where(known[:, None], sums, 1.0)
    return (safe / safe[:, 1:2]).astype(np.float32), known
