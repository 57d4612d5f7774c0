"""What flows between the parts: names for array kinds, and the records that more than one part reads.

Conventions that hold everywhere
--------------------------------
Images are float32, ``(H, W, 3)`` RGB or ``(H, W)`` mono; row 0 is the top of the picture; ``x`` counts columns, ``y`` rows, both from 0
at the centre of the first pixel. *Linear* light: 1.0 is the camera's white level, sky-subtracted values may be negative, NaN means
"no data". *Display* values: 0..1, sRGB-encoded (IEC 61966-2-1). Widths are in pixels. Angles are degrees of the long axis, from +x
towards +y (down the picture), 0 <= angle < 180.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
LinearRGB = Annotated[Array, "float32 (H, W, 3), linear light, 1.0 = white level"]
LinearImage = Annotated[Array, "float32 (H, W, 3) or (H, W), linear light"]
DisplayRGB = Annotated[Array, "float32 (H, W, 3), sRGB-encoded, 0..1"]
Plane = Annotated[Array, "float32 (H, W)"]
Mask = Annotated[Array, "bool (H, W)"]
Weight = Annotated[Array, "float32 (H, W), 0..1"]


# ---------------------------------------------------------------- frames
@dataclass(frozen=True)
class FrameInfo:
    """Where the pixels of one FITS image lie and what its header says; made without reading a pixel.

    ``data_offset`` is the byte of the first pixel, or None when the pixels cannot be read in place (compressed, gzipped, scaled
    oddly): then only the slower whole-image path serves. ``value * bscale + bzero`` gives ADU, ADU / ``white_level`` linear light.
    ``planes_first``: three planes one after the other (NAXIS3 = 3), otherwise the channel runs fastest (NAXIS1 = 3).
    ``top_down``: the first row of the file is the top of the picture (ROWORDER); else the file runs bottom-up.
    """

    path: Path
    hdu: int
    height: int
    width: int
    channels: int
    planes_first: bool
    bitpix: int
    bscale: float
    bzero: float
    blank: int | None
    data_offset: int | None
    top_down: bool
    white_level: float | None
    exposure_s: float | None
    date: str | None
    filter: str | None
    cards: tuple[tuple[str, Any, str], ...] = field(default=(), repr=False)
    words: tuple[str, ...] = ()


@dataclass(frozen=True)
class FrameMeasure:
    """What grading found in one frame. ``noise`` and ``sky`` in linear light; ``tiles`` is the coarse sky table used for matching.

    ``star_list`` : (n, 4) float32, x, y, flux of Y in linear light, peak; brightest first, unsaturated, at most 300.
    ``tiles`` : (ny, nx, C) float32, robust medians of ``tile_px`` squares, NaN where uncovered.
    ``gaps`` : (n, 3) int32, y, x0, x1: the runs x0 <= x < x1 of picture row y without data (`maths.cover.gap_runs`); None: not looked at.
    ``black`` : share of each channel's pixels that hold its lowest value; empty: not looked at.
    """

    stars: int
    fwhm: float
    fwhm_major: float
    eccentricity: float
    angle: float
    beta: float
    sky: tuple[float, ...]
    noise: float
    channel_noise: tuple[float, ...]
    star_list: Array = field(repr=False)
    tiles: Array = field(repr=False)
    tile_px: int = 64
    covered: float = 1.0
    words: tuple[str, ...] = ()
    gaps: Array | None = field(default=None, repr=False)
    black: tuple[float, ...] = ()


@dataclass(frozen=True)
class FrameRow:
    """One graded frame. ``transparency``: star flux relative to the clearest frames of the set, 0..about 1, exposure taken out."""

    file: str
    path: Path
    info: FrameInfo = field(repr=False)
    measure: FrameMeasure = field(repr=False)
    stars: int
    fwhm: float
    fwhm_major: float
    eccentricity: float
    angle: float
    sky_r: float
    sky_g: float
    sky_b: float
    noise: float
    snr: float
    transparency: float
    flux_scale: float
    date: str
    exposure_s: float
    excluded: str = ""
    extra: dict[str, float] = field(default_factory=dict, repr=False)


CSV_COLUMNS = (
    "file", "stars", "fwhm", "fwhm_major", "eccentricity", "angle", "sky_r", "sky_g", "sky_b", "noise", "snr", "transparency",
    "date", "exposure_s", "excluded",
)  # fmt: skip


@dataclass(frozen=True)
class FrameTable(Sequence[FrameRow]):  # type: ignore[misc]
    """Graded frames, best first by the chosen order; excluded frames stand at the end, each with its reason."""

    rows: tuple[FrameRow, ...]
    words: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.rows)

    def __getitem__(self, index: Any) -> Any:
        return self.rows[index]

    def __iter__(self) -> Iterator[FrameRow]:
        return iter(self.rows)

    @property
    def used(self) -> tuple[FrameRow, ...]:
        """The rows that are not excluded, in rank order."""
        return tuple(row for row in self.rows if not row.excluded)

    def write_csv(self, path: str | Path) -> None:
        """Write the table as CSV (UTF-8, one header line, widths in px, light 0..1)."""
        import csv

        with open(path, "w", newline="", encoding="utf-8") as handle:
            writer = csv.writer(handle)
            writer.writerow(CSV_COLUMNS)
            for row in self.rows:
                writer.writerow([_csv_cell(getattr(row, name)) for name in CSV_COLUMNS])


def _csv_cell(value: Any) -> Any:
    return f"{value:.6g}" if isinstance(value, float) else value


# ---------------------------------------------------------------- stacks
@dataclass(frozen=True)
class Stack:
    """One combined picture in linear light (memory-mapped when it lives in a file).

    ``mean`` and ``stderr`` like an image; ``count``, ``rejected`` uint16 of the same shape; ``saturated`` float32 (H, W), the share of
    a pixel's frames at or above .98 of the white level in any channel; ``halves``: two images from the odd and the even frames in
    rank order. The maps are None for a finished stack that somebody else made.
    """

    mean: LinearImage
    stderr: LinearImage | None = None
    count: Array | None = None
    rejected: Array | None = None
    saturated: Plane | None = None
    halves: tuple[LinearImage, LinearImage] | None = None
    n_frames: int = 0
    exposure_s: float = 0.0
    files: tuple[str, ...] = ()
    weights: tuple[float, ...] = ()
    fwhm_major: float = float("nan")
    cards: tuple[tuple[str, Any, str], ...] = field(default=(), repr=False)
    top_down: bool = False
    words: tuple[str, ...] = ()


# ---------------------------------------------------------------- stars
class Shape(NamedTuple):
    """The star image at one place of the field."""

    fwhm: float
    fwhm_major: float
    eccentricity: float
    angle: float
    beta: float


@dataclass(frozen=True)
class StarShape:
    """The point spread function over the field: an elliptical Moffat whose width and ellipse vary as quadratics in x and y.

    ``terms`` : (3, 6) float64, coefficients of ln(fwhm), e1, e2 over (1, u, v, u^2, u v, v^2) with u = 2 x/(W-1) - 1, v likewise;
    e1 + i e2 = (a - b)/(a + b) exp(2 i angle), a and b the long and short axes; ``fwhm`` is the geometric mean.
    ``stars`` : (n, 8) float64, x, y, flux, peak, fwhm, fwhm_major, eccentricity, angle of the stars used.
    """

    beta: float
    terms: Array
    height: int
    width: int
    stars: Array = field(repr=False)
    words: tuple[str, ...] = ()

    def coefficients_at(self, x: Any, y: Any) -> Array:
        """(3, ...) float64: ln fwhm, e1, e2 at the places x, y (px)."""
        u = 2 * np.asarray(x, float) / max(self.width - 1, 1) - 1
        v = 2 * np.asarray(y, float) / max(self.height - 1, 1) - 1
        basis = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v])
        return np.tensordot(np.asarray(self.terms, float), basis, 1)

    def at(self, x: float, y: float) -> Shape:
        """The star image at x, y (px)."""
        ln_fwhm, e1, e2 = (float(c) for c in self.coefficients_at(x, y))
        ratio = min(float(np.hypot(e1, e2)), 0.9)
        q = (1 - ratio) / (1 + ratio)
        fwhm = float(np.exp(ln_fwhm))
        angle = float(np.degrees(0.5 * np.arctan2(e2, e1)) % 180.0)
        return Shape(fwhm, float(fwhm / np.sqrt(q)), float(np.sqrt(1 - q * q)), angle, self.beta)

    @property
    def centre(self) -> Shape:
        """The star image in the middle of the field."""
        return self.at((self.width - 1) / 2, (self.height - 1) / 2)


# ---------------------------------------------------------------- display
@dataclass(frozen=True)
class Curve:
    """The one stretch of a result: code y(v) = asinh((v + p)/s)/norm on the largest channel, linear display ratios kept, shoulder above .8.

    ``p``, ``s`` in linear light. ``sigma``, ``target``, ``sky``, ``bright``, ``black`` record the conditions it was solved from.
    """

    p: float
    s: float
    norm: float
    sigma: float
    target: float
    sky: float = 0.12
    bright: float = 0.7
    black: float = 10.0


@dataclass(frozen=True)
class Ellipse:
    """A place in the picture, px: centre, half axes, angle of the first half axis in degrees."""

    x: float
    y: float
    a: float
    b: float
    angle: float = 0.0

    def mask(self, height: int, width: int, grow: float = 1.0) -> Mask:
        """(height, width) bool: inside the ellipse, half axes multiplied by ``grow``."""
        yy, xx = np.ogrid[:height, :width]
        t = np.deg2rad(self.angle)
        u = (xx - self.x) * np.cos(t) + (yy - self.y) * np.sin(t)
        v = -(xx - self.x) * np.sin(t) + (yy - self.y) * np.cos(t)
        return np.asarray((u / (self.a * grow)) ** 2 + (v / (self.b * grow)) ** 2 <= 1.0)


# ---------------------------------------------------------------- luminance
def working_luminance(image: LinearImage) -> Plane:
    """Y = (R + 2 G + B) / 4 of a linear colour image, the plane itself when mono."""
    if image.ndim == 2:
        return np.asarray(image, np.float32)
    return np.asarray((image[..., 0] + 2 * image[..., 1] + image[..., 2]) * np.float32(0.25), np.float32)
