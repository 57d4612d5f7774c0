import json
from types import SimpleNamespace

import numpy as np
import pytest

from layerblend.files import stacks
from layerblend.stacking import build_stacks, read_report, report
from layerblend.stacking.journal import Band
from tests.scenes.frames import simulate, true_table, write_frames
from tests.stacking.conftest import SPECS


def test_report(table, built):
    found = read_report(built[0])
    assert [facts["name"] for facts in found.stacks] == list(SPECS)
    noise = {facts["name"]: facts["noise"] for facts in found.stacks}
    assert noise["best25"] > noise["best50"] > noise["all"]
    depth = [facts["depth_mag"] for facts in found.stacks[:3]]
    assert depth == sorted(depth)
    assert depth[2] - depth[0] == pytest.approx(2.5 * np.log10(np.sqrt(12 / 3)), abs=0.15)  # noise falls with the root of the frames
    assert found.stacks[2]["hours"] == pytest.approx(0.2)
    width = {facts["name"]: facts["fwhm_major"] for facts in found.stacks}
    assert table[0].fwhm_major < width["best25"] < width["deep"] < width["all"] < table[11].fwhm_major
    assert [frame["file"] for frame in found.frames] == [row.file for row in table]
    assert found.lost.shape == (12, 2, 2)
    assert any("best25 holds only 3 of 12 frames" in text for text in found.words)
    json.loads((built[0] / "stacking.json").read_text())


def test_rejected_shares_are_of_each_frames_own_samples(scene, table, built):
    """Times the samples that the frames have, borders left out, they make up all that the map of rejected samples counts."""
    found = read_report(built[0])
    samples = np.isfinite(scene.frames).sum((1, 2, 3))
    assert samples.min() < 0.95 * samples.max()
    shares = np.array([frame["rejected"] for frame in found.frames])
    rejected = stacks.open_stack(built[1]["all"]).rejected
    assert np.dot(shares, samples) == pytest.approx(rejected.sum(dtype=float), rel=1e-4)
    spoilt = scene.spoilt.mean((1, 2))
    trails = spoilt > 0.01
    assert 0 < trails.sum() < 12 and shares[trails].min() > 5 * shares[~trails].max()


def test_a_frame_of_which_much_was_rejected_is_named(tmp_path):
    """Light over three tenths of one frame, over a tenth of another."""
    scene = simulate(10, shape=(80, 100), seed=5, stars=0, galaxy=0, transparency=1.0, fwhm=(3.0, 3.1))
    scene.frames[4, :, 20:50] += 20 * scene.sigma[4]
    scene.frames[7, :, 80:90] += 20 * scene.sigma[7]
    write_frames(scene, tmp_path / "f")
    build_stacks(true_table(scene), {"all": 1.0}, folder=tmp_path / "out", match_brightness=False)
    found = read_report(tmp_path / "out")
    (words,) = [text for text in found.words if "rejected" in text]
    assert words.startswith("frame004.fits: 30% of its samples were rejected")
    assert {frame["file"]: round(frame["rejected"], 2) for frame in found.frames}["frame007.fits"] == 0.1


def test_frames_without_an_exposure_time_count_nothing():
    assert report.exposure([SimpleNamespace(exposure_s=s) for s in (60.0, float("nan"), 30.0)]) == 90


def test_depth_is_told_against_the_reference_frame(table, built):
    """2.5 lg of the noise of that frame over the noise of the weighted mean."""
    found = read_report(built[0])
    noise = {frame["file"]: frame["noise"] for frame in found.frames}
    weights = np.array(stacks.open_stack(built[1]["all"]).weights)
    mean = np.sqrt(sum((w * noise[row.file]) ** 2 for w, row in zip(weights, table, strict=True))) / weights.sum()
    assert found.stacks[2]["depth_mag"] == pytest.approx(2.5 * np.log10(noise[found.reference] / mean), abs=1e-4)


def test_expected_width_of_equal_frames_is_their_own():
    assert report.expected_width(np.full(5, 3.3), np.ones(5)) == pytest.approx(3.3)


def test_expected_width_is_where_the_mean_star_has_half_its_height():
    """Moffats of beta 3 and equal flux: (2 / a^2) (1 + r^2 / a^2)^-3, a = FWHM / 2 / sqrt(2^(1/3) - 1) (Moffat 1969)."""
    widths, weights = np.array([2.0, 4.0, np.nan]), np.array([1.0, 3.0, 9.0])
    a = widths[:2] / 2 / np.sqrt(2 ** (1 / 3) - 1)
    half = report.expected_width(widths, weights) / 2
    middle, there = ((weights[:2] / a**2 * (1 + r**2 / a**2) ** -3).sum() for r in (0.0, half))
    assert there == pytest.approx(middle / 2, rel=1e-6)


def test_lost_samples_are_shares_of_squares_of_64_px():
    """Bands of 32 rows of a picture of 100 x 70 px: two to a square, the last one ends after 4 of its rows; 6 columns are left over."""
    order = SimpleNamespace(height=100, width=70, channels=2, bitpix=np.zeros(1))
    done = {number: Band(number, (), np.array([[128, 12]], np.int32)) for number in range(4)}
    squares = 2 * np.array([[64 * 64, 64 * 6], [36 * 64, 36 * 6]])
    np.testing.assert_allclose(report._lost_shares(order, done)[0], np.array([[256, 24], [256, 24]]) / squares, rtol=1e-6)


def test_half_noise_is_the_noise_of_the_mean():
    """Halves of noise s sqrt(2) differ by 2 s, half of that is the noise s of their mean; Y of three channels has sqrt(6)/4 of it."""
    from layerblend.kinds import Stack

    rng = np.random.default_rng(0)
    a, b = (rng.normal(0, np.sqrt(2), (400, 300, 3)).astype(np.float32) for _ in range(2))
    a[:50] = np.nan
    assert report.half_noise(Stack(mean=a, halves=(a, b)), every=1) == pytest.approx(np.sqrt(6) / 4, rel=0.02)
    assert np.isnan(report.half_noise(Stack(mean=a)))
