"""What two results are compared on."""

import re
from dataclasses import replace

import numpy as np
import pytest

from layerblend.errors import ArgumentError
from layerblend.evidence.ground import _isolated, _rough_fwhm, _target_box, common_ground, find_stars, lightness, shape_plane, star_discs
from layerblend.evidence.measures import measure
from layerblend.maths.perceptual import encode_srgb, lab_to_linear
from tests.scenes import evidence as scenes

FWHM = {0: 3.0, 1: 4.0}


@pytest.fixture(scope="module")
def pair():
    scene = scenes.make_scene(3, size=256, stars=36)
    plain = scenes.draw_stack(scene, {0: 1, 1: 1}, fwhm=FWHM)
    sharp = scenes.draw_stack(scene, {0: 1}, fwhm=FWHM)
    curve = scenes.make_curve(plain, scene)
    return scene, scenes.make_subject("sharp", scene, sharp, curve=curve), scenes.make_subject("plain", scene, plain, curve=curve)


def test_sky_is_free_of_stars_and_target(pair):
    scene, a, b = pair
    ground = common_ground(a, b)
    assert not (ground.sky & ground.star_mask).any()
    assert not (ground.sky & scene.target).any()
    assert ground.from_halves and ground.linear
    assert len(ground.shape_stars) >= 8


def test_different_sizes_are_refused_by_name(pair):
    _, a, b = pair
    with pytest.raises(ArgumentError, match=r"`sharp` is 256 x 256 px and `plain` 256 x 200"):
        common_ground(a, replace(b, picture=b.picture[:200]))


def test_clipped_and_saturated_stars_are_left_out(pair):
    _, a, b = pair
    ground = common_ground(a, b)
    x, y = ground.stars[ground.shape_stars[0], :2].round().astype(int)
    marked = np.zeros(a.picture.shape[:2], bool)
    marked[y, x] = True
    less = common_ground(replace(a, saturated=marked), b)
    assert ground.shape_stars[0] not in less.shape_stars
    white = a.picture.copy()
    white[y - 1 : y + 2, x - 1 : x + 2] = 1.0
    assert ground.shape_stars[0] not in common_ground(a, replace(b, picture=white)).shape_stars


def test_pictures_without_anything_get_stars_and_sky_of_their_own(pair):
    scene, a, b = pair
    bare = [replace(s, stars=None, sky=None, target=None, linear=None) for s in (a, b)]
    ground = common_ground(*bare)
    assert any("star list" in w for w in ground.words) and any("sky mask" in w for w in ground.words)
    assert not ground.linear
    found = ground.stars[:, :2]
    bright = scene.stars[:15, :2]
    gap = np.hypot(*(bright[:, None] - found[None]).transpose(2, 0, 1)).min(1)
    assert np.mean(gap < 1.5) > 0.8
    assert np.mean(scene.target[ground.sky]) < 0.05


def test_star_discs_grow_with_brightness_and_come_from_the_list_alone():
    stars = np.array([[50.0, 50, 1000, 100], [150, 50, 1, 0.1]])
    mask = star_discs((100, 200), stars, 3.0)
    # 1.3 FWHM for the faintest tenth, 3.9 px; a star 2 ** 6 times as bright as that (quantile .1: 100.9) twice as far
    assert mask[:, 100:].sum() == pytest.approx(np.pi * 4**2, rel=0.15)
    stars[0, 2], stars[1, 2] = 1.0, 64.0
    twice = star_discs((100, 200), np.concatenate([stars, np.tile([0.0, 0, 1, 1], (20, 1))]), 3.0)
    assert twice[:, 100:].sum() == pytest.approx(np.pi * 8**2, rel=0.1)
    assert not star_discs((100, 200), stars[:0], 3.0).any()


def test_a_star_is_alone_when_neighbours_within_five_widths_are_below_a_fiftieth():
    places = [(50, 50, 100), (60, 50, 1), (150, 50, 100), (160, 50, 5), (250, 50, 100), (268, 50, 100), (8, 150, 100), (250, 150, 100)]
    stars = np.array([(*place, 1.0) for place in places])
    # the first one's neighbour is faint, the second one's is not, the third one's lies 4.5 FWHM away, one stands at the edge
    assert list(_isolated(stars, 4.0, (200, 300))) == [0, 7]
    assert list(_isolated(stars, 3.0, (200, 300))) == [0, 4, 5, 7]


def test_the_window_is_the_square_of_a_third_more_than_the_target(pair):
    target = np.zeros((600, 800), bool)
    target[200:300, 300:500] = True
    rows, columns = _target_box(target.shape, target)
    assert (rows.start, rows.stop, columns.start, columns.stop) == (120, 380, 270, 530)
    target[:] = False
    target[290:310, 390:410] = True
    assert _target_box(target.shape, target) == (slice(236, 364), slice(336, 464))  # never less than 128 px


def test_a_very_large_target_is_judged_in_its_middle():
    rows, columns = _target_box((3000, 5000), np.ones((3000, 5000), bool))
    assert (rows, columns) == (slice(476, 2524), slice(1476, 3524))  # 2048 px a side
    assert _target_box((200, 300), None) == (slice(0, 200), slice(0, 300))


def test_width_from_flux_over_peak():
    """Moffat (1969) of beta 3: flux = pi alpha^2 peak / 2 and FWHM = 2 alpha sqrt(2^(1/3) - 1)."""
    alpha = 5.0 / (2 * np.sqrt(2 ** (1 / 3) - 1))
    peak = np.array([3.0, 2, 1, 1, 1])
    stars = np.stack([0 * peak, 0 * peak, np.pi * alpha**2 * peak / 2, peak], 1)
    assert _rough_fwhm(stars) == pytest.approx(5.0)
    assert _rough_fwhm(stars * [1, 1, 1, np.nan]) == 4.0 == _rough_fwhm(stars[:0])


def test_listed_stars_count_inside_the_picture_brightest_first(pair):
    """In a picture that is wider than high; the longer of two lists is taken, and one without peaks will do."""
    _, a, b = pair
    wide = [replace(s, picture=s.picture[:100], linear=None, half_a=None, half_b=None, sky=None, target=None, colour=None) for s in (a, b)]
    stars = np.array([(200.0, 50, 1), (50, 150, 9), (30, 20, 5), (-1, 20, 7), (255, 99, 3), (255.5, 99, 8)])
    ground = common_ground(replace(wide[0], stars=stars[:2]), replace(wide[1], stars=stars))
    np.testing.assert_array_equal(ground.stars[:, :3], [(30, 20, 5), (255, 99, 3), (200, 50, 1)])
    assert ground.fwhm == 4.0


def test_stars_found_have_flux_over_their_peak():
    light = np.full((120, 160), 20, np.float32)
    yy, xx = np.mgrid[:120, :160]
    for x, y, height in ((40, 50, 40), (110, 60, 20)):
        light += height * np.exp(-0.5 * ((xx - x) ** 2 + (yy - y) ** 2) / 1.5**2).astype(np.float32)
    stars = find_stars(light)
    np.testing.assert_array_equal(stars[:, :2], [(40, 50), (110, 60)])
    assert stars[0, 2] / stars[1, 2] == pytest.approx(2, rel=0.01) and stars[0, 3] / stars[1, 3] == pytest.approx(2, rel=0.01)
    assert 8 < stars[0, 2] / stars[0, 3] < 2 * np.pi * (1.5**2 + 1.2**2)  # of a Gaussian, blurred by 1.2 px to find it


def test_discs_of_very_bright_stars_end_at_eight_widths():
    stars = np.array([[200.0, 200, 1e12, 1], *[[5.0, 5, 1, 1]] * 20])
    assert star_discs((400, 400), stars, 3.0)[100:].sum() == pytest.approx(np.pi * 24**2, rel=0.05)


def test_dark_dust_is_no_sky(pair):
    """Without a mask the sky is what is even: neither the bright target nor a patch far below."""
    _, a, b = pair
    bare = []
    for subject in (a, b):
        picture = subject.picture.copy()
        picture[200:230, 10:40] = 0.01
        bare.append(replace(subject, picture=picture, sky=None))
    sky = common_ground(*bare).sky
    assert not sky[210:220, 20:30].any() and sky.mean() > 0.2


def test_sky_is_the_dark_part_also_of_a_picture_that_is_mostly_target(pair):
    _, a, b = pair
    picture = np.full_like(a.picture, 0.6)
    picture[:, :80] = 0.15
    ground = common_ground(*(replace(s, picture=picture, sky=None, target=None, stars=a.stars[:0]) for s in (a, b)))
    assert ground.sky[:, :60].all() and not ground.sky[:, 100:].any()


def test_colour_is_judged_where_both_sources_have_some(pair):
    _, a, b = pair
    planes = np.zeros((*a.picture.shape[:2], 3))
    planes[..., 0], planes[:, 100:, 1] = 50, 20
    first = encode_srgb(lab_to_linear(planes)).astype(np.float32)
    second = np.ascontiguousarray(first[:, ::-1])
    everywhere = np.ones(first.shape[:2], bool)
    one, other = (replace(s, colour=c, target=everywhere) for s, c in ((a, first), (b, second)))
    coloured = common_ground(one, other).coloured
    assert not coloured[:, :90].any() and not coloured[:, 166:].any() and coloured[:, 110:146].any()


def test_what_one_result_lacks_the_other_lends(pair):
    _, a, b = pair
    ground = common_ground(replace(a, colour=None, reference=None), b)
    assert ground.colour is b.colour and ground.reference is b.reference
    assert not common_ground(replace(a, half_a=None), b).from_halves and not common_ground(a, replace(b, half_b=None)).from_halves


def test_one_unknown_stretch_has_both_measured_as_shown(pair):
    """The same picture has the same star width whether or not its stretch is recorded: the other's is not known."""
    _, a, b = pair
    ground = common_ground(a, replace(b, linear=None))
    assert not ground.linear
    shown = shape_plane(replace(a, linear=None), ground)
    np.testing.assert_array_equal(shape_plane(a, ground), shown)
    # half of white as shown is .2140 of its light (IEC 61966-2-1)
    assert shape_plane(replace(a, picture=np.full_like(a.picture, 0.5)), ground)[0, 0] == pytest.approx(0.2140, abs=1e-4)


def test_shapes_are_measured_off_the_target_and_on_single_stars(pair):
    _, a, b = pair
    ground = common_ground(a, b)
    target = np.zeros_like(a.target)
    x, y = ground.stars[ground.shape_stars[0], :2].round().astype(int)
    target[y - 3 : y + 4, x - 3 : x + 4] = True
    assert ground.shape_stars[0] not in common_ground(replace(a, target=target), replace(b, target=target)).shape_stars
    double = b.linear.copy()
    double[y - 2 : y + 3, x + 4 : x + 8] += 0.5 * double[y, x].max()
    assert ground.shape_stars[0] not in common_ground(a, replace(b, linear=double)).shape_stars


def test_sky_and_target_are_those_of_both(pair):
    _, a, b = pair
    left, top = (np.zeros(a.picture.shape[:2], bool) for _ in range(2))
    left[:, :100] = top[:100] = True
    ground = common_ground(replace(a, sky=left, target=left), replace(b, sky=top, target=top))
    np.testing.assert_array_equal(ground.target, left & top)
    np.testing.assert_array_equal(ground.sky, left & top & ~ground.star_mask)
    marked = np.zeros_like(left)
    marked[7, 9] = True
    assert common_ground(a, replace(b, star_mask=marked)).star_mask[7, 9]


def test_colour_is_judged_where_there_is_some_and_nothing_is_clipped(pair):
    """A source of a* 2 on the left, too grey, and 10 on the right, of which one picture shows a part in white."""
    _, a, b = pair
    planes = np.zeros((*a.picture.shape[:2], 3))
    planes[..., 0], planes[:, :128, 1], planes[:, 128:, 1] = 50, 2, 10
    source = encode_srgb(lab_to_linear(planes)).astype(np.float32)
    white = source.copy()
    white[:64] = 1
    everywhere = np.ones(source.shape[:2], bool)
    one, other = (replace(s, picture=p, colour=source, target=everywhere) for s, p in ((a, source), (b, white)))
    coloured = common_ground(one, other).coloured
    assert not coloured[:64].any() and not coloured[:, :112].any()
    clear = np.zeros_like(coloured)
    clear[64:, 144:] = True
    assert (coloured == ~common_ground(one, other).star_mask)[clear].all()


def test_lightness_of_mono_and_colour(pair):
    _, a, _ = pair
    grey = a.picture.mean(2)
    np.testing.assert_allclose(lightness(grey), lightness(np.repeat(grey[..., None], 3, 2)), atol=1e-3)


def test_no_stars_in_an_empty_picture():
    assert len(find_stars(np.full((64, 64), 30, np.float32))) == 0


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ("stars", r"the star mask covers \d+ % of the target"),
        ("small", r"the target is too small, 400 px"),
        ("grey", r"\d+ % of the target has hardly any colour, less than C\* 4"),
        ("clipped", r"\d+ % of the target is clipped"),
        ("none", r"\d+ % of the picture off the blank sky \(no target was found\) has hardly any colour, less than C\* 4"),
    ],
)
def test_a_target_whose_colour_cannot_be_judged_has_the_reason_that_holds(pair, change, why):
    _, a, b = pair
    target = np.zeros(a.picture.shape[:2], bool)
    target[60:200, 60:200] = True
    planes = np.zeros((*target.shape, 3))
    planes[..., 0], planes[..., 1] = 50, 20
    source = encode_srgb(lab_to_linear(planes)).astype(np.float32)
    changes: dict[str, object] = {"picture": source, "colour": source, "target": target}
    if change == "stars":
        changes["star_mask"] = target
    if change == "small":
        changes["target"] = np.zeros_like(target)
        changes["target"][100:120, 100:120] = True
    if change in {"grey", "none"}:
        changes["colour"] = np.full_like(source, 0.5)
    if change == "clipped":
        changes["picture"] = np.ones_like(source)
    if change == "none":
        changes["target"] = None
    one, other = (replace(s, **changes) for s in (a, b))
    found, reasons = measure(one, common_ground(one, other))
    assert re.fullmatch(why, reasons["colour_truth"]) and "hue shift" not in found


def test_how_much_of_the_window_stars_cover(pair):
    """Everything, nothing, and the middle half of a window that weighs its middle most."""
    _, a, b = pair
    corner = a.stars[:1].copy()
    corner[:, :2] = 2  # outside the window
    bare = [replace(s, stars=corner, star_mask=None) for s in (a, b)]
    assert common_ground(*bare).covered == 0
    assert common_ground(*(replace(s, star_mask=np.ones(a.picture.shape[:2], bool)) for s in bare)).covered == pytest.approx(1)
    half = np.zeros(a.picture.shape[:2], bool)
    box = common_ground(*bare).window_box
    middle, quarter = (box[0].start + box[0].stop) // 2, (box[0].stop - box[0].start) // 4
    half[middle - quarter : middle + quarter] = True
    # sin^4 over the middle half: 1/2 + 4/(3 pi) of the whole
    assert common_ground(*(replace(s, star_mask=half) for s in bare)).covered == pytest.approx(0.5 + 4 / (3 * np.pi), abs=0.01)
