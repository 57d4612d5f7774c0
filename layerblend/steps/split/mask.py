"""Where stars are: clipped blobs, and compact peaks that stand out from their surroundings."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import scipy

from layerblend.kinds import Array, Mask, Plane
from layerblend.maths.bands import each
from layerblend.maths.robust import MAD_TO_SIGMA

# A share of saturated frames above this bends a pixel's light.
LEAST_SHARE = 0.01
# A 3 x 3 patch is flat when its values agree to this share of their height; no star of FWHM 2 px or more is.
FLAT_SHARE = 0.015
FLAT_SIGMA = 30.0
NEAR_TOP = 0.96
# Below a clipped plateau the light falls steeply: the rim (60 to 96 % of the top) is not much larger than the plateau itself.
RIM_LOW = 0.6
MOST_RIM = 6.0
LEAST_BLOB_PX = 12
# A blob whose ellipse differs by this from the usual one (of at least so many blobs) may be two stars, if so many px apart; blobs longer
# than so many times their width are bled columns.
LONG, USUAL_BLOBS, LEAST_GAP_PX, MOST_LENGTH = 0.055, 3, 3.0, 2.2
FILTER_RADIUS = 1.6
FILTER_BETA = 3.0
BLOCK_PX = 64
# The response to bare noise scatters by no less than this share of a pixel's noise.
LEAST_SCATTER = 1e-3


@dataclass(frozen=True)
class Blobs:
    """Clipped stars: centre x, y, and radius (px) of the disc of the blob's area; ``mask`` marks every clipped pixel and its neighbours,
    ``small`` those of them that are too few to hide more than a star's peak."""

    x: Array
    y: Array
    radius: Array
    mask: Mask
    small: Mask


def clipped_mask(planes: Array, sigma: Array, saturated: Array | None) -> Mask:
    """(H, W) bool, pixels whose light was cut off in some channel.

    With a share map (0..1 or bool) the map decides. Without one each channel is searched for plateaus: flat 3 x 3 patches near the
    channel's highest value that fall off steeply all round, as the smooth core of a galaxy does not.

    Parameters
    ----------
    planes : (C, H, W) float32, linear, finite
    sigma : (C,) noise of the sky
    saturated : (H, W) share of a pixel's frames that were saturated, or None
    """
    if saturated is not None:
        known = np.asarray(saturated)
        return known.copy() if known.dtype == bool else np.nan_to_num(known) > LEAST_SHARE
    out = np.zeros(planes.shape[1:], bool)
    for plane, level in zip(planes, each(lambda c: _plateau_level(planes[c], float(sigma[c])), range(len(planes))), strict=True):
        if np.isfinite(level):
            out |= plane >= level
    return out


def _plateau_level(plane: Plane, sigma: float) -> float:
    box = np.ones((3, 3), np.uint8)
    low, high = cv2.erode(plane, box), cv2.dilate(plane, box)
    flat = (high - low < np.maximum(FLAT_SHARE * high, 2 * sigma)) & (low > max(FLAT_SIGMA * sigma, 0.7 * float(plane.max())))
    if flat.sum() < 2:
        return float("inf")
    top = float(np.median(low[flat]))
    plateau, rim = _plateau_and_rim(plane, flat, NEAR_TOP * top, RIM_LOW * top)
    return NEAR_TOP * top if rim <= MOST_RIM * plateau else float("inf")


def _plateau_and_rim(plane: Plane, flat: Mask, high: float, low: float) -> tuple[int, int]:
    """Pixels above ``high`` in blobs with a flat middle, and pixels between both levels that touch those blobs."""
    labels, count = scipy.ndimage.label(plane >= low, structure=np.ones((3, 3)))
    held = np.zeros(count + 1, bool)
    held[labels[flat]] = True
    held[0] = False
    inside = held[labels]
    return int((inside & (plane >= high)).sum()), int((inside & (plane < high)).sum())


def find_blobs(clipped: Mask) -> Blobs:
    """Clipped stars of at least twelve pixels; a blob of two touching stars is parted at its waist, or along its length."""
    grown = cv2.dilate(clipped.astype(np.uint8), np.ones((3, 3), np.uint8))
    count, labels, stats, centres = cv2.connectedComponentsWithStats(grown, connectivity=8)
    large = [k for k in range(1, count) if stats[k][4] >= LEAST_BLOB_PX]
    corners = [(stats[k][0], stats[k][1]) for k in large]
    parts = [labels[y0 : y0 + h, x0 : x0 + w] == k for k in large for x0, y0, w, h, _ in [stats[k]]]
    ellipses = np.array([_ellipse(part) for part in parts]).reshape(-1, 2)
    usual = np.median(ellipses, 0) if len(parts) >= USUAL_BLOBS else np.zeros(2)
    rows: list[tuple[float, float, float]] = []
    for k, part, (x0, y0), ellipse in zip(large, parts, corners, ellipses, strict=True):
        peaks = _lobes(part)
        if len(peaks) == 1 and np.hypot(*(ellipse - usual)) > LONG:
            peaks = _two_discs(part, 0.5 * float(np.arctan2(*(ellipse - usual)[::-1])))
        if len(peaks) == 1:
            rows.append((*_middle(part, x0, y0, centres[k]), np.sqrt(part.sum() / np.pi)))
        else:
            rows.extend((x + x0, y + y0, r) for x, y, r in peaks)
    found = np.array(rows, float).reshape(-1, 3)
    small = np.ones(count, bool)
    small[[0, *large]] = False
    return Blobs(found[:, 0], found[:, 1], found[:, 2], grown.astype(bool), small[labels])


def _ellipse(part: Mask) -> tuple[float, float]:
    """e1, e2 of a blob's second moments: (a - b)/(a + b), twice the angle of the long axis."""
    yy, xx = np.nonzero(part)
    xx_, yy_, xy = (float(v) for v in (np.var(xx), np.var(yy), np.mean((xx - xx.mean()) * (yy - yy.mean()))))
    whole = xx_ + yy_ + 2 * np.sqrt(max(xx_ * yy_ - xy * xy, 0)) + 1e-12
    return (xx_ - yy_) / whole, 2 * xy / whole


def _two_discs(part: Mask, angle: float) -> list[tuple[float, float, float]]:
    """The blob as two overlapping discs along its length, x, y, radius; a single entry when one disc or a bled column describes it."""
    yy, xx = np.nonzero(part)
    middle_x, middle_y = float(xx.mean()), float(yy.mean())
    along = (xx - middle_x) * np.cos(angle) + (yy - middle_y) * np.sin(angle)
    across = -(xx - middle_x) * np.sin(angle) + (yy - middle_y) * np.cos(angle)
    low, high = float(along.min()) - 0.5, float(along.max()) + 0.5
    large = 0.5 * (float(np.ptp(across)) + 1)
    middle = 0.5 * float(across.min() + across.max())
    if high - low > MOST_LENGTH * 2 * large:
        return [(0.0, 0.0, 0.0)]
    best = (len(xx), 0.0, 0.0, 0.0, 0.0)
    v, u = np.mgrid[: part.shape[0], : part.shape[1]]
    s = (u - middle_x) * np.cos(angle) + (v - middle_y) * np.sin(angle)
    t = -(u - middle_x) * np.sin(angle) + (v - middle_y) * np.cos(angle) - middle
    for small in large * np.linspace(0.45, 1, 12):
        for first, second in ((large, small), (small, large)):
            a, b = low + first, high - second
            discs = ((s - a) ** 2 + t**2 < first**2) | ((s - b) ** 2 + t**2 < second**2)
            best = min(best, (int((discs != part).sum()), a, first, b, second))
    _, a, first, b, second = best
    if b - a < LEAST_GAP_PX:
        return [(0.0, 0.0, 0.0)]
    turned = [
        (middle_x + c * np.cos(angle) - middle * np.sin(angle), middle_y + c * np.sin(angle) + middle * np.cos(angle), r)
        for c, r in ((a, first), (b, second))
    ]
    return sorted(turned, key=lambda disc: -disc[2])


def _middle(part: Mask, x0: int, y0: int, centre: Array) -> tuple[float, float]:
    """Centre of a blob: its widest place when charge has bled into long columns, else its centroid."""
    area, height, width = int(part.sum()), *part.shape
    if area > 0.5 * height * width or (max(height, width) < 3 * min(height, width) and area > 0.4 * height * width):
        return float(centre[0]), float(centre[1])
    deep = cv2.distanceTransform(np.pad(part, 1).astype(np.uint8), cv2.DIST_L2, 5)[1:-1, 1:-1]
    yy, xx = np.nonzero(deep >= 0.9 * deep.max())
    return float(xx.mean() + x0), float(yy.mean() + y0)


def _lobes(part: Mask) -> list[tuple[float, float, float]]:
    """Separate round lobes of a blob by the maxima of its distance map: x, y, radius; one entry when it is a single star."""
    deep = cv2.distanceTransform(np.pad(part, 1).astype(np.uint8), cv2.DIST_L2, 5)[1:-1, 1:-1]
    if deep.max() < 3:
        return [(0.0, 0.0, 0.0)]
    highest = (deep >= cv2.dilate(deep, np.ones((5, 5), np.uint8))) & (deep > max(2.5, 0.35 * float(deep.max())))
    labels, count = scipy.ndimage.label(scipy.ndimage.binary_dilation(highest, iterations=1))
    places = []
    for k in range(1, count + 1):
        inside = (labels == k) & highest
        yy, xx = np.nonzero(inside)
        if max(np.ptp(xx), np.ptp(yy)) > 2 * deep[inside].max():
            continue  # the ridge of a bled column
        places.append((float(xx.mean()), float(yy.mean()), float(deep[inside].max())))
    places.sort(key=lambda p: -p[2])
    kept: list[tuple[float, float, float]] = []
    for x, y, r in places:
        # a true waist: both discs overlap by less than half of the smaller one's radius
        if all(np.hypot(x - a, y - b) > max(r, s) + 0.25 * min(r, s) for a, b, s in kept):
            kept.append((x, y, r))
    return kept if kept else [(0.0, 0.0, 0.0)]


@dataclass(frozen=True)
class Peaks:
    """Compact peaks, strongest first: x, y whole px, estimated height, and height over the local scatter."""

    x: Array
    y: Array
    height: Array
    strength: Array


def usual_height(plane: Plane, seen: Mask | None = None) -> np.float32:
    """Median of |plane| at every third pixel that is ``seen``: what fills gaps is smooth, and would make it small."""
    sample = np.abs(plane[::3, ::3])
    if seen is not None and (thin := seen[::3, ::3]).any():
        sample = sample[thin]
    return np.float32(np.median(sample))


def find_peaks(response: Plane, sigma: Plane, threshold: float, extra: Plane | None = None, *, seen: Mask | None = None) -> Peaks:
    """Peaks of the picture filtered by a star image of zero sum.

    The threshold is in units of the largest of the noise, the scatter within blocks of 64 px (structured ground hides stars) and
    ``extra`` (what subtracted stars may have left).

    Parameters
    ----------
    response : (H, W) float32, `peak_response` of the picture
    sigma : (H, W) float32, noise of a pixel, or a scalar array
    threshold : float
    extra : (H, W) float32 or None
    seen : (H, W) bool, where data is; everywhere when left out
    """
    scatter = np.float32(MAD_TO_SIGMA * usual_height(response, seen)) * (sigma / np.float32(np.median(sigma[::3, ::3])))
    if extra is not None:
        scatter = np.hypot(scatter, extra)
    scatter = np.maximum(scatter, _block_scatter(response))
    scatter = np.maximum(scatter, np.float32(LEAST_SCATTER) * sigma)  # where nearly all pixels are alike both medians are 0
    highest = (response >= cv2.dilate(response, np.ones((3, 3), np.uint8))) & (response > threshold * scatter)
    y, x = np.nonzero(highest)
    height = response[y, x]
    order = np.argsort(-height, kind="stable")
    x, y, height = x[order], y[order], height[order]
    return Peaks(x.astype(float), y.astype(float), height.astype(float), (height / scatter[y, x]).astype(float))


def peak_response(plane: Plane, fwhm: float) -> Plane:
    """(H, W) float32: height of the star of this width that fits best at each place, on a level of its own."""
    return cv2.filter2D(plane, -1, _matched_filter(fwhm), borderType=cv2.BORDER_REFLECT)


def _matched_filter(fwhm: float) -> Array:
    r = max(round(FILTER_RADIUS * fwhm), 2)
    yy, xx = np.mgrid[-r : r + 1, -r : r + 1]
    d2 = xx**2 + yy**2
    disc = d2 <= r * r
    kernel = np.where(disc, (1 + d2 * 4 * (2 ** (1 / FILTER_BETA) - 1) / fwhm**2) ** -FILTER_BETA, 0.0)
    kernel = np.where(disc, kernel - kernel[disc].mean(), 0.0)
    return (kernel / (kernel * kernel).sum()).astype(np.float32)


def _block_scatter(response: Plane) -> Plane:
    h, w = response.shape
    rows, columns = h // BLOCK_PX, w // BLOCK_PX
    if rows < 1 or columns < 1:
        return np.zeros_like(response)
    cut = np.abs(response[: rows * BLOCK_PX, : columns * BLOCK_PX]).reshape(rows, BLOCK_PX, columns, BLOCK_PX)[:, ::2, :, ::2]
    blocks: Array = np.median(cut.transpose(0, 2, 1, 3).reshape(rows, columns, -1), -1).astype(np.float32) * np.float32(MAD_TO_SIGMA)
    if min(rows, columns) >= 3:
        blocks = cv2.medianBlur(blocks, 3)
    return cv2.resize(blocks, (w, h), interpolation=cv2.INTER_LINEAR)
