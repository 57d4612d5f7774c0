"""Sky and galaxies fitted together on the tile table: smooth Legendre sky per channel, galaxies of one shape for all channels.

A mask cannot save a galaxy's halo, because the halo's level is what a masked sky fit takes. So the galaxy stands in the model: an
exponential plus a wider, rounder one, with amplitudes of its own in every channel that may not be negative, and lopsided as galaxies are.
Light that the stars scatter beyond their masks stands in it too: left out, it lifts the sky by a tenth of the noise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from layerblend.kinds import Array, Mask

from .legendre import legendre_design
from .objects import Galaxy, find_galaxies, leftover_mask
from .problem import FAINTEST_SHARE, HALO_TINT, Problem, Profile, light_at, make_problem, with_fall_off
from .rounds import State, choose_smoothness, solve_channels
from .shapes import POWER_ERROR, column_slopes, improve_shapes, light_slopes, shape_bounds
from .tiles import TileTable
from .weighing import GALAXY_ERROR, precision_of, residual_scale, uneven_biweight

# The powers of r about the frame's middle that may stand in a sky with a lens's fall-off.
FALL_OFFS = ((4,), (4, 6))
MIDDLE_STIFFNESS = 3e-7
# Arms of a large galaxy cover many rows, which then err together: from this share of the width on, the scatter that is expected grows with
# the scale length, up to so many times.
LARGE_SCALE, MOST_ARMS = 1 / 16, 2.0
# Arms and knots stand in all channels alike but for this share of the light, their own colour.
COLOUR_ERROR = 0.1
ROUNDS = 3
# The round from which channels tell each other about arms: before a galaxy has found its place, what they share may be anything.
COMMON_FROM = 1
START_SCALES = (1 / 30, 1 / 16, 1 / 9)
CLEAN_WEIGHT = 0.3
CLEAN_GALAXY = 0.5
# An edge nearer to a galaxy's middle than so many scale lengths cuts it. Galaxies of less than this share of the brightest one's light (a
# star's halo may be among them) are not worth a word.
CUT_SCALES, CUT_LIGHT = 0.9, 0.1
# Galaxy light, sigma, that counts as halo.
HALO = (0.7, 6.0)


@dataclass(frozen=True)
class SkyFit:
    """Result of the joint fit. Values in sigma above the table's level.

    ``coefficients``: (terms, C) of the Legendre sky of total ``degree``; ``amplitudes``: (components, C). ``weight``: (n, C) robust
    weight of each row of ``rows``; ``residual``: (n, C); ``galaxy``, ``glare``: (n, C) light of the galaxies, and light scattered by
    the stars, at the rows; ``clean``: (n,) rows that are sky in every channel. ``excess``: (C,) scale of the residuals over their
    expected error; ``outside``: (C,) the same off the galaxies. ``far``: galaxy light over the faintest rows. ``halo_error``: (C,) error of
    the mean sky over the halo if the rows' errors are as expected and apart from each other; 0 without a halo. ``bright_error``: the same
    over what is brighter than a halo.
    """

    degree: int
    coefficients: Array
    galaxies: tuple[Galaxy, ...]
    amplitudes: Array
    rows: TileTable
    weight: Array
    residual: Array
    galaxy: Array
    glare: Array
    clean: Array
    excess: Array
    outside: Array
    stiffness: tuple[float, ...]
    far: float
    halo_error: Array
    bright_error: Array
    wide: bool = False


def fit_sky(
    table: TileTable,
    *,
    wide: bool = False,
    stiffness: float | None = None,
    arms: float = GALAXY_ERROR,
) -> SkyFit:
    """Fit the sky of a tile table together with the galaxies in it.

    Parameters
    ----------
    table : TileTable
    wide : the galaxy reaches the frame's edge: cubic sky, one component of free power
    stiffness : of the sky in every channel; what the data ask for when None
    arms : expected scatter of a galaxy's tiles, share of its light
    """
    galaxies = find_galaxies(table)
    problem = make_problem(table, galaxies, wide, arms)
    problems = [problem] if wide else [problem, *(with_fall_off(problem, powers) for powers in FALL_OFFS)]
    tile_design = np.hstack([legendre_design(table.u, table.v, problem.degree), problem.glare.reshape(-1, 1)])
    bounds = shape_bounds(galaxies, table.width)
    n, C = problem.z.shape
    first = [stiffness or MIDDLE_STIFFNESS] * C
    state = State(galaxies, np.ones((n, C)), np.zeros((n, C)), None, first, np.ones(C), np.ones(C), np.ones(n), arms)
    sky, light = lower_parabola(table), np.zeros(table.count.shape)
    for turn in range(ROUNDS):
        state.colour = COLOUR_ERROR if turn >= COMMON_FROM and C > 1 else arms
        mask = leftover_mask(table, sky, light, state.galaxies, first=turn == 0)
        base = np.where(problem.at_rows(mask), 0.0, 1.0)
        solve_channels(problem, state, base)
        if state.galaxies:
            for inner in range(2):
                starts = [table.width * s for s in START_SCALES] if turn == inner == 0 else []
                improve_shapes(problem, state, bounds, starts=starts)
                solve_channels(problem, state, base)
        if stiffness is None:
            problem = choose_smoothness(problems, state, base)
        solve_channels(problem, state, base, turns=4)
        assert state.coefficients is not None and state.amplitude is not None
        sky = (tile_design @ state.coefficients[: problem.n_sky]).mean(1).reshape(table.count.shape)
        light = light_at(problem.profile, state.galaxies, state.amplitude, table.x, table.y).mean(-1)
    return _result(problem, state)


def lower_parabola(table: TileTable) -> Array:
    """(ny, nx) a first sky in luminance: a parabola that follows the lower tiles."""
    design = legendre_design(table.u, table.v, 2)
    use = table.used.ravel()
    A, z, e = design[use], table.value.mean(-1).ravel()[use], table.error.ravel()[use]
    if len(z) < 12:
        return np.full(table.count.shape, float(np.median(z)) if len(z) else 0.0)
    weight = np.ones(len(z))
    for turn in range(12):
        Aw = A * (weight / e**2)[:, None]
        N = Aw.T @ A
        c = np.linalg.solve(N + 1e-9 * np.trace(N) / len(N) * np.eye(len(N)), Aw.T @ z)
        r = (z - A @ c) / e
        r = r / residual_scale(r)
        weight = np.minimum(1, 1.345 / np.maximum(np.abs(r), 1e-9)) if turn < 4 else uneven_biweight(r, 4.685, 2.0)
    return (design @ c).reshape(table.count.shape)


def _result(problem: Problem, state: State) -> SkyFit:
    halo_error, bright_error = _sky_errors(problem, state, [in_halo(state.light), state.light.mean(1) >= HALO[1]])
    A = np.hstack([problem.design, problem.columns(state.galaxies)])
    mean_light = state.light.mean(1)
    assert state.coefficients is not None and state.amplitude is not None
    return SkyFit(
        degree=problem.degree,
        coefficients=state.coefficients[: problem.n_smooth],
        galaxies=tuple(state.galaxies),
        amplitudes=state.amplitude,
        rows=problem.rows,
        weight=state.weight,
        residual=problem.z - A @ state.coefficients,
        galaxy=state.light,
        glare=problem.design[:, problem.n_smooth :] @ state.coefficients[problem.n_smooth : problem.n_sky],
        clean=(state.weight > CLEAN_WEIGHT).all(1) & (mean_light < CLEAN_GALAXY),
        excess=state.excess,
        outside=state.outside,
        stiffness=tuple(state.stiffness),
        far=float(np.quantile(mean_light, FAINTEST_SHARE)) if state.galaxies else 0.0,
        halo_error=halo_error,
        bright_error=bright_error,
        wide=problem.profile.wide,
    )


def _sky_errors(problem: Problem, state: State, places: Sequence[Mask]) -> Array:
    """(places, C) error of the mean sky over each of the ``places`` (n,), from the covariance of all that was fitted: sky, amplitudes and
    shapes; 0 where a place has no rows."""
    if not any(place.any() for place in places):
        return np.zeros((len(places), problem.channels))
    assert state.amplitude is not None
    G = problem.columns(state.galaxies)
    A = np.hstack([problem.design, G])
    precision = precision_of(problem, state.light, state.weight, state.common, state.colour)
    linear, _ = problem.normal(A, precision, state.stiffness, problem.prior_rows(G, state.amplitude))
    slopes = column_slopes(problem, state.galaxies)
    moved = np.stack([light_slopes(slopes, amplitude) for amplitude in state.amplitude.T], 1)
    weighted = np.einsum("ncd,ndm->ncm", precision, moved)
    across = np.concatenate([A.T @ weighted[:, c] for c in range(problem.channels)])
    shapes = np.einsum("ncm,nck->mk", moved, weighted)
    powers = np.arange(len(shapes)) % len(Galaxy._fields) == Galaxy._fields.index("log_power")
    normal = np.block([[linear, across], [across.T, shapes + np.diag(powers / POWER_ERROR**2)]])
    unit = np.sqrt(np.maximum(np.diag(normal), 1e-9))
    wanted = np.zeros((len(normal), len(places), problem.channels))
    for k, place in enumerate(places):
        for c in range(problem.channels if place.any() else 0):
            wanted[c * A.shape[1] : c * A.shape[1] + problem.n_smooth, k, c] = problem.design[place, : problem.n_smooth].mean(0)
    wanted = wanted.reshape(len(normal), -1) / unit[:, None]
    inverse = np.linalg.solve(normal / np.outer(unit, unit) + 1e-9 * np.eye(len(normal)), wanted)
    return np.sqrt(np.maximum((wanted * inverse).sum(0), 0)).reshape(len(places), -1)


def in_halo(light: Array) -> Mask:
    """(n,) rows whose galaxy light (n, C), mean of the channels, is that of a halo."""
    mean = light.mean(-1)
    return np.asarray((mean > HALO[0]) & (mean < HALO[1]))


def galaxy_light(fit: SkyFit, x: Array, y: Array) -> Array:
    """Light of the fitted galaxies at places x, y (px): (..., C) in sigma."""
    return light_at(Profile(fit.wide), fit.galaxies, fit.amplitudes, x, y)


def arms_error(fit: SkyFit) -> float:
    """Expected scatter of the tiles of the largest galaxy that was found, share of its light."""
    largest = max((float(np.exp(galaxy.log_scale)) for galaxy in fit.galaxies), default=0.0)
    return GALAXY_ERROR * float(np.clip(largest / (LARGE_SCALE * fit.rows.width), 1, MOST_ARMS))


def odd_halo(fit: SkyFit) -> float:
    """Light over the halo, sigma, by which the galaxies' haloes are greener or more magenta than their discs: of haloes there is none,
    of a sky whose hump lies behind a galaxy there is. 0 for a model without haloes of their own, and without three channels."""
    rows, halo, odd = fit.rows, in_halo(fit.galaxy), 0.0
    if fit.wide or fit.amplitudes.shape[1] != 3 or not halo.any():
        return 0.0
    x, y = (place[rows.used][halo] for place in (rows.x, rows.y))
    profile = Profile(fit.wide)
    for galaxy, (disc, wide, *_) in zip(fit.galaxies, np.split(fit.amplitudes, max(len(fit.galaxies), 1)), strict=True):
        if (disc > 0).all():
            red, green, blue = wide / (disc * HALO_TINT)
            odd += abs(green - (red + blue) / 2) * float(disc.mean() * profile.columns(x, y, galaxy)[1].mean())
    return odd


def cut_edges(fit: SkyFit) -> list[str]:
    """Edges and corners of the frame that cut a galaxy of the model: nearer to its middle than CUT_SCALES of its scale length."""
    names: set[str] = set()
    if not fit.galaxies:
        return []
    discs = fit.amplitudes[:: len(fit.amplitudes) // len(fit.galaxies)].mean(1)
    light = np.maximum(discs, 0) * np.exp([2 * galaxy.log_scale for galaxy in fit.galaxies])
    for galaxy, own in zip(fit.galaxies, light, strict=True):
        if own < CUT_LIGHT * light.max():
            continue
        near = CUT_SCALES * float(np.exp(galaxy.log_scale))
        down = "upper" if galaxy.y < near else "lower" if galaxy.y > fit.rows.height - near else ""
        across = "left" if galaxy.x < near else "right" if galaxy.x > fit.rows.width - near else ""
        if down or across:
            names.add(f"{down} {across} corner" if down and across else f"{down}{across} edge")
    return sorted(names)
