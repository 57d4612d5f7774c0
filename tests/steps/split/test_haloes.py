"""Wide light of bright stars."""

from __future__ import annotations

import numpy as np
import pytest

from layerblend.maths.noise_line import Noise
from layerblend.steps.split import haloes
from layerblend.steps.split.haloes import WIDTHS, draw_haloes, fit_haloes, together
from layerblend.steps.split.model import StarImage

IMAGE = StarImage.moffat(3.0)


def test_halo_on_sky_is_found() -> None:
    rng = np.random.default_rng(4)
    plane = rng.normal(0, 1e-4, (500, 500)).astype(np.float32)
    geo = np.array([[150.0, 240.0, np.log(4.0), 0, 0, 0, 0], [360.0, 250.0, np.log(4.0), 0, 0, 0, 0]])
    light = np.zeros((2, len(WIDTHS)))
    light[:, 4] = 0.02, 0.01
    truth = draw_haloes(plane.shape, geo, light, 4.0, 1e-4)
    plane += truth
    good = np.ones(plane.shape, bool)
    haloes, halo = fit_haloes(
        plane, np.zeros_like(plane), good, Noise(1e-8, 0.0), geo, np.array([8.0, 4.0]), np.array([6.0, 5.0]), 4.0, IMAGE
    )
    off = np.abs(halo - truth) / 1e-4
    for x, y in geo[:, :2]:
        yy, xx = np.mgrid[:500, :500]
        r = np.hypot(xx - x, yy - y)
        assert np.median(off[(r > 12) & (r < 60)]) < 1.0
    assert len(haloes.index) == 2


def test_no_bright_star_no_halo() -> None:
    plane = np.zeros((64, 64), np.float32)
    none = np.zeros(0)
    haloes, halo = fit_haloes(plane, plane, plane == 0, Noise(1e-8, 0.0), np.zeros((0, 7)), none, none, 4.0, IMAGE)
    assert len(haloes.index) == 0 and not halo.any()


def test_ground_is_no_halo() -> None:
    """A hill round a star, alike over neighbouring rings but lopsided, must not become a halo common to all stars."""
    rng = np.random.default_rng(5)
    plane = rng.normal(0, 1e-4, (400, 400)).astype(np.float32)
    yy, xx = np.mgrid[:400, :400]
    plane += (0.004 * np.exp(-0.5 * ((xx - 115) ** 2 + (1.5 * (yy - 190)) ** 2) / 40**2)).astype(np.float32)
    geo = np.array(
        [[100.0, 200.0, np.log(4.0), 0, 0, 0, 0], [300.0, 90.0, np.log(4.0), 0, 0, 0, 0], [310.0, 310.0, np.log(4.0), 0, 0, 0, 0]]
    )
    good = np.ones(plane.shape, bool)
    none = np.zeros_like(plane)
    _, halo = fit_haloes(plane, none, good, Noise(1e-8, 0.0), geo, np.array([1.0, 0.5, 0.5]), np.array([5.0, 4.0, 4.0]), 4.0, IMAGE)
    for x, y in geo[1:, :2]:
        r = np.hypot(xx - x, yy - y)
        assert np.median(np.abs(halo[(r > 12) & (r < 60)])) < 1e-4
    r = np.hypot(xx - 100, yy - 200)
    assert np.median(halo[(r > 12) & (r < 60)]) < 0.25 * np.median(plane[(r > 12) & (r < 60)])


def test_close_clipped_stars_share_one_halo() -> None:
    """Fitted apart, each in turn would be given the light of both."""
    rng = np.random.default_rng(6)
    plane = rng.normal(0, 1e-4, (400, 400)).astype(np.float32)
    geo = np.array([[200.0, 200.0, np.log(4.0), 0, 0, 0, 0], [207.0, 203.0, np.log(4.0), 0, 0, 0, 0]])
    light = np.zeros((2, len(WIDTHS)))
    light[:, 6] = 0.02, 0.01
    truth = draw_haloes(plane.shape, geo, light, 4.0, 1e-4)
    plane += truth
    good, none = np.ones(plane.shape, bool), np.zeros_like(plane)
    haloes, halo = fit_haloes(plane, none, good, Noise(1e-8, 0.0), geo, np.array([2.0, 1.0]), np.array([5.0, 4.0]), 4.0, IMAGE)
    yy, xx = np.mgrid[:400, :400]
    r = np.hypot(xx - 203, yy - 201)
    assert np.median(np.abs(halo - truth)[(r > 14) & (r < 60)]) < 1e-4
    np.testing.assert_allclose(haloes.light[0], 2 * haloes.light[1])


def test_only_clipped_cores_that_touch_are_one_light() -> None:
    """Two clipped stars with 1 px between their rims, a third far off, and two near stars that show which light is whose."""
    geo, blob = np.zeros((5, 7)), np.array([5.0, 4.0, 5.0, 0.0, 0.0])
    geo[:, 0], geo[:, 1] = (100.0, 110.0, 200.0, 300.0, 302.0), 50.0
    peak = np.array([3.0, 1.0, 2.0, 1.0, 1.0])
    home, x, y, top, hidden = together(geo, peak, blob, 4.0)
    assert home[0] == home[1] and len(set(home.tolist())) == 4
    np.testing.assert_allclose(top[home], [4, 4, 2, 1, 1])
    np.testing.assert_allclose([x[home[0]], y[home[0]]], [102.5, 50])  # the middle of the light
    np.testing.assert_allclose(hidden[home], [11.5, 11.5, 5, 0, 0])  # out to the rim of the farther one


def test_stars_too_many_to_be_read_have_the_common_halo() -> None:
    """Of 130 like stars on quiet sky all have the halo that they have in common, the ten that were not looked at as well."""
    rng = np.random.default_rng(7)
    geo = np.zeros((130, 7))
    geo[:, :2] = [(40 + 70 * (k % 12), 40 + 70 * (k // 12)) for k in range(130)]
    geo[:, 2] = np.log(4.0)
    peak, light = np.linspace(1.3, 1.0, 130), np.zeros((130, len(WIDTHS)))
    light[:, 4] = 0.01 * peak
    shape = (820, 900)
    truth = draw_haloes(shape, geo, light, 4.0, 1e-4)
    plane = (truth + rng.normal(0, 1e-4, shape)).astype(np.float32)
    none, good = np.zeros_like(plane), np.ones(shape, bool)
    haloes, halo = fit_haloes(plane, none, good, Noise(1e-8, 0.0), geo, peak, np.zeros(130), 4.0, IMAGE, repeats=1)
    assert len(haloes.index) == 130
    last = np.hypot(*(np.mgrid[:820, :900] - geo[-1, [1, 0], None, None])) < 20
    assert abs(halo[last].mean() / truth[last].mean() - 1) < 0.2


@pytest.mark.parametrize(("width", "share"), [(6, 2e-3), (11, 2e-4)])
def test_wide_halo_is_found_and_a_galaxys_halo_is_none(width: int, share: float) -> None:
    """Six bright stars round a galaxy whose halo fills the picture: none of it is common to the stars; a halo as wide as that is."""
    rng = np.random.default_rng(1)
    yy, xx = np.mgrid[:600, :600]
    plane = rng.normal(0, 1e-4, xx.shape) + 5e-4 * np.exp(-np.hypot(xx - 300, yy - 290) / 150)
    geo = np.zeros((6, 7))
    geo[:, :2] = (270, 320), (340, 250), (150, 420), (480, 160), (420, 480), (110, 110)
    geo[:, 2] = np.log(4.0)
    peak = np.array([20.0, 15.0, 6.0, 5.0, 3.0, 2.0])
    light = np.zeros((6, len(WIDTHS)))
    light[:, width] = share * peak
    truth = draw_haloes(xx.shape, geo, light, 4.0, 1e-4)
    plane = (plane + truth).astype(np.float32)
    good, none = np.ones(plane.shape, bool), np.zeros_like(plane)
    _, halo = fit_haloes(plane, none, good, Noise(1e-8, 0.0), geo, peak, np.full(6, 6.0), 4.0, IMAGE)
    assert np.median(np.abs(halo - truth)) < 0.35e-4


@pytest.mark.parametrize("beyond", np.arange(-80.0, 1.0, 1.3))
def test_a_star_beyond_the_edge_lights_no_pixel_that_it_does_not_reach(beyond: float) -> None:
    """Against the same star on a wider picture: a pixel outside its reach once held what lay behind the profile in memory."""
    light, margin = np.full((4, len(WIDTHS)), 0.002), 100
    geo = np.zeros((4, 7))
    geo[:, 0], geo[:, 1] = (beyond, 60 - beyond, 30.0, 30.4), (25.0, 25.3, beyond, 50 - beyond)
    part = draw_haloes((50, 60), geo, light, 2.0, 0.05)
    geo[:, :2] += margin
    whole = draw_haloes((50 + 2 * margin, 60 + 2 * margin), geo, light, 2.0, 0.05)
    np.testing.assert_allclose(part, whole[margin : margin + 50, margin : margin + 60], rtol=1e-4, atol=1e-6)


@pytest.mark.parametrize(("clipped", "times"), [(2, 6.0), (3, 1.0)])
def test_few_clipped_stars_teach_less_where_the_ground_is_uneven(clipped: int, times: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """The middle of a galaxy taught its own light as the halo of all stars; three clipped stars correct each other."""
    told: dict[str, list[np.ndarray]] = {"all": [], "one": []}
    common, own = haloes._common_sum, haloes._own_sum
    monkeypatch.setattr(haloes, "_common_sum", lambda stars: told["all"].extend(s.ground for s in stars) or common(stars))
    monkeypatch.setattr(haloes, "_own_sum", lambda star, sum_: told["one"].append(star.ground) or own(star, sum_))
    rng = np.random.default_rng(6)
    geo = np.zeros((clipped, 7))
    geo[:, :2], geo[:, 2] = np.array([[110.0, 110.0], [310.0, 110.0], [120.0, 310.0]])[:clipped], np.log(4.0)
    yy, xx = np.mgrid[:400, :400] - 110.0
    plane = (rng.normal(0, 1e-4, (400, 400)) + 0.02 * np.exp(-np.hypot(xx, yy / 0.5) / 40)).astype(np.float32)
    good, none = np.ones(plane.shape, bool), np.zeros_like(plane)
    fit_haloes(plane, none, good, Noise(1e-8, 0.0), geo, np.full(clipped, 1.0), np.full(clipped, 5.0), 4.0, IMAGE, repeats=1)
    # in the outermost ring nothing is left of what the star image may hide
    for taught, shown in zip(told["all"], told["one"], strict=True):
        np.testing.assert_allclose(taught[-1, -1], times**2 * shown[-1, -1], rtol=1e-3)


def test_ground_without_noise_is_no_reason_to_stop() -> None:
    """Pictures in coarse steps: what a ring errs by itself is lost in the ground's rounding, and the matrix was not positive definite."""
    radii = np.geomspace(8.0, 80.0, 17)
    basis = haloes.halo_basis(radii, 4.0)
    value, error, ground = 0.02 * basis[:, 5], np.geomspace(1e-5, 5e-11, 17), np.r_[np.full(9, 0.01), np.zeros(8)]
    (star,) = haloes._shown(value[None], error[None], ground[None], np.zeros((1, 17)), radii[None], basis[None])
    rows, right = star.whitened()
    wanted = np.zeros(len(WIDTHS))
    wanted[5] = 0.02
    np.testing.assert_allclose(rows @ wanted, right, atol=1e-6 * np.abs(right).max())
