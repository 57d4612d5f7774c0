"""Carry the stars of Y into each channel: their place and width there, their light, their haloes."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np

from layerblend.kinds import Array, Mask, Plane
from layerblend.maths.noise_line import Noise
from layerblend.steps.split.field import Fitted, armed, bends
from layerblend.steps.split.ghosts import draw_ghosts, light_ghosts
from layerblend.steps.split.haloes import Haloes, draw_haloes, fit_haloes, halo_basis, medians_of, read_cells
from layerblend.steps.split.model import StarImage, field_basis, profile_radii, render, sweep
from layerblend.steps.split.settle import Settled, settle
from layerblend.steps.split.sources import Field
from layerblend.steps.split.spikes import Shown, draw_spikes, light_spikes

BRIGHT = 60.0
LEAST_STARS, SQUARE_STARS, LEAST_STEADY = 15, 60, 9
MOST_WIDTH_CHANGE = 0.15
# Rings in which the colour of a clipped star's wings is read: from so many FWHM outside its core, where debayering errs little, to so many
# times that radius; seen where they rise over so many times the noise. A peak fitted to the rim of the core is off by no more than so much.
WING_START, WING_RATIO, WING_RINGS, LEAST_WING_RINGS, WING_SEEN, MOST_SHARE = 2.5, 2.5, 10, 5, 3.0, 4.0
MOST_OFF = 1.5


@dataclass
class Channel:
    """The sources in one channel: ``geo`` as in `model.render`, ``peak`` (n,); wide light, and ``streaks`` in it.

    ``fit`` and its ``error`` (n, 7) as in `model.sweep`: how each source differs from the star image of this channel.
    ``haloes`` tells whose wide light that is; fainter stars have the common one, too weak to be seen round any single star.
    ``reflects`` : the reflections that were found in Y are seen here too.
    """

    geo: Array
    peak: Array
    fit: Array
    error: Array
    halo: Plane
    streaks: Plane
    haloes: Haloes
    settled: Settled
    noise: Noise
    reflects: bool = False


def fit_channel(plane: Plane, luminance: Plane, good: Mask, noise: Noise, fitted: Fitted) -> Channel:
    """Peaks of all sources in one channel.

    The channel's star image is that of Y, moved and widened by what its bright stars show: red and blue light focus and bend
    differently (lateral colour), the same way for neighbouring stars. What their far wings hold of the light in ``luminance`` (Y) bounds
    the peaks of clipped stars: at the rim of a clipped core debayering takes from the weakest channel most of its light, and red star light
    that was found to be none stayed round a blue star.
    """
    fit = _Fit(plane, luminance, good, noise, fitted)
    fit.place()
    halo, streaks, haloes, reflects = fit.wide_light()
    left, uneven = plane - fit.model - halo, fitted.settled.uneven
    blob, state = fitted.sources.blob, fitted.field
    light, settled = settle(left, good, noise, fit.geo, fit.peak, blob, state.fwhm, state.image, haloes, uneven=uneven)
    halo += light
    clipped = fitted.sources.clipped
    fit.bare, told = plane - halo, fit.peak[clipped]
    fit.sweep()
    shapes, error = fit.sweep(free=3, update=False)
    fit.peak[clipped] = told  # what a clipped star's wings would take of the ground was told apart before
    return Channel(fit.geo, fit.peak, shapes, error, halo, streaks, haloes, settled, noise, reflects)


class _Fit:
    """A channel's fit under way: ``bare`` is the plane without the wide light of stars, ``model`` the stars' light without that.

    ``likely`` (n,): peaks that the wings of clipped stars tell, NaN of others.
    """

    def __init__(self, plane: Plane, luminance: Plane, good: Mask, noise: Noise, fitted: Fitted) -> None:
        self.plane, self.good, self.noise, self.fitted = plane, good, noise, fitted
        self.state, self.sources = fitted.field, fitted.sources
        self.geo, self.peak = self.sources.geo.copy(), self.sources.peak.copy()
        self.likely = _colour_of_wings(plane, luminance, good, noise, fitted) * self.peak
        self.bare = plane - fitted.halo
        self.draw()

    def draw(self) -> None:
        self.model = _draw(self.state, self.geo, self.peak, self.noise, self.plane.shape)

    def sweep(self, *, free: int = 0, update: bool = True, some: Mask | slice = slice(None)) -> tuple[Array, Array]:
        state, sources, blob, light = self.state, self.sources, self.sources.blob[some], self.peak[some]
        found = sweep(
            self.bare, self.model, self.good, self.noise, self.geo[some], light, state.fit_reach(blob),
            state.reach(light, self.noise.sigma), state.image, state.fwhm, free=free, update=update,
            bend=bends(sources, self.fitted.rough, judged=not update)[some],
        )  # fmt: skip
        if update:  # as they are where no wings tell
            self.peak[:] = np.fmax(np.fmin(self.peak, self.likely * MOST_OFF), self.likely / MOST_OFF)
        return found

    def place(self) -> None:
        """Move and widen all stars as the bright ones show, and fit their peaks."""
        self.sweep()
        bright = (self.peak > BRIGHT * self.noise.sigma) & ~self.sources.clipped
        fit = self.sweep(free=2, update=False, some=bright)[0]
        near = np.hypot(fit[:, 1], fit[:, 2]) < 1.0
        teachers, fit = bright.copy(), fit[near]
        teachers[bright] = near
        self.geo[:, 0:2] += _slide(self.state, self.geo, fit, teachers)
        steady = np.abs(fit[:, 3]) < MOST_WIDTH_CHANGE
        self.geo[:, 2] += float(np.median(fit[steady, 3])) if steady.sum() >= LEAST_STEADY else 0.0
        for _ in range(2):
            self.draw()
            self.sweep()
        self.draw()

    def wide_light(self) -> tuple[Plane, Plane, Haloes, bool]:
        """Light of haloes, spikes and reflections; that of spikes alone; the haloes; whether the reflections of Y are seen here too."""
        plane, good, noise, fitted, fwhm = self.plane, self.good, self.noise, self.fitted, self.state.fwhm
        star = armed(self.sources, fitted.fit)
        x, y, peaks = self.geo[star, 0], self.geo[star, 1], self.peak[star]
        shown = Shown.brightest(x, y, peaks, self.sources.blob[star], noise)
        ghosts = None
        if fitted.ghosts is not None:
            ghosts = light_ghosts(plane - self.model - fitted.halo + fitted.discs, good, noise, shown, fwhm, fitted.ghosts)
        discs = draw_ghosts(plane.shape, ghosts, x, y, peaks, noise.sigma)
        haloes, halo = fit_haloes(
            plane - fitted.streaks - discs, self.model, good, noise, self.geo, self.peak, self.sources.blob, fwhm, self.state.image,
            repeats=2, start=fitted.haloes,
        )  # fmt: skip
        spikes = None
        if fitted.spikes is not None:
            spikes = light_spikes(plane - self.model - halo - discs, good, noise, shown, fitted.spikes)
        streaks = draw_spikes(plane.shape, spikes, x, y, peaks, noise.sigma)
        return halo + (streaks + discs), streaks, haloes, ghosts is not None


def _colour_of_wings(plane: Plane, luminance: Plane, good: Mask, noise: Noise, fitted: Fitted) -> Array:
    """(n,) light of clipped stars in this channel as a share of Y's: by how much their rings rise together; NaN where that is not seen."""
    sources, shares = fitted.sources, np.full(len(fitted.sources), np.nan)
    index = np.flatnonzero(sources.blob > 0)
    if not len(index):
        return shares
    x, y = sources.geo[index, 0], sources.geo[index, 1]
    inner = sources.blob[index] + WING_START * fitted.field.fwhm
    own, theirs = (medians_of(read_cells(p, good, x, y, inner, WING_RATIO * inner, WING_RINGS)[0]) for p in (plane, luminance))
    for s, mine, all_light in zip(index, own, theirs, strict=True):
        seen = np.isfinite(mine) & np.isfinite(all_light)
        if seen.sum() >= LEAST_WING_RINGS:
            rise = all_light[seen] - all_light[seen].mean()
            if rise.max() > WING_SEEN * noise.sigma:
                shares[s] = np.clip((rise @ mine[seen]) / (rise @ rise), 0, MOST_SHARE)
    return shares


def draw_channel(channel: Channel, chosen: Mask, state: Field) -> Plane:
    """(H, W) float32: the light of the chosen sources, without the wide light that ``channel.halo`` holds."""
    plane = np.zeros((state.height, state.width), np.float32)
    reach = state.reach(channel.peak, channel.noise.sigma)
    bright = np.zeros(len(chosen), bool)
    bright[channel.haloes.index] = True
    for some, image in ((bright, state.image), (~bright, with_halo(state.image, channel.haloes))):
        some = some & chosen
        render(plane, channel.geo[some], channel.peak[some], reach[some], image)
    return plane


def spare_kept(channel: Channel, chosen: Mask, state: Field) -> Channel:
    """The channel with the wide light of the chosen sources alone.

    What is wide round any bright source is fitted before it is known which of them are stars; that of nuclei, knots and galaxies stays.
    """
    haloes = channel.haloes
    kept = ~chosen[haloes.index]
    if not kept.any():
        return channel
    light = draw_haloes(channel.halo.shape, channel.geo[haloes.index[kept]], haloes.light[kept], state.fwhm, channel.noise.sigma)
    return dataclasses.replace(channel, halo=channel.halo - (light + channel.settled.of(~chosen, channel.halo.shape, channel.noise.sigma)))


def with_halo(image: StarImage, haloes: Haloes) -> StarImage:
    """The star image with the halo that stars have in common."""
    if haloes.common is None:
        return image
    return StarImage(image.beta, image.profile + halo_basis(profile_radii(), 1.0) @ haloes.common, image.table)


def _draw(state: Field, geo: Array, peak: Array, noise: Noise, shape: tuple[int, int]) -> Plane:
    model = np.zeros(shape, np.float32)
    render(model, geo, peak, state.reach(peak, noise.sigma), state.image)
    return model


def _slide(state: Field, geo: Array, fit: Array, teachers: Mask) -> Array:
    """(n, 2) px: how far the channel's stars lie from those of Y, smooth over the field; ``fit`` of the teachers."""
    if teachers.sum() < LEAST_STARS:
        return np.zeros((len(geo), 2))
    basis = field_basis(geo[:, 0], geo[:, 1], state.height, state.width, 6 if teachers.sum() >= SQUARE_STARS else 3)
    own, chosen = basis[teachers], np.ones(len(fit), bool)
    for _ in range(3):
        terms = np.linalg.lstsq(own[chosen], fit[chosen, 1:3], rcond=None)[0]
        off = np.hypot(*(fit[:, 1:3] - own @ terms).T)
        chosen = off < max(4 * float(np.median(off[chosen])), 0.02)
    return basis @ terms
