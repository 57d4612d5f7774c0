"""Grading: what a frame's stars and sky look like, and how the frames of a set compare with each other."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.spatial import cKDTree

from layerblend.errors import ArgumentError, check_image, check_range
from layerblend.kinds import Array, FrameInfo, FrameMeasure, FrameRow, FrameTable, LinearImage, Plane, working_luminance
from layerblend.maths import moffat
from layerblend.maths.robust import band_noise, mad_sigma, tile_levels

SATURATION = 0.98
MOST_FITS = 240
DETECT_SIGMA = 8.0
# In a colour frame a hot pixel shows in one channel only; the reddest star's second channel holds more than this share of its first.
HOT_SECOND_CHANNEL = 0.1
# Stars of this peak over noise carry the shape when there are enough of them.
SHAPE_SNR = (30.0, 15.0, 8.0)
ENOUGH_STARS = 20
FEW_STARS = 8
CHANNEL_NOISE_PIXELS = 300_000
# sqrt of the noise-equivalent area of a Gaussian star, in FWHM: sqrt(4 pi) / 2.3548
NOISE_AREA_FWHM = 1.5054
# Debayering by interpolation widens stars in quadrature by 1.4 (green alone) to 1.8 px (bilinear luminance); measured on simulated stars.
DEBAYER_BLUR_PX = 1.7
MATCH_PX = 2.0


def grade_frame(image: LinearImage, *, tile_px: int = 64) -> FrameMeasure:
    """Measure one frame: its stars' width and shape, its sky, its noise, its brightest stars and a coarse table of its levels.

    Widths are those in the image, debayering included (see `optical_fwhm`). Eccentricity is the one all stars share ("coherent"), from
    the medians of the ellipse components, so that noise does not make round stars look elongated.

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
    above, codes = moffat.prepare_plane(image, saturation=SATURATION, tiles=tiles, tile_px=tile_px)
    covered = np.count_nonzero(codes) / codes.size
    sky = tuple(_sky_level(tiles[..., channel]) for channel in range(tiles.shape[2]))
    noise, channel_noise = _noises(image, above, codes, covered)
    candidates = _without_hot_pixels(image, tiles, tile_px, moffat.detect_stars(above, codes, threshold=DETECT_SIGMA))
    fits, stars = _fit_brightest(above, codes, candidates, sky)
    count = round(len(candidates) * stars.sum() / len(fits)) if len(fits) else 0
    shape, words = _common_shape(fits.take(stars), noise)
    return FrameMeasure(
        stars=count,
        **shape,
        sky=sky,
        noise=noise,
        channel_noise=channel_noise,
        star_list=_star_list(above, codes, fits.take(stars), shape),
        tiles=tiles,
        tile_px=tile_px,
        covered=covered,
        words=words or _why_no_stars(count, covered, codes, noise),
    )


def optical_fwhm(fwhm: float, *, blur_px: float = DEBAYER_BLUR_PX) -> float:
    """The width the stars had before debayering, px: sqrt(fwhm^2 - blur^2); for a value beside the image's own width.

    Parameters
    ----------
    fwhm : float, px, measured in a debayered image
    blur_px : float, px, what debayering added in quadrature: about 1.8 bilinear, 1.7 edge-aware, 1.4 green alone

    Returns
    -------
    float, px; NaN where the width measured is not larger than the blur.
    """
    return math.sqrt(fwhm**2 - blur_px**2) if fwhm > blur_px else float("nan")


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
    if covered < 1:
        above = np.where(codes == moffat.NO_DATA, np.float32(np.nan), above)
    noise = band_noise(above)
    if image.ndim == 2:
        return noise, (noise,)
    return noise, tuple(band_noise(image[..., channel], pixels=CHANNEL_NOISE_PIXELS) for channel in range(3))


def _without_hot_pixels(image: LinearImage, tiles: Array, tile_px: int, candidates: moffat.Candidates) -> moffat.Candidates:
    """Leave out what shines in one channel only."""
    if image.ndim == 2 or len(candidates) == 0:
        return candidates
    x, y = candidates.x.astype(np.int64), candidates.y.astype(np.int64)
    light = sum(image[y + dy, x + dx].astype(np.float64) for dy in (-1, 0, 1) for dx in (-1, 0, 1)) / 9
    light = np.sort(light - tiles[y // tile_px, x // tile_px], axis=1)
    return candidates.take(~(light[:, 1] < HOT_SECOND_CHANNEL * light[:, 2]))


def _fit_brightest(above: Plane, codes: Array, candidates: moffat.Candidates, sky: Sequence[float]) -> tuple[moffat.StarFits, Array]:
    """Fits of the strongest isolated candidates, and which of them are stars."""
    if len(candidates) == 0:
        empty = np.zeros(0)
        return moffat.fit_moffat_stars(above, empty, empty, fwhm=3.0, noise=1.0), np.zeros(0, bool)
    fwhm = moffat.guess_fwhm(above, candidates)
    chosen = candidates.take(_isolated(candidates, 2.2 * fwhm))
    chosen = chosen.take(np.arange(min(MOST_FITS, len(chosen))))
    noise = chosen.noise * 2 * math.sqrt(math.pi) * moffat.DETECT_BLUR_PX
    level = float(np.mean(sky))
    shot = noise**2 / level if level > 0 else 0.0
    fits = moffat.fit_moffat_stars(above, chosen.x, chosen.y, fwhm=fwhm, noise=noise, codes=codes, shot=shot)
    return fits, moffat.star_class(fits)


def _isolated(candidates: moffat.Candidates, distance: float) -> Array:
    """Candidates without a neighbour of at least a fifth of their height within ``distance``; all of them where none is alone."""
    places = np.column_stack([candidates.x, candidates.y])
    pairs = cKDTree(places).query_pairs(distance, output_type="ndarray")
    alone = np.ones(len(candidates), bool)
    for one, other in (pairs.T, pairs.T[::-1]):
        alone[one[candidates.height[other] > 0.2 * candidates.height[one]]] = False
    return alone if alone.sum() >= FEW_STARS else np.ones(len(candidates), bool)


def _common_shape(stars: moffat.StarFits, noise: float) -> tuple[dict[str, float], tuple[str, ...]]:
    """Medians of width, ellipse and beta of the well exposed stars."""
    if len(stars) == 0:
        return dict.fromkeys(("fwhm", "fwhm_major", "eccentricity", "angle", "beta"), float("nan")), ()
    snr = stars.peak / noise if noise > 0 else np.full(len(stars), np.inf)
    for least in SHAPE_SNR:
        bright = snr >= least
        if bright.sum() >= ENOUGH_STARS:
            stars = stars.take(bright)
            break
    fwhm, e1, e2 = (float(np.median(values)) for values in (stars.fwhm, stars.e1, stars.e2))
    major, eccentricity, angle = (float(value) for value in moffat.axes_of(np.float64(fwhm), np.float64(e1), np.float64(e2)))
    words = (f"only {len(stars)} stars could be measured, widths are rough",) if len(stars) < FEW_STARS else ()
    return {"fwhm": fwhm, "fwhm_major": major, "eccentricity": eccentricity, "angle": angle, "beta": float(np.median(stars.beta))}, words


def _star_list(above: Plane, codes: Array, stars: moffat.StarFits, shape: Mapping[str, float]) -> Array:
    """x, y, flux, peak of the stars measured, brightest first."""
    if len(stars) == 0:
        return np.zeros((0, 4), np.float32)
    flux = moffat.aperture_fluxes(above, stars.x, stars.y, fwhm=shape["fwhm"], beta=shape["beta"], codes=codes)
    rows = np.column_stack([stars.x, stars.y, flux, stars.peak])
    rows = rows[np.isfinite(flux) & (flux > 0)]
    return rows[np.argsort(-rows[:, 2], kind="stable")][:300].astype(np.float32)


def _why_no_stars(count: int, covered: float, codes: Array, noise: float) -> tuple[str, ...]:
    if count > 0:
        return ()
    if covered == 0:
        return ("no stars: the frame holds no data",)
    if np.count_nonzero(codes == moffat.SATURATED) > 0.5 * codes.size:
        return ("no stars: the frame is saturated",)
    if not noise > 0:
        return ("no stars: all pixels are equal",)
    return ("no stars: nothing in the frame looks like a star (clouds, or far out of focus)",)


# ---------------------------------------------------------------- the set
def grade_table(
    infos: Sequence[FrameInfo], measures: Sequence[FrameMeasure], *, given: Mapping[str, Mapping[str, float]] | None = None
) -> FrameTable:
    """Compare the frames of a set: transparency, brightness scale and SNR from the stars they share; sharpest first.

    Parameters
    ----------
    infos, measures : one entry per frame, same order
    given : measurements by file name, {"name.fits": {"fwhm": 3.1, ...}}; they replace the measured columns, unknown columns are kept

    Returns
    -------
    FrameTable by fwhm_major; frames without stars last and excluded. ``transparency`` is the star flux per second relative to the
    clearest frames, ``flux_scale`` multiplies a frame to the brightness of the reference frame (best SNR among the sharper half),
    ``snr`` is that of the set's typical star.
    """
    if len(infos) != len(measures):
        raise ArgumentError(f"`measures` must have one entry per frame, got {len(measures)} for {len(infos)} frames.")
    brightness, typical = star_brightness(measures)
    exposure = np.array([math.nan if info.exposure_s is None else info.exposure_s for info in infos], float)
    rate = brightness / exposure if np.all(exposure > 0) else brightness
    transparency = rate / _clearest(rate)
    noise = np.array([m.noise for m in measures], float)
    fwhm = np.array([m.fwhm for m in measures], float)
    with np.errstate(all="ignore"):
        snr = typical * brightness / (noise * NOISE_AREA_FWHM * fwhm)
    bases = np.where(np.isfinite(brightness), brightness, _by_exposure(brightness, exposure))
    reference = _reference_index(np.array([m.fwhm_major for m in measures], float), snr)
    rows = [
        _row(info, measure, float(t), float(s), float(bases[reference] / b) if b > 0 else math.nan)
        for info, measure, t, s, b in zip(infos, measures, transparency, snr, bases, strict=True)
    ]
    rows = [_with_given(row, (given or {}).get(row.file)) for row in rows]
    rows.sort(key=lambda row: (bool(row.excluded), row.fwhm_major if math.isfinite(row.fwhm_major) else math.inf))
    return FrameTable(tuple(rows), _table_words(rows, given))


def _row(info: FrameInfo, measure: FrameMeasure, transparency: float, snr: float, flux_scale: float) -> FrameRow:
    sky = measure.sky if len(measure.sky) == 3 else measure.sky * 3
    return FrameRow(
        file=info.path.name,
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
    known = {name: values[name] for name in GIVEN_COLUMNS if name in values and math.isfinite(values[name])}
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


def star_brightness(measures: Sequence[FrameMeasure]) -> tuple[Array, float]:
    """How bright every frame shows the stars it shares with the others.

    All frames' star lists are joined into one catalogue; each frame's brightness is the weighted median ratio of its fluxes to the
    catalogue's, twice: first against the catalogue grown frame by frame, then against the median flux of every star over all frames.

    Returns
    -------
    brightness : (N,) float64, relative, NaN where no star is shared
    typical : float, flux of the catalogue's median star at brightness 1
    """
    brightness = np.full(len(measures), math.nan)
    order = sorted(range(len(measures)), key=lambda i: -len(measures[i].star_list))
    order = [i for i in order if len(measures[i].star_list)]
    if not order:
        return brightness, math.nan
    places, fluxes = np.zeros((0, 2)), np.zeros(0)
    indices: dict[int, Array] = {}
    for i in order:
        stars = measures[i].star_list.astype(np.float64)
        known = _nearest(places, stars[:, :2])
        scale = 1.0 if i == order[0] else _ratio(stars[:, 2], fluxes, known, measures[i])
        if not math.isfinite(scale):
            continue
        brightness[i] = scale
        new = np.flatnonzero(known < 0)
        known[new] = len(places) + np.arange(len(new))
        places, fluxes = np.concatenate([places, stars[new, :2]]), np.concatenate([fluxes, stars[new, 2] / scale])
        indices[i] = known
    fluxes = _median_fluxes(measures, indices, brightness, len(places))
    for i, known in indices.items():
        brightness[i] = _ratio(measures[i].star_list[:, 2].astype(np.float64), fluxes, known, measures[i])
    return brightness, float(np.median(fluxes))


def _nearest(places: Array, stars: Array) -> Array:
    """Index of the catalogue star within 2 px of each star, -1 where there is none or another star of the frame is nearer to it."""
    if len(places) == 0:
        return np.full(len(stars), -1)
    distance, index = cKDTree(places).query(stars, distance_upper_bound=MATCH_PX)
    found = np.where(np.isfinite(distance), index, -1)
    order = np.argsort(distance, kind="stable")
    first = np.zeros(len(stars), bool)
    first[order[np.unique(found[order], return_index=True)[1]]] = True
    return np.where(first, found, -1)


def _ratio(flux: Array, catalogue: Array, index: Array, measure: FrameMeasure) -> float:
    """Weighted median of flux / catalogue over the stars found in both."""
    matched = index >= 0
    if matched.sum() < 3:
        return math.nan
    ratio = flux[matched] / catalogue[index[matched]]
    noise = measure.noise if measure.noise > 0 else 0.0
    error = noise * math.sqrt(math.pi) * moffat.APERTURE_FWHM * measure.fwhm / flux[matched]
    return _weighted_median(ratio, 1 / (error**2 + 0.01**2))


def _weighted_median(values: Array, weights: Array) -> float:
    """Where half of the weight lies on either side, linear between the two middle values."""
    order = np.argsort(values, kind="stable")
    values, weights = values[order], weights[order]
    middle = np.cumsum(weights) - 0.5 * weights
    return float(np.interp(0.5 * weights.sum(), middle, values))


def _median_fluxes(measures: Sequence[FrameMeasure], indices: Mapping[int, Array], brightness: Array, count: int) -> Array:
    """Flux of each catalogue star at brightness 1: the median over the frames that show it."""
    star = np.concatenate(list(indices.values()))
    flux = np.concatenate([measures[i].star_list[:, 2].astype(np.float64) / brightness[i] for i in indices])
    order = np.lexsort((flux, star))
    star, flux = star[order], flux[order]
    first = np.searchsorted(star, np.arange(count))
    number = np.bincount(star, minlength=count)
    return (flux[first + (number - 1) // 2] + flux[first + number // 2]) / 2


# ---------------------------------------------------------------- registration
BRIGHT_STARS = 40
ANGLE_BIN_DEG = 0.5


@dataclass(frozen=True)
class Registration:
    """Where a frame's stars lie against the reference's.

    ``shift`` (dx, dy) px and ``rotation`` degrees carry the reference's stars onto the frame's (rotation about the frame's middle, from +x
    towards +y); NaN when not found. ``matched`` stars agree; ``fault`` says in words what is wrong, empty when registered.
    """

    shift: tuple[float, float]
    rotation: float
    matched: int
    mirrored: bool = False
    fault: str = ""

    @property
    def turned(self) -> bool:
        """The frame stands on its head: turned by 180 degrees, as after a meridian flip."""
        return not self.mirrored and abs(abs(self.rotation) - 180) < 5


def check_registration(
    rows: Sequence[FrameRow], *, reference: int = 0, tolerance_px: float = 1.0, rotation_deg: float = 180.0
) -> tuple[Registration, ...]:
    """Do all frames show their stars where the reference shows them? One answer per row, the reference's own included.

    Parameters
    ----------
    rows : graded frames of one size (excluded ones, having no stars, only come out as "too few stars")
    reference : index of the reference in ``rows``
    tolerance_px : float > 0, largest shift in px, and largest drift in the corners by rotation
    rotation_deg : float, unregistered frames are searched up to this rotation

    Returns
    -------
    tuple of Registration; ``fault`` names the frame and says "shifted by", "turned by 180 degrees", "mirrored" or "not the same field".
    """
    check_range("tolerance_px", tolerance_px, 0, math.inf, open_low=True)
    base = rows[reference]
    shape = (base.info.height, base.info.width)
    answers = []
    for row in rows:
        found = find_registration(row.measure.star_list, base.measure.star_list, shape, rotation_deg=rotation_deg)
        answers.append(replace(found, fault=_registration_fault(row.file, base.file, found, shape, tolerance_px)))
    return tuple(answers)


def find_registration(stars: Array, reference: Array, shape: tuple[int, int], *, rotation_deg: float = 180.0) -> Registration:
    """Shift, rotation and mirroring between two star lists.

    Registered frames are recognised by stars that coincide. Otherwise pairs of stars of equal distance vote for the rotation, then all
    star differences for the shift; the pose found is refined by least squares on the stars it matches.

    Parameters
    ----------
    stars, reference : (n, >= 2) x, y px, brightest first
    shape : (height, width) of both frames
    rotation_deg : float, largest rotation looked for

    Returns
    -------
    Registration, without ``fault``; ``matched`` 0 when no pose was found.
    """
    middle = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
    here, there = (np.asarray(s, np.float64)[:, :2] - middle for s in (stars, reference))
    if min(len(here), len(there)) == 0:
        return Registration((math.nan, math.nan), math.nan, 0)
    if _coincide(here, there):
        return _refined(here, there, 0.0, np.zeros(2), mirrored=False)
    poses = []
    for mirrored in (False, True):
        flipped = there * [-1, 1] if mirrored else there
        for angle in _likely_rotations(here[:BRIGHT_STARS], flipped[:BRIGHT_STARS], rotation_deg):
            shift = _likely_shift(here[:BRIGHT_STARS], _rotated(flipped[:BRIGHT_STARS], angle))
            poses.append(_refined(here, flipped, angle, shift, mirrored=mirrored))
    best = max(poses, key=lambda pose: pose.matched, default=Registration((math.nan, math.nan), math.nan, 0))
    enough = max(4, 0.25 * min(len(here), len(there), BRIGHT_STARS))
    return best if best.matched >= enough else Registration((math.nan, math.nan), math.nan, 0)


def _coincide(here: Array, there: Array) -> bool:
    """More stars coincide than would by chance: against the same lists slid apart by some pixels."""
    matched = _count_matches(here, there)
    chance = max(_count_matches(here + slide, there) for slide in ((13.0, 7.0), (-9.0, 15.0), (-14.0, -11.0), (8.0, -17.0)))
    return matched >= 0.3 * min(len(here), len(there)) and matched > 2 * chance


def _count_matches(here: Array, there: Array) -> int:
    return int(np.count_nonzero(_nearest(there, here) >= 0))


def _rotated(places: Array, angle_deg: float) -> Array:
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    return places @ np.array([[c, s], [-s, c]])


def _likely_rotations(here: Array, there: Array, most_deg: float) -> list[float]:
    """Rotations for which most pairs of stars have the same distance in both lists, best three."""
    if min(len(here), len(there)) < 2:
        return [0.0]
    length_a, angle_a = _pairs(here)
    length_b, angle_b = _pairs(there)
    order = np.argsort(length_b)
    length_b, angle_b = length_b[order], angle_b[order]
    low, high = np.searchsorted(length_b, length_a - 1.0), np.searchsorted(length_b, length_a + 1.0)
    votes = [angle_a[k] - angle_b[low[k] : high[k]] for k in range(len(length_a)) if high[k] > low[k]]
    if not votes:
        return [0.0]
    angle = (np.concatenate(votes) + 180) % 360 - 180
    angle = angle[np.abs(angle) <= most_deg + ANGLE_BIN_DEG]
    counts, edges = np.histogram(angle, np.arange(-180 - ANGLE_BIN_DEG / 2, 180 + ANGLE_BIN_DEG, ANGLE_BIN_DEG))
    counts = np.convolve(counts, [1, 2, 1], "same")
    likely = []
    for _ in range(3):
        k = int(np.argmax(counts))
        near = angle[np.abs(angle - (edges[k] + ANGLE_BIN_DEG / 2)) <= ANGLE_BIN_DEG]
        if counts[k] == 0 or near.size == 0:
            break
        likely.append(float(np.median(near)))
        counts[max(0, k - 2) : k + 3] = 0
    return likely


def _pairs(places: Array) -> tuple[Array, Array]:
    """Length and direction (degrees) from every star to every other."""
    difference = places[None, :, :] - places[:, None, :]
    one, other = np.nonzero(~np.eye(len(places), dtype=bool))
    vector = difference[one, other]
    length = np.hypot(vector[:, 0], vector[:, 1])
    far = length > 20
    return length[far], np.degrees(np.arctan2(vector[far, 1], vector[far, 0]))


def _likely_shift(here: Array, there: Array) -> Array:
    """The difference of places that most pairs of stars agree on within 3 px."""
    differences = (here[:, None, :] - there[None, :, :]).reshape(-1, 2)
    near = cKDTree(differences).query_ball_point(differences, 3.0, return_length=True)
    best = differences[int(np.argmax(near))]
    return np.median(differences[np.hypot(*(differences - best).T) <= 3.0], axis=0)


def _refined(here: Array, there: Array, angle: float, shift: Array, *, mirrored: bool) -> Registration:
    """Rigid pose by least squares on the matched stars (Kabsch 1976, Acta Cryst. A32, 922), three rounds."""
    for _ in range(3):
        index = _nearest(_rotated(there, angle) + shift, here)
        matched = np.flatnonzero(index >= 0)
        if len(matched) < 2:
            break
        a, b = there[index[matched]], here[matched]
        a0, b0 = a - a.mean(0), b - b.mean(0)
        if len(matched) >= 3:
            angle = math.degrees(math.atan2((a0[:, 0] * b0[:, 1] - a0[:, 1] * b0[:, 0]).sum(), (a0 * b0).sum()))
        shift = np.median(b - _rotated(a, angle), axis=0)
    if len(matched) == 1:
        shift = (here[matched] - _rotated(there[index[matched]], angle))[0]
    return Registration((float(shift[0]), float(shift[1])), angle, len(matched), mirrored)


def _registration_fault(file: str, reference: str, found: Registration, shape: tuple[int, int], tolerance_px: float) -> str:
    if found.matched == 0:
        return f"{file} does not show the same stars as {reference}: not registered, another field, or too few stars."
    if found.mirrored:
        return f"{file} is mirrored against {reference}: register the frames first."
    if found.turned:
        return f"{file} is turned by 180 degrees against {reference} (meridian flip?): register the frames first."
    drift = math.hypot(*shape) / 2 * abs(math.radians(found.rotation))
    if abs(found.rotation) > 0 and drift > tolerance_px and found.matched >= 5:
        return f"{file} is rotated by {found.rotation:.2f} degrees against {reference}: register the frames first."
    if math.hypot(*found.shift) > tolerance_px:
        dx, dy = found.shift
        return f"{file} is shifted by ({dx:+.1f}, {dy:+.1f}) px against {reference}: register the frames first."
    return ""
