from dataclasses import replace

import numpy as np
import pytest

from layerblend.steps.flatten import flatten
from layerblend.steps.flatten.objects import Galaxy, cut_objects, elliptical_radius, find_galaxies, galaxy_roughness, top_hat
from layerblend.steps.flatten.tiles import make_tiles
from tests.scenes.sky import GRADIENTS, SkyScene, draw_stars, flatten_score, make_scene, spiral

SMALL = {"shape": (600, 900), "n_stars": 200}


def test_slopes_are_no_objects() -> None:
    yy, xx = np.mgrid[:40, :60]
    assert top_hat(0.3 * xx + 0.2 * yy, 6).max() < 1e-4
    bump = np.exp(-((xx - 30) ** 2 + (yy - 20) ** 2) / 8.0)
    assert top_hat(bump + 0.02 * xx, 8).max() > 0.9


def test_radius_keeps_the_area() -> None:
    galaxy = Galaxy(50, 50, 0.0, 0.4, 0.2)
    yy, xx = np.mgrid[:101, :101]
    inside = elliptical_radius(xx, yy, galaxy) <= 30
    assert abs(inside.sum() / (np.pi * 900) - 1) < 0.01


def test_the_galaxy_is_found() -> None:
    scene = make_scene(3, frac=1 / 20, shape=(600, 900), n_stars=200)
    found = find_galaxies(make_tiles(scene.image))
    assert np.hypot(found[0].x - 0.51 * 900, found[0].y - 0.48 * 600) < 20


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("seed", [0, 1])
def test_an_object_of_a_single_tile_is_round(seed: int) -> None:
    y, x = np.mgrid[:200, :240]
    dark_corners = 0.2 - 0.12 * ((x - 120) ** 2 + (y - 100) ** 2) / (120**2 + 100**2)
    noise = np.random.default_rng(seed).normal(0, 0.002, (200, 240, 3))
    image = (dark_corners[..., None] + noise).astype(np.float32)
    (found,) = find_galaxies(make_tiles(image))
    assert (found.e1, found.e2) == (0.0, 0.0)
    assert np.isfinite(flatten(image, mode="divide").image).all()


def test_galaxies_that_touch_are_two_and_arms_are_one() -> None:
    y, x = np.mgrid[:600, :900].astype(float)

    def disc(at_x, at_y, peak, scale):
        return peak * np.exp(-np.hypot(x - at_x, y - at_y) / scale)

    pair = disc(270, 400, 100, 50) + disc(640, 150, 70, 40)
    turn, r = np.arctan2(y - 300, x - 450), np.hypot(x - 450, y - 300) / 60
    arms = 100 * np.exp(-r) * (0.55 + 1.4 * np.exp(1.5 * (np.cos(2 * (turn - 2.6 * np.log(r + 0.05))) - 1)))
    noise = np.random.default_rng(0).normal(0, 1, (600, 900, 3))
    two, one = (find_galaxies(make_tiles((light[..., None] + noise).astype(np.float32))) for light in (pair, arms))
    assert sorted((round(g.x / 100), round(g.y / 100)) for g in two) == [(3, 4), (6, 2)]
    assert len(one) == 1


def test_only_a_galaxy_may_be_rough() -> None:
    bare = make_scene(3, kind="moon", amplitude=15, with_galaxy=False, shape=(480, 720), n_stars=100, fwhm=3.0)
    assert not galaxy_roughness(make_tiles(bare.image)).any()
    scene = make_scene(3, kind="plane", amplitude=5, frac=1 / 16, shape=(480, 720), n_stars=100, fwhm=3.0)
    rough = galaxy_roughness(make_tiles(scene.image))
    light = scene.galaxy.mean(-1).reshape(30, 16, 45, 16).mean((1, 3))
    assert rough[light < 0.5].max() < 3
    bright = light > 20
    assert np.median(rough[bright] / light[bright]) == pytest.approx(1, abs=0.25)


@pytest.mark.parametrize("seed", [7, 8, 9])
def test_a_star_before_a_galaxy_does_not_take_its_centre(seed) -> None:
    """Truth: a galaxy, and 100 px off its middle the wide halo of a star, brighter than the galaxy; without the cut 93 px off."""
    scene = make_scene(seed, shape=(600, 900), n_stars=0, frac=1 / 9, kind="plane", amplitude=5, peak=40)
    y, x = np.mgrid[:600, :900].astype(np.float32)
    star = 80 * (1 + ((x - 559) ** 2 + (y - 288) ** 2) / 970) ** -2
    galaxy = find_galaxies(make_tiles(scene.image + star[..., None]))[0]
    assert np.hypot(galaxy.x - 0.51 * 900, galaxy.y - 0.48 * 600) < 50


def cut_scene(middle: float, height: float, kind: str = "corner", scale: float = 1 / 14) -> SkyScene:
    """A galaxy with its middle at these shares of the width and of the height, which may lie outside 0..1."""
    scene = make_scene(57, kind=kind, amplitude=12, with_galaxy=False, **SMALL)
    rows, columns = scene.image.shape[:2]
    galaxy = spiral(np.random.default_rng(3), (rows, columns), scale * columns, middle * columns, height * rows, 120, 40)
    return replace(scene, image=scene.image + galaxy, galaxy=galaxy)


@pytest.mark.parametrize(
    ("place", "edge"),
    [
        ((-0.03, 0.5), "left edge"),
        ((1.0, 0.4), "right edge"),
        ((0.4, -0.02), "upper edge"),
        ((0.6, 1.02), "lower edge"),
        ((0.02, 0.98), "lower left corner"),
        ((-0.02, -0.02), "upper left corner"),
        ((1.0, 0.0), "upper right corner"),
        ((1.02, 1.04), "lower right corner"),
    ],
)
def test_a_galaxy_that_the_edge_cuts_is_found_and_keeps_its_halo(edge: str, place: tuple[float, float]) -> None:
    # a glow in the galaxy's own corner cannot be told from it
    scene = cut_scene(*place, "deg2" if "corner" in edge else "corner")
    assert len(cut_objects(make_tiles(scene.image))) == 1
    flat = flatten(scene.image)
    assert any(f"cut by the {edge}" in text for text in flat.words)
    off = np.abs(flatten_score(scene, flat.model)["halo_offset"]).max()
    assert off < 0.6 and off < max(flat.uncertain, 0.1)


def test_a_star_at_the_edge_is_no_galaxy_and_takes_no_galaxys_place() -> None:
    """Wide haloes of three bright stars, brighter than the galaxy, one at the edge: the galaxy comes first all the same."""
    scene = make_scene(58, kind="plane", amplitude=5, frac=1 / 20, peak=20, **SMALL)
    x, y = np.array([895.0, 300.0, 700.0]), np.array([200.0, 80.0, 480.0])
    stars = np.minimum(draw_stars(scene.image.shape[:2], x, y, np.full((3, 3), 40_000.0), (4.0,) * 3), 2000)
    table = make_tiles(scene.image + stars)
    assert cut_objects(table) == []
    first = find_galaxies(table)[0]
    assert np.hypot(first.x - 0.51 * 900, first.y - 0.48 * 600) < 30


def test_one_large_galaxy_near_the_edge_is_found_once() -> None:
    """Its middle lies inside; neither the slope that is left of it nor an arm is a second one."""
    scene = cut_scene(0.43, 0.06, scale=1 / 9)
    (found,) = find_galaxies(make_tiles(scene.image))
    assert np.hypot(found.x - 0.43 * 900, found.y - 0.06 * 600) < 60


@pytest.mark.parametrize("kind", GRADIENTS)
def test_no_glow_is_taken_for_a_galaxy_that_the_edge_cuts(kind: str) -> None:
    for with_galaxy in (False, True):
        scene = make_scene(58, kind=kind, amplitude=30, frac=1 / 12, with_galaxy=with_galaxy, **SMALL)
        assert cut_objects(make_tiles(scene.image)) == []
