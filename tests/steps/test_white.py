import numpy as np
import pytest

from layerblend.demo.stars import draw_stars as draw_moffat_stars
from layerblend.errors import ArgumentError
from layerblend.maths.blackbody import BANDS_NM, DUST_OVER_V, SECOND_RADIATION_M_K, blackbody_rgb, kelvin_of_bv, through_dust
from layerblend.steps.white import (
    DUST_ACROSS,
    SLOPE,
    USUAL_STAR_KELVIN,
    _directions,
    _from_population,
    _measured,
    fit_slope,
    left_over_green,
    log_ratios,
    unusual_spread,
    white_balance,
)
from tests.scenes.sky import draw_stars, dusty_stars, extinction, make_scene


@pytest.fixture(scope="module")
def scene():
    return make_scene(301, kind="mix", amplitude=10, frac=1 / 20, n_stars=150, shape=(600, 900), white=(0.7, 1, 1.4), with_galaxy=False)


def test_stars_give_the_factors(scene) -> None:
    white = white_balance(scene.image - scene.sky, saturated=(scene.image > 0.9 * scene.full).any(-1))
    across = np.log(white.factors * (0.7, 1, 1.4)) @ (1.31, 0, 1) / np.hypot(1.31, 1)
    assert white.factors[1] == 1
    assert abs(across) < 0.02
    assert white.across < 2 < white.along


def test_given_factors_and_sky(scene) -> None:
    np.testing.assert_allclose(white_balance(scene.image, source=(2.0, 1.0, 0.5)).factors, (2, 1, 0.5))
    np.testing.assert_allclose(white_balance(scene.image, source="sky", sky=(2.0, 1.0, 4.0)).factors, (0.5, 1, 0.25))
    with pytest.raises(ArgumentError, match="no light of its own"):
        white_balance(scene.image - scene.sky, source="sky")
    with pytest.raises(ArgumentError, match="three factors"):
        white_balance(scene.image, source=(1.0, -1.0, 1.0))
    with pytest.raises(ArgumentError, match="`source` must hold numbers"):
        white_balance(scene.image, source=("a", "b", "c"))  # type: ignore[arg-type]
    with pytest.raises(ArgumentError, match="stars"):
        white_balance(np.ones((64, 64, 3), np.float32))


def test_coarse_steps_without_noise_give_the_factors_too(scene) -> None:
    """Most pixels of a sky in coarse steps are exactly alike: their noise is measured as 0."""
    image = scene.image - scene.sky
    step = np.float32(20 * np.std(image[:40, :40, 1]))
    coarse = (np.round(image / step) * step).astype(np.float32)
    saturated = (scene.image > 0.9 * scene.full).any(-1)
    assert np.median(np.abs(np.diff(coarse, axis=0))) == 0
    right = white_balance(image, saturated=saturated).factors
    np.testing.assert_allclose(white_balance(coarse, saturated=saturated).factors, right, rtol=0.1)


def test_a_channel_without_data_is_said(scene) -> None:
    image = scene.image.copy()
    image[..., 2] = np.nan
    with pytest.raises(ArgumentError, match="no data in one of its channels"):
        white_balance(image, source="sky")


@pytest.mark.parametrize("green", [1.05, 0.95])
def test_factors_that_leave_the_stars_green_or_magenta_say_so(green: float) -> None:
    """Blackbodies seen by a camera of sensitivities (.7, 1, 1.4): the right factors leave nothing, others what green they put in."""
    rng = np.random.default_rng(3)
    flux = 1000 * blackbody_rgb(np.exp(rng.normal(np.log(5600), 0.26, 400))) * (0.7, 1, 1.4)
    stars = np.hstack([np.zeros((400, 2)), flux, np.full((400, 3), 0.01)])
    assert left_over_green(stars, np.array([1 / 0.7, 1, 1 / 1.4])) == pytest.approx(0, abs=0.1)
    # of ln R/G = ln B/G = -ln g, what lies across the line of slope -1.31: (1.31 + 1) / hypot(1.31, 1)
    expected = 100 * np.log(green) * 2.31 / np.hypot(1.31, 1)
    assert left_over_green(stars, np.array([1 / 0.7, green, 1 / 1.4])) == pytest.approx(expected, rel=0.03)


def catalogue_scene(bv: np.ndarray, fwhm: tuple[float, float, float] = (3.0, 3.0, 3.0)) -> tuple[np.ndarray, np.ndarray]:
    """Stars of known B-V before a camera of sensitivities (.8, 1, 1.25), and their catalogue; each channel's stars of one flux."""
    rng = np.random.default_rng(4)
    x, y = (g.ravel() + rng.uniform(-2, 2, bv.size) for g in np.meshgrid(np.linspace(40, 560, 10), np.linspace(40, 360, bv.size // 10)))
    light = blackbody_rgb(kelvin_of_bv(bv)) * (0.8, 1, 1.25)
    peaks = 0.5 * light / light.max(1, keepdims=True) * (3.0 / np.array(fwhm)) ** 2
    image = draw_stars((400, 600), x, y, peaks, fwhm)
    return (image + rng.normal(0, 2e-4, image.shape)).astype(np.float32), np.stack([x, y, bv], 1)


def test_catalogue_colours_give_the_factors_of_an_unusual_field() -> None:
    """Red giants alone, which taken for usual stars make a blue picture; half of the catalogue lies 8 px beside the stars."""
    bv = np.random.default_rng(5).uniform(1.2, 1.6, 60)
    image, catalogue = catalogue_scene(bv)
    beside = catalogue + np.array([8, 0, -1.4])
    white = white_balance(image, catalogue=np.concatenate([catalogue[:30], beside]))
    np.testing.assert_allclose(white.factors * (0.8, 1, 1.25), 1, atol=0.01)
    assert white.along < 2 and white.source == "catalogue" and len(white.stars) <= 30
    assert white_balance(image).along > 4
    with pytest.raises(ArgumentError, match="matches only 0 of"):
        white_balance(image, catalogue=beside)


def test_noise_alone_multiplies_no_channel() -> None:
    image, _ = catalogue_scene(np.random.default_rng(6).uniform(0.4, 1.2, 60))
    assert _measured(image, None, None, True)[1].tolist() == [1, 1, 1]


@pytest.mark.parametrize(
    ("fwhm", "most", "told"), [((3.3, 3.0, 3.1), 0.02, False), ((3.6, 3.0, 3.2), 0.02, True), ((4.6, 3.0, 3.0), 0.06, True)]
)
def test_a_channel_out_of_focus_is_no_channel_of_less_light(fwhm: tuple[float, float, float], most: float, told: bool) -> None:
    """An aperture of one width of the luminance missed 6, 13 and 36 % more of the red light: the picture became so much too red."""
    image, catalogue = catalogue_scene(np.random.default_rng(6).uniform(0.4, 1.2, 60), fwhm)
    white = white_balance(image, catalogue=catalogue)
    off = np.abs(np.log(white.factors * (0.8, 1, 1.25))).max()
    assert off < most and 100 * off < 2.5 * (white.across + white.along)
    assert any("Star images differ" in word for word in white.words) == told


def test_errors_are_those_of_a_mean_and_a_median_of_so_many_stars() -> None:
    """Fluxes of .03 noise: the ratios scatter across the line by .03 sqrt(1.31^2 + 1 + 2.31^2) / hypot(1.31, 1), and the median of n such
    values is sure to sqrt(pi / 2 n) of it. Along the line the stars' own scatter counts: of 16 times as many a fourth is left."""
    rng = np.random.default_rng(6)
    along, across = [], []
    for n in (100, 1600):
        flux = 1000 * through_dust(blackbody_rgb(np.exp(rng.normal(np.log(5600), 0.26, n))), 0.3) * np.exp(rng.normal(0, 0.03, (n, 3)))
        white = _from_population(np.hstack([np.zeros((n, 2)), flux, np.full((n, 3), 0.03)]))
        along.append(np.sqrt(white.along**2 - 5**2))
        across.append(white.across)
    assert along[0] / along[1] == pytest.approx(4, rel=0.25)
    one = 100 * 0.03 * np.sqrt(1.31**2 + 1 + 2.31**2) / np.hypot(1.31, 1)
    expected = one * np.sqrt(np.pi / 2) * np.sqrt(1 / 100 - 1 / 1600)
    assert np.sqrt(across[0] ** 2 - across[1] ** 2) == pytest.approx(expected, rel=0.25)


def test_a_field_seen_through_the_usual_dust_is_not_taken_for_a_warm_camera() -> None:
    """Stars of 5600 K in the middle, seen through .3 mag of dust (the cosecant law at 30 degrees): the camera's factors come out."""
    rng = np.random.default_rng(5)
    kelvin = np.exp(rng.normal(np.log(5600), 0.26, 4000))
    flux = 1000 * through_dust(blackbody_rgb(kelvin), 0.3) * (0.7, 1, 1.4)
    stars = np.hstack([np.zeros((4000, 2)), flux, np.full((4000, 3), 0.01)])
    white = _from_population(stars)
    error = np.log(white.factors * (0.7, 1, 1.4))[[0, 2]] @ (1, -1.31) / np.hypot(1, 1.31)
    assert abs(error) < 0.02
    # odd sources beside the stars move it little
    stars[:200, 2] *= 5
    odd = _from_population(stars)
    assert np.abs(np.log(odd.factors / white.factors)).max() < 0.04


def test_the_slope_of_few_stars_leans_on_that_of_common_bands() -> None:
    """Slopes scatter by .08 about -1.31 (the prior) and 15 stars of .03 noise tell them to some .2: both together tell them better than
    either, and many good stars tell them alone."""
    rng, off, alone = np.random.default_rng(7), [], []
    for _ in range(200):
        slope = rng.normal(-1.31, 0.08)
        red = rng.normal(0, 0.12, 15)
        ratios = np.stack([red, slope * red], 1) + rng.normal(0, 0.03, (15, 2))
        off.append(fit_slope(ratios, np.ones(15)) - slope)
        alone.append(np.polyfit(*ratios.T, 1)[0] - slope)
    assert np.std(off) < 0.085 < np.std(alone)
    red = rng.normal(0, 0.2, 4000)
    assert fit_slope(np.stack([red, -1.5 * red], 1) + rng.normal(0, 0.01, (4000, 2)), np.ones(4000)) == pytest.approx(-1.5, abs=0.01)


def test_a_catalogue_and_a_list_of_stars_count_wherever_they_lie() -> None:
    """Stars on brighter ground are stars all the same where somebody says so."""
    bv = np.random.default_rng(5).uniform(0.4, 1.2, 100)
    image, catalogue = catalogue_scene(bv)
    image[:200] += 0.05
    assert len(white_balance(image).stars) <= 60
    assert len(white_balance(image, catalogue=catalogue).stars) > 80
    assert len(white_balance(image, star_list=catalogue[:, :2]).stars) > 80


def test_a_galaxys_knots_are_not_taken_for_stars() -> None:
    """110 usual stars and 50 blue knots that look like stars, which lie on the light of a galaxy; stars of 5600 K behind .3 mag of dust."""
    rng = np.random.default_rng(11)
    y, x = np.mgrid[:500, :700]
    galaxy = 60 * np.exp(-np.hypot(x - 350, y - 250) / 60)
    image = galaxy[..., None] * np.array([1.1, 1, 0.8]) + rng.normal(0, 1, (500, 700, 3))
    image = image.astype(np.float32)
    colours = np.vstack(
        [through_dust(blackbody_rgb(5600 * np.exp(rng.normal(0, 0.26, 110))), 0.3), np.tile(blackbody_rgb(16000.0), (50, 1))]
    )
    angle, distance = rng.uniform(0, 2 * np.pi, 50), rng.uniform(60, 170, 50)
    places = np.vstack(
        [rng.uniform(20, (680, 480), (110, 2)), np.stack([350 + distance * np.cos(angle), 250 + distance * np.sin(angle)], 1)]
    )
    flux = rng.uniform(600, 4000, (160, 1)) * colours / colours.mean(1, keepdims=True)
    for channel in range(3):
        plane = np.zeros((500, 700), np.float32)
        draw_moffat_stars(plane, places[:, 0], places[:, 1], flux[:, channel], np.full(160, 3.0), 3.5)
        image[..., channel] += plane
    white = white_balance(image)
    along = np.log(white.factors)[[0, 2]] @ (1, -1.31) / np.hypot(1, 1.31)
    assert len(white.stars) >= 60
    assert abs(along) < 0.07
    assert white.along < 8


def test_the_dust_of_the_scenes_is_the_published_curve() -> None:
    """Cardelli, Clayton & Mathis 1989, ApJ 345, 245, table 3, R_V 3.1: B 1.337, V 1, R .751 (the formula is known to miss B by 1 %)."""
    np.testing.assert_allclose(extinction(1000 / np.array([2.27, 1.82, 1.43])), (1.337, 1, 0.751), rtol=0.012)
    np.testing.assert_allclose(extinction(BANDS_NM), DUST_OVER_V, atol=0.002)


@pytest.mark.parametrize(("r_v", "share"), [(2.1, -0.10), (3.1, -0.05), (5.5, 0.05)])
def test_dust_across_the_line_is_what_the_published_curve_gives(r_v: float, share: float) -> None:
    """Cardelli, Clayton & Mathis 1989, over bands of 80 nm: what `DUST_ACROSS` rests on."""
    nm = np.array([centre + np.linspace(-40, 40, 81) for centre in BANDS_NM])
    photons = 1 / (nm**4 * np.expm1(SECOND_RADIATION_M_K / (1e-9 * nm * USUAL_STAR_KELVIN)))
    clear, dusty = (np.log((photons * 10 ** (-0.4 * mag * extinction(nm, r_v))).sum(1)) for mag in (0.0, 1.0))
    red, green, blue = dusty - clear
    along, across = _directions(SLOPE)
    moved = np.array([red - green, blue - green])
    assert moved @ across / (moved @ along) == pytest.approx(share, abs=0.01)
    assert abs(share) <= 2 * DUST_ACROSS


@pytest.mark.parametrize(("r_v", "magnitudes", "across_over"), [(3.1, 2.0, 0.1), (3.1, 4.0, 0.1), (2.6, 2.0, 0.2)])
def test_errors_behind_patchy_dust_are_said(r_v: float, magnitudes: float, across_over: float) -> None:
    """Behind heavy patchy dust the balance is off; how often by more than twice what it says."""
    over = []
    for number in range(16):
        white = _from_population(dusty_stars(np.random.default_rng(900 + number), 200, magnitudes, r_v))
        error = 100 * np.log(1 / white.factors)[[0, 2]]
        along, across = abs(error @ (1, -1.31)) / np.hypot(1, 1.31), abs(error @ (1.31, 1)) / np.hypot(1, 1.31)
        over.append((along > 2 * white.along, across > 2 * white.across))
        assert any("patchy dust" in word for word in white.words) == (unusual_spread_of(white) > 0.05)
    assert (np.mean(over, axis=0) <= (0.3, across_over)).all()


def unusual_spread_of(white) -> float:
    return unusual_spread(log_ratios(white.stars[:, 2:5]) @ np.array([1, -1.31]) / np.hypot(1, 1.31))


def test_usual_stars_do_not_scatter_unusually() -> None:
    for number in range(8):
        stars = dusty_stars(np.random.default_rng(number), 400, 0.3, 3.1)
        assert _from_population(stars).along < 8
        assert unusual_spread_of(_from_population(stars)) < 0.06
