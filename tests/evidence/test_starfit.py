"""The mean star: widths against the drawn truth and its own error bar against repeats."""

import numpy as np
import pytest

from layerblend.evidence.starfit import fit_mean_star
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
