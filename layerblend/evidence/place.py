"""Whether two pictures of one size show one place: what is compared pixel by pixel must lie pixel on pixel."""

from __future__ import annotations

import cv2
import numpy as np

from layerblend.kinds import Array, Plane

# Fine light on this ground, pooled, and no brighter than this: faint stars tell as much of the place as bright ones.
GROUND_PX, POOL_PX, MOST_LIGHT = 8.0, 1.5, 0.1
MOST_SIDE = 2048
# Response of the phase correlation: of one place .42 and more (starless against finished pictures, other blend modes, noise), of other or
# mirrored ones .05 and less, of 300 x 240 px with sixty stars .13.
ALIKE, UNLIKE = 0.3, 0.15
UNLIKE_CORRELATION = 0.3
FARTHEST_PX = 1.5


def place_fault(a: Array, b: Array, names: tuple[str, str]) -> str:
    """What is wrong with the places of two pictures, in words; empty where nothing is, or where nothing can be told.

    Parameters
    ----------
    a, b : (H, W) or (H, W, 3) float32, display 0..1, of one size
    names : what the two are called

    References
    ----------
    Kuglin & Hines 1975, Proc. Int. Conf. Cybernetics and Society, 163 (phase correlation).
    """
    first, second = _fine_light(a), _fine_light(b)
    strength = float(np.sqrt((first**2).sum(dtype=float) * (second**2).sum(dtype=float)))
    if strength == 0:
        return ""
    window = cv2.createHanningWindow((first.shape[1], first.shape[0]), cv2.CV_32F)
    (x, y), response = cv2.phaseCorrelate(first, second, window)
    if response > ALIKE and np.hypot(x, y) > FARTHEST_PX:
        sides = f"{abs(x):.1f} px to the {'right' if x > 0 else 'left'} and {abs(y):.1f} px {'down' if y > 0 else 'up'}"
        return f"`{names[1]}` lies beside `{names[0]}`, {sides}: what is measured at the same pixels means little. Register it first."
    correlation = float((first * second).sum(dtype=float)) / strength
    if response < UNLIKE and correlation < UNLIKE_CORRELATION:
        return (
            f"`{names[1]}` does not lie on `{names[0]}`: it shows another place, or is mirrored, turned or registered otherwise. "
            "What is measured at the same pixels means little."
        )
    return ""


def _fine_light(picture: Array) -> Plane:
    """Light finer than the ground about the middle, held below a ceiling, its mean at 0."""
    rows, columns = (slice(max(0, (side - MOST_SIDE) // 2), max(0, (side - MOST_SIDE) // 2) + MOST_SIDE) for side in picture.shape[:2])
    part = picture[rows, columns]
    light = np.nan_to_num(part if part.ndim == 2 else part[..., 1]).astype(np.float32)
    fine = cv2.GaussianBlur(light - cv2.GaussianBlur(light, (0, 0), GROUND_PX), (0, 0), POOL_PX)
    held = MOST_LIGHT * np.tanh(fine / MOST_LIGHT)
    return np.asarray(held - held.mean(), np.float32)
