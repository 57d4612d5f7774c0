"""Clipped star cores: their colour is false, the light just outside still has the true one.

Where one channel is sharper than another, the light just outside has another colour than the whole star. So the colour found there is
divided by what each channel's star image has there, which the picture's own stars tell: unclipped ones in the middle, and the clipped
ones from their clipped core outwards.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numba import njit

from layerblend.errors import check_image, check_range
from layerblend.kinds import Array, LinearImage, Mask, StarShape
from layerblend.maths.clipped import clipped_pixels
from layerblend.maths.robust import MAD_TO_SIGMA

# Ring whose sums give the colour, px outside the clipped blob.
RING_PX = (0.5, 3.0)
LEAST_LIGHT = 1e-12
# Star images are followed so far, in widths; their sky is taken just outside.
REACH_FWHM, SKY_RING_FWHM = 8.0, 1.5
# Rings of the profile: 1 px wide in the middle, this share of their radius farther out.
RING_GROWTH = 0.15
MOST_STARS, LEAST_STARS, LEAST_IN_RING = 300, 8, 3
LEAST_SNR = 5.0
# What neighbours and a star image that changes over the field may do to a ring's colour.
RING_ERROR = 0.02
# The ratio of two channels' profiles bends by less than this from ring to ring.
BEND = 0.05
HUBER_REACH = 2.0
ROUNDS = 6


def repair_cores(
    image: LinearImage, *, saturated: Array | None = None, star_shape: StarShape | None = None, clip: float = 0.0
) -> LinearImage:
    """Give clipped star cores the colour of their unclipped light, and the light their least clipped channel tells.

    Parameters
    ----------
    image : (H, W, 3) float32, linear, sky-subtracted; a mono picture is returned as it is
    saturated : (H, W) bool, or float share of a pixel's frames that were saturated; plateaus of the picture when None
    star_shape : StarShape of the picture; its width and its stars serve to find how the channels' star images differ. None, or fewer
        than 8 stars: all channels are taken to be equally sharp
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
    middles = blob_middles(clipped, blob)
    profile = None if star_shape is None else channel_profiles(image, clipped, middles[1:], star_shape)
    colour, known = ring_colours(image, distance, blob, middles, profile)
    inside = clipped & known[blob] & np.isfinite(image).all(-1)
    core_colour = colour[blob[inside]]
    # What clipping leaves is never more than the truth, so the channel that asks for most light is the least clipped one.
    light = (image[inside] / core_colour).max(1)
    out[inside] = np.maximum(light, 0)[:, None] * core_colour
    return out


def blob_middles(clipped: Mask, blob: Array) -> Array:
    """(blobs + 1, 2) float64: mean x, y of the clipped pixels of every blob, px; row 0 stands for nothing."""
    y, x = np.nonzero(clipped)
    index = blob[y, x]
    count = np.maximum(np.bincount(index, minlength=int(blob.max()) + 1), 1)
    return np.stack([np.bincount(index, place, len(count)) / count for place in (x, y)], 1)


def ring_colours(image: Array, distance: Array, blob: Array, middles: Array, profile: Profiles | None = None) -> tuple[Array, Array]:
    """Colour (blobs + 1, 3) of each blob's ring, green = 1, and (blobs + 1,) bool where the ring shows one.

    Sums over the ring, each channel's over the share of a star's light that it has there.
    """
    row, column = np.nonzero((distance > RING_PX[0]) & (distance <= RING_PX[1]) & np.isfinite(image).all(-1))
    index, n = blob[row, column], len(middles)
    light = image[row, column].astype(np.float64)
    share = np.ones_like(light)
    if profile is not None:
        light -= profile.sky[index]
        share = profile.at(np.hypot(column - middles[index, 0], row - middles[index, 1]))
    sums, shares = (np.stack([np.bincount(index, part[:, c], n) for c in range(3)], 1) for part in (light, share))
    known = np.asarray((sums > LEAST_LIGHT).all(1))
    safe = np.where(known[:, None], sums / np.where(known[:, None], shares, 1.0), 1.0)
    return (safe / safe[:, 1:2]).astype(np.float32), known


# ---------------------------------------------------------------- how the channels' star images differ
@dataclass(frozen=True)
class Profiles:
    """Share of a star's light per pixel at a distance from its middle, by channel.

    ``radius``: (K,) px; ``log_share``: (K, 3); ``sky``: (blobs + 1, 3) light round the blobs that is not theirs.
    """

    radius: Array
    log_share: Array
    sky: Array

    def at(self, distance: Array) -> Array:
        """(n, 3) at distances (n,) px."""
        return np.exp(np.stack([np.interp(distance, self.radius, self.log_share[:, c]) for c in range(3)], 1))


def channel_profiles(image: LinearImage, clipped: Mask, blobs: Array, star_shape: StarShape) -> Profiles | None:
    """Profiles of the channels from unclipped stars and from what is unclipped of the others; None with too few stars.

    Parameters
    ----------
    image : (H, W, 3) float32, linear, sky-subtracted
    clipped : (H, W) bool
    blobs : (n, 2) middles of the clipped blobs, px
    star_shape : StarShape, with its stars
    """
    fwhm = star_shape.centre.fwhm
    edges = ring_edges(REACH_FWHM * fwhm)
    stars = star_shape.stars[:MOST_STARS, :2]
    if len(stars) < LEAST_STARS:
        return None
    spoilt = cv2.dilate(clipped.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    places = np.concatenate([stars, blobs])
    light, noise, whole, sky = _ring_light(image, spoilt, places, edges, edges[-1] + SKY_RING_FWHM * fwhm)
    clear = whole[..., None] & (light > LEAST_SNR * noise)
    good = _first_run(clear.all(-1))
    relative = np.where(good[..., None], noise / np.where(good[..., None], light, 1.0), 0.0)
    logs = np.log(np.where(good[..., None], light, 1.0))
    known = _followed(good, len(stars))
    if not known:
        return None
    weight = np.where(good, 1 / ((relative**2).sum(-1) + RING_ERROR**2), 0.0)
    logs, weight, edges = logs[:, :known], weight[:, :known], edges[: known + 1]
    green = follow_rings(logs[..., 1], weight, bend=None)
    pixels = np.pi * np.diff(edges**2)
    log_share = np.zeros((len(pixels), 3))
    for c in range(3):
        own = green if c == 1 else green + follow_rings(logs[..., c] - logs[..., 1], weight, bend=BEND)
        log_share[:, c] = own - np.log((pixels * np.exp(own)).sum())
    around = np.zeros((len(blobs) + 1, 3))
    around[1:] = sky[len(stars) :]
    return Profiles((edges[1:] + edges[:-1]) / 2, log_share, around)


def _first_run(good: Mask) -> Mask:
    """(stars, K): from the first good ring outwards until the first that is not: what lies beyond is a neighbour's light."""
    begun = np.maximum.accumulate(good, axis=1)
    return begun & ~np.maximum.accumulate(begun & ~good, axis=1)


def _followed(good: Mask, stars: int) -> int:
    """How many rings, from the middle outwards, enough stars tell of; 0 where too few show their middle."""
    if good[:stars, 0].sum() < LEAST_STARS:
        return 0
    enough = good.sum(0) >= LEAST_IN_RING
    return len(enough) if enough.all() else int(enough.argmin())


def ring_edges(reach: float) -> Array:
    """Edges of the rings, px, from 0 to about ``reach``."""
    edges = [0.0, 1.0]
    while edges[-1] < reach:
        edges.append(edges[-1] + max(1.0, RING_GROWTH * edges[-1]))
    return np.array(edges)


def follow_rings(values: Array, weight: Array, *, bend: float | None) -> Array:
    """(K,) the course from ring to ring that many stars share, each known over some rings and with an offset of its own.

    Parameters
    ----------
    values, weight : (stars, K); weight 0 where a star's ring tells nothing
    bend : how much the course may bend from ring to ring, as 1 sigma; None leaves it free wherever stars tell
    """
    rings = values.shape[1]
    second = np.diff(np.eye(rings), 2, axis=0)
    prior = 1e-6 * np.eye(rings) + (0 if bend is None else second.T @ second / bend**2)
    robust, course = weight, np.zeros(rings)
    for _ in range(ROUNDS):
        total = np.maximum(robust.sum(1), 1e-30)
        normal = np.diag(robust.sum(0)) - (robust / total[:, None]).T @ robust
        offset = (robust * values).sum(1) / total
        course = np.linalg.solve(normal + prior, (robust * (values - offset[:, None])).sum(0))
        residual = values - course
        residual -= ((robust * residual).sum(1) / total)[:, None]
        pull = np.abs(residual) * np.sqrt(weight)
        robust = weight * np.minimum(1, HUBER_REACH / np.maximum(pull, 1e-9))
    return course


@njit(cache=True, nogil=True)
def _ring_light(image, spoilt, places, edges, sky_reach):  # type: ignore[no-untyped-def]
    """Light (n, K, 3) above the sky in the rings round ``places``: medians, which a neighbour in a part of a ring does not reach; error
    of these; (n, K) whether a ring is all there and unspoilt; sky (n, 3)."""
    height, width, _ = image.shape
    rings = len(edges) - 1
    light, error = np.zeros((len(places), rings, 3)), np.full((len(places), rings, 3), np.inf)
    whole, sky = np.ones((len(places), rings), np.bool_), np.zeros((len(places), 3))
    reach = int(np.ceil(sky_reach))
    values = np.empty((3, rings + 1, (2 * reach + 3) ** 2), np.float32)
    for s in range(len(places)):
        x0, y0 = places[s]
        count = np.zeros(rings + 1, np.int64)
        for y in range(int(y0) - reach, int(y0) + reach + 2):
            for x in range(int(x0) - reach, int(x0) + reach + 2):
                r = np.hypot(x - x0, y - y0)
                if r >= sky_reach:
                    continue
                k = min(np.searchsorted(edges, r, side="right") - 1, rings)
                if x < 0 or y < 0 or x >= width or y >= height or spoilt[y, x] or not np.isfinite(image[y, x].sum()):
                    if k < rings:
                        whole[s, k] = False
                    continue
                for c in range(3):
                    values[c, k, count[k]] = image[y, x, c]
                count[k] += 1
        if count[rings] < 20:
            whole[s] = False
            continue
        for c in range(3):
            around = values[c, rings, : count[rings]]
            sky[s, c] = np.median(around)
            scatter = MAD_TO_SIGMA * np.median(np.abs(around - sky[s, c]))
            for k in range(rings):
                if count[k] > 0:
                    light[s, k, c] = np.median(values[c, k, : count[k]]) - sky[s, c]
                    error[s, k, c] = 1.25 * scatter * np.sqrt(1 / count[k] + 1 / count[rings])
    return light, error, whole, sky
