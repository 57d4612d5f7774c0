"""Stars told from knots; what the imager asks for is obeyed."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from layerblend.maths.noise_line import Noise
from layerblend.steps.split import choose, split_stars
from layerblend.steps.split.model import StarImage, render
from layerblend.steps.split.rough import Roughness
from layerblend.steps.split.sources import Sources
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


def test_a_clipped_star_that_is_kept_stays_whole() -> None:
    scene = make_scene(seed=4)
    clipped = scene.star_list[scene.star_list[:, 4] == 1]
    x, y = clipped[np.argmax(clipped[:, 2] * (np.abs(clipped[:, :2] - 300).max(1) < 290)), :2]
    distance = np.hypot(*np.mgrid[-y : 600 - y, -x : 600 - x]) / scene.options.fwhm
    light = scene.stars[..., 1]
    for keep, least, most in (([], 0.8, 1.1), ([(x, y)], -0.02, 0.02)):
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


def _field_of(places: list[tuple[float, float]], clipped: tuple[int, ...] = (), fwhm: float = 4.0) -> SimpleNamespace:
    """Sources at places, some with a clipped core, in a field of this width."""
    geo = np.zeros((len(places), 7))
    geo[:, :2], geo[:, 2] = np.reshape(places, (-1, 2)), np.log(fwhm)
    blob = np.zeros(len(places))
    blob[list(clipped)] = 5.0
    return SimpleNamespace(sources=Sources(geo, np.ones(len(places)), blob), field=SimpleNamespace(fwhm=fwhm))


def _choice(*reasons: str, wider: float = 0.0) -> choose.Choice:
    reason = np.array(reasons, "U8")
    return choose.Choice(reason == "", reason, np.full(len(reason), wider), np.full(len(reason), 50.0))


def _judged(*rows: tuple[float, float, str]) -> np.ndarray:
    return np.array(list(rows), [("x", "f4"), ("y", "f4"), ("kept", "U8")])


def test_only_the_source_that_is_the_same_in_both_stacks_takes_the_verdict() -> None:
    """Of two neighbours within reach the nearer is meant; a clipped core is a star whatever a stack in which it was not clipped says."""
    here = _field_of([(50, 50), (51.5, 50), (100, 50), (150, 50)], clipped=(2,))
    verdict = choose.follow(_choice("", "", "", ""), here, _judged((50.2, 50, "broad"), (100, 50, "long"), (157, 50, "colour")))
    assert verdict.reason.tolist() == ["broad", "", "", ""]
    assert verdict.star.tolist() == [False, True, True, True]


def test_what_is_asked_for_reaches_one_star_and_no_farther() -> None:
    """`keep` and `remove` name a place by hand: a pixel or two off still means the source there, a star 12 px away is another."""
    field = _field_of([(50, 50), (62, 50), (120, 50), (160, 50)])
    before = _choice("", "", "broad", "faint", wider=0.5)
    kept, discs = choose.obey(before, field, np.array([[52.0, 51.0]]), np.zeros((0, 2)))
    assert kept.reason.tolist() == ["asked", "", "broad", "faint"] and len(discs) == 0
    gone, discs = choose.obey(before, field, np.zeros((0, 2)), np.array([[121.0, 51.0], [160.0, 51.0], [90.0, 90.0]]))
    assert gone.reason.tolist() == ["", "", "", ""]
    # a galaxy is wider than the star taken off it, and the fill must cover it; a faint star leaves nothing; else the place itself is filled
    (x, y, galaxy), (*empty, place) = discs
    assert (x, y, empty) == (120, 50, [90, 90])
    np.testing.assert_allclose(galaxy / place, np.exp(0.5))
    both, _ = choose.obey(before, field, np.array([[50.0, 50.0]]), np.array([[50.0, 50.0]]))
    assert both.reason[0] == "asked"
    nothing, discs = choose.obey(_choice(), _field_of([]), np.zeros((0, 2)), np.array([[10.0, 20.0]]))
    assert len(nothing.reason) == 0 and discs[0, :2].tolist() == [10, 20]


def test_the_edges_of_a_wide_picture_are_its_own() -> None:
    sources = _field_of([(250, 50), (50, 95), (310, 50), (-2, 50), (50, 105), (50, -1.5)]).sources
    assert choose.beyond_edge(sources, (100, 300)).tolist() == [False, False, True, True, True, True]


def test_a_round_source_is_no_star_for_being_round() -> None:
    """A knot narrower than the star image is as round as a star: round ones get nothing, long ones are spoken against, within limits."""
    fit, error = np.zeros((4, 7)), np.full((4, 7), 0.01)
    fit[:, 4] = 0.0, 0.01, 0.1, 0.5
    ground = Roughness(np.zeros(4), np.zeros(4))
    found = choose._ellipse_evidence(fit, error, ground, np.ones(4))
    assert found[0] == found[1] == 0 and found[2] < -3 and found[3] == -choose.MOST_AGAINST
    rough = choose._ellipse_evidence(fit, error, Roughness(np.full(4, 0.5), np.ones(4)), np.ones(4))
    assert rough[2] > -1  # ground half as high as the source bends it as much


def test_widths_against_the_star_image() -> None:
    """As wide as a star is for a star; wider is against, more surely so for small errors; much narrower than any star is a hot pixel."""
    fit, error = np.zeros((5, 7)), np.full((5, 7), 0.01)
    fit[:, 3] = 0.0, 0.1, 0.3, -0.1, -0.8
    ground, floor = Roughness(np.zeros(5), np.zeros(5)), np.full(5, 0.01)
    found = choose._width_evidence(fit, error, ground, np.ones(5), floor)
    assert found[0] > 2 and found[3] > 0
    assert found[2] < found[1] < -5 and found[4] < -5
    unsure = choose._width_evidence(fit, np.full((5, 7), 0.2), ground, np.ones(5), floor)
    assert (unsure[:4] > -1).all()
    # two stars close together: broad and long, but their short axis is a star's
    fit[0, 3:5] = 0.2, np.tanh(0.2)
    pair = choose._width_evidence(fit, error, ground, np.ones(5), floor)[0]
    assert found[0] - 2 > pair > -3 > found[1]


def _chosen(offs: dict[int, float], *, ellipse: dict[int, float], x: np.ndarray, clipped: int, cut: int, odd: int) -> list[str]:
    """Verdicts on sources 500 sigma high in a row: widths and ellipses off by so much, one core clipped, one pixel of another cut off."""
    n = len(x)
    here = _field_of([(a, 60.0) for a in x], clipped=(clipped,))
    here.sources.peak[:] = 500.0
    image, good = StarImage.moffat(3.0), np.ones((120, 400), bool)
    model = np.zeros(good.shape, np.float32)
    render(model, here.sources.geo, here.sources.peak, np.full(n, 40.0), image)
    plane = model + np.random.default_rng(1).normal(0, 1, good.shape).astype(np.float32)
    good[60, round(x[cut])] = False
    plane[55:66:3, round(x[odd]) - 4 : round(x[odd]) + 5] += 300  # light of another form than the star image's
    fit, error = np.zeros((n, 7)), np.full((n, 7), 0.005)
    error[:, 0] = 1.0
    for column, values in ((3, offs), (4, ellipse)):
        fit[list(values), column] = list(values.values())
    ground = Roughness(np.zeros(n), np.zeros(n))
    fitted = SimpleNamespace(
        **vars(here), fit=fit, error=error, rough=ground, halo=np.zeros_like(plane), model=model, seen=np.ones(plane.shape, bool)
    )
    fitted.field.image = image
    channel = SimpleNamespace(fit=fit, error=error, peak=here.sources.peak)
    return choose.choose_stars(plane, good, Noise(1.0, 0.0), fitted, [channel]).reason.tolist()


def test_verdicts_on_single_sources() -> None:
    """What is broad is no star unless its core is clipped; long alone condemns nobody (two stars), nor does shape where a core is cut."""
    x = np.arange(30.0, 400, 40)
    found = _chosen(
        {1: 0.3, 2: 0.3, 4: 0.3, 5: 0.3, 6: 0.3, 7: 0.04, 8: 0.04}, ellipse={3: 0.3, 5: 0.25, 6: 0.25}, x=x, clipped=2, cut=6, odd=7
    )
    assert found == ["", "broad", "", "", "broad", "long", "", "misfit", "", ""]


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


def test_a_star_of_an_odd_colour_on_bare_sky_goes_with_the_stars() -> None:
    """Carbon-red: hardly any blue, far off the line of the others' colours."""
    scene = make_scene(height=500, width=500, stars=600, saturated=0, target=False, galaxies=0, seed=26)
    o = scene.options
    x, y = PLACE
    reach2 = ((2 * x / o.width - 1) ** 2 + (2 * y / o.height - 1) ** 2) / 2
    for strength in (150, 1500):
        planes = [np.ascontiguousarray(scene.image[..., c], np.float64) for c in range(3)]
        for c, share in enumerate((2.5, 1.0, 0.15)):
            form = ellipse_form(o.fwhm * (1 + o.widening * reach2) * CHANNEL_WIDTH[c], o.eccentricity, o.angle, o.beta)
            add_moffat(planes[c], x, y, share * strength * scene.extra["sigma0"], *form, o.beta, 40)
        catalogue = split_stars(np.stack(planes, -1).astype(np.float32)).catalogue
        assert catalogue["kept"][np.argmin(np.hypot(catalogue["x"] - x, catalogue["y"] - y))] == ""


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
