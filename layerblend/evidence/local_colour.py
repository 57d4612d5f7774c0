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
from layerblend.kinds import Array, DisplayRGB, Mask, Plane
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
NOISE_REACH = 12.0  # smoothings, over which the noise is taken as even
CHANCE = 0.025  # that noise alone passes its limit at any place of the picture
LEAST = 1e-6  # in place of 0, to divide by
ROUNDING = 1e-3  # dE00: less is the arithmetic of float32
SEEN = 2.3  # dE00 above the noise from which a place is warned of: what can just be told apart (Mahy et al. 1994, Color Res. Appl. 19, 105)
HUES = ("pink", "orange", "yellow", "olive", "green", "cyan", "blue", "violet")  # of CIELAB, every 45 degrees from +a* on


@dataclass(frozen=True)
class _Smoother:
    """Reduces a picture by whole pixels and smooths it.

    ``weight`` : (H, W) 0 or 1, which pixels have a say; ``share`` : (h, w), how much of the smoothing's weight they have; ``off_stars`` :
    (h, w), share of pixels beyond all stars' discs; ``sigma``, in reduced pixels.
    """

    weight: Plane
    share: Plane
    off_stars: Plane
    step: int
    sigma: float

    def lab(self, picture: DisplayRGB) -> Array:
        """(h, w, 3) CIELAB."""
        share = _reduced(self.weight, self.step)[..., None]
        mean = _reduced(_filled(picture) * self.weight[..., None], self.step) / np.maximum(share, LEAST)
        return cv2.GaussianBlur(lab(mean) * share, (0, 0), self.sigma) / np.maximum(self.share, LEAST)[..., None]


def local_colour(subject: Subject, ground: Ground) -> dict[str, PlaceEstimate]:
    """Colour difference from the colour source at the place where it stands out most from the noise."""
    reference = subject.colour if subject.colour is not None else ground.colour
    if reference is None:
        raise CannotMeasureError("no colour source was given")
    if subject.curve is None:
        raise CannotMeasureError("a picture without its recorded stretch has a colour balance of its own")
    if subject.recoloured:
        raise CannotMeasureError(subject.recoloured)
    picture, reference = as_rgb(subject.picture), as_rgb(reference)
    if np.array_equal(picture, reference, equal_nan=True):
        return {"local colour difference": PlaceEstimate(0.0, 0.0, (0.0, 0.0), HUES[0], 0.0)}
    finite = _each(np.logical_and, np.isfinite(picture)) & _each(np.logical_and, np.isfinite(reference))
    calm = [cv2.medianBlur(np.ascontiguousarray(_filled(p), np.float32), MEDIAN_PX) for p in (picture, reference)]
    smoother = _smoother(calm[0], calm[1], finite, ground)
    seen, source = (smoother.lab(p) for p in calm)
    valid = smoother.share >= LEAST_SHARE
    if not valid.any():
        raise CannotMeasureError("stars cover the whole picture")
    sky = (_reduced(ground.sky.astype(np.float32), smoother.step) > 0.5) & valid
    departure = _departure(seen, source, subject)
    if sky.mean() >= LEAST_SKY:
        departure = _without_cast(departure, np.median(departure[sky], axis=0))
    moved = source.copy()
    moved[..., 1:] += departure
    error = np.asarray(delta_e_2000(source, moved), np.float32)
    noise = _noise(subject, smoother, departure, sky) * error / np.maximum(np.hypot(departure[..., 0], departure[..., 1]), LEAST)
    return {"local colour difference": _worst(departure, error, noise, valid, ground, smoother)}


def _smoother(picture: DisplayRGB, source: DisplayRGB, finite: Mask, ground: Ground) -> _Smoother:
    """Everything has a say but cores and rims of stars, as far as their discs reach."""
    change = picture - source
    star = (_each(np.minimum, change) > STAR_STEP) | (_each(np.maximum, change) < -STAR_STEP)
    star |= np.maximum(_each(np.maximum, picture), _each(np.maximum, source)) > BRIGHT_CODE
    discs = star_discs(ground.shape, ground.stars, ground.fwhm)
    weight = (finite & ~(star & discs)).astype(np.float32)
    step = max(1, int(ground.fwhm))
    sigma = SMOOTH_FWHM * ground.fwhm / step
    share, off_stars = cv2.GaussianBlur(_reduced(weight, step), (0, 0), sigma), _reduced((~discs).astype(np.float32), step)
    return _Smoother(weight, share, off_stars, step, sigma)


def _each(join: np.ufunc, picture: Array) -> Array:
    """(H, W): the three channels of each pixel joined, several times faster than a reduction over so short an axis."""
    return np.asarray(join(join(picture[..., 0], picture[..., 1]), picture[..., 2]))


def _filled(picture: DisplayRGB) -> DisplayRGB:
    """The picture with 0 for no data; itself where there is data everywhere."""
    return picture if math.isfinite(float(picture.sum(dtype=float))) else np.nan_to_num(picture)


def _reduced(plane: Array, step: int) -> Array:
    """Means of about ``step`` x ``step`` px, whole cells over the whole picture."""
    size = (max(1, plane.shape[1] // step), max(1, plane.shape[0] // step))
    return cv2.resize(plane, size, interpolation=cv2.INTER_AREA)


def _at_equal_lightness(seen: Array, source: Array) -> Array:
    """(h, w, 2): a*, b* made lighter or darker as the source is."""
    ratio = np.clip(source[..., 0] / np.maximum(seen[..., 0], 1.0), *LIGHTNESS_RANGE)
    return seen[..., 1:] * ratio[..., None]


def _departure(seen: Array, source: Array, subject: Subject) -> Array:
    """(h, w, 2): how far a*, b* lie from the source's own at equal lightness, made richer or paler as far as that is asked for."""
    shown, own = _at_equal_lightness(seen, source), source[..., 1:]
    asked = (1.0, subject.saturation, subject.star_saturation)
    along = (shown * own).sum(2) / np.maximum((own**2).sum(2), LEAST)
    return shown - np.clip(along, PALER * min(asked), RICHER * max(asked))[..., None] * own


def _without_cast(departure: Array, cast: Array) -> Array:
    """The departure without as much of the sky's as explains it: a cast shows less on bright light, and the sky has measures of its own."""
    length = float(cast @ cast)
    if length == 0:
        return departure
    return departure - np.clip(departure @ cast / length, 0, 1)[..., None] * cast


def _noise(subject: Subject, smoother: _Smoother, departure: Array, sky: Mask) -> Plane | float:
    """Standard deviation of a* and b* of the departure: from the half-sets, or else from its scatter over the sky, over all without sky.

    Off the stars: the few sharpest frames' halves differ in the width of their stars, by a lot and by no noise.
    """
    halves, sources = subject.halves, subject.colour_halves
    if halves is None or sources is None:
        values = departure[sky] if sky.any() else departure.reshape(-1, 2)
        return MAD_TO_SIGMA * float(np.median(np.abs(values - np.median(values, 0))))
    apart = []
    for half, own in zip(halves, sources, strict=True):
        source = smoother.lab(as_rgb(own))
        apart.append(_at_equal_lightness(smoother.lab(as_rgb(half)), source) - source[..., 1:])
    power = np.log(np.maximum((((apart[0] - apart[1]) / 2) ** 2).sum(2), LEAST**2))
    off = smoother.off_stars + np.float32(LEAST)
    mean, share = (cv2.GaussianBlur(plane, (0, 0), NOISE_REACH * smoother.sigma) for plane in (power * off, off))
    # the mean logarithm of exponential values lies by Euler's constant below the logarithm of their mean
    return np.sqrt(np.exp(mean / share + np.euler_gamma) / 2)


def _highest(places: float) -> float:
    """How many standard deviations the length of two smooth Gaussian planes passes anywhere with the chance `CHANCE`.

    ``places``: area over 4 pi times the smoothing's variance. Expected Euler characteristic of the excursions, places (t^2 - 1)
    exp(-t^2 / 2) (Worsley 1994, Adv. Appl. Prob. 26, 13), solved by iteration.
    """
    square = 20.0
    for _ in range(20):
        square = max(2 * math.log(max(places * (square - 1) / CHANCE, math.e)), 4.0)
    return math.sqrt(square)


def _worst(departure: Array, error: Plane, noise: Plane, valid: Mask, ground: Ground, smoother: _Smoother) -> PlaceEstimate:
    """The place that stands out most from what noise reaches anywhere."""
    limit = _highest(error.size / (4 * math.pi * smoother.sigma**2)) * noise
    row, column = (int(i) for i in np.unravel_index(int(np.argmax(np.where(valid, error - limit, -np.inf))), error.shape))
    across, down = (size / count for size, count in zip(ground.shape[::-1], error.shape[::-1], strict=True))
    red, yellow = departure[row, column]
    _, labels = cv2.connectedComponents((error >= error[row, column] / 2).astype(np.uint8))
    patch = int((labels == labels[row, column]).sum())
    value = float(error[row, column])
    return PlaceEstimate(
        value=value if value > ROUNDING else 0.0,
        sure=float(limit[row, column]),
        place=(float((column + 0.5) * across), float((row + 0.5) * down)),
        hue=HUES[round(math.degrees(math.atan2(yellow, red)) / 45) % 8],
        extent=smoother.step * math.sqrt(4 / math.pi * patch),
    )
