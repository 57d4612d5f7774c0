import gzip
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from layerblend.errors import ArgumentError
from layerblend.kinds import FrameInfo
from layerblend.steps.grade import grade_frame, grade_table, shared_brightness, star_brightness
from tests.scenes.stars import debayered, random_catalogue, star_field

DATA = Path(__file__).resolve().parents[1] / "data"


def info(name="a.fits", height=600, width=800, exposure=60.0):
    return FrameInfo(Path(name), 0, height, width, 1, False, 16, 1, 0, None, 0, False, 1.0, exposure, "2024-01-01", "L")


def field_measure(seed=1, **options):
    return grade_frame(star_field(seed, **options).image)


# ---------------------------------------------------------------- one frame
@pytest.mark.parametrize(
    "options",
    [
        {"fwhm": 3.4, "eccentricity": 0.4, "angle": 40.0},
        {"fwhm": 5.0, "eccentricity": 0.5, "angle": 100.0, "beta": 2.5},
        {"fwhm": 2.4, "eccentricity": 0.2, "angle": 10.0},
        {"fwhm": 3.4, "eccentricity": 0.4, "stars": 15},
        {"fwhm": 3.4, "eccentricity": 0.4, "stars": 15, "hot": 1e-4},
        {"fwhm": 3.4, "eccentricity": 0.4, "hot": 1e-4, "galaxy": True},
        {"fwhm": 3.4, "eccentricity": 0.4, "stars": 1500},
        {"fwhm": 3.4, "eccentricity": 0.4, "correlated": True},
        {"fwhm": 3.4, "eccentricity": 0.4, "colour": True, "hot": 1e-4},
    ],
)
def test_width_and_shape_are_those_of_the_image(options):
    field = star_field(11, **options)
    measure = grade_frame(field.image)
    assert measure.fwhm == pytest.approx(field.fwhm, rel=0.01)
    assert measure.eccentricity == pytest.approx(field.eccentricity, abs=0.02)
    assert measure.fwhm_major == pytest.approx(measure.fwhm / (1 - measure.eccentricity**2) ** 0.25)
    if field.eccentricity > 0.3 and field.angle:
        assert measure.angle == pytest.approx(field.angle, abs=3)


def test_a_satellite_trail_leaves_the_width_of_a_crowded_frame():
    """The knots that noise makes of a bright trail look like hundreds of stars side by side."""
    field = star_field(3, stars=150, fwhm=2.6)
    y, x = np.mgrid[: field.image.shape[0], : field.image.shape[1]]
    for peak in (0.03, 0.12):
        far = np.abs((x - 400) * math.sin(math.radians(30)) - (y - 200) * math.cos(math.radians(30)))
        trail = peak * np.exp(-0.5 * (far / 2) ** 2)
        image = field.image + np.float32(trail if field.image.ndim == 2 else trail[..., None])
        assert grade_frame(np.asarray(image, np.float32)).fwhm == pytest.approx(field.fwhm, rel=0.02)


def test_hot_pixels_that_debayering_spread_are_no_stars():
    """Interpolated, a hot pixel is as wide as a sharp star, in one channel: 600 of them beside 60 stars read as 500 stars of 2.0 px."""
    field = star_field(13, colour=True, stars=60)
    rng = np.random.default_rng(3)
    image = field.image.copy()
    for y, x in zip(rng.integers(4, 596, 600), rng.integers(4, 796, 600), strict=True):
        image[y - 1 : y + 2, x - 1 : x + 2, 0] += np.outer([0.5, 1, 0.5], [0.5, 1, 0.5]) * 10 ** rng.uniform(-2, -0.3)
    measure = grade_frame(image)
    assert measure.fwhm == pytest.approx(field.fwhm, rel=0.01)
    assert 40 <= measure.stars <= 60


def test_very_red_stars_are_stars():
    light = star_field(11, stars=150, sky=0.0, noise=0.0).image[..., None] * np.array([1.0, 0.35, 0.12])
    measure = grade_frame((light + 0.02 + np.random.default_rng(1).normal(0, 2e-4, light.shape)).astype(np.float32))
    assert measure.stars > 120 and measure.fwhm == pytest.approx(3.4, rel=0.01)


def test_round_stars_stay_round_in_noise():
    # Medians of single eccentricities are biased up to .05 by noise; the coherent one is not.
    assert field_measure(12, eccentricity=0.0, faint=-1.7, bright=-0.5, stars=300).eccentricity < 0.15


@pytest.mark.parametrize("bright, stars", [(1.0, 120), (-0.8, 120)])
@pytest.mark.parametrize("sky", [0.0, 0.1])
def test_order_of_sharpness_survives_brightness_and_sky(bright, stars, sky):
    widths = [field_measure(13, fwhm=f, bright=bright, stars=stars, sky=sky).fwhm for f in (2.9, 3.0, 3.1)]
    assert widths == sorted(widths)
    assert widths[1] == pytest.approx(3.0, rel=0.02)


def test_levels_noise_and_cover_are_told():
    field = star_field(14, colour=True, sky=0.03, noise=3e-4)
    image = field.image * np.array([1.0, 1.5, 0.5], np.float32)
    image[:30] = np.nan
    measure = grade_frame(image)
    assert measure.sky == pytest.approx((0.03, 0.045, 0.015), rel=2e-3)
    assert measure.channel_noise == pytest.approx((3e-4, 4.5e-4, 1.5e-4), rel=0.03)
    assert measure.noise == pytest.approx(3e-4 * math.sqrt(1 + 4 * 1.5**2 + 0.5**2) / 4, rel=0.03)
    assert measure.covered == pytest.approx(0.95)
    assert measure.tiles.shape == (10, 13, 3) and measure.tile_px == 64
    np.testing.assert_array_equal(measure.gaps, [[y, 0, 800] for y in range(30)])


def test_the_sky_of_24_million_pixels_is_not_lost_to_rounding():
    """A running sum in float32 ends far off after so many values (2e7 ones add up to 1.7e7); relative error below 1e-5."""
    rows = (np.arange(4000) % 3 - 1).astype(np.float32)[:, None]
    measure = grade_frame(np.float32(0.1) + np.float32(1e-4) * np.broadcast_to(rows, (4000, 6000)))
    assert measure.sky[0] == pytest.approx(0.1, rel=1e-5)


def test_noise_of_moved_frames_is_not_flattered():
    # A shift by half a pixel in both axes halves the scatter of the pixels; graded noise must not follow.
    quiet = field_measure(15, correlated=True).noise
    assert 0.83 * 2e-4 < quiet < 2e-4


def test_star_list_has_places_light_and_peaks_of_unsaturated_stars():
    field = star_field(16, stars=60, margin=30, clip=0.5, bright=1.5)
    measure = grade_frame(np.where(field.image >= 0.5, 1.0, field.image).astype(np.float32))
    stars = measure.star_list
    assert stars.dtype == np.float32 and stars.shape[1] == 4 and (np.diff(stars[:, 2]) <= 0).all()
    distance = np.hypot(stars[:, :1] - field.catalogue[:, 0], stars[:, 1:2] - field.catalogue[:, 1])
    truth = field.catalogue[distance.argmin(1), 2]
    assert distance.min(1).max() < 0.5
    assert np.median(stars[:, 2] / truth) == pytest.approx(1.0, abs=0.01)
    assert (stars[:, 3] < 0.5).all()


@pytest.mark.parametrize("kind", ["native", ">f4", "f8"])
def test_byte_order_and_float_type_do_not_matter(kind):
    # Foreign byte order was refused or garbled elsewhere (sep issues 10 and 57).
    image = star_field(17, 300, 400).image
    given = image if kind == "native" else image.astype(kind)
    copy = given.copy()
    measure = grade_frame(given)
    assert measure.fwhm == grade_frame(image).fwhm and measure.stars == grade_frame(image).stars
    np.testing.assert_array_equal(given, copy)


def test_integers_are_refused_with_the_remedy():
    with pytest.raises(ArgumentError, match="divide by the white level"):
        grade_frame(np.zeros((50, 50), np.uint16))


def test_same_frame_same_result():
    image = star_field(18, 300, 400, colour=True).image
    one, two = grade_frame(image), grade_frame(image)
    np.testing.assert_array_equal(one.star_list, two.star_list)
    np.testing.assert_array_equal(one.tiles, two.tiles)
    assert (one.fwhm, one.noise, one.beta) == (two.fwhm, two.noise, two.beta)


@pytest.mark.parametrize(
    "name, image, words",
    [
        ("black", np.zeros((200, 300), np.float32), "all pixels are equal"),
        ("saturated", np.ones((200, 300, 3), np.float32), "saturated"),
        ("no data", np.full((200, 300), np.nan, np.float32), "no data"),
        ("tiny", np.full((4, 4), 0.1, np.float32), "no stars"),
    ],
)
def test_frames_without_stars_say_why(name, image, words):
    measure = grade_frame(image)
    assert measure.stars == 0 and math.isnan(measure.fwhm) and len(measure.star_list) == 0
    assert words in measure.words[0]


def test_frames_without_noise_are_graded():
    measure = grade_frame(star_field(27, 400, 500, stars=40, noise=0.0, margin=20).image)
    assert measure.stars >= 30 and measure.fwhm == pytest.approx(3.4, rel=0.01)
    table = grade_table([info("a.fits"), info("b.fits")], [measure, measure])
    assert all(row.transparency == pytest.approx(1.0) for row in table)


def test_clouds_have_no_stars():
    rng = np.random.default_rng(19)
    import cv2

    clouds = cv2.resize(rng.normal(0.2, 0.03, (12, 16)).astype(np.float32), (800, 600), interpolation=cv2.INTER_CUBIC)
    measure = grade_frame(clouds + rng.normal(0, 1e-3, clouds.shape).astype(np.float32))
    assert measure.stars == 0 and "nothing in the frame looks like a star" in measure.words[0]


def test_saturated_disc_is_no_star():
    field = star_field(20, stars=40, margin=30)
    image = field.image.copy()
    yy, xx = np.mgrid[:600, :800]
    image[np.hypot(yy - 300, xx - 400) < 30] = 1.0
    image[:, 398:403] = 1.0
    measure = grade_frame(image)
    assert 25 <= measure.stars <= 42
    assert (np.hypot(measure.star_list[:, 0] - 400, measure.star_list[:, 1] - 300) > 33).all()


def test_a_gap_in_a_core_spares_the_frame():
    # A single missing pixel stopped width fits elsewhere (photutils thread 2029).
    field = star_field(21, stars=40, margin=30)
    image = field.image.copy()
    for x, y, _ in field.catalogue[:5]:
        image[round(y), round(x)] = np.nan
    assert grade_frame(image).fwhm == pytest.approx(3.4, rel=0.01)


def test_few_stars_are_flagged():
    measure = grade_frame(star_field(22, 300, 400, stars=4, margin=30, faint=0).image)
    assert 1 <= measure.stars <= 4 and "widths are rough" in measure.words[0]


def test_bilinear_debayering_widens_stars_by_as_much_as_is_said():
    field = star_field(23, fwhm=5.0, stars=120)
    width = grade_frame(debayered(field.image)).fwhm
    assert math.sqrt(width**2 - 5.0**2) == pytest.approx(1.8, abs=0.3)


def test_arguments_are_checked():
    with pytest.raises(ArgumentError, match="`tile_px`"):
        grade_frame(np.zeros((50, 50), np.float32), tile_px=2)


@pytest.mark.parametrize("fwhm", [2.2, 3.0, 4.0])
def test_a_small_field_of_few_gaussian_stars(fwhm):
    # FWHM = 2 sqrt(2 ln 2) sigma; bright, so that the limit of beta and not noise decides where the fits end
    rng = np.random.default_rng(7)
    yy, xx = np.mgrid[:96, :128]
    image = 100 * (1 + 0.2 * xx / 128) + rng.normal(0, 5, (96, 128))
    places = [(x + rng.uniform(-0.5, 0.5), y + rng.uniform(-0.5, 0.5)) for x in (16, 48, 80, 112) for y in (16, 48, 80)]
    for (x, y), peak in zip(places, np.geomspace(300, 20000, 12), strict=True):
        image += peak * np.exp(-4 * np.log(2) * ((xx - x) ** 2 + (yy - y) ** 2) / fwhm**2)
    measure = grade_frame((image / 65535).astype(np.float32))
    assert measure.stars == 12 and not measure.words
    assert measure.fwhm == pytest.approx(fwhm, rel=0.01)
    assert measure.eccentricity < 0.1


def test_faint_gaussian_stars_keep_their_width():
    # peaks of 20 sigma, ten fields of 25 stars: 1.4 % too small on the average, where a Moffat of beta 20 at most gives 2.3 %
    widths = []
    yy, xx = np.mgrid[:200, :260]
    for seed in range(60, 70):
        rng = np.random.default_rng(seed)
        image = 100 + rng.normal(0, 5, (200, 260))
        for x, y in zip(rng.uniform(10, 250, 25), rng.uniform(10, 190, 25), strict=True):
            image += 100 * np.exp(-4 * np.log(2) * ((xx - x) ** 2 + (yy - y) ** 2) / 3.0**2)
        widths.append(grade_frame((image / 65535).astype(np.float32)).fwhm)
    assert np.mean(widths) == pytest.approx(3.0, rel=0.02)


# ---------------------------------------------------------------- against others
def test_width_agrees_with_photutils_fits():
    # photutils.psf.fit_fwhm fits Gaussians: on Gaussian-like stars (beta 25) both must agree
    from photutils.psf import fit_fwhm

    field = star_field(24, 300, 400, stars=25, margin=25, beta=25.0, faint=-0.3, sky=0.0)
    places = field.catalogue[:, :2]
    theirs = np.median(fit_fwhm(field.image, xypos=places, fwhm=3.4, fit_shape=11))
    assert grade_frame(field.image).fwhm == pytest.approx(float(theirs), rel=0.01)


def test_shape_agrees_with_sep_moments_where_those_are_right():
    # sep.extract: windowless isophotal moments give the axis ratio and angle of well sampled bright elongated stars
    sep = pytest.importorskip("sep")
    field = star_field(25, 400, 500, stars=30, margin=30, fwhm=6.0, eccentricity=0.6, angle=35.0, beta=25.0, faint=0.3, sky=0.0)
    found = sep.extract(field.image, 1.5 * field.noise)
    found = found[(found["flag"] == 0) & (found["npix"] > 50)]
    measure = grade_frame(field.image)
    assert measure.eccentricity == pytest.approx(float(np.median(np.sqrt(1 - (found["b"] / found["a"]) ** 2))), abs=0.03)
    assert measure.angle == pytest.approx(float(np.degrees(np.median(found["theta"])) % 180), abs=2)


def test_sky_and_noise_agree_with_sep():
    # sep.Background: the level and scatter of a star field's sky (white noise, where its pixel scatter is the true noise)
    sep = pytest.importorskip("sep")
    field = star_field(26, 500, 600, stars=60, sky=0.05)
    theirs = sep.Background(field.image, bw=64, bh=64)
    measure = grade_frame(field.image)
    assert measure.sky[0] == pytest.approx(theirs.globalback, abs=0.2 * field.noise)
    assert measure.noise == pytest.approx(theirs.globalrms, rel=0.04)


def decam(name):
    from astropy.io import fits

    with gzip.open(DATA / "decam_ten_exposures" / f"DEC-OBS{name}.mini.fits.gz") as handle:
        return np.asarray(fits.getdata(handle), np.float32) / np.float32(65535)


def test_ten_real_exposures_come_in_their_known_order():
    # Widths from Moffat least squares of the field's few stars with scipy, px
    known = {
        "18c": 3.39,
        "18e": 3.40,
        "18a": 3.61,
        "04e": 3.74,
        "18b": 3.80,
        "18d": 3.87,
        "04b": 4.76,
        "04d": 4.84,
        "04a": 4.93,
        "04c": 5.51,
    }
    measures = {name: grade_frame(decam(name)) for name in known}
    for name, width in known.items():
        assert measures[name].fwhm == pytest.approx(width, rel=0.04)
    sharp = sorted(known, key=lambda name: measures[name].fwhm)
    assert set(sharp[:3]) == {"18c", "18e", "18a"} and sharp[-1] == "04c" and set(sharp[6:]) == {"04b", "04d", "04a", "04c"}
    table = grade_table([info(f"{name}.fits", 256, 256) for name in known], list(measures.values()))
    assert all(0.5 < row.transparency < 1.3 for row in table)


@pytest.mark.parametrize(
    "file, published",
    [
        ("k4m_160319_075112_ooi_zd_ls9.CCD3.fits", 3.49),
        ("ksb_180313_081856_ooi_g_ls9.CCD4.fits", 2.87),
        ("ksb_170430_055945_ooi_r_ls9.CCD4.fits", 2.89),
        ("c4d_170316_062107_ooi_z_ls9.N2.fits", 3.69),
    ],
)
def test_widths_of_survey_cut_outs(file, published):
    # The survey's own width of the whole exposure; a cut-out with two to four stars differs by up to 15 %.
    from astropy.io import fits

    with fits.open(DATA / "survey_fwhm" / file) as hdus:
        image = np.asarray(hdus[1].data, np.float32)
    assert grade_frame(image / np.float32(1.1 * np.nanmax(image))).fwhm == pytest.approx(published, rel=0.16)


def test_faint_star_on_a_pedestal():
    # stellarphot's published check: 6.6 px within 10 %; naive moments give more than 7
    from astropy.io import fits

    image = np.asarray(fits.getdata(DATA / "survey_fwhm" / "cutout_for_fwhm_test.fits"), np.float32)
    assert grade_frame(image / np.float32(1000)).fwhm == pytest.approx(6.6, rel=0.1)


# ---------------------------------------------------------------- the set
def night(scales, fwhms=None, exposures=None, **options):
    catalogue = random_catalogue(np.random.default_rng(30), 80, 500, 600, -0.8, 0.9, margin=15)
    fwhms = fwhms or [3.2] * len(scales)
    frames = [
        grade_frame(star_field(40 + i, 500, 600, catalogue=catalogue, scale=s, fwhm=f, **options).image)
        for i, (s, f) in enumerate(zip(scales, fwhms, strict=True))
    ]
    exposures = exposures or [60.0] * len(scales)
    return [info(f"f{i}.fits", 500, 600, e) for i, e in enumerate(exposures)], frames


def by_name(table):
    return {row.file: row for row in table}


def test_transparency_is_right_within_half_a_percent_whatever_the_seeing():
    scales = [1.0, 0.8, 0.5, 0.95, 0.7, 0.3]
    infos, measures = night(scales, [2.6, 4.5, 3.2, 3.0, 2.6, 3.4])
    rows = by_name(grade_table(infos, measures))
    for i, scale in enumerate(scales):
        assert rows[f"f{i}.fits"].transparency / rows["f0.fits"].transparency == pytest.approx(scale, rel=0.005)
    assert max(row.transparency for row in rows.values()) == pytest.approx(1.0, rel=0.01)


def test_crowds_do_not_change_brightness_or_width():
    """A star every 400 px^2, most of them in each other's wings."""
    catalogue = random_catalogue(np.random.default_rng(8), 900, 540, 660, -1.5, 0.7)
    scales, widths = (1.0, 0.8, 0.5), (2.6, 4.2, 3.4)
    frames = [
        grade_frame(star_field(60 + i, 540, 660, catalogue=catalogue, scale=s, fwhm=f).image)
        for i, (s, f) in enumerate(zip(scales, widths, strict=True))
    ]
    np.testing.assert_allclose([frame.fwhm for frame in frames], widths, rtol=0.005)
    assert min(frame.stars for frame in frames) > 320  # more than were fitted
    np.testing.assert_allclose([frame.beta for frame in frames], 3.0, rtol=0.03)
    brightness, _ = star_brightness(frames)
    np.testing.assert_allclose(brightness / brightness[0], scales, rtol=0.005)


def test_exposure_is_taken_out_of_transparency_but_not_of_the_scale():
    infos, measures = night([1.0, 2.0, 1.8], exposures=[60.0, 120.0, 120.0])
    rows = by_name(grade_table(infos, measures))
    assert rows["f0.fits"].transparency == pytest.approx(rows["f1.fits"].transparency, rel=0.005)
    assert rows["f2.fits"].transparency == pytest.approx(0.9 * rows["f1.fits"].transparency, rel=0.005)
    assert rows["f0.fits"].flux_scale / rows["f1.fits"].flux_scale == pytest.approx(2.0, rel=0.005)


def test_a_frame_that_is_there_twice_is_told():
    """No two exposures agree to the last digit; a copy under another name, or in another format, does."""
    measures = [field_measure(seed, noise=2e-3, stars=60) for seed in (31, 32)]
    infos = [info(f"f{i}.fits") for i in range(2)]
    assert not any("twice" in text for text in grade_table(infos, measures).words)
    (words,) = [text for text in grade_table([*infos, info("f1 copy.fits")], [*measures, measures[1]]).words if "twice" in text]
    assert "f1 copy.fits (of f1.fits)" in words and "exclude.files" in words
    many = grade_table([info(f"f{i}.fits") for i in range(8)], [measures[0]] * 8).words[-1]
    assert "f4.fits (of f0.fits) and 3 more." in many


def test_skies_cut_off_at_black_are_told():
    """A pedestal too low: blue's darker pixels all became 0; white came out 20 % wrong without a word on why."""
    image = star_field(31, colour=True, noise=2e-3, stars=60).image.copy()
    whole = grade_frame(image)
    sky = float(np.median(image[..., 2]))
    image[..., 2] = np.maximum(image[..., 2] - (sky - 5e-4), 0)
    cut = grade_frame(image)
    assert max(whole.black) < 0.001 and cut.black[0] == whole.black[0] and 0.1 < cut.black[2] < 0.6
    infos = [replace(info(f"f{i}.fits"), channels=3) for i in range(3)]
    (words,) = [text for text in grade_table(infos, [whole, cut, cut]).words if "black" in text]
    assert words.startswith("2 of 3 frames are cut off at black") and "of blue hold" in words
    assert not any("black" in text for text in grade_table(infos, [whole] * 3).words)
    coarse = np.round(star_field(31, noise=2e-3, stars=60).image / 6e-3) * np.float32(6e-3)
    assert max(grade_frame(coarse.astype(np.float32)).black) < 0.02
    assert grade_frame(np.full((64, 64, 3), np.nan, np.float32)).black == (0.0, 0.0, 0.0)


@pytest.mark.parametrize(("channels", "share"), [(1, 1.0), (3, math.sqrt(6) / 4)])
def test_noise_hidden_by_the_steps_of_whole_numbers_is_that_of_rounding(channels, share):
    """8-bit frames whose noise is far below one step show nought or anything; none may outweigh the others. Rounding: step / sqrt 12."""
    measures = [field_measure(31, noise=2e-3, stars=60)] * 4
    hidden = [replace(measures[0], noise=0.0, channel_noise=(0.0,) * channels), replace(measures[1], noise=1e-9), *measures[2:]]
    infos = [replace(info(f"f{i}.fits"), channels=channels, bitpix=8, white_level=255.0) for i in range(4)]
    table = grade_table(infos, hidden)
    noise = {row.file: row.measure.noise for row in table}
    assert [noise["f0.fits"], noise["f1.fits"]] == pytest.approx([share / 255 / math.sqrt(12)] * 2)
    assert noise["f2.fits"] == measures[2].noise
    assert np.isfinite([row.snr for row in table]).all()
    assert any(text.startswith("2 of 4 frames have less noise than their 8-bit numbers have steps") for text in table.words)
    floats = [replace(one, bitpix=-32) for one in infos]
    assert not any("steps" in text for text in grade_table(floats, measures).words)
    assert {row.measure.noise for row in grade_table(floats, hidden)} == {m.noise for m in hidden}
    known = grade_table(infos, hidden, shared=shared_brightness(infos, hidden))
    assert [(row.transparency, row.snr) for row in known] == [(row.transparency, row.snr) for row in table]


def test_reference_has_scale_one_and_snr_follows_light_over_noise():
    infos, measures = night([1.0, 0.5, 1.0], [3.0, 3.1, 3.2])
    table = grade_table(infos, measures)
    rows = by_name(table)
    assert sum(row.flux_scale == 1.0 for row in table) == 1 and rows["f0.fits"].flux_scale == 1.0
    assert rows["f1.fits"].snr / rows["f0.fits"].snr == pytest.approx(0.5 * 3.0 / 3.1, rel=0.05)
    # a Gaussian star's noise is that of 1/sum(p^2) = 4 pi sigma^2 pixels, p its share of light in a pixel (King 1983, PASP 95, 163)
    brightness, typical = star_brightness(measures)
    pixels = 4 * math.pi * (measures[0].fwhm / math.sqrt(8 * math.log(2))) ** 2
    assert rows["f0.fits"].snr == pytest.approx(typical * brightness[0] / (measures[0].noise * math.sqrt(pixels)), rel=1e-3)
    # the best SNR of all makes no reference of a frame that is not among the sharper half
    quiet = [*measures[:2], replace(measures[2], noise=measures[2].noise / 3)]
    assert by_name(grade_table(infos, quiet))["f0.fits"].flux_scale == 1.0
    assert [row.file for row in table] == ["f0.fits", "f1.fits", "f2.fits"]


def test_brightness_does_not_hang_on_the_order():
    _, measures = night([1.0, 0.6, 0.8])
    forward, _ = star_brightness(measures)
    backward, _ = star_brightness(measures[::-1])
    np.testing.assert_allclose(forward / forward[0], backward[::-1] / backward[-1], rtol=2e-3)


def test_frames_without_stars_are_out_and_the_rest_goes_on():
    infos, measures = night([1.0, 0.9])
    black = grade_frame(np.zeros((500, 600), np.float32))
    table = grade_table([*infos, info("black.fits", 500, 600)], [*measures, black])
    assert table[-1].file == "black.fits" and table[-1].excluded.startswith("no stars")
    assert len(table.used) == 2 and any("black.fits" in word for word in table.words)
    assert math.isnan(table[-1].transparency) and math.isfinite(table[0].transparency)


def test_a_set_without_any_star_is_graded_too():
    black = grade_frame(np.zeros((100, 100), np.float32))
    table = grade_table([info("a.fits"), info("b.fits")], [black, black])
    assert len(table.used) == 0 and len(table) == 2


def test_a_frame_of_another_field_has_no_transparency_but_a_scale_by_exposure():
    infos, measures = night([1.0, 0.9])
    other = grade_frame(star_field(77, 500, 600, stars=60).image)
    table = grade_table([*infos, info("other.fits", 500, 600, 120.0)], [*measures, other])
    row = by_name(table)["other.fits"]
    assert math.isnan(row.transparency) and row.flux_scale == pytest.approx(0.5, rel=0.15)
    assert any("other.fits" in word and "no star in common" in word for word in table.words)


def test_a_richer_frame_of_another_field_does_not_become_the_measure_of_all():
    infos, measures = night([1.0, 0.9, 0.5])
    other = grade_frame(star_field(77, 500, 600, stars=150).image)
    assert len(other.star_list) > max(len(measure.star_list) for measure in measures)
    rows = by_name(grade_table([info("other.fits", 500, 600), *infos], [other, *measures]))
    assert math.isnan(rows["other.fits"].transparency) and math.isnan(rows["other.fits"].snr)
    for name, scale in (("f0.fits", 1.0), ("f1.fits", 0.9), ("f2.fits", 0.5)):
        assert rows[name].transparency == pytest.approx(scale, rel=0.01)


def test_unknown_exposures_count_as_equal():
    infos, measures = night([1.0, 0.5], exposures=[60.0, 60.0])
    table = grade_table([infos[0], replace(infos[1], exposure_s=None)], measures)
    assert by_name(table)["f1.fits"].transparency == pytest.approx(0.5 * by_name(table)["f0.fits"].transparency, rel=0.01)


def test_one_header_without_exposure_leaves_the_transparency_of_the_others():
    infos, measures = night([1.0, 2.0, 0.9, 2.0], exposures=[60.0, 120.0, 60.0, 120.0])
    table = grade_table([*infos[:3], replace(infos[3], exposure_s=None)], measures)
    rows = by_name(table)
    assert rows["f0.fits"].transparency == pytest.approx(rows["f1.fits"].transparency, rel=0.005)
    assert rows["f2.fits"].transparency == pytest.approx(0.9 * rows["f1.fits"].transparency, rel=0.005)
    assert any("f3.fits. Their transparency is a guess" in text for text in table.words)
    assert not any("guess" in text for text in grade_table(infos, measures).words)


def test_frames_of_another_gain_are_not_taken_for_cloudy_ones():
    scales = [1.0, 0.5, 1.0, 1.0, 1.0, 0.6, 0.5, 0.3, 0.5, 0.5, 0.5, 0.5]
    infos, measures = night(scales)
    gains = [100] * 6 + [0] * 6
    infos = [replace(one, cards=(("GAIN", gain, "camera setting"),)) for one, gain in zip(infos, gains, strict=True)]
    rows = by_name(grade_table(infos, measures))
    for i, (scale, gain) in enumerate(zip(scales, gains, strict=True)):
        assert rows[f"f{i}.fits"].transparency == pytest.approx(scale if gain else 2 * scale, rel=0.01)


def test_given_measurements_take_the_place_of_measured_ones():
    infos, measures = night([1.0, 0.9])
    given = {"f1.fits": {"fwhm": 2.0, "eccentricity": 0.5, "score": 7.0}, "lost.fits": {"fwhm": 1.0}}
    table = grade_table(infos, measures, given=given)
    first = table[0]
    assert first.file == "f1.fits" and first.fwhm == 2.0 and first.extra == {"score": 7.0}
    assert first.fwhm_major == pytest.approx(2.0 / (1 - 0.25) ** 0.25)
    assert any("lost.fits" in word for word in table.words)
    line = by_name(grade_table(infos, measures, given={"f0.fits": {"eccentricity": 1.0}}))["f0.fits"]
    assert line.fwhm < line.fwhm_major < math.inf


def test_a_frame_whose_stars_are_given_takes_part_whatever_was_found():
    infos, measures = night([1.0, 0.9])
    given = {"black.fits": {"stars": 41.0, "fwhm_major": 2.0}}
    black = grade_frame(np.zeros((500, 600), np.float32))
    table = grade_table([*infos, info("black.fits", 500, 600)], [*measures, black], given=given)
    assert table.used[0].file == "black.fits" and table.used[0].stars == 41


def test_lists_of_different_length_are_refused():
    with pytest.raises(ArgumentError, match="`measures`"):
        grade_table([info()], [])
