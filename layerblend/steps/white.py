"""White balance from the stars: where they lie along and across the line of blackbody colours tells the camera's factors.

In (ln R/G, ln B/G) the colours of blackbodies form nearly a straight line, and reddening by dust runs nearly along it. Across the line
(green to magenta) twenty stars are enough; along it (blue to orange) only the population's median or a catalogue can say.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numba import njit

from layerblend.errors import FEW_STARS, ArgumentError, check_image, check_numbers
from layerblend.kinds import Array, LinearRGB, Mask
from layerblend.maths.blackbody import blackbody_rgb, kelvin_of_bv, through_dust
from layerblend.maths.clipped import clipped_pixels
from layerblend.maths.robust import MAD_TO_SIGMA, lag_noise, lower_weighted_median, mad_sigma
from layerblend.maths.stars import Candidates, detect_stars, guess_fwhm, prepare_plane

# The usual star of a field: what the population is taken to be. It is seen through dust: .15 mag towards the galactic pole, more by
# the cosecant of the latitude, which is below 30 degrees for half of the sky (Parenago 1940, Astron. Zh. 17, 3, for the law).
USUAL_STAR_KELVIN, USUAL_DUST_MAG = 5600.0, 0.3
# How far the temperatures of a field's stars scatter, as 1 sigma of ln T, F to K stars being most of them (a guess). Dust that is patchy or
# mixed with the stars scatters them further along the line, by about as much as it reddens the middle of them.
USUAL_SCATTER = 0.26
# Dust also moves stars across the line, by this share of what it moves them along it, to either side depending on the size of its grains:
# the curve of Cardelli, Clayton & Mathis 1989, ApJ 345, 245, over the bands gives -.10, -.05 and +.05 at R_V 2.1, 3.1 (the usual) and 5.5.
DUST_ACROSS = 0.06
LOCUS_KELVIN = (3300.0, 13000.0)
# Slope of the locus for common bands, and how far a camera's own slope may lie from it.
SLOPE, SLOPE_ERROR = -1.31, 0.08
LEAST_SNR = 20.0
LEAST_STARS = 5
MOST_STARS = 3000
DETECT_SIGMA = 12.0
# Aperture and sky ring in widths of the star image.
APERTURE_FWHM, RING_FWHM = 1.0, (2.25, 3.5)
RATIO_REACH = 4.0
# Where the lens focuses red or blue elsewhere than green, an aperture of one width misses more of that light: what lies out to so many
# widths is told by the brightest of the stars, so many at most.
WIDE_FWHM, MOST_WIDE, LEAST_WIDE = 2.0, 150, 10
# More is missed beyond, where neighbours shine: the whole is so many times what lies within, and this share of it unsure. From so much on
# (ln) it is worth a word. Ten simulated sets and two synthetic fields asked for 1.1 to 1.5.
WITH_BEYOND, UNSURE_MISSED, MUCH_MISSED = 1.25, 0.2, 0.06
NOTHING_MISSED = np.ones(3)
# Rings this much livelier than the sky lie on a galaxy or in a crowd: such sources do not tell what a star looks like.
QUIET_RING = 1.5
# A galaxy's knots look like stars of one colour, and its dust reddens what lies behind. So only sources count round which the ground is
# dark: no brighter, in sigma of a pixel, than round the darkest tenth of all. The darker half counts in any case (dark clouds redden too),
# and so many sources as tell the middle along the line as surely as its floor allows.
DARK_GROUND, DARKEST, DARK_SHARE, ENOUGH_DARK = 1.0, 0.1, 0.5, 60
FIRST_RING_PX = (9.0, 14.0)
# Unknown mean reddening and make-up of the field, along the line; departure of real stars from the line, across.
ALONG_FLOOR, ALONG_FLOOR_CATALOGUE, ACROSS_FLOOR = 0.05, 0.01, 0.002
STAR_SCATTER = 0.01
MATCH_PX = 2.0
LEAST_SKY_SIGMA = 3.0
# Noise of a pixel, linear light, that is measured at least: coarse steps leave most neighbours alike.
LEAST_NOISE = 1e-12
MEDIAN_ERROR = 1.2533
# Along the line stars count alike up to so many deviations from their middle: nearly as sure as a mean, yet safe from odd sources.
HUBER_REACH, HUBER_ERROR, HUBER_ROUNDS = 1.5, 1.02, 20
# Stars further from the middle than so many deviations tell nothing of the spread.
SPREAD_REACH = 4.0


@dataclass(frozen=True)
class White:
    """White balance factors and how sure they are.

    ``factors``: (3,) multipliers of R, G, B, G = 1. ``along``, ``across``: error of the factors in per cent along the line of
    star colours (blue to orange) and across it (green to magenta); NaN where factors were given or taken from the sky. ``green``: per
    cent of green (negative: magenta) that the stars still show after the factors, NaN without stars. ``stars``: (n, 8) float64, x, y, flux
    R, G, B, their errors over green's flux ..., of the stars used.
    """

    factors: Array
    along: float
    across: float
    green: float
    stars: Array = field(repr=False)
    source: str = "stars"
    slope: float = SLOPE
    words: tuple[str, ...] = ()


def white_balance(
    image: LinearRGB,
    *,
    source: str | Sequence[float] = "stars",
    saturated: Array | None = None,
    star_list: Array | None = None,
    catalogue: Array | None = None,
    sky: Array | None = None,
) -> White:
    """Factors that make the picture neutral, from its stars, its sky, or as given.

    Parameters
    ----------
    image : (H, W, 3) float32, linear, flattened (for "stars" a gradient left does no harm)
    source : "stars", "sky", or three factors R, G, B
    saturated : (H, W) bool or share of saturated frames; found in the picture when None
    star_list : (n, 2 or more) x, y, px of stars; found when None
    catalogue : (m, 3) x, y, px, and B-V of catalogue stars; takes the place of the population's median
    sky : (3,) light of the sky before it was taken away, for source "sky"; the picture's own median when None

    Returns
    -------
    White

    Raises
    ------
    ArgumentError
        ``image`` is not a colour picture; factors not above zero; the sky has no light to balance on; fewer than 5 usable stars.

    References
    ----------
    Planck 1901, Annalen der Physik 309, 553 (star colours); Ballesteros 2012, EPL 97, 34008 (B-V to temperature).
    """
    image = check_image("image", image, colour=True)
    if not isinstance(source, str):
        return _given(image, source, saturated, star_list)
    if source == "sky":
        return _from_sky(image, sky, saturated, star_list)
    if source != "stars":
        raise ArgumentError(f"`source` must be stars, sky or three factors, got {source!r}.")
    stars, missed = _measured(image, saturated, star_list, catalogue is not None)
    if len(stars) < LEAST_STARS:
        raise ArgumentError(
            f"White balance from stars needs at least {LEAST_STARS} unsaturated stars of SNR {LEAST_SNR:g}, found {len(stars)};"
            " give three factors (white.from: [r, g, b]) or balance on the sky (white.from: sky).",
            code=FEW_STARS,
        )
    return _from_catalogue(stars, catalogue, missed) if catalogue is not None else _from_population(stars, missed)


# ---------------------------------------------------------------- photometry
# Columns of `_photometry`: the centre, fluxes R, G, B, green flux within half the aperture, pixels of the aperture (0 where nothing could
# be measured), scatters and levels of the ring in R, G, B.
PLACE, FLUX, NEAR, AREA, SCATTER, LEVEL = slice(0, 2), slice(2, 5), 5, 6, slice(7, 10), slice(10, 13)
LEAST_RING = 20  # pixels of a ring that tell its sky


def measure_colours(image: LinearRGB, *, saturated: Array | None = None, star_list: Array | None = None, everywhere: bool = False) -> Array:
    """(n, 8) float64: x, y, flux R, G, B in an aperture of one FWHM over a ring sky, and the relative errors of the three fluxes.

    Only isolated point sources, unsaturated, with SNR above 20 in every channel; and before dark ground where there are enough of them,
    unless somebody knows what they are: in a ``star_list`` and, ``everywhere``, in a catalogue. Where a channel's star image is wider than
    green's, what the aperture misses of it is added.
    """
    return _measured(image, saturated, star_list, everywhere)[0]


def _measured(image: LinearRGB, saturated: Array | None, star_list: Array | None, everywhere: bool) -> tuple[Array, Array]:
    """The stars of `measure_colours`, and by how much (3,) their fluxes were raised."""
    clipped = clipped_pixels(image, saturated)
    above, codes = prepare_plane(image, saturated=clipped)
    candidates = detect_stars(above, codes, threshold=DETECT_SIGMA)
    if not len(candidates):
        return np.zeros((0, 8)), NOTHING_MISSED
    noise = np.maximum([lag_noise(image[..., c]) for c in range(3)], LEAST_NOISE)
    fwhm = _star_width(image, above, codes, candidates, noise)
    places = np.stack([candidates.x, candidates.y], 1) if star_list is None else np.asarray(star_list, np.float64)[:, :2]
    raw = _photometry(image, codes, places[:MOST_STARS], APERTURE_FWHM * fwhm, RING_FWHM[0] * fwhm, RING_FWHM[1] * fwhm)
    flux, near, area, ring_error = raw[:, FLUX], raw[:, NEAR], raw[:, AREA], raw[:, SCATTER]
    with np.errstate(all="ignore"):
        error = np.sqrt(area[:, None]) * np.maximum(ring_error, noise) / flux
        concentration = near / flux[:, 1]
    good = (area > 0) & (flux > 0).all(1) & (error < 1 / LEAST_SNR).all(1)
    quiet = good & (ring_error < QUIET_RING * noise).all(1)
    model = quiet if quiet.sum() >= LEAST_STARS else good
    if model.any():
        usual = np.median(concentration[model])
        good &= np.abs(concentration - usual) < RATIO_REACH * max(mad_sigma(concentration[model]), 0.02)
    if star_list is None and not everywhere:
        good[good] = _before_dark_ground((raw[good, LEVEL] / noise).mean(1))
    stars = np.hstack([raw[good, PLACE], flux[good], error[good]])
    missed = _missed_light(image, codes, stars, fwhm) if len(stars) >= LEAST_WIDE else NOTHING_MISSED
    stars[:, 2:5] *= missed
    return stars, missed


def _missed_light(image: Array, codes: Array, stars: Array, fwhm: float) -> Array:
    """(3,) by how much more the aperture misses of a channel's light than of green's, as far as the brightest stars tell that for sure."""
    brightest = stars[np.argsort(np.square(stars[:, 5:8]).sum(1), kind="stable")[:MOST_WIDE]]
    wide = _photometry(image, codes, brightest[:, :2], WIDE_FWHM * fwhm, RING_FWHM[0] * fwhm, RING_FWHM[1] * fwhm)[:, FLUX]
    seen = (wide > 0).all(1)
    if seen.sum() < LEAST_WIDE:
        return NOTHING_MISSED
    growth = np.log(wide[seen] / brightest[seen, 2:5])
    growth -= growth[:, 1:2]
    missed = np.median(growth, 0)
    error = MEDIAN_ERROR * np.array([mad_sigma(channel) for channel in growth.T]) / np.sqrt(seen.sum())
    sure = np.maximum(1 - np.square(2 * error / np.where(missed == 0, 1.0, missed)), 0)
    return np.asarray(np.exp(WITH_BEYOND * missed * sure))


def _before_dark_ground(ground: Array) -> Mask:
    """(n,) bool: the sources that may count by the light round them, sigma of a pixel."""
    if len(ground) <= ENOUGH_DARK:
        return np.ones(len(ground), bool)
    darker_half = np.sort(ground)[max(ENOUGH_DARK, int(np.ceil(DARK_SHARE * len(ground)))) - 1]
    return ground <= max(np.quantile(ground, DARKEST) + DARK_GROUND, darker_half)


def _star_width(image: Array, above: Array, codes: Array, candidates: Candidates, noise: Array) -> float:
    """Width of the star images, px, from sources whose surroundings are plain sky: a galaxy's knots outnumber the stars otherwise."""
    places = np.stack([candidates.x, candidates.y], 1)
    ring = _photometry(image, codes, places, 1.0, *FIRST_RING_PX)[:, SCATTER]
    quiet = (ring > 0).all(1) & (ring < QUIET_RING * noise).all(1)
    return guess_fwhm(above, candidates.take(quiet) if quiet.sum() >= LEAST_STARS else candidates)


@njit(cache=True, nogil=True)
def _photometry(image, codes, places, aperture, ring_in, ring_out):  # type: ignore[no-untyped-def]
    """(n, 13) float64, columns as named above, radii in px; a place where nothing can be measured is zero in all."""
    height, width, _ = image.shape
    reach = int(np.ceil(ring_out)) + 1
    out = np.zeros((len(places), 13))
    ring = np.empty((3, (2 * reach + 1) ** 2), np.float32)
    for s in range(len(places)):
        cx, cy = int(places[s, 0] + 0.5), int(places[s, 1] + 0.5)
        if cx < reach or cy < reach or cx >= width - reach or cy >= height - reach:
            continue
        x, y = _centroid(image, cx, cy, aperture)
        n = _ring_pixels(image, codes, cx, cy, x, y, reach, aperture, ring_in, ring_out, ring)
        if n < LEAST_RING:
            continue
        out[s, 0], out[s, 1] = x, y
        for c in range(3):
            level = np.median(ring[c, :n])
            out[s, 2 + c] = _aperture_flux(image, c, level, cx, cy, x, y, reach, aperture)
            if c == 1:
                out[s, 5] = _aperture_flux(image, c, level, cx, cy, x, y, reach, 0.5 * aperture)
            out[s, 7 + c] = MAD_TO_SIGMA * np.median(np.abs(ring[c, :n] - level))
            out[s, 10 + c] = level
        out[s, 6] = np.pi * aperture**2
    return out


@njit(cache=True, nogil=True)
def _ring_pixels(image, codes, cx, cy, x, y, reach, aperture, ring_in, ring_out, ring):  # type: ignore[no-untyped-def]
    """Gather the pixels with data of a ring about x, y into ``ring`` (3, ...) and count them; -1 where the aperture has a bad pixel."""
    n = 0
    for j in range(cy - reach, cy + reach + 1):
        for i in range(cx - reach, cx + reach + 1):
            r = np.hypot(i - x, j - y)
            if r <= aperture + 1 and codes[j, i] != 1:
                return -1
            if ring_in <= r <= ring_out and codes[j, i] == 1:
                for c in range(3):
                    ring[c, n] = image[j, i, c]
                n += 1
    return n


@njit(cache=True, nogil=True)
def _aperture_flux(image, c, level, cx, cy, x, y, reach, radius):  # type: ignore[no-untyped-def]
    """Light of a channel over ``level`` within a circle about x, y, its edge one pixel soft."""
    total = 0.0
    for j in range(cy - reach, cy + reach + 1):
        for i in range(cx - reach, cx + reach + 1):
            share = min(max(radius + 0.5 - np.hypot(i - x, j - y), 0.0), 1.0)
            if share > 0:
                total += share * (image[j, i, c] - level)
    return total


@njit(cache=True, nogil=True)
def _centroid(image, cx, cy, radius):  # type: ignore[no-untyped-def]
    """Centre of light of green's brighter half within ``radius``."""
    reach = int(np.ceil(radius))
    peak = image[cy, cx, 1]
    low = peak
    for y in range(cy - reach, cy + reach + 1):
        for x in range(cx - reach, cx + reach + 1):
            low = min(low, image[y, x, 1])
    floor = low + 0.3 * (peak - low)
    total, sum_x, sum_y = 0.0, 0.0, 0.0
    for y in range(cy - reach, cy + reach + 1):
        for x in range(cx - reach, cx + reach + 1):
            light = image[y, x, 1] - floor
            if light > 0:
                total += light
                sum_x += light * x
                sum_y += light * y
    if total <= 0:
        return float(cx), float(cy)
    return sum_x / total, sum_y / total


# ---------------------------------------------------------------- the line of star colours
def log_ratios(flux: Array) -> Array:
    """(n, 2): ln R/G, ln B/G."""
    return np.log(flux[:, [0, 2]] / flux[:, 1:2])


def _directions(slope: float) -> tuple[Array, Array]:
    """Unit vectors along the locus (towards red) and across it (towards magenta: more red and more blue than green)."""
    along = np.array([1.0, slope]) / np.hypot(1, slope)
    return along, np.array([-along[1], along[0]])


def _middle(values: Array) -> float:
    """Huber's location: a mean in which what lies far off counts as if it lay nearer (Huber 1964, Ann. Math. Stat. 35, 73)."""
    middle, reach = float(np.median(values)), HUBER_REACH * max(float(mad_sigma(values)), 1e-6)
    for _ in range(HUBER_ROUNDS):
        middle += float(np.clip(values - middle, -reach, reach).mean())
    return middle


def fit_slope(ratios: Array, weights: Array) -> float:
    """Slope of ln B/G against ln R/G of the stars, with the slope of common bands as prior."""
    slope = SLOPE
    for _ in range(10):
        along, across = _directions(slope)
        t, u = ratios @ along, ratios @ across
        t, u = t - np.median(t), u - lower_weighted_median(u, weights)
        scatter = max(MAD_TO_SIGMA * np.median(np.abs(u)), 1e-3)
        w = np.minimum(1, 1.345 * scatter / np.maximum(np.abs(u), 1e-9)) / scatter**2
        per_angle = 1 + slope**2  # of the slope, where the line turns
        pull, stiffness = (SLOPE - slope) * per_angle / SLOPE_ERROR**2, per_angle**2 / SLOPE_ERROR**2
        step = per_angle * ((w * t * u).sum() + pull) / ((w * t * t).sum() + stiffness)
        slope += float(np.clip(step, -0.2, 0.2))
        if abs(step) < 1e-4:
            break
    return slope


def _from_population(stars: Array, missed: Array = NOTHING_MISSED) -> White:
    ratios, weights = log_ratios(stars[:, 2:5]), 1 / ((stars[:, 5:8] ** 2).sum(1) + STAR_SCATTER**2)
    slope = fit_slope(ratios, weights)
    along, _ = _directions(SLOPE)
    # only along: how far dust moves a star across the line, a fraction of a per cent, and to which side, depends on bands and grains
    dust = _dust_along(USUAL_DUST_MAG)
    reference = log_ratios(blackbody_rgb(USUAL_STAR_KELVIN))[0] + dust * along
    more = unusual_spread(ratios @ along)
    floors = float(np.hypot(ALONG_FLOOR, more)), float(np.hypot(ACROSS_FLOOR, DUST_ACROSS * (dust + more)))
    words = [
        f"This assumes the usual dust in front of the field: one magnitude more in front of all its stars would leave the picture"
        f" {100 * _dust_along(1.0):.0f} % too blue."
    ]
    if more > ALONG_FLOOR:
        spread = f"{100 * more:.0f} % beyond the usual"
        words.append(f"The stars' colours scatter by {spread}, as behind patchy dust or with unusual stars: the balance is less certain.")
    return _solve(stars, ratios - reference, weights, slope, floors, missed, "stars", words)


def _dust_along(magnitudes: float) -> float:
    """How far dust moves a star along the line, ln."""
    along, _ = _directions(SLOPE)
    return float(log_ratios(through_dust(np.ones((1, 3)), magnitudes))[0] @ along)


def unusual_spread(t: Array) -> float:
    """By how much, ln, the stars' places ``t`` along the line scatter beyond the usual, less half of what chance does."""
    along, _ = _directions(SLOPE)
    cool, hot = log_ratios(blackbody_rgb(USUAL_STAR_KELVIN * np.exp([-USUAL_SCATTER, USUAL_SCATTER]))) @ along
    usual = np.hypot((cool - hot) / 2, _dust_along(USUAL_DUST_MAG))
    middle = np.median(t)
    near = t[np.abs(t - middle) < SPREAD_REACH * max(float(mad_sigma(t)), 1e-6)]
    found = near.std() * (1 - 0.5 / np.sqrt(2 * len(near)))
    return float(np.sqrt(max(found**2 - usual**2, 0.0)))


def _from_catalogue(stars: Array, catalogue: Array, missed: Array) -> White:
    known = np.asarray(catalogue, np.float64)
    known = known[np.isfinite(known).all(1)]
    distance = np.hypot(known[:, 0] - stars[:, :1], known[:, 1] - stars[:, 1:2]) if len(known) else np.full((len(stars), 1), np.inf)
    nearest = distance.argmin(1)
    matched = distance.min(1) < MATCH_PX
    if matched.sum() < LEAST_STARS:
        raise ArgumentError(
            f"The catalogue of white.from matches only {matched.sum()} of {len(stars)} measured stars within {MATCH_PX:g} px where "
            f"{LEAST_STARS} are needed; see that it covers this field and that the picture's WCS is right."
        )
    stars = stars[matched]
    expected = log_ratios(blackbody_rgb(kelvin_of_bv(known[nearest[matched], 2])))
    weights = 1 / ((stars[:, 5:8] ** 2).sum(1) + STAR_SCATTER**2)
    floors = ALONG_FLOOR_CATALOGUE, ACROSS_FLOOR
    return _solve(stars, log_ratios(stars[:, 2:5]) - expected, weights, SLOPE, floors, missed, "catalogue")


def _solve(
    stars: Array,
    offsets: Array,
    weights: Array,
    slope: float,
    floors: tuple[float, float],
    missed: Array,
    source: str,
    more_words: Sequence[str] = (),
) -> White:
    """``floors``: errors along and across that no number of stars takes away; ``missed``: see `_missed_light`."""
    along, across = _directions(slope)
    raised = np.log(missed[[0, 2]])
    floors = float(np.hypot(floors[0], UNSURE_MISSED * (raised @ along))), float(np.hypot(floors[1], UNSURE_MISSED * (raised @ across)))
    t, u = offsets @ along, offsets @ across
    shift = _middle(t) * along + lower_weighted_median(u, weights) * across
    effective = weights.sum() ** 2 / (weights**2).sum()
    along_error = np.hypot(HUBER_ERROR * mad_sigma(t) / np.sqrt(len(t)), floors[0])
    across_error = np.hypot(MEDIAN_ERROR * mad_sigma(u) / np.sqrt(effective), floors[1])
    factors = np.exp(-np.array([shift[0], 0.0, shift[1]]))
    words = [
        f"White balance from {len(stars)} stars: red x {factors[0]:.3f}, blue x {factors[2]:.3f}; sure to {100 * across_error:.1f} %"
        f" between green and magenta, to {100 * along_error:.0f} % between blue and orange."
    ]
    if np.abs(raised).max() > MUCH_MISSED:
        words.append(
            f"Star images differ between the channels, as behind a lens that focuses colours apart: the fluxes were multiplied by "
            f"{missed[0]:.2f} in red and {missed[2]:.2f} in blue for what narrow apertures miss."
        )
    return White(factors, 100 * float(along_error), 100 * float(across_error), 0.0, stars, source, slope, (*words, *more_words))


# ---------------------------------------------------------------- other sources
def _given(image: Array, source: Sequence[float], saturated: Array | None, star_list: Array | None) -> White:
    factors = check_numbers("source", source).astype(np.float64)
    if factors.shape != (3,) or not (np.isfinite(factors) & (factors > 0)).all():
        raise ArgumentError(f"`source` must be three factors above zero, got {source!r}.")
    factors = factors / factors[1]
    return _with_left_over(image, factors, "given", saturated, star_list)


def _from_sky(image: Array, sky: Array | None, saturated: Array | None, star_list: Array | None) -> White:
    if sky is None:
        if np.isnan(image).all((0, 1)).any():
            raise ArgumentError("`image` has no data in one of its channels; give three factors (white.from: [r, g, b]).")
        light = np.nanmedian(image.reshape(-1, 3), 0).astype(np.float64)
        least = LEAST_SKY_SIGMA * np.array([lag_noise(image[..., c]) for c in range(3)])
    else:
        light, least = np.asarray(sky, np.float64), np.zeros(3)
    if light.shape != (3,) or not (light > least).all():
        raise ArgumentError(
            "The sky has no light of its own to balance the colours on; take the stars (white.from: stars) or give three factors."
        )
    return _with_left_over(image, light[1] / light, "sky", saturated, star_list)


def _with_left_over(image: Array, factors: Array, source: str, saturated: Array | None, star_list: Array | None) -> White:
    """Factors that do not come from stars, with the green or magenta that the stars then show."""
    stars = measure_colours(image, saturated=saturated, star_list=star_list)
    green = float("nan")
    words = [f"White balance {source}: red x {factors[0]:.3f}, blue x {factors[2]:.3f}."]
    if len(stars) >= LEAST_STARS:
        green = left_over_green(stars, factors)
        words.append(f"With these factors the stars are {abs(green):.1f} % too {'green' if green > 0 else 'magenta'}.")
    return White(factors, float("nan"), float("nan"), green, stars, source, SLOPE, tuple(words))


def left_over_green(stars: Array, factors: Array) -> float:
    """Per cent of green above what stars on the blackbody line have (negative: magenta) once ``factors`` are applied."""
    ratios = log_ratios(stars[:, 2:5] * np.asarray(factors))
    reference = log_ratios(blackbody_rgb(np.geomspace(*LOCUS_KELVIN, 60)))
    along, across = _directions(SLOPE)
    t, u = ratios @ along, ratios @ across
    line = np.interp(t, *_sorted(reference @ along, reference @ across))
    weights = 1 / ((stars[:, 5:8] ** 2).sum(1) + STAR_SCATTER**2)
    return float(-100 * lower_weighted_median(u - line, weights))


def _sorted(t: Array, u: Array) -> tuple[Array, Array]:
    order = np.argsort(t)
    return t[order], u[order]
