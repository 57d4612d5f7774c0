"""The layers: stars apart from the rest, then detail, colour, the curve and a second filter's light, all from the starless parts."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from layerblend.errors import InputError
from layerblend.kinds import Curve, LinearImage, LinearRGB, Mask, Plane, Stack, StarShape, working_luminance
from layerblend.maths.clipped import clipped_round
from layerblend.maths.noise import luminance_error
from layerblend.maths.robust import MAD_TO_SIGMA
from layerblend.steps.blend import star_layer
from layerblend.steps.colour import ColourGates, apply_colour_gates, colour_gates, limit_green
from layerblend.steps.cores import repair_cores
from layerblend.steps.curve import fit_curve
from layerblend.steps.detail import Gates, apply_gates, deconvolve_and_keep
from layerblend.steps.flatten import Flattened
from layerblend.steps.psf import measure_psf
from layerblend.steps.split import LEAST_FWHM, Split, split_stars, untouched

from .stacks import saturated_map, stretch_suspected

KEPT_REACH_FWHM = 5.0  # of a clipped core that stays, what its wings give up when they are sharpened is 2 % of a galaxy's light 10 FWHM off


def star_shape(linear: LinearRGB, stack: Stack) -> StarShape:
    """The star image of a stack over the field, measured on its luminance."""
    with stretch_suspected(stack):
        return measure_psf(working_luminance(linear), saturated=saturated_map(stack))


def split_picture(linear: LinearRGB, stack: Stack, shape: StarShape, judge: Split | None = None, **settings: Any) -> Split:
    """Stars apart from everything else; what is a star is told by the ``judge``, the split of the deepest stack, where it is given."""
    if judge is not None and not judge.checks["separated"]:
        return untouched(linear, "Nothing was separated, as in the stack that decides for all: its stars would be shown twice.")
    judged, saturated = None if judge is None else judge.catalogue, saturated_map(stack)
    try:
        split = split_stars(linear, star_shape=shape, saturated=saturated, judged=judged, **settings)
    except InputError as error:
        if error.code != "stretched" or not stack.files:
            raise
        raise InputError(str(error).replace("`image`", Path(stack.files[0]).name), file=stack.files[0], code=error.code) from None
    return _with_kept_cores(split, saturated)


def _with_kept_cores(split: Split, saturated: Plane | None) -> Split:
    """Clipped light that stays in the starless picture, a galaxy's core, in the colour of what lies round it: its own is false.

    It counts as masked from here on with its wings: sharpened, the edge of a clip rings, and light that the wings give up for a core that
    cannot take it would go to the surroundings.
    """
    kept = split.catalogue[split.catalogue["saturated"] & (split.catalogue["kept"] != "")]
    if saturated is None or not len(kept):
        return split
    whole = clipped_round(np.nan_to_num(saturated) > 0, kept["x"], kept["y"])
    away = cv2.distanceTransform((~whole).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5)
    mask = split.mask | (away <= KEPT_REACH_FWHM * split.checks["fwhm"])
    return replace(split, starless=repair_cores(split.starless, saturated=whole), mask=mask)


def half_difference(half_a: LinearImage | None, half_b: LinearImage | None) -> LinearImage | None:
    """(A - B)/2: noise of the mean and nothing else."""
    return None if half_a is None or half_b is None else np.asarray((half_a - half_b) * np.float32(0.5), np.float32)


def luminance_of(image: LinearImage | None) -> Plane | None:
    """Y of a picture that may be missing."""
    return None if image is None else working_luminance(image)


@dataclass(frozen=True)
class DetailLayer:
    """The deconvolved luminance and the frozen operator that made it.

    ``half_light``: half the difference of the half-sets through the same operator, noise and nothing else. ``resolved`` False: stars are
    too narrow to be separated.
    """

    light: Plane
    gates: Gates
    half_light: Plane | None
    resolved: bool = True


def detail_layer(
    split: Split,
    shape: StarShape,
    colour_shape: StarShape,
    sigma: LinearRGB,
    half_a: LinearRGB | None,
    half_b: LinearRGB | None,
    *,
    deconvolve: float,
    grain: float,
) -> DetailLayer:
    """Deconvolve the starless luminance of the detail stack, as far as the colour stack's would be: it keeps its lead in sharpness."""
    light = working_luminance(split.starless)
    half = luminance_of(half_difference(half_a, half_b))
    # where the stars stayed in, sharpening or calming the picture would dig dark rings around every one of them
    resolved = shape.centre.fwhm >= LEAST_FWHM
    if not resolved or (deconvolve == 0 and grain == 1):
        return DetailLayer(light, Gates((), 1.0, ()), half, resolved)
    light, gates = deconvolve_and_keep(
        light,
        shape,
        sigma=luminance_error(sigma),
        half_difference=half,
        strength=deconvolve,
        grain=grain,
        stars=split.mask,
        reference_fwhm=colour_shape.centre.fwhm,
    )
    return DetailLayer(light, gates, None if half is None else apply_gates(gates, half))


@dataclass(frozen=True)
class ColourLayer:
    """The starless colour and the operators that made it: frozen gates (None where nothing was denoised), and whether green was held
    down after them."""

    image: LinearRGB
    gates: ColourGates | None
    green_ceiling: bool = False


def colour_layer(
    split: Split,
    sigma: LinearRGB,
    half_a: LinearRGB | None,
    half_b: LinearRGB | None,
    guide_split: Split,
    guide_sigma: LinearRGB,
    guide_a: LinearRGB | None,
    guide_b: LinearRGB | None,
    *,
    denoise: float,
    green_ceiling: bool,
) -> ColourLayer:
    """Denoise the starless colour, guided by the luminance of the detail stack."""
    image, gates = split.starless, None
    if denoise > 0:
        guide = working_luminance(guide_split.starless)
        gates = colour_gates(
            image,
            guide,
            sigma=sigma,
            half_difference=half_difference(half_a, half_b),
            strength=denoise,
            guide_sigma=luminance_error(guide_sigma),
            guide_half_difference=luminance_of(half_difference(guide_a, guide_b)),
            starless=bool(split.mask.any()),
        )
        image = apply_colour_gates(gates, image, guide)
    return ColourLayer(limit_green(image) if green_ceiling else image, gates, green_ceiling)


def target_mask(sky: Flattened, shape: tuple[int, ...]) -> Mask | None:
    """Where the galaxies that flattening found are; None when it found none."""
    inside = [ellipse.mask(*shape[:2]) for ellipse in sky.targets]
    return np.logical_or.reduce(inside) if inside else None


def display_curve(
    split: Split,
    sigma: LinearRGB,
    half_a: LinearRGB | None,
    half_b: LinearRGB | None,
    sky_model: Flattened,
    *,
    sky: float,
    bright: float,
    black: float,
) -> Curve:
    """The one curve of the result, from the colour role's starless stack and its half-set noise."""
    half = luminance_of(half_difference(half_a, half_b))
    plane = luminance_error(sigma)
    noise = float(np.nanmedian(plane))
    if half is not None:
        # The half-sets know the noise that neighbouring channels share; the error map only says how it varies over the picture.
        noise *= MAD_TO_SIGMA * float(np.nanmedian(np.abs(half / plane)))
    target = target_mask(sky_model, split.starless.shape)
    return fit_curve(split.starless, sigma=noise, sky=sky, bright=bright, black=black, target=target)


@dataclass(frozen=True)
class AddedLight:
    """A second filter's starless light as a display plane whose sky is 0, and the frozen operator that calmed it."""

    plane: Plane
    gates: Gates


def added_layer(
    split: Split, shape: StarShape, sigma: LinearRGB, half_a: LinearRGB | None, half_b: LinearRGB | None, curve: Curve
) -> AddedLight:
    """A second filter's light without stars and without its noise, which would veil the sky of the other's."""
    light, gates = deconvolve_and_keep(
        working_luminance(split.starless),
        shape,
        sigma=luminance_error(sigma),
        half_difference=luminance_of(half_difference(half_a, half_b)),
        strength=0.0,
        grain=0.0,
    )
    return AddedLight(over_sky(light, curve), gates)


def over_sky(light: Plane, curve: Curve) -> Plane:
    """Light as the layer that lifts a sky to it by screen; nothing where there is no data."""
    plane = star_layer(light, np.zeros_like(light), curve)
    return np.where(np.isfinite(light), np.maximum(plane, 0), np.float32(0))
