"""What is really there: the target without stars, every star's place, light and colour, and the sky of a frame; all without noise."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from layerblend.demo.galaxy import galaxy_light
from layerblend.demo.scenario import Night, Scenario
from layerblend.demo.stars import draw_stars
from layerblend.errors import check_range
from layerblend.kinds import Array
from layerblend.maths.blackbody import blackbody_rgb

MARGIN = 32  # px of scene around the frame: dither, and light of stars just outside
DEFAULT_AREA = 960 * 640
CODES = 65535
IDEAL_FWHM, IDEAL_BETA = 2.0, 4.0  # the stars in the truth pictures
KELVIN = (3000.0, 12000.0)

SKY_TURNS = 24.0  # degrees that the direction of the sky's slope turns in a night, as the sky turns above the town
BEND = 0.12
GLOW_REACH = 2.2
AIRMASS_POWER = 0.6

STREAM_TARGET, STREAM_STARS = 1, 2  # every part of the scene draws from numbers of its own


@dataclass(frozen=True)
class Truth:
    """The noise-free scene, electrons per second and pixel through the camera's red, green and blue.

    ``starless`` : (H + 2 margin, W + 2 margin, 3) float32, unblurred.
    ``sky`` : (H, W, 3) float32, the mean sky of all nights. ``catalogue`` : (n,) records x, y (px of the frame, from the centre of its
    first pixel), kelvin, r, g, b (electrons per second), brightest first. ``unit`` turns electrons per second into linear light of one
    frame (1 = white level).
    """

    starless: Array
    sky: Array
    catalogue: Array
    height: int
    width: int
    unit: float

    def inside(self, canvas: Array) -> Array:
        """The part of a canvas that a frame shows."""
        return canvas[MARGIN : MARGIN + self.height, MARGIN : MARGIN + self.width]


def simulate_truth(scenario: Scenario, size: tuple[int, int] = (960, 640), seed: int = 1) -> Truth:
    """The scene of a scenario; the same seed and size give the same scene.

    Parameters
    ----------
    size : width, height of the frames, px; the target grows with their area, stars grow in number
    seed : int
    """
    width, height = size
    check_range("width", width, 64, 20000)
    check_range("height", height, 64, 20000)
    shape = (height + 2 * MARGIN, width + 2 * MARGIN)
    response = np.array(scenario.camera.response)
    stretch = math.sqrt(width * height / DEFAULT_AREA)
    light = galaxy_light(scenario.target.galaxy, shape, MARGIN, stretch, np.random.default_rng([seed, STREAM_TARGET]))
    catalogue = _catalogue(scenario, shape, np.random.default_rng([seed, STREAM_STARS]))
    return Truth(
        starless=(light * response).astype(np.float32),
        sky=_mean_sky(scenario, height, width),
        catalogue=catalogue,
        height=height,
        width=width,
        unit=scenario.exposure_s / (scenario.camera.electrons_per_adu * CODES),
    )


def truth_images(truth: Truth) -> dict[str, Array]:
    """The truth as linear pictures (H, W, 3) float32 in the light of one clear frame, 1 = white level.

    ``starless`` unblurred and ``stars`` of 2 px width, both without sky; ``sky``, the mean of all nights.
    """
    stars = np.zeros((truth.height, truth.width, 3), np.float32)
    for channel, name in enumerate("rgb"):
        plane = np.zeros(stars.shape[:2], np.float32)
        width = np.full(len(truth.catalogue), IDEAL_FWHM)
        draw_stars(plane, truth.catalogue["x"], truth.catalogue["y"], truth.catalogue[name], width, IDEAL_BETA)
        stars[..., channel] = plane
    unit = np.float32(truth.unit)
    return {
        "starless": np.ascontiguousarray(truth.inside(truth.starless) * unit),
        "stars": stars * unit,
        "sky": truth.sky * unit,
    }


def _catalogue(scenario: Scenario, shape: tuple[int, int], rng: np.random.Generator) -> Array:
    stars = scenario.stars
    count = max(round(stars.count * shape[0] * shape[1] / DEFAULT_AREA), 12)
    flux = _power_law(stars.faintest, stars.brightest, stars.slope, rng.random(count))
    bright = min(stars.saturated, count // 4)
    flux[:bright] = stars.brightest * np.geomspace(2.0, 14.0, bright)
    kelvin = np.clip(5400 * np.exp(0.28 * rng.standard_normal(count)), *KELVIN)
    colour = blackbody_rgb(kelvin) * np.array(scenario.camera.response)
    catalogue = np.zeros(count, [(name, np.float64) for name in ("x", "y", "kelvin", "r", "g", "b")])
    catalogue["x"] = rng.uniform(-MARGIN, shape[1] - MARGIN, count)
    catalogue["y"] = rng.uniform(-MARGIN, shape[0] - MARGIN, count)
    _keep_bright_apart(catalogue, bright, shape, rng)
    catalogue["kelvin"] = kelvin
    for channel, name in enumerate("rgb"):
        catalogue[name] = flux * colour[:, channel]
    return catalogue[np.argsort(-catalogue["g"], kind="stable")]


def _power_law(low: float, high: float, slope: float, share: Array) -> Array:
    """Fluxes whose number above F falls as F**-slope."""
    return (low**-slope + share * (high**-slope - low**-slope)) ** (-1 / slope)


def _keep_bright_apart(catalogue: Array, bright: int, shape: tuple[int, int], rng: np.random.Generator) -> None:
    """Saturated stars stand off the middle of the frame, where the target is, and off the edges, whose light would wrap around."""
    height, width = shape[0] - 2 * MARGIN, shape[1] - 2 * MARGIN
    for n in range(bright):
        while True:
            x, y = rng.uniform(0.05, 0.95) * width, rng.uniform(0.06, 0.94) * height
            if math.hypot((x / width - 0.5) * 1.5, y / height - 0.5) > 0.36:
                break
        catalogue["x"][n], catalogue["y"][n] = x, y


def _mean_sky(scenario: Scenario, height: int, width: int) -> Array:
    total = sum(night.frames for night in scenario.nights)
    sky = np.zeros((height, width, 3), np.float32)
    for night in scenario.nights:
        sky += sky_light(night, height, width, hour_share=0.5) * np.float32(night.frames / total)
    return sky


def sky_light(night: Night, height: int, width: int, *, hour_share: float) -> Array:
    """(H, W, 3) float32 sky of one frame, electrons per second and pixel, at full transparency.

    A slope towards the town, which turns and grows as the target sinks (``hour_share`` 0 first frame of the night, 1 last), and the
    moon's glow around its corner.
    """
    v = np.linspace(-1, 1, height, dtype=np.float32)[:, None]
    u = np.linspace(-1, 1, width, dtype=np.float32)[None, :]
    turn = np.float32(math.radians(night.direction + SKY_TURNS * (hour_share - 0.5)))
    slope = u * np.cos(turn) + v * np.sin(turn)
    slope = slope + BEND * slope**2
    low, high = night.airmass
    growth = (low + (high - low) * hour_share) / ((low + high) / 2)
    moon_u, moon_v = (np.float32(2 * share - 1) for share in night.moon_corner)
    glow = np.exp(-((u - moon_u) ** 2) / GLOW_REACH) * np.exp(-((v - moon_v) ** 2) / GLOW_REACH)
    sky = np.empty((height, width, 3), np.float32)
    for channel in range(3):
        level = np.float32(night.sky[channel] * growth**AIRMASS_POWER)
        sky[..., channel] = level * (1 + slope * np.float32(night.slope[channel] * growth) + glow * np.float32(night.moon_glow[channel]))
    return sky
