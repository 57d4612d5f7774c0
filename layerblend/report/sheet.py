"""Pictures side by side as PNG bytes: true-size crops of two results with their verdicts, and the contact sheet of a sweep."""

from __future__ import annotations

import io
import textwrap
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from layerblend.figures import number, signed
from layerblend.kinds import Array, DisplayRGB
from layerblend.report.places import Box

GROUND, INK, QUIET, LINE = (48, 48, 48), (222, 222, 222), (168, 168, 168), (90, 90, 90)
GAP, MARGIN = 8, 20
TEXT_PX, SMALL_PX, TITLE_PX = 14, 13, 20
CONTACT_PX = 420  # width of one picture on a contact sheet
ROW_PX = 22
MIN_TABLE_WIDTH = 1200


def side_by_side(a: DisplayRGB, b: DisplayRGB, places: Mapping[str, Box], comparison: Mapping[str, Any], *, title: str = "") -> bytes:
    """Crops of A and B at true size, one place to a row, the words of the comparison and the table of verdicts.

    Parameters
    ----------
    a, b : (H, W, 3) or (H, W) float32, display
    places : name -> box (x0, y0, x1, y1), as `choose_places` gives
    comparison : the comparison as measures.json holds it
    title : headline, "A | B" if left out

    Returns
    -------
    PNG file as bytes; every crop pixel is a pixel of the picture, rounded to 8 bits.
    """
    crops = [(name, crop_bytes(a, box), crop_bytes(b, box)) for name, box in places.items()]
    pair_width = 2 * max((first.shape[1] for _, first, _ in crops), default=0) + GAP
    width = max(2 * MARGIN + pair_width, MIN_TABLE_WIDTH)
    columns = max(1, (width - 2 * MARGIN + 3 * GAP) // (pair_width + 3 * GAP)) if crops else 1
    rows = [crops[i : i + columns] for i in range(0, len(crops), columns)]
    words = _wrapped(comparison.get("words", ()), width - 2 * MARGIN, SMALL_PX)
    table = _table_rows(comparison)
    head = MARGIN + TITLE_PX + 14 + len(words) * (SMALL_PX + 5) + 12
    height = head + ROW_PX + sum(max(c[1].shape[0] for c in row) + ROW_PX + GAP for row in rows) + 12 + ROW_PX * (len(table) + 1) + MARGIN
    sheet = Image.new("RGB", (width, height), GROUND)
    draw = ImageDraw.Draw(sheet)
    draw.text((MARGIN, MARGIN), title or f"{comparison['a']} | {comparison['b']}", font=_font(TITLE_PX, bold=True), fill=INK)
    for i, line in enumerate(words):
        draw.text((MARGIN, MARGIN + TITLE_PX + 14 + i * (SMALL_PX + 5)), line, font=_font(SMALL_PX), fill=INK)
    y = head
    draw.text((MARGIN, y), f"left A: {comparison['a']}     right B: {comparison['b']}", font=_font(TEXT_PX, bold=True), fill=INK)
    y += ROW_PX
    for row in rows:
        for column, (name, *pair) in enumerate(row):
            x = MARGIN + column * (pair_width + 3 * GAP)
            draw.text((x, y), f"{name}, 1:1", font=_font(SMALL_PX), fill=QUIET)
            for side, crop in enumerate(pair):
                sheet.paste(Image.fromarray(crop), (x + side * (crop.shape[1] + GAP), y + ROW_PX))
        y += max(c[1].shape[0] for c in row) + ROW_PX + GAP
    _draw_table(draw, table, y + 12, width, comparison)
    return _png(sheet)


def on_contact_sheet(picture: DisplayRGB) -> Array:
    """(h, CONTACT_PX, 3) uint8: a result as small as the sheet shows it, reduced by averaging."""
    return _fitted(picture, CONTACT_PX)


def contact_sheet(pictures: Sequence[tuple[str, Array]], *, captions: Sequence[str] = (), columns: int | None = None) -> bytes:
    """All results of a sweep in one picture, each under its settings.

    Parameters
    ----------
    pictures : (label, picture as `on_contact_sheet` gives it) in the order of showing
    captions : a second line for each, such as what was measured
    columns : number side by side, about the square root of the number if left out

    Returns
    -------
    PNG file as bytes.
    """
    columns = columns or max(1, min(len(pictures), round(np.sqrt(len(pictures) * 1.3))))
    small, width_px = [picture for _, picture in pictures], CONTACT_PX
    label_lines = [_wrapped([label], width_px, SMALL_PX) for label, _ in pictures]
    caption_lines = [_wrapped([text], width_px, SMALL_PX) for text in captions] + [[]] * (len(pictures) - len(captions))
    text_height = (
        max((len(lines) + len(more) for lines, more in zip(label_lines, caption_lines, strict=True)), default=0) * (SMALL_PX + 5) + 10
    )
    cell_height = max((s.shape[0] for s in small), default=0) + text_height + GAP
    rows = -(-len(pictures) // columns)
    sheet = Image.new("RGB", (2 * MARGIN + columns * (width_px + GAP) - GAP, 2 * MARGIN + rows * cell_height), GROUND)
    draw = ImageDraw.Draw(sheet)
    for i, picture in enumerate(small):
        x, y = MARGIN + (i % columns) * (width_px + GAP), MARGIN + (i // columns) * cell_height
        sheet.paste(Image.fromarray(picture), (x, y))
        line_y = y + picture.shape[0] + 5
        for line, colour in [*((line, INK) for line in label_lines[i]), *((line, QUIET) for line in caption_lines[i])]:
            draw.text((x, line_y), line, font=_font(SMALL_PX), fill=colour)
            line_y += SMALL_PX + 5
    return _png(sheet)


def crop_bytes(picture: DisplayRGB, box: Box) -> Array:
    """(h, w, 3) uint8 of a box, rounded, nothing scaled."""
    x0, y0, x1, y1 = box
    return to_bytes(picture[y0:y1, x0:x1])


def to_bytes(picture: DisplayRGB) -> Array:
    """(H, W, 3) uint8 of a display picture; no data becomes black."""
    colour = picture if picture.ndim == 3 else np.repeat(picture[..., None], 3, 2)
    return np.rint(np.clip(np.nan_to_num(colour), 0, 1) * 255).astype(np.uint8)


# ---------------------------------------------------------------- verdict table
def _table_rows(comparison: Mapping[str, Any]) -> list[tuple[str, ...]]:
    return [
        (m["verdict"], f"{m['name']}{', ' + m['unit'] if m['unit'] else ''}", m["better"], number(m["a"]), number(m["b"]),
         f"{signed(m['difference'])}", f"{signed(m['interval'][0])} to {signed(m['interval'][1])}")
        for m in comparison["measures"]
    ]  # fmt: skip


def _draw_table(draw: ImageDraw.ImageDraw, rows: Sequence[tuple[str, ...]], y: int, width: int, comparison: Mapping[str, Any]) -> None:
    shares = (0, 0.17, 0.47, 0.57, 0.66, 0.75, 0.85)
    left = [MARGIN + int(share * (width - 2 * MARGIN)) for share in shares]
    confidence = f"{comparison['confidence']:.0%} interval"
    for x, text in zip(left, ("verdict", "measure", "better", "A", "B", "A - B", confidence), strict=True):
        draw.text((x, y), text, font=_font(SMALL_PX, bold=True), fill=INK)
    y += ROW_PX
    for row in rows:
        draw.line((MARGIN, y - 3, width - MARGIN, y - 3), fill=LINE)
        quiet = row[0] == "no difference shown"
        for x, text in zip(left, row, strict=True):
            draw.text((x, y), text, font=_font(SMALL_PX), fill=QUIET if quiet else INK)
        y += ROW_PX


# ---------------------------------------------------------------- drawing
@cache
def _font(size: int, *, bold: bool = False) -> ImageFont.FreeTypeFont:
    import matplotlib  # for its fonts alone, and slow to load

    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return ImageFont.truetype(str(Path(matplotlib.get_data_path()) / "fonts" / "ttf" / name), size)


def _wrapped(texts: Sequence[str], width: int, size: int) -> list[str]:
    letters = max(20, int(width / (0.56 * size)))
    return [line for text in texts for line in (textwrap.wrap(text, letters, subsequent_indent="    ") or [""])]


def _fitted(picture: DisplayRGB, width: int) -> Array:
    scale = width / picture.shape[1]
    size = (width, max(1, round(picture.shape[0] * scale)))
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_NEAREST
    return to_bytes(cv2.resize(np.asarray(picture, np.float32), size, interpolation=way))


def _png(sheet: Image.Image) -> bytes:
    out = io.BytesIO()
    sheet.save(out, format="PNG")
    return out.getvalue()
