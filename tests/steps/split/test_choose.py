"""Stars told from knots; what the imager asks for is obeyed."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from layerblend.steps.split import choose, split_stars
from layerblend.steps.split.rough import Roughness
from tests.scenes.split import CHANNEL_WIDTH, add_moffat, ellipse_form, make_scene

# far from every star of the scene below
PLACE = (295.4, 155.9)


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


def test_a_clipped_star_that_is_kept_stays_with_its_wide_light_and_most_of_its_core() -> None:
    scene = make_scene(seed=4)
    clipped = scene.star_list[scene.star_list[:, 4] == 1]
    x, y = clipped[np.argmax(clipped[:, 2] * (np.abs(clipped[:, :2] - 300).max(1) < 290)), :2]
    distance = np.hypot(*np.mgrid[-y : 600 - y, -x : 600 - x]) / scene.options.fwhm
    light = scene.stars[..., 1]
    for keep, least, most in (([], 0.8, 1.1), ([(x, y)], -0.2, 0.2)):
        taken = (scene.image - split_stars(scene.image, keep=keep).starless)[..., 1]
        for ring in (distance < 1, (distance > 1) & (distance < 2), (distance > 2) & (distance < 6)):
            assert least < taken[ring].sum() / light[ring].sum() < most


def test_the_verdicts_of_another_stack_are_followed_where_both_hold_the_source() -> None:
    scene = make_scene(seed=5)
    own = split_stars(scene.image).catalogue
    judged = own.copy()
    judged["x"] += 0.3
    bright = np.flatnonzero((own["kept"] == "") & ~own["saturated"])[:3]
    kept = np.flatnonzero(np.isin(own["kept"], ("broad", "long", "colour")))[:2]
    assert len(bright) == 3 and len(kept) == 2
    judged["kept"][bright[:2]], judged["kept"][kept] = "broad", ""
    judged["x"][bright[2]] += 40  # the other stack does not hold this one
    judged["kept"][bright[2]] = "broad"
    result = split_stars(scene.image, judged=judged)

    def verdict(row: int) -> str:
        distance = np.hypot(result.catalogue["x"] - own["x"][row], result.catalogue["y"] - own["y"][row])
        return str(result.catalogue["kept"][np.argmin(distance)])

    assert [verdict(row) for row in (*bright, *kept)] == ["broad", "broad", "", "", ""]
    np.testing.assert_array_equal(split_stars(scene.image, judged=own).starless, split_stars(scene.image).starless)
    np.testing.assert_array_equal(split_stars(scene.image, judged=own[:0]).starless, split_stars(scene.image).starless)


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


def test_a_colour_that_nothing_tells_is_no_evidence() -> None:
    red = np.linspace(-0.3, 0.3, 60)
    peaks = [10.0**-1 * 10**red, np.full(60, 0.1), 10.0**-1 * 10 ** (-0.7 * red)]
    errors = [np.full((60, 1), 1e-3) for _ in peaks]
    errors[2][5] = np.inf
    channels = [SimpleNamespace(peak=peak, error=error) for peak, error in zip(peaks, errors, strict=True)]
    ground = Roughness(np.zeros(60), np.zeros(60))
    found = choose._colour_evidence(channels, np.full(60, 100.0), np.zeros(60), ground, peaks[1], np.zeros(60, bool))
    assert np.isfinite(found).all() and abs(found[5]) < 1e-3 and found[30] > 1


def test_a_bright_source_little_wider_than_a_star_stays() -> None:
    """Bright, round and of a star's colour, but 7 % wider: three channels together show it."""
    scene = make_scene(height=500, width=500, stars=600, saturated=0, target=False, galaxies=0, seed=26)
    o = scene.options
    x, y = PLACE
    assert np.hypot(scene.star_list[:, 0] - x, scene.star_list[:, 1] - y).min() > 4 * o.fwhm
    reach2 = ((2 * x / o.width - 1) ** 2 + (2 * y / o.height - 1) ** 2) / 2
    for wider, reason in ((1.0, ""), (1.07, "broad")):
        planes = [np.ascontiguousarray(scene.image[..., c], np.float64) for c in range(3)]
        for c in range(3):
            form = ellipse_form(o.fwhm * (1 + o.widening * reach2) * wider * CHANNEL_WIDTH[c], o.eccentricity, o.angle, o.beta)
            add_moffat(planes[c], x, y, 150 * scene.extra["sigma0"], *form, o.beta, 40)
        catalogue = split_stars(np.stack(planes, -1).astype(np.float32)).catalogue
        assert catalogue["kept"][np.argmin(np.hypot(catalogue["x"] - x, catalogue["y"] - y))] == reason


def test_at_the_edge_a_little_wider_is_a_star_still() -> None:
    """Fewer frames overlap there: the source that is 7 % wider, which stays inside, goes where the edge cuts it."""
    scene = make_scene(height=500, width=500, stars=600, saturated=0, target=False, galaxies=0, seed=26)
    o, (x, y) = scene.options, (200.3, 2.2)
    assert np.hypot(scene.star_list[:, 0] - x, scene.star_list[:, 1] - y).min() > 3 * o.fwhm
    planes = [np.ascontiguousarray(scene.image[..., c], np.float64) for c in range(3)]
    for c in range(3):
        width = o.fwhm * (1 + o.widening * ((2 * x / o.width - 1) ** 2 + 1) / 2) * 1.07 * CHANNEL_WIDTH[c]
        add_moffat(planes[c], x, y, 150 * scene.extra["sigma0"], *ellipse_form(width, o.eccentricity, o.angle, o.beta), o.beta, 40)
    catalogue = split_stars(np.stack(planes, -1).astype(np.float32)).catalogue
    assert catalogue["kept"][np.argmin(np.hypot(catalogue["x"] - x, catalogue["y"] - y))] == ""


def test_stars_on_an_arm_go_and_knots_on_it_stay() -> None:
    """Thin arms bend the ground under the sources; a round knot is no star for being round."""
    scene = make_scene(height=600, width=600, stars=500, saturated=0, target=False, galaxies=0, seed=27)
    o, sigma = scene.options, scene.extra["sigma0"]
    ridges = 25 * sigma * np.exp(1.5 * (np.cos(2 * np.pi * np.arange(o.height) / 50) - 1))
    planes = [scene.image[..., c].astype(np.float64) + ridges[:, None] for c in range(3)]
    places = [(x, y) for y in (100, 150, 200, 400, 450, 500) for x in range(60, 560, 40)]
    places = [p for p in places if np.hypot(*(scene.star_list[:, :2] - p).T).min() > 2.5 * o.fwhm]
    wide = np.arange(len(places)) % 2
    for (x, y), knot in zip(places, wide, strict=True):
        reach2 = ((2 * x / o.width - 1) ** 2 + (2 * y / o.height - 1) ** 2) / 2
        for c in range(3):
            width = o.fwhm * (1 + o.widening * reach2) * (1.25 if knot else 1.0) * CHANNEL_WIDTH[c]
            add_moffat(planes[c], x, y, 40 * sigma, *ellipse_form(width, o.eccentricity, o.angle, o.beta), o.beta, 40)
    catalogue = split_stars(np.stack(planes, -1).astype(np.float32)).catalogue
    gaps = np.hypot(*(np.stack([catalogue["x"], catalogue["y"]], 1)[:, None] - places).T)
    gone = (catalogue["kept"][gaps.argmin(1)] == "") & (gaps.min(1) < o.fwhm)
    assert gone[wide == 0].mean() > 0.9
    assert gone[wide == 1].mean() < 0.1
