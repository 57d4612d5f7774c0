"""Star fields and a drawn stack that the tests of detail share."""

import pytest

from layerblend.kinds import working_luminance
from tests.benchmarks.picture import luminance_sigma, round_star
from tests.scenes.picture import Scene, draw_scene


@pytest.fixture(scope="package")
def scene() -> Scene:
    return draw_scene(3, size=384, stacks=("deep",))


@pytest.fixture(scope="package")
def stack(scene: Scene):
    drawn = scene.stacks["deep"]
    return (
        working_luminance(drawn.image),
        luminance_sigma(drawn),
        working_luminance(drawn.half_difference),
        round_star(drawn.fwhm, drawn.beta, drawn.image.shape[:2]),
    )
