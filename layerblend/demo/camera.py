"""Frames of the demo as an invented one-shot-colour camera would deliver them: debayered, registered, 16 bits, with headers.

The camera reads every square of one red, two green and one blue filter as one colour pixel; shifted frames come back to the common grid by
bilinear interpolation, which blurs them a little and leaves neighbouring pixels with noise in common.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from scipy import fft

from layerblend.demo.scenario import Scenario
from layerblend.demo.stars import draw_stars
from layerblend.demo.truth import CODES, DEFAULT_AREA, MARGIN, Truth, sky_light
from layerblend.errors import check_range
from layerblend.kinds import Array
from layerblend.maths.moffat import moffat_otf

Card = tuple[str, Any, str]

STREAM_PLAN, STREAM_SENSOR, STREAM_FRAME = 3, 4, 5  # every part draws from random numbers of its own
DEFAULT_FRAMES = 48
READOUT_S = 9
EXTINCTION = np.array([0.10, 0.15, 0.24])  # magnitudes per airmass in red, green, blue
# Long exposures: the transfer function at another wavelength is a power of it, (530 nm / wavelength)**(1/3), since r0 ~ wavelength**(6/5);
# Fried 1966, J. Opt. Soc. Am. 56, 1372.
SEEING_POWER = (530 / np.array([600.0, 530.0, 460.0])) ** (1 / 3)
WIDTH_OF_POWER = 3 / 5  # the width of the star image goes with that power to the 3/5
CLOUD_PASSES, SOFT_FOCUS = 0.2, 1.6
TRAIL_ELECTRONS = (250.0, 2500.0)  # at the crest
RAYS_PER_FRAME = 4.0  # cosmic rays
BAND_LIMIT = 0.30  # cycles/px up to which the target's light is passed untouched; nothing reaches .5, or its knots would ring
FILTERS = np.array([1, 2, 1], np.float32)  # sensor pixels behind one red, green, blue value


@dataclass(frozen=True)
class FramePlan:
    """What one exposure will be like. ``fwhm`` : px, seeing before the pixels (geometric mean); shifts of the scene in px."""

    number: int
    name: str
    night: int
    hour_share: float
    start: datetime
    airmass: float
    fwhm: float
    eccentricity: float
    angle: float
    transparency: float
    cloudy: bool
    shift_x: float
    shift_y: float
    trails: int


# ---------------------------------------------------------------- the plan of the nights
def frame_plan(scenario: Scenario, n: int = DEFAULT_FRAMES, seed: int = 1) -> tuple[FramePlan, ...]:
    """Which frames are taken when and how well, in the order of time.

    Raises
    ------
    ArgumentError : n below 1.
    """
    check_range("n", n, 1, 100000)
    rng = np.random.default_rng([seed, STREAM_PLAN])
    nights = _night_of_frames(scenario, n)
    odd = scenario.odd
    elongated, cloudy, soft = (_places(shares, n) for shares in (odd.elongated, odd.cloudy, odd.soft))
    trails = np.bincount(rng.integers(0, n, round(odd.trails * n / DEFAULT_FRAMES)), minlength=n)
    plans, wander = [], 0.0
    for number in range(n):
        night = scenario.nights[nights[number]]
        step, frames = number - int(np.argmax(nights == nights[number])), int(np.count_nonzero(nights == nights[number]))
        hour_share = step / max(frames - 1, 1)
        airmass = night.airmass[0] + (night.airmass[1] - night.airmass[0]) * hour_share
        wander = 0.7 * wander + 0.71 * rng.standard_normal() if step else rng.standard_normal()
        haze, roundness, turn, right, down = rng.random(5)
        plans.append(
            FramePlan(
                number=number,
                name=f"{scenario.target.name.replace(' ', '_')}_{night.date}_{step + 1:03d}.fits",
                night=int(nights[number]),
                hour_share=hour_share,
                start=datetime.combine(night.date, night.start) + timedelta(seconds=step * (scenario.exposure_s + READOUT_S)),
                airmass=airmass,
                fwhm=night.seeing_px * math.exp(night.seeing_scatter * wander) * airmass**0.6 * (SOFT_FOCUS if number in soft else 1),
                eccentricity=odd.elongation if number in elongated else 0.15 + 0.27 * roundness,
                angle=180 * turn,
                transparency=night.transparency * (1 - 0.05 * haze) * (CLOUD_PASSES if number in cloudy else 1),
                cloudy=number in cloudy,
                shift_x=scenario.dither_px * (2 * right - 1),
                shift_y=scenario.dither_px * (2 * down - 1),
                trails=int(trails[number]),
            )
        )
    return tuple(plans)


def _places(shares: tuple[float, ...], n: int) -> set[int]:
    """Frame numbers of the odd ones; very small sets have none, since nothing would be left to compare with."""
    return {min(int(share * n), n - 1) for share in shares} if n >= 8 else set()


def _night_of_frames(scenario: Scenario, n: int) -> Array:
    ends = np.cumsum([night.frames for night in scenario.nights])
    return np.searchsorted(ends / ends[-1], (np.arange(n) + 0.5) / n)


# ---------------------------------------------------------------- frames
def simulate_frames(
    scenario: Scenario, truth: Truth, n: int = DEFAULT_FRAMES, seed: int = 1
) -> Iterator[tuple[str, Array, tuple[Card, ...]]]:
    """The registered frames one after the other.

    Yields
    ------
    name : file name
    planes : (3, H, W) uint16 as they go into the file, bottom row first, 0 where the shifted sensor did not reach
    cards : keyword, value, comment of the header
    """
    exposures = Exposures(scenario, truth, seed)
    for plan in frame_plan(scenario, n, seed):
        yield plan.name, exposures.take(plan), exposures.cards(plan)


class Exposures:
    """Takes the frames of one scene. ``take`` may be called from several threads; the same plan gives the same frame."""

    def __init__(self, scenario: Scenario, truth: Truth, seed: int = 1):
        self.scenario, self.truth, self.seed = scenario, truth, seed
        self._canvas = truth.starless.shape[:2]
        self._shape = (truth.height, truth.width)
        self._target = [fft.rfft2(truth.starless[..., channel]) for channel in range(3)]
        self._stars = [fft.rfft2(plane) for plane in _splats(truth, self._canvas)]
        self._fx = fft.rfftfreq(self._canvas[1]).astype(np.float32)[None, :]
        self._fy = fft.fftfreq(self._canvas[0]).astype(np.float32)[:, None]
        self._pixel = np.sinc(self._fx) * np.sinc(self._fy) * _passed(self._fx) * _passed(self._fy)
        # light scattered far: the profile (1 + r^2/s^2)^(-3/2), whose transform is exp(-2 pi s f)
        far = np.exp(-2 * np.float32(np.pi) * scenario.camera.aureole_px * np.hypot(self._fx, self._fy))
        self._aureole = np.float32(scenario.camera.aureole) * far
        self._corner = _corner_weight(self._shape)
        self._flat = 1 - scenario.camera.vignetting_error * (self._corner - self._corner.mean())
        self._warm = self._warm_pixels()

    def _warm_pixels(self) -> Array:
        """Electrons of the sensor pixels that the dark frame did not mend, each in one colour."""
        rng = np.random.default_rng([self.seed, STREAM_SENSOR])
        sensor = np.zeros((*self._shape, 3), np.float32)
        count = round(self.scenario.camera.hot_pixels * sensor.size / 3 / DEFAULT_AREA)
        sensor.ravel()[rng.choice(sensor.size, count, replace=False)] = np.exp(rng.normal(6.3, 1.1, count))
        return sensor / FILTERS

    def take(self, plan: FramePlan) -> Array:
        """(3, H, W) uint16, the registered frame as it goes into the file, bottom row first."""
        rng = np.random.default_rng([self.seed, STREAM_FRAME, plan.number])
        bank = _cloud_bank(self._shape, rng) if plan.cloudy else None
        electrons = self._light(plan, bank) + self._sky(plan, bank)
        electrons *= self._flat[..., None]
        for _ in range(plan.trails):
            electrons += _trail(self._shape, plan.fwhm, rng)[..., None]
        adu = self._read_out(electrons, rng) / np.float32(self.scenario.camera.electrons_per_adu)
        frame = _moved_back(adu, plan.shift_x, plan.shift_y)
        codes = np.rint(np.clip(frame, 0, CODES)).astype(np.uint16)
        return np.ascontiguousarray(np.moveaxis(codes[::-1], 2, 0))

    def _light(self, plan: FramePlan, bank: Array | None) -> Array:
        """(H, W, 3) electrons of target and stars, blurred, dimmed and shifted on the sensor."""
        camera = self.scenario.camera
        sharp = moffat_otf(self._canvas, plan.fwhm, self.scenario.moffat_beta, plan.eccentricity, plan.angle)
        turns = np.complex64(-2j * np.pi)
        shift = np.exp(turns * self._fx * np.float32(plan.shift_x)) * np.exp(turns * self._fy * np.float32(plan.shift_y))
        dimmed = plan.transparency * 10 ** (-0.4 * EXTINCTION * (plan.airmass - 1))
        image = np.empty((*self._shape, 3), np.float32)
        for channel in range(3):
            moved = self._target[channel] * (self._pixel * shift)
            scattered = self._aureole * (moved + self._stars[channel] * shift)
            middle, edge = (
                self._inside(moved * sharp ** np.float32(power) * np.float32(1 - camera.aureole) + scattered)
                for power in (SEEING_POWER[channel], SEEING_POWER[channel] * (1 + camera.soft_corners))
            )
            plane = np.maximum(middle + self._corner * (edge - middle), 0)
            self._add_stars(plane, plan, channel)
            image[..., channel] = plane * np.float32(self.scenario.exposure_s * dimmed[channel])
        return image if bank is None else image * (1 + np.float32(0.25) * bank)[..., None]

    def _inside(self, spectrum: Array) -> Array:
        return self.truth.inside(fft.irfft2(spectrum, s=self._canvas))

    def _add_stars(self, plane: Array, plan: FramePlan, channel: int) -> None:
        """Add the stars' own light, without the part scattered far, wider towards the corners."""
        camera, stars = self.scenario.camera, self.truth.catalogue
        height, width = self._shape
        x, y = stars["x"] + plan.shift_x, stars["y"] + plan.shift_y
        corner = ((2 * x / (width - 1) - 1) ** 2 + (2 * y / (height - 1) - 1) ** 2) / 2
        fwhm = plan.fwhm * (SEEING_POWER[channel] * (1 + camera.soft_corners * np.minimum(corner, 1.2))) ** WIDTH_OF_POWER
        light = stars["rgb"[channel]] * (1 - camera.aureole)
        draw_stars(plane, x, y, light, fwhm, self.scenario.moffat_beta, eccentricity=plan.eccentricity, angle=plan.angle)

    def _sky(self, plan: FramePlan, bank: Array | None) -> Array:
        night = self.scenario.nights[plan.night]
        sky = sky_light(night, *self._shape, hour_share=plan.hour_share) * np.float32(self.scenario.exposure_s)
        return sky if bank is None else sky * (np.float32(1.35) - np.float32(0.12) * bank)[..., None]

    def _read_out(self, electrons: Array, rng: np.random.Generator) -> Array:
        """Warm pixels, shot noise, cosmic rays, a full well, read noise. Pixels count hundreds of electrons, so shot noise is normal."""
        camera, shape = self.scenario.camera, electrons.shape
        expected = electrons + self._warm
        counted = expected + np.sqrt(expected / FILTERS) * rng.standard_normal(shape, dtype=np.float32)
        for _ in range(rng.poisson(RAYS_PER_FRAME * expected.size / 3 / DEFAULT_AREA)):
            y, x, length = rng.integers(0, shape[0]), rng.integers(0, shape[1] - 3), rng.integers(1, 4)
            counted[y, x : x + length] += rng.uniform(300, 9000, (length, 3)).astype(np.float32)
        counted = np.minimum(counted, np.float32(camera.full_well))
        return counted + np.float32(camera.read_noise) / np.sqrt(FILTERS) * rng.standard_normal(shape, dtype=np.float32)

    def cards(self, plan: FramePlan) -> tuple[Card, ...]:
        """The header of a frame."""
        scenario, camera, target = self.scenario, self.scenario.camera, self.scenario.target
        degrees = 206.265 * camera.pixel_um / camera.focal_mm / 3600
        return (
            ("OBJECT", target.name, "invented, simulated by layerblend"),
            ("IMAGETYP", "light", "calibrated, debayered, registered"),
            ("INSTRUME", camera.name, "invented camera"),
            ("TELESCOP", camera.telescope, "invented telescope"),
            ("SITENAME", scenario.site.name, "invented site"),
            ("SITELAT", scenario.site.latitude, "deg"),
            ("SITELONG", scenario.site.longitude, "deg"),
            ("SITEELEV", scenario.site.elevation_m, "m"),
            ("DATE-OBS", plan.start.isoformat(timespec="milliseconds"), "UTC, start of exposure"),
            ("EXPTIME", float(scenario.exposure_s), "s"),
            ("GAIN", camera.gain_setting, "camera setting"),
            ("OFFSET", camera.offset, "camera setting, taken off by calibration"),
            ("EGAIN", camera.electrons_per_adu, "electrons per ADU"),
            ("CCD-TEMP", camera.celsius, "degrees Celsius"),
            ("FILTER", "OSC", "one-shot colour, no filter"),
            ("XPIXSZ", camera.pixel_um, "um"),
            ("YPIXSZ", camera.pixel_um, "um"),
            ("XBINNING", 1, ""),
            ("YBINNING", 1, ""),
            ("FOCALLEN", camera.focal_mm, "mm"),
            ("AIRMASS", round(plan.airmass, 4), ""),
            ("ROWORDER", "BOTTOM-UP", "first row is the bottom of the picture"),
            ("RA", target.ra, "deg"),
            ("DEC", target.dec, "deg"),
            ("CTYPE1", "RA---TAN", ""),
            ("CTYPE2", "DEC--TAN", ""),
            ("CUNIT1", "deg", ""),
            ("CUNIT2", "deg", ""),
            ("CRVAL1", target.ra, ""),
            ("CRVAL2", target.dec, ""),
            ("CRPIX1", (self.truth.width + 1) / 2, ""),
            ("CRPIX2", (self.truth.height + 1) / 2, ""),
            ("CD1_1", -degrees, "north up, east left"),
            ("CD1_2", 0.0, ""),
            ("CD2_1", 0.0, ""),
            ("CD2_2", degrees, ""),
        )


def _splats(truth: Truth, shape: tuple[int, int]) -> Iterator[Array]:
    """Per channel the stars as points shared among four pixels: enough for light that is scattered far."""
    x, y = truth.catalogue["x"] + MARGIN, truth.catalogue["y"] + MARGIN
    column, row = np.floor(x).astype(int), np.floor(y).astype(int)
    for name in "rgb":
        plane = np.zeros(shape, np.float64)
        for down in (0, 1):
            for right in (0, 1):
                share = np.abs(1 - down - (y - row)) * np.abs(1 - right - (x - column))
                inside = (row + down < shape[0]) & (column + right < shape[1])
                np.add.at(plane, ((row + down)[inside], (column + right)[inside]), (share * truth.catalogue[name])[inside])
        yield plane.astype(np.float32)


def _passed(f: Array) -> Array:
    """Share of light passed at the frequencies ``f``: falls smoothly from 1 at the band limit to 0 at half the sampling frequency."""
    share = np.clip((np.abs(f) - BAND_LIMIT) / (0.5 - BAND_LIMIT), 0, 1)
    return np.cos(share * np.float32(np.pi / 2)) ** 2


def _corner_weight(shape: tuple[int, int]) -> Array:
    """0 in the middle of the sensor, 1 in its corners, growing with the square of the distance."""
    v = np.linspace(-1, 1, shape[0], dtype=np.float32)[:, None]
    u = np.linspace(-1, 1, shape[1], dtype=np.float32)[None, :]
    return (u * u + v * v) / 2


def _cloud_bank(shape: tuple[int, int], rng: np.random.Generator) -> Array:
    """(H, W) -1..1: where a thin cloud lets more (1) or less (-1) light through."""
    v = np.linspace(0, 2 * np.pi, shape[0])[:, None]
    u = np.linspace(0, 2 * np.pi, shape[1])[None, :]
    across, down, phase = rng.uniform(0.3, 0.8), rng.uniform(0.3, 0.8), rng.uniform(0, 2 * np.pi)
    return np.sin(across * u + down * v + phase).astype(np.float32)


def _trail(shape: tuple[int, int], fwhm: float, rng: np.random.Generator) -> Array:
    """(H, W) electrons of a satellite's straight line, as wide as the stars."""
    y, x, angle = rng.uniform(0.1, 0.9) * shape[0], rng.uniform(0.1, 0.9) * shape[1], rng.uniform(0, np.pi)
    crest = np.exp(rng.uniform(*np.log(TRAIL_ELECTRONS)))
    dy, dx = np.ogrid[-y : shape[0] - y, -x : shape[1] - x]
    distance = np.abs(dx * math.sin(angle) - dy * math.cos(angle))
    return (crest * np.exp(-4 * math.log(2) * (distance / fwhm) ** 2)).astype(np.float32)


def _moved_back(colour: Array, shift_x: float, shift_y: float) -> Array:
    """The frame on the common grid: place x there is x + shift on the sensor; 0 where that lies outside."""
    height, width = colour.shape[:2]
    first_x, first_y = math.floor(shift_x), math.floor(shift_y)
    share_x, share_y = np.float32(shift_x - first_x), np.float32(shift_y - first_y)
    between = colour[:, :-1] * (1 - share_x) + colour[:, 1:] * share_x
    between = between[:-1] * (1 - share_y) + between[1:] * share_y
    x0, x1 = max(-first_x, 0), min(width - 1 - first_x, width)
    y0, y1 = max(-first_y, 0), min(height - 1 - first_y, height)
    frame = np.zeros_like(colour)
    frame[y0:y1, x0:x1] = between[y0 + first_y : y1 + first_y, x0 + first_x : x1 + first_x]
    return frame
