"""The star image learned from stars whose light is known (truth from simulation)."""

from __future__ import annotations

import numpy as np
import pytest

from layerblend.maths.noise_line import Noise
from layerblend.steps.split.haloes import WIDTHS, Haloes
from layerblend.steps.split.learn import learn_beta, learn_course
from layerblend.steps.split.model import StarImage, profile_at, render
from layerblend.steps.split.sources import Field, Sources
from tests.scenes.split import add_moffat, ellipse_form

SIZE, FWHM, SIGMA = 900, 4.0, 1e-3
NO_HALO = Haloes(np.zeros(0, int), np.zeros((0, len(WIDTHS))), np.zeros(len(WIDTHS)))
# Where a clipped star is told by what the profile says of its wings, FWHM.
WINGS = np.array([2.5, 3.0, 3.5])


def _learned(parts: tuple[tuple[float, float], ...], beta: float, *, start: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Wings of the profile before and after its course was learned, and the true ones, all of a star of peak 1."""
    rng = np.random.default_rng(4)
    plane = rng.normal(0, SIGMA, (SIZE, SIZE))
    places = np.stack(np.meshgrid(np.arange(45, 860, 90), np.arange(45, 860, 90)), -1).reshape(-1, 2) + rng.uniform(-4, 4, (100, 2))
    for x, y in places:
        for weight, width in parts:
            add_moffat(plane, x, y, 0.5 * weight, *ellipse_form(FWHM * width, 0.0, 0.0, beta), beta, 60)
    terms = np.zeros((3, 6))
    terms[0, 0] = np.log(FWHM)
    field = Field(SIZE, SIZE, terms, StarImage.moffat(start))
    sources = Sources(np.column_stack([places, np.zeros((100, 5))]), np.full(100, 0.5), np.zeros(100))
    field.refresh(sources.geo)
    good, noise, teachers = np.ones((SIZE, SIZE), bool), Noise(SIGMA**2, 0.0), np.ones(100, bool)

    def left() -> np.ndarray:
        model = np.zeros((SIZE, SIZE), np.float32)
        render(model, sources.geo, sources.peak, np.full(100, 60.0), field.image)
        return (plane - model).astype(np.float32)

    for _ in range(3):
        learn_beta(field, sources, left(), good, noise, teachers)
    before = profile_at(field.image.profile, WINGS * FWHM / field.fwhm)
    learn_course(field, sources, NO_HALO, left(), good, noise, teachers)
    true = sum(w * (1 + 4 * (2 ** (1 / beta) - 1) * (WINGS / f) ** 2) ** -beta for w, f in parts)
    return before, profile_at(field.image.profile, WINGS * FWHM / field.fwhm), np.asarray(true)


def test_wings_of_frames_of_several_widths_are_not_too_bright() -> None:
    """The core of such a star tells a beta whose wings are a third too bright, and with them every clipped star's light."""
    before, after, true = _learned(((0.55, 0.85), (0.45, 1.3)), 3.2, start=3.0)
    assert np.abs(before / true - 1).max() > 0.2
    assert np.abs(after / true - 1).max() < 0.5 * np.abs(before / true - 1).max()


@pytest.mark.parametrize("beta", [2.5, 4.0])
def test_wings_of_a_moffat_stay(beta: float) -> None:
    before, after, _ = _learned(((1.0, 1.0),), beta, start=beta)
    assert np.abs(after / before - 1).max() < 0.03


def test_what_is_too_faint_is_left_to_the_halo() -> None:
    before, after, true = _learned(((0.97, 1.0), (0.03, 3.0)), 3.5, start=3.5)
    assert (true > before).all()
    assert (after <= before).all()
