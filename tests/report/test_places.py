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


def test_further_places_are_shown_last_and_inside():
    places = choose_places(picture(), width=80, height=60, more={"colour off": (390.0, 100.0)})
    assert list(places)[-1] == "colour off" and places["colour off"] == (320, 70, 400, 130)


def middle(box):
    return (box[0] + box[2]) / 2, (box[1] + box[3]) / 2


def test_arms_have_structure_and_outskirts_lie_across_the_target():
    """A smooth disc with one spiral piece right of its core: that is the arm, and its outskirts lie on the other side, at the rim."""
    image = picture()[..., 0]
    y, x = np.mgrid[:300, :400]
    image[(np.abs(np.hypot(x - 150, y - 140) - 45) < 8) & (x > 180)] += 0.1
    places = choose_places(image, target=Ellipse(150, 140, 90, 80).mask(300, 400), width=80, height=60)
    arm, rim = (np.array(middle(places[name])) - (150, 140) for name in ("arms", "outskirts"))
    assert arm[0] > 20 and np.hypot(*arm) < 0.75 * 90
    assert rim[0] < -50 and 72 < np.hypot(*rim) < 92


def test_a_bright_star_is_no_core():
    image = picture()
    image[40:46, 300:306] = 1.0
    target = Ellipse(150, 140, 90, 80).mask(300, 400)
    for y, x in np.ndindex(3, 3):  # a cluster on the target
        image[170 + 13 * y : 180 + 13 * y, 175 + 13 * x : 185 + 13 * x] = 1.0
    for given in (target, None):
        assert np.hypot(*np.subtract(middle(choose_places(image, target=given, width=80, height=60)["core"]), (150, 140))) < 8
    # what is brighter but lies off the target given is not its core either
    image[20:80, 280:340] = 0.9
    assert np.hypot(*np.subtract(middle(choose_places(image, target=target, width=80, height=60)["core"]), (150, 140))) < 8


def test_the_star_shown_is_the_brightest_that_is_neither_cut_nor_on_the_target():
    target = Ellipse(150, 140, 90, 80).mask(300, 400)
    stars = np.array([[150.0, 140, 900], [395, 200, 800], [350, 250, 500], [330, 60, 700]])
    assert middle(choose_places(picture(), target=target, stars=stars, width=80, height=60)["bright star"]) == (330, 60)
    only_cut = choose_places(picture(), target=target, stars=stars[:2], width=80, height=60)["bright star"]
    assert only_cut == (110, 110, 190, 170)


def test_the_sky_shown_is_the_sky_given():
    sky = np.zeros((300, 400), bool)
    sky[200:290, 20:120] = True
    x0, y0, x1, y1 = choose_places(picture(), target=Ellipse(150, 140, 60, 50).mask(300, 400), sky=sky, width=80, height=60)["sky"]
    assert sky[y0:y1, x0:x1].mean() > 0.95


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
