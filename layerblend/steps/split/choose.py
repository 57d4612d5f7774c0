"""Which sources are stars: those of the field's own star image and of a star's colour. Knots, nuclei and small galaxies stay."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from layerblend.kinds import Array, Mask, Plane
from layerblend.maths.robust import MAD_TO_SIGMA
from layerblend.steps.split.channels import Channel
from layerblend.steps.split.field import Fitted
from layerblend.steps.split.noise import Noise

LEAST_STRENGTH = 4.0
# Broader than the field's stars by this ln width and by this many errors: not a star.
BROAD, BROAD_SIGMA = 0.08, 3.0
NARROW, NARROW_SIGMA = -0.45, 4.0
WIDTH_ERROR_FLOOR, WIDTH_ERROR_SCALE = 0.008, 1.3
LONG, LONG_SIGMA = 0.11, 4.0
MISFIT = 0.10
OFF_LOCUS, OFF_LOCUS_SIGMA = 0.11, 4.5
LOCUS_STARS, LOCUS_STRENGTH = 20, 50.0

ASKED_REACH = 1.5


@dataclass
class Choice:
    """``star`` (n,) bool; ``reason`` (n,) text, why a source was kept in the starless picture, empty for stars."""

    star: Mask
    reason: Array
    off_width: Array
    strength: Array


def choose_stars(plane: Plane, good: Mask, noise: Noise, fitted: Fitted, channels: list[Channel], *, keep_knots: bool = True) -> Choice:
    """Tell stars from other compact light.

    A source is no star when it is too faint to say, broader than the field's stars, longer, badly described by the star image, or off
    the line on which the field's stars lie in (log R/G, log B/G).
    """
    sources, fit, error = fitted.sources, fitted.fit, fitted.error
    n = len(sources)
    reason = np.full(n, "", "U8")
    strength = sources.peak / np.maximum(error[:, 0], 1e-30)
    free = ~sources.clipped
    _mark(reason, free & (strength <= LEAST_STRENGTH), "faint")
    off = fit[:, 3]
    off_error = np.hypot(error[:, 3] * WIDTH_ERROR_SCALE, WIDTH_ERROR_FLOOR)
    if keep_knots:
        _mark(reason, free & (off > BROAD) & (off > BROAD_SIGMA * off_error), "broad")
        _mark(reason, free & (off < NARROW) & (off < -NARROW_SIGMA * off_error), "narrow")
        _mark(reason, free & (_misfit(plane, good, noise, fitted) > MISFIT), "misfit")
        stretch, stretch_error = np.hypot(fit[:, 4], fit[:, 5]), np.hypot(error[:, 4], error[:, 5])
        _mark(reason, free & (stretch > LONG) & (stretch > LONG_SIGMA * stretch_error), "long")
        if len(channels) == 3:
            _mark(reason, free & _off_locus(channels, strength, (reason == "") & free & (np.abs(off) < 0.06)), "colour")
    return Choice(reason == "", reason, off, strength)


def _mark(reason: Array, where: Mask, word: str) -> None:
    reason[where & (reason == "")] = word


def _misfit(plane: Plane, good: Mask, noise: Noise, fitted: Fitted) -> Array:
    """(n,) share of the peak by which the picture round a source differs from its model, beyond the noise."""
    sources, fwhm = fitted.sources, fitted.field.fwhm
    residual = np.where(good, plane - fitted.halo - fitted.model, np.float32(0))
    fine = residual - cv2.GaussianBlur(residual, (0, 0), 1.0 * fwhm)
    quiet = MAD_TO_SIGMA * float(np.median(np.abs(fine[::3, ::3])))
    box = int(2.4 * fwhm) | 1
    power = cv2.blur(np.minimum(fine * fine, np.float32(1e6 * quiet * quiet)), (box, box))
    sigma = noise.map(cv2.medianBlur(plane, 5)) / np.float32(noise.sigma)
    x = np.clip(np.rint(sources.x), 0, plane.shape[1] - 1).astype(int)
    y = np.clip(np.rint(sources.y), 0, plane.shape[0] - 1).astype(int)
    rough = np.sqrt(power[y, x]) / sigma[y, x]
    return np.sqrt(np.maximum(rough**2 - (1.25 * quiet) ** 2, 0)) / np.maximum(sources.peak, 1e-12)


def _off_locus(channels: list[Channel], strength: Array, sample: Mask) -> Mask:
    """Sources whose colour no star of the field has."""
    peaks = np.maximum(np.stack([c.peak for c in channels]), 1e-12)
    relative = np.stack([c.error for c in channels]) / np.maximum(peaks, 1e-9)
    logs = np.log10(peaks)
    red, blue = logs[0] - logs[1], logs[2] - logs[1]
    red_error, blue_error = np.hypot(relative[0], relative[1]) / 2.3, np.hypot(relative[2], relative[1]) / 2.3
    chosen = sample & (strength > LOCUS_STRENGTH)
    if chosen.sum() < LOCUS_STARS:
        return np.zeros(len(strength), bool)
    for _ in range(5):
        line = np.polyfit(red[chosen], blue[chosen], 1)
        off = blue - np.polyval(line, red)
        spread = max(MAD_TO_SIGMA * float(np.median(np.abs(off[chosen]))), 0.01)
        chosen &= np.abs(off) < 3.5 * spread
    total = np.hypot(np.hypot(blue_error, line[0] * red_error), spread)
    return (np.abs(off) > OFF_LOCUS) & (np.abs(off) > OFF_LOCUS_SIGMA * total)


def obey(choice: Choice, fitted: Fitted, keep: Array, remove: Array) -> tuple[Choice, Array]:
    """Follow what the imager asked for: places (n, 2) that are no stars, and places that are.

    Returns the choice and (m, 3) discs, x, y, radius px, that only a fill can clear: places to be removed where no source of the
    field's star image was found.
    """
    reason = choice.reason.copy()
    places, fwhm = fitted.sources.geo[:, :2], fitted.field.fwhm
    discs = []
    for x, y in remove:
        near = np.hypot(places[:, 0] - x, places[:, 1] - y) if len(places) else np.zeros(0)
        hit = int(np.argmin(near)) if len(near) else -1
        if hit < 0 or near[hit] > ASKED_REACH * fwhm:
            discs.append((x, y, ASKED_REACH * fwhm))
            continue
        if reason[hit] not in ("", "faint"):
            discs.append((*places[hit], ASKED_REACH * fwhm * float(np.exp(np.clip(choice.off_width[hit], 0, 0.7)))))
        reason[hit] = ""
    for x, y in keep:
        near = np.hypot(places[:, 0] - x, places[:, 1] - y)
        reason[near < ASKED_REACH * fwhm] = "asked"
    return Choice(reason == "", reason, choice.off_width, choice.strength), np.array(discs, float).reshape(-1, 3)
