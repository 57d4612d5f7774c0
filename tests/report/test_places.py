"""Places worth seeing."""

import numpy as np
import pytest

from layerblend.kinds import Ellipse
from layerblend.report.places import choose_places


def picture(height=300, width=400):
    y, x = np.mgrid[:height, :width]
    glow = np.exp(-np.hypot(x - 150, y - 140) / 40)
    return (0.12 + 0.6 * np.repeat(glow[..., None], 3, 2)).astype(np.float32)


def test_places_lie_where_they_should():
    image = picture()
    target = Ellipse(150, 140, 90, 80).mask(300, 400)
    stars = np.array([[150.0, 140.0, 900.0], [350.0, 250.0, 500.0], [20.0, 280.0, 100.0]])
    places = choose_places(image, target=target, stars=stars, width=80, height=60)
    assert list(places) == ["core", "arms", "outskirts", "sky", "bright star"]
    x0, y0, x1, y1 = places["core"]
    assert x0 < 150 < x1 and y0 < 140 < y1
    x0, y0, x1, y1 = places["bright star"]
    assert x0 < 350 < x1 and y0 < 250 < y1
    x0, y0, x1, y1 = places["sky"]
    assert not target[y0:y1, x0:x1].any()


@pytest.mark.parametrize("shape", [(40, 50), (300, 400)])
def test_boxes_fit_and_have_one_size(shape):
    for x0, y0, x1, y1 in choose_places(picture(*shape), width=120, height=90).values():
        assert 0 <= x0 < x1 <= shape[1] and 0 <= y0 < y1 <= shape[0]
        assert (x1 - x0, y1 - y0) == (min(120, shape[1]), min(90, shape[0]))


def test_a_large_picture_is_searched_coarsely_and_shows_the_same_places():
    target = Ellipse(150, 140, 90, 80).mask(300, 400)
    small = choose_places(picture(), target=target, width=80, height=60)
    large = choose_places(
        np.repeat(np.repeat(picture(), 6, 0), 6, 1), target=np.repeat(np.repeat(target, 6, 0), 6, 1), width=480, height=360
    )
    assert list(small) == list(large)
    for name in ("core", "sky"):
        assert np.abs(np.array(large[name]) / 6 - small[name]).max() < 8, name


def test_mono_flat_and_empty_lists():
    assert "core" in choose_places(np.full((100, 120), 0.2, np.float32), width=40, height=30)
    assert "bright star" not in choose_places(picture(), stars=np.zeros((0, 3)), width=40, height=30)
