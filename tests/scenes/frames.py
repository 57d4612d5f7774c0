"""Registered frames with known truth: stars of given seeing, a disc galaxy, tilted skies, clouds, trails, cosmic rays, uncovered borders.

Light is in ADU (white 65535). `simulate` makes the pixels, `write_frames` FITS files, `true_table` the grades as they truly are.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from astropy.io import fits

from layerblend.files.frames import open_frame
from layerblend.kinds import FrameMeasure, FrameRow, FrameTable
from layerblend.maths.cover import gap_runs
from layerblend.maths.robust import tile_levels

WHITE = 65535.0
BETA = 3.0


@dataclass
class FrameScene:
    """``frames`` : (N, H, W, C) float32 ADU, row 0 on top, NaN uncovered; ``clean`` the same without noise, trails, rays and borders.

    ``skies`` : (N, H, W, C) the sky in ``clean``. ``matched`` : (N, H, W, C) the clean light brought to frame 0's brightness and sky.
    ``spoilt`` : (N, H, W) bool, trails and rays.
    """

    frames: np.ndarray
    clean: np.ndarray
    skies: np.ndarray
    matched: np.ndarray
    spoilt: np.ndarray
    fwhm: np.ndarray
    eccentricity: np.ndarray
    angle: np.ndarray
    transparency: np.ndarray
    exposure: np.ndarray
    sigma: np.ndarray
    sky: np.ndarray
    stars: np.ndarray
    paths: list[Path] = field(default_factory=list)


def moffat_star(shape, x, y, fwhm, *, eccentricity=0.0, angle=0.0, beta=BETA):
    """(H, W) a star of flux 1; ``fwhm`` is the geometric mean of its axes, ``angle`` in degrees from +x towards +y."""
    stretch = (1 - eccentricity**2) ** 0.25
    scale = fwhm / (2 * np.sqrt(2 ** (1 / beta) - 1))
    t = np.deg2rad(angle)
    yy, xx = np.ogrid[: shape[0], : shape[1]]
    along = (xx - x) * np.cos(t) + (yy - y) * np.sin(t)
    across = -(xx - x) * np.sin(t) + (yy - y) * np.cos(t)
    r2 = ((along * stretch) ** 2 + (across / stretch) ** 2) / scale**2
    return (beta - 1) / (np.pi * scale**2) * (1 + r2) ** -beta


def add_star(image, x, y, flux, fwhm, *, reach=32, **shape):
    """Add one star to (H, W, C); ``flux`` per channel. Its wings end ``reach`` px away, where .1 % of the light is left."""
    y0, x0 = max(int(y) - reach, 0), max(int(x) - reach, 0)
    part = image[y0 : int(y) + reach + 1, x0 : int(x) + reach + 1]
    part += moffat_star(part.shape[:2], x - x0, y - y0, fwhm, **shape)[..., None] * flux


def simulate(
    n: int,
    *,
    shape: tuple[int, int] = (96, 128),
    channels: int = 3,
    fwhm=(2.2, 4.0),
    eccentricity=0.0,
    transparency=(0.8, 1.0),
    exposure=60.0,
    sky: float = 1000.0,
    tilt: float = 0.1,
    read_noise: float = 8.0,
    gain: float = 1.5,
    stars: int | np.ndarray = 14,
    star_flux=(3e3, 2e5),
    galaxy: float = 300.0,
    trails: float = 0.0,
    rays: int = 0,
    borders: int = 0,
    seed: int = 0,
) -> FrameScene:
    """Frames sharpest first; ``fwhm`` is a range, or the widths themselves. ``stars``: how many, or rows of x, y, flux.

    ``trails``: chance of one per frame, 4..40 sigma bright; ``rays`` per frame; ``borders``: up to so many px uncovered on each side.
    """
    rng = np.random.default_rng(seed)
    h, w = shape
    widths = np.sort(rng.uniform(*fwhm, n) if isinstance(fwhm, tuple) else np.broadcast_to(fwhm, n)).astype(float)
    long = np.broadcast_to(eccentricity, n).astype(float)
    angle = rng.uniform(0, 180, n)
    through = rng.uniform(*transparency, n) if np.ndim(transparency) else np.full(n, float(transparency))
    seconds = np.broadcast_to(exposure, n).astype(float)
    light = seconds / 60.0
    level = sky * rng.uniform(0.7, 1.5, (n, channels)) * light[:, None]
    slope = tilt * level[..., None] * rng.uniform(-1, 1, (n, channels, 2)) / 2
    yy, xx = np.mgrid[-1 : 1 : h * 1j, -1 : 1 : w * 1j]
    place = _scatter(rng, h, w, stars, star_flux) if isinstance(stars, int) else np.asarray(stars, float)
    tint = rng.uniform(0.6, 1.4, (len(place), channels)) if channels > 1 else np.ones((len(place), 1))
    disc = galaxy * np.exp(-np.hypot((xx - 0.1) * w / 2, (yy + 0.1) * h) / (0.12 * w))
    target = np.empty((n, h, w, channels))
    for i in range(n):
        target[i] = disc[..., None]
        for (x, y, flux), colour in zip(place, tint, strict=True):
            add_star(target[i], x, y, flux * colour, widths[i], eccentricity=long[i], angle=angle[i])
    skies = level[:, None, None] + slope[:, None, None, :, 0] * xx[..., None] + slope[:, None, None, :, 1] * yy[..., None]
    bright = (through * light)[:, None, None, None]
    clean = target * bright + skies
    matched = target * bright[0] + skies[0]
    noise = np.sqrt(read_noise**2 + np.maximum(clean, 0) / gain)
    frames = clean + rng.standard_normal(clean.shape) * noise
    spoilt = np.zeros((n, h, w), bool)
    sigma = np.sqrt(read_noise**2 + level.mean(1) / gain)
    for i in range(n):
        _spoil(frames[i], spoilt[i], sigma[i], trails, rays, rng)
        _uncover(frames[i], borders, rng)
    return FrameScene(
        *(
            np.minimum(frames, WHITE).astype(np.float32),
            clean.astype(np.float32),
            skies.astype(np.float32),
            matched.astype(np.float32),
            spoilt,
        ),
        *(widths, long, angle, through, seconds, sigma, level, place),
    )


def _scatter(rng, h, w, count, flux):
    return np.column_stack([rng.uniform(6, w - 7, count), rng.uniform(6, h - 7, count), rng.permutation(np.geomspace(*flux, count))])


def _spoil(frame, spoilt, sigma, trails, rays, rng):
    h, w = spoilt.shape
    yy, xx = np.mgrid[:h, :w]
    if rng.random() < trails:
        t = rng.uniform(0, np.pi)
        away = (xx - rng.uniform(0.2, 0.8) * w) * np.cos(t) + (yy - rng.uniform(0.2, 0.8) * h) * np.sin(t)
        light = sigma * rng.uniform(4, 40) * np.exp(-0.5 * (away / 1.5) ** 2)
        frame += light[..., None]
        spoilt |= light > 0.5 * sigma
    for _ in range(rays):
        y, x = rng.integers(h), rng.integers(w)
        frame[y, x] += sigma * rng.uniform(10, 200)
        spoilt[y, x] = True


def _uncover(frame, borders, rng):
    if not borders:
        return
    top, bottom, left, right = rng.integers(0, borders + 1, 4)
    h, w = frame.shape[:2]
    frame[:top] = frame[h - bottom :] = np.nan
    frame[:, :left] = frame[:, w - right :] = np.nan


def write_frames(
    scene: FrameScene, folder: Path, *, dtype="uint16", planes_first=True, top_down=False, name="frame{:03d}.fits"
) -> list[Path]:
    """Write the frames as FITS; integers hold zeros where a frame does not cover, floats NaN."""
    folder.mkdir(parents=True, exist_ok=True)
    scene.paths = []
    for i, frame in enumerate(scene.frames):
        data = np.where(np.isnan(frame), 0, np.clip(np.rint(frame), 1, None)) if "int" in dtype else frame
        data = data if top_down else data[::-1]
        data = data[..., 0] if data.shape[2] == 1 else np.moveaxis(data, 2, 0) if planes_first else data
        header = fits.Header()
        header["EXPTIME"] = float(scene.exposure[i])
        header["DATE-OBS"] = f"2024-01-01T00:{i // 60:02d}:{i % 60:02d}"
        header["ROWORDER"] = "TOP-DOWN" if top_down else "BOTTOM-UP"
        header["CRVAL1"], header["CTYPE1"] = 10.0, "RA---TAN"
        if dtype.startswith("float") or dtype == "int32":
            header["SATURATE"] = WHITE
        path = folder / name.format(i)
        values = np.clip(data, 0, 32767) if dtype == "int16" else np.clip(data / 257, 0, 255) if dtype == "uint8" else data
        image = np.ascontiguousarray(values).astype(dtype)
        hdu = fits.CompImageHDU(image, header) if path.suffix == ".fz" else fits.PrimaryHDU(image, header)
        hdu.writeto(path, overwrite=True)
        scene.paths.append(path)
    return scene.paths


def true_table(scene: FrameScene, *, white: float = WHITE, tile_px: int = 16) -> FrameTable:
    """The grades of written frames as they truly are: widths, noise, stars and fluxes from the scene, sky tiles from the pixels."""
    rows = []
    bright = scene.transparency * scene.exposure / 60.0
    for i, path in enumerate(scene.paths):
        info = open_frame(path, white_level=white)
        linear = (scene.frames[i] / np.float32(white)).astype(np.float32)
        image = linear if linear.shape[2] == 3 else linear[..., 0]
        missing = np.isnan(scene.frames[i]).all(2)
        flux = scene.stars[:, 2] * bright[i] / white
        peak = flux * (BETA - 1) * 4 * (2 ** (1 / BETA) - 1) / (np.pi * scene.fwhm[i] ** 2)
        listed = np.column_stack([scene.stars[:, :2], flux, peak]).astype(np.float32)
        noise = float(scene.sigma[i] / white)
        sky = tuple(float(v) for v in scene.sky[i] / white)
        major = scene.fwhm[i] / (1 - scene.eccentricity[i] ** 2) ** 0.25
        measure = FrameMeasure(
            stars=len(listed),
            fwhm=float(scene.fwhm[i]),
            fwhm_major=float(major),
            eccentricity=float(scene.eccentricity[i]),
            angle=float(scene.angle[i]),
            beta=BETA,
            sky=sky,
            noise=noise,
            channel_noise=(noise,) * len(sky),
            star_list=listed[np.argsort(-listed[:, 2])],
            tiles=tile_levels(image, tile_px).reshape(-(-image.shape[0] // tile_px), -(-image.shape[1] // tile_px), -1),
            tile_px=tile_px,
            covered=1 - float(missing.mean()),
            gaps=gap_runs(missing),
        )
        rows.append(_row(info, measure, scene, i, bright))
    return FrameTable(tuple(rows))


def _row(info, measure, scene, i, bright):
    sky = measure.sky if len(measure.sky) == 3 else measure.sky * 3
    return FrameRow(
        *(info.path.name, info.path, info, measure, measure.stars, measure.fwhm, measure.fwhm_major, measure.eccentricity, measure.angle),
        *(*sky, measure.noise, float(bright[i] / measure.noise / measure.fwhm), float(scene.transparency[i]), float(bright[0] / bright[i])),
        *(info.date or "", float(scene.exposure[i])),
    )
