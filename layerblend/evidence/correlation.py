"""Fourier ring correlation of two half-sets: how much of a picture is signal, at every scale, without knowing the truth.

Two stacks from disjoint halves of the frames share the signal and nothing of the noise. Ring by ring in the Fourier plane their correlation
tells signal from noise. It is fooled by whatever both halves share besides the sky: a star mask, a fill or a texture made from the full
stack, the same frame in both halves, fixed pattern without dither. So the halves must come straight from the stacker, stars taken away
from each by itself, before any step that is not linear (or through a chain frozen beforehand).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
import scipy

from layerblend.errors import ArgumentError, check_image
from layerblend.kinds import Array, Mask, Plane, Weight

RESOLUTION_THRESHOLD = 1 / 7
MAX_RINGS = 96
NOISE_MAP_BLUR_PX = 12.0
STRUCTURE_BLURS_PX = (1.5, 6.0)
OVERLAP_RANGE = (0.05, 20.0)
MAX_LOG_HALF = 50.0  # the lowest ring may hold less than one independent pixel
FIRST_CROSSING_RING = 2
CROSSING_SPAN = 0.25
MIN_CROSSING_RINGS = 5
# Blank sky tells what the halves' noise has in common, scale by scale, in some hundred squares of so many pixels a side of which more than
# half is sky, from so many pixels on; what lies so many sigma off does not count.
SQUARE_PX, MOST_SQUARES, LEAST_SKY_PX, MOST_SHARED = 64, 512, 16384, 0.9
STANDS_OUT = ((0.0, 5.0, 3), (1.5, 3.5, 5))  # px of blur, sigma, px of margin: hot pixels, stars
CLIPS, SURROUNDINGS_PX = 6, 6.0
TWICE = 1.15  # by how much less the squares tell because they overlap
SHARE_SPAN = 0.3  # of ln frequency over which the share is averaged
FINE, FINEST, SURE = 0.1, 0.25, 3.0  # cycles/px: finer than 10 px; where hardly any star image has light; errors


@dataclass(frozen=True)
class RingCorrelation:
    """Correlation of two halves per ring, and what follows for the full stack.

    ``frequency`` : (n,) cycles/px; ``correlation`` : (n,) -1..1; ``snr`` : (n,) power signal-to-noise ratio of the mean of both halves,
    2 c / (1 - c); ``snr_interval`` : (n, 2), 95 %; ``n_eff`` : (n,) independent Fourier pixels of a ring by itself, ``n_joint`` when rings
    are averaged. ``resolution_px``: the period in px at which the correlation falls below 1/7, with ``resolution_interval`` (95 %): 2 px
    (the sampling limit) when it never does, inf when it is below from the start. ``signal``, ``noise`` : (n,) power per Fourier pixel of
    the full stack.
    """

    frequency: Array
    correlation: Array
    snr: Array
    snr_interval: Array
    n_eff: Array
    resolution_px: float
    resolution_interval: tuple[float, float]
    signal: Array = field(repr=False)
    noise: Array = field(repr=False)
    n_joint: Array = field(repr=False)
    overlap: float = field(repr=False)

    def band(self, low: float, high: float) -> BandSNR:
        """Mean SNR of the rings between two frequencies (cycles/px), each weighted by its independent pixels, with a 95 % interval."""
        weights = _band_weights(self.frequency, self.n_joint, low, high)
        value = float(weights @ self.snr)
        sd = float(np.sqrt(weights**2 @ (snr_variance(self.snr, self.overlap) / self.n_joint)))
        half = scipy.special.ndtri(0.975) * sd / max(1 + value, 1e-9)  # normal in ln(1 + SNR), see snr_variance
        return BandSNR(value, (float((1 + value) * np.exp(-half) - 1), float((1 + value) * np.exp(half) - 1)), sd)


@dataclass(frozen=True)
class BandSNR:
    """Power SNR of the full stack averaged over a band of frequencies."""

    snr: float
    interval: tuple[float, float]
    sd: float


@dataclass(frozen=True)
class Rings:
    """The rings of the Fourier plane of an (H, W) picture, in the half-plane layout of a real transform."""

    index: Array = field(repr=False)
    multiplicity: Array = field(repr=False)
    frequency: Array
    pixels: Array
    width: float

    def mean(self, power: Array) -> Array:
        """(n,) float64: mean of a half-plane array over each ring."""
        total = np.bincount(self.index.ravel(), (self.multiplicity * power).ravel(), len(self.pixels) + 1)
        return total[: len(self.pixels)] / self.pixels


@dataclass(frozen=True)
class HalfSpectra:
    """Mean and half difference of two halves in the Fourier plane and what the rings hold; what pairs of results are compared from.

    ``mean`` : half-plane complex64; ``difference`` : complex128; ``signal``, ``noise`` : (n,) power per pixel of the full stack;
    ``n_eff``: (n,) independent pixels of a ring by itself; ``n_joint``: the same when neighbouring rings are averaged (they share some
    noise);
    ``overlap``: how much stronger the noise is where the structure lies than on average (1 for even noise). ``odds``, ``odds_sd``: (n,)
    noise that both halves share over the rest, which is no signal, and its error.
    """

    rings: Rings
    mean: Array = field(repr=False)
    difference: Array = field(repr=False)
    correlation: Array
    signal: Array
    noise: Array
    n_eff: Array
    n_joint: Array
    overlap: float
    odds: Array = field(repr=False)
    odds_sd: Array = field(repr=False)

    @property
    def snr(self) -> Array:
        """(n,) power SNR of the full stack, in whose noise what both halves share is not averaged down."""
        return snr_of(self.correlation) * (1 + self.odds) / self.grown

    @property
    def grown(self) -> Array:
        """(n,) how much more noise the full stack has than half the difference of its halves tells, a factor of the power."""
        return 1 + 2 * self.odds

    @property
    def unsure(self) -> Array:
        """(n,) error of ``signal`` by that of ``odds``, in units of ``noise``; alike in neighbouring rings."""
        return 2 * self.odds_sd / self.grown


@dataclass(frozen=True)
class SharedNoise:
    """What two halves' noise has in common by scale: ``odds``, (k,), is common power over each half's own, ``sd`` its error.

    ``frequency`` : (k,) cycles/px; ``overall``, ``overall_sd``: the share, 0 to .9, of all that is finer than 10 px; ``thin`` : (h, w) of
    the window, 0..1, by how much less is common in each place, because the target's own light has noise too; None: evenly.
    """

    frequency: Array
    odds: Array
    sd: Array
    overall: float = 0.0
    overall_sd: float = 0.0
    thin: Weight | None = field(default=None, repr=False)

    def stands_out(self, least: float = 0.0) -> bool:
        """Whether more than ``least`` is shared beyond chance."""
        return self.overall - SURE * self.overall_sd > least

    def at(self, frequency: Array, energy: Array) -> tuple[Array, Array]:
        """Odds and their error at other frequencies, where the noise has the ``energy`` (h, w)."""
        least = 1.0 if self.thin is None else float((energy * self.thin).sum() / energy.sum())
        return least * np.interp(frequency, self.frequency, self.odds), least * np.interp(frequency, self.frequency, self.sd)


NOTHING_SHARED = SharedNoise(np.array([0.0, 0.5]), np.zeros(2), np.zeros(2))


def ring_correlation(half_a: Plane, half_b: Plane, *, window: Weight | None = None) -> RingCorrelation:
    """How far the signal in a stack reaches above its noise, scale by scale, from its two half-sets.

    Parameters
    ----------
    half_a, half_b : (H, W) float32, linear
        Stacks of disjoint halves of the frames, stars removed from each by itself. NaN (no data) in either is filled smoothly in each.
    window : (H, W) float32, 0..1, optional
        Weight that fades to 0 at its edge (centred on the target); a Hann window over the whole picture if left out.

    Returns
    -------
    RingCorrelation

    Raises
    ------
    ArgumentError
        Different shapes, a picture under 32 px, a window that is nowhere positive.

    Notes
    -----
    With A, B the windowed transforms: c = Re sum A conj(B) / sqrt(sum |A|^2 sum |B|^2) per ring; SNR of the full stack = 2 c / (1 - c);
    var ln(SNR) = (1 + 2/r + 1/(2 r^2)) / n_eff with r = c / (1 - c), for a fixed signal and Gaussian noise. Independent pixels:
    n_eff = ring pixels / 2 x a share below 1, because the window makes neighbouring Fourier pixels alike: in a broad band it is
    (sum v)^2 / (N sum v^2), v = window^2 x local noise variance; in a thin ring, where fewer neighbours lie, larger.

    References
    ----------
    Saxton & Baumeister 1982, J. Microscopy 127, 127. Rosenthal & Henderson 2003, J. Mol. Biol. 333, 721.
    Nieuwenhuizen et al. 2013, Nature Methods 10, 557 (threshold 1/7).
    """
    spectra = half_spectra(half_a, half_b, window=window)
    snr = spectra.snr
    half = np.minimum(scipy.special.ndtri(0.975) * np.sqrt(snr_variance(snr) / spectra.n_eff) / (1 + snr), MAX_LOG_HALF)
    interval = np.stack([(1 + snr) * np.exp(-half) - 1, (1 + snr) * np.exp(half) - 1], 1)
    resolution, resolution_interval = _resolution(spectra.rings.frequency, snr, spectra.n_joint)
    return RingCorrelation(
        frequency=spectra.rings.frequency,
        correlation=spectra.correlation,
        snr=snr,
        snr_interval=interval,
        n_eff=spectra.n_eff,
        resolution_px=resolution,
        resolution_interval=resolution_interval,
        signal=spectra.signal,
        noise=spectra.noise,
        n_joint=spectra.n_joint,
        overlap=spectra.overlap,
    )


def half_spectra(half_a: Plane, half_b: Plane, *, window: Weight | None = None, shared: SharedNoise = NOTHING_SHARED) -> HalfSpectra:
    """Windowed transforms and ring powers of a pair of half-sets (arguments as in `ring_correlation`); ``shared``: see `shared_noise`."""
    a, b = check_image("half_a", half_a, colour=False), check_image("half_b", half_b, colour=False)
    if a.shape != b.shape:
        raise ArgumentError(f"`half_a` and `half_b` must have the same shape, got {a.shape} and {b.shape}.")
    if min(a.shape) < 32:
        raise ArgumentError(f"`half_a` must be at least 32 px on each side to hold rings, got {a.shape}.")
    window = hann_window(a.shape) if window is None else _checked_window(window, a.shape)
    missing = ~(np.isfinite(a) & np.isfinite(b))
    if missing.any():
        a, b = fill_masked(a, missing), fill_masked(b, missing)
    first, second = (_windowed_transform(half, window) for half in (a, b))
    rings = make_rings(a.shape)
    difference = (first - second) / 2
    energy = window.astype(float) ** 2 * _noise_map((a - b) / 2)
    odds, odds_sd = shared.at(rings.frequency, energy)
    apart = rings.mean(np.abs(difference) ** 2)
    cross = rings.mean((first * second.conj()).real) - 2 * odds * apart
    power = np.sqrt(rings.mean(np.abs(first) ** 2) * rings.mean(np.abs(second) ** 2))
    correlation = np.where(power > 0, cross / np.where(power > 0, power, 1), 1.0)
    alone, joint = _independent_shares(energy, float(rings.width * np.sqrt(a.shape[0] * a.shape[1])))
    return HalfSpectra(
        rings=rings,
        mean=((first + second) / 2).astype(np.complex64),
        difference=difference,
        correlation=np.clip(correlation, -1.0, 1.0),
        signal=cross,
        noise=apart * (1 + 2 * odds),
        n_eff=rings.pixels / 2 * alone,
        n_joint=rings.pixels / 2 * joint,
        overlap=_overlap(window * _structure((a + b) / 2), window * _structure((a - b) / 2), energy),
        odds=odds,
        odds_sd=odds_sd,
    )


def shared_noise(half_a: Plane, half_b: Plane, sky: Mask) -> SharedNoise:
    """How much of two halves' noise stands in both alike, from blank sky, scale by scale; it would pass for structure.

    A stacker that throws out values far from the middle of all frames leaves in the noise of both what they have in common (.02 to .04 at
    3 sigma, on every scale alike). A sensor's pattern under frames that drift slowly instead of being dithered smears into streaks, which
    are in both halves: little on the finest scale, much on those of details.

    Parameters
    ----------
    half_a, half_b : (H, W) float32
    sky : (H, W) bool, sky without stars; nothing is shared where it is too small to tell

    Notes
    -----
    Squares of 64 px under a Hann window, their cross-spectrum over their power (Welch 1967, IEEE Trans. AU-15, 70). What stands out in
    one half is left out by that half alone, so that independent noise stays independent.
    """
    where = _squares(sky & np.isfinite(half_a) & np.isfinite(half_b))
    chosen = np.flatnonzero(where.sum((1, 2)) > SQUARE_PX**2 / 2)
    chosen = chosen[:: -(-len(chosen) // MOST_SQUARES) or 1]
    where = where[chosen]
    if where.sum() < LEAST_SKY_PX:
        return NOTHING_SHARED
    squares = [_without_surroundings(_squares(half)[chosen], where) for half in (half_a, half_b)]
    window = where * ~np.logical_or(*(_outstanding(each, where) for each in squares)) * hann_window((SQUARE_PX, SQUARE_PX))
    first, second = (scipy.fft.rfft2(_levelled(each, window).astype(float)) for each in squares)
    rings = make_rings((SQUARE_PX, SQUARE_PX))
    cross = rings.mean((first * second.conj()).real.sum(0))
    power = np.sqrt(rings.mean((np.abs(first) ** 2).sum(0)) * rings.mean((np.abs(second) ** 2).sum(0)))
    energy = window.astype(float) ** 2
    each_counts = energy.sum((1, 2)) ** 2 / np.maximum((energy**2).sum((1, 2)), np.finfo(float).tiny)
    n = rings.pixels * float(each_counts.sum()) / SQUARE_PX**2 / 2 / TWICE
    return _smooth_odds(rings.frequency[1:], cross[1:], power[1:], n[1:])


def _smooth_odds(frequency: Array, cross: Array, power: Array, n: Array) -> SharedNoise:
    """The correlation averaged over neighbouring rings of ``n`` independent pixels each, as odds, with errors.

    Light that went through the air and the optics is in both halves too, but hardly on the finest scales. What is shared there is shared
    on all; more is believed of wider scales where it stands out of its error, and no more than of a pattern smeared along a line, whose
    share falls off as one over the frequency.
    """
    finest, fine = (n * (frequency >= least) for least in (FINEST, FINE))
    near = np.exp(-0.5 * (np.log(frequency[:, None] / frequency[None, :]) / SHARE_SPAN) ** 2) * n
    near = np.vstack([near, finest]) / np.append(near.sum(1), finest.sum())[:, None]
    middle = np.exp(near @ np.log(frequency))  # the finer rings hold more pixels
    share = np.clip(near @ np.where(power > 0, cross / np.where(power > 0, power, 1), 0.0), 0.0, MOST_SHARED)
    odds, sd = share / (1 - share), np.sqrt(near**2 @ (1 / n)) * (1 + share) / (1 - share)
    base, base_sd = odds[-1], sd[-1]
    rises = odds - base > SURE * sd
    most = (base + base_sd) * middle[-1] / middle
    odds, sd = (np.where(rises, own, flat)[:-1] for own, flat in ((np.minimum(odds, most), base), (sd, base_sd)))
    middle = middle[:-1]
    whole = np.interp(frequency, middle, odds)
    overall = float(np.average(whole / (1 + whole), weights=fine * power)) if power.any() else 0.0
    return SharedNoise(middle, odds, sd, overall, float(base_sd))


def _squares(plane: Array) -> Array:
    """(n, 64, 64) of all whole squares, and of those between four of them."""
    parts = []
    for start in (0, SQUARE_PX // 2):
        rows, columns = ((size - start) // SQUARE_PX for size in plane.shape)
        whole = plane[start : start + rows * SQUARE_PX, start : start + columns * SQUARE_PX]
        parts.append(whole.reshape(rows, SQUARE_PX, columns, SQUARE_PX).swapaxes(1, 2).reshape(-1, SQUARE_PX, SQUARE_PX))
    return np.concatenate(parts)


def _without_surroundings(squares: Array, where: Array) -> Array:
    """Every square less what lies round each pixel, 0 outside the sky: a level at a star's rim would be an edge, and all scales hold it."""
    values, weight = np.where(where, squares, np.float32(0)), where.astype(np.float32)
    sums, near = (scipy.ndimage.gaussian_filter(part, SURROUNDINGS_PX, axes=(1, 2)) for part in (values, weight))
    return (values - sums / np.maximum(near, np.float32(1e-6))) * weight


def _levelled(squares: Array, weight: Array) -> Array:
    """Every square less its mean, times the weight."""
    values = np.where(weight > 0, squares, np.float32(0))
    level = (values * weight).sum((1, 2), keepdims=True) / np.maximum(weight.sum((1, 2), keepdims=True), 1e-6)
    return (values - level) * weight


def _outstanding(squares: Array, where: Array) -> Array:
    """Where a star, a small galaxy or a hot pixel stands out of the noise, with a margin.

    The noise is told by the root mean square of what does not stand out: where a picture was calmed, most pixels have next to none.
    """
    out = np.zeros(where.shape, bool)
    for blur, sigma, margin in STANDS_OUT:
        size = np.abs(scipy.ndimage.gaussian_filter(squares, blur, axes=(1, 2)) if blur else squares)
        quiet = where
        for _ in range(CLIPS):
            quiet = where & (size <= sigma * np.sqrt(np.mean(size[quiet] ** 2, dtype=float)))
        out |= scipy.ndimage.maximum_filter(where & ~quiet, margin, axes=(1, 2))
    return out


def snr_of(correlation: Array) -> Array:
    """Power SNR of the mean of two halves from their correlation: 2 c / (1 - c)."""
    c = np.clip(np.asarray(correlation, float), -0.99, 1 - 1e-12)
    return 2 * c / (1 - c)


def snr_variance(snr: Array, overlap: float = 1.0) -> Array:
    """Variance of a ring's SNR times its number of independent pixels: R^2 + 4 R + 2 (fixed signal, Gaussian noise).

    With noise that is stronger where the signal lies by ``overlap``, 2 of the 4 R become 2 R x overlap.

    The same as (1 + 2/r + 1/(2 r^2)) R^2 with R = 2 r; finite at R = 0, where a logarithm of R is not. Intervals are taken normal in
    ln(1 + R), a ratio of two sums of squares.
    """
    positive = np.maximum(np.asarray(snr, float), 0)
    return positive**2 + 2 * (1 + overlap) * positive + 2


def band_difference_variance(a: HalfSpectra, b: HalfSpectra, low: float, high: float) -> tuple[float, float, float]:
    """Variances of the two band SNRs and their covariance, for results that may share frames.

    The covariance follows from K, the noise power that both have in common (real part of the cross-spectrum of the half differences):
    per ring and independent pixel [2 S K + K^2] / (D_a D_b) + (1 + R_a)(1 + R_b) K^2 / (D_a D_b), S = sqrt(S_a S_b).
    """
    weights = _band_weights(a.rings.frequency, a.n_joint, low, high)
    shared = _shared_noise(a, b) * np.sqrt(a.grown * b.grown)
    noises = np.maximum(a.noise * b.noise, np.finfo(float).tiny)
    signal = np.sqrt(np.maximum(a.signal, 0) * np.maximum(b.signal, 0))
    overlap = np.sqrt(a.overlap * b.overlap)
    covariance = (2 * overlap * signal * np.abs(shared) + shared**2 + (1 + a.snr) * (1 + b.snr) * shared**2) / noises
    n = np.sqrt(a.n_joint * b.n_joint)
    parts = (snr_variance(a.snr, a.overlap) / a.n_joint, snr_variance(b.snr, b.overlap) / b.n_joint, covariance / n)
    var_a, var_b, cov = (float(weights**2 @ part) for part in parts)
    unsure = _unsure_together(weights * a.unsure, weights * b.unsure, shared**2 / noises)
    var_a, var_b, cov = (part + more for part, more in zip((var_a, var_b, cov), unsure, strict=True))
    return var_a, var_b, float(np.clip(cov, -np.sqrt(var_a * var_b), np.sqrt(var_a * var_b)))


def band_snr(spectra: HalfSpectra, low: float, high: float) -> float:
    """Mean SNR of the rings of a band."""
    return float(_band_weights(spectra.rings.frequency, spectra.n_joint, low, high) @ spectra.snr)


def band_contrast(spectra: HalfSpectra, low: float, high: float) -> float:
    """Root mean square of the structure in a band, free of noise, in the picture's own units; 0 where noise hides it."""
    inside = _inside(spectra.rings.frequency, low, high)
    return float(np.sqrt(max(float(spectra.rings.pixels[inside] @ spectra.signal[inside]), 0.0)))


def agreement(a: HalfSpectra, b: HalfSpectra, low: float, high: float) -> float | None:
    """How far what repeats in the halves of ``a`` is what repeats in those of ``b``: 1 the same, 0 nothing in common.

    The cross-spectrum of one half of a with the other half of b is free of the noise that both share. None where the structure of
    either is not known to a third of its size.
    """
    for spectra in (a, b):
        if band_contrast(spectra, low, high) <= 3 * np.sqrt(contrast_variance(spectra, spectra, low, high)[0]):
            return None
    inside = _inside(a.rings.frequency, low, high)
    pixels = a.rings.pixels[inside]
    cross = _cross(a, b)
    own = np.sqrt(float(pixels @ a.signal[inside]) * float(pixels @ b.signal[inside]))
    return float(np.clip(pixels @ cross[inside] / own, -1.0, 1.0))


def common_sigma(a: HalfSpectra, b: HalfSpectra, low: float, high: float) -> float:
    """What repeats in ``a`` and in ``b`` alike, in units of what would by chance.

    Against a picture in which it is strong, structure is found that in ``b`` alone is lost in the noise: the error of the cross-spectrum
    holds the noise of ``b`` once, that of its own power twice.
    """
    inside = _inside(a.rings.frequency, low, high)
    strong, weak = (np.maximum(spectra.signal, 0) + spectra.noise for spectra in (a, b))
    variance = (strong * weak + a.noise * b.noise)[inside] / (2 * np.minimum(a.n_joint, b.n_joint)[inside])
    pixels = a.rings.pixels[inside]
    return float(pixels @ _cross(a, b)[inside] / np.sqrt(pixels**2 @ variance))


def _unsure_together(first: Array, second: Array, alike: Array) -> tuple[float, float, float]:
    """Variances and covariance of two sums over rings whose parts err together; ``alike``: (n,) how far one share was told by the other."""
    root = np.sqrt(np.clip(alike, 0, 1))
    return float(first.sum()) ** 2, float(second.sum()) ** 2, float((first * root).sum() * (second * root).sum())


def _cross(a: HalfSpectra, b: HalfSpectra) -> Array:
    """(n,) cross-spectrum of one half of a with the other of b, (A1 B2* + A2 B1*) / 2, by means and half differences."""
    cross = a.rings.mean((a.mean * b.mean.conj() - a.difference * b.difference.conj()).real)
    return np.asarray(cross - 2 * np.sqrt(a.odds * b.odds) * _shared_noise(a, b))


def repeated_share(spectra: HalfSpectra, low: float, high: float) -> float:
    """How much of the half difference in a band is the picture over again, 0..1.

    Halves that differ a little in brightness or sharpness differ by their signal, which is no noise.
    """
    inside = _inside(spectra.rings.frequency, low, high)
    pixels = spectra.rings.pixels[inside]
    cross, apart, whole = (
        float(pixels @ spectra.rings.mean(product)[inside])
        for product in (
            (spectra.difference * spectra.mean.conj()).real,
            np.abs(spectra.difference) ** 2,
            np.abs(spectra.mean.astype(complex)) ** 2,
        )
    )
    return cross**2 / (apart * whole) if apart > 0 and whole > 0 else 0.0


def contrast_variance(a: HalfSpectra, b: HalfSpectra, low: float, high: float) -> tuple[float, float, float]:
    """Variances of two results' contrasts in a band and their covariance (fixed signal; noise in common as above).

    From the variance of the power, (2 S D + 2 D^2) / n per ring, through the square root; where the power is less than its own error,
    that error stands in its place.
    """
    inside = _inside(a.rings.frequency, low, high)
    shared = np.abs(_shared_noise(a, b)) * np.sqrt(a.grown * b.grown)
    both = np.sqrt(np.maximum(a.signal, 0) * np.maximum(b.signal, 0))

    def power_variance(signal: Array, noise: Array, n: Array, overlap: float) -> float:
        each = a.rings.pixels**2 * (2 * overlap * np.maximum(signal, 0) * noise + 2 * noise**2) / n
        return float(each[inside].sum())

    power_a, power_b = (power_variance(s.signal, s.noise, s.n_joint, s.overlap) for s in (a, b))
    power_both = power_variance(both, shared, np.sqrt(a.n_joint * b.n_joint), float(np.sqrt(a.overlap * b.overlap)))
    alike = shared**2 / np.maximum(a.noise * b.noise, np.finfo(float).tiny)
    unsure_a, unsure_b = (np.where(inside, s.rings.pixels * s.noise * s.unsure, 0.0) for s in (a, b))
    unsure = _unsure_together(unsure_a, unsure_b, alike)
    power_a, power_b, power_both = (part + more for part, more in zip((power_a, power_b, power_both), unsure, strict=True))
    root_a, root_b = (max(band_contrast(s, low, high), p**0.25, 1e-150) for s, p in ((a, power_a), (b, power_b)))
    var_a, var_b = power_a / (4 * root_a**2), power_b / (4 * root_b**2)
    return var_a, var_b, min(power_both / (4 * root_a * root_b), float(np.sqrt(var_a * var_b)))


# ---------------------------------------------------------------- windows, masks, rings
def hann_window(shape: tuple[int, ...]) -> Weight:
    """(H, W) product of two Hann windows over the picture."""
    return np.outer(*(np.hanning(size + 2)[1:-1] for size in shape[:2])).astype(np.float32)


def fill_masked(plane: Plane, mask: Mask, *, blur_px: float = 6.0) -> Plane:
    """The plane with masked places filled from their surroundings, edges softened; linear in the plane's own values.

    Wider holes are filled from wider surroundings (4 and 16 times). Nothing but ``plane`` enters, so two halves filled with one mask stay
    independent.
    """
    keep = (~mask & np.isfinite(plane)).astype(np.float32)
    values = np.where(keep > 0, plane, 0).astype(np.float32)
    level = np.float32(values.sum(dtype=float) / max(keep.sum(dtype=float), 1.0))
    fill: Plane = np.full_like(values, level)
    for factor in (16, 4, 1):
        near, trust = _surroundings(values, keep, factor, blur_px)
        fill = trust * near + (1 - trust) * fill
    soft = np.clip(2 * cv2.GaussianBlur(keep, (0, 0), 1.2, borderType=cv2.BORDER_REFLECT) - 1, 0, 1) * keep
    return values * soft + fill * (1 - soft)


def _surroundings(values: Plane, keep: Plane, factor: int, blur_px: float) -> tuple[Plane, Plane]:
    """Mean of the kept pixels near every place, over ``factor`` x ``blur_px``, and how far it can be trusted (0..1)."""
    size = (values.shape[1], values.shape[0])
    small = (max(1, size[0] // factor), max(1, size[1] // factor))
    both = [cv2.resize(plane, small, interpolation=cv2.INTER_AREA) if factor > 1 else plane for plane in (values, keep)]
    sums, weight = (cv2.GaussianBlur(plane, (0, 0), blur_px, borderType=cv2.BORDER_REFLECT) for plane in both)
    found = sums / np.maximum(weight, 1e-6), np.clip(weight / np.float32(0.05), 0, 1)
    near, trust = (plane if factor == 1 else cv2.resize(plane, size, interpolation=cv2.INTER_LINEAR) for plane in found)
    return near, trust


def make_rings(shape: tuple[int, ...]) -> Rings:
    """Rings of equal width from the lowest frequency to .5 cycles/px, at most 96, none narrower than one Fourier pixel."""
    height, width = shape[:2]
    radius = np.hypot(scipy.fft.fftfreq(height)[:, None], scipy.fft.rfftfreq(width)[None, :])
    step = max(0.5 / MAX_RINGS, 1.0 / min(height, width))
    count = int(np.floor(0.5 / step))
    index = np.minimum((radius / step).astype(np.int32), count)
    index[radius >= 0.5] = count
    multiplicity = np.full(radius.shape, 2.0)
    multiplicity[:, 0] = 1.0
    if width % 2 == 0:
        multiplicity[:, -1] = 1.0
    pixels = np.bincount(index.ravel(), multiplicity.ravel(), count + 1)[:count]
    frequency = np.bincount(index.ravel(), (multiplicity * radius).ravel(), count + 1)[:count] / pixels
    return Rings(index, multiplicity, frequency, pixels, step)


def _checked_window(window: Weight, shape: tuple[int, ...]) -> Weight:
    array = np.asarray(window, np.float32)
    if array.shape != shape:
        raise ArgumentError(f"`window` must have the halves' shape {shape}, got {array.shape}.")
    if not (np.isfinite(array).all() and array.min() >= 0 and array.max() > 0):
        raise ArgumentError("`window` must be finite, nowhere negative and somewhere positive.")
    return array


def _windowed_transform(plane: Plane, window: Weight) -> Array:
    """Transform scaled so that the powers of all Fourier pixels add up to the variance under the window."""
    level = np.sum(plane * window, dtype=float) / np.sum(window, dtype=float)
    scale = np.sqrt(plane.size * np.sum(window.astype(float) ** 2))
    return scipy.fft.rfft2((plane.astype(float) - level) * window) / scale


def _noise_map(noise: Plane) -> Array:
    """Local variance of the noise, even (1) where there is none at all."""
    local = cv2.GaussianBlur(noise.astype(float) ** 2, (0, 0), NOISE_MAP_BLUR_PX, borderType=cv2.BORDER_REFLECT)
    return local if local.max() > 0 else np.ones_like(local)


def _structure(plane: Plane) -> Plane:
    """Details of a few to a few tens of pixels."""
    fine, coarse = (cv2.GaussianBlur(plane, (0, 0), blur, borderType=cv2.BORDER_REFLECT) for blur in STRUCTURE_BLURS_PX)
    return fine - coarse


def _overlap(structure: Plane, noise: Plane, energy: Array) -> float:
    """Noise energy where the structure lies over the noise energy where the noise lies; its error enters products of signal and noise."""
    power = structure.astype(float) ** 2 - noise.astype(float) ** 2
    if power.sum() <= 0:
        return 1.0
    return float(np.clip((power * energy).sum() / power.sum() * energy.sum() / (energy**2).sum(), *OVERLAP_RANGE))


def _independent_shares(energy: Array, ring_width: float) -> tuple[float, float]:
    """Share of the Fourier pixels that are independent within one ring, and within a broad band.

    ``energy``: window^2 x local noise variance. The powers of two Fourier pixels at a distance d correlate by |V(d)|^2 / V(0)^2, V its
    transform. Summed over all d this gives the share of a broad band; within a ring ``ring_width`` pixels wide, only neighbours inside
    it count.
    """
    joint = float(energy.sum() ** 2 / (energy.size * (energy**2).sum()))
    reach = int(min(np.ceil(3 / np.sqrt(joint)), min(energy.shape) // 2 - 1))
    spectrum = np.abs(scipy.fft.rfft2(energy)) ** 2 / energy.sum() ** 2
    rows = np.arange(-reach, reach + 1)
    near = spectrum[rows][:, : reach + 1]
    distance = np.hypot(rows[:, None], np.arange(reach + 1)[None, :])
    twice = np.where(np.arange(reach + 1) > 0, 2.0, 1.0)[None, :]
    alone = 1 / float(np.sum(twice * near * _inside_ring(distance / ring_width)))
    return max(alone, joint), joint


def _inside_ring(offset: Array) -> Array:
    """Chance that a neighbour, so many ring widths away in a random direction, lies in the same ring."""
    turn = (np.arange(64) + 0.5) / 64 * np.pi / 2
    return np.mean(np.clip(1 - offset[..., None] * np.cos(turn), 0, 1), -1)


def _shared_noise(a: HalfSpectra, b: HalfSpectra) -> Array:
    return a.rings.mean((a.difference * b.difference.conj()).real)


def _band_weights(frequency: Array, pixels: Array, low: float, high: float) -> Array:
    weights = np.where(_inside(frequency, low, high), pixels, 0.0)
    return weights / weights.sum()


def _inside(frequency: Array, low: float, high: float) -> Array:
    """Which rings lie in a band."""
    inside = (frequency >= low) & (frequency < high)
    if not inside.any():
        raise ArgumentError(f"No ring lies between {low:g} and {high:g} cycles/px; the picture is too small or the band too narrow.")
    return inside


def _resolution(frequency: Array, snr: Array, n_joint: Array) -> tuple[float, tuple[float, float]]:
    """Period at the first lasting fall below the threshold, from a line through ln(1 + SNR) of the rings around it."""
    level = np.log1p(2 * RESOLUTION_THRESHOLD / (1 - RESOLUTION_THRESHOLD))
    height = np.log1p(np.maximum(snr, -0.99))
    weight = n_joint * (1 + np.maximum(snr, 0)) ** 2 / snr_variance(snr)
    smooth = np.convolve(height * weight, np.ones(3), "same") / np.convolve(weight, np.ones(3), "same")
    start = FIRST_CROSSING_RING
    below = np.flatnonzero((smooth < level) & (np.arange(len(smooth)) >= start))
    if not len(below):
        return 2.0, (2.0, 2.0)
    first = int(below[0])
    if first == start:
        return float("inf"), (float(1 / frequency[first]), float("inf"))
    reach = max(CROSSING_SPAN * frequency[first], (MIN_CROSSING_RINGS // 2 + 0.5) * (frequency[1] - frequency[0]))
    near = np.abs(frequency - frequency[first]) <= reach
    x = frequency[near] - frequency[first]
    design = np.stack([np.ones_like(x), x, x**2], 1) if near.sum() >= 8 else np.stack([np.ones_like(x), x], 1)
    normal = design.T @ (design * weight[near, None])
    coefficients = np.linalg.solve(normal, design.T @ (weight[near] * height[near]))
    covariance = np.linalg.inv(normal)
    at = _nearest_root(coefficients, level, reach)
    basis = at ** np.arange(len(coefficients))
    slope = sum(k * c * at ** (k - 1) for k, c in enumerate(coefficients) if k)
    if slope >= 0:
        return float(1 / frequency[first]), (2.0, float("inf"))
    crossing = float(np.clip(frequency[first] + at, frequency[0], 0.5))
    half = scipy.special.ndtri(0.975) * float(np.sqrt(basis @ covariance @ basis)) / -slope
    return 1 / crossing, (1 / min(crossing + half, 0.5), 1 / max(crossing - half, frequency[0]))


def _nearest_root(coefficients: Array, level: float, reach: float) -> float:
    """Where the fitted line or parabola meets the level, nearest to the middle; the middle itself if it does not."""
    polynomial = np.array(coefficients[::-1], float)
    polynomial[-1] -= level
    roots = np.roots(polynomial)
    real = roots[np.abs(roots.imag) < 1e-12].real
    real = real[np.abs(real) <= reach]
    return float(real[np.argmin(np.abs(real))]) if len(real) else 0.0
