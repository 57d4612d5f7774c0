"""Does the target fill the frame? Then no tile is sky, and a bent model would take the target itself."""

from __future__ import annotations

import numpy as np
import scipy

from layerblend.kinds import Array, Mask
from layerblend.maths.robust import MAD_TO_SIGMA, mad_sigma

from .fit import SkyFit, fit_sky, galaxy_light
from .tiles import TileTable

# Scatter of the residuals over their expected error above which the model does not describe the picture.
TOO_FULL = 1.5
# Or: the sky would have to be as supple as it may be in every channel, and there is structure all over the frame that no sky has,
FLOPPY = 1e-8
# between these widths in tiles, so many times its expected error; a galaxy that the model missed shows more at the wider ones.
FINE_TILES, BROAD_TILES = (1.0, 2.5), (2.5, 6.0)
STRUCTURE = 5.0
SMOOTH = 4.0
# Arms all over the frame, under a sky nearly as supple: hardly more at the wider widths than at the finer ones.
RATHER_FLOPPY, HARDLY_FLOPPY, ARMS = 1e-7, 1e-6, 1.5
# A large galaxy's arms under a supple sky show such structure too; but then a stiff sky with one wide galaxy leaves residuals of no more
# than this times their expected error, and of a nebula it leaves more.
A_GALAXY = 1.2
# What smoothing over one tile leaves of the tiles' errors in the difference of two widths.
NOISE_LEFT = 0.26
LEAST_TILES = 50
MOST_GALAXY = 1.0
# The plane passes below all but this share of the tiles, and leans less than they ask for unless that is much.
LOWER_SHARE = 0.03
LEAN, OWN_SLOPE = 0.05, 1.0
PLANE_ROUNDS = 60


def fills_frame(table: TileTable, fit: SkyFit) -> bool:
    """Whether nebula, or a galaxy too large, is everywhere: from what the fit left over and from how supple a sky it needed."""
    if max(*fit.excess, *fit.outside) > TOO_FULL:
        return True
    if max(fit.stiffness) > HARDLY_FLOPPY:
        return False
    # Which of two neighbouring stiffnesses is taken is a matter of chance where nothing is sky: arms are looked for under the suppler.
    supple = max(fit.stiffness) <= RATHER_FLOPPY
    fine, broad = _roughness(table, fit if supple else fit_sky(table, stiffness=RATHER_FLOPPY))
    if fine < STRUCTURE or broad > SMOOTH * fine:
        return False
    if broad < ARMS * fine:
        return True
    return max(fit.stiffness) <= FLOPPY and not is_galaxy(fit_sky(table, wide=True))


def _roughness(table: TileTable, fit: SkyFit) -> tuple[float, float]:
    """Structure off the galaxies at the finer and the wider widths, in units of what tiles' errors leave at the finer; 0 without tiles."""
    light = galaxy_light(fit, table.x, table.y).mean(-1)
    where = table.used & (light < MOST_GALAXY)
    if where.sum() < LEAST_TILES:
        return 0.0, 0.0
    plane = table.value.mean(-1) - light
    unit = NOISE_LEFT * float(np.median(table.error[where]))
    fine, broad = (_structure(plane, where, *widths) / unit for widths in (FINE_TILES, BROAD_TILES))
    return fine, broad


def is_galaxy(wide: SkyFit) -> bool:
    """Whether the wide model describes what fills the frame."""
    return bool(wide.galaxies and max(*wide.excess, *wide.outside) <= A_GALAXY)


def _structure(plane: Array, where: Mask, narrow: float, wide: float) -> float:
    """Robust scatter of what lies between two Gaussian widths, tiles."""
    difference = _smoothed(plane, where, narrow) - _smoothed(plane, where, wide)
    return mad_sigma(difference[where])


def _smoothed(plane: Array, where: Mask, width: float) -> Array:
    """Gaussian mean of the tiles that count."""
    weight = scipy.ndimage.gaussian_filter(where.astype(float), width)
    return scipy.ndimage.gaussian_filter(np.where(where, plane, 0.0), width) / np.maximum(weight, 1e-3)


def lower_plane(table: TileTable) -> Array:
    """(3, C) Legendre coefficients of degree 1: a tilted plane through the faintest tiles of each channel (quantile regression).

    Koenker & Bassett 1978, Econometrica 46, 33; by iteratively reweighted least squares.
    """
    u, v, value = table.u[table.used], table.v[table.used], table.value[table.used]
    design = np.stack([np.ones_like(u), v, u], 1)
    out = np.zeros((3, value.shape[1]))
    for c in range(value.shape[1]):
        out[0, c] = np.quantile(value[:, c], LOWER_SHARE)
        for _ in range(PLANE_ROUNDS):
            r = value[:, c] - design @ out[:, c]
            scatter = mad_sigma(r)
            softening = 0.3 * scatter / MAD_TO_SIGMA + 1e-3
            weight = np.where(r > 0, LOWER_SHARE, 1 - LOWER_SHARE) / np.maximum(np.abs(r), softening)
            # a nebula's own slope is of the size of its structure: what leans far more is no nebula's, and nothing holds it back
            held = LEAN / (1 + np.square(out[1:, c] / (OWN_SLOPE * scatter + 1e-3)))
            normal = (design * weight[:, None]).T @ design + np.diag([0, *held]) * weight.sum()
            out[:, c] = np.linalg.solve(normal, (design * weight[:, None]).T @ value[:, c])
    return out
