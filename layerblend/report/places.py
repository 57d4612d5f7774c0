"""Which pieces of a picture are worth seeing at true size: core, arms, outskirts, sky and a bright star."""

from __future__ import annotations

from collections.abc import Mapping

import cv2
import numpy as np

from layerblend.kinds import Array, DisplayRGB, Mask

Box = tuple[int, int, int, int]
STAR_PX = 11
COARSE_PX = 700  # size, px, of what is searched: blurs as broad as a tenth of a picture take long at full size


def choose_places(
    picture: DisplayRGB,
    *,
    target: Mask | None = None,
    sky: Mask | None = None,
    stars: Array | None = None,
    width: int = 280,
    height: int = 210,
    more: Mapping[str, tuple[float, float]] | None = None,
) -> dict[str, Box]:
    """Boxes (x0, y0, x1, y1) of one size that show a picture's core, arms, outskirts, sky and a bright star.

    Parameters
    ----------
    picture : (H, W, 3) or (H, W), display; only its brightness is used
    target, sky : (H, W) bool, optional; guessed from brightness if left out
    stars : (n, >= 3) x, y, flux, optional
    width, height : px; cut down to the picture's size
    more : name -> x, y of further places, shown last

    Returns
    -------
    dict in the order of showing; a place that the picture does not have (no star list, no sky) is left out.
    """
    light = picture if picture.ndim == 2 else picture.mean(2)
    shape = light.shape
    width, height = min(width, shape[1]), min(height, shape[0])
    step = max(min(shape) // COARSE_PX, 1)
    open_ = cv2.morphologyEx(np.asarray(light, np.float32), cv2.MORPH_OPEN, np.ones((STAR_PX, STAR_PX), np.uint8))  # without stars
    small = open_[::step, ::step]
    inside = [None if mask is None or not mask.any() else mask[::step, ::step] for mask in (target, sky)]
    centre = _centres(small, inside[0], inside[1], max(width // step, 1), max(height // step, 1))
    centre = {name: (step * x, step * y) for name, (x, y) in centre.items()}
    star = _bright_star(stars, target, shape, width, height)
    if star is not None:
        centre["bright star"] = star
    centre |= more or {}
    return {name: _box(xy, width, height, shape) for name, xy in centre.items()}


def _centres(light: Array, target: Mask | None, sky: Mask | None, width: int, height: int) -> dict[str, tuple[float, float]]:
    """x, y in the middle of each place, by a starless picture small enough for broad blurs."""
    shape = light.shape
    smooth = cv2.GaussianBlur(light, (0, 0), max(4.0, min(shape) / 60))
    target = _bright_part(smooth) if target is None or not target.any() else target
    broad = cv2.GaussianBlur(light, (0, 0), max(6.0, min(shape) / 25))
    core = np.unravel_index(int(np.argmax(np.where(target, broad, -1))), shape)
    centre = {"core": (float(core[1]), float(core[0]))}
    depth = cv2.distanceTransform(target.astype(np.uint8), cv2.DIST_L2, 3)
    away = _distance_from(shape, centre["core"])
    rim = float(away[target].max()) if target.any() else min(shape) / 4
    texture = np.abs(smooth - cv2.GaussianBlur(smooth, (0, 0), max(12.0, min(shape) / 20)))
    arms = target & (away > 0.3 * rim) & (away < 0.75 * rim)
    if arms.any():
        centre["arms"] = _place(cv2.blur(texture * arms, (width, height)), arms)
    edge = target & (depth <= 3) & (away > 0.5 * rim)
    if edge.any():
        centre["outskirts"] = _place(_distance_from(shape, centre.get("arms", centre["core"])), edge)
    blank = ~target & (smooth < np.quantile(smooth, 0.6)) if sky is None or not sky.any() else sky
    if blank.any():
        value = blank.astype(np.float32) - 2 * target
        share = cv2.blur(value, (width, height), borderType=cv2.BORDER_REFLECT)
        whole = np.zeros(shape, bool)
        whole[height // 2 : shape[0] - height // 2 + 1, width // 2 : shape[1] - width // 2 + 1] = True
        centre["sky"] = _place(share + 1e-4 * away / max(shape), whole)
    return centre


def _bright_part(smooth: Array) -> Mask:
    """The lit part of the picture around its brightest place."""
    low, high = np.quantile(smooth, 0.3), float(smooth.max())
    lit = (smooth > low + 0.12 * (high - low)).astype(np.uint8)
    _, labels = cv2.connectedComponents(lit)
    peak = np.unravel_index(int(np.argmax(smooth)), smooth.shape)
    return np.asarray((labels == labels[peak]) & (lit > 0))


def _distance_from(shape: tuple[int, ...], xy: tuple[float, float]) -> Array:
    y, x = np.ogrid[: shape[0], : shape[1]]
    return np.hypot(x - xy[0], y - xy[1])


def _place(score: Array, allowed: Mask) -> tuple[float, float]:
    y, x = np.unravel_index(int(np.argmax(np.where(allowed, score, -np.inf))), score.shape)
    return float(x), float(y)


def _bright_star(stars: Array | None, target: Mask | None, shape: tuple[int, ...], width: int, height: int) -> tuple[float, float] | None:
    """The brightest star that lies off the target and not at the very edge, else simply the brightest."""
    if stars is None or not len(stars):
        return None
    order = np.argsort(-np.asarray(stars)[:, 2], kind="stable")
    for i in order[:40]:
        x, y = float(stars[i][0]), float(stars[i][1])
        inside = width / 4 < x < shape[1] - width / 4 and height / 4 < y < shape[0] - height / 4
        if inside and (target is None or not target[round(y), round(x)]):
            return x, y
    return float(stars[order[0]][0]), float(stars[order[0]][1])


def _box(xy: tuple[float, float], width: int, height: int, shape: tuple[int, ...]) -> Box:
    x0 = int(np.clip(round(xy[0] - width / 2), 0, shape[1] - width))
    y0 = int(np.clip(round(xy[1] - height / 2), 0, shape[0] - height))
    return x0, y0, x0 + width, y0 + height
