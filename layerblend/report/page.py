"""The side-by-side page: one HTML file that needs no network, with the words, the pictures and every measure with its error bar."""

from __future__ import annotations

import base64
import hashlib
import html
import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

import cv2
import numpy as np
from PIL import Image

from layerblend.figures import number, signed
from layerblend.kinds import DisplayRGB
from layerblend.report.places import Box
from layerblend.report.sheet import crop_bytes, to_bytes

OVERVIEW_PX = 1400
BAR_WIDTH, BAR_HEIGHT, BAR_PAD = 190, 22, 6
VERDICT_SIGNS = {"A better": "◀ A", "B better": "B ▶", "no difference shown": "="}


@dataclass(frozen=True)
class View:
    """One pair of pictures of the page, byte for byte what is shown. ``note`` says how pixels relate to the result's pixels."""

    name: str
    note: str
    alt: str
    a: bytes
    b: bytes
    width: int
    height: int


def make_views(a: DisplayRGB, b: DisplayRGB, places: Mapping[str, Box]) -> list[View]:
    """The whole picture, reduced if it is large, and true-size crops, all lossless: lossy coding changes the very noise to be compared.

    Parameters
    ----------
    a, b : (H, W, 3) or (H, W) float32, display, of one size
    places : name -> box (x0, y0, x1, y1)
    """
    step = -(-max(a.shape[:2]) // OVERVIEW_PX)
    note = (
        "every pixel as it is"
        if step == 1
        else f"reduced 1:{step}, every pixel shown is the mean of {step} x {step}; judge noise in the true-size pieces"
    )
    views = [_view("whole picture", note, "the whole picture", _reduced(a, step), _reduced(b, step))]
    for name, box in places.items():
        where = f"{name} at true size, x {box[0]} to {box[2]}, y {box[1]} to {box[3]}"
        views.append(_view(name, "true pixels, 1:1", where, crop_bytes(a, box), crop_bytes(b, box)))
    return views


def comparison_page(comparison: Mapping[str, Any], views: Sequence[View] = (), *, title: str = "") -> str:
    """The page as text.

    Parameters
    ----------
    comparison : what measures.json holds: a, b, confidence, measures and, if present, words, flags
    views : pictures, as `make_views` gives; without any the page holds words and table only
    title : headline, "A against B" if left out

    Returns
    -------
    HTML, complete in itself: no request leaves the page, its own script and style are named by hash in its policy.
    """
    title = title or f"{comparison['a']} against {comparison['b']}"
    style, script = _asset("page.css"), _asset("page.js")
    body = "\n".join([_head_words(comparison, title), _viewer(comparison, views), _table(comparison), _how_to_read(comparison)])
    policy = f"default-src 'none'; img-src data:; style-src {_hash(style)}; script-src {_hash(script)}; base-uri 'none'; form-action 'none'"
    return "\n".join(
        [
            '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">',
            f'<meta http-equiv="Content-Security-Policy" content="{policy}">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f"<title>{_text(title)}</title>\n<style>{style}</style>\n</head>\n<body>\n<main>",
            body,
            "</main>",
            *_data(comparison, views),
            f"<script>{script}</script>\n</body>\n</html>\n",
        ]
    )


# ---------------------------------------------------------------- parts of the page
def _head_words(comparison: Mapping[str, Any], title: str) -> str:
    verdicts = [m["verdict"] for m in comparison["measures"]]
    count = (
        f"{verdicts.count('A better')} measures better in {comparison['a']}, {verdicts.count('B better')} better in {comparison['b']}, "
        f"{verdicts.count('no difference shown')} without a difference shown ({comparison['confidence']:.0%} confidence)."
    )
    flags = set(comparison.get("flags", ()))
    lines = "".join(f"<li{_warning(line in flags)}>{_text(line)}</li>" for line in comparison.get("words", ()))
    words = f'<ul class="words">{lines}</ul>' if lines else ""
    return f'<h1>{_text(title)}</h1>\n<p class="count">{_text(count)}</p>\n{words}'


def _warning(flagged: bool) -> str:
    return ' class="warning"' if flagged else ""


def _viewer(comparison: Mapping[str, Any], views: Sequence[View]) -> str:
    if not views:
        return ""
    name_a, name_b = _text(comparison["a"]), _text(comparison["b"])
    pieces = _choices("view", "Show", [(str(i), v.name) for i, v in enumerate(views)])
    modes = _choices(
        "mode",
        "Compare by",
        [("divider", "divider"), ("blink", "blink"), ("a", f"only {comparison['a']}"), ("b", f"only {comparison['b']}")],
    )
    zooms = _choices("zoom", "Zoom", [("1", "1:1"), ("2", "2:1"), ("3", "3:1")])
    return f"""<h2 id="look">Look</h2>
<div class="bar">{pieces}{modes}{zooms}</div>
<div class="stage" id="stage" tabindex="0" role="group"
aria-label="Pictures of {name_a} and {name_b}. Space swaps them, b blinks, d brings the divider back.">
<div class="pair" id="pair"><img id="picture-a" alt=""><div class="right" id="right"><img id="picture-b" alt=""></div>
<span class="edge" id="edge"></span>
<span class="tag a" id="tag-a">{name_a}</span><span class="tag b" id="tag-b">{name_b}</span></div>
</div>
<input class="wipe" id="wipe" type="range" min="0" max="100" step="0.5" value="50" aria-label="Divider between {name_a} and {name_b}">
<p class="state" id="state" role="status" aria-live="off"></p>"""


def _choices(name: str, legend: str, options: Sequence[tuple[str, str]]) -> str:
    buttons = "".join(
        f'<label><input type="radio" name="{name}" value="{_text(value)}"{" checked" if i == 0 else ""}>{_text(label)}</label>'
        for i, (value, label) in enumerate(options)
    )
    return f"<fieldset><legend>{_text(legend)}</legend>{buttons}</fieldset>"


def _table(comparison: Mapping[str, Any]) -> str:
    rows = "\n".join(_row(m, comparison) for m in comparison["measures"])
    confidence = f"{comparison['confidence']:.0%}"
    missing = "".join(f"<li>{_text(item['what'])}: {_text(item['why'])}.</li>" for item in comparison.get("unmeasured", ()))
    missing = f'<h2>Not compared</h2>\n<ul class="words">{missing}</ul>' if missing else ""
    return f"""<h2 id="measures">Measures</h2>
<div class="bar"><label><input type="checkbox" id="only">only measures with a difference</label></div>
<p class="state" id="bars">A is {_text(comparison["a"])}, B is {_text(comparison["b"])}. Bars: {confidence} interval of A &minus; B; the
upright line is zero. Every row has its own scale.</p>
<div class="scroll" tabindex="0" role="region" aria-labelledby="measures"><table aria-describedby="bars">
<thead><tr><th scope="col">Verdict</th><th scope="col">Measure</th><th scope="col">Better</th><th scope="col">A</th><th scope="col">B</th>
<th scope="col">A &minus; B</th><th scope="col">{confidence} interval</th></tr></thead>
<tbody>
{rows}
</tbody></table></div>
{missing}"""


def _row(m: Mapping[str, Any], comparison: Mapping[str, Any]) -> str:
    same = ' class="same"' if m["verdict"] == "no difference shown" else ""
    unit = f" <span>{_text(m['unit'])}</span>" if m["unit"] else ""
    low, high = m["interval"]
    return (
        f'<tr{same}><td class="verdict">{_text(VERDICT_SIGNS[m["verdict"]])}<span> {_text(_who(m["verdict"], comparison))}</span></td>'
        f'<th scope="row"><details><summary>{_text(m["name"])}</summary><p>{_text(m["method"])}</p></details></th>'
        f'<td>{_text(m["better"])}</td><td class="n">{number(m["a"])}{unit}</td><td class="n">{number(m["b"])}{unit}</td>'
        f'<td class="n">{signed(m["difference"])}</td><td>{_error_bar(m)}<span class="n">{signed(low)} to {signed(high)}</span></td></tr>'
    )


def _who(verdict: str, comparison: Mapping[str, Any]) -> str:
    names = {"A better": f"{comparison['a']} better", "B better": f"{comparison['b']} better"}
    return names.get(verdict, "no difference shown")


def _error_bar(m: Mapping[str, Any]) -> str:
    """Difference and interval as a small drawing with a zero line."""
    low, high = m["interval"]
    reach = max(abs(low), abs(high)) * 1.08 or 1.0
    middle, half = BAR_WIDTH / 2, BAR_WIDTH / 2 - BAR_PAD

    def at(value: float) -> float:
        return middle + half * value / reach

    y = BAR_HEIGHT / 2
    label = f"difference {signed(m['difference'])}, interval {signed(low)} to {signed(high)} {m['unit']}"
    return (
        f'<svg width="{BAR_WIDTH}" height="{BAR_HEIGHT}" viewBox="0 0 {BAR_WIDTH} {BAR_HEIGHT}" role="img" aria-label="{_text(label)}">'
        f'<line x1="{middle}" x2="{middle}" y1="1" y2="{BAR_HEIGHT - 1}" stroke="#8f8f8f"/>'
        f'<line x1="{at(low):.1f}" x2="{at(high):.1f}" y1="{y}" y2="{y}" stroke="#d6d6d6" stroke-width="3"/>'
        + "".join(
            f'<line x1="{at(v):.1f}" x2="{at(v):.1f}" y1="{y - 5}" y2="{y + 5}" stroke="#d6d6d6" stroke-width="1.5"/>' for v in (low, high)
        )
        + f'<circle cx="{at(m["difference"]):.1f}" cy="{y}" r="4" fill="#ffffff" stroke="#303030"/></svg>'
    )


def _how_to_read(comparison: Mapping[str, Any]) -> str:
    share = 1 - comparison["confidence"]
    chance = f"about one in {round(1 / max(share, 1e-3))}"
    return f"""<h2>How to read this</h2>
<p>A verdict is given only where the interval of the difference leaves out zero; where a value is best at 0 or 1, only where it is certain
which of the two lies closer. Of {len(comparison["measures"])} measures, {chance} would show a difference by chance alone between results
that are equally good. Measures come from the floating-point pictures, never from the pixels of this page. Open a measure's name to read how
it was made.</p>"""


def _data(comparison: Mapping[str, Any], views: Sequence[View]) -> list[str]:
    """Pictures as inert text, decoded only when first shown, and what the script needs to know about them."""
    out = []
    listed = []
    for i, view in enumerate(views):
        for side, data in (("a", view.a), ("b", view.b)):
            kind = "webp" if data[:4] == b"RIFF" else "png"
            out.append(
                f'<script type="text/plain" id="view-{i}-{side}">data:image/{kind};base64,{base64.b64encode(data).decode()}</script>'
            )
        listed.append(
            {
                "name": view.name,
                "note": view.note,
                "alt": view.alt,
                "a": f"view-{i}-a",
                "b": f"view-{i}-b",
                "width": view.width,
                "height": view.height,
            }
        )
    out.append(f'<script type="application/json" id="views">{_json(listed)}</script>')
    out.append(f'<script type="application/json" id="names">{_json({"a": comparison["a"], "b": comparison["b"]})}</script>')
    out.append(f'<script type="application/json" id="comparison">{_json(dict(comparison))}</script>')
    return out


# ---------------------------------------------------------------- encoding
def _view(name: str, note: str, alt: str, a: np.ndarray, b: np.ndarray) -> View:
    return View(name, note, alt, _lossless(a), _lossless(b), a.shape[1], a.shape[0])


def _reduced(picture: DisplayRGB, step: int) -> np.ndarray:
    """Exact mean of whole blocks; rows and columns beyond the last whole block are dropped."""
    if step == 1:
        return to_bytes(picture)
    height, width = picture.shape[0] // step, picture.shape[1] // step
    whole = np.ascontiguousarray(picture[: height * step, : width * step], np.float32)
    return to_bytes(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA))


def _lossless(pixels: np.ndarray) -> bytes:
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, format="WEBP", lossless=True, quality=30, method=1)
    return out.getvalue()


def _asset(name: str) -> str:
    return files("layerblend.report").joinpath(name).read_text(encoding="utf-8")


def _hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def _text(value: Any) -> str:
    return html.escape(str(value), quote=True)


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False).replace("<", "\\u003c")
