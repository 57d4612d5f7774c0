"""Colour of the whole picture, stars and all, against the colour source: where it departs most.

The measure of the target's colour leaves out all that the star mask covers, and so is blind just where a halo fitted wrongly does its harm:
a disc of another colour round a clipped star, or a whole galaxy whose light went with a star in one channel. Here every pixel counts but
the steep rims and cores of stars, whose size is changed on purpose, after smoothing over two star widths.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from layerblend.evidence.estimates import CannotMeasureError, PlaceEstimate
from layerblend.evidence.ground import Ground, Subject, as_rgb, lab, star_discs
from layerblend.kinds import Array, DisplayRGB, Plane
from layerblend.maths.perceptual import delta_e_2000
from layerblend.maths.robust import MAD_TO_SIGMA

SMOOTH_FWHM = 2.0  # smoothing, in star widths: noise falls to a tenth, a disc of 24 px keeps its colour
MEDIAN_PX = 5  # what is narrower, hot pixels above all, has no say
STAR_STEP = 0.01  # in codes: where all channels of a star rise or fall by more, its width was changed; a false halo turns its colour
BRIGHT_CODE = 0.85  # star cores brighter than this may have taken on their halo's colour
LEAST_SHARE = 0.25  # of the smoothing's weight that must be left
PALER, RICHER = 0.85, 1.2  # chroma may change so much beyond what was asked for: denoising dims it, the layers are screened together
LIGHTNESS_RANGE = (0.5, 2.0)  # within which a lightness that the detail changed is made equal
LEAST_SKY = 0.01  # of the picture, to tell its cast
NOISE_REACH = 4.0  # smoothings, over which the noise is taken as even
CHANCE = 0.025  # that noise alone passes its limit at any place of the picture
SEEN = 1.5  # dE00 beyond the noise from which a place is warned of
HUES = ("pink", "orange", "yellow", "olive", "green", "cyan", "blue", "violet")  # of CIELAB, every 45 degrees from +a* on


@dataclass(frozen=True)
class _Smooth:
    """Reduced by whole pixels and smoothed: (h, w, 3) CIELAB of picture and source, and the share of pixels that have a say."""

    seen: Array
    source: Array
    share: Plane


def local_colour(subject: Subject, ground: Ground) -> dict[str, PlaceEstimate]:
    """Colour difference from the colour source at the place where it stands out most from the noise."""
    reference = subject.colour if subject.colour is not None else ground.colour
    if reference is None:
        raise CannotMeasureError("no colour source was given")
    if subject.curve is None:
        raise CannotMeasureError("a picture without its recorded stretch has a colour balance of its own")
    if subject.added:
        raise CannotMeasureError("a second filter's light was added, whose colour is wanted")
    step = max(1, int(ground.fwhm))
    sigma = SMOOTH_FWHM * ground.fwhm / step
    smooth = _smoothed(as_rgb(subject.picture), as_rgb(reference), ground, step, sigma)
    departure = _departure(smooth, subject)
    valid = smooth.share >= LEAST_SHARE
    sky = cv2.resize(ground.sky.astype(np.float32), valid.shape[::-1], interpolation=cv2.INTER_AREA) > 0.5
    if (sky & valid).mean() >= LEAST_SKY:  # a cast of the whole picture is told by the sky's own measures
        departure -= np.median(departure[sky & valid], axis=0)
    error = _difference(smooth.source, departure)
    length = np.hypot(departure[..., 0], departure[..., 1])
    noise = _noise(subject, departure, sky & valid, step, sigma) * error / np.maximum(length, 1e-6)
    limit = math.sqrt(2 * math.log(valid.size / (4 * math.pi * sigma**2) / CHANCE + 1)) * noise  # Rayleigh, for so many places
    if not valid.any():
        raise CannotMeasureError("stars cover the whole picture")
    row, column = (int(i) for i in np.unravel_index(int(np.argmax(np.where(valid, error - limit, -np.inf))), valid.shape))
    across, down = (size / count for size, count in zip(ground.shape[::-1], valid.shape[::-1], strict=True))
    toward_red, toward_yellow = departure[row, column]
    hue = HUES[round(math.degrees(math.atan2(toward_yellow, toward_red)) / 45) % 8]
    place = (float((column + 0.5) * across), float((row + 0.5) * down))
    extent = step * _extent(error, row, column)
    return {"local colour difference": PlaceEstimate(float(error[row, column]), float(limit[row, column]), place, hue, extent)}


def _smoothed(picture: DisplayRGB, source: DisplayRGB, ground: Ground, step: int, sigma: float) -> _Smooth:
    valid = np.isfinite(picture).all(2) & np.isfinite(source).all(2)
    first, second = (cv2.medianBlur(np.nan_to_num(p).astype(np.float32, copy=False), MEDIAN_PX) for p in (picture, source))
    change = first - second
    star = (change.min(2) > STAR_STEP) | (change.max(2) < -STAR_STEP) | (np.maximum(first.max(2), second.max(2)) > BRIGHT_CODE)
    weight = (valid & ~(star & star_discs(ground.shape, ground.stars, ground.fwhm))).astype(np.float32)
    share = _reduced(weight, step)
    cells = [lab(_reduced(p * weight[..., None], step) / np.maximum(share, 1e-6)[..., None]) * share[..., None] for p in (first, second)]
    total = cv2.GaussianBlur(share, (0, 0), sigma)
    seen, source = (cv2.GaussianBlur(cell, (0, 0), sigma) / np.maximum(total, 1e-6)[..., None] for cell in cells)
    return _Smooth(seen, source, total)


def _reduced(plane: Array, step: int) -> Array:
    """Means of ``step`` x ``step`` px; what is left over at the end is spread over the last."""
    size = (max(1, plane.shape[1] // step), max(1, plane.shape[0] // step))
    return cv2.resize(plane, size, interpolation=cv2.INTER_AREA)


def _departure(smooth: _Smooth, subject: Subject) -> Array:
    """(h, w, 2): how far a*, b* lie from the source's own, made lighter or darker and richer or paler as far as that is asked for."""
    ratio = np.clip(smooth.source[..., 0] / np.maximum(smooth.seen[..., 0], 1.0), *LIGHTNESS_RANGE)
    seen, source = smooth.seen[..., 1:] * ratio[..., None], smooth.source[..., 1:]
    asked = (1.0, subject.saturation, subject.star_saturation)
    along = (seen * source).sum(2) / np.maximum((source**2).sum(2), 1e-6)
    return seen - np.clip(along, PALER * min(asked), RICHER * max(asked))[..., None] * source


def _difference(source: Array, departure: Array) -> Plane:
    """CIEDE2000 of a departure at the source's lightness and colour."""
    moved = source.copy()
    moved[..., 1:] += departure
    return np.asarray(delta_e_2000(source, moved), np.float32)


def _noise(subject: Subject, departure: Array, sky: Array, step: int, sigma: float) -> Plane | float:
    """Standard deviation of a* and b* of the departure: from the half-sets, or else from its scatter over the sky, over all without sky."""
    halves, sources = subject.halves, subject.colour_halves
    if halves is None or sources is None:
        values = departure[sky] if sky.any() else departure.reshape(-1, 2)
        return MAD_TO_SIGMA * float(np.median(np.abs(values - np.median(values, 0))))
    first, second, third, fourth = (lab(_reduced(np.nan_to_num(as_rgb(p)), step))[..., 1:] for p in (*halves, *sources))
    noise = cv2.GaussianBlur((first - second - third + fourth) / 2, (0, 0), sigma)
    return np.sqrt(cv2.GaussianBlur((noise**2).sum(2) / 2, (0, 0), NOISE_REACH * sigma))


def _extent(error: Plane, row: int, column: int) -> float:
    """Diameter of a disc as large as the patch round the worst place that differs at least half as much."""
    _, labels = cv2.connectedComponents((error >= error[row, column] / 2).astype(np.uint8))
    return math.sqrt(4 / math.pi * int((labels == labels[row, column]).sum()))
