"""Rows in matched light, saturated shares, the noise of a frame."""

from dataclasses import replace

import numpy as np
import pytest

from layerblend.steps.stack.rows import matched_rows, noise_floor, saturated_share
from tests.scenes.rows import NO_GAPS, F, make_case, run


def test_saturation_is_a_share_of_the_frames_that_cover_a_pixel():
    raw, order, gaps, _ = make_case(1, counts=(3, 13))
    adu = raw.view(">i2").astype(int) + 32768
    out, bits = run(raw, order, gaps)
    cover = (out.count.astype(int) + out.rejected).reshape(2, -1)
    share = saturated_share(bits, cover, order.counts)
    for p, n in enumerate(order.counts):
        np.testing.assert_allclose(share[p], (adu[:n] >= 0.98 * 65535).mean(0), rtol=1e-6)


def test_noise_floor_is_the_noise_of_one_frame():
    rng = np.random.default_rng(1)
    noise = rng.uniform(0.5, 2, 40)
    values = (1000 + rng.normal(0, 5, (40, 4000)) * noise[:, None]).astype(F)
    values[:, ::7] += 3000
    assert noise_floor(values, noise) == pytest.approx(5, rel=0.02)
    assert np.isnan(noise_floor(values[:1], noise[:1]))


def test_the_skys_surface_is_taken_away_where_it_lies() -> None:
    """Against the formula, from a file row in the middle; a plane is a surface that does not bend."""
    order = make_case(1, n=3, counts=(3,), bitpix=-32, rows=4, width=50)[1]
    order = replace(order, height=20, planes=np.random.default_rng(1).normal(0, 1e-2, (3, 1, 15)))
    v, u = np.meshgrid(np.linspace(-1, 1, 20)[7:11], np.linspace(-1, 1, 50), indexing="ij")
    terms = [1 + 0 * u, u, v, u**2, u * v, v**2, u**3, u**2 * v, u * v**2, v**3, u**4, u**3 * v, u**2 * v**2, u * v**3, v**4]
    raw = np.zeros((3, 4 * 50 * 4), np.uint8)
    for planes in (order.planes, order.planes[..., :6], order.planes[..., :3]):
        found = matched_rows(replace(order, planes=planes), 0, np.arange(3), raw, 7, gaps=NO_GAPS)
        np.testing.assert_allclose(found, -np.tensordot(planes[:, 0], np.stack(terms[: planes.shape[2]]), 1), atol=1e-7)


def test_matched_rows_are_the_values_that_are_combined():
    raw, order, gaps, values = make_case(6, missing=1)
    chosen = np.array([0, 3, 8, 12])
    got = matched_rows(order, 0, chosen, raw[chosen], 0, gaps=gaps)
    np.testing.assert_array_equal(got.reshape(4, -1), values[chosen])
