"""Fit all stars of a plane together: find, fit, learn the star image from them, find again in what is left."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import scipy

from layerblend.kinds import Array, Mask, Plane, StarShape
from layerblend.maths.moffat import StarFits, fit_moffat_stars
from layerblend.maths.noise_line import Noise
from layerblend.maths.stars import detect_stars, guess_fwhm, prepare_plane
from layerblend.steps.split.ghosts import Ghosts, draw_ghosts, find_ghosts
from layerblend.steps.split.haloes import Haloes, fit_haloes
from layerblend.steps.split.learn import LEAST_BETA, MOST_BETA, learn_beta, learn_course, learn_shape, learn_table, learn_wings
from layerblend.steps.split.mask import Blobs, Peaks, find_peaks, peak_response
from layerblend.steps.split.model import StarImage, profile_at, render, sweep
from layerblend.steps.split.rough import Roughness, roughness
from layerblend.steps.split.settle import Settled, settle
from layerblend.steps.split.sources import Field, Sources
from layerblend.steps.split.spikes import Shown, Spikes, draw_spikes, find_spikes, light_spikes

PASSES = 2
# Arms begin in the wings that tell a clipped star's peak and halo: all three are found in turn.
ARM_ROUNDS = 2
SWEEPS = (3, 2)
FIRST_THRESHOLD, THRESHOLD = 8.0, 4.5
CLOSE, CLOSE_SWEEPS = 1.3, 6
# Within a fit the ground bends by so many times its scatter nearby. Where that scatter is less than this share of a source's peak, which
# the star image may miss itself, place and peak are fitted without bends: they would take what it misses.
BEND, LEAST_BEND = 3.0, 0.02
# Peaks so near to a clipped core's rim (FWHM) may be its own unevenness, in the picture and in what is left once stars are taken off; but
# not those of the picture that are this far off and rise over the clipped star's light there by a share of it.
NEAR_CLIPPED, NEAR_LEFT = 2.5, 1.8
BESIDE_CLIPPED, BESIDE_SHARE = 0.5, 0.3
# A new peak in the residual must not be the error of a star that is already there.
RESIDUAL_SHARE = 0.03
FIRST_STARS = 400
# Ground less rough than this, see `rough.Roughness.share`, is told from the course of the star image.
QUIET = 1.5
LEAST_FITS = 3
# Sources as wide and as round as stars, within this much, have arms.
STAR_WIDTH = 0.25


@dataclass
class Fitted:
    """All sources of a plane, their light, how each differs from the field's star image. ``halo`` holds ``streaks`` and ``discs`` too.

    ``seen`` (H, W) bool, where data is, clipped or not.
    """

    field: Field
    sources: Sources
    model: Plane
    halo: Plane
    haloes: Haloes
    rough: Roughness
    settled: Settled
    spikes: Spikes | None
    streaks: Plane
    ghosts: Ghosts | None
    discs: Plane
    fit: Array
    error: Array
    seen: Mask


def first_fits(plane: Plane, good: Mask, noise: Noise, clipped: Mask) -> StarFits:
    """Moffat fits to bright, preferably lone, peaks; strongest first."""
    above, codes = prepare_plane(np.where(good | clipped, plane, np.nan), saturated=clipped)
    found = detect_stars(above, codes, threshold=10.0)
    guess = guess_fwhm(above, found) if len(found) else 3.0
    lone = _lone(found.x, found.y, 3.2 * guess)
    chosen = found.take(lone) if lone.sum() >= 12 else found
    fits = fit_moffat_stars(
        above, chosen.x[:FIRST_STARS], chosen.y[:FIRST_STARS], fwhm=guess, noise=noise.sigma, codes=codes, shot=noise.slope
    )
    return fits.take(fits.ok & (fits.fwhm > 0.7))


def first_field(height: int, width: int, fits: StarFits, star_shape: StarShape | None) -> Field | None:
    """Star image to begin with: the one given, or the commonest of the fits; None when there are too few."""
    if star_shape is not None:
        return Field(height, width, np.asarray(star_shape.terms, float).copy(), StarImage.moffat(max(star_shape.beta, LEAST_BETA)))
    if len(fits) < LEAST_FITS:
        return None
    ln_fwhm = np.log(fits.fwhm)
    near = np.abs(ln_fwhm - _narrow_mode(ln_fwhm)) < 0.15
    if near.sum() < LEAST_FITS:
        near = np.abs(ln_fwhm - np.median(ln_fwhm)) < 0.5
    terms = np.zeros((3, 6))
    terms[:, 0] = np.median(ln_fwhm[near]), np.median(fits.e1[near]), np.median(fits.e2[near])
    return Field(height, width, terms, StarImage.moffat(float(np.clip(np.median(fits.beta[near]), LEAST_BETA, MOST_BETA))))


def _lone(x: Array, y: Array, distance: float) -> Mask:
    if len(x) == 0:
        return np.zeros(0, bool)
    tree = scipy.spatial.cKDTree(np.c_[x, y])
    return np.array([len(q) == 1 for q in tree.query_ball_point(np.c_[x, y], distance)], bool)


def _narrow_mode(values: Array, width: float = 0.12) -> float:
    """Centre of the densest stretch of the lower values: stars crowd there, knots and galaxies are broader and scattered."""
    ordered = np.sort(values)
    counts = np.searchsorted(ordered, ordered + 2 * width) - np.arange(len(ordered))
    start = int(np.argmax(counts))
    return float(np.median(ordered[start : start + counts[start]]))


def fit_field(plane: Plane, good: Mask, noise: Noise, blobs: Blobs, start: Field, *, reflections: bool = True) -> Fitted:
    """Fit every star of the plane, the star image and the haloes of bright stars.

    Parameters
    ----------
    plane : (H, W) float32, linear, finite
    good : (H, W) bool, pixels with data and not clipped
    noise : Noise of the plane
    blobs : clipped stars
    start : first star image
    reflections : whether discs beside the stars are sought
    """
    fit = _Fit(plane, good, noise, blobs, Field(plane.shape[0], plane.shape[1], start.terms.copy(), start.image))
    for number in range(PASSES):
        last = number == PASSES - 1
        fit.fit_stars(SWEEPS[number])
        fit.fit_glow(repeats=1 + number)
        fit.fit_arms(anew=last)
        if last and reflections:
            fit.find_reflections()
        if last:
            fit.settle_arms()
        else:
            fit.look_again()
    return fit.finished()


class _Fit:
    """A fit under way: what is taken for granted, and what is known so far of the stars and of their wide light.

    ``model`` is the stars' light without ``glow`` (of haloes), ``streaks`` (of spikes) and ``discs`` (of reflections).
    """

    def __init__(self, plane: Plane, good: Mask, noise: Noise, blobs: Blobs, field: Field) -> None:
        self.plane, self.good, self.noise, self.blobs, self.field = plane, good, noise, blobs, field
        self.sigma, self.seen = noise.map(cv2.medianBlur(plane, 5)), good | blobs.mask
        peaks = find_peaks(peak_response(plane, field.fwhm), self.sigma, FIRST_THRESHOLD, seen=self.seen)
        self.spikes, self.streaks = _first_spikes(plane, peaks, good, noise, blobs, field)
        if self.spikes is not None:
            peaks = find_peaks(peak_response(plane - self.streaks, field.fwhm), self.sigma, FIRST_THRESHOLD, seen=self.seen)
        self.sources = _first_sources(plane, peaks, good, blobs, field)
        self.model, self.glow, self.discs = np.zeros_like(plane), np.zeros_like(plane), np.zeros_like(plane)
        self.fit, self.error = np.zeros((0, 0)), np.zeros((0, 0))
        self.haloes = Haloes.none()
        self.rough: Roughness | None = None
        self.ghosts: Ghosts | None = None

    @property
    def wide(self) -> Plane:
        """All light of stars that the star image does not hold."""
        return np.asarray(self.glow + (self.streaks + self.discs))

    def draw(self) -> None:
        self.model = _draw(self.field, self.sources, self.noise, self.plane.shape)

    def sweep(self, bare: Plane, *, free: int, update: bool = True) -> tuple[Array, Array]:
        return _sweep_all(bare, self.model, self.good, self.noise, self.sources, self.field, self.rough, free=free, update=update)

    def fit_stars(self, sweeps: int) -> None:
        """Places and peaks of all stars, then the star image from the bright ones."""
        bare, good, noise, field, sources = self.plane - self.wide, self.good, self.noise, self.field, self.sources
        self.draw()
        for _ in range(sweeps):
            self.sweep(bare, free=1)
            self.draw()
        _sweep_close(bare, self.model, good, noise, sources, field, self.rough)
        self.fit, self.error = self.sweep(bare, free=3, update=False)
        teachers = learn_shape(field, sources, self.fit, self.error, noise)
        self.draw()
        learn_beta(field, sources, bare - self.model, good, noise, teachers)
        self.sweep(bare, free=0)
        self.draw()
        if self.rough is not None:  # the second time: haloes and ground must be known
            learn_course(field, sources, self.haloes, bare - self.model, good, noise, teachers & (self.rough.share < QUIET))
            self.draw()
        learn_table(field, sources, bare, self.model, good, teachers)
        self.draw()

    def fit_glow(self, repeats: int = 2) -> None:
        sources, field = self.sources, self.field
        self.haloes, self.glow = fit_haloes(
            self.plane - self.streaks - self.discs, self.model, self.good, self.noise, sources.geo, sources.peak, sources.blob,
            field.fwhm, field.image, repeats=repeats,
        )  # fmt: skip

    def shown(self) -> tuple[Array, Array, Array, Shown]:
        """x, y and peak of the sources that are star enough to have arms, and what shows of the brightest."""
        star = armed(self.sources, self.fit)
        x, y, peak, blob = self.sources.x[star], self.sources.y[star], self.sources.peak[star], self.sources.blob[star]
        return x, y, peak, Shown.brightest(x, y, peak, blob, self.noise)

    def fit_arms(self, *, anew: bool) -> None:
        """Look for spikes ``anew``, or only tell the light of those that are known."""
        x, y, peak, shown = self.shown()
        left = self.plane - self.model - self.glow - self.discs
        if anew:
            self.spikes = find_spikes(left, self.good, self.noise, shown, self.field.fwhm)
        elif self.spikes is not None:
            self.spikes = light_spikes(left, self.good, self.noise, shown, self.spikes)
        self.streaks = draw_spikes(self.plane.shape, self.spikes, x, y, peak, self.noise.sigma)

    def find_reflections(self) -> None:
        x, y, peak, shown = self.shown()
        left = self.plane - self.model - self.glow - self.streaks
        self.ghosts = find_ghosts(left, self.good, self.noise, shown, self.field.fwhm)
        self.discs = draw_ghosts(self.plane.shape, self.ghosts, x, y, peak, self.noise.sigma)
        if self.ghosts is not None:
            self.fit_glow()

    def settle_arms(self) -> None:
        """Peaks, haloes and spikes in turn: each takes the others' light until all are known."""
        if self.spikes is None:
            return
        for _ in range(ARM_ROUNDS):
            self.sweep(self.plane - self.glow - self.streaks - self.discs, free=0)
            self.draw()
            self.fit_glow()
            self.fit_arms(anew=False)

    def look_again(self) -> None:
        """Give the star image its wings, and add the sources that were hidden."""
        learn_wings(self.field, self.haloes)
        response = self.response(self.wide)
        _add_sources(self.sources, response, self.model, self.sigma, self.good, self.blobs, self.field)
        self.rough = self.roughness(response)

    def response(self, wide: Plane) -> Plane:
        return peak_response(np.where(self.good, self.plane - self.model - wide, np.float32(0)), self.field.fwhm)

    def roughness(self, response: Plane) -> Roughness:
        return roughness(response, self.sources.x, self.sources.y, self.field.fwhm, self.seen)

    def finished(self) -> Fitted:
        field, sources, wide = self.field, self.sources, self.wide
        light, settled = settle(
            self.plane - self.model - wide, self.good, self.noise, sources.geo, sources.peak, sources.blob, field.fwhm, field.image,
            self.haloes,
        )  # fmt: skip
        wide += light
        rough = self.roughness(self.response(wide))
        return Fitted(
            field, sources, self.model, wide, self.haloes, rough, settled, self.spikes, self.streaks, self.ghosts, self.discs,
            self.fit, self.error, self.seen,
        )  # fmt: skip


def _first_sources(plane: Plane, peaks: Peaks, good: Mask, blobs: Blobs, state: Field) -> Sources:
    n = len(blobs.x)
    top = float(np.max(plane[~good], initial=1.0)) if n else 1.0
    keep = _clear_of_blobs(peaks, good, blobs, NEAR_CLIPPED * state.fwhm) | _beside_blobs(peaks, good, blobs, top, state)
    geo = np.zeros((n + int(keep.sum()), 7))
    geo[:, 0], geo[:, 1] = np.r_[blobs.x, peaks.x[keep]], np.r_[blobs.y, peaks.y[keep]]
    state.refresh(geo)
    return Sources(geo, np.r_[np.full(n, top), peaks.height[keep]], np.r_[blobs.radius, np.zeros(int(keep.sum()))])


def _first_spikes(plane: Plane, peaks: Peaks, good: Mask, noise: Noise, blobs: Blobs, state: Field) -> tuple[Spikes | None, Plane]:
    """Arms taken off before stars are looked for, lest they be taken for rows of stars; a clipped star's peak is told by its size."""
    keep = _clear_of_blobs(peaks, good, blobs, NEAR_CLIPPED * state.fwhm)
    height = _clipped_height(blobs, float(np.max(plane[~good], initial=0.0)), state)
    x, y = np.r_[blobs.x, peaks.x[keep]], np.r_[blobs.y, peaks.y[keep]]
    peak, blob = np.r_[height, peaks.height[keep]], np.r_[blobs.radius, np.zeros(int(keep.sum()))]
    spikes = find_spikes(plane, good, noise, Shown.brightest(x, y, peak, blob, noise), state.fwhm)
    return spikes, draw_spikes(plane.shape, spikes, x, y, peak, noise.sigma)


def armed(sources: Sources, fit: Array) -> Mask:
    """(n,) bool, sources that are star enough to have arms."""
    return sources.clipped | ((np.abs(fit[:, 3]) < STAR_WIDTH) & (np.hypot(fit[:, 4], fit[:, 5]) < STAR_WIDTH))


def _clear_of_blobs(peaks: Peaks, good: Mask, blobs: Blobs, margin: float) -> Mask:
    keep = (good | blobs.small)[peaks.y.astype(int), peaks.x.astype(int)]
    if len(blobs.x) and len(peaks.x):
        near = scipy.spatial.cKDTree(np.c_[peaks.x, peaks.y]).query_ball_point(np.c_[blobs.x, blobs.y], blobs.radius + margin)
        for x, y, radius, members in zip(blobs.x, blobs.y, blobs.radius, near, strict=True):
            m = np.asarray(members, int)
            keep[m] &= np.hypot(peaks.x[m] - x, peaks.y[m] - y) >= radius + margin
    return keep


def _beside_blobs(peaks: Peaks, good: Mask, blobs: Blobs, top: float, state: Field) -> Mask:
    """(n,) bool, peaks beside a clipped core that rise over the star's light there: stars of their own, which would pull it aside."""
    beside = (good | blobs.small)[peaks.y.astype(int), peaks.x.astype(int)] & ~_clear_of_blobs(
        peaks, good, blobs, NEAR_CLIPPED * state.fwhm
    )
    near = np.flatnonzero(beside)
    for x, y, radius, height in zip(blobs.x, blobs.y, blobs.radius, _clipped_height(blobs, top, state), strict=True):
        far = np.hypot(peaks.x[near] - x, peaks.y[near] - y)
        light = height * profile_at(state.image.profile, far / state.fwhm)
        beside[near] &= (far > radius + BESIDE_CLIPPED * state.fwhm) & (peaks.height[near] > BESIDE_SHARE * light)
    return beside


def _clipped_height(blobs: Blobs, top: float, state: Field) -> Array:
    """Peaks of clipped stars, told by the size of what is clipped at ``top``."""
    return np.asarray(top / profile_at(state.image.profile, np.maximum(blobs.radius - 1, 1.0) / state.fwhm))


def _draw(state: Field, sources: Sources, noise: Noise, shape: tuple[int, int]) -> Plane:
    model = np.zeros(shape, np.float32)
    state.refresh(sources.geo)
    render(model, sources.geo, sources.peak, state.reach(sources.peak, noise.sigma), state.image)
    return model


def _sweep_all(
    bare: Plane, model: Plane, good: Mask, noise: Noise, sources: Sources, state: Field, rough: Roughness | None, *, free: int, update: bool
) -> tuple[Array, Array]:
    return sweep(
        bare, model, good, noise, sources.geo, sources.peak, state.fit_reach(sources.blob), state.reach(sources.peak, noise.sigma),
        state.image, state.fwhm, free=free, update=update, bend=None if rough is None else bends(sources, rough, judged=not update),
    )  # fmt: skip


def _sweep_close(bare: Plane, model: Plane, good: Mask, noise: Noise, sources: Sources, state: Field, rough: Roughness | None) -> None:
    """More rounds for stars that share their light: fitted in turn, they settle slowly."""
    pairs = scipy.spatial.cKDTree(sources.geo[:, :2]).query_pairs(CLOSE * state.fwhm, output_type="ndarray")
    close = np.unique(pairs)
    close = close[~sources.clipped[close]]
    if not len(close):
        return
    some = Sources(sources.geo[close], sources.peak[close], sources.blob[close])
    scatter = None if rough is None else Roughness(rough.scatter[close], rough.share[close])
    for _ in range(CLOSE_SWEEPS):
        _sweep_all(bare, model, good, noise, some, state, scatter, free=1, update=True)
    sources.geo[close], sources.peak[close] = some.geo, some.peak


def bends(sources: Sources, rough: Roughness, *, judged: bool) -> Array:
    """(n,) light, see `model.sweep`, for sources to be moved or ``judged``; a clipped core hides the ground: slopes only."""
    straight = sources.clipped | ((rough.scatter < LEAST_BEND * sources.peak) & (not judged))
    return np.where(straight, 0.0, BEND * rough.scatter)


def _add_sources(sources: Sources, response: Plane, model: Plane, sigma: Plane, good: Mask, blobs: Blobs, state: Field) -> None:
    """Append peaks of the residual that are no error of a star already fitted."""
    peaks = find_peaks(response, sigma, THRESHOLD, np.float32(RESIDUAL_SHARE) * cv2.blur(model, (3, 3)), seen=good | blobs.mask)
    keep = _clear_of_blobs(peaks, good, blobs, NEAR_LEFT * state.fwhm)
    if len(sources):
        distance, nearest = scipy.spatial.cKDTree(sources.geo[:, :2]).query(np.c_[peaks.x, peaks.y])
        keep &= (distance > 0.55 * state.fwhm) & ((distance > state.fwhm) | (peaks.height > 0.1 * sources.peak[nearest]))
    geo = np.zeros((int(keep.sum()), 7))
    geo[:, 0], geo[:, 1] = peaks.x[keep], peaks.y[keep]
    state.refresh(geo)
    sources.geo = np.concatenate([sources.geo, geo])
    sources.peak = np.r_[sources.peak, peaks.height[keep]]
    sources.blob = np.r_[sources.blob, np.zeros(int(keep.sum()))]
