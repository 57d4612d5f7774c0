"""The mean star of a list: one elliptical Moffat for all, each with its own place, height and background, and what every star adds.

All pixels of all stars enter one fit, each at its true distance from its own star's centre, so nothing is shifted or resampled and
undersampled stars are not widened. The pull of every single star on the result gives the error bar, and lets two pictures be compared
star by star.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numba import njit

from layerblend.kinds import Array, Mask, Plane
from layerblend.maths.robust import MAD_TO_SIGMA

STAMP_FWHM = 3.0
MIN_HALF_PX, MAX_HALF_PX = 7, 30
FIRST_BETA = 3.0
STEEPNESS_RANGE = (0.01, 1 / 1.3)  # 1/beta: nearly Gaussian to very broad wings
MAX_ROUNDS = 40
CONVERGED = 1e-6
OUTLIER_SIGMA = 5.0
LN2 = math.log(2.0)


@dataclass(frozen=True)
class MeanStar:
    """Shape of the mean star. Widths in px; influences are (n,), in the order of the stars given (0 for stars not fitted).

    ``good`` : (n,) bool, stars that look like the mean star (no neighbour, no hot pixel, no galaxy).
    """

    fwhm: float
    fwhm_major: float
    eccentricity: float
    angle: float
    beta: float
    good: Mask = field(repr=False)
    influence_fwhm_major: Array = field(repr=False)
    influence_eccentricity: Array = field(repr=False)


def fit_mean_star(plane: Plane, stars: Array, *, fwhm: float) -> MeanStar:
    """Fit one Moffat to all stars at once.

    Parameters
    ----------
    plane : (H, W) float32, linear
    stars : (n, >= 3) x, y, flux; positions good to a pixel
    fwhm : px, first guess; sets the size of the pixel squares

    Returns
    -------
    MeanStar

    Notes
    -----
    Model A (1 + (2^(1/beta) - 1) Q)^-beta + c, Q a quadratic form in the distances, 1 at half maximum; fitted in Q and 1/beta, which
    hardly depend on each other. Places, heights and backgrounds are eliminated star by star (Schur complement), so the cost is linear in
    the number of stars. Pixels of every star are divided by its height and weighted by flux over (flux + median flux), which keeps faint
    stars from adding noise and bright ones from deciding alone. A star's influence is its share of the last step, as in the sandwich
    estimator (White 1982, Econometrica 50, 1). Where no star is, none is ``good`` and the shape is NaN.
    """
    stars = np.asarray(stars, float)
    try:
        return _fitted(plane, stars, fwhm)
    except np.linalg.LinAlgError:  # nothing at these places has a shape: a starless picture
        unknown, none = float("nan"), np.zeros(len(stars))
        return MeanStar(unknown, unknown, unknown, unknown, unknown, none.astype(bool), none, none)


def _fitted(plane: Plane, stars: Array, fwhm: float) -> MeanStar:
    half = int(np.clip(np.ceil(STAMP_FWHM * fwhm), MIN_HALF_PX, MAX_HALF_PX))
    stamps = _Stamps.cut(plane, stars, half)
    shape = _first_shape(fwhm)
    nuisance = stamps.first_nuisance()
    shape, nuisance = _iterate(stamps, shape, nuisance)
    good = _alike(stamps, shape, nuisance)
    if 4 <= good.sum() < len(good):
        shape, part = _iterate(stamps.subset(good), shape, nuisance[good])
        nuisance[good] = part
    pull = np.zeros((len(stars), 4))
    pull[good] = _influences(stamps.subset(good), shape, nuisance[good]) * (len(stars) / max(int(good.sum()), 1))
    width, ellipse = _gradient(_fwhm_major, shape), _gradient(_ellipticity, shape)
    ratio = _ellipticity(shape)
    ratio_error = float(np.std(pull @ ellipse) / np.sqrt(max(len(stars), 1)))
    a, b, angle = _axes(shape)
    return MeanStar(
        fwhm=float(np.sqrt(a * b)),
        fwhm_major=a,
        eccentricity=float(np.sqrt(max(1 - (b / a) ** 2, 0.0))),
        angle=angle,
        beta=float(1 / shape[3]),
        good=good,
        influence_fwhm_major=pull @ width,
        influence_eccentricity=(pull @ ellipse) * _eccentricity_slope(max(ratio, ratio_error)),
    )


@dataclass(frozen=True)
class _Stamps:
    """Pixel squares around the stars: values (n, m), distances from the rounded centre (m,), first heights ``norm`` (n,)."""

    values: Array
    valid: Array
    dx: Array
    dy: Array
    offset: Array
    weight: Array
    norm: Array

    @staticmethod
    def cut(plane: Plane, stars: Array, half: int) -> _Stamps:
        grid = np.arange(-half, half + 1)
        dy, dx = (g.ravel().astype(float) for g in np.meshgrid(grid, grid, indexing="ij"))
        centre = np.rint(stars[:, :2]).astype(int)
        rows = centre[:, 1, None] + dy.astype(int)[None]
        columns = centre[:, 0, None] + dx.astype(int)[None]
        inside = (rows >= 0) & (rows < plane.shape[0]) & (columns >= 0) & (columns < plane.shape[1])
        values = plane[np.clip(rows, 0, plane.shape[0] - 1), np.clip(columns, 0, plane.shape[1] - 1)].astype(float)
        valid = inside & np.isfinite(values)
        flux = np.maximum(stars[:, 2], 0)
        weight = flux / (flux + np.median(flux)) if flux.max(initial=0) > 0 else np.ones(len(stars))
        values = np.where(valid, values, 0)
        rim = np.maximum(np.abs(dx), np.abs(dy)) == half
        height = values[:, np.hypot(dx, dy) < 2.5].max(1) - np.median(values[:, rim], 1)
        norm = np.maximum(height, 1e-3 * np.abs(height).max(initial=1e-12))
        return _Stamps(values, valid, dx, dy, stars[:, :2] - centre, weight, norm)

    def subset(self, keep: Mask) -> _Stamps:
        return _Stamps(self.values[keep], self.valid[keep], self.dx, self.dy, self.offset[keep], self.weight[keep], self.norm[keep])

    def first_nuisance(self) -> Array:
        """(n, 4): x, y from the rounded centre, height, background."""
        rim = np.maximum(np.abs(self.dx), np.abs(self.dy)) == self.dx.max()
        background = np.median(self.values[:, rim], 1)
        return np.column_stack([self.offset, self.norm, background])


def _first_shape(fwhm: float) -> Array:
    """(4,): xx, xy, yy of the quadratic form that is 1 at half maximum, and 1/beta, of a round star."""
    form = 4 / fwhm**2
    return np.array([form, 0.0, form, 1 / FIRST_BETA])


@njit(cache=True, nogil=True)
def _accumulate(values, valid, dx, dy, root, shape, nuisance):
    """Per star: normal matrix (n, 8, 8), right side (n, 8), sum of squared residuals (n,); order shape, then place, height, background."""
    matrix, side, cost = np.zeros((len(values), 8, 8)), np.zeros((len(values), 8)), np.zeros(len(values))
    pxx, pxy, pyy, inverse = shape
    steep = 2.0**inverse - 1
    slopes = np.empty(8)
    for i in range(len(values)):
        x0, y0, height, background = nuisance[i]
        for k in range(len(dx)):
            if not valid[i, k]:
                continue
            x, y = dx[k] - x0, dy[k] - y0
            form = pxx * x * x + 2 * pxy * x * y + pyy * y * y
            base = 1 + steep * form
            log_base = math.log(base)
            profile = math.exp(-log_base / inverse)
            slope = -steep / inverse * profile / base * height
            slopes[0], slopes[1], slopes[2] = slope * x * x, slope * 2 * x * y, slope * y * y
            slopes[3] = height * profile * (log_base / inverse**2 - form * (1 + steep) * LN2 / (inverse * base))
            slopes[4], slopes[5] = -2 * slope * (pxx * x + pxy * y), -2 * slope * (pxy * x + pyy * y)
            slopes[6], slopes[7] = profile, 1.0
            residual = root[i] * (values[i, k] - background - height * profile)
            cost[i] += residual * residual
            for r in range(8):
                weighted = root[i] * slopes[r]
                side[i, r] += weighted * residual
                for c in range(r + 1):
                    matrix[i, r, c] += weighted * root[i] * slopes[c]
        for r in range(8):
            for c in range(r):
                matrix[i, c, r] = matrix[i, r, c]
    return matrix, side, cost


def _normal_parts(stamps: _Stamps, shape: Array, nuisance: Array) -> tuple[Array, ...]:
    matrix, side, cost = _accumulate(
        stamps.values, stamps.valid, stamps.dx, stamps.dy, np.sqrt(stamps.weight) / stamps.norm, shape, nuisance
    )
    gg, gh, hh, gr, hr = matrix[:, :4, :4], matrix[:, :4, 4:], matrix[:, 4:, 4:], side[:, :4], side[:, 4:]
    scale = np.einsum("nii->ni", hh).clip(1e-300) ** -0.5
    hh = hh * scale[:, :, None] * scale[:, None, :] + 1e-9 * np.eye(4)
    return gg, gh * scale[:, None, :], hh, gr, hr * scale, scale, cost


def _reduced(parts: tuple[Array, ...]) -> tuple[Array, Array, Array]:
    """Per star: normal matrix (n, 4, 4) and right side (n, 4) of the shape with the star's own terms eliminated; and hh^-1 [hg | hr]."""
    gg, gh, hh, gr, hr, _, _ = parts
    solved = np.linalg.solve(hh, np.concatenate([np.swapaxes(gh, 1, 2), hr[..., None]], 2))
    matrix = gg - gh @ solved[..., :4]
    side = gr - (gh @ solved[..., 4:])[..., 0]
    return matrix, side, solved


def _iterate(stamps: _Stamps, shape: Array, nuisance: Array) -> tuple[Array, Array]:
    """Levenberg-Marquardt on the shape; the stars' own terms follow exactly."""
    damping = 1e-3
    parts = _normal_parts(stamps, shape, nuisance)
    for _ in range(MAX_ROUNDS):
        matrix, side, solved = _reduced(parts)
        total = matrix.sum(0)
        step = np.linalg.solve(total + damping * np.diag(np.diag(total)), side.sum(0))
        own = (solved[..., 4] - solved[..., :4] @ step) * parts[5]
        new_shape = _inside(shape + step)
        new_nuisance = nuisance + own
        new_nuisance[:, :2] = np.clip(new_nuisance[:, :2], -2.5, 2.5)
        new_nuisance[:, 2] = np.maximum(new_nuisance[:, 2], 0.2 * nuisance[:, 2])
        new_parts = _normal_parts(stamps, new_shape, new_nuisance)
        if new_parts[6].sum() <= parts[6].sum() * (1 + 1e-12):
            done = float(np.max(np.abs(new_shape - shape) / np.maximum(np.abs(new_shape), 1e-3))) < CONVERGED
            shape, nuisance, parts, damping = new_shape, new_nuisance, new_parts, damping / 4
            if done:
                break
        else:
            damping *= 8
            if damping > 1e6:
                break
    return shape, nuisance


def _inside(shape: Array) -> Array:
    """The shape kept a proper ellipse with usable wings."""
    pxx, pyy = np.maximum(shape[[0, 2]], 1e-5)
    limit = 0.95 * np.sqrt(pxx * pyy)
    return np.array([pxx, np.clip(shape[1], -limit, limit), pyy, np.clip(shape[3], *STEEPNESS_RANGE)])


def _alike(stamps: _Stamps, shape: Array, nuisance: Array) -> Mask:
    """Stars whose residuals are no larger than other stars' of their brightness allow."""
    cost = _normal_parts(stamps, shape, nuisance)[6]
    size = np.sqrt(cost / np.maximum(stamps.valid.sum(1), 1) / np.maximum(stamps.weight, 1e-6)) * stamps.norm
    expected = np.exp(np.polyval(_robust_line(np.log(nuisance[:, 2]), np.log(size + 1e-30)), np.log(nuisance[:, 2])))
    excess = np.log((size + 1e-30) / expected)
    sigma = MAD_TO_SIGMA * np.median(np.abs(excess - np.median(excess))) + 1e-3
    return (excess - np.median(excess) < OUTLIER_SIGMA * max(sigma, 0.08)) & (np.abs(nuisance[:, :2]).max(1) < 2.4)


def _robust_line(x: Array, y: Array) -> Array:
    """Slope and height of a line, refitted without what lies far off; flat when the values of x hardly differ."""
    if np.ptp(x) < 0.1 or len(x) < 6:
        return np.array([0.0, float(np.median(y))])
    keep = np.ones(len(x), bool)
    line = np.array([0.0, float(np.median(y))])
    for _ in range(4):
        line = np.polyfit(x[keep], y[keep], 1)
        off = y - np.polyval(line, x)
        keep = np.abs(off - np.median(off)) < 3 * MAD_TO_SIGMA * (np.median(np.abs(off - np.median(off))) + 1e-6)
        if keep.sum() < 5:
            break
    return line


def _influences(stamps: _Stamps, shape: Array, nuisance: Array) -> Array:
    """(n, 4): n times the step of the shape that each star alone asks for at the solution."""
    matrix, side, _ = _reduced(_normal_parts(stamps, shape, nuisance))
    pull = np.linalg.solve(matrix.sum(0), side.T).T * len(side)
    return pull - pull.mean(0)


# ---------------------------------------------------------------- from the quadratic form to widths
def _axes(shape: Array) -> tuple[float, float, float]:
    """FWHM along the long and the short axis (px) and the angle of the long one (degrees)."""
    form = np.array([[shape[0], shape[1]], [shape[1], shape[2]]])
    values, vectors = np.linalg.eigh(form)
    widths = 2 / np.sqrt(np.maximum(values, 1e-12))
    angle = float(np.degrees(np.arctan2(vectors[1, 0], vectors[0, 0])) % 180)
    return float(widths[0]), float(widths[1]), angle


def _fwhm_major(shape: Array) -> float:
    return _axes(shape)[0]


def _ellipticity(shape: Array) -> float:
    """(a - b) / (a + b)."""
    a, b, _ = _axes(shape)
    return (a - b) / (a + b)


def _eccentricity_slope(ratio: float) -> float:
    """d e / d g of e = 2 sqrt(g) / (1 + g)."""
    return float((1 - ratio) / (np.sqrt(max(ratio, 1e-9)) * (1 + ratio) ** 2))


def _gradient(function, shape: Array) -> Array:  # type: ignore[no-untyped-def]
    out = np.empty(4)
    for k in range(4):
        step = np.zeros(4)
        step[k] = 1e-5 * max(abs(shape[k]), 1e-2)
        out[k] = (function(shape + step) - function(shape - step)) / (2 * step[k])
    return out
