"""Rows of all frames in, rows of all outputs out: the order of a pass, and what is told beside the sums."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from layerblend.kinds import Array
from layerblend.maths.robust import MAD_TO_SIGMA
from layerblend.maths.surface import rows_of

from .kernel import combine_lanes
from .reading import match_rows
from .sizes import CELL, LIMIT, F
from .strata import Strata, mixtures

SATURATED_SHARE = 0.98
"""A sample at or above this share of the white level counts as saturated: interpolation of registered frames lowers the very top."""
SKY_SHARE = 0.4


@dataclass(frozen=True)
class StackOrder:
    """Everything that decides pixels in one pass over frames in rank order; plain arrays, so that it travels to any worker.

    Raw values (``bitpix`` 8, 16 or -32) become ADU as raw * ``bscale`` + ``bzero``, linear light as ADU * ``gain`` less a surface over the
    *file's* columns and rows: ``planes`` (N, C, terms), see `maths.surface`. ``full`` : (N,) ADU from which a sample is saturated.
    ``noise`` : (N,) relative noise r. ``weights`` : (J, N) float32, the first row 1/r^2. Output p sums the first ``counts[p]`` frames with
    the weights ``sets[p]``; counts rise. ``mapped`` : (J,) bool, whether a weight set's outputs get error and counts. ``reach`` px: how far
    the light of a star may count. ``floor`` : (C,) linear light. ``reject`` in sigma, 0 keeps every sample.
    """

    height: int
    width: int
    channels: int
    bitpix: Array
    bscale: Array
    bzero: Array
    blank: Array
    gain: Array
    planes: Array
    full: Array
    noise: Array
    weights: Array
    mapped: Array
    sets: Array
    counts: Array
    strata: Strata
    reach: int
    floor: Array
    reject: float


@dataclass(frozen=True)
class Combined:
    """Rows of all outputs of one channel; (P, rows, W) each, errors and counts zero where not ``mapped``.

    ``lost`` : (N, cells) int32, samples of each frame rejected per 64 columns.
    """

    mean: Array
    stderr: Array
    count: Array
    rejected: Array
    half_a: Array
    half_b: Array
    lost: Array


def combine_rows(
    order: StackOrder, channel: int, raw: Array, row0: int, *, gaps: Array, saturated: Array, out: Combined | None = None
) -> Combined:
    """Combine a few rows of one channel.

    Parameters
    ----------
    raw : (N, bytes) uint8, each frame's rows as they stand in its file (big-endian), from file row ``row0``; padded to fours of bytes.
    gaps : (n, 4) int64, frame, file row, x0, x1 of runs without data, sorted by row.
    saturated : (ceil(N / 8), rows * W) uint8, one bit per frame; bits are set where this channel is saturated (written to).
    out : what an earlier call with the same order and number of rows gave, to be written over: fresh memory costs more than the sums.

    Returns
    -------
    Combined, whose arrays the caller owns.
    """
    rows = saturated.shape[1] // order.width
    out = _room_for(order, rows) if out is None else out
    out.lost[...] = 0
    surface = surface_rows(order, channel, row0, rows)
    first = np.searchsorted(gaps[:, 1], np.arange(row0, row0 + rows + 1))
    strata = order.strata
    frames = (order.bitpix, order.bscale, order.bzero, order.blank, order.gain.astype(F), surface, order.full, order.width)
    combine_lanes(
        *(_as_numbers(raw), frames, gaps, first, strata.members, strata.edges, strata.tolerance),
        *(order.noise.astype(F), mixtures(strata, order.noise), F(order.reject), F(order.floor[channel]), order.reach),
        *(order.weights, order.mapped, order.sets, order.counts),
        *(out.mean, out.stderr, out.count, out.rejected, out.half_a, out.half_b, out.lost, saturated),
    )
    return out


def _room_for(order: StackOrder, rows: int) -> Combined:
    shape = (len(order.counts), rows, order.width)
    return Combined(
        *(np.empty(shape, F), np.zeros(shape, F), np.zeros(shape, np.uint16), np.zeros(shape, np.uint16)),
        *(np.empty(shape, F), np.empty(shape, F)),
        np.empty((len(order.bitpix), -(-order.width // CELL)), np.int32),
    )


def _as_numbers(raw: Array) -> tuple[Array, Array, Array]:
    """The raw rows as whole numbers of 1, 2 and 4 bytes; the same memory."""
    return raw, raw.view(np.uint16), raw.view(np.uint32)


def surface_rows(order: StackOrder, channel: int, row0: int, rows: int) -> Array:
    """(N, rows, 5) float32: what ADU * gain lacks of matched light, as a polynomial in u along every row."""
    v = 2 * np.arange(row0, row0 + rows) / max(order.height - 1, 1) - 1
    return (-rows_of(order.planes[:, channel], v)).astype(F)


def matched_rows(order: StackOrder, channel: int, frames: Array, raw: Array, row0: int, *, gaps: Array) -> Array:
    """(n, rows, W) float32: some frames in matched linear light, NaN where there is no data; ``raw`` and ``gaps`` as for `combine_rows`."""
    itemsize = np.abs(order.bitpix[frames]) // 8
    rows = max(1, int(raw.shape[1] // itemsize.max()) // order.width)
    surface = surface_rows(order, channel, row0, rows)
    out = np.empty((len(frames), rows, order.width), F)
    match_rows(
        *(*_as_numbers(raw), order.bitpix[frames], order.bscale[frames], order.bzero[frames], order.blank[frames]),
        *(order.gain[frames].astype(F), surface[frames], out),
    )
    out[out >= LIMIT] = np.nan
    place = {int(frame): k for k, frame in enumerate(frames)}
    for frame, row, start, stop in gaps[np.searchsorted(gaps[:, 1], row0) : np.searchsorted(gaps[:, 1], row0 + rows)]:
        if int(frame) in place:
            out[place[int(frame)], row - row0, start:stop] = np.nan
    return out


def noise_floor(values: Array, noise: Array) -> float:
    """The noise of a frame of relative noise 1 in the darker two fifths of the pixels, from how each frame differs from the next.

    values : (n, pixels) float32, matched, NaN = no data; noise : (n,) relative. NaN when no two neighbours overlap.
    """
    seen = np.isfinite(values).any(0)
    if not seen.any():
        return float("nan")
    middle = np.nanmedian(values[:, seen], axis=0)
    dark = values[:, seen][:, middle <= np.quantile(middle, SKY_SHARE)]
    scales = []
    for (a, ra), (b, rb) in pairwise(zip(dark, np.asarray(noise, float), strict=True)):
        difference = (a - b)[np.isfinite(a - b)]
        if difference.size:
            scales.append(MAD_TO_SIGMA * np.median(np.abs(difference - np.median(difference))) / np.hypot(ra, rb))
    return float(np.median(scales)) if scales else float("nan")


def saturated_share(bits: Array, cover: Array, counts: Array) -> Array:
    """(P, pixels) float32: share of the first ``counts[p]`` frames that are saturated, among those that cover the pixel (``cover``)."""
    out = np.zeros(cover.shape, F)
    places = np.flatnonzero(bits.any(0))  # few: only there is anything to count
    marked = bits[:, places]
    for p, count in enumerate(counts):
        whole, rest = divmod(int(count), 8)
        hits = np.bitwise_count(marked[:whole]).sum(0, dtype=np.int64)
        if rest:
            hits += np.bitwise_count(marked[whole] & np.uint8((1 << rest) - 1))
        out[p, places] = hits / np.maximum(cover[p, places], 1)
    return out
