"""Side-by-side picture and contact sheet: true pixels, everything written."""

import io

import numpy as np
import pytest
from PIL import Image

from layerblend.report.sheet import GROUND, contact_sheet, crop_bytes, number, on_contact_sheet, side_by_side, signed, to_bytes


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


@pytest.mark.parametrize(("value", "text"), [(0, "0"), (1.2345, "1.23"), (-0.5, "-0.5"), (22134.0, "22,100"), (1e-6, "1e-06")])
def test_numbers(value, text):
    assert number(value) == text
    assert signed(value) == (f"+{text}" if value > 0 else text)
