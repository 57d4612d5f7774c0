"""The elliptical Moffat profile: fit it to stars, draw it, and its transfer function.

Profile: I(dx, dy) = peak (1 + Q)^-beta, Q = p dx^2 + 2 q dx dy + r dy^2 (Moffat 1969, A&A 3, 455). Along an axis the width is
FWHM = 2 gamma sqrt(2^(1/beta) - 1) with gamma = 1/sqrt(eigenvalue of Q). ``fwhm`` is always the geometric mean of both axes and the
width in the image, pixel and debayering included. e1 + i e2 = (a - b)/(a + b) exp(2 i angle), a and b the long and short axes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy
from numba import njit

from layerblend.errors import check_range
from layerblend.kinds import Array, Mask, Plane
from layerblend.maths.robust import mad_sigma, weighted_median
from layerblend.maths.stars import GOOD

# Share of the peak that the model may miss anywhere (no star is an exact Moffat). The same for core and wings, so that a debayered star
# gets one width whatever its brightness; a share of the light itself would let the wings rule bright stars.
MODEL_ERROR = 0.02
HUBER = 3.0
MAX_STEPS = 40
# A fit has settled when a step lowers its cost by no more than this share.
SETTLED = 1e-5
BETA_LOW, BETA_HIGH = 1.3, 20.0
START_BETA = 3.0
PARAMETERS = 10
# A fit whose residuals are this many times the expected ones is no star.
CHI_LIMIT = 6.0
# Hot pixels spread by debayering or resampling stay narrower than this.
HOT_WIDTH_PX = 2.5
# What fits leave is followed by so many even powers of the radius, to so many half-widths, over at least so many stars.
PROFILE_TERMS, PROFILE_REACH, FEWEST_PROFILES = 4, 1.5, 5
# Fits of fainter stars, in sigma of their peaks, leave noise that hangs together with the fit.
BRIGHT_PROFILE = 30
# Two classes of width count as such when they lie this far apart in ln(width).
CLASS_GAP = 0.3
# Ellipses of stars so far above the noise scatter by less than this, coma and all; those of small galaxies by .15.
ELLIPSE_SNR, ONE_ELLIPSE = 15.0, 0.11


@dataclass(frozen=True)
class StarFits:
    """Elliptical Moffat fits, one entry per star, float64.

    ``x, y`` px; ``flux`` of the whole profile and ``peak`` above the local level, unit of the plane; ``fwhm`` px, geometric mean of the
    axes; ``e1, e2`` ellipse; ``beta``; ``level`` local background at the star; ``chi`` rms residual over the expected one; ``ok``.
    """

    x: Array
    y: Array
    flux: Array
    peak: Array
    fwhm: Array
    e1: Array
    e2: Array
    beta: Array
    level: Array
    chi: Array
    ok: Mask

    def __len__(self) -> int:
        return len(self.x)

    def take(self, chosen: Array) -> StarFits:
        """The fits at these indices or under this mask."""
        return StarFits(**{name: getattr(self, name)[chosen] for name in self.__dataclass_fields__})

    @property
    def eccentricity(self) -> Array:
        """sqrt(1 - (short axis / long axis)^2) of every star."""
        return axes_of(self.fwhm, self.e1, self.e2)[1]

    @property
    def fwhm_major(self) -> Array:
        """Width along the long axis, px."""
        return axes_of(self.fwhm, self.e1, self.e2)[0]

    @property
    def angle(self) -> Array:
        """Direction of the long axis, degrees from +x towards +y, 0 <= angle < 180."""
        return axes_of(self.fwhm, self.e1, self.e2)[2]


def axes_of(fwhm: Array, e1: Array, e2: Array) -> tuple[Array, Array, Array]:
    """fwhm_major (px), eccentricity and angle (degrees) from the geometric-mean width and the ellipse components."""
    ratio = np.minimum(np.hypot(e1, e2), 0.98)
    short = (1 - ratio) / (1 + ratio)
    angle = np.degrees(0.5 * np.arctan2(e2, e1)) % 180.0
    return fwhm / np.sqrt(short), np.sqrt(1 - short**2), angle


# ---------------------------------------------------------------- fit
def fit_radius(fwhm: float) -> int:
    """Half side of the square a star is fitted in, px: wide enough to tell wings from sky."""
    return int(np.clip(round(2.2 * fwhm) + 2, 5, 30))


def fit_moffat_stars(
    above: Plane,
    x: Array,
    y: Array,
    *,
    fwhm: float,
    noise: float,
    codes: Array | None = None,
    shot: float = 0.0,
    beta: float | None = None,
    most_beta: float = BETA_HIGH,
    radius: int | None = None,
) -> StarFits:
    """Fit an elliptical Moffat on a sloping local level to every star by damped least squares, beta free unless given.

    Parameters
    ----------
    above : (H, W) float32, linear, finite; best with the coarse background subtracted
    x, y : (n,) places to begin from, px
    fwhm : float, px, first guess
    noise : float, sd of a sky pixel, unit of ``above``
    codes : (H, W) uint8, pixels that are not GOOD are left out of the fits
    shot : float, growth of the variance with the signal (noise^2 per unit of light); 0 when the sky dominates
    beta : float or None, held fixed when given
    most_beta : float, the largest that is tried; 20 comes close to a Gaussian, whose width it tells 1.6 % too small
    radius : int, px, half side of the square fitted; from ``fwhm`` when left out

    Returns
    -------
    StarFits, in the order of ``x``; ``ok`` False where the fit failed, ran away from its start or touches the limits.

    References
    ----------
    Moffat 1969, A&A 3, 455; Marquardt 1963, J. SIAM 11, 431; Huber 1964, Ann. Math. Stat. 35, 73.
    """
    check_range("noise", noise, 0, math.inf, open_low=True)
    check_range("fwhm", fwhm, 0, math.inf, open_low=True)
    if codes is None:
        codes = np.ones(above.shape, np.uint8)
    raw = np.zeros((len(x), PARAMETERS + 2))
    _fit_kernel(
        np.ascontiguousarray(above, np.float32),
        codes,
        np.asarray(x, np.float64),
        np.asarray(y, np.float64),
        fit_radius(fwhm) if radius is None else int(radius),
        float(fwhm),
        START_BETA if beta is None else float(beta),
        beta is None,
        1 / float(most_beta),
        float(noise) ** 2,
        float(shot),
        raw,
    )
    return _fits_from_raw(raw, np.asarray(x, float), np.asarray(y, float))


def _fits_from_raw(raw: Array, x0: Array, y0: Array) -> StarFits:
    """Axes and fluxes from the kernel's parameters (see `_start`; then chi, ok)."""
    peak, x, y, p, q, r, curl, level = raw[:, :8].T
    with np.errstate(divide="ignore"):
        beta = 1 / curl
    p, q, r = p * curl, q * curl, r * curl
    mean, half = (p + r) / 2, np.hypot((p - r) / 2, q)
    ok = (raw[:, 11] > 0) & (mean - half > 0) & (peak > 0) & (np.hypot(x - x0, y - y0) < 3.0)
    with np.errstate(all="ignore"):
        width = 2 * np.sqrt(2 ** (1 / beta) - 1)
        long_axis, short_axis = width / np.sqrt(mean - half), width / np.sqrt(mean + half)
        fwhm = np.sqrt(long_axis * short_axis)
        ratio = (long_axis - short_axis) / (long_axis + short_axis)
        angle = np.arctan2(-2 * q, r - p)
        flux = peak * math.pi / np.sqrt((mean - half) * (mean + half)) / (beta - 1)
    ok &= np.isfinite(fwhm) & np.isfinite(flux)
    return StarFits(x, y, flux, peak, fwhm, ratio * np.cos(angle), ratio * np.sin(angle), beta, level, raw[:, 10], ok)


@njit(cache=True, nogil=True)
def _fit_kernel(
    above: Array,
    codes: Array,
    xs: Array,
    ys: Array,
    radius: int,
    fwhm: float,
    beta: float,
    free_beta: bool,
    least_curl: float,
    variance: float,
    shot: float,
    out: Array,
) -> None:
    side = 2 * radius + 1
    data, weight = np.empty((side, side)), np.empty((side, side))
    par, trial, step = np.empty(PARAMETERS), np.empty(PARAMETERS), np.empty(PARAMETERS)
    normal, gradient = np.empty((PARAMETERS, PARAMETERS)), np.empty(PARAMETERS)
    trial_normal, trial_gradient = np.empty((PARAMETERS, PARAMETERS)), np.empty(PARAMETERS)
    held_normal, held_gradient = np.empty((PARAMETERS, PARAMETERS)), np.empty(PARAMETERS)
    work = np.empty((PARAMETERS, PARAMETERS))
    for s in range(xs.size):
        cx, cy = round(xs[s]), round(ys[s])
        used = _cut_stamp(above, codes, cx, cy, radius, variance, shot, data, weight)
        if used < 0.6 * side * side:
            continue
        _start(par, data, weight, xs[s] - cx, ys[s] - cy, fwhm, beta, radius)
        cost = _normal_equations(data, weight, radius, par, free_beta, normal, gradient)
        damping, settled = 1e-2, False
        for _ in range(MAX_STEPS):
            solved = _solve_damped(normal, gradient, damping, work, step)
            if solved and _leaves_limits(par[6], step[6], least_curl):
                _hold_beta(normal, gradient, held_normal, held_gradient)
                solved = _solve_damped(held_normal, held_gradient, damping, work, step)
            if not solved:
                damping *= 10
                continue
            _take_step(par, step, least_curl, trial)
            # The trial's equations serve the next step: nearly every trial is better, so its cost alone is never computed apart.
            new_cost = _normal_equations(data, weight, radius, trial, free_beta, trial_normal, trial_gradient)
            if new_cost <= cost:
                settled = cost - new_cost <= SETTLED * cost + 1e-12
                par[:], normal[:], gradient[:] = trial, trial_normal, trial_gradient
                cost = new_cost
                damping = max(damping * 0.2, 1e-9)
            else:
                damping *= 8
                settled = damping > 1e10
            if settled:
                break
        out[s, :PARAMETERS] = par
        out[s, 1] += cx
        out[s, 2] += cy
        out[s, 10] = _chi(data, weight, radius, par)
        out[s, 11] = 1.0 if settled and par[6] * BETA_LOW < 1.0 else 0.0


@njit(cache=True, nogil=True)
def _cut_stamp(above: Array, codes: Array, cx: int, cy: int, radius: int, variance: float, shot: float, data: Array, weight: Array) -> int:
    """Copy the square round a star; weights 1/variance from sky noise, light (3 x 3 mean) and the model's own error."""
    height, width = above.shape
    used = 0
    tolerance = (MODEL_ERROR * _peak_light(above, codes, cx, cy)) ** 2
    for j in range(-radius, radius + 1):
        for i in range(-radius, radius + 1):
            y, x = cy + j, cx + i
            data[j + radius, i + radius] = 0.0
            weight[j + radius, i + radius] = 0.0
            if not (0 <= y < height and 0 <= x < width) or codes[y, x] != GOOD:
                continue
            total, n = 0.0, 0
            for v in range(max(0, y - 1), min(height, y + 2)):
                for u in range(max(0, x - 1), min(width, x + 2)):
                    total += above[v, u]
                    n += 1
            light = max(total / n, 0.0)
            data[j + radius, i + radius] = above[y, x]
            weight[j + radius, i + radius] = 1.0 / (variance + shot * light + tolerance)
            used += 1
    return used


@njit(cache=True, nogil=True)
def _peak_light(above: Array, codes: Array, cx: int, cy: int) -> float:
    """Highest of the middle 3 x 3 pixels."""
    height, width = above.shape
    peak = 0.0
    for y in range(max(0, cy - 1), min(height, cy + 2)):
        for x in range(max(0, cx - 1), min(width, cx + 2)):
            if codes[y, x] == GOOD:
                peak = max(peak, above[y, x])
    return peak


@njit(cache=True, nogil=True)
def _start(par: Array, data: Array, weight: Array, dx: float, dy: float, fwhm: float, beta: float, radius: int) -> None:
    """First guess: a round profile of the expected width on the level of the stamp's rim.

    The parameters are peak, x, y, then P, Q, R and c of the profile (1 + c S)^(-1/c), S = P dx^2 + 2 Q dx dy + R dy^2, then level and
    its slopes. That is the Moffat profile with c = 1/beta; written so, width and c hardly depend on each other and c -> 0 is a Gaussian.
    """
    side = 2 * radius + 1
    rim = np.empty(4 * side)
    n = 0
    for k in range(side):
        for j, i in ((0, k), (side - 1, k), (k, 0), (k, side - 1)):
            if weight[j, i] > 0:
                rim[n] = data[j, i]
                n += 1
    level = np.median(rim[:n]) if n > 0 else 0.0
    peak = -1e300
    for j in range(radius - 1, radius + 2):
        for i in range(radius - 1, radius + 2):
            if weight[j, i] > 0:
                peak = max(peak, data[j, i])
    curl = 1 / beta
    sharpness = 4 * (2**curl - 1) / curl / fwhm**2
    par[0] = max(peak - level, 1e-12)
    par[1], par[2] = dx, dy
    par[3], par[4], par[5] = sharpness, 0.0, sharpness
    par[6] = curl
    par[7], par[8], par[9] = level, 0.0, 0.0


@njit(cache=True, nogil=True)
def _normal_equations(data: Array, weight: Array, radius: int, par: Array, free_beta: bool, normal: Array, gradient: Array) -> float:
    """Gauss-Newton matrix and right side with Huber weights; returns the Huber cost."""
    normal[:] = 0.0
    gradient[:] = 0.0
    slope = np.empty(PARAMETERS)
    cost = 0.0
    side = 2 * radius + 1
    for j in range(side):
        dy = j - radius - par[2]
        for i in range(side):
            w = weight[j, i]
            if w == 0.0:
                continue
            dx = i - radius - par[1]
            spread = par[3] * dx * dx + 2 * par[4] * dx * dy + par[5] * dy * dy
            base = max(1 + par[6] * spread, 1e-3)
            log_base = math.log(base)
            profile = math.exp(-log_base / par[6])
            model = par[0] * profile
            residual = data[j, i] - (model + par[7] + par[8] * (i - radius) + par[9] * (j - radius))
            pull = abs(residual) * math.sqrt(w)
            if pull > HUBER:
                cost += HUBER * (2 * pull - HUBER)
                w *= HUBER / pull
            else:
                cost += pull * pull
            steep = -model / base
            slope[0] = profile
            slope[1] = -2 * steep * (par[3] * dx + par[4] * dy)
            slope[2] = -2 * steep * (par[5] * dy + par[4] * dx)
            slope[3] = steep * dx * dx
            slope[4] = 2 * steep * dx * dy
            slope[5] = steep * dy * dy
            slope[6] = model * (log_base - par[6] * spread / base) / par[6] ** 2 if free_beta else 0.0
            slope[7], slope[8], slope[9] = 1.0, i - radius, j - radius
            for a in range(PARAMETERS):
                wa = w * slope[a]
                gradient[a] += wa * residual
                for b in range(a + 1):
                    normal[a, b] += wa * slope[b]
    if not free_beta:
        normal[6, 6] = 1.0
    return cost


@njit(cache=True, nogil=True)
def _chi(data: Array, weight: Array, radius: int, par: Array) -> float:
    """Root mean square of residual over expected residual, in the star's own area only (where the profile exceeds a tenth)."""
    total, n = 0.0, 0
    side = 2 * radius + 1
    for j in range(side):
        dy = j - radius - par[2]
        for i in range(side):
            w = weight[j, i]
            if w == 0.0:
                continue
            dx = i - radius - par[1]
            base = max(1 + par[6] * (par[3] * dx * dx + 2 * par[4] * dx * dy + par[5] * dy * dy), 1e-3)
            profile = math.exp(-math.log(base) / par[6])
            if profile < 0.1:
                continue
            residual = data[j, i] - (par[0] * profile + par[7] + par[8] * (i - radius) + par[9] * (j - radius))
            total += w * residual * residual
            n += 1
    return math.sqrt(total / n) if n > 0 else 1e9


@njit(cache=True, nogil=True)
def _solve_damped(normal: Array, gradient: Array, damping: float, work: Array, step: Array) -> bool:
    """Cholesky solution of (N + damping diag N) step = gradient; False when the matrix is not positive definite."""
    n = PARAMETERS
    for a in range(n):
        for b in range(a + 1):
            total = normal[a, b] * (1 + damping) if a == b else normal[a, b]
            for c in range(b):
                total -= work[a, c] * work[b, c]
            if a == b:
                if not total > 0:
                    return False
                work[a, a] = math.sqrt(total)
            else:
                work[a, b] = total / work[b, b]
    for a in range(n):
        total = gradient[a]
        for c in range(a):
            total -= work[a, c] * step[c]
        step[a] = total / work[a, a]
    for a in range(n - 1, -1, -1):
        total = step[a]
        for c in range(a + 1, n):
            total -= work[c, a] * step[c]
        step[a] = total / work[a, a]
    return True


@njit(cache=True, nogil=True)
def _leaves_limits(curl: float, step: float, least_curl: float) -> bool:
    """Whether a beta at its limit would be moved beyond it, as by the stars of a Gaussian blur."""
    return (curl <= least_curl and step < 0) or (curl >= 1 / BETA_LOW and step > 0)


@njit(cache=True, nogil=True)
def _hold_beta(normal: Array, gradient: Array, held_normal: Array, held_gradient: Array) -> None:
    """The equations of the other parameters alone: cut off at its limit, a step of all would creep and never settle."""
    held_normal[:], held_gradient[:] = normal, gradient
    held_normal[6, :6], held_normal[7:, 6], held_normal[6, 6], held_gradient[6] = 0, 0, 1, 0


@njit(cache=True, nogil=True)
def _take_step(par: Array, step: Array, least_curl: float, trial: Array) -> None:
    """par + step, held back where a step would leave what a star can be."""
    for a in range(PARAMETERS):
        trial[a] = par[a] + step[a]
    for a in (0, 3, 5):
        trial[a] = min(max(trial[a], 0.4 * par[a]), 2.5 * par[a])
    for a in (1, 2):
        trial[a] = par[a] + min(max(step[a], -1.0), 1.0)
    bound = 0.95 * math.sqrt(trial[3] * trial[5])
    trial[4] = min(max(trial[4], -bound), bound)
    trial[6] = min(max(trial[6], least_curl), 1 / BETA_LOW)


# ---------------------------------------------------------------- which fits are stars
def star_class(fits: StarFits, *, noise: float, spread: float = 0.25) -> Mask:
    """Which of the fits share the width of the field's stars: not hot pixels, not galaxies, knots or blends.

    Parameters
    ----------
    fits : StarFits
    noise : float, sd of a sky pixel, unit of the peaks
    spread : float, stars may differ in ln(width) by at most this (focus and coma change the width over the field)

    Returns
    -------
    (n,) bool
    """
    usable = fits.ok & (fits.chi < CHI_LIMIT)
    if not usable.any():
        return usable
    log_width = np.log(np.where(usable, fits.fwhm, 1.0))
    weight = shape_weights(fits, noise)
    centre = densest(log_width[usable], weight[usable])
    wider = usable & (log_width > centre + CLASS_GAP)
    if centre < math.log(HOT_WIDTH_PX) and wider.sum() >= max(8, 0.15 * usable.sum()):
        # Resampled hot pixels are all of one small width; if the rest has a width of its own as well, those are the stars.
        second = densest(log_width[wider], weight[wider])
        close = wider & (np.abs(log_width - second) < 0.12)
        if close.sum() >= max(8, 0.5 * wider.sum()) and _of_one_ellipse(fits.take(close), noise):
            centre, usable = second, wider
    for _ in range(5):
        near = usable & (np.abs(log_width - centre) < spread)
        centre = weighted_median(log_width[near], weight[near])
    scatter = mad_sigma(log_width[near])
    return near & (np.abs(log_width - centre) < max(4 * scatter, 0.08)) & (fits.chi <= max(3 * float(np.median(fits.chi[near])), 1.5))


def _of_one_ellipse(fits: StarFits, noise: float) -> bool:
    """Whether sources are as long and point as one, as stars do: small galaxies round undersampled stars have a width of their own too."""
    clear = fits.peak > ELLIPSE_SNR * noise
    if clear.sum() < FEWEST_PROFILES:
        return True
    return math.hypot(mad_sigma(fits.e1[clear]), mad_sigma(fits.e2[clear])) < ONE_ELLIPSE


def shape_weights(fits: StarFits, noise: float) -> Array:
    """Weights of the stars' shapes: the width of a star of peak SNR s is known to about 1/s, and no star is perfect beyond 2 %."""
    return 1 / ((noise / np.maximum(fits.peak, 1e-30)) ** 2 + MODEL_ERROR**2)


def half_width_factor(above: Plane, stars: StarFits, noise: float, *, codes: Array | None = None) -> float:
    """Width of the stars at half of their height over that of their fits: no star is an exact Moffat, debayered ones least.

    What the fits leave, as a share of the peak and averaged over all stars, is followed by an even polynomial of the radius from the
    middle to 1.5 half-widths; the fitted profile plus that falls to half of its height at the factor returned.

    Parameters
    ----------
    above : (H, W) float32; stars : fits made on it; noise : float, sd of a sky pixel; codes : pixels that are not GOOD are left out

    Returns
    -------
    float, 1 where fewer than five bright stars (peak above 30 sigma) or no good pixels tell
    """
    stars = stars.take(stars.peak > BRIGHT_PROFILE * noise)
    if len(stars) < FEWEST_PROFILES:
        return 1.0
    forms = np.array(
        [
            inverse_shape(f, b, float(e), float(a))
            for f, b, e, a in zip(stars.fwhm, stars.beta, stars.eccentricity, stars.angle, strict=True)
        ]
    )
    normal, right = np.zeros((PROFILE_TERMS, PROFILE_TERMS)), np.zeros(PROFILE_TERMS)
    _add_profiles(
        np.ascontiguousarray(above, np.float32),
        np.ones(above.shape, np.uint8) if codes is None else codes,
        *(stars.x, stars.y, stars.peak, stars.level, stars.beta, forms, noise, normal, right),
    )
    if np.linalg.matrix_rank(normal) < PROFILE_TERMS:
        return 1.0
    beta = weighted_median(stars.beta, shape_weights(stars, noise))
    fall = beta * (1 - 2 ** (-1 / beta))  # of the profile at its half-width, per half-width
    gain = np.r_[0.5, np.ones(PROFILE_TERMS - 1)] / fall
    change, variance = gain @ np.linalg.solve(normal, right), gain @ np.linalg.solve(normal, gain)
    return float(np.clip(1 + change * change**2 / (change**2 + variance), 0.9, 1.1))  # no more than its own error lets believe


@njit(cache=True, nogil=True)
def _add_profiles(
    above: Array, codes: Array, xs: Array, ys: Array, peaks: Array, levels: Array, betas: Array, forms: Array, noise: float,
    normal: Array, right: Array,
) -> None:  # fmt: skip
    """Normal equations of what the fits leave, in even powers of the radius over the half-width."""
    height, width = above.shape
    basis = np.empty(PROFILE_TERMS)
    for s in range(xs.size):
        p, q, r = forms[s]
        half = 2 ** (1 / betas[s]) - 1
        expected = (noise / peaks[s]) ** 2 + MODEL_ERROR**2
        reach = math.ceil(PROFILE_REACH * math.sqrt(half * max(p, r) / (p * r - q * q)))
        cx, cy = round(xs[s]), round(ys[s])
        for y in range(max(cy - reach, 0), min(cy + reach + 1, height)):
            for x in range(max(cx - reach, 0), min(cx + reach + 1, width)):
                dx, dy = x - xs[s], y - ys[s]
                spread = p * dx * dx + 2 * q * dx * dy + r * dy * dy
                square = spread / half
                if square > PROFILE_REACH**2 or codes[y, x] != GOOD:
                    continue
                left = (above[y, x] - levels[s]) / peaks[s] - (1 + spread) ** -betas[s]
                if left * left > CHI_LIMIT**2 * expected:
                    continue
                basis[0] = 1.0
                for k in range(1, PROFILE_TERMS):
                    basis[k] = basis[k - 1] * square
                for a in range(PROFILE_TERMS):
                    right[a] += basis[a] * left / expected
                    for b in range(PROFILE_TERMS):
                        normal[a, b] += basis[a] * basis[b] / expected


def densest(values: Array, weights: Array, reach: float = 0.06) -> float:
    """Mode of a weighted sample: the value that has most weight within ``reach`` of it."""
    near = np.abs(values[:, None] - values[None, :]) <= reach
    return float(values[np.argmax(near @ weights)])


# ---------------------------------------------------------------- the profile itself
def inverse_shape(fwhm: float, beta: float, eccentricity: float = 0.0, angle: float = 0.0) -> tuple[float, float, float]:
    """(p, q, r) of Q = p dx^2 + 2 q dx dy + r dy^2 for a star of this width (geometric mean, px), eccentricity and angle (degrees)."""
    short_over_long = math.sqrt(1 - eccentricity**2)
    gamma = 0.5 * fwhm / math.sqrt(2 ** (1 / beta) - 1)
    along, across = short_over_long / gamma**2, 1 / (short_over_long * gamma**2)
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    return along * c * c + across * s * s, (along - across) * c * s, along * s * s + across * c * c


def moffat_image(
    shape: tuple[int, int],
    fwhm: float,
    beta: float,
    eccentricity: float = 0.0,
    angle: float = 0.0,
    *,
    x: float | None = None,
    y: float | None = None,
    flux: float = 1.0,
    pixel: bool = False,
) -> Plane:
    """A star of given total flux on an empty plane, float32.

    Parameters
    ----------
    shape : (height, width)
    fwhm : float, px, geometric mean of both axes
    beta : float > 1
    eccentricity : 0..1
    angle : degrees of the long axis from +x towards +y
    x, y : place, px; the middle of the plane when left out
    flux : total light, the wings beyond the plane included
    pixel : True integrates the profile over each pixel (a true optical profile); False samples it at pixel centres, which is right for
        a width measured in an image, where the pixel is already contained

    References
    ----------
    Moffat 1969, A&A 3, 455
    """
    check_range("beta", beta, 1, math.inf, open_low=True)
    check_range("fwhm", fwhm, 0, math.inf, open_low=True)
    check_range("eccentricity", eccentricity, 0, 0.999)
    p, q, r = inverse_shape(fwhm, beta, eccentricity, angle)
    dx = np.arange(shape[1])[None, :] - ((shape[1] - 1) / 2 if x is None else x)
    dy = np.arange(shape[0])[:, None] - ((shape[0] - 1) / 2 if y is None else y)
    peak = flux * (beta - 1) * math.sqrt(p * r - q * q) / math.pi
    nodes, shares = np.polynomial.legendre.leggauss(5) if pixel else (np.zeros(1), np.full(1, 2.0))
    image = np.zeros(shape)
    for v, share_v in zip(nodes / 2, shares / 2, strict=True):
        for u, share_u in zip(nodes / 2, shares / 2, strict=True):
            a, b = dx + u, dy + v
            image += share_u * share_v * (1 + p * a * a + 2 * q * a * b + r * b * b) ** -beta
    return (peak * image).astype(np.float32)


def moffat_otf(
    shape: tuple[int, int], fwhm: float, beta: float, eccentricity: float = 0.0, angle: float = 0.0, *, pixel: bool = False
) -> Plane:
    """Transfer function of the elliptical Moffat in `numpy.fft.rfft2` layout: (H, W//2 + 1) float32, 1 at zero frequency.

    Parameters
    ----------
    shape : (height, width) of the image to be filtered
    fwhm, beta, eccentricity, angle : as in `moffat_image`
    pixel : True multiplies with the pixel's own transfer function, sinc(fx) sinc(fy); leave False for a width measured in an image

    Notes
    -----
    H(k) = 2 (z/2)^(beta-1) K_(beta-1)(z) / Gamma(beta-1), z = 2 pi sqrt(k^T S k) with S the inverse of the matrix of Q: the Hankel
    transform of the profile, without wrap-around or sampling.

    References
    ----------
    Gradshteyn & Ryzhik, Table of Integrals, 6.565.4; Trujillo et al. 2001, MNRAS 328, 977.
    """
    check_range("beta", beta, 1, math.inf, open_low=True)
    check_range("fwhm", fwhm, 0, math.inf, open_low=True)
    check_range("eccentricity", eccentricity, 0, 0.999)
    p, q, r = inverse_shape(fwhm, beta, eccentricity, angle)
    determinant = p * r - q * q
    fx = np.fft.rfftfreq(shape[1])[None, :]
    fy = np.fft.fftfreq(shape[0])[:, None]
    z = 2 * math.pi * np.sqrt((r * fx * fx - 2 * q * fx * fy + p * fy * fy) / determinant)
    transfer = _bessel_transfer(z, beta - 1)
    if pixel:
        transfer = transfer * np.sinc(fx) * np.sinc(fy)
    return transfer.astype(np.float32)


def _bessel_transfer(z: Array, order: float) -> Array:
    """2 (z/2)^order K_order(z) / Gamma(order), from a fine table in sqrt z, where the curve is smooth enough for linear reading."""
    grid = np.linspace(0, math.sqrt(max(float(z.max()), 1e-6)), 16384)
    zs = grid[1:] ** 2
    table = np.ones(grid.size)
    table[1:] = 2 * (zs / 2) ** order * scipy.special.kv(order, zs) / math.gamma(order)
    return np.interp(np.sqrt(z).ravel(), grid, table).reshape(z.shape)
