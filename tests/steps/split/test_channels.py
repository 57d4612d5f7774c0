"""Stars of Y in each channel."""

from __future__ import annotations

import numpy as np

from layerblend.kinds import working_luminance
from layerblend.steps.split.channels import fit_channel
from layerblend.steps.split.field import first_field, first_fits, fit_field
from layerblend.steps.split.mask import Blobs
from layerblend.steps.split.noise import measure_noise
from tests.scenes.split import make_scene


def test_lateral_colour_is_followed() -> None:
    scene = make_scene(height=500, width=500, stars=300, saturated=0, target=False, galaxies=0, seed=22, lateral=0.5)
    luminance = working_luminance(scene.image)
    good = np.ones(luminance.shape, bool)
    noise = measure_noise(luminance, good)
    start = first_field(500, 500, first_fits(luminance, good, noise, ~good), None)
    assert start is not None
    blobs = Blobs(np.zeros(0), np.zeros(0), np.zeros(0), ~good)
    fitted = fit_field(luminance, good, noise, blobs, start)
    red = np.ascontiguousarray(scene.image[..., 0])
    channel = fit_channel(red, good, measure_noise(red, good), fitted)
    moved = channel.geo[:, :2] - fitted.sources.geo[:, :2]
    u = 2 * fitted.sources.x / 499 - 1
    assert abs(np.polyfit(u, moved[:, 0], 1)[0] + 0.5) < 0.08
