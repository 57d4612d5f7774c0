"""The demo's scenario: an invented target, camera, site and four nights, read from YAML."""

from __future__ import annotations

from datetime import date, time
from importlib.resources import files
from pathlib import Path
from typing import Annotated

import yaml
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from layerblend.errors import RecipeError

Share = Annotated[float, Field(ge=0, le=1)]
Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Three = tuple[NotNegative, NotNegative, NotNegative]
Place = tuple[float, float]


class Part(BaseModel):
    """A part of the scenario: unknown keys are errors, values do not change."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Camera(Part):
    """The invented camera and telescope."""

    name: str
    telescope: str
    focal_mm: Positive
    pixel_um: Positive
    electrons_per_adu: Positive
    full_well: Positive
    read_noise: NotNegative
    gain_setting: int
    offset: int
    celsius: float
    response: Three
    hot_pixels: int = Field(ge=0)
    vignetting_error: Share
    aureole: Share
    aureole_px: Positive
    soft_corners: NotNegative


class Site(Part):
    """The invented observing place."""

    name: str
    latitude: float
    longitude: float
    elevation_m: float


class Companion(Part):
    """A small galaxy beside the target."""

    centre: Place
    size_px: Positive
    flux: NotNegative
    angle: float


class Galaxy(Part):
    """The target. Places are shares of the frame; light in electrons per second and pixel; sizes for the default frame."""

    centre: Place
    scale_px: Positive
    angle: float
    inclination: float = Field(ge=0, le=80)
    pitch: float = Field(gt=3, lt=60)
    arms: int = Field(ge=1, le=6)
    bulge: NotNegative
    bulge_px: Positive
    disc: NotNegative
    arm_light: NotNegative
    halo: NotNegative
    dust: NotNegative
    lane_shift: float
    hydrogen_knots: int = Field(ge=0)
    clusters: int = Field(ge=0)
    brightest_knot: NotNegative
    far_galaxies: int = Field(ge=0)
    companion: Companion


class Target(Part):
    """Name and place of the target."""

    name: str
    ra: float
    dec: float
    galaxy: Galaxy


class Stars(Part):
    """Foreground stars; light in electrons per second through green."""

    count: int = Field(ge=1)
    faintest: Positive
    brightest: Positive
    slope: Positive
    saturated: int = Field(ge=0)


class Night(Part):
    """One night. Sky in electrons per second and pixel; slopes are shares of the sky from the middle to the edge, per channel."""

    date: date
    start: time
    frames: Positive
    seeing_px: Positive
    seeing_scatter: NotNegative
    transparency: Share
    sky: Three
    slope: Three
    direction: float
    moon_glow: Three
    moon_corner: Place
    airmass: Place


class Odd(Part):
    """Frames that went wrong, by their share of the set (0 the first, 1 the last)."""

    trails: int = Field(ge=0)
    elongated: tuple[Share, ...]
    elongation: Share
    cloudy: tuple[Share, ...]
    soft: tuple[Share, ...]


class Scenario(Part):
    """Everything the simulator needs except size, number of frames and seed."""

    exposure_s: Positive
    dither_px: NotNegative
    moffat_beta: float = Field(gt=1.5, le=8)
    camera: Camera
    site: Site
    target: Target
    stars: Stars
    nights: tuple[Night, ...] = Field(min_length=1)
    odd: Odd


def load_scenario(path: str | Path | None = None) -> Scenario:
    """The scenario in a YAML file, or the demo's own.

    Raises
    ------
    RecipeError : the file is missing, is no YAML, or has unknown, missing or impossible values; ``faults`` lists all of them.
    """
    if path is None:
        text, name = files("layerblend.demo").joinpath("scenario.yaml").read_text(encoding="utf-8"), "scenario.yaml"
    else:
        name = str(path)
        try:
            text = Path(path).read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise RecipeError(f"The scenario {path} cannot be read: {error}.", file=path) from error
    try:
        return Scenario.model_validate(yaml.safe_load(text))
    except yaml.YAMLError as error:
        raise RecipeError(f"{name} is not YAML: {error}", file=name) from error
    except ValidationError as error:
        faults = [f"{'.'.join(map(str, fault['loc']))}: {fault['msg']}, got {fault['input']!r}" for fault in error.errors()]
        raise RecipeError(f"{name} has {len(faults)} faults: " + "; ".join(faults), file=name, faults=faults) from error
