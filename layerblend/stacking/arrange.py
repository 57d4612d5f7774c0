"""Before a pixel is read: which frames take part, how they match, which weights each stack sums, and what to warn of."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np

from layerblend.errors import ArgumentError, InputError, check_choice, check_range
from layerblend.files import bands, stacks
from layerblend.files.frames import check_same_grid
from layerblend.kinds import Array, FrameInfo, FrameRow, FrameTable
from layerblend.maths.robust import MAD_TO_SIGMA
from layerblend.steps import match
from layerblend.steps.rank import kept_count
from layerblend.steps.stack import make_strata

FEWEST_TO_REJECT = 5
PEAKS_LOST = 0.05
HEAVY, FEW_HEAVY = 4.0, 0.05  # times an ordinary frame's weight; share of the frames above which these are a kind of their own
LEAST_SPREAD = 0.02
"""Relative scatter that noise alone gives the peak of a bright star."""


# ---------------------------------------------------------------- what is asked for
def _share(name: str, keep: Any) -> float:
    """A share of the frames, given as a number or in per cent."""
    try:
        if isinstance(keep, str) and keep.strip().endswith("%"):
            return float(keep.strip()[:-1]) / 100
        if not isinstance(keep, bool):
            return float(keep)
    except (TypeError, ValueError):
        pass
    raise ArgumentError(f"`stacks[{name!r}].keep` must be a share of the frames, such as 0.25 or 25%, got {keep!r}.")


@dataclass(frozen=True)
class StackSpec:
    """One stack of the pass: the sharpest share ``keep`` of the frames, summed with ``weights``.

    ``weights`` : "equal", "noise", "sharpness" (1/(s^2 FWHM^power)), or one number per used frame in rank order.
    ``maps`` : False leaves out error, counts and saturation (for sums that are joined afterwards).
    """

    keep: float = 1.0
    weights: str | tuple[float, ...] = "noise"
    power: float = 2.0
    maps: bool = True

    @classmethod
    def of(cls, name: str, value: Any) -> StackSpec:
        """A spec from a share (0.25 or "25%"), a mapping, or anything with ``keep``, ``weights``, ``power`` (a recipe's stack)."""
        if isinstance(value, cls):
            return value._checked(name)
        if not isinstance(value, Mapping):
            given = {key: getattr(value, key) for key in ("keep", "weights", "power") if getattr(value, key, None) is not None}
            value = given or {"keep": value}
        if "keep" in value:
            value = {**value, "keep": _share(name, value["keep"])}
        unknown = set(value) - {"keep", "weights", "power", "maps"}
        if unknown:
            raise ArgumentError(f"`stacks[{name!r}]` knows keep, weights and power, not {', '.join(sorted(map(str, unknown)))}.")
        return cls(**value)._checked(name)

    def _checked(self, name: str) -> StackSpec:
        check_range(f"stacks[{name!r}].keep", self.keep, 0, 1, open_low=True)
        check_range(f"stacks[{name!r}].power", self.power, 0, 7)
        if isinstance(self.weights, str):
            check_choice(f"stacks[{name!r}].weights", self.weights, match.WEIGHTS)
            return self
        given = tuple(float(w) for w in self.weights)
        if not given or min(given) < 0 or not math.isfinite(sum(given)) or sum(given) == 0:
            raise ArgumentError(f"`stacks[{name!r}].weights` must be finite numbers, none negative, not all zero.")
        return replace(self, weights=given)


# ---------------------------------------------------------------- how it is done
@dataclass(frozen=True)
class Arrangement:
    """The frames of the pass in rank order, how they match, and which frames and weights each stack sums."""

    rows: tuple[FrameRow, ...]
    matching: match.Matching
    specs: dict[str, StackSpec]
    counts: dict[str, int]
    weights: Array
    sets: dict[str, int]
    words: tuple[str, ...]

    @property
    def info(self) -> FrameInfo:
        return self.rows[self.matching.reference].info


def arrange(
    table: FrameTable, specs: dict[str, StackSpec], *, level_sky: str, match_brightness: bool, check_places: bool = True
) -> Arrangement:
    """Match the frames in use, leave out those that lie elsewhere (``check_places``), and count and weigh them for every stack.

    Raises
    ------
    InputError : frames of another size, colour or row order; too many; cut short; without a known white level.
    """
    rows, words = table.used, []
    matching = match.match_frames(rows, match.choose_reference(table), level_sky=level_sky, match_brightness=match_brightness)
    misplaced = [i for i, reason in enumerate(matching.misplaced) if reason and check_places]
    if misplaced:
        words += [f"{rows[i].file} is left out: {matching.misplaced[i]}." for i in misplaced]
        rows = tuple(row for i, row in enumerate(rows) if i not in misplaced)
        reference = rows.index(table.used[matching.reference])
        matching = match.match_frames(rows, reference, level_sky=level_sky, match_brightness=match_brightness)
    check_same_grid([row.info for row in rows])
    _refuse_unreadable(rows)
    counts = {name: kept_count(spec.keep, len(rows)) for name, spec in specs.items()}
    weights, sets = _weight_sets(specs, matching, rows)
    words += [*matching.words, *_words_on_heavy_frames(rows, weights[0]), *_warnings(rows, counts, specs)]
    return Arrangement(rows, matching, specs, counts, weights, sets, tuple(words))


def _refuse_unreadable(rows: Sequence[FrameRow]) -> None:
    if len(rows) > stacks.LARGEST_COUNT:
        raise InputError(f"At most {stacks.LARGEST_COUNT} frames can be stacked in one pass, got {len(rows)}.")
    for row in rows:
        if row.info.white_level is None:
            raise InputError(
                f"{row.file} does not say which value is white: set frames.white_level (1 if saturated pixels hold 1.0).",
                file=row.path,
                key="frames.white_level",
                code="white_level",
            )
        if bands.in_place(row.info) and (short := bands.missing_bytes(row.info)):
            raise InputError(
                f"{row.file} is cut short: {short} bytes of pixels are missing. Copy it again, or list it under frames.exclude.files.",
                file=row.path,
                code="short_file",
            )


def _weight_sets(specs: dict[str, StackSpec], matching: match.Matching, rows: Sequence[FrameRow]) -> tuple[Array, dict[str, int]]:
    """(J, N) float32 weights, first 1/r^2, and which row each stack uses; equal sets are kept once."""
    table = [(1 / match.relative_noise(matching.noise) ** 2).astype(np.float32)]
    sets = {}
    for name, spec in specs.items():
        if isinstance(spec.weights, str):
            fwhm = np.array([row.fwhm for row in rows])
            values = match.frame_weights(matching, fwhm, weights=spec.weights, power=spec.power)
            plain = spec.weights == "noise" or (spec.weights == "sharpness" and spec.power == 0)
            values = table[0] if plain else values.astype(np.float32)
        elif len(spec.weights) != len(rows):
            raise ArgumentError(f"`stacks[{name!r}].weights` must have one number for each of the {len(rows)} used frames.")
        else:
            values = np.array(spec.weights, np.float32)
        sets[name] = next((j for j, known in enumerate(table) if np.array_equal(known, values)), len(table))
        if sets[name] == len(table):
            table.append(values)
    return np.stack(table), sets


def _warnings(rows: Sequence[FrameRow], counts: dict[str, int], specs: dict[str, StackSpec]) -> list[str]:
    words = _words_on_few_frames(rows, {name: count for name, count in counts.items() if specs[name].maps})
    lost = ordinary_peak_loss(np.array([row.fwhm for row in rows]))
    if lost > PEAKS_LOST:
        words.append(
            "The seeing of these frames is so mixed that an ordinary stack of all of them, clipped at 3 sigma, would lose "
            f"up to {lost:.0%} of the bright stars' peaks: it throws out the sharp frames' cores. Here each frame is judged among frames "
            "of like seeing, so the peaks stay."
        )
    packed = sum(not bands.in_place(row.info) for row in rows)
    if packed:
        words.append(
            f"{packed} of {len(rows)} frames are compressed or stored as 64-bit integers: they are unpacked once to a scratch file, "
            "which is slower and takes room; plain FITS is read in place."
        )
    return words


def _words_on_heavy_frames(rows: Sequence[FrameRow], weights: Array) -> list[str]:
    """A stack that lies among its own frames is so much quieter that it outweighs them, and their light counts twice."""
    share = weights / np.median(weights)
    heavy = np.flatnonzero(share > HEAVY).tolist()
    if len(heavy) > max(1, FEW_HEAVY * len(rows)):  # exposures of two lengths
        return []
    return [
        f"{rows[i].file} counts as much as {share[i]:.0f} ordinary frames, so low is its noise: if it is a stack of them, list it under "
        "frames.exclude.files, for their light would count twice."
        for i in heavy
    ]


def _words_on_few_frames(rows: Sequence[FrameRow], counts: dict[str, int]) -> list[str]:
    """Stacks of fewer than five frames; and whether the frames they are judged among are as few."""
    few = {name: count for name, count in counts.items() if count < FEWEST_TO_REJECT}
    if not few:
        return []
    groups = make_strata(np.array([row.fwhm for row in rows]))
    size = np.empty(len(rows), int)
    for a, b in pairwise(groups.edges):
        size[groups.members[a:b]] = b - a
    alone = {name: count for name, count in few.items() if size[:count].min() < FEWEST_TO_REJECT}
    words = []
    if alone:
        words.append(
            f"{_counted(alone, len(rows))}: judged among fewer than {FEWEST_TO_REJECT} frames of like seeing, a trail or cosmic ray cannot "
            "be told from light; take more frames, or look for trails in it."
        )
    judged = {name: count for name, count in few.items() if name not in alone}
    if judged:
        words.append(
            f"{_counted(judged, len(rows))}: trails and cosmic rays are judged among all frames of like seeing, "
            "but what slips through shows strongly in so few; keep more frames, or look for trails in it."
        )
    return words


def _counted(counts: dict[str, int], total: int) -> str:
    """best25 and best50 hold only 3 and 4 of 14 frames"""
    hold = "holds" if len(counts) == 1 else "hold"
    return f"{_listed(counts)} {hold} only {_listed(map(str, counts.values()))} of {total} frame{'s' if total > 1 else ''}"


def _listed(names: Iterable[str]) -> str:
    *first, last = names
    return f"{', '.join(first)} and {last}" if first else last


def ordinary_peak_loss(fwhm: Array, *, sigma: float = 3.0) -> float:
    """Share of a bright star's peak that clipping all frames together takes away, from the widths alone (peaks go as FWHM^-2).

    The larger loss of the two usual ways: about the median by the standard deviation until nothing changes, or once by the MAD.
    """
    peaks = 1 / np.asarray(fwhm, float)[np.isfinite(fwhm)] ** 2
    if peaks.size < 3:
        return 0.0
    away = np.abs(peaks - np.median(peaks))
    by_mad = peaks[away <= sigma * max(MAD_TO_SIGMA * np.median(away), LEAST_SPREAD * np.median(peaks))]
    by_deviation = peaks
    for _ in range(peaks.size):
        inside = np.abs(by_deviation - np.median(by_deviation)) <= sigma * by_deviation.std()
        if inside.all():
            break
        by_deviation = by_deviation[inside]
    return float(1 - min(by_mad.mean(), by_deviation.mean()) / peaks.mean())
