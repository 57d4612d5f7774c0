"""Measures of one result, each with what its error bar is made of.

Every measure is a mean of something over units (stars, tiles of sky, Fourier rings), so its error follows from how the units scatter.
Two results are measured on the same units - the same stars, the same tiles, the same window - and compared by the differences there.
Nothing is judged by one number alone: see `layerblend.evidence.verdict` for the pairs of measures that unmask each other.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial

import cv2
import numpy as np

from layerblend.evidence.catalogue import AS_SHOWN, BANDS, SINGLE, band_name
from layerblend.evidence.correlation import (
    NOISE_MAP_BLUR_PX,
    NOTHING_SHARED,
    HalfSpectra,
    SharedNoise,
    band_contrast,
    band_snr,
    fill_masked,
    half_spectra,
    shared_noise,
)
from layerblend.evidence.estimates import (
    AnyEstimate,
    BandEstimate,
    CannotMeasureError,
    Estimate,
    joined_estimate,
    mean_estimate,
    power_estimate,
    ratio_estimate,
    scatter_estimate,
    spread_estimate,
    trimmed_estimate,
)
from layerblend.evidence.ground import (
    BLUR_MARGIN_PX,
    CLIPPED,
    COLOUR_BLUR_PX,
    MIN_STARS,
    UNCLIPPED,
    Ground,
    Subject,
    as_rgb,
    bounds,
    box_around,
    common_ground,
    lab,
    lightness,
    shape_plane,
)
from layerblend.evidence.local_colour import local_colour
from layerblend.evidence.starfit import fit_mean_star
from layerblend.kinds import Array, Curve, DisplayRGB, Mask, Plane, working_luminance
from layerblend.maths.curve import stretch, unstretch
from layerblend.maths.perceptual import decode_srgb, delta_e_2000, linear_to_oklab
from layerblend.maths.robust import MAD_TO_SIGMA

__all__ = ["Subject", "common_ground", "measure"]

SKY_TILE_PX = 64
GRADIENT_TILE_PX = 128
MIN_TILE_SHARE = 0.25
MIN_TILES = 8
MOTTLE_BLUR_PX = 6.0
COLOUR_TILE_PX = 32
APERTURE_PX = 10.0
CORE_RADIUS_PX = 3.0
CORE_STARS = 100
CORE_CLIP = 0.995
CRUSHED = 0.001
SINGLE_LAG_PX = 4
MOST_TINT = 4.0
MOST_COVERED = 0.75  # of the window: where stars cover more, what is filled in and the rims of stars outweigh the detail


def _need(count: int, least: int, what: str) -> None:
    if count < least:
        raise CannotMeasureError(f"only {count} {what}, at least {least} are needed")


def tile_index(mask: Mask, tile_px: int, *, least: float = MIN_TILE_SHARE) -> tuple[Array, int]:
    """Number of each pixel's tile, -1 outside the mask and in tiles of which less than ``least`` is masked in; and the count."""
    height, width = mask.shape
    columns = -(-width // tile_px)
    number = (np.arange(height)[:, None] // tile_px) * columns + np.arange(width)[None, :] // tile_px
    share = np.bincount(number[mask], minlength=int(number.max()) + 1)
    kept = share >= least * tile_px * tile_px
    renumber = np.where(kept, np.cumsum(kept) - 1, -1)
    return np.where(mask, renumber[number], -1), int(kept.sum())


def _enough_tiles(mask: Mask, tile_px: int, least: float) -> tuple[Array, int]:
    """Tiles of the size asked for, or of half that where the picture or the target is small."""
    tiles, count = tile_index(mask, tile_px, least=least)
    return (tiles, count) if count >= MIN_TILES else tile_index(mask, tile_px // 2, least=least)


# ---------------------------------------------------------------- groups of measures
def star_shapes(subject: Subject, ground: Ground) -> dict[str, Estimate]:
    """FWHM of the long axis and eccentricity of the mean unclipped star."""
    _need(len(ground.shape_stars), MIN_STARS, "isolated stars clipped in neither picture")
    star = fit_mean_star(shape_plane(subject, ground), ground.stars[ground.shape_stars], fwhm=ground.fwhm)
    suffix = "" if ground.linear else AS_SHOWN
    return {
        f"star fwhm_major{suffix}": Estimate(star.fwhm_major, star.influence_fwhm_major),
        f"star eccentricity{suffix}": Estimate(star.eccentricity, star.influence_eccentricity),
    }


def star_flux(subject: Subject, ground: Ground) -> dict[str, Estimate]:
    """Aperture flux of the linearised picture over that of the stack."""
    if not ground.linear:
        raise CannotMeasureError("a picture without its recorded stretch has no linear light")
    reference = subject.reference if subject.reference is not None else ground.reference
    if reference is None:
        raise CannotMeasureError("no stack was given whose star fluxes count as right")
    _need(len(ground.shape_stars), MIN_STARS, "isolated stars clipped in neither picture")
    assert subject.linear is not None
    stars = ground.stars[ground.shape_stars]
    radius = max(APERTURE_PX, 2.5 * ground.fwhm)
    true = aperture_flux(working_luminance(reference), stars, radius)
    seen = aperture_flux(working_luminance(subject.linear), stars, radius)
    # A star drowned in noise in one stack stays in the list (both results need the same units); the trimmed mean drops its ratio.
    return {"star flux ratio": trimmed_estimate(seen / np.maximum(true, 1e-3 * np.median(np.abs(true))))}


def aperture_flux(plane: Plane, stars: Array, radius: float) -> Array:
    """(n,) float64: flux within ``radius`` px over the median of a ring 1.4 to 2 radii wide; edge pixels count in part."""
    out = np.empty(len(stars))
    reach = int(np.ceil(2 * radius)) + 1
    for i, star in enumerate(stars):
        box = box_around(star, reach, plane.shape)
        yy, xx = np.mgrid[box]
        r = np.hypot(xx - star[0], yy - star[1])
        values = plane[box].astype(float)
        ring = values[(r > 1.4 * radius) & (r < 2 * radius)]
        weight = np.clip(radius + 0.5 - r, 0, 1)
        out[i] = np.nansum(weight * (values - np.nanmedian(ring)))
    return out


def core_clipping(subject: Subject, ground: Ground) -> dict[str, Estimate]:
    """Share of clipped pixels in the cores of the brightest stars."""
    stars = ground.stars[:CORE_STARS]
    _need(len(stars), MIN_STARS, "stars")
    share = np.empty(len(stars))
    for i, star in enumerate(stars):
        box = box_around(star, CORE_RADIUS_PX, subject.picture.shape)
        yy, xx = np.mgrid[box]
        core = np.hypot(xx - star[0], yy - star[1]) < CORE_RADIUS_PX
        top = as_rgb(subject.picture[box]).max(2)
        share[i] = 100 * np.mean(top[core] >= CORE_CLIP)
    one_pixel = 100 / (len(stars) * np.pi * CORE_RADIUS_PX**2)  # nothing clipped in n pixels still leaves a chance of about 1/n
    return {"core clipping": replace(mean_estimate(share), extra=one_pixel**2)}


def ringing(subject: Subject, ground: Ground) -> dict[str, Estimate]:
    """Darkest ring around bright isolated stars, against the sky farther out."""
    chosen = ground.isolated[:60]
    if ground.target is not None and len(chosen):
        x, y = ground.stars[chosen, 0].round().astype(int), ground.stars[chosen, 1].round().astype(int)
        off = ~ground.target[y, x]
        chosen = chosen[off] if off.sum() >= MIN_STARS else chosen
    _need(len(chosen), MIN_STARS, "bright isolated stars")
    profiles = np.stack([_ring_profile(subject.picture, ground.stars[i], ground.fwhm) for i in chosen])
    means = [trimmed_estimate(column) for column in profiles.T]
    darkest = min(means, key=lambda e: e.value)
    no_ring = darkest.value >= 0  # the wings stay above the sky everywhere
    return {"ringing": Estimate(0.0, np.zeros(len(chosen))) if no_ring else darkest}


def _ring_profile(picture: DisplayRGB, star: Array, fwhm: float) -> Array:
    """Mean lightness in rings 1 px wide from .75 to 3 FWHM, less the median of the ring from 3.5 to 5 FWHM."""
    box = box_around(star, 5 * fwhm, picture.shape)
    yy, xx = np.mgrid[box]
    r = np.hypot(xx - star[0], yy - star[1])
    values = lightness(picture[box]).astype(float)
    sky = np.median(values[(r >= 3.5 * fwhm) & (r < 5 * fwhm)])
    edges = np.arange(0.75 * fwhm, 3 * fwhm, 1.0)
    return np.array([values[(r >= e) & (r < e + 1)].mean() - sky for e in edges])


def sky_noise(subject: Subject, ground: Ground, light: SharedNoise | None = None) -> dict[str, Estimate]:
    """Lightness and chroma noise of the sky, at the pixel and at the scale of blotches; ``light``: `noise_in_common` if known already."""
    tiles, count = tile_index(ground.sky, SKY_TILE_PX)
    _need(count, MIN_TILES, "tiles of blank sky")
    if ground.from_halves:
        light = noise_in_common(subject, ground) if light is None else light
        pixel, broad = _noise_by_halves(subject, ground, light, tiles, count)
    else:
        pixel, broad = _noise_alone(subject, ground, tiles, count)
    suffix = "" if ground.from_halves else SINGLE
    found = {f"sky lightness noise{suffix}": pixel[0], f"sky lightness mottle{suffix}": broad[0]}
    if not ground.mono:
        found |= {f"sky chroma noise{suffix}": joined_estimate(*pixel[1:]), f"sky chroma mottle{suffix}": joined_estimate(*broad[1:])}
    return found


def _noise_by_halves(
    subject: Subject, ground: Ground, light: SharedNoise, tiles: Array, count: int
) -> tuple[list[Estimate], list[Estimate]]:
    """Scatter of half the difference, at the pixel and blurred; what both halves show alike on bare sky counts at the pixel.

    Of lightness that is what the ``light`` without stars shares: their wings are in both halves of the picture.
    """
    assert subject.half_a is not None and subject.half_b is not None
    first, second = lab(subject.half_a), lab(subject.half_b)
    channels = range(1 if ground.mono else 3)
    shared = [light, *(shared_noise(first[..., c], second[..., c], ground.sky) for c in channels[1:])]
    first -= second
    first *= np.float32(0.5)
    smooth = _blotches(first)
    pixel = [_grown(power_estimate(*_inside_tiles(first[..., c], tiles), count), shared[c]) for c in channels]
    return pixel, [power_estimate(*_inside_tiles(smooth[..., c], tiles), count) for c in channels]


def _noise_alone(subject: Subject, ground: Ground, tiles: Array, count: int) -> tuple[list[Estimate], list[Estimate]]:
    """Scatter of differences along the rows of a single picture, in which faint stars count."""
    planes, channels = lab(subject.picture), range(1 if ground.mono else 3)
    smooth, far = _blotches(planes), int(4 * MOTTLE_BLUR_PX)
    pixel = [scatter_estimate(*_steps(planes[..., c], tiles, SINGLE_LAG_PX), count) for c in channels]
    return pixel, [scatter_estimate(*_steps(smooth[..., c], tiles, far), count) for c in channels]


def _blotches(planes: Array) -> Array:
    return cv2.GaussianBlur(planes, (0, 0), MOTTLE_BLUR_PX, borderType=cv2.BORDER_REFLECT)


def _inside_tiles(plane: Plane, tiles: Array) -> tuple[Array, Array]:
    return plane[tiles >= 0], tiles[tiles >= 0]


def _steps(plane: Plane, tiles: Array, lag: int) -> tuple[Array, Array]:
    """Differences ``lag`` px along the row within a tile, over sqrt 2, and their tiles."""
    pair = (tiles[:, lag:] >= 0) & (tiles[:, lag:] == tiles[:, :-lag])
    return (plane[:, lag:] - plane[:, :-lag])[pair] / np.sqrt(2), tiles[:, lag:][pair]


def _grown(apart: Estimate, shared: SharedNoise) -> Estimate:
    """The whole noise from what differs between the halves and the share that does not, where there is one beyond chance."""
    if not shared.stands_out():
        return apart
    factor = float(np.sqrt((1 + shared.overall) / (1 - shared.overall)))
    unsure = apart.value * factor * shared.overall_sd / (1 - shared.overall**2)
    return Estimate(factor * apart.value, factor * apart.influence, factor**2 * apart.extra + unsure**2)


def sky_level(subject: Subject, ground: Ground) -> dict[str, Estimate]:
    """Colour of the sky and what is left of the gradient in it."""
    tiles, count = _enough_tiles(ground.sky, GRADIENT_TILE_PX, MIN_TILE_SHARE)
    _need(count, MIN_TILES, "tiles of blank sky")
    inside = tiles >= 0
    values, numbers = lab(as_rgb(subject.picture)[inside][None])[0], tiles[inside]
    order = np.argsort(numbers, kind="stable")
    parts = np.split(values[order], np.cumsum(np.bincount(numbers, minlength=count))[:-1])
    medians = np.stack([np.median(part, 0) for part in parts]).astype(float)
    spread = [spread_estimate(medians[:, c]) for c in range(3)]
    if ground.mono:
        return {"left-over gradient lightness": spread[0]}
    return {
        "left-over gradient lightness": spread[0],
        "left-over gradient chroma": joined_estimate(spread[1], spread[2]),
        "sky a*": mean_estimate(medians[:, 1]),
        "sky b*": mean_estimate(medians[:, 2]),
    }


def limits(subject: Subject, ground: Ground) -> dict[str, Estimate]:
    """Share of the picture at white and at black."""
    tiles, count = tile_index(np.ones(ground.shape, bool), SKY_TILE_PX)
    _need(count, MIN_TILES, "tiles")
    inside = tiles >= 0
    picture = as_rgb(subject.picture)
    number = np.bincount(tiles[inside], minlength=count).astype(float)

    def share(hit: Mask) -> Estimate:
        found = np.bincount(tiles[inside], hit[inside], minlength=count)
        estimate = ratio_estimate(100 * found, number)
        return Estimate(float(100 * hit.mean()), estimate.influence, extra=(100 / hit.size) ** 2)

    return {"clipped": share(picture.max(2) >= CLIPPED), "crushed": share(picture.min(2) <= CRUSHED)}


def colour_truth(subject: Subject, ground: Ground) -> dict[str, Estimate]:
    """Hue, chroma and colour difference of the target against the colour source, at the source's lightness."""
    reference = subject.colour if subject.colour is not None else ground.colour
    if reference is None or ground.coloured is None:
        raise CannotMeasureError("no colour source was given")
    tiles, count = _enough_tiles(ground.coloured, COLOUR_TILE_PX, 0.1)
    if count < MIN_TILES:
        raise CannotMeasureError(ground.pale)
    box = bounds(tiles >= 0, BLUR_MARGIN_PX)
    tiles, pair = tiles[box], (reference[box], subject.picture[box])
    source, seen = (cv2.GaussianBlur(lab(p), (0, 0), COLOUR_BLUR_PX) for p in pair)
    seen[..., 1:] = seen[..., 1:] / subject.saturation
    chroma = np.hypot(source[..., 1], source[..., 2])
    inside = tiles >= 0
    number = tiles[inside]
    weight = chroma[inside].astype(float)
    turned = _hue_turn(*(cv2.GaussianBlur(as_rgb(p), (0, 0), COLOUR_BLUR_PX) for p in pair))
    level = seen[inside].copy()
    level[:, 0] = source[inside][:, 0]
    error = np.asarray(delta_e_2000(source[inside], level), float)

    def per_tile(values: Array) -> Array:
        return np.bincount(number, values, minlength=count)

    return {
        "hue shift": ratio_estimate(per_tile(weight * turned[inside]), per_tile(weight)),
        "chroma ratio": ratio_estimate(per_tile(np.hypot(seen[inside][:, 1], seen[inside][:, 2])), per_tile(weight)),
        "colour difference": ratio_estimate(per_tile(error), per_tile(np.ones_like(error))),
    }


def _hue_turn(source: DisplayRGB, seen: DisplayRGB) -> Array:
    """Signed turn of the Oklab hue, degrees."""
    first, second = (np.asarray(linear_to_oklab(decode_srgb(p)), float) for p in (source, seen))
    cross = first[..., 1] * second[..., 2] - first[..., 2] * second[..., 1]
    dot = first[..., 1] * second[..., 1] + first[..., 2] * second[..., 2]
    return np.degrees(np.arctan2(cross, dot))


# ---------------------------------------------------------------- detail, from spectra
@dataclass(frozen=True)
class Spectra:
    """Spectra of a result's half-sets in the common window, stars filled in each half by itself; None where the halves are missing.

    ``picture``: lightness of the finished picture; ``source``: luminance of the stack that the detail came from; ``shown_source``:
    lightness of that luminance in the result's own colours and stretch, what the picture would hold without processing; ``shared``:
    what the halves' noise has in common; ``hidden``: why there are none although the halves are there.
    """

    picture: HalfSpectra | None
    source: HalfSpectra | None
    shown_source: HalfSpectra | None
    shared: SharedNoise = NOTHING_SHARED
    hidden: str = ""


def all_spectra(subject: Subject, ground: Ground) -> Spectra:
    """The spectra that a result's halves allow; none where stars leave too little of the window."""
    picture = source = shown = None
    shared, box = noise_in_common(subject, ground), ground.window_box
    if ground.covered > MOST_COVERED:
        return Spectra(None, None, None, shared, f"stars cover {100 * ground.covered:.0f} % of the window that detail is judged in")
    if subject.half_a is not None and subject.half_b is not None:
        picture = _spectra(lightness(subject.half_a[box]), lightness(subject.half_b[box]), ground, shared)
    if subject.detail_halves is not None:
        first, second = subject.detail_halves
        source = _spectra(first[box], second[box], ground, shared)
        shown = shown_spectra(subject.detail_halves, subject, ground, shared)
    return Spectra(picture, source, shown, shared)


def noise_in_common(subject: Subject, ground: Ground) -> SharedNoise:
    """What the noise of the halves shares, by their light before any processing: of a calmed sky only what was kept is seen.

    Where the target's own light has noise, less of the noise is shared.
    """
    if (halves := subject.detail_halves) is not None:
        shared, half = shared_noise(*halves, ground.sky), (halves[0] - halves[1]) / 2
        sky = half[ground.sky & np.isfinite(half)]
        if not shared.odds.any() or not len(sky):
            return shared
        local = _local_power(half[ground.window_box], ~ground.star_mask[ground.window_box])
        base = (MAD_TO_SIGMA * float(np.median(np.abs(sky)))) ** 2
        return replace(shared, thin=np.minimum(base / np.maximum(local, 1e-30), 1).astype(np.float32))
    if subject.halves is None:
        return NOTHING_SHARED
    first, second = (lightness(half) for half in subject.halves)
    return shared_noise(first, second, ground.sky)


def _local_power(half: Plane, keep: Mask) -> Array:
    """Mean square of what is kept near every pixel."""
    weight = (keep & np.isfinite(half)).astype(np.float32)
    square = np.where(weight > 0, half, np.float32(0)).astype(float) ** 2
    sums, near = (cv2.GaussianBlur(p, (0, 0), NOISE_MAP_BLUR_PX, borderType=cv2.BORDER_REFLECT) for p in (square, weight.astype(float)))
    return np.asarray(sums / np.maximum(near, 1e-6))


def shown_spectra(halves: tuple[Plane, Plane], subject: Subject, ground: Ground, shared: SharedNoise) -> HalfSpectra | None:
    """Spectra of the lightness of linear luminance halves in the result's colours and stretch; None if the stretch is not known."""
    if subject.curve is None:
        return None
    curve, box = subject.curve, ground.window_box
    tint = np.ones((1, 1, 3), np.float32) if subject.colour is None else _tint(as_rgb(subject.colour[box]), curve)
    first, second = (lightness(stretch((half[box] + curve.p)[..., None] * tint - curve.p, curve)) for half in halves)
    return _spectra(first, second, ground, shared)


def _tint(colour: DisplayRGB, curve: Curve) -> Array:
    """(h, w, 3) light over luminance of the colour source, free of its pixel noise."""
    light = cv2.GaussianBlur(unstretch(np.minimum(colour, UNCLIPPED), curve) + np.float32(curve.p), (0, 0), COLOUR_BLUR_PX)
    return np.clip(light / np.maximum(working_luminance(light), 1e-3 * curve.p)[..., None], 0, MOST_TINT)


def detail_snr(subject: Subject, spectra: Spectra) -> dict[str, BandEstimate]:
    """SNR of the luminance source by band."""
    if spectra.hidden:
        raise CannotMeasureError(spectra.hidden)
    if spectra.source is None:
        raise CannotMeasureError(f"`{subject.name}` has no half-sets of its luminance source")
    return _by_band("detail SNR", spectra.source, contrast=False)


def picture_contrast(subject: Subject, spectra: Spectra) -> dict[str, BandEstimate]:
    """Contrast of the finished picture's lightness by band, noise taken out by the halves."""
    if spectra.hidden:
        raise CannotMeasureError(spectra.hidden)
    if spectra.picture is None:
        raise CannotMeasureError(f"`{subject.name}` has no half-set pictures, and in a single picture noise counts as contrast")
    return _by_band("contrast", spectra.picture, contrast=True)


def _spectra(half_a: Plane, half_b: Plane, ground: Ground, shared: SharedNoise) -> HalfSpectra:
    """Spectra of what lies in the window, stars filled."""
    mask = ground.star_mask[ground.window_box]
    return half_spectra(fill_masked(half_a, mask), fill_masked(half_b, mask), window=ground.window, shared=shared)


def _by_band(name: str, spectra: HalfSpectra, *, contrast: bool) -> dict[str, BandEstimate]:
    measure: Callable[..., float] = band_contrast if contrast else band_snr
    return {band_name(name, low, high): BandEstimate(measure(spectra, low, high), spectra, low, high, contrast) for low, high in BANDS}


GROUPS: tuple[Callable[[Subject, Ground], Mapping[str, AnyEstimate]], ...] = (
    star_shapes, star_flux, core_clipping, ringing, sky_noise, sky_level, limits, colour_truth, local_colour,
)  # fmt: skip
COLOUR_GROUPS = (colour_truth, local_colour)
BAND_GROUPS: tuple[Callable[[Subject, Spectra], Mapping[str, BandEstimate]], ...] = (detail_snr, picture_contrast)


def measure(subject: Subject, ground: Ground, spectra: Spectra | None = None) -> tuple[dict[str, AnyEstimate], dict[str, str]]:
    """Every measure that ``subject`` allows on this ground, and for each group that it does not, the reason."""
    spectra = spectra if spectra is not None else all_spectra(subject, ground)
    found: dict[str, AnyEstimate] = {}
    reasons: dict[str, str] = {}
    groups = [g for g in GROUPS if not (ground.mono and g in COLOUR_GROUPS)]
    work: dict[str, Callable[[], Mapping[str, AnyEstimate]]] = {g.__name__: partial(g, subject, ground) for g in groups}
    work["sky_noise"] = partial(sky_noise, subject, ground, spectra.shared)
    work |= {g.__name__: partial(g, subject, spectra) for g in BAND_GROUPS}
    for name, group in work.items():
        try:
            found.update(group())
        except CannotMeasureError as reason:
            reasons[name] = reason.text
    return found, reasons
