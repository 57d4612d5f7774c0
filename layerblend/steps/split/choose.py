"""Which sources are stars: those of the field's own star image and of a star's colour. Knots, nuclei and small galaxies stay."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import scipy

from layerblend.kinds import Array, Mask, Plane
from layerblend.maths.clipped import values_at
from layerblend.maths.noise_line import Noise
from layerblend.maths.robust import MAD_TO_SIGMA
from layerblend.steps.split.channels import Channel
from layerblend.steps.split.field import Fitted
from layerblend.steps.split.mask import usual_height
from layerblend.steps.split.model import profile_at
from layerblend.steps.split.rough import Roughness
from layerblend.steps.split.sources import Sources

LEAST_STRENGTH = 4.0
# Errors of width and ellipse: photon noise times this, and what the star image itself leaves uncertain. Of widths that is what the
# bright sources of the picture, nearly all stars, scatter by: at least the first, the second when few are bright.
WIDTH_ERROR_SCALE, ELLIPSE_FLOOR = 1.3, 0.01
LEAST_WIDTH_FLOOR, WIDTH_FLOOR, FLOOR_STRENGTH, FLOOR_STARS = 0.005, 0.01, 100.0, 20
# Structured ground shakes the fits: its scatter over the peak, times these shares, is added to the errors.
GROUND_WIDTH, GROUND_ELLIPSE, GROUND_COLOUR = 0.25, 0.3, 0.25
# What other compact light looks like: widths evenly spread over so many ln units, ellipses and colours scattered so far.
OTHER_WIDTHS, OTHER_ELLIPSE, OTHER_COLOUR = 0.6, 0.3, 0.25
NO_COLOUR = 1e3  # dex: an error so large says nothing
# Blended stars are long and a little broad, so neither can condemn a source alone.
MOST_AGAINST = 4.0
NARROW, NARROW_SIGMA, NARROW_AGAINST = -0.45, 4.0, 9.0
MISFIT, MISFIT_AGAINST = 0.10, 4.0
# Evidence (ln of the odds) below which a source stays: on bare sky, and on structured ground, where knots are common.
STAR_ON_SKY, STAR_ON_GROUND = -3.0, 2.5
QUIET_GROUND, ROUGH_GROUND = 1.2, 2.0
# The target is where the ground is so bright, in sigma, over so many FWHM.
OFF_TARGET, ON_TARGET, TARGET_FWHM = 1.0, 3.0, 3.0
# A source off the target with a peak of so many times the scatter of its ground lies on it as if on sky.
AMONG, ALONE = 80.0, 160.0
LOCUS_STARS, LOCUS_STRENGTH, LOCUS_WIDTH = 20, 50.0, 0.06
# Stars whose colours spread less (dex) are of a grey picture.
GREY = 1e-3
ASKED_REACH = 1.5
# Two stacks' sources are one where they lie within so many widths of each other.
SAME_REACH = 0.5
CUT_STRENGTH = 300.0
# A star whose middle lies beyond the picture's edge is judged by the light that it sheds into it, in units of the noise there, and by how
# much of that light its star image misses.
SHED_STRENGTH, SHED_MISFIT = 5.0, 0.5
# So near to the edge (FWHM) a part of a star is missing, and fewer frames overlap, so widths scatter by more.
EDGE_REACH, EDGE_WIDTH_FLOOR = 1.0, 0.03


@dataclass
class Choice:
    """``star`` (n,) bool; ``reason`` (n,) text, why a source was kept in the starless picture, empty for stars."""

    star: Mask
    reason: Array
    off_width: Array
    strength: Array


def choose_stars(plane: Plane, good: Mask, noise: Noise, fitted: Fitted, channels: list[Channel], *, keep_knots: bool = True) -> Choice:
    """Tell stars from other compact light: knots, nuclei, small galaxies.

    For every source the odds of two explanations are compared, a star (or two stars close together) or something else, by its width
    along the short axis, its width, its ellipse, its colour against the line of the field's stars in (log R/G, log B/G), and how well
    the star image describes it. Errors grow where the ground is structured.
    """
    sources = fitted.sources
    fit, error = _of_all_channels(channels)
    strength = sources.peak / np.maximum(fitted.error[:, 0], 1e-30)
    reason = np.full(len(sources), "", "U8")
    reason[strength <= LEAST_STRENGTH] = "faint"
    if keep_knots and len(sources):
        ground, peak = fitted.rough, np.maximum(sources.peak, 1e-12)
        floor = np.maximum(_width_floor(fit[:, 3], strength, sources.clipped), EDGE_WIDTH_FLOOR * _at_edge(fitted, plane.shape))
        evidence = {
            "broad": _width_evidence(fit, error, ground, peak, floor),
            "long": _ellipse_evidence(fit, error, ground, peak),
            "misfit": np.where(_misfit(plane, good, noise, fitted) > MISFIT + ground.scatter / peak, -MISFIT_AGAINST, 0.0),
        }
        share = np.clip((ground.share - QUIET_GROUND) / (ROUGH_GROUND - QUIET_GROUND), 0, 1)
        target = _on_target(plane, good, noise, fitted)
        alone = np.clip((peak / np.maximum(ground.scatter, 1e-12) - AMONG) / (ALONE - AMONG), 0, 1)
        share *= 1 - alone * (1 - target)
        if len(channels) == 3:
            colour = _colour_evidence(channels, strength, np.abs(fit[:, 3]), ground, peak, sources.clipped)
            # knots lie on the target; elsewhere what has an odd colour and a star's shape is a carbon star, say
            weight = np.maximum(share, target)
            evidence["colour"] = weight * colour + (1 - weight) * np.maximum(colour, -MOST_AGAINST)
        total = np.sum(list(evidence.values()), 0)
        other = (total < STAR_ON_SKY + (STAR_ON_GROUND - STAR_ON_SKY) * share) & (reason == "")
        worst = np.array(list(evidence))[np.argmin(np.stack(list(evidence.values())), 0)]
        reason[other] = worst[other]
        # a bright core that is cut off cannot be told by its shape; broad light is no star all the same
        cut = _hidden_core(good, sources) & (sources.peak > CUT_STRENGTH * noise.sigma)
        reason[cut & np.isin(reason, ("long", "misfit"))] = ""
    beyond = beyond_edge(sources, plane.shape)
    if beyond.any():
        reason[beyond] = np.where(_sheds_light(plane, noise, fitted)[beyond], "", "faint")
    reason[sources.clipped] = ""
    return Choice(reason == "", reason, fit[:, 3], strength)


def beyond_edge(sources: Sources, shape: tuple[int, ...]) -> Mask:
    """(n,) bool, the source's middle lies outside the picture."""
    return _inside(sources, shape) < 0


def _on_target(plane: Plane, good: Mask, noise: Noise, fitted: Fitted) -> Array:
    """(n,) 0 to 1, how surely the ground round a source, without the stars' light, is the target and not the sky."""
    most = np.float32(2 * ON_TARGET * noise.sigma)
    ground = np.where(good, np.clip(plane - fitted.halo - fitted.model, -most, most), np.float32(0))
    width = TARGET_FWHM * fitted.field.fwhm
    light, seen = (cv2.GaussianBlur(p, (0, 0), width, borderType=cv2.BORDER_REFLECT) for p in (ground, good.astype(np.float32)))
    x, y = _pixels(fitted.sources, plane.shape)
    level = light[y, x] / np.maximum(seen[y, x], 1e-3) / noise.sigma
    return np.asarray(np.clip((level - OFF_TARGET) / (ON_TARGET - OFF_TARGET), 0, 1))


def _at_edge(fitted: Fitted, shape: tuple[int, ...]) -> Mask:
    return np.abs(_inside(fitted.sources, shape)) < EDGE_REACH * fitted.field.fwhm


def _inside(sources: Sources, shape: tuple[int, ...]) -> Array:
    """(n,) px, how far from the nearest edge of the picture a source lies inside it; less than 0 outside."""
    x, y = sources.x + 0.5, sources.y + 0.5
    return np.minimum(np.minimum(x, shape[1] - x), np.minimum(y, shape[0] - y))


def _sheds_light(plane: Plane, noise: Noise, fitted: Fitted) -> Mask:
    """(n,) bool, the source's light at the pixel nearest to its middle is seen, and is a star's as far as a piece of its wings can tell."""
    sources = fitted.sources
    x, y = _pixels(sources, plane.shape)
    away = np.hypot(x - sources.x, y - sources.y) / np.exp(sources.geo[:, 2])
    shed = sources.peak * profile_at(fitted.field.image.profile, away)
    left = cv2.blur(plane - fitted.halo - fitted.model, (3, 3))[y, x]
    return np.asarray((shed > SHED_STRENGTH * noise.sigma) & (np.abs(left) < SHED_MISFIT * shed))


def _of_all_channels(channels: list[Channel]) -> tuple[Array, Array]:
    """Mean fit (n, 7) of the channels and its error, each channel by what it knows: together they see more than Y does."""
    trust = np.stack([1 / np.maximum(c.error, 1e-30) ** 2 for c in channels])
    whole = np.maximum(trust.sum(0), 1e-30)
    return np.sum(trust * np.stack([c.fit for c in channels]), 0) / whole, 1 / np.sqrt(whole)


def _hidden_core(good: Mask, sources: Sources) -> Mask:
    """(n,) bool, pixels of the source's middle do not count: too few of them clipped to make a blob."""
    x, y = _pixels(sources, good.shape)
    return np.asarray(cv2.dilate((~good).astype(np.uint8), np.ones((3, 3), np.uint8))[y, x] > 0)


def _pixels(sources: Sources, shape: tuple[int, ...]) -> tuple[Array, Array]:
    x = np.clip(np.rint(sources.x), 0, shape[1] - 1).astype(int)
    y = np.clip(np.rint(sources.y), 0, shape[0] - 1).astype(int)
    return x, y


def _ln_normal(x: Array, sigma: Array) -> Array:
    return -0.5 * (x / sigma) ** 2 - np.log(sigma * np.sqrt(2 * np.pi))


def _width_floor(off_width: Array, strength: Array, clipped: Mask) -> float:
    bright = (strength > FLOOR_STRENGTH) & (np.abs(off_width) < LOCUS_WIDTH) & ~clipped
    if bright.sum() < FLOOR_STARS:
        return WIDTH_FLOOR
    return float(np.clip(MAD_TO_SIGMA * np.median(np.abs(off_width[bright])), LEAST_WIDTH_FLOOR, LOCUS_WIDTH))


def _width_evidence(fit: Array, error: Array, ground: Roughness, peak: Array, floor: Array) -> Array:
    """By the short axis (blended stars keep it) and, more weakly, by the mean width."""
    shaken = GROUND_WIDTH * ground.scatter / peak
    ellipse_error = np.hypot(error[:, 4], error[:, 5])
    stretch = np.sqrt(np.maximum(fit[:, 4] ** 2 + fit[:, 5] ** 2 - ellipse_error**2, 0))
    short = fit[:, 3] - np.arctanh(np.minimum(stretch, 0.95))
    plain = np.sqrt((WIDTH_ERROR_SCALE * error[:, 3]) ** 2 + floor**2 + shaken**2)
    with_ellipse = np.hypot(plain, ellipse_error)
    by_short = _against_even(short, with_ellipse, 1.0)
    narrow = (fit[:, 3] < NARROW) & (fit[:, 3] < -NARROW_SIGMA * with_ellipse)
    by_short = np.where(narrow, -NARROW_AGAINST, by_short)
    return by_short + 0.5 * np.maximum(_against_even(fit[:, 3], plain, 1.5), -MOST_AGAINST)


def _against_even(off: Array, sigma: Array, most_below: float) -> Array:
    """Normal errors against an even spread of larger widths; being narrower counts ``most_below`` sigma at most."""
    return _ln_normal(np.maximum(off, -most_below * sigma), sigma) - np.log(OTHER_WIDTHS)


def _ellipse_evidence(fit: Array, error: Array, ground: Roughness, peak: Array) -> Array:
    """Never in favour: a knot narrower than the star image is as round as a star."""
    shaken = GROUND_ELLIPSE * ground.scatter / peak
    sigma = np.sqrt(0.5 * (error[:, 4] ** 2 + error[:, 5] ** 2) + ELLIPSE_FLOOR**2 + shaken**2)
    wide = np.hypot(sigma, OTHER_ELLIPSE)
    stretch2 = fit[:, 4] ** 2 + fit[:, 5] ** 2
    return np.clip(-0.5 * stretch2 / sigma**2 + 0.5 * stretch2 / wide**2 + 2 * np.log(wide / sigma), -MOST_AGAINST, 0.0)


def _colour_evidence(channels: list[Channel], strength: Array, off_width: Array, ground: Roughness, peak: Array, clipped: Mask) -> Array:
    """By the distance from the line of the field's own stars; 0 for all where too few stars, or stars of one colour, draw it."""
    peaks = np.maximum(np.stack([c.peak for c in channels]), 1e-12)
    error = np.stack([c.error[:, 0] for c in channels]) / np.maximum(peaks, 1e-9) / np.log(10)
    logs = np.log10(peaks)
    red, blue = logs[0] - logs[1], logs[2] - logs[1]
    chosen = (strength > LOCUS_STRENGTH) & (off_width < LOCUS_WIDTH) & ~clipped
    if chosen.sum() < LOCUS_STARS or np.ptp(red[chosen]) < GREY:
        return np.zeros(len(strength))
    for _ in range(5):
        line = np.polyfit(red[chosen], blue[chosen], 1)
        off = blue - np.polyval(line, red)
        spread = max(MAD_TO_SIGMA * float(np.median(np.abs(off[chosen]))), 0.01)
        chosen &= np.abs(off) < 3.5 * spread
    shaken = GROUND_COLOUR * ground.scatter / peak
    slope = line[0]
    sigma = np.sqrt(error[2] ** 2 + (slope * error[0]) ** 2 + ((slope - 1) * error[1]) ** 2 + spread**2 + shaken**2)
    sigma = np.minimum(sigma, NO_COLOUR)  # a peak that nothing tells has an endless error
    return _ln_normal(off, sigma) - _ln_normal(off, np.hypot(sigma, OTHER_COLOUR))


def _misfit(plane: Plane, good: Mask, noise: Noise, fitted: Fitted) -> Array:
    """(n,) share of the peak by which the picture round a source differs from its model, beyond the noise."""
    sources, fwhm = fitted.sources, fitted.field.fwhm
    residual = np.where(good, plane - fitted.halo - fitted.model, np.float32(0))
    fine = residual - cv2.GaussianBlur(residual, (0, 0), 1.0 * fwhm)
    quiet = MAD_TO_SIGMA * float(usual_height(fine, fitted.seen))
    box = int(2.4 * fwhm) | 1
    power = cv2.blur(np.minimum(fine * fine, np.float32(1e6 * quiet * quiet)), (box, box))
    sigma = noise.map(cv2.medianBlur(plane, 5)) / np.float32(noise.sigma)
    x, y = _pixels(sources, plane.shape)
    rough = np.sqrt(np.maximum(power[y, x], 0)) / sigma[y, x]  # the running sums of a blur leave less than nothing beside large values
    return np.sqrt(np.maximum(rough**2 - (1.25 * quiet) ** 2, 0)) / np.maximum(sources.peak, 1e-12)


def follow(choice: Choice, fitted: Fitted, judged: Array) -> Choice:
    """The verdicts of another stack's catalogue on the sources that both hold; a source that only this one holds keeps its own.

    Layers are laid over each other: what one of them takes for a star and the other for a knot would count twice, or be lost.
    """
    here, there = fitted.sources.geo[:, :2], np.stack([judged["x"], judged["y"]], 1)
    if not len(here) or not len(there):
        return choice
    reach = SAME_REACH * fitted.field.fwhm
    distance, match = scipy.spatial.cKDTree(there).query(here, distance_upper_bound=reach)
    _, back = scipy.spatial.cKDTree(here).query(there)
    found = np.flatnonzero(np.isfinite(distance))
    found = found[(back[match[found]] == found) & ~fitted.sources.clipped[found]]
    reason = choice.reason.copy()
    reason[found] = judged["kept"][match[found]]
    return Choice(reason == "", reason, choice.off_width, choice.strength)


def spare(choice: Choice, fitted: Fitted, cores: Mask) -> Choice:
    """What was found in clipped light that is no star's, ``cores`` (H, W) bool, is the point in its middle and stays with it."""
    inside = values_at(cores, fitted.sources.x, fitted.sources.y)
    if not inside.any():
        return choice
    reason = np.where(inside, "broad", choice.reason)
    return Choice(reason == "", reason, choice.off_width, choice.strength)


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
