import cv2
import numpy as np
import pytest
import skimage.color

from layerblend.kinds import StarShape
from layerblend.steps.cores import (
    Profiles,
    Rings,
    _first_run,
    _mend_rims,
    blob_middles,
    follow_rings,
    middle_radius,
    profile_place,
    repair_cores,
    ring_colours,
    ring_edges,
    stretched,
)
from layerblend.steps.curve import fit_curve, stretch
from tests.scenes.sky import draw_stars


def test_a_clipped_star_keeps_the_colour_of_its_halo() -> None:
    light = draw_stars((61, 61), np.array([30.2]), np.array([29.7]), np.array([[5.0, 3.0, 2.0]]), (4.0, 4.0, 4.0))
    clipped = np.minimum(light, 1.0)
    fixed = repair_cores(clipped, saturated=(clipped >= 0.98).any(-1))
    core = fixed[29, 30]
    np.testing.assert_allclose(core / core[1], (5 / 3, 1, 2 / 3), rtol=0.02)
    outside = ~(clipped >= 0.98).any(-1)
    np.testing.assert_array_equal(fixed[outside], clipped[outside])


def test_no_ring_of_mixed_light_stands_round_a_core() -> None:
    """Blurred after the clipping, as by debayering and registration, the rim differed from core and wings by 40 % in colour."""
    light = draw_stars((61, 61), np.array([30.2]), np.array([29.7]), np.array([[5.0, 2.0, 1.0]]) * 2000, (4.0, 4.0, 4.0)) / 2000
    image = cv2.GaussianBlur(np.minimum(light, 1.0), (0, 0), 0.8).astype(np.float32)
    clipped = (image >= 0.98).any(-1)
    far = cv2.distanceTransform((~clipped).astype(np.uint8), cv2.DIST_L2, 5)
    fixed = repair_cores(image, saturated=clipped)
    core = np.log(fixed[30, 30] / fixed[30, 30, 1])
    before, after = (np.abs(np.log(a / a[:, 1:2]) - core).max() for a in (image[(far > 0) & (far < 2)], fixed[far < 2]))
    assert before > 0.33 and after < 0.17
    np.testing.assert_array_equal(fixed[far > 3.3], image[far > 3.3])
    np.testing.assert_allclose((fixed @ [0.25, 0.5, 0.25])[far > 1.6], (image @ [0.25, 0.5, 0.25])[far > 1.6], rtol=1e-5)
    row = fixed[30, 30:45].sum(-1)
    assert (np.diff(row) < 0).all()


def test_the_rim_of_a_core_wider_than_the_star_images_are_known_keeps_its_light() -> None:
    """A very bright star: its core ends where no other star shows any light."""
    y, x = np.mgrid[:81, :81]
    r = np.hypot(x - 40, y - 40)
    light = (np.exp(-r / 12)[..., None] * [1.0, 0.8, 0.5]).astype(np.float32)
    light[..., 2] *= 1 + 0.4 * ((x + y) % 2)  # mixed with clipped light, pixel by pixel
    clipped = r < 30
    distance, blob = cv2.distanceTransformWithLabels((~clipped).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_CCOMP)
    place = profile_place(np.array([0.5, 5.0, 12.0]), 3.0)
    known = Profiles(3.0, place, np.log(np.array([[0.1] * 3, [1e-3] * 3, [1e-5] * 3])), 14.0, np.zeros((2, 3)))
    colour = np.array([[1, 1, 1], [1.25, 1, 0.6]], np.float32)
    out = light.copy()
    _mend_rims(out, distance, blob, np.array([[0, 0], [40, 40.0]]), colour, np.array([False, True]), known)
    ratio = (out.sum(-1) / light.sum(-1))[~clipped]
    assert ratio.min() > 0.8 and ratio.max() < 1.4  # what touches the core takes its light from the least clipped channel


def test_rims_are_mended_softly_as_far_as_5_px_and_neighbours_stay() -> None:
    y, x = np.mgrid[:61, :61]
    r = np.hypot(x - 30, y - 30)
    truth = np.exp(-r / 3)[..., None] * [1.0, 1.0, 0.5]
    image = (truth * [1, 1, 1.6]).astype(np.float32)  # too blue all round
    image[26:35, 38:40] = (0.5, 0.5, 0.8)  # a neighbour, blue and far brighter than the wing
    clipped = r < 4
    distance, blob = cv2.distanceTransformWithLabels((~clipped).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_CCOMP)
    radius = np.arange(0.5, 20, 0.5)
    known = Profiles(3.0, profile_place(radius, 3.0), np.repeat(-radius[:, None] / 3, 3, 1), 20.0, np.zeros((2, 3)))
    out, colour = image.copy(), np.array([[1, 1, 1], [1, 1, 0.5]], np.float32)
    _mend_rims(out, distance, blob, np.array([[0, 0], [30, 30.0]]), colour, np.array([False, True]), known)
    neighbour = np.zeros_like(clipped)
    neighbour[26:35, 38:40] = True
    ratio, there = out[..., 2] / out[..., 1], (distance > 0) & ~neighbour
    np.testing.assert_allclose(ratio[there & (distance < 3.2)], 0.5, rtol=0.01)
    assert ((ratio > 0.52) & (ratio < 0.78))[there & (distance > 3.6) & (distance < 5)].all()
    np.testing.assert_array_equal(out[distance > 5.3], image[distance > 5.3])
    np.testing.assert_array_equal(out[neighbour & (distance > 1.7)], image[neighbour & (distance > 1.7)])


def test_a_clipped_spot_whose_ring_shows_no_light_stays_as_it_is() -> None:
    image = np.full((40, 40, 3), (0.01, -0.01, 0.01), np.float32)
    image[20:22, 20:22] = (1.0, 0.8, 0.9)
    np.testing.assert_array_equal(repair_cores(image, saturated=image[..., 0] > 0.5), image)


def test_only_pixels_clipped_in_more_frames_than_clip_are_repaired() -> None:
    """Of a core in whose rim a third of the frames were saturated."""
    light = draw_stars((61, 61), np.array([30.2]), np.array([29.7]), np.array([[5.0, 3.0, 2.0]]), (4.0, 4.0, 4.0))
    image = np.minimum(light, 1.0).astype(np.float32)
    share = np.where((light >= 1.5).any(-1), 1.0, np.where((light >= 0.9).any(-1), 0.33, 0)).astype(np.float32)
    rim = share == np.float32(0.33)
    np.testing.assert_array_equal(repair_cores(image, saturated=share, clip=0.5)[rim], image[rim])
    assert (repair_cores(image, saturated=share, clip=0.2)[rim] != image[rim]).any()
    assert repair_cores(image, saturated=share, clip=0.5)[29, 30, 0] > 1


def test_nothing_clipped_nothing_changed() -> None:
    image = np.random.default_rng(0).normal(0, 1, (40, 40, 3)).astype(np.float32)
    np.testing.assert_array_equal(repair_cores(image, saturated=np.zeros((40, 40), bool)), image)


def field_of_stars(
    fwhm: tuple[float, ...], *, bright: tuple[int, ...] = (2, 8), columns: int = 4
) -> tuple[np.ndarray, np.ndarray, np.ndarray, StarShape]:
    """Stars in the colour (1.4, 1, .6), some of them clipped, with noise: the light, places, where clipped, star image."""
    rng = np.random.default_rng(5)
    count, size = 3 * columns, (200, 20 + 60 * columns)
    y, x = (a.ravel() * 60.0 + 40 + rng.uniform(-1, 1, count) for a in np.mgrid[:3, :columns])
    peak = np.full(count, 0.5)
    peak[list(bright)] = 8.0
    peak[2] = min(peak[2], 3.0)
    # as much light in every channel as the colour says, however wide its star image
    light = draw_stars(size, x, y, 2000 * peak[:, None] * (1.4, 1, 0.6) / np.square(np.array(fwhm) / fwhm[1]), fwhm) / 2000
    clipped = (light >= 0.9).any(-1)
    terms = np.zeros((3, 6))
    terms[0, 0] = np.log(np.mean(fwhm))
    stars = np.zeros((count - len(bright), 8))
    stars[:, 0], stars[:, 1] = x[peak < 0.9], y[peak < 0.9]
    shape = StarShape(3.0, terms, *size, stars)
    return np.minimum(light, 1) + rng.normal(0, 5e-4, light.shape), np.stack([x, y], 1)[peak > 0.9], clipped, shape


@pytest.mark.parametrize("fwhm", [(4.0, 4.0, 4.0), (4.6, 4.0, 3.6)])
def test_channels_of_unlike_sharpness_do_not_tint_the_core(fwhm: tuple[float, ...]) -> None:
    image, places, clipped, shape = field_of_stars(fwhm)
    fixed = repair_cores(image.astype(np.float32), saturated=clipped, star_shape=shape)
    for x, y in places.round().astype(int):
        np.testing.assert_allclose(np.log(fixed[y, x] / fixed[y, x, 1]), np.log((1.4, 1, 0.6)), atol=0.02)


def test_cores_of_enlarged_frames_are_not_tinted_by_what_was_mixed_before() -> None:
    """Drizzled by two, clipped light that debayering mixed in reaches twice as far; read there, white cores came out pink."""
    image, places, clipped, shape = field_of_stars((3.2, 3.2, 3.2))
    mixed = cv2.GaussianBlur(image.astype(np.float32), (0, 0), 0.9)
    large = cv2.resize(mixed, None, fx=2, fy=2, interpolation=cv2.INTER_LINEAR)
    wide, stars = shape.terms.copy(), shape.stars.copy()
    wide[0, 0] += np.log(2)
    stars[:, :2] = 2 * stars[:, :2] + 0.5
    flagged = cv2.resize(clipped.astype(np.uint8), None, fx=2, fy=2, interpolation=cv2.INTER_NEAREST) > 0
    fixed = repair_cores(large, saturated=flagged, star_shape=StarShape(3.0, wide, *large.shape[:2], stars))
    for x, y in (2 * places + 0.5).round().astype(int):
        np.testing.assert_allclose(np.log(fixed[y, x] / fixed[y, x, 1]), np.log((1.4, 1, 0.6)), atol=0.08)


def test_blue_light_of_the_target_behind_a_clipped_star_does_not_tint_its_core() -> None:
    image, places, clipped, shape = field_of_stars((4.0, 4.0, 4.0))
    fixed = repair_cores((image + np.array([0.02, 0.03, 0.1])).astype(np.float32), saturated=clipped, star_shape=shape)
    for x, y in places.round().astype(int):
        np.testing.assert_allclose(np.log(fixed[y, x] / fixed[y, x, 1]), np.log((1.4, 1, 0.6)), atol=0.02)


def test_a_neighbour_in_the_ring_tints_the_core_less_than_half_as_much() -> None:
    x, y = np.array([60.2, 66.0]), np.array([59.7, 60.0])
    light = draw_stars((121, 121), x, y, 2000 * np.array([[5.0, 3.0, 2.0], [0.3, 0.5, 0.9]]), (4.0,) * 3) / 2000
    clipped = (light >= 0.9).any(-1)
    distance, blob = cv2.distanceTransformWithLabels((~clipped).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_CCOMP)
    middles = blob_middles(clipped, blob)
    radius = np.linspace(0, 30, 200)
    alone = draw_stars((1, 61), np.array([0.0]), np.array([0.0]), np.full((1, 3), 2000.0), (4.0,) * 3)[0]
    log_share = np.log(np.stack([np.interp(radius, np.arange(61), alone[:, c]) for c in range(3)], 1))
    profile = Profiles(4.0, profile_place(radius, 4.0), log_share, 30.0, np.zeros((len(middles), 3)))
    index = blob[59, 60]
    colours = [ring_colours(light, distance, blob, middles, p)[0][index] for p in (None, profile)]
    wrong = [np.abs(np.log(colour) - np.log((5 / 3, 1, 2 / 3))).max() for colour in colours]
    assert wrong[0] > 0.1 and wrong[1] < 0.4 * wrong[0]


def test_a_channels_image_is_greens_stretched_however_few_stars_there_are() -> None:
    """One star whose rings a neighbour spoils makes no difference between channels that have none."""
    rng = np.random.default_rng(4)
    edges = ring_edges(32.0)
    fwhm, radius = 4.0, middle_radius(edges)
    rings = Rings(fwhm, radius, np.pi * np.diff(edges**2), 35.0)
    profile = np.log(0.98 * (1 + radius**2 / 15) ** -3 + 0.02 * (1 + radius**2 / 900) ** -2)
    green = rings.true_light(profile)
    for factor in (0.0, 0.14):
        wanted = rings.stretch(green, factor, radius)
        measured = rings.above_sky(green, factor) - rings.above_sky(green, 0.0) + rng.normal(0, 0.004, (12, len(radius)))
        measured[0] += 0.02 * np.arange(len(radius))
        found = stretched(rings, green, measured, np.full(measured.shape, 2500.0))
        np.testing.assert_allclose(found[1:-1], wanted, atol=0.006)


def test_light_of_a_star_that_was_taken_for_sky_is_given_back() -> None:
    radius = middle_radius(ring_edges(32.0))
    rings = Rings(4.0, radius, np.ones(len(radius)), 35.0)
    true = (1 + radius**2 / 15) ** -3 + 0.5 / (50 + radius**2)
    in_sky = (1 + 35.0**2 / 15) ** -3 + 0.5 / (50 + 35.0**2)
    np.testing.assert_allclose(rings.true_light(np.log(true - in_sky))[1:-1], np.log(true), atol=0.05)
    assert np.abs(np.log(true - in_sky) - np.log(true))[-1] > 0.3
    # and four times as far out scattered light has gone on falling with the square of the distance
    far = 4 * 35.0
    course = rings.true_light(np.log(true - in_sky))
    assert course[-1] == pytest.approx(np.log((1 + far**2 / 15) ** -3 + 0.5 / (50 + far**2)), abs=0.1)


def test_beyond_a_ring_that_tells_nothing_lies_a_neighbour() -> None:
    good = np.array([[0, 1, 1, 0, 1], [1, 0, 1, 1, 1], [1, 1, 1, 1, 1], [0, 0, 0, 0, 1], [0, 0, 0, 0, 0]], bool)
    kept = np.array([[0, 1, 1, 0, 0], [1, 0, 0, 0, 0], [1, 1, 1, 1, 1], [0, 0, 0, 0, 1], [0, 0, 0, 0, 0]], bool)
    np.testing.assert_array_equal(_first_run(good), kept)


def test_clipped_stars_tell_of_their_star_image_only_where_they_are_not_clipped() -> None:
    """More of them than of the others: were their flat, white cores listened to, the whole field would be tinted."""
    image, places, clipped, shape = field_of_stars((4.6, 4.0, 3.6), bright=(0, 2, 5, 8, 10, 11), columns=5)
    fixed = repair_cores(image.astype(np.float32), saturated=clipped, star_shape=shape)
    for x, y in places.round().astype(int):
        np.testing.assert_allclose(np.log(fixed[y, x] / fixed[y, x, 1]), np.log((1.4, 1, 0.6)), atol=0.03)


def test_without_stars_to_compare_all_channels_are_taken_to_be_equally_sharp() -> None:
    image, _, clipped, shape = field_of_stars((4.0, 4.0, 4.0))
    few = StarShape(3.0, shape.terms, 200, 260, shape.stars[:3])
    image = image.astype(np.float32)
    np.testing.assert_array_equal(repair_cores(image, saturated=clipped, star_shape=few), repair_cores(image, saturated=clipped))


def test_a_star_clipped_after_channel_scaling_has_no_coloured_disc() -> None:
    """A white star clipped in the camera and then multiplied by (1, .8, 1) is a magenta disc; its halo is white."""
    light = draw_stars((81, 81), np.array([40.3]), np.array([40.1]), np.array([[6.0, 7.5, 6.0]]), (4.0,) * 3)
    image = (np.minimum(light, 1) * (1, 0.8, 1)).astype(np.float32)
    fixed = repair_cores(image, saturated=(light >= 1).any(-1))
    np.testing.assert_allclose(fixed[40, 40] / fixed[40, 40, 1], 1, atol=0.02)
    # and none is left where the plateau has to be found in the picture
    found = repair_cores(image)
    np.testing.assert_allclose(found[40, 40] / found[40, 40, 1], 1, atol=0.05)


@pytest.mark.parametrize("colour", [(6.0, 7.5, 6.0), (9.0, 6.0, 3.5), (4.0, 6.0, 8.0)])
def test_a_core_clipped_at_unlike_heights_is_shown_in_the_hue_of_its_halo(colour: tuple[float, ...]) -> None:
    """Saturated cores take a false colour: https://github.com/astropy/astropy/issues/5573. Clipped at 1, .8, 1, balanced, shown."""
    ceiling, factors = np.array([1.0, 0.8, 1.0]), np.array([1.7, 1.0, 1.3])
    light = draw_stars((81, 81), np.array([40.3]), np.array([40.1]), np.array([colour]), (4.0,) * 3)
    rng = np.random.default_rng(2)
    camera = np.minimum(light, ceiling) + rng.normal(0, 1e-3, light.shape)
    fixed = repair_cores((camera * factors).astype(np.float32), saturated=(light >= 0.98 * ceiling).any(-1))
    curve = fit_curve(fixed, sigma=2e-3, bright=0.7)
    lightness, green_red, blue_yellow = np.moveaxis(skimage.color.rgb2lab(stretch(fixed, curve).astype(float)), -1, 0)
    y, x = np.mgrid[:81, :81]
    halo = np.abs(np.hypot(x - 40.3, y - 40.1) - 9) < 1
    core = np.hypot(x - 40.3, y - 40.1) < 2
    inner, outer = ([plane[part].mean() for plane in (green_red, blue_yellow)] for part in (core, halo))
    assert lightness[core].min() > lightness[halo].max()
    assert np.dot(inner, outer) > 0.9 * np.hypot(*inner) * np.hypot(*outer)  # hues less than 26 degrees apart


def test_stars_known_over_different_rings_tell_one_course() -> None:
    rng = np.random.default_rng(1)
    course = np.linspace(0, -5, 12)
    weight = np.zeros((40, 12))
    for row in range(40):
        first = rng.integers(0, 9)
        weight[row, first : first + 4] = 1e4
    found = follow_rings(course + rng.normal(0, 3, (40, 1)) + rng.normal(0, 0.01, weight.shape), weight, bend=None)
    np.testing.assert_allclose(np.diff(found), np.diff(course), atol=0.02)


def test_rings_widen_outwards() -> None:
    widths = np.diff(ring_edges(40))
    assert widths[:5].tolist() == [1] * 5
    assert (np.diff(widths) > -1e-9).all() and widths[-1] > 4
