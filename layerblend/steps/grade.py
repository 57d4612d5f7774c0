"""Grading: what a frame's stars and sky look like, and how the frames of a set compare with each other."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from layerblend.errors import ArgumentError, check_image, check_range
from layerblend.kinds import Array, FrameInfo, FrameMeasure, FrameRow, FrameTable, LinearImage, Plane
from layerblend.maths import crowd, moffat
from layerblend.maths import stars as find
from layerblend.maths.cover import gap_runs
from layerblend.maths.robust import band_noise, mad_sigma, tile_levels, weighted_median

SATURATION = 0.98
MOST_FITS, MOST_FITS_IN_CROWD = 220, 300
DETECT_SIGMA = 8.0
# In a colour frame a hot pixel shows in one channel only; the reddest star's second channel holds more than this share of its first.
HOT_SECOND_CHANNEL = 0.1
FEW_STARS = 8
GAUSSIAN_BETA = 200.0  # within .2 % of a Gaussian's width
ISOLATION_FWHM = 2.2
# A field is crowded when its stars have on average more than so many neighbours within `crowd.REACH_FWHM`.
CROWDED = 0.3
# So many stars give the first star image of a crowded field.
FIRST_FITS = 70
# The star image is found anew from the stars that it helped to cut out.
CROWD_ROUNDS = 2
# Sky level over noise below which a frame's sky must have been taken away.
DARKEST_SKY_SIGMA = 20.0
CHANNEL_NOISE_PIXELS = 200_000
# sqrt of the noise-equivalent area of a Gaussian star, in FWHM: sqrt(4 pi) / 2.3548
NOISE_AREA_FWHM = 1.5054
COPIES_TOLD = 4
MATCH_PX = 2.0
# A catalogue begun with a frame of another place holds that frame alone; so many beginnings are tried, for a set that nobody registered
# would have as many catalogues as frames.
CATALOGUES_TRIED = 8
# Exposures within this ratio count as one; so many frames of one gain tell what a clear sky is at it.
EXPOSURES_ALIKE, FEWEST_OF_A_GAIN = 1.05, 5
GAIN_CARDS = ("EGAIN", "GAIN", "ISOSPEED")
# sd of what rounding to whole steps does to a value (Widrow & Kollar 2008, Quantization Noise), and to Y = (R + 2 G + B) / 4.
ROUNDING, ROUNDING_OF_Y = 12**-0.5, (6 / 16 / 12) ** 0.5
# A file with fewer steps up to white has been told a white level that is not its own.
FEWEST_STEPS = 100
# Of noise, whole numbers and all, next to no pixel holds the lowest value; looked at in so many rows at most. From this share of a channel
# on its sky was cut off.
BLACK_ROWS, CUT_OFF = 500, 0.02
CHANNELS = ("red", "green", "blue")


def grade_frame(image: LinearImage, *, tile_px: int = 64) -> FrameMeasure:
    """Measure one frame: its stars' width and shape, its sky, its noise, its brightest stars and a coarse table of its levels.

    Widths are those in the image, debayering included: interpolation adds, in quadrature, 1.4 px (green alone) to 1.8 px (luminance of
    bilinear interpolation). Eccentricity is the one all stars share ("coherent"), from the medians of the ellipse components, so that
    noise does not make round stars look elongated.

    Parameters
    ----------
    image : (H, W, 3) or (H, W) float32, linear, 1.0 = white level, sky in it; NaN = no data
    tile_px : int >= 8, side of the squares of the level table, px

    Returns
    -------
    FrameMeasure. A frame without stars has ``stars`` 0, NaN widths and says why in ``words``.

    References
    ----------
    Moffat 1969, A&A 3, 455.
    """
    image = check_image("image", image)
    tile_px = int(check_range("tile_px", tile_px, 8, 4096))
    tiles = tile_levels(image, tile_px)
    above, codes = find.prepare_plane(image, saturation=SATURATION, tiles=tiles, tile_px=tile_px)
    covered = np.count_nonzero(codes) / codes.size
    sky = tuple(_sky_level(tiles[..., channel]) for channel in range(tiles.shape[2]))
    noise, channel_noise = _noises(image, above, codes, covered)
    candidates = _without_hot_pixels(image, tiles, tile_px, find.detect_stars(above, codes, threshold=DETECT_SIGMA))
    found = _measure_brightest(above, codes, candidates, sky)
    count = round(len(candidates) * len(found.stars) / found.tried) if found.tried else 0
    star = _star_image(found.stars, noise)
    shape, words = _common_shape(found, star, noise)
    return FrameMeasure(
        stars=count,
        **shape,
        sky=sky,
        noise=noise,
        channel_noise=channel_noise,
        star_list=_star_list(found, star),
        tiles=tiles,
        tile_px=tile_px,
        covered=covered,
        words=words or _why_no_stars(count, covered, codes, noise),
        gaps=gap_runs(codes == find.NO_DATA) if covered < 1 else np.zeros((0, 3), np.int32),
        black=_lowest_shares(image),
    )


def _lowest_shares(image: LinearImage) -> tuple[float, ...]:
    """Share of each channel's pixels that hold its lowest value; none where more hold the next one, as in coarse steps of a whole sky."""
    rows = image[:: max(1, len(image) // BLACK_ROWS)]
    shares = []
    for plane in np.moveaxis(rows if rows.ndim == 3 else rows[..., None], -1, 0):
        values = plane[np.isfinite(plane)]
        low = values == values.min() if values.size else values
        above = values[~low] if values.size else values
        counts = (np.count_nonzero(low), np.count_nonzero(above == above.min())) if above.size else (0, 0)
        shares.append(counts[0] / values.size if counts[0] > counts[1] else 0.0)
    return tuple(shares)


def _sky_level(levels: Plane) -> float:
    """Median of the tiles after clipping those that a galaxy or a halo lifts."""
    values = levels[np.isfinite(levels)].astype(np.float64)
    if values.size == 0:
        return float("nan")
    for _ in range(5):
        kept = values[values <= np.median(values) + 3 * mad_sigma(values) + 1e-12]
        if kept.size == values.size:
            break
        values = kept
    return float(np.median(values))


def _noises(image: LinearImage, above: Plane, codes: Array, covered: float) -> tuple[float, tuple[float, ...]]:
    """Band noise of Y and of every channel."""
    noise = band_noise(above, valid=codes != find.NO_DATA if covered < 1 else None)
    if image.ndim == 2:
        return noise, (noise,)
    return noise, tuple(band_noise(image[..., channel], pixels=CHANNEL_NOISE_PIXELS) for channel in range(3))


def _without_hot_pixels(image: LinearImage, tiles: Array, tile_px: int, candidates: find.Candidates) -> find.Candidates:
    """Leave out what shines in one channel only."""
    if image.ndim == 2 or len(candidates) == 0:
        return candidates
    x, y = candidates.x.astype(np.int64), candidates.y.astype(np.int64)
    light = sum(image[y + dy, x + dx].astype(np.float64) for dy in (-1, 0, 1) for dx in (-1, 0, 1)) / 9
    light = np.sort(light - tiles[y // tile_px, x // tile_px], axis=1)
    return candidates.take(~(light[:, 1] < HOT_SECOND_CHANNEL * light[:, 2]))


@dataclass(frozen=True)
class _Measured:
    """The stars among the fits, where they lie in the plane they were made on, and what brings them from there to the frame."""

    stars: moffat.StarFits
    tried: int
    plane: Plane
    codes: Array
    left: Array
    top: Array


def _measure_brightest(above: Plane, codes: Array, candidates: find.Candidates, sky: Sequence[float]) -> _Measured:
    """Fits of the strongest isolated candidates that are stars; in a crowd, each without the light of its neighbours."""
    if len(candidates) == 0:
        none = np.zeros(0)
        return _Measured(moffat.fit_moffat_stars(above, none, none, fwhm=3.0, noise=1.0), 0, above, codes, none, none)
    noise = candidates.pixel_noise
    fwhm = find.guess_fwhm(above, candidates)

    def measured(plane: Plane, known: Array, x: Array, y: Array, left: Array, top: Array) -> _Measured:
        fits = moffat.fit_moffat_stars(plane, x, y, fwhm=fwhm, noise=noise, codes=known, shot=_shot(noise, sky), most_beta=GAUSSIAN_BETA)
        good = moffat.star_class(fits, noise=noise)
        return _Measured(fits.take(good), len(fits), plane, known, left[good], top[good])

    def in_frame(chosen: Array) -> _Measured:
        return measured(above, codes, candidates.x[chosen], candidates.y[chosen], *np.zeros((2, len(chosen))))

    chosen = np.flatnonzero(find.isolated(candidates, ISOLATION_FWHM * fwhm))
    many = (chosen if len(chosen) >= FEW_STARS else np.arange(len(candidates)))[:MOST_FITS_IN_CROWD]
    chosen = many[:MOST_FITS]
    if crowd.neighbours(candidates, chosen, fwhm) <= CROWDED:
        return in_frame(chosen)
    first = in_frame(chosen[:FIRST_FITS])
    if len(first.stars) < FEW_STARS:
        return in_frame(chosen)
    found = first
    for _ in range(CROWD_ROUNDS):
        alone = crowd.cut_out_alone(above, codes, candidates, many, **_star_image(found.stars, noise))
        found = measured(alone.plane, alone.codes, alone.x, alone.y, alone.left, alone.top)
        if len(found.stars) < FEW_STARS:  # what was taken for neighbours was none, such as the knots of a satellite's trail
            return in_frame(chosen)
    return found


def _shot(noise: float, sky: Sequence[float]) -> float:
    """Growth of the variance with light if the sky's noise is its own photons'; where the sky was taken away, a sky of 400 electrons."""
    level = float(np.mean(sky))
    return noise**2 / max(level, DARKEST_SKY_SIGMA * noise) if math.isfinite(level) else 0.0


def _star_image(stars: moffat.StarFits, noise: float) -> dict[str, float]:
    """Weighted medians of width, ellipse and beta; NaN without stars."""
    names = ("fwhm", "e1", "e2", "beta")
    if len(stars) == 0:
        return dict.fromkeys(names, float("nan"))
    weights = moffat.shape_weights(stars, noise if noise > 0 else 0.0)
    return {name: weighted_median(getattr(stars, name), weights) for name in names}


def _common_shape(found: _Measured, star: Mapping[str, float], noise: float) -> tuple[dict[str, Any], tuple[str, ...]]:
    """The frame's width at half height, eccentricity, angle and beta; words where few stars stand behind them."""
    if len(found.stars) == 0:
        return dict.fromkeys(("fwhm", "fwhm_major", "eccentricity", "angle", "beta"), float("nan")), ()
    fwhm = star["fwhm"] * moffat.half_width_factor(found.plane, found.stars, noise if noise > 0 else 0.0, codes=found.codes)
    major, eccentricity, angle = (float(v[0]) for v in moffat.axes_of(*(np.array([v]) for v in (fwhm, star["e1"], star["e2"]))))
    number = "1 star" if len(found.stars) == 1 else f"{len(found.stars)} stars"
    words = (f"only {number} could be measured, widths are rough",) if len(found.stars) < FEW_STARS else ()
    return {"fwhm": fwhm, "fwhm_major": major, "eccentricity": eccentricity, "angle": angle, "beta": star["beta"]}, words


def _star_list(found: _Measured, image: Mapping[str, float]) -> Array:
    """x, y, flux, peak of the stars measured, brightest first."""
    stars = found.stars
    if len(stars) == 0:
        return np.zeros((0, 4), np.float32)
    flux = find.aperture_fluxes(found.plane, stars.x, stars.y, fwhm=image["fwhm"], beta=image["beta"], codes=found.codes)
    rows = np.column_stack([stars.x + found.left, stars.y + found.top, flux, stars.peak])
    rows = rows[np.isfinite(flux) & (flux > 0)]
    return rows[np.argsort(-rows[:, 2], kind="stable")][:300].astype(np.float32)


def _why_no_stars(count: int, covered: float, codes: Array, noise: float) -> tuple[str, ...]:
    if count > 0:
        return ()
    if covered == 0:
        return ("no stars: the frame holds no data",)
    if np.count_nonzero(codes == find.SATURATED) > 0.5 * codes.size:
        return ("no stars: the frame is saturated",)
    if not noise > 0:
        return ("no stars: all pixels are equal",)
    return ("no stars: nothing in the frame looks like a star (clouds, or far out of focus)",)


# ---------------------------------------------------------------- the set
def grade_table(
    infos: Sequence[FrameInfo],
    measures: Sequence[FrameMeasure],
    *,
    given: Mapping[str, Mapping[str, float]] | None = None,
    names: Sequence[str] | None = None,
    shared: tuple[Array, float] | None = None,
) -> FrameTable:
    """Compare the frames of a set: transparency, brightness scale and SNR from the stars they share; sharpest first.

    Parameters
    ----------
    infos, measures : one entry per frame, same order
    given : measurements by frame name, {"name.fits": {"fwhm": 3.1, ...}}; they replace the measured columns, unknown columns are kept
    names : what the frames are called, no two alike; the names of their files if left out
    shared : what `shared_brightness` found, where it is known already

    Returns
    -------
    FrameTable by fwhm_major; frames without stars last and excluded. ``transparency`` is the star flux per second relative to the
    clearest frames of its gain (by the header), ``flux_scale`` multiplies a frame to the brightness of the reference frame (best SNR among
    the sharper half), ``snr`` is that of the set's typical star.
    """
    if len(infos) != len(measures):
        raise ArgumentError(f"`measures` must have one entry per frame, got {len(measures)} for {len(infos)} frames.")
    names = [info.path.name for info in infos] if names is None else names
    measures, words = _with_rounding(infos, measures)
    brightness, typical = shared or star_brightness(measures)
    exposure = np.array([math.nan if info.exposure_s is None else info.exposure_s for info in infos], float)
    transparency = _transparencies(brightness / _assumed_exposure(exposure), [_gain_of(info) for info in infos])
    noise = np.array([m.noise for m in measures], float)
    fwhm = np.array([m.fwhm for m in measures], float)
    with np.errstate(all="ignore"):
        snr = typical * brightness / (noise * NOISE_AREA_FWHM * fwhm)
    bases = np.where(np.isfinite(brightness), brightness, _by_exposure(brightness, exposure))
    reference = _reference_index(np.array([m.fwhm_major for m in measures], float), snr)
    rows = [
        _row(name, info, measure, float(t), float(s), float(bases[reference] / b) if b > 0 else math.nan)
        for name, info, measure, t, s, b in zip(names, infos, measures, transparency, snr, bases, strict=True)
    ]
    rows = [_with_given(row, (given or {}).get(row.file)) for row in rows]
    rows.sort(key=lambda row: (bool(row.excluded), row.fwhm_major if math.isfinite(row.fwhm_major) else math.inf))
    words += _words_on_unknown_exposure(names, exposure) + _words_on_copies(names, measures) + _words_on_black(measures)
    return FrameTable(tuple(rows), _table_words(rows, given) + words)


def unmeasured_row(name: str, info: FrameInfo, reason: str) -> FrameRow:
    """The row of a frame that is left out whatever its pixels hold: nobody looks at them."""
    nan, nothing = math.nan, np.zeros((0, 4), np.float32)
    tiles = np.full((1, 1, info.channels), nan, np.float32)
    measure = FrameMeasure(0, nan, nan, nan, nan, nan, (nan,), nan, (nan,), nothing, tiles, covered=0.0, words=(reason,))
    return _row(name, info, measure, nan, nan, nan)


def _with_rounding(infos: Sequence[FrameInfo], measures: Sequence[FrameMeasure]) -> tuple[list[FrameMeasure], tuple[str, ...]]:
    """The measures with no noise below what whole numbers hide, and words on frames that hide theirs.

    Below about a third of a step the scatter that a frame shows has nothing to do with its noise: from frame to frame it is nought or
    anything, and weights made from it would give a stack to a single frame.
    """
    raised, hidden = [], []
    for info, measure in zip(infos, measures, strict=True):
        step = abs(info.bscale) / info.white_level if info.bitpix > 0 and info.white_level else 0.0
        if (
            measure.stars == 0
            or not 0 < step <= 1 / FEWEST_STEPS
            or not measure.noise < step * (ROUNDING_OF_Y if info.channels == 3 else ROUNDING)
        ):
            raised.append(measure)
            continue
        noise = step * (ROUNDING_OF_Y if info.channels == 3 else ROUNDING)
        channels = tuple(max(value, step * ROUNDING) if math.isfinite(value) else value for value in measure.channel_noise)
        raised.append(replace(measure, noise=noise, channel_noise=channels))
        hidden.append(info)
    if not hidden:
        return raised, ()
    return raised, (
        f"{len(hidden)} of {len(infos)} frames have less noise than their {hidden[0].bitpix}-bit numbers have steps: light between the "
        "steps is lost, and stacking gains less than its table says; keep more bits (16, or floats) when calibrating and registering.",
    )


def _words_on_copies(names: Sequence[str], measures: Sequence[FrameMeasure]) -> tuple[str, ...]:
    """A sentence on frames that are in the set twice, in whatever format: no two exposures agree to the last digit of every star."""
    first: dict[Any, str] = {}
    copies = []
    for name, measure in zip(names, measures, strict=True):
        mark = (measure.noise, measure.sky, measure.star_list.tobytes())
        if measure.stars and first.setdefault(mark, name) != name:
            copies.append(f"{name} (of {first[mark]})")
    if not copies:
        return ()
    more = f" and {len(copies) - COPIES_TOLD} more" if len(copies) > COPIES_TOLD else ""
    return (
        f"the same picture twice: {', '.join(copies[:COPIES_TOLD])}{more}. A frame that counts twice makes the noise look smaller than it "
        "is, and grain is taken for detail; list the copies under frames.exclude.files.",
    )


def _words_on_black(measures: Sequence[FrameMeasure]) -> tuple[str, ...]:
    """A sentence on frames in which a part of the sky holds the lowest value there is: what was darker was cut off."""
    cut = [measure.black for measure in measures if max(measure.black, default=0.0) > CUT_OFF]
    if not cut:
        return ()
    shares = np.max([black for black in cut if len(black) == len(cut[0])], 0)
    where = "" if len(shares) == 1 else " of " + " and ".join(n for n, s in zip(CHANNELS, shares, strict=True) if s > CUT_OFF)
    return (
        f"{len(cut)} of {len(measures)} frames are cut off at black: up to {shares.max():.0%} of the pixels{where} hold the lowest value. "
        "Faint light is lost there, and colours, white balance and haloes go wrong; add a pedestal when calibrating, or save as floats.",
    )


def _row(name: str, info: FrameInfo, measure: FrameMeasure, transparency: float, snr: float, flux_scale: float) -> FrameRow:
    sky = measure.sky if len(measure.sky) == 3 else measure.sky * 3
    return FrameRow(
        file=name,
        path=info.path,
        info=info,
        measure=measure,
        stars=measure.stars,
        fwhm=measure.fwhm,
        fwhm_major=measure.fwhm_major,
        eccentricity=measure.eccentricity,
        angle=measure.angle,
        sky_r=sky[0],
        sky_g=sky[1],
        sky_b=sky[2],
        noise=measure.noise,
        snr=snr,
        transparency=transparency,
        flux_scale=flux_scale,
        date=info.date or "",
        exposure_s=math.nan if info.exposure_s is None else info.exposure_s,
        excluded="" if measure.stars > 0 else (measure.words[0] if measure.words else "no stars"),
    )


GIVEN_COLUMNS = ("stars", "fwhm", "fwhm_major", "eccentricity", "angle", "sky_r", "sky_g", "sky_b", "noise", "snr", "transparency")


def _with_given(row: FrameRow, values: Mapping[str, float] | None) -> FrameRow:
    """The row with measured columns replaced by the ones given; columns of other names go to ``extra``."""
    if not values:
        return row
    known: dict[str, Any] = {name: values[name] for name in GIVEN_COLUMNS if name in values and math.isfinite(values[name])}
    extra = {name: float(value) for name, value in values.items() if name not in GIVEN_COLUMNS}
    if "stars" in known:
        known["stars"] = round(known["stars"])
    if "fwhm_major" not in known and ("fwhm" in known or "eccentricity" in known):
        fwhm, e = known.get("fwhm", row.fwhm), known.get("eccentricity", row.eccentricity)
        known["fwhm_major"] = fwhm / (1 - min(e, 0.999) ** 2) ** 0.25
    excluded = "" if known.get("stars", row.stars) > 0 else row.excluded
    return replace(row, **known, extra={**row.extra, **extra}, excluded=excluded)


def _table_words(rows: Sequence[FrameRow], given: Mapping[str, Mapping[str, float]] | None) -> tuple[str, ...]:
    words = [f"{row.file}: {text}" for row in rows for text in row.measure.words]
    dark = [row.file for row in rows if not row.excluded and not math.isfinite(row.transparency)]
    if dark:
        words.append(f"brightness not measured, no star in common with the other frames: {', '.join(dark)}")
    unknown = sorted(set(given or {}) - {row.file for row in rows})
    if unknown:
        words.append(f"measurements given for files that are not among the frames: {', '.join(unknown)}")
    return tuple(words)


def _clearest(rate: Array) -> float:
    """The rate of the clearest tenth of the frames (median of them)."""
    finite = np.sort(rate[np.isfinite(rate)])
    return float(np.median(finite[-max(1, len(finite) // 10) :])) if finite.size else math.nan


def _assumed_exposure(exposure: Array) -> Array:
    """(N,) s, unknown ones as long as most: one header without its card must not undo what the others tell."""
    known = exposure > 0
    return np.where(known, exposure, float(np.median(exposure[known])) if known.any() else 1.0)


def _gain_of(info: FrameInfo) -> str:
    """What the header says of the camera's gain, "" where it says nothing: light counts otherwise at another gain."""
    values = {key: value for key, value, _ in info.cards if key in GAIN_CARDS and value is not None}
    return next((str(values[key]).strip() for key in GAIN_CARDS if key in values), "")


def _transparencies(rate: Array, gains: Sequence[str]) -> Array:
    """(N,) star flux per second over that of the clearest frames of the same gain; groups too small to tell go by all."""
    out = rate / _clearest(rate)
    for gain in set(gains):
        same = np.array([other == gain for other in gains])
        if np.isfinite(rate[same]).sum() >= FEWEST_OF_A_GAIN:
            out[same] = rate[same] / _clearest(rate[same])
    return out


def _words_on_unknown_exposure(names: Sequence[str], exposure: Array) -> tuple[str, ...]:
    """Where others differ, the exposure of a frame whose header says none is a guess, and so is its transparency."""
    unknown = [name for name, seconds in zip(names, exposure, strict=True) if not seconds > 0]
    known = exposure[exposure > 0]
    if not unknown or not known.size or known.max() <= EXPOSURES_ALIKE * known.min():
        return ()
    more = f" and {len(unknown) - COPIES_TOLD} more" if len(unknown) > COPIES_TOLD else ""
    return (
        f"the exposures differ and some headers do not say theirs: {', '.join(unknown[:COPIES_TOLD])}{more}. Their transparency is a "
        f"guess, as if they were exposed for {float(np.median(known)):g} s; their brightness and weight do not hang on it.",
    )


def _by_exposure(brightness: Array, exposure: Array) -> Array:
    """Brightness that frames without common stars would have by their exposure alone."""
    known = np.isfinite(brightness) & (exposure > 0)
    rate = float(np.median(brightness[known] / exposure[known])) if known.any() else 1.0
    return np.where(exposure > 0, exposure * rate, 1.0)


def _reference_index(fwhm_major: Array, snr: Array) -> int:
    """Best SNR among the sharper half."""
    order = np.argsort(np.where(np.isfinite(fwhm_major), fwhm_major, np.inf), kind="stable")
    half = order[: max(1, (np.isfinite(fwhm_major).sum() + 1) // 2)]
    return int(half[np.argmax(np.where(np.isfinite(snr[half]), snr[half], -np.inf))])


def shared_brightness(infos: Sequence[FrameInfo], measures: Sequence[FrameMeasure]) -> tuple[Array, float]:
    """`star_brightness` with no noise below what the files' whole numbers hide."""
    return star_brightness(_with_rounding(infos, measures)[0])


def star_brightness(measures: Sequence[FrameMeasure]) -> tuple[Array, float]:
    """How bright every frame shows the stars it shares with the others.

    All frames' star lists are joined into one catalogue, the one that most frames share; each frame's brightness is the weighted median
    ratio of its fluxes to the catalogue's, twice: first against the catalogue grown frame by frame, then against the median flux of every
    star over all frames.

    Returns
    -------
    brightness : (N,) float64, relative, NaN where no star is shared
    typical : float, flux of the catalogue's median star at brightness 1
    """
    brightness = np.full(len(measures), math.nan)
    order = sorted(range(len(measures)), key=lambda i: -len(measures[i].star_list))
    left = [i for i in order if len(measures[i].star_list)]
    if not left:
        return brightness, math.nan
    shared = _Catalogue({}, {}, 0)
    for _ in range(CATALOGUES_TRIED):
        if len(left) <= len(shared.scales):
            break
        grown = _grown_catalogue(measures, left)
        shared = max(shared, grown, key=lambda catalogue: len(catalogue.scales))
        left = [i for i in left if i not in grown.scales]
    for i, scale in shared.scales.items():
        brightness[i] = scale
    fluxes = _median_fluxes(measures, shared.indices, brightness, shared.stars)
    for i, known in shared.indices.items():
        brightness[i] = _ratio(measures[i].star_list[:, 2].astype(np.float64), fluxes, known, measures[i])
    return brightness, float(np.median(fluxes))


@dataclass(frozen=True)
class _Catalogue:
    """Joined star lists: each frame's first brightness, the catalogue's star for each of its own, and how many stars there are."""

    scales: dict[int, float]
    indices: dict[int, Array]
    stars: int


def _grown_catalogue(measures: Sequence[FrameMeasure], order: Sequence[int]) -> _Catalogue:
    """The stars of the first frame and of all that share some with it or with those before them."""
    places, fluxes = np.zeros((0, 2)), np.zeros(0)
    scales: dict[int, float] = {}
    indices: dict[int, Array] = {}
    for i in order:
        stars = measures[i].star_list.astype(np.float64)
        known = find.match_places(stars[:, :2], places, MATCH_PX)
        scale = 1.0 if i == order[0] else _ratio(stars[:, 2], fluxes, known, measures[i])
        if not math.isfinite(scale):
            continue
        new = np.flatnonzero(known < 0)
        known[new] = len(places) + np.arange(len(new))
        places, fluxes = np.concatenate([places, stars[new, :2]]), np.concatenate([fluxes, stars[new, 2] / scale])
        scales[i], indices[i] = scale, known
    return _Catalogue(scales, indices, len(places))


def _ratio(flux: Array, catalogue: Array, index: Array, measure: FrameMeasure) -> float:
    """Weighted median of flux / catalogue over the stars found in both."""
    matched = index >= 0
    if matched.sum() < 3:
        return math.nan
    ratio = flux[matched] / catalogue[index[matched]]
    noise = measure.noise if measure.noise > 0 else 0.0
    error = noise * math.sqrt(math.pi) * find.APERTURE_FWHM * measure.fwhm / flux[matched]
    return weighted_median(ratio, 1 / (error**2 + 0.01**2))


def _median_fluxes(measures: Sequence[FrameMeasure], indices: Mapping[int, Array], brightness: Array, count: int) -> Array:
    """Flux of each catalogue star at brightness 1: the median over the frames that show it."""
    star = np.concatenate(list(indices.values()))
    flux = np.concatenate([measures[i].star_list[:, 2].astype(np.float64) / brightness[i] for i in indices])
    order = np.lexsort((flux, star))
    star, flux = star[order], flux[order]
    first = np.searchsorted(star, np.arange(count))
    number = np.bincount(star, minlength=count)
    return (flux[first + (number - 1) // 2] + flux[first + number // 2]) / 2
