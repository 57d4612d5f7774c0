"""Stars told from knots; what the imager asks for is obeyed."""

from __future__ import annotations

import numpy as np

from layerblend.steps.split import split_stars
from tests.scenes.split import make_scene


def test_keep_and_remove() -> None:
    scene = make_scene(height=400, width=400, stars=150, saturated=0, target=False, galaxies=6, seed=23)
    bright = scene.star_list[np.argsort(-scene.star_list[:, 2])][:3]
    x, y = bright[0, :2]
    galaxy = scene.galaxy_list[np.argmax(scene.galaxy_list[:, 3])]
    result = split_stars(scene.image, keep=[[x, y]], remove=[galaxy[:2]])
    i, j = round(x), round(y)
    assert abs(result.starless[j, i, 1] / scene.image[j, i, 1] - 1) < 0.05
    i, j = round(galaxy[0]), round(galaxy[1])
    assert result.starless[j, i, 1] < 0.15 * scene.image[j, i, 1]
    assert "asked" in result.catalogue["kept"]


def test_everything_compact_goes_when_knots_are_not_kept() -> None:
    scene = make_scene(height=400, width=400, stars=120, saturated=0, seed=24, knots=60)
    few = split_stars(scene.image).catalogue["kept"]
    all_gone = split_stars(scene.image, keep_knots=False).catalogue["kept"]
    assert (all_gone == "").sum() > (few == "").sum()
    assert set(np.unique(all_gone)) <= {"", "faint"}


def test_a_grey_picture_has_no_line_of_colours() -> None:
    scene = make_scene(height=400, width=400, stars=300, saturated=0, target=False, galaxies=0, seed=25, mono=True)
    grey = split_stars(np.repeat(scene.image[..., None], 3, 2))
    assert (grey.catalogue["kept"] == "").sum() > 30
    assert not (grey.catalogue["kept"] == "colour").any()
