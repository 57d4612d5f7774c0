"""Stars in a frame: where they are, and how much light they hold."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
import scipy
from numba import njit

from layerblend.errors import check_range
from layerblend.kinds import Array, LinearImage, Mask, Plane, working_luminance
from layerblend.maths.robust import mad_sigma, nan_filled, tile_levels

# Pixel codes of a prepared plane.
NO_DATA, GOOD, SATURATED = 0, 1, 2

TILE_PX = 64
DETECT_BLUR_PX = 1.2
# Half side of the square in which a star must be the highest point, and the ring it must stand out from.
PEAK_REACH_PX = 5
RING_PX = 7.0
RING_SAMPLES = 16
STRIP_ROWS = 256
FAINTEST_SHARE = 1e-5
# The noise of the blurred plane is measured on so many strips of so many rows.
NOISE_STRIPS, NOISE_ROWS = 16, 4
# A hot pixel's eight neighbours hold less than this share of it; those of the narrowest star (FWHM 1.2 px) hold 1.2 times it.
HOT_NEIGHBOURS = 0.5
APERTURE_FWHM = 2.2
RING_FWHM = (3.0, 4.2)


@dataclass(frozen=True)
class Candidates:
    """Places that stand out like stars, strongest first: x, y whole px; ``height`` above their ring in the blurred plane; noise of that."""

    x: Array
    y: Array
    height: Array
    noise: float
    blur_px: float = DETECT_BLUR_PX

    def __len__(self) -> int:
        return len(self.x)

    @property
    def pixel_noise(self) -> float:
        """Sd of the white noise that would give the blurred plane its noise."""
        return self.noise * 2 * math.sqrt(math.pi) * self.blur_px

    def take(self, chosen: Array) -> Candidates:
        """The candidates at these indices or under this mask."""
        return replace(self, x=self.x[chosen], y=self.y[chosen], height=self.height[chosen])


def prepare_plane(
    image: LinearImage,
    *,
    saturated: Array | None = None,
    saturation: float = math.inf,
    tiles: Array | None = None,
    tile_px: int = TILE_PX,
) -> tuple[Plane, Array]:
    """Working luminance without its coarse background, gaps set to 0, and a code per pixel (NO_DATA, GOOD, SATURATED).

    Parameters
    ----------
    image : (H, W, 3) or (H, W) float32, linear; NaN = no data
    saturated : (H, W) bool, or float share of saturated frames (any share counts)
    saturation : float, a pixel with any channel at or above this is saturated
    tiles : `tile_levels` of ``image`` when already known
    tile_px : int, side of the background tiles, px

    Returns
    -------
    above : (H, W) float32, unit of ``image``
    codes : (H, W) uint8
    """
    cube = np.ascontiguousarray(image if image.ndim == 3 else image[..., None], np.float32)
    table = tile_levels(image, tile_px) if tiles is None else tiles
    above, codes = _subtract_tiles(
        cube, smooth_tiles(working_luminance(table) if cube.shape[2] == 3 else table[..., 0]), tile_px, saturation
    )
    if saturated is not None:
        codes[(np.nan_to_num(saturated) > 0) & (codes == GOOD)] = SATURATED
    return above, codes


def smooth_tiles(tiles: Plane) -> Plane:
    """Tile levels without gaps; single tiles that a star or a core lifts are flattened by a 3 x 3 median."""
    filled = nan_filled(np.ascontiguousarray(tiles))[0]
    return np.asarray(cv2.medianBlur(filled, 3) if min(filled.shape) >= 3 else filled, np.float32)


@njit(cache=True, nogil=True)
def _subtract_tiles(cube: Array, tiles: Array, tile_px: int, saturation: float) -> tuple[Array, Array]:
    height, width, channels = cube.shape
    ny, nx = tiles.shape
    above = np.empty((height, width), np.float32)
    codes = np.empty((height, width), np.uint8)
    across, level = np.empty(nx, np.float32), np.empty(width, np.float32)
    for y in range(height):
        v = min(max((y + 0.5) / tile_px - 0.5, 0.0), ny - 1.0)
        i = min(int(v), max(ny - 2, 0))
        for j in range(nx):
            across[j] = tiles[i, j] + (v - i) * (tiles[min(i + 1, ny - 1), j] - tiles[i, j])
        _level_row(across, tile_px, level)
        if channels == 3:
            _subtract_row_of_three(cube[y], level, saturation, above[y], codes[y])
        else:
            _subtract_row_of_one(cube[y], level, saturation, above[y], codes[y])
    return above, codes


@njit(cache=True, nogil=True)
def _level_row(across: Array, tile_px: int, level: Array) -> None:
    """Tile levels along a row: linear between the tiles' centres, constant beyond the outer ones."""
    width, nx = level.size, across.size
    for j in range(-1, nx):
        left, right = across[max(j, 0)], across[min(j + 1, nx - 1)]
        slope = (right - left) / np.float32(tile_px)
        centre = (j + 0.5) * tile_px - 0.5
        first, last = max(math.ceil(centre), 0), min(math.ceil(centre + tile_px), width) if j < nx - 1 else width
        begin = np.float32(left + slope * (first - centre)) if j >= 0 else left
        for x in range(first, last):
            level[x] = begin + slope * np.float32(x - first)


@njit(cache=True, nogil=True)
def _subtract_row_of_three(row: Array, level: Array, saturation: float, above: Array, codes: Array) -> None:
    for x in range(level.size):
        red, green, blue = row[x, 0], row[x, 1], row[x, 2]
        value = np.float32(0.25) * (red + blue) + np.float32(0.5) * green
        known = abs(value) < np.inf
        above[x] = value - level[x] if known else np.float32(0)
        codes[x] = (SATURATED if max(red, max(green, blue)) >= np.float32(saturation) else GOOD) if known else NO_DATA


@njit(cache=True, nogil=True)
def _subtract_row_of_one(row: Array, level: Array, saturation: float, above: Array, codes: Array) -> None:
    for x in range(level.size):
        value = row[x, 0]
        known = abs(value) < np.inf
        above[x] = value - level[x] if known else np.float32(0)
        codes[x] = (SATURATED if value >= np.float32(saturation) else GOOD) if known else NO_DATA


def detect_stars(above: Plane, codes: Array | None = None, *, threshold: float = 8.0, blur_px: float = DETECT_BLUR_PX) -> Candidates:
    """Places that stand out from a ring round them like stars do; single hot pixels and saturated stars left out, strongest first.

    Parameters
    ----------
    above : (H, W) float32, background subtracted (see `prepare_plane`), finite
    codes : (H, W) uint8 pixel codes; all GOOD when left out
    threshold : float > 0, sigma of the blurred plane
    blur_px : float, px, sigma of the blur that gathers a star's light

    Returns
    -------
    Candidates
    """
    check_range("threshold", threshold, 0, math.inf, open_low=True)
    if codes is None:
        codes = np.ones(above.shape, np.uint8)
    if min(above.shape) < 2 * PEAK_REACH_PX + 1:
        return Candidates(np.zeros(0), np.zeros(0), np.zeros(0), float("nan"))
    above = np.ascontiguousarray(above, np.float32)
    noise = _blurred_noise(above, codes, blur_px)
    if noise == 0:  # a picture without noise, simulated or rounded to a flat sky: stars must still stand out from it
        noise = FAINTEST_SHARE * float(above.max())
    if not noise > 0:
        return Candidates(np.zeros(0), np.zeros(0), np.zeros(0), noise)
    strips = range(0, above.shape[0], STRIP_ROWS)
    found = np.concatenate(
        [_scan_peaks(above, *_blurred_strip(above, first, blur_px), codes, threshold * noise, first) for first in strips]
    )
    found = found[np.argsort(-found[:, 2], kind="stable")]
    return Candidates(found[:, 0], found[:, 1], found[:, 2], noise, blur_px)


def _blurred_strip(above: Plane, first: int, blur_px: float, rows: int = STRIP_ROWS) -> tuple[Plane, int]:
    """Some rows blurred, with enough neighbours to look at, and the row number of the first: strips spare the memory of a whole plane."""
    margin = math.ceil(RING_PX) + 1 + math.ceil(4 * blur_px) + 1
    low, high = max(0, first - margin), min(above.shape[0], first + rows + margin)
    return np.asarray(cv2.GaussianBlur(above[low:high], (0, 0), blur_px), np.float32), low


def _blurred_noise(above: Plane, codes: Array, blur_px: float) -> float:
    """Scatter of the blurred plane against a copy some pixels away: sky and slow structure cancel, noise adds."""
    lag, height = 2 * PEAK_REACH_PX, above.shape[0]
    differences = []
    for first in range(0, height, max(NOISE_ROWS, height // NOISE_STRIPS)):
        blurred, low = _blurred_strip(above, first, blur_px, rows=NOISE_ROWS)
        known = codes[first : first + NOISE_ROWS] == GOOD
        rows = blurred[first - low : first - low + len(known)]
        differences.append((rows[:, lag:] - rows[:, :-lag])[known[:, lag:] & known[:, :-lag]])
    return mad_sigma(np.concatenate(differences)) / math.sqrt(2)


@njit(cache=True, nogil=True)
def _scan_peaks(above: Array, blurred: Array, low: int, codes: Array, limit: float, first: int) -> Array:
    """x, y, contrast of the peaks in STRIP_ROWS rows from ``first``; row y of the frame is row y - low of ``blurred``."""
    height, width = above.shape
    reach = PEAK_REACH_PX
    ring_x = np.empty(RING_SAMPLES, np.int64)
    ring_y = np.empty(RING_SAMPLES, np.int64)
    for k in range(RING_SAMPLES):
        ring_x[k] = round(RING_PX * math.cos(2 * math.pi * k / RING_SAMPLES))
        ring_y[k] = round(RING_PX * math.sin(2 * math.pi * k / RING_SAMPLES))
    ring = np.empty(RING_SAMPLES)
    found = np.empty((256, 3))
    count = 0
    for y in range(max(first, reach), min(first + STRIP_ROWS, height - reach)):
        for x in range(reach, width - reach):
            value = blurred[y - low, x]
            if value <= limit or value < blurred[y - low, x - 1] or value < blurred[y - low, x + 1] or codes[y, x] != GOOD:
                continue
            if not _is_highest(blurred, y - low, x, reach) or not _is_spread(above, codes, y, x):
                continue
            used = 0
            for k in range(RING_SAMPLES):
                v, u = y + ring_y[k], x + ring_x[k]
                if 0 <= v < height and 0 <= u < width and codes[v, u] == GOOD:
                    ring[used] = blurred[v - low, u]
                    used += 1
            if used < RING_SAMPLES // 2:
                continue
            contrast = value - np.median(ring[:used])
            if contrast > limit:
                if count == found.shape[0]:
                    grown = np.empty((2 * count, 3))
                    grown[:count] = found
                    found = grown
                found[count, 0], found[count, 1], found[count, 2] = x, y, contrast
                count += 1
    return found[:count]


@njit(cache=True, nogil=True)
def _is_highest(blurred: Array, y: int, x: int, reach: int) -> bool:
    """Highest of its square; of equals the first counts."""
    value = blurred[y, x]
    for v in range(y - reach, y + reach + 1):
        for u in range(x - reach, x + reach + 1):
            other = blurred[v, u]
            if other > value or (other == value and (v < y or (v == y and u < x))):
                return False
    return True


@njit(cache=True, nogil=True)
def _is_spread(above: Array, codes: Array, y: int, x: int) -> bool:
    """False for a single hot pixel and for a core with saturated or missing pixels."""
    best_y, best_x = y, x
    for v in range(y - 1, y + 2):
        for u in range(x - 1, x + 2):
            if codes[v, u] != GOOD:
                return False
            if above[v, u] > above[best_y, best_x]:
                best_y, best_x = v, u
    around = -above[best_y, best_x]
    for v in range(best_y - 1, best_y + 2):
        for u in range(best_x - 1, best_x + 2):
            around += above[v, u]
    if around <= HOT_NEIGHBOURS * above[best_y, best_x]:
        return False
    return not _near_saturated(codes, y, x)


@njit(cache=True, nogil=True)
def _near_saturated(codes: Array, y: int, x: int) -> bool:
    for v in range(y - PEAK_REACH_PX, y + PEAK_REACH_PX + 1):
        for u in range(x - PEAK_REACH_PX, x + PEAK_REACH_PX + 1):
            if codes[v, u] == SATURATED:
                return True
    return False


def isolated(candidates: Candidates, distance: float, *, share: float = 0.2) -> Mask:
    """Candidates without a neighbour of at least ``share`` of their height within ``distance`` px: (n,) bool."""
    places = np.column_stack([candidates.x, candidates.y])
    alone = np.ones(len(candidates), bool)
    if len(candidates) < 2:
        return alone
    pairs = scipy.spatial.cKDTree(places).query_pairs(distance, output_type="ndarray")
    for one, other in (pairs.T, pairs.T[::-1]):
        alone[one[candidates.height[other] > share * candidates.height[one]]] = False
    return alone


def guess_fwhm(above: Plane, candidates: Candidates, *, most: int = 100) -> float:
    """First guess of the stars' width, px: median diameter of the area above half of the peak of the strongest candidates."""
    n = min(most, len(candidates))
    if n == 0:
        return float("nan")
    areas = _half_areas(above, candidates.x[:n].astype(np.int64), candidates.y[:n].astype(np.int64))
    return float(np.clip(np.median(2 * np.sqrt(areas / math.pi)), 1.2, 15.0))


@njit(cache=True, nogil=True)
def _half_areas(above: Array, xs: Array, ys: Array) -> Array:
    """Pixels within 12 px of the peak above half of the highest of the middle 3 x 3."""
    areas = np.empty(xs.size)
    height, width = above.shape
    for s in range(xs.size):
        x, y = xs[s], ys[s]
        peak = above[y, x]
        for v in range(y - 1, y + 2):
            for u in range(x - 1, x + 2):
                peak = max(peak, above[v, u])
        count = 0
        for v in range(max(0, y - 12), min(height, y + 13)):
            for u in range(max(0, x - 12), min(width, x + 13)):
                if (v - y) ** 2 + (u - x) ** 2 <= 144 and above[v, u] > 0.5 * peak:
                    count += 1
        areas[s] = count
    return areas


def match_places(stars: Array, places: Array, reach_px: float) -> Array:
    """Index of the place nearest to each star, one to one: of several stars at one place only the nearest keeps it.

    Parameters
    ----------
    stars : (n, 2) x, y px
    places : (m, 2) x, y px
    reach_px : float, px

    Returns
    -------
    (n,) int, -1 where no place lies within ``reach_px``
    """
    if len(places) == 0 or len(stars) == 0:
        return np.full(len(stars), -1)
    distance, index = scipy.spatial.cKDTree(places).query(stars, distance_upper_bound=reach_px)
    found = np.where(np.isfinite(distance), index, -1)
    order = np.argsort(distance, kind="stable")
    first = np.zeros(len(stars), bool)
    first[order[np.unique(found[order], return_index=True)[1]]] = True
    return np.where(first, found, -1)


# ---------------------------------------------------------------- light of the stars
def aperture_fluxes(above: Plane, x: Array, y: Array, *, fwhm: float, beta: float, codes: Array | None = None) -> Array:
    """Light of stars in a circle of 2.2 FWHM above the ring of 3.0 to 4.2 FWHM, completed with the part of a Moffat star that lies outside.

    Circles that grow with the width take the same share of every frame's stars whatever the seeing, so that ratios between frames are
    brightness ratios.

    Parameters
    ----------
    above : (H, W) float32
    x, y : (n,) px
    fwhm, beta : the frame's star shape
    codes : pixel codes; stars with pixels that are not GOOD inside the circle, or less than half a ring, give NaN

    Returns
    -------
    (n,) float64, unit of ``above`` times px^2
    """
    if codes is None:
        codes = np.ones(above.shape, np.uint8)
    stretch = 4 * (2 ** (1 / beta) - 1)  # (r / gamma)^2 for r in FWHM
    inside = 1 - (1 + stretch * APERTURE_FWHM**2) ** (1 - beta)
    # The star's own wing under the ring, as a share of its flux per px^2, at the ring's middle.
    middle = (RING_FWHM[0] + RING_FWHM[1]) / 2
    wing = (beta - 1) * stretch / (np.pi * fwhm**2) * (1 + stretch * middle**2) ** -beta
    area = math.pi * (APERTURE_FWHM * fwhm) ** 2
    sums = _aperture_kernel(
        np.ascontiguousarray(above, np.float32),
        codes,
        np.asarray(x, np.float64),
        np.asarray(y, np.float64),
        APERTURE_FWHM * fwhm,
        RING_FWHM[0] * fwhm,
        RING_FWHM[1] * fwhm,
    )
    return sums / (inside - wing * area)


@njit(cache=True, nogil=True)
def _aperture_kernel(above: Array, codes: Array, xs: Array, ys: Array, radius: float, ring_in: float, ring_out: float) -> Array:
    height, width = above.shape
    sums = np.full(xs.size, np.nan)
    reach = math.ceil(ring_out)
    ring = np.empty((2 * reach + 3) ** 2)
    for s in range(xs.size):
        cx, cy = round(xs[s]), round(ys[s])
        total, area, n, wanted, whole = 0.0, 0.0, 0, 0, True
        for y in range(cy - reach, cy + reach + 1):
            for x in range(cx - reach, cx + reach + 1):
                distance = math.hypot(x - xs[s], y - ys[s])
                in_ring = ring_in <= distance <= ring_out
                share = min(max(radius + 0.5 - distance, 0.0), 1.0)
                wanted += in_ring
                if not (0 <= y < height and 0 <= x < width) or codes[y, x] != GOOD:
                    whole = whole and share == 0.0
                    continue
                if share > 0.0:
                    total += share * above[y, x]
                    area += share
                elif in_ring:
                    ring[n] = above[y, x]
                    n += 1
        if whole and 2 * n >= wanted:
            sums[s] = total - area * np.median(ring[:n])
    return sums
