import numpy as np
import pytest

from layerblend.errors import ArgumentError
from layerblend.maths.stars import (
    GOOD,
    NO_DATA,
    SATURATED,
    aperture_fluxes,
    detect_stars,
    guess_fwhm,
    isolated,
    match_places,
    prepare_plane,
    smooth_tiles,
)
from tests.scenes.stars import add_stars, debayered, star_field


def share_found(field, candidates, least_snr):
    """Share of the stars whose blurred peak is ``least_snr`` times its noise that have a candidate within 2 px."""
    bright = field.catalogue[field.catalogue[:, 2] > least_snr * field.noise * 20]
    return np.mean(match_places(bright[:, :2], np.column_stack([candidates.x, candidates.y]), 2.0) >= 0)


def test_all_clear_stars_are_found_and_nothing_else():
    field = star_field(1, 600, 800, stars=60, margin=20)
    above, codes = prepare_plane(field.image)
    found = detect_stars(above, codes)
    assert share_found(field, found, 10) > 0.95
    truth = match_places(np.column_stack([found.x, found.y]), field.catalogue[:, :2], 2.0)
    assert (truth >= 0).all()
    assert (np.diff(found.height) <= 0).all()


def test_noise_alone_has_no_stars():
    above, codes = prepare_plane(np.random.default_rng(2).normal(0.1, 1e-3, (900, 900)).astype(np.float32))
    assert len(detect_stars(above, codes)) == 0


def test_positions_are_those_of_photutils_dao_star_finder():
    # photutils.detection.DAOStarFinder on the same plane
    from photutils.detection import DAOStarFinder

    field = star_field(3, 400, 500, stars=40, margin=20, faint=-0.8)
    above, codes = prepare_plane(field.image)
    found = detect_stars(above, codes)
    table = DAOStarFinder(threshold=20 * field.noise, fwhm=3.4)(above)
    names = [name for name in table.colnames if "centroid" in name]
    there = np.column_stack([table[name] for name in sorted(names)])
    agree = match_places(np.column_stack([found.x, found.y])[:30], there, 1.5)
    assert (agree >= 0).mean() > 0.95


def test_single_hot_pixels_are_left_out():
    field = star_field(4, 500, 600, stars=30, hot=3e-4, margin=20)
    above, codes = prepare_plane(field.image)
    found = detect_stars(above, codes)
    assert (match_places(np.column_stack([found.x, found.y]), field.catalogue[:, :2], 2.5) >= 0).mean() > 0.95


def test_stars_stand_out_on_a_galaxy_and_the_galaxy_is_not_a_carpet_of_stars():
    field = star_field(5, 600, 800, stars=50, galaxy=True, margin=20)
    above, codes = prepare_plane(field.image)
    found = detect_stars(above, codes)
    assert share_found(field, found, 15) > 0.9
    assert len(found) < 50 + 60


def test_codes_tell_gaps_and_saturation():
    image = np.full((200, 200, 3), 0.1, np.float32)
    image[:20] = np.nan
    image[100:110, 100:110, 2] = 1.0
    share = np.zeros((200, 200), np.float32)
    share[150, 150] = 0.25
    above, codes = prepare_plane(image, saturated=share, saturation=0.98)
    assert above.dtype == np.float32 and np.isfinite(above).all()
    assert (codes[:20] == NO_DATA).all() and (codes[100:110, 100:110] == SATURATED).all() and codes[150, 150] == SATURATED
    assert (codes == GOOD).sum() == 180 * 200 - 101


def test_saturated_discs_and_bleed_trails_are_no_stars():
    field = star_field(6, 500, 500, stars=10, margin=40)
    image = field.image.copy()
    yy, xx = np.mgrid[:500, :500]
    image[np.hypot(yy - 250, xx - 250) < 30] = 1.0
    image[:, 249:252] = 1.0
    above, codes = prepare_plane(image, saturation=0.98)
    found = detect_stars(above, codes)
    assert (np.hypot(found.x - 250, found.y - 250) > 34).all()
    assert (np.abs(found.x - 250) > 3).all()


def test_background_is_taken_away_smoothly():
    yy, xx = np.mgrid[:400, :500].astype(np.float32)
    above, _ = prepare_plane(1e-4 * xx + 2e-4 * yy)
    assert np.abs(above[128:-144, 128:-144]).max() < 1e-5


def test_one_bright_tile_does_not_lift_the_background():
    tiles = np.zeros((6, 6), np.float32)
    tiles[2, 3] = 5.0
    tiles[0, 0] = np.nan
    assert (smooth_tiles(tiles) == 0).all()


def test_tiny_and_flat_planes_have_no_stars():
    assert len(detect_stars(np.zeros((5, 5), np.float32))) == 0
    assert len(detect_stars(np.zeros((50, 50), np.float32))) == 0
    with pytest.raises(ArgumentError, match="`threshold`"):
        detect_stars(np.zeros((50, 50), np.float32), threshold=0)


@pytest.mark.parametrize("fwhm", [2.5, 4.0, 7.0])
def test_guess_is_near_the_width(fwhm):
    field = star_field(7, 500, 600, stars=60, fwhm=fwhm)
    above, codes = prepare_plane(field.image)
    assert guess_fwhm(above, detect_stars(above, codes)) == pytest.approx(fwhm, rel=0.15)


def test_isolated_drops_close_pairs_but_not_the_bright_one_beside_a_faint_one():
    plane = np.zeros((120, 200), np.float32)
    add_stars(plane, np.array([[50, 60, 10.0], [60, 60, 9.0], [120, 60, 10.0], [130, 60, 0.5]]), 3.0, 3.0)
    plane += np.random.default_rng(8).normal(0, 1e-3, plane.shape).astype(np.float32)
    found = detect_stars(plane)
    alone = isolated(found, 12.0)
    kept = set(found.x[alone].astype(int))
    assert 120 in kept and not kept & {50, 60, 130}


def test_match_places_is_one_to_one():
    places = np.array([[10.0, 10.0], [50.0, 50.0]])
    stars = np.array([[10.5, 10.0], [10.1, 10.0], [51.0, 50.0], [90.0, 90.0]])
    np.testing.assert_array_equal(match_places(stars, places, 2.0), [-1, 0, 1, -1])
    np.testing.assert_array_equal(match_places(stars, np.zeros((0, 2)), 2.0), [-1] * 4)


# ---------------------------------------------------------------- aperture light
@pytest.mark.parametrize("fwhm", [2.4, 3.5, 5.5])
@pytest.mark.parametrize("beta", [2.5, 4.0])
def test_aperture_light_is_the_flux_whatever_the_seeing(fwhm, beta):
    plane = np.zeros((401, 401))
    add_stars(plane, np.array([[200.3, 199.6, 7.0]]), fwhm, beta, radius=190)
    light = aperture_fluxes(plane.astype(np.float32), np.array([200.3]), np.array([199.6]), fwhm=fwhm, beta=beta)
    assert light[0] == pytest.approx(7.0, rel=0.003)


def test_aperture_light_agrees_with_photutils():
    # photutils.aperture: exact circle and ring median, without the completion for the wings
    from photutils.aperture import ApertureStats, CircularAnnulus, CircularAperture, aperture_photometry

    field = star_field(10, 300, 400, stars=12, margin=40, faint=0.0)
    above, _ = prepare_plane(field.image)
    x, y = field.catalogue[:, 0], field.catalogue[:, 1]
    ours = aperture_fluxes(above, x, y, fwhm=3.4, beta=3.0)
    places = np.column_stack([x, y])
    circle, ring = CircularAperture(places, 2.5 * 3.4), CircularAnnulus(places, 3.2 * 3.4, 4.5 * 3.4)
    theirs = aperture_photometry(above, circle)["aperture_sum"] - ApertureStats(above, ring).median * circle.area
    ratio = ours / np.asarray(theirs)
    assert np.ptp(ratio) < 0.02
    assert np.median(ratio) == pytest.approx(1 / 0.9787, abs=0.006)


def test_aperture_light_is_nan_where_pixels_are_missing():
    plane = np.ones((100, 100), np.float32)
    codes = np.full((100, 100), GOOD, np.uint8)
    codes[50, 50] = SATURATED
    light = aperture_fluxes(plane, np.array([50.0, 25.0, 2.0]), np.array([50.0, 25.0, 50.0]), fwhm=3.0, beta=3.0, codes=codes)
    assert np.isnan(light[0]) and np.isfinite(light[1]) and np.isnan(light[2])


def test_debayered_frames_keep_their_stars():
    field = star_field(11, 400, 500, stars=30, margin=20)
    image = debayered(field.image)
    above, codes = prepare_plane(image)
    assert share_found(field, detect_stars(above, codes), 15) > 0.95
