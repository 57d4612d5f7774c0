"""Noise maps of a stack: how uncertain each pixel is, from the stack's own error map or from the picture itself."""

from __future__ import annotations

import cv2
import numpy as np

from layerblend.kinds import LinearImage, Plane
from layerblend.maths.bands import each, over_bands
from layerblend.maths.noise_line import measure_noise
from layerblend.maths.robust import nan_filled

Y_WEIGHTS = (0.25, 0.5, 0.25)
# A single pixel's standard error comes from a handful of frames and scatters itself; its square is averaged over this box.
POOL_PX = 9
GROUND_PX = 12
BAND_ROWS = 256


def error_map(stderr: LinearImage) -> LinearImage:
    """Standard error of every pixel, its scatter calmed by averaging the variance over 9 x 9 pixels; NaN stays where no data is.

    Parameters
    ----------
    stderr : (H, W, 3) or (H, W) float32, linear, the stack's standard error

    Returns
    -------
    Like ``stderr``. Pixels of several channels are smoothed apart.
    """
    out = np.empty(stderr.shape, np.float32)
    planes = [()] if stderr.ndim == 2 else [(channel,) for channel in range(stderr.shape[2])]

    def band(first: int) -> None:  # of the same rows for any number of threads: running sums round by where they begin
        top, last = max(first - POOL_PX, 0), first + BAND_ROWS
        for plane in planes:
            calm = _calmed(np.ascontiguousarray(stderr[(slice(top, last + POOL_PX), slice(None), *plane)], np.float32))
            out[(slice(first, last), slice(None), *plane)] = calm[first - top : last - top]

    each(band, range(0, len(stderr), BAND_ROWS))
    return out


def _calmed(stderr: Plane) -> Plane:
    valid, box = np.isfinite(stderr), (POOL_PX, POOL_PX)
    variance = np.where(valid, stderr, np.float32(0)) ** 2
    pooled = np.maximum(cv2.blur(variance, box, borderType=cv2.BORDER_REFLECT_101), 0)  # running sums leave a rounding below 0 on zeros
    if valid.all():
        return np.sqrt(pooled)
    share = cv2.blur(valid.astype(np.float32), box, borderType=cv2.BORDER_REFLECT_101)
    return np.where(valid, np.sqrt(pooled / np.maximum(share, np.float32(1e-6))), np.float32(np.nan))


def luminance_error(sigma: LinearImage) -> Plane:
    """Noise of Y = (R + 2 G + B)/4 from the channels' noise maps, channels taken as independent; a mono map is returned as it is."""
    if sigma.ndim == 2:
        return sigma
    out = np.empty(sigma.shape[:2], np.float32)

    def band(first: int, last: int) -> None:
        out[first:last] = np.sqrt(sum((weight * sigma[first:last, :, channel]) ** 2 for channel, weight in enumerate(Y_WEIGHTS)))

    over_bands(band, len(out))
    return out


def ground_error(sigma: Plane, *, reach_px: int = GROUND_PX) -> Plane:
    """Noise of what lies under the stars: the lowest noise within ``reach_px``, smoothed.

    A stack's error map rises at stars, where changing seeing moves light about; a threshold on star light must not follow it.

    Parameters
    ----------
    sigma : (H, W) float32, NaN where no data is
    """
    filled = np.where(np.isfinite(sigma), sigma, np.inf).astype(np.float32)
    size = 2 * reach_px + 1
    low = cv2.erode(filled, np.ones((size, size), np.uint8), borderType=cv2.BORDER_REFLECT_101)
    low = np.where(np.isfinite(low), low, np.nanmax(sigma) if np.isfinite(sigma).any() else 1.0).astype(np.float32)
    smooth = cv2.blur(low, (size, size), borderType=cv2.BORDER_REFLECT_101)
    return np.where(np.isfinite(sigma), smooth, np.nan).astype(np.float32)


def signal_error_map(image: LinearImage) -> LinearImage:
    """Noise of every pixel of a finished stack without error map: sky noise plus what grows with the signal, see `measure_noise`.

    Parameters
    ----------
    image : (H, W, 3) or (H, W) float32, linear, sky-subtracted, NaN where no data is

    Returns
    -------
    Like ``image``, float32.
    """
    if image.ndim == 2:
        return _plane_error(image)
    return np.stack([_plane_error(image[..., channel]) for channel in range(image.shape[2])], axis=-1)


def _plane_error(plane: Plane) -> Plane:
    filled, seen = nan_filled(plane)
    light = cv2.blur(filled, (POOL_PX, POOL_PX), borderType=cv2.BORDER_REFLECT_101)
    return np.where(seen, measure_noise(filled, seen).map(light), np.float32(np.nan))
