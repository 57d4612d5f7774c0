"""Records that cross parts: star images over the field, ellipses, luminance, the frame table's CSV."""

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from layerblend.kinds import CSV_COLUMNS, Ellipse, FrameInfo, FrameMeasure, FrameRow, FrameTable, StarShape, working_luminance


def shape_of(fwhm: float, ratio: float, angle: float) -> StarShape:
    e = (1 - ratio) / (1 + ratio)
    terms = np.zeros((3, 6))
    terms[:, 0] = np.log(fwhm), e * np.cos(2 * np.radians(angle)), e * np.sin(2 * np.radians(angle))
    return StarShape(3.0, terms, 100, 200, np.zeros((0, 8)))


def test_star_shape_gives_back_axes_and_angle() -> None:
    """fwhm_major = fwhm / (1 - e^2)^(1/4), fwhm the geometric mean of both axes (geometry of the ellipse)."""
    star = shape_of(4.0, 0.8, 30.0).at(10, 20)
    assert star.fwhm == pytest.approx(4.0)
    assert star.eccentricity == pytest.approx(0.6)
    assert star.fwhm_major == pytest.approx(4.0 / (1 - 0.6**2) ** 0.25)
    assert star.angle == pytest.approx(30.0)
    assert shape_of(4.0, 0.8, 30.0).centre == star


def test_star_shape_varies_as_a_quadratic() -> None:
    shape = shape_of(4.0, 1.0, 0.0)
    terms = np.array(shape.terms)
    terms[0, 3] = 0.1
    wider = replace(shape, terms=terms)
    assert wider.at(0, 50).fwhm == pytest.approx(4.0 * np.exp(0.1))
    assert wider.at(99.5, 50).fwhm == pytest.approx(4.0)


def test_ellipse_mask_has_its_area() -> None:
    mask = Ellipse(100, 80, 40, 20, 35).mask(160, 200)
    assert mask.sum() == pytest.approx(np.pi * 40 * 20, rel=0.01)
    assert Ellipse(100, 80, 40, 20, 35).mask(160, 200, grow=1.5).sum() == pytest.approx(np.pi * 60 * 30, rel=0.01)
    y, x = np.nonzero(mask)
    assert np.cov(x, y)[0, 1] > 0  # turned from +x towards +y


def test_luminance_weights() -> None:
    image = np.zeros((2, 3, 3), np.float32)
    image[..., 0], image[..., 1], image[..., 2] = 1, 2, 4
    assert np.allclose(working_luminance(image), (1 + 2 * 2 + 4) / 4)
    plane = np.ones((2, 3), np.float32)
    assert np.array_equal(working_luminance(plane), plane)


def test_frame_table_writes_its_csv(tmp_path: Path) -> None:
    info = FrameInfo(Path("ä b.fits"), 0, 2, 3, 3, True, 16, 1.0, 32768.0, None, 2880, False, 65535.0, 60.0, "2026-01-01", "L")
    measure = FrameMeasure(5, 3.0, 3.1, 0.2, 10.0, 3.0, (0.1, 0.1, 0.1), 0.01, (0.01,) * 3, np.zeros((0, 4)), np.zeros((1, 1, 3)))
    row = FrameRow("ä b.fits", info.path, info, measure, 5, 3.0, 3.1, 0.2, 10.0, 0.1, 0.1, 0.1, 0.01, 50.0, 1.0, 1.0, "2026-01-01", 60.0)
    table = FrameTable((row, replace(row, file="c.fits", excluded="clouds, no stars")))
    table.write_csv(tmp_path / "frames.csv")
    with open(tmp_path / "frames.csv", encoding="utf-8", newline="") as handle:
        rows = list(csv.DictReader(handle))
    assert tuple(rows[0]) == CSV_COLUMNS
    assert [r["file"] for r in rows] == ["ä b.fits", "c.fits"]
    assert float(rows[0]["fwhm_major"]) == pytest.approx(3.1)
    assert rows[1]["excluded"] == "clouds, no stars"
    assert [r.file for r in table.used] == ["ä b.fits"]
    assert len(table) == 2
