"""Hot pixels at the same place in all frames: found as spots of one channel that are narrower than any star, and filled.

Without dithering every frame shows a hot pixel at the same place, no rejection can tell, and debayered it is a dot of one colour. Two
things tell it from light that came through the telescope: that is never narrower than a star, and hardly ever of one channel alone. Both
are asked for, since glowing hydrogen shines in red alone. Widths are compared within a channel and by the same fit, so nothing need be
known of debayering or registration; where stars are as narrow as hot pixels none is filled.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit

from layerblend.errors import ArgumentError, check_image
from layerblend.kinds import Array, LinearImage, Mask, Plane
from layerblend.maths.bands import each
from layerblend.maths.moffat import fit_moffat_stars
from layerblend.maths.noise_line import sky_noise
from layerblend.maths.robust import MAD_TO_SIGMA, nan_filled

# A peak counts from so many times the sky's noise on; of more than so many in a channel the highest do.
HEIGHT, MOST_PEAKS = 8.0, 20_000
# What the other channels hold of a spot's light, as a share of it and in sigma of a pixel; a star of any colour holds more than the third.
ALONE, UNSURE, SHARED = 0.1, 0.5, 0.3
# A spot's width, and twice its error, stays below this share of the narrowest stars': the first tenth of those that stand out by so much.
NARROWER, NARROW_STARS, LEAST_STARS, STAR_HEIGHT = 0.87, 0.1, 8, 20.0
# Error (1 sigma) of the logarithm of a width, over the noise's share of the height; neighbouring pixels share noise.
WIDTH_ERROR = 1.5
# Narrower than a fit can tell: the eight neighbours hold so much less of the light than those of the narrowest stars; error in sigma.
POINTED, NEIGHBOURS_ERROR = 0.65, 4.0
# The ring round a spot scatters no more than this share of its height in any channel: beside a bright star nothing is surely alone.
EVEN = 0.15
# Fits: profile, half side of the square, widths to begin from.
BETA, FIT_PX, STAR_PX, SPOT_PX = 4.0, 4, 3.0, 2.0
# Distances in px: ground; what is filled in any case; how far a bright spot's pixels are looked for, with by how many sigma they differ
# from the ground and from how many sigma on a spot is bright.
RING_PX, SURE_PX, REACH_PX, SEEN, BRIGHT = (4.5, 7.5), 2.3, 6.5, 2.5, 30.0
# Pixels farther out than the surely filled ones are the spot's where the other channels differ by less than this share of it.
OF_OTHERS = 0.25
# What stands out of the ground by so many sigma says nothing about it, and gives no grain, which comes from so far off.
OUTLIER, GRAIN_PX, DIRECTIONS = 4.5, (14, 18, 24), 12
# The plane through the ground leans less where few pixels tell it; fewer than so many tell nothing.
SLOPE_COSTS, LEAST_GROUND = 2.0, 12
WORTH_A_WORD = 20


def _offsets(nearest: float, farthest: float) -> Array:
    """(n, 2) int: rows and columns to the pixels at these distances."""
    side = int(np.ceil(farthest))
    places = np.indices((2 * side + 1, 2 * side + 1)).reshape(2, -1).T - side
    distance = np.hypot(*places.T)
    return np.asarray(places[(distance >= nearest) & (distance <= farthest)])


BOX, RING, REACH = (_offsets(*span) for span in ((0, 1.5), RING_PX, (0, REACH_PX)))
# A ring times this is the sloping part of the plane that fits it.
TILT = (RING / (RING**2).sum(0)).astype(np.float32) @ RING.T.astype(np.float32)
SURE = np.hypot(*REACH.T) <= SURE_PX


@dataclass(frozen=True)
class HotPixels:
    """Spots to be filled in every stack of the same frames.

    ``y, x, channel``: (n,) int. ``cover``, ``ground``: (n, k) bool, which of the pixels within `REACH_PX` are filled, and which tell the
    ground. ``grain``: (n, 2) int, rows and columns to where the grain is taken from, 0 for none.
    """

    y: Array
    x: Array
    channel: Array
    cover: Array
    ground: Array
    grain: Array

    def __len__(self) -> int:
        return len(self.x)

    @property
    def words(self) -> tuple[str, ...]:
        """What the imager should know."""
        if len(self) < WORTH_A_WORD:
            return ()
        return (
            f"{len(self)} spots that shine in one channel alone and are narrower than any star were filled in all stacks: hot pixels that "
            "stand still in all frames. Take them out when calibrating, and move the field between exposures. split.fill_hot: false leaves "
            "them as they are.",
        )


def no_hot_pixels() -> HotPixels:
    """Nothing to fill."""
    none, square = np.zeros(0, np.int64), np.zeros((0, len(REACH)), bool)
    return HotPixels(none, none, none, square, square, np.zeros((0, 2), np.int64))


def find_hot(image: LinearImage, *, saturated: Array | None = None) -> HotPixels:
    """Spots that shine in one of three channels alone and are narrower than the narrowest stars of that channel.

    Parameters
    ----------
    image : (H, W, 3) float32, linear, sky-subtracted; NaN = no data. A mono picture has no channel to compare with: nothing is found
    saturated : (H, W) share of a pixel's frames that were saturated, or bool; what clipped is left to the separation of stars

    Returns
    -------
    HotPixels
    """
    picture = check_image("image", image)
    if picture.ndim == 2 or min(picture.shape[:2]) <= 4 * RING_PX[1]:
        return no_hot_pixels()
    if saturated is not None and np.shape(saturated) != picture.shape[:2]:
        raise ArgumentError(f"`saturated` must have the shape {picture.shape[:2]} of `image`, got {np.shape(saturated)}.")
    planes, known = zip(*each(lambda c: nan_filled(np.ascontiguousarray(picture[..., c])), range(3)), strict=True)
    valid = np.logical_and.reduce(known)
    sigma = np.array(each(lambda plane: sky_noise(plane, valid), list(planes)))
    clipped = ~valid if saturated is None else ~valid | (np.nan_to_num(saturated) > 0)
    found = each(lambda c: _spots_of(c, planes, clipped, sigma), range(3))
    y, x, channel = (np.concatenate(part) for part in zip(*found, strict=True))
    return _covers((y, x, channel), planes, valid, sigma) if len(x) else no_hot_pixels()


def _spots_of(c: int, planes: Sequence[Plane], clipped: Mask, sigma: Array) -> tuple[Array, Array, Array]:
    """Rows, columns and channel of the spots of one channel."""
    plane = planes[c]
    y, x, height = _peaks(plane, np.float32(HEIGHT * sigma[c]))
    order = np.argsort(-height, kind="stable")[:MOST_PEAKS]
    y, x = y[order], x[order]
    whole = ~_around(clipped, y, x, REACH).any(1)
    y, x = y[whole], x[whole]
    level, scatter = (np.stack(part, 1) for part in zip(*(_ground(other, y, x) for other in planes), strict=True))
    light = np.stack([_around(other, y, x, BOX).mean(1) for other in planes], 1) - level
    others = [k for k in range(3) if k != c]
    height = plane[y, x] - level[:, c]
    stands = height > HEIGHT * sigma[c]
    alone = stands & (light[:, others] < ALONE * light[:, [c]] + UNSURE * sigma[others]).all(1) & (scatter.max(1) < EVEN * height)
    star = (height > STAR_HEIGHT * sigma[c]) & (light[:, others].max(1) > SHARED * light[:, c])
    narrow = np.zeros(len(x), bool)
    if alone.any() and star.sum() >= LEAST_STARS:
        narrow[alone] = _narrower(plane, sigma[c], *((y[some], x[some], level[some, c], height[some]) for some in (alone, star)))
    return y[narrow], x[narrow], np.full(int(narrow.sum()), c)


Places = tuple[Array, Array, Array, Array]  # rows, columns, light of the ground, height above it


def _narrower(plane: Plane, sigma: float, spots: Places, stars: Places) -> Mask:
    """(n,) bool: the spots that are surely narrower than the narrowest stars, by their fits or, where they are too narrow to be fitted, by
    what their eight neighbours hold."""
    known, spot = (
        fit_moffat_stars(plane, x, y, fwhm=width, noise=sigma, beta=BETA, radius=FIT_PX)
        for (y, x, _, _), width in ((stars, STAR_PX), (spots, SPOT_PX))
    )
    if known.ok.sum() < LEAST_STARS:
        return np.zeros(len(spots[0]), bool)
    least = np.quantile(known.fwhm[known.ok], NARROW_STARS)
    unsure = sigma / spots[3]
    fitted = spot.ok & (spot.fwhm * np.exp(2 * WIDTH_ERROR * unsure) < NARROWER * least)
    around, about = (_around(plane, y, x, BOX).sum(1) - len(BOX) * level - height for y, x, level, height in (spots, stars))
    pointed = around / spots[3] + 2 * NEIGHBOURS_ERROR * unsure < POINTED * np.quantile(about / stars[3], NARROW_STARS)
    return np.asarray(fitted | pointed)


def _ground(plane: Plane, y: Array, x: Array) -> tuple[Array, Array]:
    """(n,) median of the ring round every place, and its scatter, that about a plane where it is smaller."""
    ring = _around(plane, y, x, RING)
    level = np.median(ring, 1)
    leaning = ring - ring @ TILT
    scatters = [np.median(np.abs(part), 1) for part in (ring - level[:, None], leaning - np.median(leaning, 1)[:, None])]
    return level, MAD_TO_SIGMA * np.minimum(*scatters)


@njit(cache=True, nogil=True)
def _peaks(plane, least):  # type: ignore[no-untyped-def]
    """Rows, columns and heights of pixels that are the highest of nine and stand so high over the lowest of eight pixels farther out."""
    height, width = plane.shape
    ys, xs, heights = [0], [0], [plane[0, 0]]
    for j in range(1, height - 1):
        for i in range(1, width - 1):
            value = plane[j, i]
            if value < plane[j, i - 1] or value <= plane[j, i + 1] or value < plane[j - 1, i] or value <= plane[j + 1, i]:
                continue
            if value < plane[j - 1, i - 1] or value < plane[j - 1, i + 1] or value <= plane[j + 1, i - 1] or value <= plane[j + 1, i + 1]:
                continue
            ring = np.float32(0)
            for k in range(8):
                dy, dx = ((0, 5), (4, 4), (5, 0), (4, -4), (0, -5), (-4, -4), (-5, 0), (-4, 4))[k]
                ring += plane[min(max(j + dy, 0), height - 1), min(max(i + dx, 0), width - 1)]
            if value - ring / np.float32(8) > least:
                ys.append(j)
                xs.append(i)
                heights.append(value - ring / np.float32(8))
    return np.array(ys)[1:], np.array(xs)[1:], np.array(heights)[1:]


def _covers(spots: tuple[Array, Array, Array], planes: Sequence[Plane], valid: Mask, sigma: Array) -> HotPixels:
    """Which pixels of every spot are filled, which tell its ground, and where its grain comes from."""
    parts = []
    for c in range(3):
        mine = spots[2] == c
        y, x = spots[0][mine], spots[1][mine]
        level, scatter = _ground(planes[c], y, x)
        noise = np.maximum(scatter, sigma[c])[:, None]
        off = np.abs(_around(planes[c], y, x, REACH) - level[:, None])
        shared = np.max([np.abs(_around(planes[k], y, x, REACH) - _ground(planes[k], y, x)[0][:, None]) for k in range(3) if k != c], 0)
        bright = (planes[c][y, x] - level)[:, None] > BRIGHT * noise
        cover = SURE | (bright & (off > SEEN * noise) & (shared < OF_OTHERS * off))
        taken = np.zeros(planes[c].shape, bool)  # pixels of any spot: they tell no ground
        rows, columns = _places(taken.shape, y, x, REACH)
        taken[rows[cover], columns[cover]] = True
        inside = _inside(taken.shape, y, x, REACH)
        ground = inside & ~taken[rows, columns] & (off < OUTLIER * noise) & valid[rows, columns]
        parts.append((y, x, spots[2][mine], cover & inside, ground, _grain(planes[c], valid & ~taken, y, x, noise[:, 0])))
    return HotPixels(*(np.concatenate(part) for part in zip(*parts, strict=True)))


def _grain(plane: Plane, clear: Mask, y: Array, x: Array, noise: Array) -> Array:
    """(n, 2) int: rows and columns to the first place round every spot at which nothing stands out."""
    chosen = np.zeros((len(x), 2), np.int64)
    for radius in GRAIN_PX:
        for angle in np.arange(DIRECTIONS) * 2 * np.pi / DIRECTIONS:
            off = np.rint(np.array([radius * np.sin(angle), radius * np.cos(angle)])).astype(np.int64)
            open_ = np.nonzero(~chosen.any(1))[0]
            if not len(open_):
                return chosen
            there = y[open_] + off[0], x[open_] + off[1]
            light = _around(plane, *there, REACH)
            even = (np.abs(light - light.mean(1, keepdims=True)) < OUTLIER * noise[open_, None]).all(1)
            fits = even & _around(clear, *there, REACH).all(1) & _inside(plane.shape, *there, REACH).all(1)
            chosen[open_[fits]] = off
    return chosen


def fill_hot(image: LinearImage, hot: HotPixels) -> LinearImage:
    """A picture (H, W, 3) of the same frames as the one in which the spots were found, these filled: with a plane through the ground round
    them, and grain from nearby. Linear in the picture, so that half-sets stay halves of the whole; the picture itself without spots."""
    if not len(hot):
        return image
    out = np.array(image, np.float32)
    for c in range(3):
        mine = hot.channel == c
        if mine.any():
            _fill_plane(out[..., c], hot.y[mine], hot.x[mine], hot.cover[mine], hot.ground[mine], hot.grain[mine])
    return out


def _fill_plane(plane: Plane, y: Array, x: Array, cover: Mask, ground: Mask, grain: Array) -> None:
    """Fill the spots of one channel, in place."""
    terms = np.concatenate([np.ones((len(REACH), 1)), REACH / REACH_PX], 1)
    light = _around(plane, y, x, REACH).astype(np.float64)
    weight = ground & np.isfinite(light)
    normal = np.einsum("nk,ki,kj->nij", weight, terms, terms) + SLOPE_COSTS * np.diag([0.0, 1.0, 1.0]) + 1e-9 * np.eye(3)
    moment = np.einsum("nk,ki->ni", np.where(weight, light, 0.0), terms)
    filled = np.linalg.solve(normal, moment[..., None])[..., 0] @ terms.T
    moved = grain.any(1)
    away = _around(plane, (y + grain[:, 0])[moved], (x + grain[:, 1])[moved], REACH)
    filled[moved] += np.nan_to_num(away - away.mean(1, keepdims=True))
    rows, columns = _places(plane.shape, y, x, REACH)
    known = cover & np.isfinite(light) & (weight.sum(1) >= LEAST_GROUND)[:, None]
    plane[rows[known], columns[known]] = filled[known]


def _places(shape: tuple[int, ...], y: Array, x: Array, offsets: Array) -> tuple[Array, Array]:
    """(n, k) rows and columns at the offsets from every place; beyond the edge the edge's."""
    return np.clip(y[:, None] + offsets[:, 0], 0, shape[0] - 1), np.clip(x[:, None] + offsets[:, 1], 0, shape[1] - 1)


def _inside(shape: tuple[int, ...], y: Array, x: Array, offsets: Array) -> Mask:
    """(n, k) bool: whether the places lie in the picture."""
    rows, columns = y[:, None] + offsets[:, 0], x[:, None] + offsets[:, 1]
    return np.asarray((rows >= 0) & (rows < shape[0]) & (columns >= 0) & (columns < shape[1]))


def _around(plane: Array, y: Array, x: Array, offsets: Array) -> Array:
    """(n, k) pixels at the offsets from every place; beyond the edge the edge's."""
    return np.asarray(plane[_places(plane.shape, y, x, offsets)])
