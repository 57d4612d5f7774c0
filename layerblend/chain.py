"""What each node of the graph does: thin lines from files and earlier results to the pure steps, in the order of the data."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from threading import Lock
from typing import Any, TypeVar, cast

import cv2
import numpy as np

from layerblend.errors import FEW_STARS, InputError
from layerblend.files.frames import read_image
from layerblend.files.pictures import read_linear
from layerblend.files.stacks import is_own_stack, open_stack
from layerblend.kinds import (
    Array,
    Curve,
    DisplayRGB,
    Ellipse,
    FrameInfo,
    FrameMeasure,
    FrameTable,
    LinearImage,
    LinearRGB,
    Mask,
    Plane,
    Shape,
    Stack,
    StarShape,
    Weight,
    working_luminance,
)
from layerblend.maths.bands import each, over_bands
from layerblend.maths.clipped import clipped_cores, clipped_round
from layerblend.maths.curve import stretch, unstretch
from layerblend.maths.noise import error_map, ground_error, luminance_error, signal_error_map
from layerblend.maths.registration import find_registration
from layerblend.maths.robust import MAD_TO_SIGMA, mad_sigma
from layerblend.maths.wavelet import measuring_tiles, pool
from layerblend.stacking import StackReport
from layerblend.steps.blend import blend, colour_from_deep, colour_stars, flux_share, shrink_stars, star_layer, star_luminance, star_shares
from layerblend.steps.colour import ColourGates, apply_colour_gates, colour_gates, hue_layer, limit_green, saturate
from layerblend.steps.combine import lightness_of, lit_lightness, match_lightness, set_lightness
from layerblend.steps.cores import repair_cores
from layerblend.steps.curve import fit_curve
from layerblend.steps.detail import Gates, apply_gates, bend_core, deconvolve_and_keep, sharpen_gates
from layerblend.steps.flatten import Flattened, apply_sky, dim_border, flatten, flattened_error, repeated_border
from layerblend.steps.grade import grade_frame, grade_table, shared_brightness, unmeasured_row
from layerblend.steps.match import flux_ratio
from layerblend.steps.psf import measure_psf
from layerblend.steps.rank import kept_count, rank_frames
from layerblend.steps.shared_ground import Patch, ground_between, without_patches
from layerblend.steps.split import LEAST_FWHM, Split, split_stars, untouched
from layerblend.steps.star_colour import even_colours
from layerblend.steps.white import White, white_balance

First = TypeVar("First")
Second = TypeVar("Second")

FEWEST_TO_PLACE = 5
FARTHEST_PX = 2.0  # a finished stack lies on the colour stack when no star that both show is farther off
LEAST_TO_TELL, BORDER_PX = 3, 2.0
MOSTLY = 0.85  # of a stack's frames reach a place that counts as covered; some of the rest lost a trail there

KEPT_REACH_FWHM = 5.0  # of a clipped core that stays, what its wings give up when they are sharpened is 2 % of a galaxy's light 10 FWHM off
FEW_THEN_ALL = (slice(None, None, 64), slice(None))  # rows to look at: a few are enough where one pixel is
MOST_OVER = 8.0  # a repaired core is no more than so many times as bright as the brightest light of the stacks


# ---------------------------------------------------------------- frames to stacks
def grade_one(info: FrameInfo, *, white_level: float | None) -> FrameMeasure:
    """Read one frame and measure it; ``white_level`` is in ``info`` already and stands here for the key.

    A packed frame whose pixels turn out to be damaged has no stars and says why: one bad file of hundreds ends no night's work.
    """
    try:
        image = read_image(info)
    except InputError as error:
        if error.code != "damaged":
            raise
        nothing = np.full((info.height, info.width, info.channels), np.nan, np.float32)
        said = str(error).removeprefix(f"{info.path.name} ").split(". ")[0]  # how to mend it is no reason
        return replace(grade_frame(nothing if info.channels == 3 else nothing[..., 0]), words=(said,))
    return grade_frame(image)


def shared_stars(infos: Sequence[FrameInfo], measures: Sequence[FrameMeasure]) -> tuple[Array, float]:
    """How bright every frame shows the stars it shares with the others; kept, since matching them anew would hold up every new blend."""
    return shared_brightness(infos, measures)


def rank_table(
    infos: Sequence[FrameInfo],
    measures: Sequence[FrameMeasure],
    shared: tuple[Array, float],
    *,
    given: Mapping[str, Mapping[str, float]] | None,
    ranking: dict[str, Any],
    names: Sequence[str],
    left_out: Mapping[str, FrameInfo],
) -> FrameTable:
    """Grade all frames against each other, exclude and rank them; those that the recipe leaves out by name stand at the end."""
    ranked = rank_frames(grade_table(infos, measures, given=given, names=names, shared=shared), **ranking)
    named = (unmeasured_row(name, info, "named in exclude.files") for name, info in left_out.items())
    return replace(ranked, rows=(*ranked.rows, *named))


# ---------------------------------------------------------------- linear light
@dataclass(frozen=True)
class StackPass:
    """The stacks that one pass over the frames wrote, and what it found."""

    paths: Mapping[str, Path]
    report: StackReport


def framed_stack(stacks: StackPass, *, name: str) -> Stack:
    """One stack of the pass over the frames, opened without being read."""
    return open_stack(stacks.paths[name])


def finished_stack(paths: Sequence[Path], *, white_level: float | None) -> Stack:
    """A finished stack: one colour or mono file, or three mono files for red, green and blue; one made here keeps its maps and halves."""
    if all(is_own_stack(path) for path in paths):
        own = [open_stack(path) for path in paths]
        if len(own) == 1:
            return replace(own[0], files=(str(paths[0]),))
        if len({(stack.mean.shape, stack.top_down) for stack in own}) == 1 and own[0].mean.ndim == 2:
            return _in_colour(own, paths)
    notes: list[str] = []
    planes = [read_linear(path, white_level=white_level, notes=notes) for path in paths]
    image, cards, top_down = planes[0]
    if len(planes) > 1:
        if len({plane[0].shape for plane in planes}) != 1 or image.ndim != 2:
            listed = ", ".join(f"{path.name} {_size(plane[0])}" for path, plane in zip(paths, planes, strict=True))
            raise InputError(f"The files for r, g and b must be mono pictures of one size, got {listed}.", file=paths[0], code="mixed_grid")
        image = np.stack([plane[0] for plane in planes], axis=-1)
    files = tuple(str(path) for path in paths)
    return Stack(mean=image, saturated=clipped_cores(image), files=files, cards=cards, top_down=top_down, words=tuple(notes))


def _in_colour(stacks: Sequence[Stack], paths: Sequence[Path]) -> Stack:
    """Mono stacks made here of red, green and blue as one, with their maps and halves."""

    def together(planes: Sequence[Array | None]) -> Array | None:
        known = [plane for plane in planes if plane is not None]
        return np.stack(known, axis=-1).astype(known[0].dtype.newbyteorder("="), copy=False) if len(known) == len(planes) else None

    halves = [together([None if s.halves is None else s.halves[k] for s in stacks]) for k in (0, 1)]
    shares = together([s.saturated for s in stacks])
    mean = together([s.mean for s in stacks])
    assert mean is not None
    return Stack(
        mean=mean,
        stderr=together([s.stderr for s in stacks]),
        count=together([s.count for s in stacks]),
        rejected=together([s.rejected for s in stacks]),
        saturated=None if shares is None else shares.max(-1),
        halves=None if halves[0] is None or halves[1] is None else (halves[0], halves[1]),
        n_frames=min(s.n_frames for s in stacks),
        exposure_s=sum(s.exposure_s for s in stacks),
        files=tuple(str(path) for path in paths),
        cards=stacks[0].cards,
        top_down=stacks[0].top_down,
    )


def _size(image: LinearImage) -> str:
    return f"{image.shape[1]} x {image.shape[0]} {'mono' if image.ndim == 2 else 'colour'}"


def find_sky(stack: Stack, *, protect: Sequence[Sequence[float]], frame_filling: str, mode: str) -> Flattened:
    """The sky model of the deepest stack; every stack of the same frames uses it. ``protect``: x, y, a, b, angle of ellipses."""
    return flatten(native(stack.mean), protect=[Ellipse(*place) for place in protect], frame_filling=frame_filling, mode=mode)


def find_white(stack: Stack, sky: Flattened, *, source: Any, catalogue: Array | None) -> White:
    """One set of factors for all stacks; a mono stack has nothing to balance."""
    image = sky.image
    if image.ndim == 2:
        words = () if source == "stars" else ("The stack is mono: there is no colour to balance, so white.from has no effect.",)
        return White(factors=np.ones(3), along=0.0, across=0.0, green=0.0, stars=np.zeros((0, 2)), source="mono", words=words)
    saturated = saturated_map(stack)
    level = np.nanmedian(sky.model.reshape(-1, 3), axis=0) + sky.level if source == "sky" else None
    with _stretch_suspected(stack):
        if source == "catalogue":
            return white_balance(image, source="stars", saturated=saturated, catalogue=catalogue)
        return white_balance(image, source=source, saturated=saturated, sky=level)


@contextlib.contextmanager
def _stretch_suspected(stack: Stack) -> Iterator[None]:
    """Where somebody else's stack has too few stars, it may be no linear light: of few stars alone that cannot be told for sure."""
    try:
        yield
    except InputError as error:
        if error.code != FEW_STARS or stack.halves is not None or not stack.files:
            raise
        name = Path(stack.files[0]).name
        text = f"{error} If {name} was stretched already, that is why: give it as it was before any stretch."
        raise InputError(text, file=stack.files[0], code=error.code) from None


@dataclass(frozen=True)
class Brightness:
    """The factor that brings a stack to the brightness of the colour stack, and what there is to say about it."""

    factor: float = 1.0
    words: tuple[str, ...] = ()


def relative_brightness(*pair: Any) -> Brightness:
    """A stack from elsewhere against the colour stack, by the stars that both show; nothing to do for stacks of the same frames.

    Both are compared in white-balanced light, where they are joined.

    Raises
    ------
    InputError
        The stack has another size, or its stars stand elsewhere.
    """
    if not pair:
        return Brightness()
    stack, sky, reference, reference_sky, white = pair
    image, fixed = (_balanced(without_sky(s.mean, f), white, 1.0) for s, f in ((stack, sky), (reference, reference_sky)))
    name = Path(stack.files[0]).name
    if image.shape != fixed.shape:
        sizes = f"{_size(image)} where the colour stack is {_size(fixed)}"
        raise InputError(f"The stack {name} is {sizes}; give stacks of one size and place.", file=stack.files[0], code="mixed_grid")
    mine, theirs = (grade_frame(working_luminance(light)) for light in (image, fixed))
    placed = find_registration(mine.star_list, theirs.star_list, image.shape[:2])
    if placed.matched >= FEWEST_TO_PLACE and not placed.farthest_px <= FARTHEST_PX:
        text = f"The stars of {name} lie up to {placed.farthest_px:.1f} px from those of the colour stack; register the stacks first."
        raise InputError(text, file=stack.files[0], code="misplaced")
    if not placed.matched:
        return Brightness(1.0, (f"{name} shows too few of the colour stack's stars to be matched in brightness; it is used as it is.",))
    reach = max(FARTHEST_PX, theirs.fwhm / 2) if theirs.stars else FARTHEST_PX
    return Brightness(flux_ratio(mine.star_list, theirs.star_list, reach_px=reach))


def without_sky(mean: LinearImage, sky: Flattened) -> LinearImage:
    """A stack's light above its sky. Where flattening was told to leave the sky, its level still goes: the curve wants the sky at zero."""
    flat = apply_sky(native(mean), sky)
    if not np.any(sky.level):
        return flat
    return flat - _left_sky(sky)


def _left_sky(sky: Flattened) -> Array:
    """Light of the sky that flattening left, in the shape of a pixel."""
    return np.asarray(sky.level if sky.model.ndim == 3 else sky.level[0], np.float32)


def linear_picture(stack: Stack, sky: Flattened, white: White, brightness: Brightness, *, foreign: bool = False) -> LinearRGB:
    """A stack without its sky, white-balanced; mono becomes grey. One from elsewhere may have a border that nobody marked."""
    flat = without_sky(stack.mean, sky)
    if foreign and stack.count is None:
        border = dim_border(flat, sky.sigma) | repeated_border(stack.mean)
        flat = np.where(border if flat.ndim == 2 else border[..., None], np.float32(np.nan), flat)
    return _balanced(flat, white, brightness.factor)


def linear_half(stack: Stack, sky: Flattened, white: White, brightness: Brightness, *, half: int) -> LinearRGB | None:
    """The same of one half-set, or None where the stack has none (or nothing but twice the same frame, or one frame)."""
    if stack.halves is None or not _differ(*stack.halves):
        return None
    return _balanced(without_sky(stack.halves[half], sky), white, brightness.factor)


def _differ(half_a: LinearImage, half_b: LinearImage) -> bool:
    """Whether two half-sets tell noise: they have data in common, and it is not the same."""
    return any(np.any(np.abs(half_a[rows] - half_b[rows]) > 0) for rows in FEW_THEN_ALL)


def noise_map(stack: Stack, sky: Flattened, white: White, brightness: Brightness, *, foreign: bool = False) -> LinearRGB:
    """(H, W, 3) noise of the balanced picture: from the stack's error map, else (none, or that of a single frame) from the picture.

    The picture is not asked for: only the second way needs it, and half a second of a new star stack went into making it.
    """
    if stack.stderr is None or not any(np.any(stack.stderr[rows] > 0) for rows in FEW_THEN_ALL):
        return signal_error_map(linear_picture(stack, sky, white, brightness, foreign=foreign))
    return _balanced(flattened_error(error_map(stack.stderr), sky), white, brightness.factor)


def _balanced(image: LinearImage, white: White, factor: float) -> LinearRGB:
    """White-balanced and scaled; a mono stack has no balance and becomes grey."""
    if image.ndim == 2:
        return np.repeat((image * np.float32(factor))[..., None], 3, axis=2)
    scale, out = (np.asarray(white.factors) * factor).astype(np.float32), np.empty(image.shape, np.float32)
    over_bands(lambda first, last: np.multiply(image[first:last], scale, out=out[first:last]), len(out))
    return out


def native(array: Array) -> Array:
    """A float32 copy in the machine's byte order of a plane that may lie in a file."""
    return np.asarray(array, np.float32) if array.dtype.isnative else array.astype(np.float32)


def saturated_map(stack: Stack) -> Plane | None:
    """Share of frames that clip at a pixel, or None where nobody knows."""
    return None if stack.saturated is None else native(stack.saturated)


# ---------------------------------------------------------------- layers
def star_shape(linear: LinearRGB, stack: Stack) -> StarShape:
    """The star image of a stack over the field, measured on its luminance."""
    with _stretch_suspected(stack):
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
    """The denoised starless colour and the frozen operator that made it (None where nothing was done)."""

    image: LinearRGB
    gates: ColourGates | None


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
    return ColourLayer(limit_green(image) if green_ceiling else image, gates)


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


# ---------------------------------------------------------------- the picture
@dataclass(frozen=True)
class LitColour:
    """The stretched colour and the lightness that the detail gives it, kept because they do not change with how much of it is taken.

    ``own``, ``lit``: lightness of the colour itself and as the detail lights it. ``half``: half the difference of the half-sets in ``lit``
    where noise is measured, NaN elsewhere. ``resolved`` False: the detail's stars are too narrow to sharpen by.
    """

    picture: DisplayRGB
    own: Plane
    lit: Plane
    half: Plane | None = None
    resolved: bool = True


def lit_colour(colour: LinearRGB, light: Plane, curve: Curve, half_light: Plane | None, *, space: str, resolved: bool = True) -> LitColour:
    """The colour stretched, and its lightness lit by the detail, its large scales those of the colour.

    ``half_light``: half the difference of the half-sets through the detail's operator, from which the sharpening learns its noise.
    """
    picture = stretch(colour, curve)
    own = lightness_of(picture, space=space)
    lit = _lit_lightness(colour, light, curve, own, space)
    half = None if half_light is None else _half_lightness(colour, light, half_light, curve, lit, own, space)
    return LitColour(picture, own, lit, half, resolved)


def _lit_lightness(colour: LinearRGB, light: Plane, curve: Curve, own: Plane, space: str) -> Plane:
    return match_lightness(lit_lightness(colour, light, curve, space=space), own)


def _half_lightness(colour: LinearRGB, light: Plane, half_light: Plane, curve: Curve, lit: Plane, own: Plane, space: str) -> Plane:
    half = np.full_like(lit, np.nan)
    for place in measuring_tiles(*lit.shape):
        half[place] = _lit_lightness(colour[place], light[place] + half_light[place], curve, own[place], space) - lit[place]
    return half


def full_lit_colour(colour: ColourLayer, detail: DetailLayer, curve: Curve, *, space: str) -> LitColour:
    """The lit colour of the whole set."""
    return lit_colour(colour.image, detail.light, curve, detail.half_light, space=space, resolved=detail.resolved)


@dataclass(frozen=True)
class Base:
    """The starless picture and the frozen sharpening that made it."""

    picture: DisplayRGB
    sharpening: Gates | None


def starless_picture(
    lit: LitColour,
    curve: Curve,
    sharpening: Gates | None = None,
    *,
    space: str,
    amount: float,
    chroma: str,
    sharpen: Sequence[float],
    core: float,
    saturation: float,
) -> Base:
    """Colour lit by the detail: exchange lightness, sharpen, bend the core, saturate.

    ``sharpening``: gates to use instead of new ones (for half-sets).
    """
    lightness, gates = lit.own, None
    if amount > 0:
        lightness = lit.own + np.float32(amount) * (lit.lit - lit.own)
    if lit.resolved and any(gain != 1 for gain in sharpen):
        gates = sharpening
        if gates is None:
            half = None if lit.half is None or amount == 0 else np.float32(amount) * lit.half
            gates = _sharpening(lightness, half, sharpen)
        lightness = apply_gates(gates, lightness)
    if core > 0:
        lightness = bend_core(lightness, core)
    if lightness is lit.own:
        return Base(saturate(lit.picture, saturation, sky=curve.sky), gates)
    return Base(set_lightness(lit.picture, lightness, space=space, chroma=chroma, saturation=saturation, sky=curve.sky), gates)


def _sharpening(lightness: Plane, half: Plane | None, gains: Sequence[float]) -> Gates:
    """Gates of the sharpening."""
    noise = mad_sigma(lightness) if half is None else MAD_TO_SIGMA * float(np.median(np.abs(half[np.isfinite(half)])))
    return sharpen_gates(lightness, gains, sigma=max(noise, 1e-6), half_difference=half)


@dataclass(frozen=True)
class StarGate:
    """Where the sharp stack's stars serve (1) rather than the colour stack's (0): their light, and their colour, which asks for more."""

    light: Weight
    colour: Weight


@dataclass(frozen=True)
class StarLight:
    """The star layer as it is blended (signed), the gate that chose between two stacks' stars, how much of the stars' light making them
    smaller has left, and what was handed to the stars because their own stack's ground holds more of it than the ground they stand on."""

    layer: Array
    gate: StarGate | None
    light_left: float = 1.0
    handed: tuple[Patch, ...] = ()


def star_light(
    linear: LinearRGB,
    split: Split,
    stack: Stack,
    shape: StarShape,
    colour_linear: LinearRGB,
    colour_split: Split,
    curve: Curve,
    *,
    sigma: LinearRGB | None = None,
    whole: StarLight | None = None,
    gate: float,
    repair: bool,
    saturation: float,
    size: float,
) -> StarLight:
    """The star layer of the sharpest stack, standing on the colour stack's ground: faint ends and the colour of the wings from the colour
    stack, cores repaired, coloured, sized.

    Where the sharp stack serves follows from its noise ``sigma``; a half-set does everything as the ``whole`` did.
    """
    ground = colour_split.starless
    handed = whole.handed if whole is not None else ground_between(split.starless, ground, _judged(split, colour_split, stack), curve)
    starless = without_patches(split.starless, handed)

    def repaired() -> LinearRGB:
        if not repair:
            return linear
        whole_cores = repair_cores(linear, saturated=saturated_map(stack), star_shape=shape)
        return whole_cores if stack.mean.ndim == 2 else even_colours(whole_cores, starless, split.catalogue, shape.centre.fwhm)

    def gated() -> StarGate | None:
        if gate == 0 or whole is not None:
            return None if whole is None else whole.gate
        assert sigma is not None
        light, deep_light = star_luminance(linear, starless), star_luminance(colour_linear, ground)
        return _star_gate(light, deep_light, stack, sigma, gate, shape.centre.fwhm)

    image, between = _both(repaired, gated)
    if between is not None:
        image = colour_from_deep(image, starless, colour_linear, ground, between.colour)
    layer = star_layer(colour_stars(image, starless, saturation), starless, curve, ground=ground)
    if between is not None:
        deep = star_layer(colour_stars(colour_linear, ground, saturation), ground, curve)
        over_bands(partial(_mix, deep, layer, between.light), len(layer))
    if size == 1:
        return StarLight(layer, between, handed=handed)
    smaller = shrink_stars(layer, size)
    return StarLight(smaller, between, flux_share(smaller, layer), handed)


def _judged(split: Split, colour_split: Split, stack: Stack) -> Mask:
    """Near stars, but for borders that some of the stack's frames do not reach: each has a sky of its own, and steps where it ends."""
    near = split.mask | colour_split.mask
    if stack.count is None:
        return near
    count = native(stack.count if stack.count.ndim == 2 else stack.count.min(2))
    return np.asarray(near & (pool(count, BORDER_PX) > MOSTLY * stack.n_frames))


def _both(first: Callable[[], First], second: Callable[[], Second]) -> tuple[First, Second]:
    """The results of both, worked out side by side."""
    one, two = each(lambda work: work(), [first, second])
    return cast(First, one), cast(Second, two)


def _mix(deep: Array, layer: Array, share: Weight, first: int, last: int) -> None:
    """Rows of ``layer`` become ``deep + share (layer - deep)``, in place: at 12 megapixels a picture more is a tenth of a second."""
    rows = slice(first, last)
    layer[rows] -= deep[rows]
    layer[rows] *= share[rows, :, None]
    layer[rows] += deep[rows]


def _star_gate(light: Plane, deep_light: Plane, stack: Stack, sigma: LinearRGB, gate: float, fwhm: float) -> StarGate:
    """The gate between the stars of the sharp stack and those of the colour stack."""
    share, colour = star_shares(light, deep_light, ground_error(luminance_error(sigma)), gate, fwhm)
    if stack.mean.ndim == 2:
        colour = np.zeros_like(colour)  # a mono stack has no colour of its own
    if stack.count is not None:
        share = share * covered_share(stack.count, stack.n_frames)
    return StarGate(share, colour)


def covered_share(count: Array, frames: int) -> Weight:
    """1 where at least three of a stack's frames lie, falling softly to 0 before: at the borders of the sharp frames a trail or a cosmic
    ray cannot be told from a star."""
    few = (native(count if count.ndim == 2 else count.min(2)) < min(LEAST_TO_TELL, frames)).astype(np.float32)
    return np.asarray(1 - np.minimum(2 * pool(few, BORDER_PX), 1), np.float32)


def join(base: Base, stars: StarLight, *, mode: str, amount: float) -> DisplayRGB:
    """Stars over the starless picture."""
    return blend(base.picture, stars.layer, mode, amount)


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
    return AddedLight(_over_sky(light, curve), gates)


def _over_sky(light: Plane, curve: Curve) -> Plane:
    """Light as the layer that lifts a sky to it by screen; nothing where there is no data."""
    plane = star_layer(light, np.zeros_like(light), curve)
    return np.where(np.isfinite(light), np.maximum(plane, 0), np.float32(0))


def with_added(base: Base, plane: Plane, hue: float, amount: float) -> Base:
    """The starless picture with a second filter's light screened over it."""
    return replace(base, picture=blend(base.picture, hue_layer(plane, hue), "screen", amount))


def full_base(lit: LitColour, curve: Curve, second: AddedLight | None = None, *, added: Sequence[float] = (), **settings: Any) -> Base:
    """The starless picture of the whole set; ``added``: hue and amount of the ``second`` filter's light, if there is one."""
    base = starless_picture(lit, curve, **settings)
    return base if second is None else with_added(base, second.plane, *added)


def full_starlight(
    split: Split,
    stack: Stack,
    shape: StarShape,
    colour_split: Split,
    colour_stack: Stack,
    sigma: LinearRGB,
    curve: Curve,
    **settings: Any,
) -> StarLight:
    """The star layer of the whole set."""
    # of the parts, not of the stack: cores that stayed in the starless picture have been repaired there
    linear, colour_linear = each(lambda part: part.starless + part.stars, (split, colour_split))
    coloured = _with_cores(colour_linear, colour_split, colour_stack, stack, shape, settings["repair"])
    return star_light(linear, split, stack, shape, coloured, colour_split, curve, sigma=sigma, **settings)


def _with_cores(
    colour_linear: LinearRGB, colour_split: Split, colour_stack: Stack, stack: Stack, shape: StarShape, repair: bool
) -> LinearRGB:
    """The colour stack's light where a mono star stack takes all colour from it: clipped cores repaired, one colour in every star.

    Filters of unlike seeing give a star a middle and a rim of other colours, which a narrower star image would show as rings.
    """
    if not repair or stack.mean.ndim == 3 or colour_stack.mean.ndim == 2:
        return colour_linear
    whole_cores = repair_cores(colour_linear, saturated=saturated_map(colour_stack), star_shape=shape)
    return even_colours(whole_cores, colour_split.starless, colour_split.catalogue, colour_split.checks["fwhm"])


def linear_light(display: Array, curve: Curve, brightest: float) -> Array:
    """A finished picture back in linear light, none brighter than ``brightest``: white itself stands for any light, even endless.

    Repaired cores keep their hue: all channels of a pixel are dimmed alike.
    """
    light = unstretch(display, curve)
    if light.ndim == 2:
        return np.minimum(light, np.float32(brightest))

    def dim(first: int, last: int) -> None:
        part = light[first:last]
        bright = np.maximum(np.maximum(part[..., 0], part[..., 1]), part[..., 2]) > brightest  # few: the rest is left alone
        cores = np.minimum(part[bright], np.float32(MOST_OVER * brightest))
        part[bright] = cores * (np.float32(brightest) / cores.max(-1, keepdims=True))

    over_bands(dim, len(light))
    return light


@dataclass(frozen=True)
class Cover:
    """Where a stack has data, where all its frames have (of a finished stack: where it has), its brightest light, and what was left out."""

    covered: Mask
    common: Mask
    brightest: float
    words: tuple[str, ...] = ()


def cover_of(linear: LinearRGB, stack: Stack) -> Cover:
    """What writing needs to know of a stack's light, kept so that the light itself need not be made again."""
    covered = np.isfinite(working_luminance(linear))
    common = covered
    if stack.count is not None and stack.rejected is not None:  # a sample that was thrown out was there
        samples = np.add(stack.count, stack.rejected, dtype=np.int32).reshape(*covered.shape, -1)
        common = covered & (samples.min(-1) >= stack.n_frames)
    return Cover(covered, common, float(np.nanmax(linear)), _border_words(stack, covered))


def _border_words(stack: Stack, covered: Mask) -> tuple[str, ...]:
    if stack.count is not None:
        return ()
    known = np.isfinite(stack.mean if stack.mean.ndim == 2 else working_luminance(stack.mean))
    share = float(np.mean(known & ~covered))
    if not share:
        return ()
    return (
        f"{Path(stack.files[0]).name} has a border that its frames did not all reach (darker than the sky, or one row again and again), "
        f"{share:.1%} of the picture; it counts as no data.",
    )


# ---------------------------------------------------------------- what the steps have to say
@dataclass(frozen=True)
class StackFacts:
    """What is told of a stack in use, so that its pictures need not be opened for it: size, header, star image, split, words by step."""

    height: int
    width: int
    cards: tuple[tuple[str, Any, str], ...]
    top_down: bool
    star: Shape
    checks: Mapping[str, float]
    words: Mapping[str, tuple[str, ...]]


def stack_facts(stack: Stack, brightness: Brightness, shape: StarShape, split: Split, cover: Cover) -> StackFacts:
    """Numbers and words of a stack, its star image and its split."""
    words = {"split": split.words, "stars": shape.words, "stack": (*stack.words, *cover.words, *brightness.words)}
    height, width = stack.mean.shape[:2]
    return StackFacts(height, width, tuple(stack.cards), stack.top_down, shape.centre, split.checks, words)


@dataclass(frozen=True)
class SkyFacts:
    """What flattening found, in sigma of a pixel: gradient before and after, by channel."""

    before: Array
    after: Array
    frame_filling: bool
    uncertain: float
    words: tuple[str, ...]


def sky_facts(sky: Flattened) -> SkyFacts:
    """Numbers and words of the flattening."""
    return SkyFacts(sky.before, sky.after, sky.frame_filling, sky.uncertain, sky.words)


@dataclass(frozen=True)
class StarFacts:
    """What is told of the star layer.

    ``negative``: share of its pixels below 0: half of blank sky is, more means that stars left holes. ``light_left``: of its light after
    the stars were made smaller.
    """

    negative: float
    light_left: float


def star_facts(stars: StarLight) -> StarFacts:
    """Numbers of the star layer."""
    return StarFacts(float(np.mean(stars.layer < 0)), stars.light_left)


# ---------------------------------------------------------------- pictures of the steps
_drawing = Lock()


@contextlib.contextmanager
def _plots() -> Iterator[Any]:
    """The drawing of plots, one at a time (matplotlib's fonts and settings belong to everybody), loaded when one is drawn: it takes a tenth
    of the time of a new blend."""
    with _drawing:
        from layerblend.report import plots

        yield plots


def grade_png(table: FrameTable, *, shares: Mapping[str, float], title: str, left_out: Sequence[str]) -> bytes:
    """The frames night by night and their ranking, as a PNG; frames ``left_out`` by name are in the table and stand here for the key."""
    kept = {name: kept_count(share, len(table.used)) for name, share in shares.items() if table.used}
    with _plots() as plots:
        return bytes(plots.grade_report(table, kept=kept, title=title))


def flatten_png(stack: Stack, sky: Flattened) -> bytes:
    """What flattening did, as a PNG."""
    samples = sky.samples
    places = {name: samples[name] for name in ("x", "y", "residual", "used")}
    with _plots() as plots:
        return bytes(plots.flatten_picture(native(stack.mean), sky.model, **places, sigma=list(sky.sigma)))


def split_png(linear: LinearRGB, split: Split) -> bytes:
    """What star separation did, as a PNG."""
    with _plots() as plots:
        return bytes(plots.split_picture(linear, split.starless, split.stars, split.mask))


def rejection_png(stacks: StackPass, *, name: str) -> bytes | None:
    """Where samples were rejected and which frames lost most, as a PNG; None for a stack without counts."""
    stack = open_stack(stacks.paths[name])
    if stack.rejected is None or stack.count is None:
        return None
    rows = [(row["file"], row["rejected"]) for row in stacks.report.frames]
    with _plots() as plots:
        return bytes(plots.rejection_picture(stack.rejected, stack.count, frames=rows))


# ---------------------------------------------------------------- half-sets through the frozen operators
def _starless_half(half: LinearRGB, split: Split) -> LinearRGB:
    """A half-set without the stars of the whole: its own noise is untouched."""
    return half - split.stars


def half_base(
    base: Base,
    colour: ColourLayer,
    detail: DetailLayer,
    curve: Curve,
    colour_split: Split,
    colour_half: LinearRGB | None,
    detail_split: Split,
    detail_half: LinearRGB | None,
    second: Plane | None = None,
    *,
    added: Sequence[float] = (),
    **settings: Any,
) -> Base | None:
    """The starless picture of one half-set, every operator as the whole set had it."""
    if colour_half is None or detail_half is None:
        return None
    light = working_luminance(_starless_half(detail_half, detail_split))
    image = _starless_half(colour_half, colour_split)
    if colour.gates is not None:
        image = apply_colour_gates(colour.gates, image, light)
    if detail.gates.shares:
        light = apply_gates(detail.gates, light)
    lit = lit_colour(image, light, curve, None, space=settings["space"], resolved=detail.resolved)
    picture = starless_picture(lit, curve, base.sharpening, **settings)
    return picture if second is None else with_added(picture, second, *added)


def half_added(added: AddedLight, split: Split, half: LinearRGB | None, curve: Curve) -> Plane:
    """The second filter's light of one half-set; of the whole where a finished stack has no half-sets: its noise is not judged."""
    if half is None:
        return added.plane
    return _over_sky(apply_gates(added.gates, working_luminance(_starless_half(half, split))), curve)


def half_starlight(
    whole: StarLight,
    split: Split,
    stack: Stack,
    shape: StarShape,
    colour_split: Split,
    colour_stack: Stack,
    half: LinearRGB | None,
    colour_half: LinearRGB | None,
    curve: Curve,
    **settings: Any,
) -> StarLight | None:
    """The star layer of one half-set: its own light over the stars of the whole taken away, the same gate, the same light handed on."""
    if half is None or colour_half is None:
        return None
    split_half = replace(split, starless=_starless_half(half, split))
    colour_half_split = replace(colour_split, starless=_starless_half(colour_half, colour_split))
    coloured = _with_cores(colour_half, colour_half_split, colour_stack, stack, shape, settings["repair"])
    return star_light(half, split_half, stack, shape, coloured, colour_half_split, curve, whole=whole, **settings)


def half_join(base: Base | None, stars: StarLight | None, *, mode: str, amount: float) -> DisplayRGB | None:
    """Stars over the starless picture of one half-set."""
    return None if base is None or stars is None else join(base, stars, mode=mode, amount=amount)


# ---------------------------------------------------------------- the reference
def plain_picture(linear: LinearRGB, curve: Curve) -> DisplayRGB:
    """The plain stack with sky, white and curve, nothing else."""
    return stretch(linear, curve)


def plain_half(half: LinearRGB | None, curve: Curve) -> DisplayRGB | None:
    """One half-set of the plain stack."""
    return None if half is None else stretch(half, curve)
