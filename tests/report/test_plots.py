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


# ---------------------------------------------------------------- what they show
@pytest.fixture
def kept(monkeypatch):
    """Plots as figures, not as bytes."""
    monkeypatch.setattr(plots, "_png", lambda figure: figure)


def rows_of(measures):
    """Frames of given width, eccentricity, sky in red, green and blue, transparency and reason, one a minute."""
    names = ("fwhm_major", "eccentricity", "sky_r", "sky_g", "sky_b", "transparency", "excluded")
    return tuple(
        replace(row, file=f"f{i}.fits", date=f"2031-03-10T23:{i:02d}:00", **dict(zip(names, values, strict=True)))
        for i, (row, values) in enumerate(zip(make_table(len(measures)).rows, measures, strict=True))
    )


FRAMES = rows_of(
    [(3.0, 0.3, 0.05, 0.06, 0.07, 0.9, ""), (4.0, 0.5, 0.08, 0.09, 0.10, 0.8, "clouds"), (2.0, 0.4, 0.02, 0.03, 0.04, 1.0, "")]
)
RANKED = FrameTable((FRAMES[2], FRAMES[0], FRAMES[1]))


def marks(axes):
    """Dots and crosses of a night panel: mark and colour of each curve with its places and heights."""
    return [(line.get_marker(), line.get_color(), line.get_xdata().tolist(), line.get_ydata().tolist()) for line in axes.get_lines()]


def test_frames_stand_in_the_order_of_time_with_their_own_values(kept):
    width, shape, sky, clear, *_ = plots.grade_report(RANKED).axes
    assert (width.get_ylabel(), shape.get_ylabel(), clear.get_ylabel()) == ("fwhm_major, px", "eccentricity", "transparency")
    for axes, dots, cross in ((width, [3.0, 2.0], 4.0), (shape, [0.3, 0.4], 0.5), (clear, [0.9, 1.0], 0.8)):
        assert marks(axes) == [("o", plots.ACCENT, [0, 2], dots), ("x", plots.WARN, [1], [cross])]
    assert sky.get_ylabel() == "sky, % of white"
    told = {
        label: values
        for (_, _, _, values), label in zip(marks(sky)[::2], [t.get_text() for t in sky.get_legend().get_texts()], strict=True)
    }
    assert told == {"red": pytest.approx([5, 2]), "green": pytest.approx([6, 3]), "blue": pytest.approx([7, 4])}
    assert [mark[1] for mark in marks(sky)[::2]] == list(plots.CHANNEL_COLOURS)


def test_cuts_stand_behind_the_last_frame_that_a_stack_keeps(kept):
    axes = plots.grade_report(RANKED, kept={"best50": 1, "all": 2, "deep": 2}).axes[4]
    bars = [(bar.get_x() + bar.get_width() / 2, bar.get_height()) for bar in axes.patches]
    assert bars == [(1, 2.0), (2, 3.0), (4, 4.0)]
    assert [line.get_xdata()[0] for line in axes.get_lines()] == [1.5, 2.5]
    assert [text.get_text() for text in axes.texts] == ["best50: 1", "all, deep: 2"]


def test_frames_left_out_are_counted_and_named_with_their_reason(kept):
    text = plots.grade_report(RANKED).axes[5].texts[0].get_text().split("\n")
    assert text == ["2 of 3 frames used", "", "f1.fits: clouds"]
    many = FrameTable(tuple(replace(FRAMES[1], file=f"g{i}.fits") for i in range(30)))
    lines = plots._exclusion_lines(many)
    assert lines[0] == "0 of 30 frames used" and lines[-2:] == ["g25.fits: clouds", "and 4 more"]


def test_rejection_is_the_share_of_all_samples_of_the_worst_channel(kept):
    rejected, count = np.zeros((20, 30, 3), np.uint16), np.full((20, 30, 3), 9, np.uint16)
    count[10:] = 0  # beyond the frames
    rejected[4, 5, 1] = 27
    figure = plots.rejection_picture(rejected, count)
    axes, bar = figure.axes
    shown = np.asarray(axes.images[0].get_array())
    assert shown[4, 5] == pytest.approx(np.sqrt(27 / 36)) and np.count_nonzero(shown) == 1
    assert axes.get_title(loc="left").startswith(f"Rejected samples: {27 / (27 + 9 * 10 * 30 * 3):.2%} of all")
    for tick, label in zip(bar.get_yticks(), bar.get_yticklabels(), strict=True):
        assert f"{tick**2:.0%}" == label.get_text()


def test_frames_that_lost_most_stand_on_top_against_an_ordinary_one(kept):
    frames = [(f"f{i:02d}.fits", 0.01 * i) for i in range(21)]
    axes = plots.rejection_picture(np.ones((20, 30)), np.ones((20, 30)), frames=frames).axes[-1]
    assert [bar.get_width() for bar in axes.patches] == pytest.approx(range(20, 6, -1))
    assert [label.get_text() for label in axes.get_yticklabels()][:2] == ["f20.fits", "f19.fits"]
    assert [text.get_text() for text in axes.texts][:2] == [" 20", " 19"]
    assert axes.yaxis_inverted()
    assert axes.get_xlabel() == "dotted: an ordinary frame, 10 %" and axes.get_lines()[0].get_xdata()[0] == pytest.approx(10)


def test_sky_model_samples_and_rests_are_each_channel_s_own(kept):
    image, model = np.zeros((40, 60, 3), np.float32), np.zeros((40, 60, 3), np.float32)
    model += (np.linspace(0, 1, 60)[:, None] * [0.01, 0.02, 0.03]).astype(np.float32)
    image += model + np.float32(0.004)
    x, y = np.arange(5.0), np.arange(5.0) + 10
    residual, used = np.arange(15.0).reshape(5, 3), np.ones((5, 3), bool)
    used[0, 0] = used[1, 1] = used[2, 1] = False
    axes = np.reshape(plots.flatten_picture(image, model, x=x, y=y, residual=residual, used=used, sigma=[1e-3, 2e-3, 2e-3]).axes, (3, 4))
    for c, (name, reach, count) in enumerate((("red", 10, 4), ("green", 10, 3), ("blue", 15, 5))):
        assert axes[c, 0].get_title(loc="left") == f"{name} sky, range {reach:.1f} sigma; {count} samples used, {5 - count} not"
        dots, crosses = axes[c, 0].get_lines()
        assert dots.get_xdata().tolist() == x[used[:, c]].tolist() and crosses.get_ydata().tolist() == y[~used[:, c]].tolist()
        (points,) = axes[c, 1].collections
        np.testing.assert_array_equal(points.get_array(), residual[used[:, c], c])
        high, low = points.cmap(1.0), points.cmap(0.0)  # red: too bright
        assert high[0] > high[2] and low[2] > low[0] and points.get_clim() == (-points.get_clim()[1], points.get_clim()[1])
        before, after = (np.asarray(axes[c, i].images[0].get_array()) for i in (2, 3))
        np.testing.assert_allclose(after, 0.004, atol=1e-8)
        np.testing.assert_allclose(before, image[..., c] - np.median(model[..., c]), atol=1e-8)
        assert axes[c, 2].images[0].get_clim() == axes[c, 3].images[0].get_clim()


def test_the_worst_stars_are_those_with_most_left_over_and_come_before_and_after(kept):
    """Fifteen stars of which the k-th leaves k thousandths: the last twelve are shown, worst first, above with and below without them."""
    starless = np.full((120, 160), 0.01, np.float32)
    stars, mask = np.zeros_like(starless), np.zeros((120, 160), bool)
    for i in range(15):
        x, y = 10 + 10 * i, 8 + 7 * i
        stars[y, x], starless[y, x] = 0.3, 0.01 + 0.001 * i
        mask[y - 3 : y + 4, x - 3 : x + 4] = True
    figure = plots.split_picture(starless + stars, starless, stars, mask, black=0.0, span=0.1)
    (text,) = [t.get_text() for t in figure.texts]
    assert text.startswith("the 12 worst stars") and text.endswith("   ".join(f"{10 + 10 * i}, {8 + 7 * i}" for i in range(14, 2, -1)))
    titles = [axes.get_title(loc="left") for axes in figure.axes]
    assert titles == ["starless", "stars", "mask", "left at the stars"]
    pictures = [np.asarray(axes.images[0].get_array()) for axes in figure.axes]
    assert pictures[0].max() < 0.45 and pictures[1].max() > 0.8 and np.median(pictures[1]) == 0
    np.testing.assert_array_equal(pictures[2], mask)
    assert pictures[3][8 + 7 * 14, 10 + 10 * 14] > 0.005  # too bright is positive, and red
    rest = figure.axes[3].images[0]
    assert rest.cmap(1.0)[0] > rest.cmap(1.0)[2]
    strip = np.asarray(figure.images[0].get_array())
    middle = plots.STAR_PX // 2
    assert strip[middle, middle, 0] > strip[-middle - 1, middle, 0] + 0.3


def test_black_and_span_of_the_display():
    """asinh(12 x 4) is white: four spans above black."""
    shown = plots._show(np.array([0.0, 0.1, 0.6, 2.1, np.nan], np.float32), 0.1, 0.5)
    np.testing.assert_allclose(shown, [0, 0, np.arcsinh(12) / np.arcsinh(48), 1, 0], atol=1e-6)


def test_large_panels_are_reduced_by_means():
    stripes = np.tile(np.array([0, 1], np.float32), (4, plots.MAX_PANEL_PX))
    np.testing.assert_allclose(plots._reduced(stripes), 0.5, atol=1e-6)


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
