"""Raw rows of a few frames as they stand in files, the order to combine them, and the values they must read as."""

import numpy as np

from layerblend.steps.stack.rows import StackOrder, combine_rows, surface_rows
from layerblend.steps.stack.sizes import NO_BLANK
from layerblend.steps.stack.strata import make_strata

F = np.float32
WHITE = 65535.0
NO_GAPS = np.zeros((0, 4), np.int32)


def make_case(seed, n=13, *, rows=3, width=70, bitpix=16, counts=(3, 6, 13), reject=3.0, missing=0.0, uneven=True, extra=0, bent=0.0):
    """Raw rows of ``n`` frames, the order to combine them, and the matched float32 values."""
    rng = np.random.default_rng(seed)
    fwhm = np.sort(rng.uniform(2.5, 5.0, n))
    noise = rng.uniform(0.5, 2.0, n) if uneven else np.ones(n)
    light = 1000 + 4000 * rng.random(rows * width) ** 8
    adu = light + rng.normal(0, 20, (n, rows * width)) * noise[:, None] + np.outer(1 / fwhm**2, light - 1000)
    adu[rng.random(adu.shape) < 0.02] += 3000
    adu[rng.random(adu.shape) < 0.002] = 65535
    stored, bzero, back = encode(adu, bitpix)
    white = 255.0 if bitpix == 8 else WHITE
    gaps = NO_GAPS
    if bitpix < 0 and missing:
        hole = rng.random(stored.shape) < missing
        stored[hole], back[hole] = np.nan, np.nan
    elif missing:
        gaps = np.array([(i, row, 0, rng.integers(1, width // 3)) for row in range(rows) for i in range(0, n, 2)], np.int32)
        for i, row, a, b in gaps:
            back[i, row * width + a : row * width + b] = np.nan
    planes = rng.normal(0, 1e-3, (n, 1, 3))
    if bent:
        planes = np.concatenate([planes, np.random.default_rng(seed).normal(0, bent, (n, 1, 3))], -1)
    weights = [1 / noise**2] + [rng.uniform(0.2, 2, n) for _ in range(extra)]
    order = StackOrder(
        *(rows, width, 1, np.full(n, bitpix), np.ones(n), np.full(n, bzero), np.full(n, NO_BLANK)),
        gain=rng.uniform(0.8, 1.2, n) / white,
        planes=planes,
        full=np.full(n, 0.98 * white, F),
        noise=noise,
        weights=np.array(weights, F),
        mapped=np.ones(len(weights), bool),
        sets=np.array([0] * len(counts) + list(range(1, extra + 1))),
        counts=np.array([*counts] + [n] * extra),
        strata=make_strata(fwhm),
        floor=np.array([10 / WHITE]),
        reach=int(rng.integers(1, 20)),
        reject=reject,
    )
    surface = surface_rows(order, 0, 0, rows)
    x, y = np.tile(np.linspace(-1, 1, width), rows).astype(F), np.repeat(np.arange(rows), width)
    terms = [surface[:, y, k] for k in range(5)]
    values = back * order.gain.astype(F)[:, None] + (terms[0] + x * (terms[1] + x * (terms[2] + x * (terms[3] + x * terms[4]))))
    return padded(np.ascontiguousarray(stored).view(np.uint8).reshape(n, -1)), order, gaps, values.astype(F)


def encode(values, bitpix):
    """Big-endian bytes of ADU values as FITS holds them, their BZERO, and the values they read back as."""
    if bitpix == 16:
        stored = np.clip(np.rint(values), 0, 65535)
        return (stored - 32768).astype(">i2"), 32768.0, stored.astype(F)
    if bitpix == 8:
        stored = np.clip(np.rint(values / 257), 0, 255)
        return stored.astype("u1"), 0.0, stored.astype(F)
    return values.astype(">f4"), 0.0, values.astype(F)


def padded(raw):
    return np.pad(raw, ((0, 0), (0, -raw.shape[1] % 4)))


def run(raw, order, gaps, row0=0, rows=None):
    rows = rows or order.height
    saturated = np.zeros((-(-len(raw) // 8), rows * order.width), np.uint8)
    return combine_rows(order, 0, raw, row0, gaps=gaps, saturated=saturated), saturated
