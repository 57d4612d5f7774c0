"""Plots of what the steps did, as PNG bytes. Drawn on figures of their own, never on a shared or global one, so memory stays flat."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import TwoSlopeNorm
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from layerblend.kinds import Array, FrameRow, FrameTable, LinearImage, Mask

DPI = 100
CHANNELS = ("red", "green", "blue")
CHANNEL_COLOURS = ("#c23b3b", "#2f8f4e", "#3467c9")
INK, QUIET, ACCENT, WARN = "#222222", "#8a8a8a", "#1f6f8b", "#b4541a"
NIGHT_SHADES = ("#eeeeee", "#ffffff")
MAX_PANEL_PX = 900
STAR_PX, STAR_GAP_PX, STRIP_MARGIN_PX, LABEL_PX = 123, 4, 16, 26  # squares of 41 px, three times enlarged


def grade_report(table: FrameTable, *, kept: Mapping[str, int] | None = None, title: str = "") -> bytes:
    """Frames night by night (star width, roundness, sky, transparency) and the ranking with its fraction cuts and exclusions.

    Parameters
    ----------
    table : FrameTable, ranked; excluded frames carry their reason
    kept : stack name -> number of frames that it keeps
    title : text above the plots

    Returns
    -------
    PNG file as bytes.
    """
    rows = sorted(table.rows, key=lambda row: (row.date, row.file))
    figure = _figure(12, 11)
    layout = {"left": 0.07, "right": 0.985, "top": 0.945, "bottom": 0.055}
    grid = figure.add_gridspec(5, 2, height_ratios=[1, 1, 1, 1, 1.5], width_ratios=[2.2, 1], hspace=0.3, wspace=0.08, **layout)
    series: list[tuple[str, list[tuple[str, str, list[float]]]]] = [
        ("fwhm_major, px", [("", ACCENT, [row.fwhm_major for row in rows])]),
        ("eccentricity", [("", ACCENT, [row.eccentricity for row in rows])]),
        ("sky, % of white", _sky_series(rows)),
        ("transparency", [("", ACCENT, [row.transparency for row in rows])]),
    ]
    for i, (label, curves) in enumerate(series):
        _night_panel(figure.add_subplot(grid[i, 0]), rows, label, curves, last=i == len(series) - 1)
    _mark_legend(figure.axes[0], rows)
    _rank_panel(figure.add_subplot(grid[4, :]), table, kept or {})
    _text_panel(figure.add_subplot(grid[0:4, 1]), _exclusion_lines(table))
    if title:
        figure.suptitle(title, x=0.07, ha="left", color=INK, fontsize=13)
    return _png(figure)


def rejection_picture(rejected: Array, count: Array, *, frames: Sequence[tuple[str, float]] = (), title: str = "Rejected samples") -> bytes:
    """Where and how often samples were thrown out: share of each pixel's frames, worst channel, on a square-root scale.

    ``rejected``, ``count`` : (H, W, 3) or (H, W), samples thrown out and samples used. ``frames`` : name and rejected share of every frame;
    those that lost most are named beside the picture.
    """
    total = np.asarray(rejected, np.float32) + np.asarray(count, np.float32)
    share = np.asarray(rejected, np.float32) / np.maximum(total, 1)
    overall = float(np.sum(rejected, dtype=float) / max(float(np.sum(total, dtype=float)), 1.0))
    small = _reduced_max(share.max(2) if share.ndim == 3 else share)
    wide = 14 if frames else 10
    part = 10 / wide
    figure = _figure(wide, max(8.6 * small.shape[0] / small.shape[1] + 0.5, 3.2 if frames else 0))
    axes = figure.add_axes((0.01 * part, 0.01, 0.87 * part, 0.95))
    shown = axes.imshow(
        np.sqrt(small), cmap="magma", vmin=0, vmax=np.sqrt(max(float(np.quantile(small, 0.9995)), 0.02)), interpolation="nearest"
    )
    bar = figure.colorbar(shown, cax=figure.add_axes((0.9 * part, 0.1, 0.02 * part, 0.75)))
    ticks = np.array([0, 0.01, 0.05, 0.1, 0.2, 0.4, 0.7, 1.0])
    bar.set_ticks([float(np.sqrt(v)) for v in ticks if np.sqrt(v) <= shown.get_clim()[1]])
    bar.set_ticklabels([f"{v:.0%}" for v in ticks if np.sqrt(v) <= shown.get_clim()[1]])
    axes.set_title(f"{title}: {overall:.2%} of all; shown is the largest share of each block of pixels", loc="left", fontsize=10, color=INK)
    axes.set_axis_off()
    if frames:
        _losses_panel(figure.add_axes((0.84, 0.1, 0.14, 0.8)), frames)
    return _png(figure)


def _losses_panel(axes: Axes, frames: Sequence[tuple[str, float]], *, most: int = 14) -> None:
    """The frames that lost the largest share of their samples, largest on top, and what an ordinary frame lost."""
    worst = sorted(frames, key=lambda frame: -frame[1])[:most]
    names = [name if len(name) <= 26 else "\u2026" + name[-25:] for name, _ in worst]
    axes.barh(range(len(worst)), [100 * share for _, share in worst], color=ACCENT, height=0.7)
    for place, (_, share) in enumerate(worst):
        axes.text(100 * share, place, f" {100 * share:.2g}", va="center", fontsize=7, color=INK)
    axes.set_xlim(0, 120 * max(worst[0][1], 1e-4))
    ordinary = 100 * float(np.median([share for _, share in frames]))
    axes.axvline(ordinary, color=INK, linewidth=0.8, linestyle=":")
    axes.set_yticks(range(len(worst)), names, fontsize=7)
    axes.set_ylim(max(len(worst), 6) - 0.4, -0.6)
    axes.set_title("Frames that lost most, %", loc="left", fontsize=10, color=INK)
    axes.set_xlabel(f"dotted: an ordinary frame, {ordinary:.2g} %", fontsize=8, color=INK)
    axes.tick_params(axis="x", labelsize=7)


def flatten_picture(
    image: LinearImage, model: LinearImage, *, x: Array, y: Array, residual: Array, used: Array, sigma: float | Sequence[float]
) -> bytes:
    """What the sky fit did, channel by channel: model with samples, residuals at the samples, and before and after in one display.

    Parameters
    ----------
    image, model : (H, W, 3) or (H, W) float32, linear; the picture before and the sky taken away from it
    x, y : (n,) px
    residual : (n, C) sigma, what is left at the samples without sky, targets and stars' scattered light
    used : (n, C) bool, whether the sample counted in that channel's fit
    sigma : noise of one pixel, linear, one or a channel's each; sets the span of the display
    """
    image, model, residual, used = (
        np.asarray(a)[..., None] if np.ndim(a) == flat else np.asarray(a) for a, flat in ((image, 2), (model, 2), (residual, 1), (used, 1))
    )
    channels = image.shape[2]
    ratio = image.shape[0] / image.shape[1]
    figure = _figure(15, channels * (3.6 * ratio + 0.6) + 0.4)
    axes = np.atleast_2d(figure.subplots(channels, 4))
    noise = np.broadcast_to(np.asarray(sigma, float), (channels,))
    for c in range(channels):
        name = CHANNELS[c] if channels == 3 else "luminance"
        kept = used[:, c].astype(bool)
        _flatten_row(axes[c], name, image[..., c], model[..., c], np.asarray(x), np.asarray(y), residual[:, c], kept, float(noise[c]))
    figure.tight_layout()
    return _png(figure)


def split_picture(
    image: Array,
    starless: Array,
    stars: Array,
    mask: Mask,
    *,
    worst: Array | None = None,
    residual: Array | None = None,
    black: float = 0.0,
    span: float | None = None,
) -> bytes:
    """Starless picture, star layer, mask and what is left at the stars' places; below, the twelve worst stars before and after at 3x.

    Parameters
    ----------
    image, starless, stars : (H, W, 3) or (H, W), linear
    mask : (H, W) bool, where stars were taken away
    worst : (n, >= 2) x, y of the worst stars first; by the residual if left out
    residual : (H, W), what is left of the stars; if left out, starless luminance less its median over 9 px, inside the mask
    black, span : linear light shown as black, and the range up to the knee of the display; from the picture if left out
    """
    left = _left_over(starless, mask) if residual is None else np.asarray(residual, np.float32)
    places = _worst_places(left, mask) if worst is None else np.asarray(worst, float)[:12, :2]
    span = float(np.nanquantile(_grey(image), 0.995) - black) if span is None else span
    shown = (
        ("starless", _show(_reduced(starless), black, span)),
        ("stars", _show(_reduced(stars), 0.0, span)),
        ("mask", _reduced(mask.astype(np.float32))),
        ("left at the stars", _reduced(left)),
    )
    strip = _star_strip(image, starless, places, black, span)
    width = STRIP_MARGIN_PX * 2 + 12 * (STAR_PX + STAR_GAP_PX)
    panel = (width - 3 * STRIP_MARGIN_PX) / 2
    tall = panel * image.shape[0] / image.shape[1]
    height = 2 * (tall + LABEL_PX) + strip.shape[0] + LABEL_PX + STRIP_MARGIN_PX
    figure = _figure(width / DPI, height / DPI)
    for i, (name, picture) in enumerate(shown):
        x, y = STRIP_MARGIN_PX + (i % 2) * (panel + STRIP_MARGIN_PX), height - (i // 2 + 1) * (tall + LABEL_PX)
        axes = figure.add_axes((x / width, y / height, panel / width, tall / height))
        if name == "left at the stars":
            limit = 5 * _robust_sd(left) + 1e-12
            axes.imshow(picture, cmap="RdBu_r", norm=TwoSlopeNorm(0, -limit, limit), interpolation="nearest", aspect="auto")
        else:
            axes.imshow(picture, cmap="gray", vmin=0, vmax=1, interpolation="nearest", aspect="auto")
        axes.set_title(name, loc="left", fontsize=10, color=INK, pad=3)
        axes.set_axis_off()
    if len(places):
        text = f"the {len(places)} worst stars, with and without, every pixel three wide; at x, y: "
        text += "   ".join(f"{x:.0f}, {y:.0f}" for x, y in places)
        figure.text(STRIP_MARGIN_PX / width, (strip.shape[0] + STRIP_MARGIN_PX + 6) / height, text, fontsize=8, color=INK)
    figure.figimage(strip, STRIP_MARGIN_PX, STRIP_MARGIN_PX, origin="upper")
    return _png(figure)


# ---------------------------------------------------------------- grading panels
def _sky_series(rows: Sequence[FrameRow]) -> list[tuple[str, str, list[float]]]:
    columns = [[100 * getattr(row, f"sky_{letter}") for row in rows] for letter in "rgb"]
    if all(np.array_equal(columns[0], c, equal_nan=True) for c in columns[1:]) or not np.isfinite(columns[0]).any():
        return [("", ACCENT, columns[1])]
    return list(zip(CHANNELS, CHANNEL_COLOURS, columns, strict=True))


def _nights(rows: Sequence[FrameRow]) -> list[str]:
    """Night of every frame: the date at noon before; one night for frames without a date."""
    out = []
    for row in rows:
        try:
            out.append((datetime.fromisoformat(row.date.replace("Z", "")) - timedelta(hours=12)).date().isoformat())
        except ValueError:
            out.append("")
    return out


def _night_panel(axes: Axes, rows: Sequence[FrameRow], label: str, curves: list[tuple[str, str, list[float]]], *, last: bool) -> None:
    index = np.arange(len(rows))
    nights = _nights(rows)
    edges = [0, *[i for i in range(1, len(rows)) if nights[i] != nights[i - 1]], len(rows)]
    for k, (start, end) in enumerate(pairwise(edges)):
        axes.axvspan(start - 0.5, end - 0.5, color=NIGHT_SHADES[k % 2], lw=0, zorder=0)
        if last and nights[start]:
            axes.annotate(
                nights[start], ((start + end - 1) / 2, 0), xycoords=("data", "axes fraction"), xytext=(0, -16), textcoords="offset points",
                ha="center", va="top", fontsize=8, color=INK,
            )  # fmt: skip
    out = np.array([bool(row.excluded) for row in rows])
    for name, colour, values in curves:
        level = np.asarray(values, float)
        axes.plot(index[~out], level[~out], "o", ms=3.5, color=colour, label=name or None)
        axes.plot(index[out], level[out], "x", ms=5, color=WARN)
    axes.set_ylabel(label)
    axes.set_xlim(-0.5, max(len(rows) - 0.5, 0.5))
    axes.set_xticks([])
    if len(curves) > 1:
        axes.legend(fontsize=7, frameon=False, ncols=3, loc="lower right", bbox_to_anchor=(1, 0.97), borderaxespad=0)
    _tidy(axes)


def _mark_legend(axes: Axes, rows: Sequence[FrameRow]) -> None:
    """What the marks and shades of all panels mean."""
    handles: list[Any] = [Line2D([], [], marker="o", ms=3.5, ls="", color=ACCENT, label="frame used")]
    if any(row.excluded for row in rows):
        handles.append(Line2D([], [], marker="x", ms=5, ls="", color=WARN, label="frame left out"))
    if len(set(_nights(rows))) > 1:
        handles.append(Patch(color=NIGHT_SHADES[0], label="grey and white: nights"))
    axes.legend(handles=handles, fontsize=7, frameon=False, ncols=3, loc="lower right", bbox_to_anchor=(1, 0.97), borderaxespad=0)


def _rank_panel(axes: Axes, table: FrameTable, kept: Mapping[str, int]) -> None:
    used = table.used
    widths = np.array([row.fwhm_major for row in used])
    axes.bar(np.arange(len(used)) + 1, widths, width=1.0, color=ACCENT, edgecolor="white", lw=0.3)
    excluded = [row for row in table.rows if row.excluded]
    axes.bar(
        np.arange(len(excluded)) + len(used) + 2, [row.fwhm_major for row in excluded], width=1.0, color=WARN, edgecolor="white", lw=0.3
    )
    top = float(np.nanmax([*widths, *[row.fwhm_major for row in excluded], 0.1]))
    for level, (count, names) in enumerate(sorted(_by_count(kept).items())):
        height = top * (1.06 + 0.07 * (level % 3))
        axes.plot([count + 0.5, count + 0.5], [0, height], color=INK, lw=1)
        axes.annotate(
            f"{', '.join(names)}: {count}",
            (count + 0.5, height),
            xytext=(-3, 0),
            textcoords="offset points",
            ha="right",
            va="center",
            fontsize=8,
            color=INK,
        )
    axes.set_ylim(0, top * 1.28)
    axes.set_xlim(0, len(used) + len(excluded) + 3)
    axes.set_xlabel("rank" + (" (excluded frames at the end)" if excluded else ""))
    axes.set_ylabel("fwhm_major, px")
    if excluded:
        axes.legend(
            handles=[Patch(color=ACCENT, label="used"), Patch(color=WARN, label="excluded")], fontsize=8, frameon=False, loc="upper left"
        )
    _tidy(axes)


def _by_count(kept: Mapping[str, int]) -> dict[int, list[str]]:
    out: dict[int, list[str]] = {}
    for name, count in kept.items():
        out.setdefault(count, []).append(name)
    return out


def _exclusion_lines(table: FrameTable, limit: int = 26) -> list[str]:
    rows = [row for row in table.rows if row.excluded]
    lines = [f"{len(table.used)} of {len(table.rows)} frames used", ""]
    lines += [f"{_shortened(row.file)}: {row.excluded}" for row in rows[:limit]]
    if len(rows) > limit:
        lines.append(f"and {len(rows) - limit} more")
    return lines


def _shortened(name: str, letters: int = 34) -> str:
    """The end of a long file name, where its number stands."""
    return name if len(name) <= letters else f"…{name[1 - letters :]}"


def _text_panel(axes: Axes, lines: Sequence[str]) -> None:
    axes.set_axis_off()
    wrapped: list[str] = []
    for line in lines:
        while len(line) > 58:
            cut = line.rfind(" ", 0, 58)
            cut = cut if cut > 20 else 58
            wrapped.append(line[:cut])
            line = "   " + line[cut:].lstrip()
        wrapped.append(line)
    axes.text(0, 1, "\n".join(wrapped), va="top", ha="left", fontsize=8, color=INK, transform=axes.transAxes, linespacing=1.4)


# ---------------------------------------------------------------- flatten and split panels
def _flatten_row(axes: Array, name: str, image: Array, model: Array, x: Array, y: Array, residual: Array, used: Mask, span: float) -> None:
    step = _step(image.shape)
    extent = (-0.5, image.shape[1] - 0.5, image.shape[0] - 0.5, -0.5)
    middle = float(np.nanmedian(model))
    axes[0].imshow(_reduced(model), cmap="viridis", extent=extent, interpolation="nearest")
    axes[0].plot(x[used], y[used], ".", ms=max(1.5, 3 - 0.2 * step), color="white")
    axes[0].plot(x[~used], y[~used], "x", ms=4, mew=1, color="#ff9d5c")
    reach = float(np.nanmax(model) - np.nanmin(model)) / span
    title = f"{name} sky, range {reach:.1f} sigma; {int(used.sum())} samples used, {int((~used).sum())} not"
    axes[0].set_title(title, loc="left", fontsize=8, color=INK)
    # samples are means of many pixels: their own scatter shows a gradient that is left, a pixel's noise would hide it
    limit = 4 * max(_robust_sd(residual[used]) if used.any() else 1.0, 1e-12)
    axes[1].scatter(x[used], y[used], c=residual[used], s=9, cmap="RdBu_r", vmin=-limit, vmax=limit, lw=0)
    axes[1].set_facecolor("#707070")
    axes[1].set_xlim(extent[:2])
    axes[1].set_ylim(extent[2:])
    axes[1].set_aspect("equal")
    title = f"left at the samples: red too bright, to {limit:.2g} sigma" if used.any() else "no samples used"
    axes[1].set_title(title, loc="left", fontsize=8, color=INK)
    for axis, picture, label, zero in ((axes[2], image, "before", middle), (axes[3], image - model, "after", 0.0)):
        axis.imshow(_reduced(picture) - zero, cmap="gray", vmin=-6 * span, vmax=12 * span, interpolation="nearest")
        axis.set_title(f"{label} (same display)", loc="left", fontsize=8, color=INK)
    for axis in axes:
        axis.set_xticks([])
        axis.set_yticks([])


def _left_over(starless: Array, mask: Mask) -> Array:
    grey = np.nan_to_num(_grey(starless)).astype(np.float32)
    wide = cv2.medianBlur(cv2.blur(grey, (3, 3)), 5)
    return np.where(mask, grey - cv2.blur(wide, (9, 9)), 0).astype(np.float32)


def _worst_places(left: Array, mask: Mask) -> Array:
    """Centres of the twelve masked patches in which the residual is largest."""
    count, labels, _, centres = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    if count <= 1:
        return np.zeros((0, 2))
    power = np.bincount(labels.ravel(), (left.astype(float) ** 2).ravel(), count)[1:]
    order = np.argsort(-power, kind="stable")[:12]
    return centres[1:][order]


def _star_strip(before: Array, after: Array, places: Array, black: float, span: float) -> Array:
    """(h, w, 3) two rows of squares around the stars at three picture pixels per pixel, white where there is none."""
    strip = np.ones((2 * STAR_PX + STAR_GAP_PX, 12 * (STAR_PX + STAR_GAP_PX), 3))
    for row, picture in enumerate((before, after)):
        for column, (x, y) in enumerate(places):
            top, left = row * (STAR_PX + STAR_GAP_PX), column * (STAR_PX + STAR_GAP_PX)
            square = _show(_enlarged(picture, x, y), black, span)
            strip[top : top + STAR_PX, left : left + STAR_PX] = square if square.ndim == 3 else square[..., None]
    return strip


def _enlarged(picture: Array, x: float, y: float) -> Array:
    """A square around a place, every pixel three wide; no data beyond the picture."""
    half = STAR_PX // 6
    square = np.full((2 * half + 1, 2 * half + 1, *picture.shape[2:]), np.nan, np.float32)
    top, left = round(y) - half, round(x) - half
    rows, columns = (slice(max(start, 0), max(start + 2 * half + 1, 0)) for start in (top, left))
    part = picture[rows, columns]
    row, column = max(-top, 0), max(-left, 0)
    square[row : row + part.shape[0], column : column + part.shape[1]] = part
    return np.repeat(np.repeat(square, 3, 0), 3, 1)


# ---------------------------------------------------------------- shared
def _figure(width: float, height: float) -> Figure:
    figure = Figure(figsize=(width, height), dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    return figure


def _png(figure: Figure) -> bytes:
    out = io.BytesIO()
    figure.savefig(out, format="png", metadata={"Software": None})
    figure.clear()
    return out.getvalue()


def _tidy(axes: Axes) -> None:
    axes.spines[["top", "right"]].set_visible(False)
    axes.tick_params(labelsize=8, colors=INK)
    axes.yaxis.label.set_fontsize(9)
    axes.xaxis.label.set_fontsize(9)


def _grey(image: Array) -> Array:
    return image if image.ndim == 2 else image.mean(2)


def _robust_sd(values: Array) -> float:
    finite = values[np.isfinite(values) & (values != 0)]
    return 1.4826 * float(np.median(np.abs(finite - np.median(finite)))) if finite.size else 0.0


def _show(image: Array, black: float, span: float) -> Array:
    """Linear light as a grey or colour picture for a plot: asinh, no data dark."""
    light = np.nan_to_num((np.asarray(image, np.float32) - black) / max(span, 1e-12))
    return np.clip(np.arcsinh(12 * np.clip(light, 0, None)) / np.arcsinh(12 * 4), 0, 1)


def _step(shape: tuple[int, ...]) -> int:
    return max(1, -(-max(shape[:2]) // MAX_PANEL_PX))


def _reduced(picture: Array) -> Array:
    """Mean over whole blocks, so that a panel never holds more than 900 px a side."""
    step = _step(picture.shape)
    if step == 1:
        return np.asarray(picture)
    size = (max(1, picture.shape[1] // step), max(1, picture.shape[0] // step))
    return cv2.resize(np.ascontiguousarray(picture, np.float32), size, interpolation=cv2.INTER_AREA)


def _reduced_max(picture: Array) -> Array:
    """Largest value of whole blocks: a single hot pixel or a thin trail stays visible."""
    step = _step(picture.shape)
    rows, columns = picture.shape[0] // step * step, picture.shape[1] // step * step
    return picture[:rows, :columns].reshape(rows // step, step, columns // step, step).max((1, 3))
