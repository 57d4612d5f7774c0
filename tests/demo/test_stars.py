"""The demo's stars: light, place and shape."""

import numpy as np
import pytest

from layerblend.demo.stars import draw_stars
from layerblend.maths.moffat import moffat_image


@pytest.mark.parametrize(("fwhm", "beta", "eccentricity", "angle"), [(2.2, 3.4, 0.0, 0.0), (3.0, 2.5, 0.6, 30.0), (4.5, 4.0, 0.85, 120.0)])
def test_a_star_is_the_moffat_profile_over_its_pixels(fwhm: float, beta: float, eccentricity: float, angle: float) -> None:
    image = np.zeros((81, 91), np.float32)
    draw_stars(image, [44.3], [40.6], [1e6], [fwhm], beta, eccentricity=eccentricity, angle=angle)
    exact = moffat_image((81, 91), fwhm, beta, eccentricity, angle, x=44.3, y=40.6, flux=1e6, pixel=True)
    np.testing.assert_allclose(image, exact, atol=0.01 * exact.max())
    assert image.sum() == pytest.approx(exact.sum(), rel=0.005)


def test_light_adds_up_and_stars_outside_lend_their_wings() -> None:
    one = np.zeros((40, 40), np.float32)
    both = np.zeros((40, 40), np.float32)
    draw_stars(one, [-2.0], [20.0], [1e6], [3.0], 3.0)
    draw_stars(both, [-2.0, 20.5], [20.0, 19.5], [1e6, 2e5], [3.0, 3.0], 3.0)
    assert one[:, 0].max() > 1000
    assert both.sum() - one.sum() == pytest.approx(2e5, rel=0.03)


def test_the_wings_reach_where_nothing_more_is_seen() -> None:
    image = np.zeros((301, 301), np.float32)
    draw_stars(image, [150.0], [150.0], [5e6], [2.5], 3.4)
    edge = image[150][image[150] > 0][0]
    assert 0 < edge < 0.06
