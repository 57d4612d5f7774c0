import numpy as np

from layerblend.steps.cores import repair_cores
from tests.scenes.sky import draw_stars


def test_a_clipped_star_keeps_the_colour_of_its_halo() -> None:
    light = draw_stars((61, 61), np.array([30.2]), np.array([29.7]), np.array([[5.0, 3.0, 2.0]]), (4.0, 4.0, 4.0))
    clipped = np.minimum(light, 1.0)
    fixed = repair_cores(clipped, saturated=(clipped >= 0.98).any(-1))
    core = fixed[29, 30]
    np.testing.assert_allclose(core / core[1], (5 / 3, 1, 2 / 3), rtol=0.02)
    outside = ~(clipped >= 0.98).any(-1)
    np.testing.assert_array_equal(fixed[outside], clipped[outside])


def test_nothing_clipped_nothing_changed() -> None:
    image = np.random.default_rng(0).normal(0, 1, (40, 40, 3)).astype(np.float32)
    np.testing.assert_array_equal(repair_cores(image, saturated=np.zeros((40, 40), bool)), image)
