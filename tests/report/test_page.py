"""The side-by-side page: complete in itself, true to its numbers and pixels, usable by keyboard."""

import base64
import io
import json
import re
import shutil

import numpy as np
import pytest
from PIL import Image

from layerblend.report.page import OVERVIEW_PX, comparison_page, make_views
from layerblend.report.sheet import crop_bytes, to_bytes
from tests.report.test_sheet import COMPARISON, line, random_pair

PLACES = {"core": (20, 10, 80, 50), "sky": (100, 80, 160, 120)}
NASTY = {**COMPARISON, "a": '<b>"blend" & co</b>', "words": ["<script>alert(1)</script>"], "flags": ["<script>alert(1)</script>"]}


def embedded(page, name):
    data = re.search(rf'id="{name}">data:image/(?:webp|png);base64,([^<]+)<', page).group(1)
    return np.asarray(Image.open(io.BytesIO(base64.b64decode(data))).convert("RGB"))


def test_pictures_are_held_without_loss():
    a, b = random_pair()
    page = comparison_page(COMPARISON, make_views(a, b, PLACES))
    np.testing.assert_array_equal(embedded(page, "view-0-a"), to_bytes(a))
    np.testing.assert_array_equal(embedded(page, "view-1-b"), crop_bytes(b, PLACES["core"]))
    np.testing.assert_array_equal(embedded(page, "view-2-a"), crop_bytes(a, PLACES["sky"]))
    listed = json.loads(re.search(r'id="views">(.*?)</script>', page).group(1))
    assert [view["note"] for view in listed] == ["every pixel as it is", "true pixels, 1:1", "true pixels, 1:1"]
    assert listed[2]["alt"] == "sky at true size, x 100 to 160, y 80 to 120"


def test_large_pictures_are_reduced_by_exact_means():
    rng = np.random.default_rng(2)
    big = rng.uniform(0, 1, (301, 2 * OVERVIEW_PX + 1)).astype(np.float32)
    view = make_views(big, big, {})[0]
    assert (view.width, view.height) == ((2 * OVERVIEW_PX + 1) // 3, 100)
    assert "reduced 1:3" in view.note and "3 x 3" in view.note
    shown = np.asarray(Image.open(io.BytesIO(view.a)).convert("RGB"))[..., 0]
    mean = big[:300, : view.width * 3].reshape(100, 3, view.width, 3).mean((1, 3))
    assert np.abs(shown - mean * 255).max() < 0.51


def test_nothing_leaves_the_page_and_texts_are_escaped():
    page = comparison_page(NASTY, make_views(*random_pair(), PLACES))
    assert not re.search(r"(?:src|href)=[\"']?https?:", page) and "//" not in re.sub(r"data:[^<]*|// [^\n]*", "", page)
    assert "<script>alert" not in page and "<b>" not in page
    assert "default-src 'none'" in page
    assert json.loads(re.search(r'id="comparison">(.*?)</script>', page).group(1))["a"] == NASTY["a"]


def test_every_measure_has_its_row_and_bar():
    page = comparison_page(COMPARISON)
    assert page.count("<svg") == len(COMPARISON["measures"]) == page.count('<th scope="row">')
    assert page.index("plain better") < page.index("blend better</span>")
    assert "<img" not in page


def cells(page):
    """Texts of the table's cells, row by row, tags taken out."""
    rows = re.findall(r"<tr.*?</tr>", re.search(r"<table.*</table>", page, re.DOTALL).group(0), re.DOTALL)
    return [[re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", c)).strip() for c in re.split(r"</t[dh]>", row)[:-1]] for row in rows]


def test_every_cell_holds_what_its_head_says():
    cast = {**line("cast", "b*", "toward 0", 0.25, -2.5, 0.5, "no difference shown"), "method": "mean of the sky's medians"}
    page = comparison_page({**COMPARISON, "confidence": 0.9, "measures": [*COMPARISON["measures"][:2], cast]})
    assert cells(page) == [
        ["Verdict", "Measure", "Better", "A", "B", "A &minus; B", "90% interval"],
        ["B ▶ plain better", "sky noise how", "lower", "1.5 L*", "1.2 L*", "+0.3", "+0.2 to +0.4"],
        ["◀ A blend better", "width how", "lower", "3 px", "3.4 px", "-0.4", "-0.5 to -0.3"],
        ["= no difference shown", "cast mean of the sky&#x27;s medians", "toward 0", "0.25 b*", "-2.5 b*", "+2.75", "+2.25 to +3.25"],
    ]
    assert "A is blend, B is plain. Bars: 90% interval" in page
    assert "Of 3 measures, about one in 10 would show a difference by chance" in page


def test_bars_have_zero_in_the_middle_the_interval_around_the_dot_and_room_for_both_ends():
    for a, reach in ((3.0, 0.5), (1.0, 0.5), (2.0, 0.5)):
        page = comparison_page({**COMPARISON, "measures": [line("width", "px", "lower", a, 2.0, reach, "no difference shown")]})
        bar = re.search(r"<svg.*?</svg>", page, re.DOTALL).group(0)
        zero, whole, *ends = [[float(v) for v in re.findall(r'x[12]="([\d.-]+)"', part)] for part in re.findall(r"<line[^>]*>", bar)]
        dot, width = (float(re.search(pattern, bar).group(1)) for pattern in (r'cx="([\d.-]+)"', r'width="(\d+)"'))
        assert zero == [width / 2] * 2 and [[x] * 2 for x in whole] == ends
        assert 0 < whole[0] < dot < whole[1] < width
        scale = (whole[1] - whole[0]) / (2 * reach)
        assert dot - width / 2 == pytest.approx((a - 2.0) * scale, abs=0.2)


def test_verdicts_are_counted_and_warnings_stand_out():
    measures = [
        line(str(i), "", "lower", 1.0, 2.0, 0.1, v) for i, v in enumerate(["A better"] * 3 + ["B better"] * 2 + ["no difference shown"])
    ]
    page = comparison_page({**COMPARISON, "measures": measures, "words": ["Warning: eroded.", "Fine."], "flags": ["Warning: eroded."]})
    assert "3 measures better in blend, 2 better in plain, 1 without a difference shown (95% confidence)." in page
    assert "about one in 20 would show a difference by chance" in page
    assert '<li class="warning">Warning: eroded.</li><li>Fine.</li>' in page


def test_unmeasured_things_are_listed():
    page = comparison_page({**COMPARISON, "unmeasured": [{"what": "Star flux", "why": "no stretch is known"}]})
    assert "Star flux: no stretch is known." in page


def contrast(first, second):
    """Contrast of two colours (WCAG 2.1, relative luminance)."""

    def luminance(code):
        values = [int(code[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [v / 12.92 if v <= 0.03928 else ((v + 0.055) / 1.055) ** 2.4 for v in values]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((luminance(first), luminance(second)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize(
    ("ink", "ground"), [("#d6d6d6", "#303030"), ("#bdbdbd", "#303030"), ("#202020", "#d6d6d6"), ("#ececec", "#202020")]
)
def test_text_has_enough_contrast(ink, ground):
    """WCAG 2.1, 1.4.3: at least 4.5 : 1."""
    page = comparison_page(COMPARISON)
    assert ink in page
    assert contrast(ink, ground) >= 4.5


# ---------------------------------------------------------------- in a browser
BROWSER = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")


@pytest.fixture(scope="module")
def browser():
    api = pytest.importorskip("playwright.sync_api", reason="page tests need playwright")
    if BROWSER is None:
        pytest.skip("page tests need a Chromium browser, none was found")
    with api.sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=BROWSER, args=["--no-sandbox", "--disable-gpu", "--no-first-run", "--force-color-profile=srgb"]
        )
        yield browser
        browser.close()


@pytest.fixture
def opened(browser, tmp_path):
    a, b = random_pair()
    measures = [*COMPARISON["measures"], line("far", "px", "lower", 12345.0, 1.0, 0.5, "B better")]
    path = tmp_path / "page.html"
    path.write_text(comparison_page({**COMPARISON, "measures": measures}, make_views(a, b, PLACES)), encoding="utf-8")
    context = browser.new_context(viewport={"width": 1100, "height": 800}, offline=True)
    page = context.new_page()
    page.messages, page.requests = [], []
    page.on("console", lambda m: page.messages.append(m.text))
    page.on("pageerror", lambda e: page.messages.append(str(e)))
    page.on("request", lambda r: page.requests.append(r.url) if not r.url.startswith(("file:", "data:")) else None)
    page.goto(path.as_uri())
    page.wait_for_selector("html[data-ready=yes]")
    yield page, a, b
    assert page.messages == []
    assert page.requests == []
    context.close()


def shown(page, width, height):
    """Pixels of the pair as they appear."""
    box = page.locator("#pair").bounding_box()
    clip = {"x": box["x"], "y": box["y"], "width": width, "height": height}
    return np.asarray(Image.open(io.BytesIO(page.screenshot(clip=clip))).convert("RGB"))


@pytest.mark.page
def test_divider_shows_true_pixels_of_both(opened):
    page, a, b = opened
    page.evaluate("document.querySelectorAll('.tag, .edge').forEach(e => e.style.opacity = 0)")
    seen = shown(page, 160, 120)
    np.testing.assert_array_equal(seen[:, :78], to_bytes(a)[:, :78])
    np.testing.assert_array_equal(seen[:, 82:], to_bytes(b)[:, 82:])
    assert "Shown: blend left, plain right." in page.locator("#state").inner_text()
    assert page.locator("#wipe").get_attribute("aria-valuetext") == "blend left of 50 %, plain right of it"
    tags = [page.locator(f"#tag-{side}") for side in "ab"]
    assert [tag.inner_text() for tag in tags] == ["blend", "plain"]
    assert tags[0].bounding_box()["x"] < tags[1].bounding_box()["x"]
    alts = [page.locator(f"#picture-{side}").get_attribute("alt") for side in "ab"]
    assert alts == ["blend: the whole picture", "plain: the whole picture"]


@pytest.mark.page
def test_keyboard_moves_the_divider_swaps_and_blinks(opened):
    page, a, b = opened
    page.evaluate("document.querySelectorAll('.tag, .edge').forEach(e => e.style.opacity = 0)")
    page.locator("#wipe").focus()
    page.keyboard.press("End")
    assert page.locator("#wipe").input_value() == "100"
    np.testing.assert_array_equal(shown(page, 158, 120), to_bytes(a)[:, :158])
    page.locator("#stage").focus()
    page.keyboard.press(" ")
    np.testing.assert_array_equal(shown(page, 160, 120), to_bytes(b))
    assert page.locator("#state").inner_text().endswith("Shown: plain.")
    assert page.locator("#tag-b").is_visible() and not page.locator("#tag-a").is_visible()
    assert "only plain" in page.locator("label:has(input[name=mode]:checked)").inner_text()
    page.keyboard.press(" ")
    np.testing.assert_array_equal(shown(page, 160, 120), to_bytes(a))
    page.keyboard.press("b")
    first = page.locator("#state").inner_text()
    page.wait_for_function("text => document.getElementById('state').textContent !== text", arg=first)
    page.keyboard.press("d")
    assert page.locator("#wipe").is_enabled()


@pytest.mark.page
def test_places_and_zoom(opened):
    page, a, _ = opened
    page.evaluate("document.querySelectorAll('.tag, .edge').forEach(e => e.style.opacity = 0)")
    page.locator("label:has-text('core')").click()
    page.locator("label:has-text('only blend')").click()
    page.locator("label:has-text('3:1')").click()
    page.wait_for_function("document.getElementById('picture-a').complete")
    crop = crop_bytes(a, PLACES["core"])
    np.testing.assert_array_equal(shown(page, 180, 120), np.repeat(np.repeat(crop, 3, 0), 3, 1))
    assert "core" in page.locator("#picture-a").get_attribute("alt")
    assert "core" in page.locator("#state").inner_text()


@pytest.mark.page
def test_filter_and_narrow_screen(opened):
    page, _, _ = opened
    assert page.locator("tbody tr:visible").count() == 4
    page.locator("#only").focus()
    page.keyboard.press(" ")
    assert page.locator("tbody tr:visible").count() == 3
    page.set_viewport_size({"width": 390, "height": 800})
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    assert page.evaluate("[...document.images].every(i => i.alt.length > 0)")
