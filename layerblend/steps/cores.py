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
from layerblend.maths.noise import Y_WEIGHTS
from layerblend.maths.robust import MAD_TO_SIGMA

# Ring whose sums give the colour, px outside the clipped blob: nearer, debayering and registration have mixed clipped light in. All
# distances grow with the star image beyond this width: drizzled or enlarged frames carry the mixing with them.
RING_PX, USUAL_FWHM = (1.2, 3.7), 4.0
LEAST_LIGHT = 1e-12
LEAST_SHARE = 1e-7  # of a star's light in a pixel, to tell how the channels differ there
# Debayering and registration mix clipped light into pixels so near to clipped ones, px: two channels then differ by so much. Softly less
# than all of it is mended from the first distance on, as far as the channels' star images are known; else nothing beyond the first.
RIM_PX, RIM_END_PX, TOUCHING_PX, MIXED = 3.3, 5.3, 1.6, 1.15
# A ring's pixel at which a star seems this many times as bright as at half of the others holds a neighbour's light.
NEIGHBOUR = 1.3
# Star images are followed so far, in widths; their sky is taken just outside.
REACH_FWHM, SKY_RING_FWHM = 8.0, 1.5
# Rings of the profile: 1 px wide in the middle, this share of their radius farther out.
RING_GROWTH = 0.15
MOST_STARS, LEAST_STARS, LEAST_IN_RING = 300, 8, 3
LEAST_SNR = 5.0
# What neighbours and a star image that changes over the field may do to a ring's colour.
RING_ERROR = 0.02
# A channel's profile departs from green's, stretched, by so much (1 sigma of the logarithm), as the departure itself tells in the end; at
# least by the first figure, and by the share of the stretch that green's slope is wrong by. From ring to ring it bends by a share of it.
LEAST_DEPARTS, MOST_DEPARTS, STRETCH_ERROR, BEND = 0.005, 0.1, 0.4, 0.4
DEPARTS_ROUNDS = 3
# A star's colour is that of its light within so many widths.
COLOUR_FWHM = 3.0
MOST_STRETCH, STRETCH_STEP = 0.7, 0.01
# Far from a star its light falls with the square of the distance (King 1971, PASP 83, 199): how much of it was taken for sky is read off
# the last rings, where these lie further out than this share of the sky's distance.
WING_RINGS, WING_FROM, FAR = 3, 0.7, 4.0
# Rings further off than so many times their scatter count less, stars further off than so many times the usual one much less.
HUBER_REACH, STAR_REACH = 2.0, 1.5
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
    (H, W, 3) float32, unchanged outside the clipped pixels and those within 5.3 px (more where stars are wider than 4 px) that have
    another colour than the star has there
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
    wide = 1.0 if star_shape is None or not np.isfinite(star_shape.centre.fwhm) else max(1.0, star_shape.centre.fwhm / USUAL_FWHM)
    distance /= np.float32(wide)
    colour, known = ring_colours(image, distance, blob, middles, profile)
    row, column = np.nonzero(clipped)  # few: the rest of the picture is left alone
    mended = known[blob[row, column]] & np.isfinite(image[row, column]).all(-1)
    row, column = row[mended], column[mended]
    core_colour = colour[blob[row, column]]
    # What clipping leaves is never more than the truth, so the channel that asks for most light is the least clipped one.
    light = (image[row, column] / core_colour).max(1)
    out[row, column] = np.maximum(light, 0)[:, None] * core_colour
    if clip > 0:  # pixels clipped in fewer frames were to stay
        distance[clipped_pixels(image, saturated)] = 0
    _mend_rims(out, distance, blob, middles, colour, known, profile)
    return out


def _mend_rims(out: Array, distance: Array, blob: Array, middles: Array, colour: Array, known: Array, profile: Profiles | None) -> None:
    """Pixels of ``out`` near clipped ones get the star's colour at their distance where theirs is mixed with clipped light, in place.

    Left alone they stand as a pale ring, or one of a single colour, between the core and the wings. Where neighbours shine they stay.
    ``distance``: (H, W) to the clipped pixels, px of a picture whose stars are no wider than usual.
    """
    end = RIM_PX if profile is None else RIM_END_PX
    row, column = np.nonzero((distance > 0) & (distance < end))
    there = known[blob[row, column]] & (out[row, column] > LEAST_LIGHT).any(-1)
    row, column = row[there], column[there]
    index = blob[row, column]
    local = colour[index].astype(np.float64)
    alone = np.ones(len(index), bool)
    if profile is not None:
        share = profile.above(np.hypot(column - middles[index, 0], row - middles[index, 1]))
        followed = (share > LEAST_SHARE).all(1)  # farther off the star images were not: there they count as alike
        local[followed] *= share[followed] / share[followed, 1:2]
        alone = without_neighbours(out[row, column].sum(1) / np.maximum(share.sum(1), LEAST_LIGHT), index)
    light = np.sort(out[row, column] / np.maximum(local, LEAST_LIGHT), axis=1)
    far = distance[row, column]
    mixed = (light[:, 2] > MIXED * light[:, 0]) & (alone | (far < TOUCHING_PX))
    # of pixels that touch the core the least clipped channel tells the light, as in it; farther off luminance is kept
    luminance = (out[row, column] @ Y_WEIGHTS) / np.maximum(local @ Y_WEIGHTS, LEAST_LIGHT)
    told = np.where(far < TOUCHING_PX, light[:, 2], luminance)
    part = np.clip((RIM_END_PX - far) / (RIM_END_PX - RIM_PX), 0, 1)[:, None]
    mended = out[row, column] + part * (told[:, None] * local - out[row, column])
    out[row[mixed], column[mixed]] = mended[mixed]


def blob_middles(clipped: Mask, blob: Array) -> Array:
    """(blobs + 1, 2) float64: mean x, y of the clipped pixels of every blob, px; row 0 stands for nothing."""
    y, x = np.nonzero(clipped)
    index = blob[y, x]
    count = np.maximum(np.bincount(index, minlength=int(blob.max()) + 1), 1)
    return np.stack([np.bincount(index, place, len(count)) / count for place in (x, y)], 1)


def ring_colours(image: Array, distance: Array, blob: Array, middles: Array, profile: Profiles | None = None) -> tuple[Array, Array]:
    """Colour (blobs + 1, 3) of each blob's ring, green = 1, and (blobs + 1,) bool where the ring shows one.

    Sums over the ring, each channel's over the share of a star's light that it has there. What is taken away as sky, far out, holds light
    of the star itself: the same share is taken from its image there.
    """
    row, column = np.nonzero((distance > RING_PX[0]) & (distance <= RING_PX[1]))
    there = np.isfinite(image[row, column]).all(-1)
    row, column = row[there], column[there]
    index, n = blob[row, column], len(middles)
    light = image[row, column].astype(np.float64)
    share = np.ones_like(light)
    if profile is not None:
        light -= profile.around[index]
        share = profile.above(np.hypot(column - middles[index, 0], row - middles[index, 1]))
        alone = without_neighbours(light.sum(1) / np.maximum(share.sum(1), LEAST_LIGHT), index)
        index, light, share = index[alone], light[alone], share[alone]
    sums, shares = (np.stack([np.bincount(index, part[:, c], n) for c in range(3)], 1) for part in (light, share))
    known = np.asarray((sums > LEAST_LIGHT).all(1))
    safe = np.where(known[:, None], sums / np.where(known[:, None], shares, 1.0), 1.0)
    return (safe / safe[:, 1:2]).astype(np.float32), known


def without_neighbours(brightness: Array, blob: Array) -> Mask:
    """(n,) pixels at which a star is not much brighter than at half of its ring's: chosen on all channels' light, so none is preferred."""
    order = np.lexsort((brightness, blob))
    first, count = (a[1] for a in (np.unique(blob[order], return_index=True), np.unique(blob[order], return_counts=True)))
    middle = np.zeros(int(blob.max()) + 1 if len(blob) else 1)
    middle[blob[order][first]] = brightness[order][first + count // 2]
    return np.asarray(brightness <= NEIGHBOUR * middle[blob])


# ---------------------------------------------------------------- how the channels' star images differ
@dataclass(frozen=True)
class Profiles:
    """Share of a star's light per pixel at a distance from its middle, by channel.

    ``place``: (K,) distances as `profile_place` has them; ``log_share``: (K, 3); ``sky_px``: distance at which the sky was measured;
    ``around``: (blobs + 1, 3) the light there.
    """

    fwhm: float
    place: Array
    log_share: Array
    sky_px: float
    around: Array

    def above(self, distance: Array) -> Array:
        """(n, 3) at distances (n,) px, less what there is where the sky was measured."""
        here, there = (profile_place(r, self.fwhm) for r in (distance, self.sky_px))
        columns = self.log_share.T
        return np.stack([np.exp(np.interp(here, self.place, log)) - np.exp(np.interp(there, self.place, log)) for log in columns], 1)


def profile_place(radius: Array | float, fwhm: float) -> Array:
    """Distance on a scale on which a Moffat profile's logarithm is nearly a straight line (it is one for beta = 3), from the middle on."""
    return np.log1p(np.square(np.asarray(radius, float) / fwhm))


def channel_profiles(image: LinearImage, clipped: Mask, blobs: Array, star_shape: StarShape) -> Profiles | None:
    """Profiles of the channels from unclipped stars and from what is unclipped of the others; None with too few stars.

    Red's and blue's are green's, stretched, and depart from that as little as the stars allow: neighbours' light, which no star is
    without, passes for a difference of the star images where these are left free.

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
    sky_reach = edges[-1] + SKY_RING_FWHM * fwhm
    light, noise, whole, sky = _ring_light(image, spoilt, places, edges, sky_reach)
    clear = whole[..., None] & (light > LEAST_SNR * noise)
    good = _first_run(clear.all(-1))
    relative = np.where(good[..., None], noise / np.where(good[..., None], light, 1.0), 0.0)
    logs = np.log(np.where(good[..., None], light, 1.0))
    known = _followed(good, len(stars))
    if not known:
        return None
    weight = np.where(good, 1 / ((relative**2).sum(-1) + RING_ERROR**2), 0.0)
    logs, weight, edges = logs[:, :known], weight[:, :known], edges[: known + 1]
    sky_px = float(middle_radius(np.array([sky_reach - SKY_RING_FWHM * fwhm, sky_reach]))[0])
    rings = Rings(fwhm, middle_radius(edges), np.pi * np.diff(edges**2), sky_px)
    green = rings.true_light(follow_rings(logs[..., 1], weight))
    place = profile_place(rings.nodes, fwhm)
    log_share = np.stack([green if c == 1 else stretched(rings, green, logs[..., c] - logs[..., 1], weight) for c in range(3)], 1)
    around = np.zeros((len(blobs) + 1, 3))
    around[1:] = sky[len(stars) :]
    return Profiles(fwhm, place, log_share, rings.sky_px, around)


def middle_radius(edges: Array) -> Array:
    """Radius with half a ring's pixels inside it: that of the median of their light."""
    return np.sqrt((edges[1:] ** 2 + edges[:-1] ** 2) / 2)


@dataclass(frozen=True)
class Rings:
    """``radius``, ``pixels``: (K,) of the rings; ``sky_px``: where the sky was measured. Courses are logarithms of light per pixel at the
    ``nodes``: the middle, the rings, and a place far out."""

    fwhm: float
    radius: Array
    pixels: Array
    sky_px: float

    @property
    def nodes(self) -> Array:
        return np.concatenate([[0.0], self.radius, [FAR * self.sky_px]])

    def true_light(self, measured: Array) -> Array:
        """(K + 2,) the course from one (K,) that lacks what was taken away as sky; it goes on outwards as scattered light does."""
        light, wing = np.exp(measured), np.square(self.sky_px / self.radius)
        outer = slice(-WING_RINGS, None)
        in_sky = 0.0
        if self.radius[-1] > WING_FROM * self.sky_px:
            in_sky = float((light[outer] * (wing[outer] - 1)).sum() / np.square(wing[outer] - 1).sum())
        logs = np.log(light + max(in_sky, 0.0))
        place = profile_place(self.radius, self.fwhm)
        inner = logs[0] - place[0] * min((logs[1] - logs[0]) / (place[1] - place[0]), 0.0)
        return np.concatenate([[inner], logs, [logs[-1] - 2 * np.log(self.nodes[-1] / self.radius[-1])]])

    def stretch(self, course: Array, log_factor: float, radius: Array | float) -> Array:
        """``course`` of a star image so many times as wide, with the same light, at ``radius``."""
        place = profile_place(np.asarray(radius) / np.exp(log_factor), self.fwhm)
        return np.interp(place, profile_place(self.nodes, self.fwhm), course) - 2 * log_factor

    def above_sky(self, course: Array, log_factor: float) -> Array:
        """(K,) the stretched course at the rings as it is measured, without its light where the sky was taken."""
        here, there = (np.exp(self.stretch(course, log_factor, radius)) for radius in (self.radius, self.sky_px))
        return np.log(np.maximum(here - there, LEAST_LIGHT * here))


def stretched(rings: Rings, green: Array, differences: Array, weight: Array) -> Array:
    """(K + 2,) the course of a channel whose logarithms differ from green's by ``differences`` (stars, K): green's stretched, and what
    the stars say beyond that."""
    plain = rings.above_sky(green, 0.0)

    def change(log_factor: float) -> Array:
        return rings.above_sky(green, log_factor) - plain

    factor, robust = 0.0, weight
    for _ in range(ROUNDS):
        slope = (change(factor + STRETCH_STEP) - change(factor - STRETCH_STEP)) / (2 * STRETCH_STEP)
        left = _own_mean_out(differences - change(factor), robust)
        slopes = _own_mean_out(np.broadcast_to(slope, left.shape), robust)
        factor += float((robust * slopes * left).sum() / max((robust * slopes**2).sum(), 1e-30))
        factor = float(np.clip(factor, -MOST_STRETCH, MOST_STRETCH))
        robust = without_outliers(_own_mean_out(differences - change(factor), robust), weight)
    departs = MOST_DEPARTS
    for _ in range(DEPARTS_ROUNDS):
        departure = follow_rings(differences - change(factor), weight, bend=BEND * departs, departs=departs)
        departs = float(np.clip(np.sqrt(np.mean(departure**2)), LEAST_DEPARTS + STRETCH_ERROR * abs(factor), MOST_DEPARTS))
    course = rings.stretch(green, factor, rings.nodes)
    light = np.where(rings.radius < COLOUR_FWHM * rings.fwhm, rings.pixels, 0) * np.exp(course[1:-1])
    departure -= np.log((light * np.exp(departure)).sum() / light.sum())
    return course + np.concatenate([departure[:1], departure, departure[-1:]])


def _own_mean_out(values: Array, weight: Array) -> Array:
    """``values`` (stars, K) without each star's own mean."""
    return values - ((weight * values).sum(1) / np.maximum(weight.sum(1), 1e-30))[:, None]


def without_outliers(residual: Array, weight: Array) -> Array:
    """``weight`` brought down where residuals (stars, K) lie far off the others: first a star's, all of whose rings a neighbour spoils,
    then a ring's."""
    pull = np.abs(residual) * np.sqrt(weight)
    counts = weight > 0
    if not counts.any():
        return weight
    whole = np.sqrt((pull**2).sum(1) / np.maximum(counts.sum(1), 1))
    star = np.minimum(1, STAR_REACH * np.median(whole[counts.any(1)]) / np.maximum(whole, 1e-9)) ** 2
    scatter = MAD_TO_SIGMA * float(np.median(pull[counts]))
    return weight * star[:, None] * np.minimum(1, HUBER_REACH * scatter / np.maximum(pull, 1e-9))


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


def follow_rings(values: Array, weight: Array, *, bend: float | None = None, departs: float | None = None) -> Array:
    """(K,) the course from ring to ring that many stars share, each known over some rings and with an offset of its own.

    Parameters
    ----------
    values, weight : (stars, K); weight 0 where a star's ring tells nothing
    bend : how much the course may bend from ring to ring, as 1 sigma; None leaves it free wherever stars tell
    departs : how far from zero the course is expected, as 1 sigma; None leaves it free
    """
    rings = values.shape[1]
    second = np.diff(np.eye(rings), 2, axis=0)
    prior = (1e-6 if departs is None else departs**-2) * np.eye(rings) + (0 if bend is None else second.T @ second / bend**2)
    robust, course = weight, np.zeros(rings)
    for _ in range(ROUNDS):
        total = np.maximum(robust.sum(1), 1e-30)
        normal = np.diag(robust.sum(0)) - (robust / total[:, None]).T @ robust
        offset = (robust * values).sum(1) / total
        course = np.linalg.solve(normal + prior, (robust * (values - offset[:, None])).sum(0))
        robust = without_outliers(_own_mean_out(values - course, robust), weight)
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
