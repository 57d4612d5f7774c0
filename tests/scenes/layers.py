"""Small linear light, splits and star images made by hand, for the tests of what each node does."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from layerblend.files.pictures import write_fits
from layerblend.kinds import Curve, Stack, StarShape
from layerblend.steps.flatten import Flattened
from layerblend.steps.split import Split
from layerblend.steps.white import White
from tests.scenes.frames import add_star

SHAPE = (120, 160)
CURVE = Curve(p=0.002, s=0.01, norm=6.0, sigma=0.0002, target=0.2)
WHITE = White(factors=np.array([1.2, 1.0, 0.9]), along=1.0, across=1.0, green=0.0, stars=np.zeros((0, 2)))


def star_field(*, shift: float = 0.0, gain: float = 1.0, mono: bool = False, seed: int = 3, stars: int = 30) -> np.ndarray:
    """Linear light: stars of a fixed field over quiet sky."""
    rng = np.random.default_rng(11)
    image = np.zeros((*SHAPE, 1 if mono else 3))
    for x, y, flux in zip(rng.uniform(8, 152, stars), rng.uniform(8, 112, stars), 10 ** rng.uniform(-0.6, 0.7, stars), strict=True):
        add_star(image, x + shift, y, flux * gain * np.ones(image.shape[2]), 2.8)
    image += np.random.default_rng(seed).normal(0, 3e-4, image.shape)
    return (image[..., 0] if mono else image).astype(np.float32)


def as_stack(image: np.ndarray, name: str = "stack.fits", **more: object) -> Stack:
    return Stack(mean=image, files=(name,), **more)  # type: ignore[arg-type]


def no_sky(image: np.ndarray) -> Flattened:
    """A sky found to be zero everywhere."""
    none = np.zeros(image.shape[2:] or 1)
    return Flattened(image, np.zeros_like(image), np.zeros(0), (), (), False, "subtract", none, none, none, none, none, none)


def plain_split(light: np.ndarray) -> Split:
    nothing = np.zeros_like(light)
    return Split(light, nothing, np.zeros(light.shape[:2], bool), np.zeros(0), {})


def split_of_one_star(light: np.ndarray, x: float, y: float) -> Split:
    """All light is that of one star, 4 px wide."""
    row = np.zeros(1, [("x", "f4"), ("y", "f4"), ("flux", "f4", (3,)), ("peak", "f4", (3,)), ("kept", "U8")])
    row["x"], row["y"], row["flux"], row["peak"] = x, y, light.sum((0, 1)), light.max((0, 1))
    return replace(plain_split(light), starless=np.zeros_like(light), stars=light, catalogue=row, checks={"fwhm": 4.0})


def round_stars(fwhm: float) -> StarShape:
    terms = np.zeros((3, 6))
    terms[0, 0] = np.log(fwhm)
    return StarShape(3.0, terms, 100, 100, np.zeros((0, 8)))


def write(folder: Path, name: str, image: np.ndarray) -> Path:
    write_fits(folder / name, image, cards=[("TELESCOP", "north", "")])
    return folder / name
