"""The step itself: measure tiles, fit sky and galaxies, decide whether the target fills the frame, take the sky away."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from layerblend.errors import ArgumentError, check_choice, check_image
from layerblend.kinds import Array, Ellipse, LinearImage, Mask

from .fit import USED_WEIGHT, SkyFit, fit_sky, legendre_design, sky_surface
from .tiles import TileTable, make_tiles
from .words import count_quadrants, gradient_words, quadrant_of, sample_words

MODES = ("subtract", "divide", "off")
FRAME_FILLING = ("auto", "yes", "no")
TOO_FULL = 1.5
WIDE_FAR, WIDE_CLEAN = 0.8, 0.04
FAINTEST_TILES = 0.05
TARGET_SCALES = 3.0
# A surface may rise this many times its own range at the samples, and this much more, before it counts as running away.
MOST_BEYOND, SLACK_SIGMA = 2.0, 3.0
GRID_PLACES = 25
RUNS_AWAY = (
    "Parts of the picture have no sky samples and a bent model would run away there, so only a tilted plane was taken away; "
    "see steps/flatten.png."
)


@dataclass(frozen=True)
class Flattened:
    """A picture without its sky.

    ``image``: like the input, sky-subtracted, sky at 0. ``model``: (H, W, C) or (H, W) what was taken away. ``samples``: structured
    array of the sky samples, ``x``, ``y`` px, ``value`` (C,) linear light, ``used`` (C,) bool (weight above .5 in that channel's fit),
    ``residual`` (C,) sigma. ``targets``: galaxies in the model, ellipses of three scale lengths. ``frame_filling``: the target was
    taken to fill the frame. ``sigma``: (C,) noise of one pixel. ``before``, ``after``: (C,) gradient, peak to peak in sigma.
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
    uncertain: float = 0.0


def flatten(
    image: LinearImage,
    *,
    protect: Sequence[Ellipse] = (),
    sigma: Array | float | None = None,
    frame_filling: bool | str = "auto",
    mode: str = "subtract",
    stars: Mask | None = None,
) -> Flattened:
    """Take the sky gradient away, each channel by itself, and keep the target.

    Parameters
    ----------
    image : (H, W, 3) or (H, W) float32, linear, NaN where no data is
    protect : ellipses, px, that must not count as sky
    sigma : noise of one pixel, linear, one number or one per channel; measured when None
    frame_filling : "auto" decides by itself whether the target fills the frame, True or "yes", False or "no" tell it
    mode : "subtract" for added light (light pollution, moon), "divide" for uneven response (vignetting, dust shadows), "off" to take away
        only one level per channel
    stars : (H, W) bool, star pixels known beforehand; found when None

    Returns
    -------
    Flattened

    Raises
    ------
    ArgumentError
        ``image`` is not a picture in floats; nothing is covered; a choice is unknown; ``divide`` with a sky that is not above zero.
    """
    image = check_image("image", image)
    check_choice("mode", mode, MODES)
    cube = image if image.ndim == 3 else image[..., None]
    noise, skip = _channel_sigma(sigma, cube.shape[2]), _protect_mask(protect, cube.shape[:2])
    table = make_tiles(cube, sigma=noise, skip=skip, stars=stars)
    if not table.used.any() and stars is None:
        # small or crowded: star light is everywhere, so that the tiles' own clipping must do
        table = make_tiles(cube, sigma=noise, skip=skip, stars=np.zeros(cube.shape[:2], bool))
    if not table.used.any():
        raise ArgumentError("`image` has no sky to measure: every tile is empty, masked or protected.")
    fit, filling = decide(table, frame_filling)
    degree, coefficients = (0, _floor_level(table)) if filling else (fit.degree, fit.coefficients)
    runs_away = not filling and _runs_away(fit)
    if runs_away:
        degree, coefficients = 1, _plane_through(fit)
    if mode == "off" and not filling:
        degree, coefficients = 0, _clean_level(table, fit)
    model = sky_surface(coefficients * table.sigma, degree, *cube.shape[:2])
    model += table.level.astype(np.float32)
    flattened = _finish(image, cube, model, table, fit, filling, mode, (degree, coefficients))
    return replace(flattened, words=(*flattened.words, RUNS_AWAY)) if runs_away and mode != "off" else flattened


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


def decide(table: TileTable, frame_filling: bool | str) -> tuple[SkyFit, bool]:
    """The fit that serves, and whether the target fills the frame."""
    fit = fit_sky(table)
    filling = _decide_filling(frame_filling, max(fit.excess) > TOO_FULL)
    if not filling and fit.galaxies and (fit.far > WIDE_FAR or fit.clean.mean() < WIDE_CLEAN):
        fit = fit_sky(table, wide=True)
    return fit, filling


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
    if mode != "divide":
        return image - model
    level = np.float32(1) * np.nanmean(model, axis=(0, 1), dtype=np.float64).astype(np.float32)
    return (image - model) * (level / model)


def _channel_sigma(sigma: Array | float | None, channels: int) -> Array | None:
    if sigma is None:
        return None
    given = np.asarray(sigma, np.float64)
    if given.ndim > 1 or (given.ndim == 1 and given.size != channels) or not (np.isfinite(given).all() and (given > 0).all()):
        raise ArgumentError(f"`sigma` must be one positive number or one per channel, got {sigma!r}.")
    return np.broadcast_to(given, (channels,)).copy()


def _decide_filling(frame_filling: bool | str, too_full: bool) -> bool:
    if isinstance(frame_filling, bool | np.bool_):
        return bool(frame_filling)
    check_choice("frame_filling", frame_filling, FRAME_FILLING)
    return too_full if frame_filling == "auto" else frame_filling == "yes"


def _protect_mask(protect: Sequence[Ellipse], shape: tuple[int, ...]) -> Mask | None:
    if not protect:
        return None
    return np.logical_or.reduce([ellipse.mask(*shape[:2]) for ellipse in protect])


def _floor_level(table: TileTable) -> Array:
    """(1, C) level of the faintest tiles, the same tiles in all channels."""
    value = table.value[table.used]
    light = value.mean(1)
    return np.median(value[light <= np.quantile(light, FAINTEST_TILES)], axis=0)[None]


def _clean_level(table: TileTable, fit: SkyFit) -> Array:
    """(1, C) median of the tiles that are sky in every channel."""
    value = fit.rows.value[fit.rows.used]
    return np.median(value[fit.clean] if fit.clean.any() else value, axis=0)[None]


def _finish(
    image: Array, cube: Array, model: Array, table: TileTable, fit: SkyFit, filling: bool, mode: str, surface: tuple[int, Array]
) -> Flattened:
    rows = fit.rows
    ok = rows.used
    u, v = rows.u[ok], rows.v[ok]
    taken = legendre_design(u, v, surface[0]) @ surface[1]
    used = fit.weight > USED_WEIGHT
    kept, total = count_quadrants(quadrant_of(u, v), used)
    before, after = _peak_to_peak(rows.value[ok], fit), _peak_to_peak(rows.value[ok] - taken, fit)
    words = [] if mode == "off" or filling else [gradient_words(before, after)]
    words += sample_words(kept, total)
    if mode == "divide" and not (model > 0).all():
        raise ArgumentError("`mode` divide needs a sky above zero everywhere; this picture has been sky-subtracted: use subtract.")
    model = model if image.ndim == 3 else model[..., 0]
    return Flattened(
        image=_without(image, model, mode),
        model=model,
        samples=_samples(rows, fit, table, taken, used),
        words=tuple(words),
        targets=_targets(fit),
        frame_filling=filling,
        mode=mode,
        sigma=table.sigma,
        before=before,
        after=after,
        kept=kept,
        total=total,
    )


def _peak_to_peak(value: Array, fit: SkyFit) -> Array:
    """(C,) spread of the clean rows, galaxies taken out; the outermost half per cent on each side left aside."""
    where = fit.clean if fit.clean.sum() > 20 else np.ones(len(value), bool)
    low, high = np.quantile((value - fit.galaxy)[where], [0.005, 0.995], axis=0)
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
    out["residual"] = rows.value[ok] - taken - fit.galaxy
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
