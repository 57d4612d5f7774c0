"""Finding what is not sky in the tile table: galaxies to be fitted along with it, and leftovers to be masked."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal, NamedTuple

import cv2
import numpy as np
import scipy

from layerblend.kinds import Array, Mask
from layerblend.maths.robust import mad_sigma

from .tiles import TILE_PX, TileTable, filled_tiles

# White top-hat of this share of the width: wider than a galaxy's bright part, narrower than a gradient.
TARGET_RADIUS = 1 / 11
LEFTOVER_RADIUS = 1 / 10
LEAST_PEAK, LEAST_RADIUS = 3.0, 0.02
LEAST_RIM = 2
# Leftovers stand out by four times their scatter (not less than the first figure, sigma), and by the second figure.
LEAST_SCATTER, LEAST_LEFTOVER = 0.05, 0.25
# Haloes of bright stars: narrower than this share of the width, and so many sigma high, star pixels included.
HALO_RADIUS, HALO_HEIGHT = 1 / 15, 1.0
MOST_GALAXIES = 3
LEAST_SHARE_OF_FIRST = 0.02
LEAST_DISTANCE = 0.1
# Two peaks are two galaxies where the light between them falls below this share of the fainter one, and that is no
# fainter than this share of the brighter one: arms and their ends are not.
SADDLE, COMPANION = 0.4, 0.5
# Where arms are looked for: within so many scale lengths of a galaxy's first guess, in what a disc of this share of the width cannot
# pass under.
ROUGH_SCALES, ROUGH_RADIUS = 3.5, 1 / 5
# An object that the edge cuts: its least height, sigma, over what a disc of TARGET_RADIUS passes under, and that over what one twice as
# wide does: .5 of a slope, .58 of a wide glow in a corner, .63 to .75 of galaxies of W/6 to W/12; its least radius, and how near to the
# edge its brightest place lies, share of the width.
LEAST_CUT_PEAK, STEEP_SHARE, LEAST_CUT_RADIUS, CUT_RIM = 6.0, 0.63, 0.03, 0.06
# The same over twice and four times the width for large galaxies: the higher it stands, as a share of the frame's range, the less steep
# it need be. Glows reach 1.3 of the range with .75, slopes of third degree .95 with .3 of it.
LEAST_WIDE_PEAK, WIDE_STEEP = 11.0, ((0.9, 0.8), (0.75, 1.5))
# Where the pixels of a star, so many tiles around, hold so many times the light of an object, that is the star's halo.
# Beyond HALO_TILES of it something else may be bright.
STAR_REACH_TILES, MOST_STAR, HALO_TILES = 2, 0.5, 5
# Its scale length to begin with, share of the width.
CUT_SCALE = 0.06
# A larger leftover that touches the frame is a glow, which is sky.
LARGEST_EDGE_OBJECT = 60


class Galaxy(NamedTuple):
    """Shape of one galaxy: centre and scale length in px, ellipse vector e = (1 - q^2)/(1 + q^2), exponent of the profile."""

    x: float
    y: float
    log_scale: float
    e1: float
    e2: float
    log_power: float = 0.0


def elliptical_radius(x: Array, y: Array, galaxy: Galaxy, rounder: float = 1.0) -> Array:
    """Radius that keeps the ellipse's area, px; ``rounder`` < 1 shrinks the ellipticity."""
    e1, e2 = galaxy.e1 * rounder, galaxy.e2 * rounder
    e = np.hypot(e1, e2)
    shrink = min(1.0, 0.95 / max(e, 1e-9))
    e1, e2 = e1 * shrink, e2 * shrink
    dx, dy = x - galaxy.x, y - galaxy.y
    square = (1 - e1) * dx**2 + (1 + e1) * dy**2 - 2 * e2 * dx * dy
    return np.sqrt(np.maximum(square / np.sqrt(1 - e1**2 - e2**2), 0))


def top_hat(plane: Array, radius: int, reflection: Literal["odd", "even"] = "odd") -> Array:
    """What a disc of ``radius`` tiles cannot pass under; the frame goes on by odd reflection, so a slope off the frame is no object."""
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1,) * 2)
    reach = [min(radius, n - 1) for n in plane.shape]
    padded = np.pad(plane.astype(np.float32), [(r, r) for r in reach], mode="reflect", reflect_type=reflection)
    opened = cv2.morphologyEx(padded, cv2.MORPH_OPEN, kernel)
    return (padded - opened)[reach[0] : reach[0] + plane.shape[0], reach[1] : reach[1] + plane.shape[1]]


def radius_tiles(table: TileTable, share: float) -> int:
    """A share of the picture's width in tiles, at least 3."""
    return max(3, round(share * table.width / table.tile_px))


def find_galaxies(table: TileTable) -> list[Galaxy]:
    """The brightest extended objects of the frame, at most three, as first guesses for the fit."""
    raised = scipy.ndimage.gaussian_filter(top_hat(scipy.ndimage.median_filter(table.median, 3), radius_tiles(table, TARGET_RADIUS)), 1.0)
    labels, _ = scipy.ndimage.label(raised > max(5 * mad_sigma(raised), 1.5))
    cut = cut_objects(table)
    found = [(False, item.strength, item.galaxy) for item in cut]
    labels = _parted(labels, raised, _apart(table))
    for index, window in enumerate(scipy.ndimage.find_objects(labels), 1):
        inside = labels[window] == index
        radius = np.sqrt(inside.sum() / np.pi) * table.tile_px
        light = np.where(inside, raised[window], 0)
        peak = np.unravel_index(light.argmax(), light.shape)
        row, column = int(peak[0]) + window[0].start, int(peak[1]) + window[1].start
        rim = min(row, column, raised.shape[0] - 1 - row, raised.shape[1] - 1 - column)
        if radius < LEAST_RADIUS * table.width or light.max() < LEAST_PEAK or rim < LEAST_RIM:
            continue
        if any(item.where[row, column] for item in cut):
            continue
        # A bright star or knot raises the peak, so the middle comes from light that is cut off at a height most of the tiles stay below.
        x, y, e1, e2 = _ellipse(table.x[window], table.y[window], np.minimum(light, np.quantile(light[inside], 0.8)))
        scale = max(np.sqrt(light.sum() / (2 * np.pi * light.max())) * table.tile_px, 0.015 * table.width)
        galaxy = Galaxy(x, y, float(np.log(scale)), e1, e2)
        found.append((_is_star(table, row, column, float(light.sum())), float(inside.sum() * light.max()), galaxy))
    # haloes of stars come last, or they take the places of galaxies
    found.sort(key=lambda item: (item[0], -item[1]))
    return _chosen([item[1:] for item in found], table.width)


class CutObject(NamedTuple):
    """An object that an edge cuts: strength, first guess for the fit, and (ny, nx) bool tiles."""

    strength: float
    galaxy: Galaxy
    where: Mask


def cut_objects(table: TileTable) -> list[CutObject]:
    """Extended objects that an edge or a corner of the frame cuts.

    Odd reflection takes them for slopes. With even reflection glows stand out as well, but fall off more slowly.
    """
    light = scipy.ndimage.gaussian_filter(scipy.ndimage.median_filter(table.median, 3), 1.0)
    narrow, wide, widest = (top_hat(light, radius_tiles(table, factor * TARGET_RADIUS), "even") for factor in (1, 2, 4))
    span = float(np.subtract(*np.quantile(light, (0.95, 0.05))))
    cut = _cut(table, narrow, narrow > STEEP_SHARE * wide)
    steep = np.logical_or.reduce([(wide > share * widest) & (wide > max(LEAST_WIDE_PEAK, high * span)) for share, high in WIDE_STEEP])
    for item in _cut(table, wide, steep):
        if not any((item.where & other.where).any() for other in cut):
            cut.append(item)
    return cut


def _cut(table: TileTable, raised: Array, steep: Mask) -> list[CutObject]:
    """Objects of a top-hat at the edge that are ``steep`` where they are brightest."""
    labels, _ = scipy.ndimage.label(raised > LEAST_CUT_PEAK)
    labels = _without_stars(table, _parted(labels, raised, _apart(table)), raised)
    near = CUT_RIM * table.width / table.tile_px
    cut = []
    for index, window, inside, row, column in _brightest_places(labels, raised):
        ends = [
            (place < near and s.start == 0, n - 1 - place < near and s.stop == n)
            for s, n, place in zip(window, labels.shape, (row, column), strict=True)
        ]
        touched = sum(any(end) for end in ends)
        tiles = int((inside > 0).sum())
        # what is seen is half of it, in a corner a quarter
        radius = np.sqrt(2**touched * tiles / np.pi) * table.tile_px
        if not touched or radius < LEAST_CUT_RADIUS * table.width or not steep[row, column]:
            continue
        guess = Galaxy(float(table.x[row, column]), float(table.y[row, column]), float(np.log(CUT_SCALE * table.width)), 0.0, 0.0)
        cut.append(CutObject(tiles * float(inside.max()), guess, labels == index))
    return cut


def _without_stars(table: TileTable, labels: Array, raised: Array) -> Array:
    """Labels without the surroundings of a star where that is what is brightest in them: a galaxy may lie behind."""
    out = labels.copy()
    for index, _, inside, row, column in _brightest_places(labels, raised):
        if _is_star(table, row, column, float(inside.sum())):
            y, x = np.ogrid[: labels.shape[0], : labels.shape[1]]
            out[(labels == index) & (np.hypot(y - row, x - column) <= HALO_TILES)] = 0
    return out


def _brightest_places(labels: Array, raised: Array) -> Iterator[tuple[int, tuple[slice, slice], Array, int, int]]:
    """Of every label: number, window, light in the window that is its own, row and column of the brightest tile."""
    for index, window in enumerate(scipy.ndimage.find_objects(labels), 1):
        if window is None:
            continue
        inside = np.where(labels[window] == index, raised[window], 0)
        row, column = np.unravel_index(inside.argmax(), inside.shape)
        yield index, window, inside, int(row) + window[0].start, int(column) + window[1].start


def _apart(table: TileTable) -> int:
    """Least distance of two galaxies, tiles."""
    return round(LEAST_DISTANCE * table.width / table.tile_px)


def _is_star(table: TileTable, row: int, column: int, light: float) -> bool:
    """Whether an object of so much ``light``, sigma x tiles, is the halo of a star in its middle."""
    rows, columns = (slice(max(place - STAR_REACH_TILES, 0), place + STAR_REACH_TILES + 1) for place in (row, column))
    return bool(table.star_light[rows, columns].sum() > MOST_STAR * light * TILE_PX**2)


def galaxy_roughness(table: TileTable) -> Array:
    """(ny, nx) light of the galaxies above the sky, sigma, zero elsewhere: how bright arms and knots may be."""
    near = np.zeros(table.count.shape, bool)
    for galaxy in find_galaxies(table):
        near |= elliptical_radius(table.x, table.y, galaxy) < ROUGH_SCALES * np.exp(galaxy.log_scale)
    if not near.any():
        return np.zeros(near.shape)
    raised = top_hat(scipy.ndimage.median_filter(table.median, 3), radius_tiles(table, ROUGH_RADIUS))
    return np.where(near, np.maximum(raised, 0), 0.0)


def _parted(labels: Array, raised: Array, apart: int) -> Array:
    """Labels in which galaxies that touch have one each: peaks ``apart`` tiles from each other with a deep saddle between them."""
    out = labels.copy()
    highest = (raised == scipy.ndimage.maximum_filter(raised, 2 * apart + 1)) & (labels > 0)
    rows, columns = np.nonzero(highest)
    order = np.argsort(-raised[rows, columns], kind="stable")
    kept: dict[int, list[tuple[int, int]]] = {}
    for row, column in zip(rows[order], columns[order], strict=True):
        peaks = kept.setdefault(int(labels[row, column]), [])
        bright = not peaks or raised[row, column] > COMPANION * raised[peaks[0]]
        if bright and all(_saddle(raised, (row, column), peak) < SADDLE * raised[row, column] for peak in peaks):
            peaks.append((int(row), int(column)))
    for label, peaks in kept.items():
        if len(peaks) > 1:
            y, x = np.nonzero(labels == label)
            nearest = np.argmin([np.hypot(y - row, x - column) for row, column in peaks], axis=0)
            out[y, x] = np.where(nearest == 0, label, out.max() + nearest)
    return out


def _saddle(raised: Array, one: tuple[int, int], other: tuple[int, int]) -> float:
    """Least light on the straight line between two peaks."""
    line = np.linspace(one, other, 32)
    return float(scipy.ndimage.map_coordinates(raised, line.T, order=1).min())


def _ellipse(x: Array, y: Array, light: Array) -> tuple[float, float, float, float]:
    """Centre, and ellipse vector from second moments, a little rounder than they say (the top-hat cuts the faint outskirts).

    A single tile tells no ellipse: it counts as round.
    """
    total = light.sum()
    middle_x, middle_y = float((light * x).sum() / total), float((light * y).sum() / total)
    dx, dy = x - middle_x, y - middle_y
    xx, yy, xy = (light * dx**2).sum(), (light * dy**2).sum(), (light * dx * dy).sum()
    size = max(float(xx + yy), 1e-30)
    return middle_x, middle_y, float(0.8 * (xx - yy) / size), float(0.8 * 2 * xy / size)


def _chosen(found: list[tuple[float, Galaxy]], width: int) -> list[Galaxy]:
    chosen: list[Galaxy] = []
    for strength, galaxy in found:
        apart = all(np.hypot(galaxy.x - g.x, galaxy.y - g.y) >= LEAST_DISTANCE * width for g in chosen)
        if len(chosen) < MOST_GALAXIES and apart and strength > LEAST_SHARE_OF_FIRST * found[0][0]:
            chosen.append(galaxy)
    return chosen


def leftover_mask(table: TileTable, sky: Array, light: Array, galaxies: list[Galaxy], *, first: bool) -> Array:
    """(ny, nx) bool: objects that stand out of the residual, grown; not within 2.5 scale lengths of a galaxy that is in the model.

    ``sky`` and ``light``: (ny, nx) the present model of sky and galaxies in luminance, sigma.
    """
    residual = scipy.ndimage.gaussian_filter(filled_tiles(table.value.mean(-1) - sky - light, table.used), 1.0)
    raised = top_hat(residual, radius_tiles(table, LEFTOVER_RADIUS))
    if not first:
        raised = np.minimum(residual, raised)
    stars = top_hat(scipy.ndimage.gaussian_filter(table.median - sky - light, 1.0), radius_tiles(table, HALO_RADIUS))
    raised = np.where(stars > HALO_HEIGHT, np.maximum(raised, stars), raised)
    threshold = max(4 * max(mad_sigma(raised), LEAST_SCATTER), LEAST_LEFTOVER) + 0.25 * light
    labels, _ = scipy.ndimage.label(raised > threshold)
    mask = np.zeros(labels.shape, bool)
    for index, window in enumerate(scipy.ndimage.find_objects(labels), 1):
        inside = labels == index
        area = int(inside.sum())
        touches = any(s.start == 0 or s.stop == n for s, n in zip(window, labels.shape, strict=True))
        if area > 3 and not (touches and area > LARGEST_EDGE_OBJECT):
            mask |= scipy.ndimage.binary_dilation(inside, iterations=int(np.ceil(1 + 0.4 * np.sqrt(area / np.pi))))
    for galaxy in galaxies:
        mask &= elliptical_radius(table.x, table.y, galaxy) >= 2.5 * np.exp(galaxy.log_scale)
    return mask
