"""The filter and its tiles."""

import numpy as np
import pytest

from layerblend.maths.moffat import moffat_image, moffat_otf
from layerblend.steps.detail import filter as filter_module
from layerblend.steps.detail.filter import NARROWEST, filter_plane, make_sharpener, narrowing
from tests.scenes.stars import varying_star


def test_one_star_image_is_one_filter_and_a_varying_one_a_lattice() -> None:
    shape = (600, 800)
    assert len(make_sharpener(varying_star(4, shape, slope=0.03), shape, 0.5).tiles) == 1
    lattice = make_sharpener(varying_star(4, shape, slope=0.15), shape, 0.5).tiles
    assert len(lattice) > 2
    assert lattice[0][0].fwhm < lattice[0][-1].fwhm


def test_tiles_join_without_seams() -> None:
    # the same smooth picture through a lattice of nearly equal star images and through one
    rng = np.random.default_rng(4)
    shape = (512, 640)
    picture = rng.standard_normal(shape).astype(np.float32)
    one = filter_plane(picture, make_sharpener(varying_star(4, shape), shape, 0.5))
    varying = make_sharpener(varying_star(4, shape, slope=0.12), shape, 0.5)
    assert len(varying.tiles) > 1
    alike = type(varying)(tuple(tuple(varying_star(4, shape).centre for _ in row) for row in varying.tiles), varying.ratio)
    np.testing.assert_allclose(filter_plane(picture, alike), one, atol=0.02)
    out = filter_plane(picture, varying)
    steps = np.abs(np.diff(out, axis=1)).mean(0)
    assert steps.max() < 1.35 * np.median(steps)


@pytest.mark.parametrize("upright", [False, True])
def test_every_tile_has_the_filter_of_its_own_star_image(upright: bool) -> None:
    """Stars as wide as they are measured at their places, from 3.2 to 5 px, come out as the one filter of their place makes them."""
    size, places = (256, 768), [(96, 120), (384, 130), (672, 125)]
    star = varying_star(4.0, size, slope=0.3)
    if upright:
        size, places = size[::-1], [place[::-1] for place in places]
        star = varying_star(4.0, size)
        star.terms[0, 2] = 0.3
    image = np.zeros(size, np.float32)
    for x, y in places:
        here = star.at(x, y)
        image += moffat_image(size, here.fwhm, here.beta, x=x, y=y)
    many = make_sharpener(star, size, 0.5)
    out = filter_plane(image, many)
    for x, y in places:
        near = np.s_[y - 12 : y + 13, x - 12 : x + 13]
        own = filter_plane(image, type(many)(((star.at(x, y),),), many.ratio))[near]
        assert np.abs(out[near] - own).max() < 0.03 * own.max()


@pytest.mark.parametrize("turned", [False, True])
def test_an_elongated_star_image_becomes_round(turned: bool) -> None:
    star = varying_star(4.0, (161, 161), e1=0.15)
    if turned:  # by 45 degrees, looked at along the diagonals
        star.terms[1:, 0] = star.terms[2:0:-1, 0].copy()
    shape = star.centre
    assert shape.angle == pytest.approx(45 if turned else 0)
    image = moffat_image((161, 161), shape.fwhm, shape.beta, shape.eccentricity, shape.angle)
    out = filter_plane(image, make_sharpener(star, image.shape, 0.5))
    yy, xx = np.mgrid[:161, :161] - 80.0
    if turned:
        xx, yy = (xx + yy) / np.sqrt(2), (yy - xx) / np.sqrt(2)

    def widths(plane: np.ndarray) -> tuple[float, float]:
        core = plane * np.exp(-(xx**2 + yy**2) / (2 * 3.0**2))
        return float(np.sqrt((core * xx**2).sum() / core.sum())), float(np.sqrt((core * yy**2).sum() / core.sum()))

    before, after = widths(image), widths(out)
    assert before[0] / before[1] > 1.2
    assert after[0] / after[1] < 1.07
    assert after[0] < 0.85 * before[0]
    assert out.sum() == pytest.approx(image.sum(), rel=1e-3)


def test_a_long_star_image_is_aimed_at_no_less_than_its_longer_axis_allows() -> None:
    """At full strength .55 of that axis: what the filter makes of it is what it makes of a round one of that width."""
    size, long = (256, 256), varying_star(4.0, (256, 256), e1=0.2).centre
    wide = long._replace(fwhm=long.fwhm_major, eccentricity=0.0)
    assert long.fwhm_major > 1.2 * long.fwhm
    made = [
        filter_module._transfer(size, star, 0.55) * moffat_otf(size, 0.95 * star.fwhm, star.beta, star.eccentricity, star.angle)
        for star in (long, wide)
    ]
    seen = made[1] > 0.7  # where damping is not felt
    assert seen.mean() > 0.02
    np.testing.assert_allclose(made[0][seen], made[1][seen], atol=0.01)


@pytest.mark.parametrize("sharp", [3.6, 4.0, 4.3])
def test_a_sharper_star_image_keeps_its_lead(sharp: float) -> None:
    # contrast at .125 cycles/px of two star images before and after: the lead of the sharper one, as logarithms
    wide, size = 4.4, 256

    def contrast(fwhm: float, reference: float | None) -> tuple[float, float]:
        star = varying_star(fwhm, (size, size))
        image = moffat_image((size, size), fwhm, star.beta, 0.0, 0.0).astype(np.float32)
        made = filter_plane(image, make_sharpener(star, image.shape, 0.5, reference))
        before, after = (np.abs(np.fft.rfft2(plane))[0, size // 8] for plane in (image, made))
        return before, after

    lead, kept = np.log(np.divide(contrast(sharp, wide), contrast(wide, wide)))
    assert kept == pytest.approx(lead, rel=0.25)  # widths of Moffats add in quadrature nearly
    assert np.log(contrast(sharp, None)[1] / contrast(wide, None)[1]) < 0.7 * lead


def test_narrowing_of_the_reference_itself_and_its_limits() -> None:
    assert narrowing(4.0, 0.5) == narrowing(4.0, 0.5, 4.0) == narrowing(4.0, 0.5, 3.0) == pytest.approx(0.7)
    assert narrowing(4.0, 0.0, 9.0) == 1
    assert narrowing(2.5, 0.5, 9.0) == narrowing(4.0, 1.0) == NARROWEST
    assert narrowing(4.0, 0.5, 4.2) == pytest.approx(np.sqrt(1 - 0.51 * 1.05**2))
