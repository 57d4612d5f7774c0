"""Plots: they come out as PNG, show what they are given, and leave nothing behind in memory."""

import gc
import io
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.figure import Figure
from PIL import Image

from layerblend.kinds import FrameInfo, FrameMeasure, FrameRow, FrameTable
from layerblend.report import plots


def make_table(count=40, nights=3, mono=False, seed=1):
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(count):
        night = i * nights // count
        fwhm = float(np.exp(rng.normal(1.3 + 0.1 * night, 0.15)))
        sky = [float(v) for v in rng.normal(0.05 + 0.01 * night, 0.002, 3)]
        sky = [sky[0]] * 3 if mono else sky
        info = FrameInfo(Path(f"f{i}.fits"), 0, 10, 10, 3, True, 16, 1, 0, None, 0, False, 65535.0, 60.0, None, None)
        measure = FrameMeasure(
            100, fwhm, fwhm, 0.3, 0, 3, tuple(sky), 0.01, (0.01,) * 3, np.zeros((0, 4), np.float32), np.zeros((1, 1, 3), np.float32)
        )
        date = f"2031-03-{10 + night:02d}T{(20 + i % 8) % 24:02d}:10:00" if i % 7 else ""
        rows.append(
            FrameRow(
                f"light_{i:04d}.fits", Path(f"light_{i:04d}.fits"), info, measure, 100, fwhm, fwhm * 1.05, float(rng.uniform(0.2, 0.6)),
                10.0, *sky, 0.01, 5.0, float(rng.uniform(0.6, 1)), 1.0, date, 60.0, "eccentricity .82 above .75" if i % 11 == 5 else "",
            )
        )  # fmt: skip
    rows.sort(key=lambda r: (bool(r.excluded), r.fwhm_major))
    return FrameTable(tuple(rows))


def size_of(data):
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    return Image.open(io.BytesIO(data)).size


@pytest.mark.parametrize("mono", [False, True])
def test_grade_report(mono):
    table = make_table(mono=mono)
    data = plots.grade_report(table, kept={"best25": 9, "best50": 18, "all": 36, "deep": 36}, title="Lantern Spiral")
    assert min(size_of(data)) > 800


@pytest.mark.parametrize(("nights", "without", "names"), [
    (3, False, ["frame used", "frame left out", "grey and white: nights"]),
    (1, True, ["frame used"]),
])  # fmt: skip
def test_every_mark_of_the_nights_is_named(nights, without, names):
    """Dots, crosses and shades are told apart by a legend, which names only what is there."""
    rows = [replace(row, date=f"2031-03-{10 + i % nights}T23:00:00") for i, row in enumerate(make_table(12).rows)]
    rows = [row for row in rows if not (without and row.excluded)]
    axes = Figure().add_subplot()
    plots._mark_legend(axes, rows)
    assert [text.get_text() for text in axes.get_legend().get_texts()] == names


def test_grade_report_of_one_frame_and_of_none_used():
    table = make_table(1)
    size_of(plots.grade_report(table))
    rows = tuple(replace(r, excluded="too few stars") for r in make_table(3).rows)
    size_of(plots.grade_report(FrameTable(rows), kept={}))


def test_nights_begin_at_noon():
    times = ["2031-03-10T11:59:59", "2031-03-10T12:00:01", "2031-03-11T04:30:00.250", "2031-03-11T11:00:00Z", "", "last summer"]
    rows = [replace(row, date=time) for row, time in zip(make_table(len(times)).rows, times, strict=True)]
    assert plots._nights(rows) == ["2031-03-09", "2031-03-10", "2031-03-10", "2031-03-10", "", ""]


@pytest.mark.parametrize("shape", [(60, 80, 3), (60, 80)])
def test_rejection_picture_keeps_a_thin_trail(shape):
    rejected = np.zeros(shape, np.uint16)
    rejected[30, :] = 5
    count = np.full(shape, 20, np.uint16)
    narrow = size_of(plots.rejection_picture(rejected, count))
    frames = [(f"a-camera-with-a-very-long-name-{i:04d}.fits", 0.001 * i) for i in range(30)]
    assert size_of(plots.rejection_picture(rejected, count, frames=frames))[0] > narrow[0]
    big = np.zeros((2000, 2400))
    big[777, 300] = 1
    assert plots._reduced_max(big).max() == 1


@pytest.mark.parametrize("channels", [3, 0])
def test_flatten_picture(channels):
    rng = np.random.default_rng(1)
    shape = (90, 120, 3) if channels else (90, 120)
    model = np.broadcast_to(np.linspace(0, 0.01, 120)[None, :, None] if channels else np.linspace(0, 0.01, 120)[None], shape).astype(
        np.float32
    )
    image = (model + rng.normal(0, 1e-3, shape)).astype(np.float32)
    x, y = rng.uniform(0, 119, 50), rng.uniform(0, 89, 50)
    residual = rng.normal(0, 0.05, (50, 3) if channels else 50)
    before = image.copy()
    size_of(plots.flatten_picture(image, model, x=x, y=y, residual=residual, used=rng.random(residual.shape) > 0.2, sigma=1e-3))
    np.testing.assert_array_equal(image, before)
    size_of(
        plots.flatten_picture(
            image, model, x=x, y=y, residual=residual, used=np.zeros(residual.shape, bool), sigma=[1e-3] * max(channels, 1)
        )
    )


def test_split_picture():
    rng = np.random.default_rng(1)
    starless = (0.01 + rng.normal(0, 1e-3, (120, 160, 3))).astype(np.float32)
    stars = np.zeros_like(starless)
    mask = np.zeros((120, 160), bool)
    for i in range(15):
        stars[5 + 7 * i, 10 + 9 * i] = 0.3
        mask[3 + 7 * i : 8 + 7 * i, 8 + 9 * i : 13 + 9 * i] = True
    size_of(plots.split_picture(starless + stars, starless, stars, mask))
    size_of(plots.split_picture(starless, starless, 0 * stars, np.zeros_like(mask), worst=np.array([[0.0, 0.0], [159, 119]])))


def test_figures_do_not_pile_up_and_no_window_is_asked_for():
    """Figures pile up when a plotting state keeps them: here none may live on, and the stateful interface is never imported."""
    table = make_table(6)

    def living():
        gc.collect()
        return sum(isinstance(o, Figure) for o in gc.get_objects())

    before = living()
    for _ in range(3):
        plots.grade_report(table)
    assert living() == before
    assert "matplotlib.pyplot" not in Path(plots.__file__).read_text(encoding="utf-8")
    assert "tkinter" not in sys.modules


def test_same_bytes_every_time():
    table = make_table(6)
    assert plots.grade_report(table) == plots.grade_report(table)


def test_an_enlarged_star_at_the_edge_has_no_data_beyond_it() -> None:
    square = plots._enlarged(np.ones((30, 50, 3), np.float32), 49, 0)
    known = np.isfinite(square).all(-1)
    half = plots.STAR_PX // 2
    assert known[half - 1 :, : half + 2].any() and not known[: half - 1].any() and not known[:, half + 2 :].any()
    assert known.sum() == 9 * 21 * 21
