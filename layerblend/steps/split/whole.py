"""Part a linear picture into stars and everything else: the steps in their order."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import cv2
import numpy as np
from numba import njit

from layerblend.errors import ArgumentError, InputError, check_flag, check_image, check_range
from layerblend.kinds import Array, LinearImage, Mask, Plane, StarShape, working_luminance
from layerblend.maths.bands import by_bands, each, one_blas_thread, over_bands, over_rows
from layerblend.maths.clipped import parts_at
from layerblend.maths.noise import Y_WEIGHTS
from layerblend.maths.noise_line import Noise, measure_noise, sky_noise
from layerblend.maths.robust import nan_filled
from layerblend.steps.split.broad import part_broad
from layerblend.steps.split.channels import Channel, draw_channel, fit_channel, spare_kept, with_halo
from layerblend.steps.split.checks import compact_left, looks_stretched, rims_left, rings_left, sides_left, texture_ratio
from layerblend.steps.split.choose import Choice, beyond_edge, choose_stars, follow, obey, spare
from layerblend.steps.split.field import Fitted, first_field, first_fits, fit_field
from layerblend.steps.split.fill import dark_rims, fill_weight, mend, noise_draws
from layerblend.steps.split.mask import Blobs, clipped_mask, find_blobs
from layerblend.steps.split.model import profile_at, star_light
from layerblend.steps.split.sources import Field
from layerblend.steps.split.tint import even_tint

# Narrower stars than this hold too few pixels for their image to be known between them.
LEAST_FWHM = 2.0
MISFIT_LOW, MISFIT_HIGH = 0.01, 0.06
MISFIT_STRENGTH = 150.0
MOST_JUDGED = 300
# Of clipped stars the star image misses at least this share: their peak and their place are told by their wings alone.
CLIPPED_MISFIT = 0.05
# The mask marks star light above this share of the noise; below the other share a pixel counts as untouched.
MASK_SIGMA, UNTOUCHED_SIGMA = 1.0, 0.02
STRONG = 10.0
# Rims of this height (over a pixel's noise) are seen; only stars of this strength can leave one.
RIM_SEEN, RIM_STRENGTH = 0.5, 250.0
# Light beside stars (sectors' means over a pixel's noise) is seen from here on, at stars of this strength.
SIDES_SEEN, SIDE_STRENGTH = 1.5, 1500.0
# So far (its own widths, which may be so many ln units over a star's) a source that stayed is left out of the look for sides.
KEPT_REACH, MOST_WIDER = 1.5, 1.5
# Said where another stack of the set, whose stars are wide enough, decides.
NARROW = "The stars are only {:.1f} px wide; below {:g} px little of them is told apart cleanly. Stack on a finer grid."
# A source whose second channel holds less than this share of its first shines in one alone, and no light that came through the telescope
# is so much narrower than a star (glowing hydrogen can be as red); so many are told of. 390 of 2830 sources were such in frames with 500
# hot pixels that stood still (seed 9709), none in two sets without.
ONE_CHANNEL, NARROWER, MANY_IN_ONE = 0.1, 0.9, 20
# So many cores that stay are named by their places.
MOST_NAMED = 3


@dataclass(frozen=True)
class Split:
    """A picture parted: ``starless`` + ``stars`` is the picture, NaN where it is NaN.

    ``mask`` (H, W) bool, where star light was taken away. ``catalogue``: structured array, one row per source: ``x, y`` px; ``flux``
    (C,) linear light of the whole star image without its halo; ``peak`` (C,); ``fwhm`` px; ``saturated``; ``kept``, why the source
    stayed in the starless picture (empty for stars). Clipped light that is no star's is "broad", its flux, peak and width NaN.
    ``checks``: numbers of the result about itself. ``words``: what the imager should know.
    """

    starless: LinearImage
    stars: LinearImage
    mask: Mask
    catalogue: Array = field(repr=False)
    checks: dict[str, float]
    words: tuple[str, ...] = ()


@one_blas_thread()
def split_stars(
    image: LinearImage,
    *,
    star_shape: StarShape | None = None,
    saturated: Array | None = None,
    grow: float = 1.0,
    keep_knots: bool = True,
    keep: Sequence[Sequence[float]] = (),
    remove: Sequence[Sequence[float]] = (),
    judged: Array | None = None,
) -> Split:
    """Part a linear picture into a starless one and a stars layer.

    The measured star image is fitted to every star and subtracted; only what it cannot tell (clipped cores, the noise of bright
    cores) is filled from the surroundings, with the picture's own noise. Knots, nuclei and small galaxies stay.

    Parameters
    ----------
    image : (H, W, 3) or (H, W) float, linear, sky-subtracted, white-balanced; NaN = no data
    star_shape : StarShape of Y, measured here when left out
    saturated : (H, W) share of a pixel's frames that were saturated, or bool; without it plateaus are looked for in the picture
    grow : .5..2, how far the mended surroundings of a star reach
    keep_knots : False takes every compact source for a star
    keep, remove : places (x, y) px that are no stars, and that are
    judged : catalogue of another stack of the same place, whose verdicts on the sources that both hold are taken over; with it even
        stars under 2 px are separated, as they were there

    Returns
    -------
    Split

    Raises
    ------
    ArgumentError
        A value out of its range, or arrays that do not fit each other.
    InputError
        The picture is stretched already, or holds no data.

    References
    ----------
    Moffat 1969, A&A 3, 455 (star image); Stetson 1987, PASP 99, 191 (stars fitted together); Gortler et al. 1996, SIGGRAPH, 43 (fill).
    """
    picture = check_image("image", image)
    check_range("grow", grow, 0.5, 2.0)
    check_flag("keep_knots", keep_knots)
    keep_places, remove_places = (_places(name, asked, picture.shape) for name, asked in (("keep", keep), ("remove", remove)))
    if saturated is not None and np.shape(saturated) != picture.shape[:2]:
        raise ArgumentError(f"`saturated` must have the shape {picture.shape[:2]} of `image`, got {np.shape(saturated)}.")
    planes, valid = _planes(picture)
    luminance = np.ascontiguousarray(working_luminance(np.moveaxis(planes, 0, -1)) if len(planes) == 3 else planes[0])
    blobs, noise, start = _first_look(planes, luminance, valid, saturated, star_shape)
    if start is None:
        return untouched(picture, "Too few stars stand out to learn their shape; nothing was separated.")
    narrow = start.fwhm < LEAST_FWHM
    if narrow and (judged is None or not len(judged)):
        return untouched(
            picture,
            f"The stars are only {start.fwhm:.1f} px wide; below {LEAST_FWHM:g} px their shape cannot be told, so nothing was separated. "
            "Stack on a finer grid.",
        )
    clipped = blobs.mask
    blobs, broad, fitted = _fit_stars(luminance, valid, noise, blobs, start, judged, remove_places)
    good = valid & ~blobs.mask
    channels = _fit_channels(planes, luminance, good, noise, fitted)
    if fitted.ghosts is not None and sum(channel.reflects for channel in channels) <= len(channels) / 2:
        # a reflection shows in every colour; what one channel alone shows is ground
        fitted = fit_field(luminance, good, noise, blobs, start, reflections=False)
        channels = _fit_channels(planes, luminance, good, noise, fitted)
    choice = choose_stars(luminance, good, noise, fitted, channels, keep_knots=keep_knots)
    if judged is not None:
        choice = follow(choice, fitted, judged)
    choice = spare(choice, fitted, clipped & ~blobs.mask)
    choice, discs = obey(choice, fitted, keep_places, remove_places)
    starless, mask, weight = _subtract(planes, valid, blobs, fitted, channels, choice, discs, grow)
    starless, stars = _summing_exactly(picture.reshape(*valid.shape, -1), starless)
    checks = _checks(starless, weight, valid, noise, fitted, channels, choice)
    shape = picture.shape
    return Split(
        starless.reshape(shape),
        stars.reshape(shape),
        mask & valid,
        _catalogue(fitted, channels, choice, broad),
        checks,
        ((NARROW.format(start.fwhm, LEAST_FWHM),) if narrow else ()) + _words(checks, broad),
    )


def _places(name: str, places: Sequence[Sequence[float]], shape: tuple[int, ...]) -> Array:
    array = np.asarray(places, float)
    if array.size == 0:
        return np.zeros((0, 2))
    if array.ndim != 2 or array.shape[1] != 2 or not np.isfinite(array).all():
        raise ArgumentError(f"`{name}` must be a list of places [x, y] in px, got {places!r}.")
    for x, y in array:
        if not (-0.5 <= x < shape[1] - 0.5 and -0.5 <= y < shape[0] - 0.5):
            raise ArgumentError(f"`{name}` names the place [{x:g}, {y:g}], outside the picture of {shape[1]} x {shape[0]} px.")
    return array


def _planes(picture: LinearImage) -> tuple[Array, Mask]:
    """(C, H, W) finite planes, and where every channel has data."""
    cube = picture[..., None] if picture.ndim == 2 else picture
    planes = np.empty((cube.shape[2], *cube.shape[:2]), np.float32)
    seen = np.empty(planes.shape, bool)

    def fill(c: int) -> None:
        planes[c], seen[c] = nan_filled(np.ascontiguousarray(cube[..., c]))

    each(fill, range(len(planes)))
    valid = np.asarray(seen.all(0))
    if not valid.any():
        raise InputError("`image` holds no data: no pixel is known in all of its channels.")
    return planes, valid


def _first_look(
    planes: Array, luminance: Plane, valid: Mask, saturated: Array | None, star_shape: StarShape | None
) -> tuple[Blobs, Noise, Field | None]:
    """What clipped, the noise of Y, and the star image to begin with; None when too few stars tell it."""
    rough = np.array(each(lambda plane: sky_noise(plane, valid), list(planes)))
    clipped = clipped_mask(planes, rough, saturated) & valid
    blobs = find_blobs(clipped)
    good = valid & ~blobs.mask
    noise = measure_noise(luminance, good)
    fits = first_fits(luminance, good, noise, clipped)
    if looks_stretched(fits):
        raise InputError(
            "`image` is not linear: its bright stars are wider than its faint ones. It was stretched already, or made as a median or with "
            "strict rejection of frames of unlike seeing. Give the stack as it was before any stretch, a mean that keeps the stars' cores.",
            code="stretched",
        )
    return blobs, noise, first_field(luminance.shape[0], luminance.shape[1], fits, star_shape)


def _fit_stars(
    plane: Plane, valid: Mask, noise: Noise, blobs: Blobs, start: Field, judged: Array | None, known: Array
) -> tuple[Blobs, Array, Fitted]:
    """The clipped stars, places (n, 2) of clipped light that is none, and the fit of all stars; ``known`` (n, 2): places of stars.

    What falls off more slowly than a bare star image may be a star so bright that its halo is seen. The halo is learnt without it first:
    a galaxy's core would take itself for one.
    """
    sure, _ = part_broad(blobs, plane, valid, start.fwhm, partial(profile_at, start.image.profile), judged, known)
    fitted = fit_field(plane, valid & ~sure.mask, noise, sure, start)
    star = with_halo(fitted.field.image, fitted.haloes)
    stars, broad = part_broad(blobs, plane, valid, fitted.field.fwhm, partial(profile_at, star.profile), judged, known, hills=sure.mask)
    if (stars.mask != sure.mask).any():
        fitted = fit_field(plane, valid & ~stars.mask, noise, stars, start)
    return stars, broad, fitted


def _fit_channels(planes: Array, luminance: Plane, good: Mask, noise: Noise, fitted: Fitted) -> list[Channel]:
    if len(planes) == 1:
        sources, light = fitted.sources, (fitted.halo, fitted.streaks, fitted.haloes, fitted.settled)
        return [Channel(sources.geo, sources.peak, fitted.fit, fitted.error, *light, noise, fitted.ghosts is not None)]
    return each(lambda plane: fit_channel(plane, luminance, good, measure_noise(plane, good), fitted), list(planes))


def _subtract(
    planes: Array, valid: Mask, blobs: Blobs, fitted: Fitted, channels: list[Channel], choice: Choice, discs: Array, grow: float
) -> tuple[Array, Mask, Plane]:
    """Starless planes (C, H, W), the mask, and the weight of fill in the middle channel."""
    opaque = _opaque(_clipped_stars(blobs.mask, fitted, choice), discs, grow)
    cores = _bright_cores(opaque, fitted, channels, choice)
    draws, fwhm = noise_draws(), fitted.field.fwhm
    middle = len(planes) // 2
    misfit, clipped_misfit = grow * _misfit(planes[middle], channels[middle], fitted, choice), grow * CLIPPED_MISFIT
    unsure_stars = choice.star & (fitted.sources.clipped | beyond_edge(fitted.sources, valid.shape))
    starless, touched = np.empty_like(planes), np.empty(planes.shape, bool)

    for c in range(len(planes)):  # one after the other: a dozen planes are at work on each
        plane, channel = planes[c], spare_kept(channels[c], choice.star, fitted.field)
        star = draw_channel(channel, choice.star, fitted.field)
        residual = plane - star - channel.halo
        light = by_bands(lambda band: cv2.medianBlur(band, 5), residual, 2)
        unsure = draw_channel(channel, unsure_stars, fitted.field) * np.float32(max(clipped_misfit - misfit, 0.0))
        unsure += star * np.float32(misfit)
        hidden = opaque | dark_rims(residual, star + channel.halo, unsure, channel.noise, opaque, cores)
        weight, blind = fill_weight(star, unsure, channel.halo, channel.streaks, light, channel.noise, hidden)
        del unsure, hidden
        starless[c] = mend(residual, weight, blind, channel.noise, draws, fwhm, valid)
        seen = np.float32(MASK_SIGMA / grow * channel.noise.sigma), np.float32(UNTOUCHED_SIGMA * channel.noise.sigma)
        over_rows(partial(_mark, seen=seen), starless[c], plane, star, channel.halo, weight, touched[c])
        if c == middle:
            fill = weight
    if len(planes) == 3:
        _even_tint(starless, planes, valid, fitted, channels, choice)
    return starless, opaque | touched.any(0), fill


def _even_tint(starless: Array, planes: Array, valid: Mask, fitted: Fitted, channels: list[Channel], choice: Choice) -> None:
    """The ground under the clipped stars that were taken away, in the colour of what lies round it, in place."""
    sources = fitted.sources
    clipped = choice.star & (sources.blob > 0)
    if not clipped.any():
        return
    weights = np.array(Y_WEIGHTS, np.float32)
    taken = np.asarray(np.tensordot(weights, planes - starless, 1), np.float32)
    noise = float(np.hypot.reduce(weights * [channel.noise.sigma for channel in channels]))
    even_tint(starless, taken, valid, noise, sources.geo[clipped], sources.peak[clipped], sources.blob[clipped], fitted.field.fwhm)


@njit(cache=True, nogil=True)
def _mark(starless, plane, star, halo, weight, touched, first, last, seen):  # type: ignore[no-untyped-def]
    """Mark star light that is seen; where there is as good as none the pixel stays as it was."""
    clear, faint = seen
    for j in range(first, last):
        for i in range(plane.shape[1]):
            light = star[j, i] + halo[j, i]
            touched[j, i] = light > clear
            if weight[j, i] <= 0 and abs(light) < faint:
                starless[j, i] = plane[j, i]


def _clipped_stars(blob_mask: Mask, fitted: Fitted, choice: Choice) -> Mask:
    """Clipped pixels to be mended: a clipped core that the imager keeps is what it is."""
    kept = fitted.sources.clipped & ~choice.star
    if not kept.any():
        return blob_mask
    return blob_mask & ~parts_at(blob_mask, *fitted.sources.geo[kept, :2].T)


def _bright_cores(opaque: Mask, fitted: Fitted, channels: list[Channel], choice: Choice) -> Mask:
    """What is opaque, and discs of half a FWHM at stars that are bright in any channel."""
    cores = opaque.astype(np.uint8)
    bright = choice.star & np.any([channel.peak > MISFIT_STRENGTH * channel.noise.sigma for channel in channels], 0)
    for x, y in fitted.sources.geo[bright, :2]:
        cv2.circle(cores, (round(x), round(y)), max(round(0.5 * fitted.field.fwhm), 1), 1, -1)
    return cores.astype(bool)


def _opaque(blob_mask: Mask, discs: Array, grow: float) -> Mask:
    side = 2 * max(round(2 * grow), 1) + 1
    opaque = cv2.dilate(blob_mask.astype(np.uint8), cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)))
    for x, y, radius in discs:
        cv2.circle(opaque, (round(x), round(y)), round(radius * grow), 1, -1)
    return opaque.astype(bool)


def _misfit(plane: Plane, channel: Channel, fitted: Fitted, choice: Choice) -> float:
    """Share of a star's light that the star image misses, from the cores of bright stars; twice the median, for safety."""
    channel = spare_kept(channel, choice.star, fitted.field)
    left = plane - draw_channel(channel, choice.star, fitted.field) - channel.halo
    bright = choice.star & ~fitted.sources.clipped & (channel.peak > MISFIT_STRENGTH * channel.noise.sigma)
    height, width = left.shape
    shares = []
    for s in np.nonzero(bright)[0][:MOST_JUDGED]:
        x, y = round(fitted.sources.x[s]), round(fitted.sources.y[s])
        if 3 < x < width - 4 and 3 < y < height - 4:
            shares.append(float(np.std(left[y - 3 : y + 4, x - 3 : x + 4])) / channel.peak[s])
    return 2 * float(np.clip(np.median(shares), MISFIT_LOW, MISFIT_HIGH)) if len(shares) > 5 else MISFIT_HIGH


def _summing_exactly(picture: Array, starless: Array) -> tuple[Array, Array]:
    """Starless (given as planes) and stars, both like the picture and on one grid of numbers, so that their sum gives the picture back."""
    parts = np.empty(picture.shape, np.float32), np.empty(picture.shape, np.float32)
    over_bands(lambda top, bottom: _sum_exactly(picture, starless, *parts, top, bottom), len(picture))
    return parts


@njit(cache=True, nogil=True)
def _sum_exactly(picture, starless, first, second, top, bottom):  # type: ignore[no-untyped-def]
    _, width, channels = picture.shape
    for j in range(top, bottom):
        for i in range(width):
            for c in range(channels):
                whole, part = np.float64(picture[j, i, c]), np.float64(starless[c, j, i])
                if not np.isfinite(whole):
                    first[j, i, c] = np.nan
                    second[j, i, c] = np.nan
                    continue
                largest = max(abs(whole), abs(part), abs(whole - part), 1e-30)
                step = 2.0 ** (np.floor(np.log2(largest)) - 22)
                if part != whole:
                    part = np.float64(np.float32(np.round(part / step) * step))
                first[j, i, c] = part
                second[j, i, c] = whole - part


def untouched(picture: LinearImage, word: str) -> Split:
    """A picture, (H, W, 3) or (H, W) float32, of which nothing was separated, for the reason that ``word`` says."""
    height, width = picture.shape[:2]
    stars = np.where(np.isfinite(picture), np.float32(0), np.float32(np.nan)).astype(np.float32)
    rows = np.zeros(0, _row_type(1 if picture.ndim == 2 else 3))
    return Split(picture.copy(), stars, np.zeros((height, width), bool), rows, {"separated": 0.0}, (word,))


def _row_type(channels: int) -> np.dtype:
    light = ("f4", (channels,))
    return np.dtype([
        ("x", "f4"), ("y", "f4"), ("flux", *light), ("peak", *light), ("fwhm", "f4"), ("saturated", "?"), ("kept", "U8"),
    ])  # fmt: skip


def _catalogue(fitted: Fitted, channels: list[Channel], choice: Choice, broad: Array) -> Array:
    """One row per source, then those of clipped light that is no star (``broad``): no star image tells how much of it there is."""
    rows = np.zeros(len(fitted.sources), _row_type(len(channels)))
    rows["x"], rows["y"] = fitted.sources.x, fitted.sources.y
    rows["peak"] = np.stack([c.peak for c in channels], 1)
    rows["flux"] = rows["peak"] * np.stack([star_light(fitted.field.image, c.geo) for c in channels], 1)
    rows["fwhm"] = _widths(fitted)
    rows["saturated"], rows["kept"] = fitted.sources.clipped, choice.reason
    cores = np.full(len(broad), np.nan, _row_type(len(channels)))
    cores["x"], cores["y"] = broad.T
    cores["saturated"], cores["kept"] = True, "broad"
    return np.concatenate([rows, cores])


def _checks(
    starless: Array, weight: Plane, valid: Mask, noise: Noise, fitted: Fitted, channels: list[Channel], choice: Choice
) -> dict[str, float]:
    """The result judged by itself, in Y; rims round bright stars in every channel and in colour."""
    plane = nan_filled(np.ascontiguousarray(working_luminance(starless) if starless.shape[2] == 3 else starless[..., 0]))[0]
    sigma = noise.map(cv2.medianBlur(plane, 5))
    x, y, places, fwhm = fitted.sources.x, fitted.sources.y, fitted.sources.geo[:, :2], fitted.field.fwhm
    strong = choice.star & (choice.strength > STRONG)
    bright = np.nonzero(choice.star & (fitted.sources.peak > SIDE_STRENGTH * noise.sigma))[0]
    bright = bright[np.argsort(-fitted.sources.peak[bright], kind="stable")]
    looks: list[Callable[[], Any]] = [
        lambda: compact_left(plane, sigma, fwhm, places[choice.star], places[~choice.star], valid),
        lambda: texture_ratio(plane, sigma, weight, valid),
        lambda: _rims(starless, fitted, channels, choice),
        lambda: rings_left(plane, sigma, x[strong], y[strong], fwhm),
        lambda: sides_left(plane, noise.sigma, x[bright], y[bright], fwhm, _kept_light(plane.shape, fitted, choice)),
    ]
    (at_stars, unknown), texture, rims, rings, (sides, ground) = each(lambda look: look(), looks)
    stars = int(choice.star.sum())
    known = np.isfinite(rings)
    return {
        "separated": 1.0,
        "fwhm": fitted.field.fwhm,
        "sources": float(len(choice.star)),
        "stars": float(stars),
        "saturated": float(fitted.sources.clipped.sum()),
        "knots_kept": float(np.isin(choice.reason, ("broad", "misfit", "long", "colour")).sum()),
        "one_channel": float((_in_one_channel(fitted, channels) & (choice.reason != "")).sum()),
        "removed_share": 1 - (at_stars + unknown) / max(stars + unknown, 1),
        "ring_median": float(np.median(rings[known])) if known.any() else 0.0,
        "ring_share": float((np.abs(rings[known]) > 2).mean()) if known.any() else 0.0,
        "rim_worst": float(np.max(rims, initial=0.0)),
        "rim_share": float((rims > RIM_SEEN).mean()) if len(rims) else 0.0,
        "spike_lines": 0.0 if fitted.spikes is None else float(len(fitted.spikes.angle)),
        "reflections": float(fitted.ghosts is not None),
        "sides": sides,
        "sides_ground": ground,
        "texture_ratio": texture,
        "filled_share": float((weight[valid] > 0.5).mean()),
    }


def _in_one_channel(fitted: Fitted, channels: list[Channel]) -> Mask:
    """(n,) bool, sources narrower than stars that shine in one of three channels alone."""
    if len(channels) != 3:
        return np.zeros(len(fitted.sources), bool)
    peaks = np.sort(np.nan_to_num(np.stack([channel.peak for channel in channels], 1)), axis=1)
    return (peaks[:, -2] < ONE_CHANNEL * peaks[:, -1]) & (_widths(fitted) < NARROWER * fitted.field.fwhm)


def _widths(fitted: Fitted) -> Array:
    """(n,) px, FWHM of every source; the star image's where none could be fitted."""
    off = np.where(fitted.sources.clipped | (np.abs(fitted.fit[:, 3]) > 1.5), 0.0, fitted.fit[:, 3])
    return np.exp(fitted.sources.geo[:, 2] + off)


def _kept_light(shape: tuple[int, ...], fitted: Fitted, choice: Choice) -> Mask:
    """(H, W) bool, where sources that are no stars shine; not those that may be bits of an arm or of a reflection."""
    seen = np.zeros(shape, np.uint8)
    kept = np.isin(choice.reason, ("broad", "colour", "asked"))
    radius = KEPT_REACH * np.exp(fitted.sources.geo[:, 2] + np.clip(fitted.fit[:, 3], 0, MOST_WIDER))
    for x, y, r in zip(fitted.sources.x[kept], fitted.sources.y[kept], radius[kept], strict=True):
        cv2.circle(seen, (round(x), round(y)), round(r), 1, -1)
    return seen.astype(bool)


def _rims(starless: Array, fitted: Fitted, channels: list[Channel], choice: Choice) -> Array:
    """(n,) bumps round the brightest stars on quiet ground, in units of the noise."""
    sigma = np.array([channel.noise.sigma for channel in channels])
    peak = np.max([channel.peak / channel.noise.sigma for channel in channels], 0)
    bright = np.nonzero(choice.star & (peak > RIM_STRENGTH))[0]
    bright = bright[np.argsort(-peak[bright], kind="stable")]
    finite = np.nan_to_num(starless)
    rims = rims_left(finite, sigma, fitted.sources.x[bright], fitted.sources.y[bright], fitted.field.fwhm)
    return rims[np.isfinite(rims)]


def _words(checks: dict[str, float], broad: Sequence[Sequence[float]] | Array = ()) -> tuple[str, ...]:
    words = []
    if len(broad):
        places = ", ".join(f"[{x:.0f}, {y:.0f}]" for x, y in broad[:MOST_NAMED]) + (" and more" if len(broad) > MOST_NAMED else "")
        words.append(
            f"Clipped light at {places} is no star's by its course and stays, as a galaxy's core; name it in split.remove if it is one."
        )
    if checks["removed_share"] < 0.95:
        words.append(f"{1 - checks['removed_share']:.0%} of the compact light is still in the starless picture.")
    if checks.get("one_channel", 0) >= MANY_IN_ONE:
        words.append(
            f"{checks['one_channel']:.0f} spots shine in one channel alone and stay: hot pixels at the same place in all frames, "
            "unless a narrow filter was used. Take them out of the single frames when calibrating, and move the field between exposures."
        )
    if checks["ring_share"] > 0.15:
        words.append(
            f"{checks['ring_share']:.0%} of the brighter stars left a visible ring; the star image may vary more than it can follow."
        )
    if checks["rim_share"] > 0.15:
        words.append(
            f"{checks['rim_share']:.0%} of the brightest stars left a faint rim round them; its height is up to "
            f"{checks['rim_worst']:.1f} times the noise."
        )
    if checks["sides"] > max(SIDES_SEEN, 2 * checks["sides_ground"]):
        words.append(
            f"The brightest stars left streaks or patches of light beside them, usually {checks['sides']:.1f} times the noise: spikes or "
            "reflections that do not go with the others, or neighbours in a crowd."
        )
    return tuple(words)
