"""Side-by-side picture and contact sheet: true pixels, everything written."""

import io

import numpy as np
import pytest
from PIL import Image, ImageDraw

from layerblend.report.sheet import GROUND, INK, QUIET, contact_sheet, crop_bytes, on_contact_sheet, side_by_side, to_bytes


def line(name, unit, better, a, b, reach, verdict):
    """One measure as measures.json holds it."""
    span = [a - b - reach, a - b + reach]
    return {
        "name": name,
        "unit": unit,
        "better": better,
        "a": a,
        "b": b,
        "difference": a - b,
        "interval": span,
        "method": "how",
        "verdict": verdict,
    }


COMPARISON = {
    "a": "blend",
    "b": "plain",
    "confidence": 0.95,
    "measures": [
        line("sky noise", "L*", "lower", 1.5, 1.2, 0.1, "B better"),
        line("width", "px", "lower", 3.0, 3.4, 0.1, "A better"),
        line("cast", "", "toward 0", 0.0, 0.0, 0.1, "no difference shown"),
    ],
    "words": ["Noise of the sky: plain is better.", "Star width: blend is better."],
    "flags": [],
}


def opened(data):
    return np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))


def random_pair(shape=(120, 160, 3)):
    rng = np.random.default_rng(1)
    return tuple(rng.uniform(0, 1, shape).astype(np.float32) for _ in range(2))


@pytest.fixture
def written(monkeypatch):
    """All texts drawn on a sheet, as (y, x, text, colour), in the order of reading."""
    texts = []
    draw = ImageDraw.ImageDraw.text

    def text(self, xy, text, **how):
        texts.append((*xy[::-1], text, how["fill"]))
        return draw(self, xy, text, **how)

    monkeypatch.setattr(ImageDraw.ImageDraw, "text", text)
    return texts


def find(sheet, crop):
    """Top left corner of an exact copy of a crop."""
    y, x = np.nonzero((sheet[: -crop.shape[0] + 1, : -crop.shape[1] + 1] == crop[0, 0]).all(2))
    for row, column in zip(y, x, strict=True):
        if np.array_equal(sheet[row : row + crop.shape[0], column : column + crop.shape[1]], crop):
            return column, row
    return None


def test_crops_stand_side_by_side_at_true_pixels():
    a, b = random_pair()
    places = {"core": (20, 10, 60, 40), "sky": (100, 80, 140, 110)}
    sheet = opened(side_by_side(a, b, places, COMPARISON))
    for box in places.values():
        left, right = find(sheet, crop_bytes(a, box)), find(sheet, crop_bytes(b, box))
        assert left is not None and right is not None
        assert left[1] == right[1] and left[0] < right[0]


def test_table_grows_with_the_measures_and_no_place_is_needed():
    a, b = random_pair()
    short = opened(side_by_side(a, b, {}, {**COMPARISON, "measures": COMPARISON["measures"][:1]}))
    long = opened(side_by_side(a, b, {}, COMPARISON))
    assert long.shape[0] > short.shape[0]
    assert (long[-10:] == GROUND).all()


def test_every_column_of_the_table_holds_what_its_head_says(written):
    a, b = random_pair()
    cast = line("cast", "b*", "toward 0", -1234.5, 0.25, 0.125, "no difference shown")
    side_by_side(a, b, {}, {**COMPARISON, "confidence": 0.9, "measures": [*COMPARISON["measures"][:1], cast]})
    rows = {}
    for y, x, text, colour in written:
        rows.setdefault(y, []).append((x, text, colour))
    told = [[text for _, text, _ in sorted(row)] for row in rows.values()]
    assert told[-3:] == [
        ["verdict", "measure", "better", "A", "B", "A - B", "90% interval"],
        ["B better", "sky noise, L*", "lower", "1.5", "1.2", "+0.3", "+0.2 to +0.4"],
        ["no difference shown", "cast, b*", "toward 0", "-1,230", "0.25", "-1,230", "-1,230 to -1,230"],
    ]
    *_, lost, same = rows.values()
    assert {colour for _, _, colour in lost} == {INK} and {colour for _, _, colour in same} == {QUIET}


def test_names_stand_over_their_own_pictures(written):
    a, b = random_pair()
    places = {"core": (20, 10, 60, 40), "sky": (100, 80, 140, 110)}
    sheet = opened(side_by_side(a, b, places, COMPARISON))
    texts = [text for _, _, text, _ in written]
    assert "left A: blend     right B: plain" in texts and texts[0] == "blend | plain"
    assert texts[1:3] == COMPARISON["words"]
    label = {text: (x, y) for y, x, text, _ in written}
    for name, box in places.items():
        x, y = find(sheet, crop_bytes(a, box))
        at = label[f"{name}, 1:1"]
        assert at[0] == x and 0 < y - at[1] < 40


def test_every_picture_of_a_contact_sheet_stands_over_its_own_settings(written):
    small = [on_contact_sheet(picture) for picture in random_pair((60, 90, 3))]
    sheet = opened(contact_sheet([("weak", small[0]), ("strong", small[1])], captions=["noise 1", "noise 2"], columns=2))
    by_place = {x: [t for _, at, t, _ in sorted(written) if at == x] for _, x, *_ in written}
    assert by_place == {find(sheet, small[0])[0]: ["weak", "noise 1"], find(sheet, small[1])[0]: ["strong", "noise 2"]}
    assert min(y for y, *_ in written) > find(sheet, small[0])[1] + small[0].shape[0]


def test_pictures_are_made_small_by_means():
    """Black and white columns become even grey, as seen from afar, and never a choice of them."""
    stripes = np.tile(np.array([0, 1], np.float32), (84, 420))
    assert np.abs(on_contact_sheet(stripes).astype(int) - 128).max() <= 1


def test_contact_sheet_holds_every_picture():
    a, b = random_pair((60, 90, 3))
    small = [on_contact_sheet(picture) for picture in (a, b, a[..., 0])]
    assert all(picture.shape == (280, 420, 3) for picture in small)
    names = ("one", "two", "a very long name of settings, " * 4)
    sheet = opened(contact_sheet(list(zip(names, small, strict=True)), captions=["x"], columns=2))
    assert all(find(sheet, picture) is not None for picture in small)


def test_bytes_are_rounded_and_no_data_is_black():
    values = np.array([[0.0, 0.5 / 255 + 1e-6, 1.0, 2.0, -1.0, np.nan]], np.float32)
    assert to_bytes(values)[0, :, 0].tolist() == [0, 1, 255, 255, 0, 0]
