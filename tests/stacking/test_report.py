import json

import numpy as np
import pytest

from layerblend.stacking import read_report, report
from tests.stacking.conftest import SPECS


def test_report(table, built):
    found = read_report(built[0])
    assert [facts["name"] for facts in found.stacks] == list(SPECS)
    noise = {facts["name"]: facts["noise"] for facts in found.stacks}
    assert noise["best25"] > noise["best50"] > noise["all"]
    depth = [facts["depth_mag"] for facts in found.stacks[:3]]
    assert depth == sorted(depth)
    assert found.stacks[2]["hours"] == pytest.approx(0.2)
    width = {facts["name"]: facts["fwhm_major"] for facts in found.stacks}
    assert table[0].fwhm_major < width["best25"] < width["deep"] < width["all"] < table[11].fwhm_major
    assert [frame["file"] for frame in found.frames] == [row.file for row in table]
    assert found.lost.shape == (12, 2, 2)
    assert any("best25 holds only 3 of 12 frames" in text for text in found.words)
    json.loads((built[0] / "stacking.json").read_text())


def test_expected_width_of_equal_frames_is_their_own():
    assert report.expected_width(np.full(5, 3.3), np.ones(5)) == pytest.approx(3.3)
    assert 2.0 < report.expected_width(np.array([2.0, 4.0]), np.ones(2)) < 3.0


def test_half_noise_is_the_noise_of_the_mean():
    """Halves of noise s sqrt(2) differ by 2 s, half of that is the noise s of their mean; Y of three channels has sqrt(6)/4 of it."""
    from layerblend.kinds import Stack

    rng = np.random.default_rng(0)
    a, b = (rng.normal(0, np.sqrt(2), (400, 300, 3)).astype(np.float32) for _ in range(2))
    a[:50] = np.nan
    assert report.half_noise(Stack(mean=a, halves=(a, b)), every=1) == pytest.approx(np.sqrt(6) / 4, rel=0.02)
    assert np.isnan(report.half_noise(Stack(mean=a)))
