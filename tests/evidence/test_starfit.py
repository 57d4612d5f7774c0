"""The mean star: widths against the drawn truth and its own error bar against repeats."""

import numpy as np
import pytest

from layerblend.evidence.starfit import _eccentricity_slope, fit_mean_star
from tests.scenes.stars import add_stars


def field(seed, *, fwhm=3.4, ecc=0.4, angle=30.0, beta=3.2, noise=0.003, count=49, size=420):
    rng = np.random.default_rng(seed)
    side = int(np.sqrt(count))
    x, y = (g.ravel() for g in np.meshgrid(*[np.linspace(35, size - 36, side)] * 2))
    stars = np.column_stack([x + rng.uniform(-0.5, 0.5, count), y + rng.uniform(-0.5, 0.5, count), 10 ** rng.uniform(0, 1.5, count)])
    image = np.full((size, size), 0.01)
    add_stars(image, stars, fwhm, beta, ecc, angle)
    image += rng.normal(0, noise, image.shape)
    return image.astype(np.float32), stars


def test_exact_without_noise():
    image, stars = field(1, noise=0)
    star = fit_mean_star(image, stars, fwhm=4.0)
    assert star.fwhm == pytest.approx(3.4, rel=1e-3)
    assert star.fwhm_major == pytest.approx(3.4 / (1 - 0.4**2) ** 0.25, rel=1e-3)  # fwhm_major = fwhm / (1 - e^2)^(1/4)
    assert star.eccentricity == pytest.approx(0.4, abs=2e-3)
    assert star.angle == pytest.approx(30, abs=0.3)
    assert star.beta == pytest.approx(3.2, rel=5e-3)
    assert star.good.all()


def test_gaussian_star_has_the_textbook_width():
    """FWHM = 2 sqrt(2 ln 2) sigma = 2.3548 sigma."""
    image = np.zeros((300, 300), np.float32)
    stars = []
    for i in range(4):
        for j in range(4):
            x, y = 38 + 70 * i + 0.3 * j, 38 + 70 * j + 0.2 * i
            image += np.exp(-0.5 * ((np.arange(300)[None] - x) ** 2 + (np.arange(300)[:, None] - y) ** 2) / 2.0**2).astype(np.float32)
            stars.append((x, y, 1.0))
    star = fit_mean_star(image, np.array(stars), fwhm=4.0)
    assert star.fwhm == pytest.approx(2.3548 * 2.0, rel=0.015)


def test_error_bar_matches_the_scatter_of_repeats():
    fits = [fit_mean_star(*field(seed), fwhm=4.0) for seed in range(25)]
    for value, influence in (("fwhm_major", "influence_fwhm_major"), ("eccentricity", "influence_eccentricity")):
        scatter = np.std([getattr(f, value) for f in fits], ddof=1)
        stated = np.mean([np.std(getattr(f, influence)) / np.sqrt(len(f.good)) for f in fits])
        assert 1 / 1.5 < scatter / stated < 1.5
    assert np.mean([f.fwhm_major for f in fits]) == pytest.approx(3.4 / (1 - 0.16) ** 0.25, rel=0.005)


@pytest.mark.parametrize("e", [0.2, 0.5, 0.8])
def test_eccentricity_follows_the_ratio_of_the_axes(e):
    """g = (a - b) / (a + b) and b / a = sqrt(1 - e^2): d e / d g by differences."""

    def ratio(value):
        return (1 - np.sqrt(1 - value**2)) / (1 + np.sqrt(1 - value**2))

    assert _eccentricity_slope(ratio(e)) == pytest.approx(2e-5 / (ratio(e + 1e-5) - ratio(e - 1e-5)), rel=1e-6)


def test_error_of_round_stars_stays_near_their_scatter():
    """Where noise alone makes the ellipse, its slope has no end: it is taken at the size of the error."""
    fits = [fit_mean_star(*field(seed, ecc=0.0, noise=0.01), fwhm=4.0) for seed in range(12)]
    stated = np.array([np.std(f.influence_eccentricity) / np.sqrt(len(f.good)) for f in fits])
    assert 1 / 1.6 < np.std([f.eccentricity for f in fits], ddof=1) / stated.mean() < 1.6
    assert stated.max() < 2 * np.median(stated)  # also of the one that came out round by chance


def test_stars_set_aside_neither_help_nor_harm_the_error_bar():
    """Five of 49 stars have a neighbour; the error is that of a fit to the others alone."""
    image, stars = field(9, noise=0.004)
    image = image.astype(float)
    add_stars(image, np.column_stack([stars[::10, 0] + 4, stars[::10, 1] - 2, 0.9 * stars[::10, 2]]), 3.4, 3.2, 0.4, 30.0)
    every = fit_mean_star(image.astype(np.float32), stars, fwhm=4.0)
    assert not every.good[::10].any() and (~every.good).sum() <= 8
    alone = fit_mean_star(image.astype(np.float32), stars[every.good], fwhm=4.0)
    for name in ("influence_fwhm_major", "influence_eccentricity"):
        errors = [np.std(getattr(f, name)) / np.sqrt(len(f.good)) for f in (every, alone)]
        assert errors[0] == pytest.approx(errors[1], rel=0.03)


def test_a_double_star_is_set_aside():
    image, stars = field(3)
    extra = np.array([[stars[5, 0] + 3.0, stars[5, 1] + 1.0, stars[5, 2] * 0.5]])
    image = image.astype(float)
    add_stars(image, extra, 3.4, 3.2, 0.4, 30.0)
    star = fit_mean_star(image.astype(np.float32), stars, fwhm=4.0)
    assert not star.good[5]
    assert star.good.sum() >= len(stars) - 4
    assert star.fwhm_major == pytest.approx(3.4 / (1 - 0.16) ** 0.25, rel=0.01)


def test_places_may_be_off_by_a_pixel_and_data_may_be_missing():
    image, stars = field(4, noise=0)
    image[:40, :40] = np.nan
    moved = stars + np.array([0.6, -0.6, 0])
    star = fit_mean_star(image, moved, fwhm=4.0)
    assert star.fwhm == pytest.approx(3.4, rel=2e-3)


def test_undersampled_stars():
    image, stars = field(5, fwhm=1.5, ecc=0.0, noise=0.001)
    star = fit_mean_star(image, stars, fwhm=2.0)
    assert star.fwhm == pytest.approx(1.5, rel=0.02)


@pytest.mark.parametrize("seed", [6, 7, 8])
def test_where_the_stars_were_taken_out_none_is_good(seed):
    stars = field(seed)[1]
    starless = np.full((420, 420), 0.01, np.float32)
    starless[::7] += np.float32(1e-3)
    star = fit_mean_star(starless, stars, fwhm=4.0)
    assert not star.good.any()
    assert not star.influence_fwhm_major.any()
