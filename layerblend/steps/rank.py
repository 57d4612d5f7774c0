"""Ranking: order graded frames, leave out the bad ones with their reasons, count how many each stack keeps."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from layerblend.endings import natural_key
from layerblend.errors import ArgumentError, check_range
from layerblend.kinds import FrameRow, FrameTable

REASONS_TOLD = 3
DESCENDING = {"snr", "stars", "transparency"}
RANKABLE = (
    "fwhm_major", "fwhm", "eccentricity", "snr", "stars", "angle", "sky_r", "sky_g", "sky_b", "noise", "transparency", "exposure_s", "date",
)  # fmt: skip


def kept_count(keep: float, n: int) -> int:
    """How many of ``n`` frames a stack keeps: max(1, floor(keep n + 1/2)).

    Parameters
    ----------
    keep : float, 0 < keep <= 1
    n : int >= 1, frames that are not excluded
    """
    check_range("keep", keep, 0, 1, open_low=True)
    return max(1, math.floor(keep * n + 0.5))


def rank_frames(
    table: FrameTable,
    *,
    rank_by: str = "fwhm_major",
    max_eccentricity: float | None = 0.75,
    min_stars: float | None = 0.4,
    max_fwhm: float | None = None,
    min_transparency: float | None = None,
    max_sky: float | None = None,
) -> FrameTable:
    """Order the frames, best first; those that break a limit go to the end, each with every reason in words.

    Parameters
    ----------
    table : graded frames
    rank_by : a column of the table or of the given measurements; ascending, but snr, stars and transparency descending; a leading "-"
        reverses; equal values in natural order of the file names
    max_eccentricity : 0..1
    min_stars : share of the median star count of all frames that show stars
    max_fwhm : px, limit of fwhm_major
    min_transparency : 0..1
    max_sky : linear light, limit of the sky's luminance

    Returns
    -------
    FrameTable; ``words`` tells how many frames were left out.

    Raises
    ------
    ArgumentError : ``rank_by`` names no column, or a limit lies outside its range
    """
    _check_limits(max_eccentricity, min_stars, max_fwhm, min_transparency)
    column = rank_by.removeprefix("-")
    descending = (column in DESCENDING) != rank_by.startswith("-")
    values = _column(table, column)
    middle = _median([row.stars for row in table if row.stars > 0])
    rows = []
    for row in table:
        reasons = [row.excluded] if row.stars <= 0 and row.excluded else []
        reasons += _limits_broken(row, middle, max_eccentricity, min_stars, max_fwhm, min_transparency, max_sky)
        rows.append(replace(row, excluded="; ".join(reasons)))
    order = sorted(range(len(rows)), key=lambda i: natural_key(rows[i].file))
    order.sort(key=lambda i: _rank_key(values[i]), reverse=descending)  # equal values stay in the order of their names
    order.sort(key=lambda i: (bool(rows[i].excluded), _is_unknown(values[i])))
    return FrameTable(tuple(rows[i] for i in order), table.words + _words(rows))


def _check_limits(max_eccentricity: float | None, min_stars: float | None, max_fwhm: float | None, min_transparency: float | None) -> None:
    for name, value, high in (
        ("max_eccentricity", max_eccentricity, 1),
        ("min_stars", min_stars, math.inf),
        ("max_fwhm", max_fwhm, math.inf),
        ("min_transparency", min_transparency, math.inf),
    ):
        if value is not None:
            check_range(name, value, 0, high)


def _column(table: FrameTable, column: str) -> list[Any]:
    if column in RANKABLE:
        return [getattr(row, column) for row in table]
    if any(column in row.extra for row in table):
        return [row.extra.get(column, math.nan) for row in table]
    extra = sorted({name for row in table for name in row.extra})
    raise ArgumentError(f"`rank_by` must name a column of the table ({', '.join((*RANKABLE, *extra))}), got {column!r}.")


def _rank_key(value: Any) -> Any:
    return natural_key(value) if isinstance(value, str) else value if math.isfinite(value) else 0.0


def _is_unknown(value: Any) -> bool:
    """Unknown values stand last, whatever the direction."""
    return not value if isinstance(value, str) else not math.isfinite(value)


def _median(values: Sequence[float]) -> float:
    ordered = sorted(values)
    if not ordered:
        return 0.0
    half = len(ordered) // 2
    return float(ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2)


def _limits_broken(
    row: FrameRow,
    median_stars: float,
    max_eccentricity: float | None,
    min_stars: float | None,
    max_fwhm: float | None,
    min_transparency: float | None,
    max_sky: float | None,
) -> list[str]:
    """Every limit this frame breaks, in words; what was not measured breaks none."""
    sky = (row.sky_r + 2 * row.sky_g + row.sky_b) / 4
    reasons = []
    if max_eccentricity is not None and row.eccentricity > max_eccentricity:
        reasons.append(f"eccentricity {_against(row.eccentricity, 'above', max_eccentricity)}")
    if min_stars is not None and 0 < row.stars < min_stars * median_stars:
        reasons.append(f"{row.stars} stars, below {min_stars:.0%} of the median {median_stars:g}")
    if max_fwhm is not None and row.fwhm_major > max_fwhm:
        reasons.append(f"fwhm_major {row.fwhm_major:.2f} px above {max_fwhm:g} px")
    if min_transparency is not None and row.transparency < min_transparency:
        reasons.append(f"transparency {_against(row.transparency, 'below', min_transparency)}")
    if max_sky is not None and sky > max_sky:
        reasons.append(f"sky {sky:.4g} above {max_sky:g}")
    return reasons


def _against(value: float, side: str, limit: float) -> str:
    """ ".81 above .75": two decimals, more where two would hide the difference."""
    decimals = 2
    while decimals < 6 and f"{value:.{decimals}f}" == f"{limit:.{decimals}f}":
        decimals += 1
    return " ".join((_bare(value, decimals), side, _bare(limit, 2 if round(limit, 2) == limit else decimals)))


def _bare(value: float, decimals: int) -> str:
    return f"{value:.{decimals}f}".removeprefix("0") if 0 <= value < 1 else f"{value:.{decimals}f}"


def _reasons(out: Sequence[FrameRow]) -> str:
    told = [f"{row.file} ({row.excluded})" for row in out[:REASONS_TOLD]]
    return ", ".join(told) + (f" and {len(out) - len(told)} more" if len(out) > len(told) else "")


def _words(rows: Sequence[FrameRow]) -> tuple[str, ...]:
    out = [row for row in rows if row.excluded]
    words = [f"{len(out)} of {len(rows)} frames left out: {_reasons(out)}"] if out else []
    if rows and len(out) == len(rows):
        words.append("no frame is left: loosen the limits of frames.exclude")
    return tuple(words)
