"""The step itself: measure tiles, fit sky and galaxies, decide whether the target fills the frame, take the sky away."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from layerblend.errors import ArgumentError, check_choice, check_image, check_numbers, check_range
from layerblend.kinds import Array, Ellipse, LinearImage, Mask
from layerblend.maths.bands import one_blas_thread, over_bands

from .doubt import alike_in_colour, ask_both, bright_doubt, plane_doubt
from .filling import fills_frame, lower_plane
from .fit import SkyFit, cut_edges, fit_sky
from .legendre import legendre_design, sky_surface
from .objects import galaxy_roughness
from .tiles import TileTable, join_tiles, measure_light, noise_block, shared_noise, tile_table
from .words import FILLING, RUNS_AWAY, count_quadrants, cut_words, gradient_words, quadrant_of, sample_words, uncertain_words

MODES = ("subtract", "divide", "off")
FRAME_FILLING = ("auto", "yes", "no")
TARGET_SCALES = 3.0
# A surface may rise this many times its own range at the samples, and this much more, before it counts as running away.
MOST_BEYOND, SLACK_SIGMA = 2.0, 3.0
GRID_PLACES = 25
USED_WEIGHT = 0.5  # a sample above this robust weight is told as used


@dataclass(frozen=True)
class Flattened:
    """A picture without its sky.

    ``image``: like the input, sky-subtracted, sky at 0 (with mode "off" the input itself). ``model``: (H, W, C) or (H, W) what was taken
    away. ``level``: (C,) light of the sky that is left in ``image``: 0 but with mode "off". ``samples``: structured
    array of the sky samples, ``x``, ``y`` px, ``value`` (C,) linear light, ``used`` (C,) bool (weight above .5 in that channel's fit),
    ``residual`` (C,) sigma. ``targets``: galaxies in the model, ellipses of three scale lengths. ``frame_filling``: the target was
    taken to fill the frame. ``sigma``: (C,) noise of one pixel, told by means. ``before``, ``after``: (C,) gradient, peak to peak in sigma.
    ``kept``: (4, C) samples used and ``total``: (4,) samples there are, by quadrant (upper left, upper right, lower left, lower right).
    ``uncertain``: sigma by which sky and the target's halo cannot be told apart, 0 where they can.
    """

    image: LinearImage
    model: LinearImage
    samples: Array = field(repr=False)
    words: tuple[str, ...]
    targets: tuple[Ellipse, ...]
    frame_filling: bool
    mode: str
    sigma: Array
    before: Array
    after: Array
    kept: Array
    total: Array
    level: Array
    uncertain: float = 0.0


@one_blas_thread()
def flatten(
    image: LinearImage,
    *,
    protect: Sequence[Ellipse | Mapping[str, float]] = (),
    sigma: Array | float | None = None,
    frame_filling: bool | str = "auto",
    mode: str = "subtract",
    stars: Mask | None = None,
) -> Flattened:
    """Take the sky gradient away, each channel by itself, and keep the target.

    Parameters
    ----------
    image : (H, W, 3) or (H, W) float32, linear, NaN where no data is
    protect : places that must not count as sky, px: {"x", "y", "radius"} or {"x", "y", "a", "b", "angle"}, half axes and degrees from +x
        towards +y
    sigma : noise of one pixel, linear, one number or one per channel; measured when None
    frame_filling : "auto" decides by itself whether the target fills the frame, True or "yes", False or "no" tell it
    mode : "subtract" for added light (light pollution, moon), "divide" for uneven response (vignetting, dust shadows), "off" to leave the
        picture as it is and only measure its sky
    stars : (H, W) bool, star pixels known beforehand; found when None

    Returns
    -------
    Flattened

    Raises
    ------
    ArgumentError
        ``image`` is not a picture in floats; nothing is covered; a choice is unknown; ``divide`` with a sky that is not above zero.

    References
    ----------
    The joint fit of sky and galaxy is our own (DEVELOPERS.md); Huber 1964, Ann. Math. Stat. 35, 73, for its weights.
    """
    image = check_image("image", image)
    check_choice("mode", mode, MODES)
    cube = image if image.ndim == 3 else image[..., None]
    noise, skip = _channel_sigma(sigma, cube.shape[2]), _protect_mask(protect, cube.shape[:2])
    table = _measure(cube, noise, skip, stars)
    if not _has_samples(table) and stars is None:
        # small or crowded: star light is everywhere, so that the tiles' own clipping must do
        table = _measure(cube, noise, skip, np.zeros(cube.shape[:2], bool))
    if not _has_samples(table):
        raise ArgumentError("`image` has no sky to measure: every tile is empty, masked or protected, or too little is left of it.")
    surface = find_surface(table, frame_filling)
    if mode == "off":
        level, model = _left_level(table, surface), np.zeros_like(cube)
    else:
        level, (height, width) = np.zeros(cube.shape[2]), cube.shape[:2]
        model = sky_surface(surface.coefficients * table.sigma, surface.degree, height, width, table.level)
    if mode == "divide" and not (model > 0).all():
        raise ArgumentError("`mode` divide needs a sky above zero everywhere; this picture has been sky-subtracted: use subtract.")
    return _finish(image, model if image.ndim == 3 else model[..., 0], table, surface, mode, level)


def _measure(cube: Array, noise: Array | None, skip: Mask | None, stars: Mask | None) -> TileTable:
    """Tile table in which a galaxy's arms are not taken for stars."""
    light = measure_light(cube, sigma=noise, skip=skip, stars=stars)
    if ((shared := shared_noise(light, noise_block(cube))) > 1).any():
        light = measure_light(cube, sigma=light.sigma * shared, skip=skip, stars=stars)
    table = tile_table(light)
    rough = galaxy_roughness(table)
    return tile_table(light, rough) if rough.any() else table


def flattened_error(error: LinearImage, flattened: Flattened) -> LinearImage:
    """Noise, as a map, of what `apply_sky` makes of a picture: division makes dark corners brighter, and their noise with them."""
    return error * _gain(flattened.model) if flattened.mode == "divide" else error


def _has_samples(table: TileTable) -> bool:
    """Whether any tiles joined are a row of the fit; one tile alone need not be enough."""
    return bool(join_tiles(table).used.any())


def apply_sky(image: LinearImage, flattened: Flattened) -> LinearImage:
    """Take the same sky from another stack of the same frames.

    Parameters
    ----------
    image : like the image that was flattened, linear, same size
    flattened : result of `flatten`

    Raises
    ------
    ArgumentError
        ``image`` has another shape.
    """
    image = check_image("image", image)
    if image.shape != flattened.model.shape:
        raise ArgumentError(f"`image` must have the shape of the flattened picture, {flattened.model.shape}, got {image.shape}.")
    return _without(image, flattened.model, flattened.mode)


@dataclass(frozen=True)
class Surface:
    """The sky to be taken away, as Legendre ``coefficients`` of total ``degree``, sigma above the table's level, and how it came about."""

    degree: int
    coefficients: Array
    fit: SkyFit
    filling: bool = False
    runs_away: bool = False
    uncertain: float = 0.0


def find_surface(table: TileTable, frame_filling: bool | str) -> Surface:
    """Sky of the joint fit; a plane where the target fills the frame or the fit would run away."""
    fit = fit_sky(table)
    if _decide_filling(frame_filling, lambda: fills_frame(table, fit)):
        plane = lower_plane(table)
        return Surface(1, plane, fit, filling=True, uncertain=plane_doubt(table, plane))
    fit, uncertain = ask_both(table, fit)
    fit = alike_in_colour(table, fit)
    if _runs_away(fit):
        return Surface(1, _plane_through(fit), fit, runs_away=True, uncertain=uncertain)
    return Surface(fit.degree, fit.coefficients, fit, uncertain=uncertain)


def _runs_away(fit: SkyFit) -> bool:
    """Whether the surface does more where there are no samples than where there are: nothing holds it there."""
    u, v = fit.rows.u[fit.rows.used], fit.rows.v[fit.rows.used]
    at_samples = legendre_design(u, v, fit.degree) @ fit.coefficients
    grid_u, grid_v = np.meshgrid(np.linspace(-1, 1, GRID_PLACES), np.linspace(-1, 1, GRID_PLACES))
    everywhere = legendre_design(grid_u, grid_v, fit.degree) @ fit.coefficients
    return bool((np.ptp(everywhere, axis=0) > MOST_BEYOND * np.ptp(at_samples, axis=0) + SLACK_SIGMA).any())


def _plane_through(fit: SkyFit) -> Array:
    """(3, C) the tilted plane that comes nearest to the surface at the samples, by their weights."""
    u, v = fit.rows.u[fit.rows.used], fit.rows.v[fit.rows.used]
    surface = legendre_design(u, v, fit.degree) @ fit.coefficients
    plane = legendre_design(u, v, 1)
    root = np.sqrt(np.maximum(fit.weight, 1e-6))
    columns = [np.linalg.lstsq(plane * root[:, [c]], surface[:, c] * root[:, c], rcond=None)[0] for c in range(surface.shape[1])]
    return np.stack(columns, axis=1)


def _without(image: Array, model: Array, mode: str) -> Array:
    if mode == "off":
        return image.copy()
    out = np.empty_like(image)
    gain = _gain(model) if mode == "divide" else None

    def some(first: int, last: int) -> None:
        rows = np.subtract(image[first:last], model[first:last], out=out[first:last])
        if gain is not None:
            rows *= gain[first:last]

    over_bands(some, len(image), pixels=image.size)
    return out


def _gain(model: Array) -> Array:
    """By how much division scales light."""
    level = np.nanmean(model, axis=(0, 1), dtype=np.float64).astype(np.float32)
    return level / model


def _channel_sigma(sigma: Array | float | None, channels: int) -> Array | None:
    if sigma is None:
        return None
    given = np.asarray(check_numbers("sigma", sigma), np.float64)
    if given.ndim > 1 or (given.ndim == 1 and given.size != channels) or not (np.isfinite(given).all() and (given > 0).all()):
        raise ArgumentError(f"`sigma` must be one positive number or one per channel, got {sigma!r}.")
    return np.broadcast_to(given, (channels,)).copy()


def _decide_filling(frame_filling: bool | str, judge: Callable[[], bool]) -> bool:
    if isinstance(frame_filling, bool | np.bool_):
        return bool(frame_filling)
    check_choice("frame_filling", frame_filling, FRAME_FILLING)
    return judge() if frame_filling == "auto" else frame_filling == "yes"


def _protect_mask(protect: Sequence[Ellipse | Mapping[str, float]], shape: tuple[int, ...]) -> Mask | None:
    if not protect:
        return None
    return np.logical_or.reduce([_place(one).mask(*shape[:2]) for one in protect])


def _place(given: Ellipse | Mapping[str, float]) -> Ellipse:
    """A place to protect, from an ellipse or from the keys of the recipe."""
    if isinstance(given, Ellipse):
        return given
    keys = set(given) if isinstance(given, Mapping) else set()
    if keys != {"x", "y", "radius"} and not {"x", "y", "a", "b"} <= keys <= {"x", "y", "a", "b", "angle"}:
        raise ArgumentError(f"`protect` must hold places such as {{x, y, radius}} or {{x, y, a, b, angle}} in px, got {given!r}.")
    values = {key: check_range(f"protect.{key}", value, -math.inf, math.inf) for key, value in given.items()}
    if "radius" in values:
        values["a"] = values["b"] = values.pop("radius")
    if not min(values["a"], values["b"]) > 0:
        raise ArgumentError(f"`protect` must hold places with half axes above 0 px, got {given!r}.")
    return Ellipse(**values)


def _left_level(table: TileTable, surface: Surface) -> Array:
    """(C,) light of the sky, from the tiles that are sky in every channel, or from the plane's middle where none is."""
    fit = surface.fit
    if surface.filling or not fit.clean.any():
        return surface.coefficients[0] * table.sigma + table.level
    return np.median((fit.rows.value[fit.rows.used] - fit.glare)[fit.clean], axis=0) * table.sigma + table.level


def _finish(image: Array, model: Array, table: TileTable, surface: Surface, mode: str, level: Array) -> Flattened:
    fit = surface.fit
    rows = fit.rows
    ok = rows.used
    u, v = rows.u[ok], rows.v[ok]
    taken = legendre_design(u, v, surface.degree) @ surface.coefficients
    if mode == "off":
        taken = np.zeros_like(taken) + (level - table.level) / table.sigma
    used = fit.weight > USED_WEIGHT
    kept, total = count_quadrants(quadrant_of(u, v), used)
    before, after = _peak_to_peak(rows.value[ok], fit), _peak_to_peak(rows.value[ok] - taken, fit)
    return Flattened(
        image=_without(image, model, mode),
        model=model,
        samples=_samples(rows, fit, table, taken, used),
        words=_words(surface, mode, before, after, kept, total, cut_edges(fit)),
        targets=_targets(fit),
        frame_filling=surface.filling,
        mode=mode,
        sigma=table.sigma,
        before=before,
        after=after,
        kept=kept,
        total=total,
        level=level,
        uncertain=surface.uncertain,
    )


def _words(surface: Surface, mode: str, before: Array, after: Array, kept: Array, total: Array, cut: list[str]) -> tuple[str, ...]:
    """What there is to say of a sky that was taken away; nothing of one that was left."""
    words = sample_words(kept, total)
    if mode == "off":
        return tuple(words)
    if surface.filling:
        return (FILLING, *words, *uncertain_words(surface.uncertain))
    words = [gradient_words(before, after), *words, *cut_words(cut, bright_doubt(surface.fit)), *uncertain_words(surface.uncertain)]
    return (*words, RUNS_AWAY) if surface.runs_away else tuple(words)


def _peak_to_peak(value: Array, fit: SkyFit) -> Array:
    """(C,) spread of the clean rows, galaxies and scattered starlight taken out; the outermost half per cent on each side left aside."""
    where = fit.clean if fit.clean.sum() > 20 else np.ones(len(value), bool)
    low, high = np.quantile((value - fit.galaxy - fit.glare)[where], [0.005, 0.995], axis=0)
    return high - low


def _samples(rows: TileTable, fit: SkyFit, table: TileTable, taken: Array, used: Array) -> Array:
    ok = rows.used
    channels = used.shape[1]
    kind = [
        ("x", "f4"),
        ("y", "f4"),
        ("value", "f4", (channels,)),
        ("used", "?", (channels,)),
        ("residual", "f4", (channels,)),
    ]
    out = np.zeros(int(ok.sum()), dtype=kind)
    out["x"], out["y"] = rows.x[ok], rows.y[ok]
    out["value"] = rows.value[ok] * table.sigma + table.level
    out["used"] = used
    out["residual"] = rows.value[ok] - taken - fit.galaxy - fit.glare
    return out


def _targets(fit: SkyFit) -> tuple[Ellipse, ...]:
    """Galaxies of the model as ellipses of three scale lengths, brightest first."""
    targets = []
    for g in fit.galaxies:
        e = min(float(np.hypot(g.e1, g.e2)), 0.95)
        q = np.sqrt((1 - e) / (1 + e))
        radius = TARGET_SCALES * np.exp(g.log_scale)
        angle = float(np.degrees(0.5 * np.arctan2(g.e2, g.e1)) % 180)
        targets.append(Ellipse(g.x, g.y, float(radius / np.sqrt(q)), float(radius * np.sqrt(q)), angle))
    return tuple(targets)
