import numpy as np
import pytest

from layerblend.maths import crowd
from layerblend.maths.moffat import moffat_image
from layerblend.maths.stars import GOOD, NO_DATA, Candidates
from tests.scenes.stars import add_stars

FWHM, BETA = 3.6, 3.0
ROUND = {"fwhm": FWHM, "e1": 0.0, "e2": 0.0, "beta": BETA}


def candidates(catalogue):
    x, y = np.rint(catalogue[:, :2]).T
    return Candidates(x, y, catalogue[:, 2], 1e-4)


def field(catalogue, shape=(120, 150)):
    plane = np.zeros(shape)
    add_stars(plane, catalogue, FWHM, BETA)
    return plane.astype(np.float32), np.full(shape, GOOD, np.uint8)


def test_a_star_stands_alone_as_if_it_were():
    catalogue = np.array([[60.3, 50.2, 2.0], [68.1, 53.4, 1.0], [52.9, 44.0, 0.5], [90.0, 50.0, 3.0]])
    above, codes = field(catalogue)
    alone = crowd.cut_out_alone(above, codes, candidates(catalogue), np.array([0]), **ROUND)
    side = alone.plane.shape[1]
    expected = moffat_image((side, side), FWHM, BETA, x=60.3 - alone.left[0], y=50.2 - alone.top[0], flux=2.0)
    assert np.abs(alone.plane - expected).max() < 0.01 * expected.max()
    crowded = above[alone.top[0] : alone.top[0] + side, alone.left[0] : alone.left[0] + side]
    assert np.abs(crowded - expected).max() > 0.4 * expected.max()


def test_places_lead_back_to_the_frame_and_squares_end_at_its_rim():
    catalogue = np.array([[5.0, 6.0, 1.0], [100.0, 80.0, 1.0]])
    above, codes = field(catalogue)
    codes[80, 104] = NO_DATA
    alone = crowd.cut_out_alone(above, codes, candidates(catalogue), np.array([1, 0]), **ROUND)
    np.testing.assert_allclose(np.column_stack([alone.x + alone.left, alone.y + alone.top]), catalogue[::-1, :2], atol=0.05)
    assert alone.codes[int(alone.y[0] + 0.5), int(alone.x[0] + 4.5)] == NO_DATA
    side = alone.plane.shape[1]
    second = alone.codes[side:]
    assert (second[:, : -alone.left[1]] == NO_DATA).all() and (second[-alone.left[1] :, -alone.left[1] :] == GOOD).any()
    assert alone.plane[round(alone.y[1]), round(alone.x[1])] == above[6, 5]


def test_heights_of_a_close_pair_are_solved_together():
    catalogue = np.array([[40.0, 40.0, 2.0], [44.0, 40.0, 1.0]])
    above, _ = field(catalogue)
    heights = crowd._joint_heights(above, *catalogue[:, :2].T.copy(), FWHM, BETA)
    assert heights[0] / heights[1] == pytest.approx(2, rel=0.01)
    peak = moffat_image((81, 81), FWHM, BETA, flux=2.0).max()
    assert heights[0] == pytest.approx(peak, rel=0.03)


@pytest.mark.parametrize(("share", "error"), [(0.3, 0.02), (0.0, 0.002)])
def test_a_neighbour_hidden_beside_another_is_found_and_taken_away_too(share, error):
    """One width from a brighter neighbour a star makes no top of its own; left standing it adds a sixth to the chosen star's light.

    Without it nothing is found: what the star image leaves of stars that it fits is no neighbour.
    """
    catalogue = np.array([[60.3, 50.2, 2.0], [70.4, 53.1, 2.0], [70.4 - 0.8 * FWHM, 53.1 - 0.6 * FWHM, 2.0 * share]])
    above, codes = field(catalogue)
    above += np.random.default_rng(3).normal(0, 1e-4, above.shape).astype(np.float32)
    alone = crowd.cut_out_alone(above, codes, candidates(catalogue[:2]), np.array([0]), **ROUND)
    side = alone.plane.shape[1]
    expected = moffat_image((side, side), FWHM, BETA, x=60.3 - alone.left[0], y=50.2 - alone.top[0], flux=2.0)
    y, x = np.mgrid[:side, :side]
    circle = np.hypot(y - alone.y[0], x - alone.x[0]) < 2.2 * FWHM
    assert alone.plane[circle].sum() == pytest.approx(expected[circle].sum(), rel=error)


def test_neighbours_are_counted():
    far = np.array([[10.0, 10, 1], [140, 110, 1]])
    near = np.array([[60.0, 60, 1], [70, 60, 1], [60, 72, 1]])
    assert crowd.neighbours(candidates(far), np.array([0, 1]), FWHM) == 0
    assert crowd.neighbours(candidates(near), np.array([0]), FWHM) == 2
