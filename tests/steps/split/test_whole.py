"""The whole separation on truth scenes: exact sums, stars gone, knots and core kept, refusals."""

from __future__ import annotations

from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from layerblend.errors import ArgumentError, InputError
from layerblend.maths.noise_line import Noise
from layerblend.steps.split import Split, split_stars, whole
from layerblend.steps.split.model import StarImage, render
from layerblend.steps.split.sources import Field, Sources
from layerblend.steps.split.whole import _checks, _opaque, _words
from tests.scenes.split import Scene, _draw_star, add_moffat, ellipse_form, make_scene
from tests.scenes.split_score import aperture_sums


@pytest.fixture(scope="module")
def scene() -> Scene:
    return make_scene(seed=11)


@pytest.fixture(scope="module")
def parted(scene: Scene) -> Split:
    before = scene.image.copy()
    result = split_stars(scene.image)
    np.testing.assert_array_equal(scene.image, before)
    return result


def residue(scene: Scene, starless: np.ndarray) -> np.ndarray:
    """Error of G in local sigma, smoothed by the star width."""
    off = (starless - scene.starless) / scene.sigma
    off = np.ascontiguousarray(off[..., 1]) if off.ndim == 3 else off
    return cv2.GaussianBlur(off, (0, 0), scene.options.fwhm / 2.355)


def test_sum_gives_the_picture_back(scene: Scene, parted: Split) -> None:
    assert parted.starless.dtype == parted.stars.dtype == np.float32
    assert parted.starless.shape == scene.image.shape
    off = np.abs(parted.starless + parted.stars - scene.image)
    assert np.all(off <= np.spacing(np.maximum(np.abs(scene.image), np.abs(parted.starless))))


def test_residue_under_stars(scene: Scene, parted: Split) -> None:
    """Bars measured on simulated scenes of this kind, as a mean of three: a single bright star before the target can spoil one."""
    figures = [under_stars(scene, parted.starless)]
    for seed in (15, 17):
        other = make_scene(seed=seed, mono=True)
        figures.append(under_stars(other, split_stars(other.image).starless))
    median, worst = np.mean(figures, 0)
    assert median < 0.7
    assert worst < 5


def under_stars(scene: Scene, starless: np.ndarray) -> tuple[float, float]:
    """Median and 95th percentile of the residue where stars shone."""
    lit = scene.stars > scene.sigma
    off = np.abs(residue(scene, starless)[(lit[..., 1] if lit.ndim == 3 else lit) & ~scene.extra["saturated"]])
    return float(np.median(off)), float(np.percentile(off, 95))


def test_what_the_star_image_tells_is_not_filled(scene: Scene, parted: Split) -> None:
    """Its cores miss a hundredth of bright stars' light (`residue` above holds them to it), so that few pixels need their surroundings."""
    assert parted.checks["filled_share"] < 0.014
    assert 0.9 < parted.checks["texture_ratio"] < 1.1


def test_without_data_in_half_of_the_picture_stars_stay_stars_in_the_rest() -> None:
    """What fills a gap is smooth: counted as sky it made all ground look rough, a third of the stars stayed, and all noise was light."""
    scene = make_scene(height=300, width=400, stars=300, saturated=0, seed=48)
    cut = scene.image.copy()
    cut[:, :220] = np.nan
    whole, rest = split_stars(scene.image), split_stars(cut)
    kept_whole, kept_rest = (parted.catalogue["kept"][parted.catalogue["x"] > 250] for parted in (whole, rest))
    assert (kept_rest == "").sum() > 0.9 * (kept_whole == "").sum()
    assert np.isin(kept_rest, ("broad", "long")).sum() < 1.5 * np.isin(kept_whole, ("broad", "long")).sum()
    assert rest.checks["removed_share"] > whole.checks["removed_share"] - 0.05


def test_untouched_where_no_star_is(scene: Scene, parted: Split) -> None:
    far = scene.stars.max(-1) < 0.01 * scene.sigma.min(-1)
    same = (parted.stars == 0).all(-1)
    assert same[far].mean() > 0.5


def test_mask_marks_the_light_that_is_seen(scene: Scene, parted: Split) -> None:
    """What `Split.mask` says of itself, held against the scene's truth: nearly all clear star light, nearly nothing where none shows."""
    brightest = (scene.stars / scene.sigma).max(-1)
    assert parted.mask[brightest > 3].mean() > 0.95
    assert parted.mask[brightest < 0.3].mean() < 0.05


def test_growing_reaches_farther() -> None:
    """`grow`: how far the mended surroundings of a star reach; a star's light is followed, cores and places asked for are mended."""
    scene = make_scene(height=260, width=260, stars=60, saturated=0, target=False, galaxies=0, seed=46, mono=True)
    small, large = (split_stars(scene.image, grow=grow).mask for grow in (0.5, 2.0))
    assert large[small].all() and large.sum() > 1.5 * small.sum()
    core, disc = np.zeros((60, 60), bool), np.array([[40.0, 40.0, 6.0]])
    core[10:20, 10:20] = True
    mended = [_opaque(core, disc, grow) for grow in (0.5, 1.0, 2.0)]
    assert all(a[b].all() and a.sum() > b.sum() for a, b in ((mended[0], core), (mended[1], mended[0]), (mended[2], mended[1])))
    assert core.sum() < mended[0][:30, :30].sum() < mended[1][:30, :30].sum() < mended[2][:30, :30].sum()
    yy, xx = np.mgrid[:60, :60]
    asked = np.hypot(xx - 40, yy - 40)
    assert mended[1][asked < 5.5].all() and not mended[1][(asked > 6.8) & (asked < 8)].any()


def test_catalogue_tells_which_sources_are_wide() -> None:
    """A source a third wider than stars is said to be wider, a star is not, and a clipped core, which tells no width, has the field's."""
    scene = make_scene(height=260, width=260, stars=100, saturated=1, target=False, galaxies=0, seed=43, mono=True)
    o, image, places = scene.options, scene.image.astype(np.float64), ((150.3, 149.8), (90.4, 200.2))
    for (x, y), wider in zip(places, (1.0, 1.33), strict=True):
        add_moffat(image, x, y, 400 * scene.extra["sigma0"], *ellipse_form(wider * o.fwhm, o.eccentricity, o.angle, o.beta), o.beta, 80)
    parted = split_stars(image.astype(np.float32))
    rows, usual = parted.catalogue, parted.checks["fwhm"]
    star, wide = (rows[np.argmin(np.hypot(rows["x"] - x, rows["y"] - y))]["fwhm"] / usual for x, y in places)
    assert abs(star - 1) < 0.04 and 1.06 < wide < 1.4
    assert rows["saturated"].any()
    assert (np.abs(rows["fwhm"][rows["saturated"]] / usual - 1) < 0.1).all()


def test_on_its_side_a_picture_is_parted_the_same() -> None:
    """A law that needs no truth: rows and columns are alike, in a picture that is wider than high as well."""
    scene = make_scene(height=170, width=320, stars=220, saturated=0, target=False, galaxies=4, seed=49, mono=True)
    right = scene.star_list[scene.star_list[:, 0] > 200]
    x, y = right[np.argmin(np.abs(right[:, 3] - 80)), :2]
    upright = split_stars(scene.image, keep=[(x, y)])
    turned = split_stars(np.ascontiguousarray(scene.image.T), keep=[(y, x)])
    assert (upright.catalogue["kept"] == "asked").sum() == (turned.catalogue["kept"] == "asked").sum() == 1
    off = cv2.GaussianBlur(turned.starless.T - upright.starless, (0, 0), scene.options.fwhm / 2.355) / scene.sigma
    assert np.quantile(np.abs(off), 0.999) < 1
    assert (upright.mask == turned.mask.T).mean() > 0.995
    here, there = (np.sort(s.catalogue["peak"][s.catalogue["kept"] == ""][:, 0]) for s in (upright, turned))
    assert abs(len(here) - len(there)) <= 2
    np.testing.assert_allclose(here[-20:], there[-20:], rtol=0.02)
    with pytest.raises(ArgumentError, match=r"keep.*320 x 170"):
        split_stars(scene.image, keep=[(20, 200)])


def test_a_channel_without_data_is_told(scene: Scene) -> None:
    image = scene.image.copy()
    image[..., 2] = np.nan
    with pytest.raises(InputError, match="no pixel is known in all of its channels"):
        split_stars(image)


def test_stars_cut_by_the_edge_go() -> None:
    scene = make_scene(height=300, width=300, stars=900, saturated=0, target=False, galaxies=0, seed=41, mono=True)
    taken = split_stars(scene.image).stars.astype(float)
    x, y, _, strength, _ = scene.star_list.T
    at_edge = (np.minimum(np.minimum(x, 299 - x), np.minimum(y, 299 - y)) < 2.5) & (strength > 12)
    assert at_edge.sum() >= 3
    own, gone = (aperture_sums(a, x[at_edge], y[at_edge], 4.0) for a in (scene.stars.astype(float), taken))
    assert np.median(np.abs(gone / own - 1)) < 0.1
    assert (gone / own > 0.7).mean() >= 0.8


def test_stars_beyond_the_edge_take_their_light_along_and_a_galaxy_does_not() -> None:
    """Stars with their middle up to 3.5 px outside, FWHM 4; the galaxy's light falls by half in 8 px."""
    scene = make_scene(height=400, width=400, stars=500, saturated=0, target=False, galaxies=0, seed=42, mono=True)
    o, image = scene.options, scene.image.astype(np.float64)
    stars, strengths = np.linspace(40, 360, 9), np.geomspace(150, 2000, 9)
    for k, (place, strength) in enumerate(zip(stars, strengths, strict=True)):
        away = -1 - 2.5 * (k % 3) / 2
        x, y = ((away, place), (399 - away, place), (place, away), (place, 399 - away))[k % 4]
        add_moffat(image, x, y, strength * scene.extra["sigma0"], *ellipse_form(o.fwhm, o.eccentricity, o.angle, o.beta), o.beta, 60)
    down, right = np.mgrid[:400, :400]
    galaxy = 150 * scene.extra["sigma0"] * 2.0 ** -(np.hypot(right + 2, down - 245) / 8)
    off = residue(scene, split_stars((image + galaxy).astype(np.float32)).starless - galaxy.astype(np.float32))
    rim = np.ones(off.shape, bool)
    rim[8:-8, 8:-8] = False
    assert np.abs(off[rim & (galaxy < scene.extra["sigma0"])]).max() < 6
    assert abs(off[235:255, :10].mean()) < 1


def test_a_star_with_a_single_clipped_pixel_is_fitted_by_the_rest_of_it() -> None:
    """One frame in fifty was clipped in the brightest pixel: enough to leave the pixel out, too little to make a core."""
    scene = make_scene(height=300, width=300, stars=120, saturated=0, target=False, galaxies=0, seed=43, mono=True)
    image, sigma = scene.image.astype(np.float64), scene.extra["sigma0"]
    o = scene.options
    add_moffat(image, 150.3, 149.8, 5000 * sigma, *ellipse_form(o.fwhm, o.eccentricity, o.angle, o.beta), o.beta, 80)
    saturated = np.zeros(image.shape, np.float32)
    saturated[150, 150] = 0.02
    parted = split_stars(image.astype(np.float32), saturated=saturated)
    star = parted.catalogue[np.hypot(parted.catalogue["x"] - 150.3, parted.catalogue["y"] - 149.8) < 3]
    assert np.hypot(star["x"][0] - 150.3, star["y"][0] - 149.8) < 0.05 and star["kept"][0] == ""
    assert np.abs(residue(scene, parted.starless)[140:161, 140:161]).max() < 3


def test_hot_pixels_that_stand_still_are_told(scene: Scene, parted: Split) -> None:
    """Debayered and stacked without moving the field they stay as knots; hundreds of coloured dots stood in the picture without a word."""
    rng, picture = np.random.default_rng(9), scene.image.copy()
    noise = 1.4826 * np.median(np.abs(np.diff(picture, axis=1)), (0, 1)) / np.sqrt(2)
    spot = np.outer((0.5, 1, 0.5), (0.5, 1, 0.5))
    for x, y in rng.integers(10, np.array(picture.shape[1::-1]) - 10, (60, 2)):
        channel = rng.integers(3)
        picture[y - 1 : y + 2, x - 1 : x + 2, channel] += (80 * noise[channel] * spot).astype(np.float32)
    found = split_stars(picture)
    assert found.checks["one_channel"] >= 20 and any("spots shine in one channel alone" in word for word in found.words)
    assert parted.checks["one_channel"] <= 2 and not any("one channel" in word for word in parted.words)


def test_red_knots_are_no_hot_pixels(scene: Scene, parted: Split) -> None:
    """Glowing hydrogen shines in one channel too, but came through the telescope."""
    rng, picture = np.random.default_rng(9), scene.image.copy()
    noise = 1.4826 * np.median(np.abs(np.diff(picture, axis=1)), (0, 1)) / np.sqrt(2)
    yy, xx = np.mgrid[-15:16, -15:16]
    knot = np.exp(-4 * np.log(2) * (xx**2 + yy**2) / (1.5 * parted.checks["fwhm"]) ** 2)
    for x, y in rng.integers(20, np.array(picture.shape[1::-1]) - 20, (60, 2)):
        picture[y - 15 : y + 16, x - 15 : x + 16, 0] += (80 * noise[0] * knot).astype(np.float32)
    found = split_stars(picture)
    alone = np.sort(found.catalogue["peak"], 1)
    assert (alone[:, 1] < 0.1 * alone[:, 2]).sum() >= 20  # they are seen
    assert found.checks["one_channel"] < 20


@pytest.mark.parametrize("channel", [0, 1])
def test_a_hot_block_in_one_channel_spares_the_stars(scene: Scene, parted: Split, channel: int) -> None:
    """What debayering makes of a hot pixel: clipped, and without light in the other channels."""
    image = scene.image.copy()
    clear = np.argwhere(scene.stars.max(-1) < 0.01 * scene.sigma.min(-1))
    y, x = clear[np.argmin(np.abs(clear - np.array([60, 60])).sum(1))]
    image[y - 1 : y + 2, x - 1 : x + 2, channel] = 1.0
    saturated = scene.extra["saturated"].copy()
    saturated[y - 1 : y + 2, x - 1 : x + 2] = True
    result = split_stars(image, saturated=saturated)
    plain = split_stars(scene.image, saturated=scene.extra["saturated"])
    assert np.isfinite(result.starless).all()
    far = np.hypot(*(np.indices(image.shape[:2]) - np.array([y, x])[:, None, None])) > 60
    moved = np.abs(result.starless - plain.starless)[far] / scene.sigma[far]
    assert np.percentile(moved, 99.9) < 1


def test_the_ground_is_evened_under_clipped_stars_alone(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    """What `tint` does to a picture is tested there; here that it gets the clipped stars, and that what it changes stays changed."""
    seen = []

    def even(starless: np.ndarray, taken: np.ndarray, valid: np.ndarray, noise: float, geo: np.ndarray, *rest: object) -> None:
        seen.append(geo)
        starless[:, :3, :3] += 7

    monkeypatch.setattr(whole, "even_tint", even)
    parted = split_stars(scene.image, saturated=scene.extra["saturated"])
    (geo,) = seen
    x, y = np.rint(geo[:, :2]).astype(int).T
    assert len(geo) >= 2 and all(scene.extra["saturated"][j - 2 : j + 3, i - 2 : i + 3].any() for i, j in zip(x, y, strict=True))
    assert parted.starless[:3, :3].mean() > 6


def test_mono(scene: Scene) -> None:
    plane = np.ascontiguousarray(scene.image[..., 1])
    result = split_stars(plane)
    assert result.starless.shape == plane.shape
    under = (scene.stars[..., 1] > scene.sigma[..., 1]) & ~scene.extra["saturated"]
    assert np.median(np.abs(residue(scene, np.repeat(result.starless[..., None], 3, 2))[under])) < 1.0


def test_grey_in_three_channels_is_split_like_one(scene: Scene) -> None:
    """A mono stack comes as three equal channels: there is no colour to tell stars by, and nothing to fail on."""
    plane = np.ascontiguousarray(scene.image[..., 1])
    grey, mono = split_stars(np.repeat(plane[..., None], 3, 2)), split_stars(plane)
    np.testing.assert_array_equal(grey.starless[..., 0], grey.starless[..., 2])
    apart = np.abs(grey.starless[..., 0] - mono.starless)
    assert np.quantile(apart, 0.98) < 1.0 * float(scene.sigma[..., 1].min())


def test_no_data_stays(scene: Scene) -> None:
    image = scene.image.copy()
    image[:40] = np.nan
    image[300:310, 200:220, 1] = np.nan
    result = split_stars(image)
    np.testing.assert_array_equal(np.isnan(result.starless), np.isnan(image))
    np.testing.assert_array_equal(np.isnan(result.stars), np.isnan(image))
    assert not result.mask[np.isnan(image).any(-1)].any()


def test_stretched_picture_is_refused(scene: Scene) -> None:
    sigma = float(scene.extra["sigma0"])
    with pytest.raises(InputError, match="stretched"):
        split_stars(np.arcsinh(scene.image / (10 * sigma)).astype(np.float32) / 7)


def test_undersampled_stars_are_left_and_said() -> None:
    result = split_stars(make_scene(fwhm=1.4, seed=3, knots=0, target=False).image)
    assert (result.stars == 0).all()
    assert "px wide" in result.words[0]


def test_another_stack_decides_whether_narrow_stars_are_separated() -> None:
    """Stars that stay in the one stack's starless picture and lie in the other's layer would be shown twice."""
    wide, narrow = (make_scene(height=500, width=500, stars=200, fwhm=fwhm, seed=3, knots=0, target=False) for fwhm in (2.4, 1.4))
    decides = split_stars(wide.image)
    followed = split_stars(narrow.image, judged=decides.catalogue)
    assert followed.checks["separated"] == 1 and any("px wide" in word for word in followed.words)
    np.testing.assert_allclose(followed.starless + followed.stars, narrow.image, atol=1e-6)
    assert np.nansum(followed.stars) == pytest.approx(np.nansum(decides.stars) * (1.4 / 2.4) ** 2, rel=0.1)  # of the same peaks


def test_empty_sky_is_left() -> None:
    result = split_stars(np.random.default_rng(1).normal(0, 1e-3, (200, 200)).astype(np.float32))
    assert (result.stars == 0).all() and result.words


@pytest.mark.parametrize("options", [{"grow": 3.0}, {"keep": [[1, 2, 3]]}, {"saturated": np.zeros((3, 3), bool)}, {"remove": [[5000, 10]]}])
def test_wrong_arguments(scene: Scene, options: dict) -> None:
    with pytest.raises(ArgumentError, match=next(iter(options))):
        split_stars(scene.image, **options)


PLACES = np.array([[x, y] for y in range(45, 400, 62) for x in range(45, 400, 62)], float)


def _judged(starless: np.ndarray, reason: list[str], weight: np.ndarray, valid: np.ndarray, wider: float = 0.0) -> dict[str, float]:
    """The self-check of a result whose sources stand at PLACES, all strong, seen in noise of 1."""
    n = len(PLACES)
    geo = np.zeros((n, 7))
    geo[:, :2], geo[:, 2] = PLACES, np.log(4.0)
    fit = np.zeros((n, 7))
    fit[:, 3] = wider
    peak, sources = np.full(n, 5000.0), Sources(geo, np.full(n, 5000.0), np.zeros(n))
    terms = np.zeros((3, 6))
    terms[0, 0] = np.log(4.0)
    field = Field(400, 400, terms, StarImage.moffat(3.0))
    fitted = SimpleNamespace(field=field, sources=sources, fit=fit, spikes=None, ghosts=None)
    reasons = np.array(reason)
    noise = Noise(1.0, 0.0)
    choice = SimpleNamespace(star=reasons == "", reason=reasons, strength=peak)
    return _checks(starless[..., None], weight, valid, noise, fitted, [SimpleNamespace(peak=peak, noise=noise)], choice)


def test_self_check_counts_what_was_left() -> None:
    """36 sources, six kept; of 30 stars six were left with a hundredth of their light, or with a rim, and one star more was not known."""
    rng = np.random.default_rng(3)
    clean = rng.normal(0, 1, (400, 400)).astype(np.float32)
    plane = clean.copy()
    reason = ["", "", "", "", "", "", "broad", "long", "colour", "misfit", "broad", "faint"] + [""] * 24
    weight, valid = np.zeros((400, 400), np.float32), np.ones((400, 400), bool)
    weight[:40] = 1.0
    valid[:20] = False
    quiet = _judged(plane, reason, weight, valid)
    assert (quiet["sources"], quiet["stars"], quiet["knots_kept"], quiet["saturated"]) == (36, 30, 5, 0)
    assert quiet["removed_share"] == 1 and quiet["ring_share"] == 0 and quiet["rim_share"] == 0 and quiet["sides"] < 0.5
    np.testing.assert_allclose(quiet["filled_share"], 20 / 380)
    assert _words(quiet) == ()
    geo = np.zeros((13, 7))
    geo[:12, :2], geo[12, :2], geo[:, 2] = PLACES[:12], (200, 14), np.log(4.0)
    render(plane, geo, np.full(13, 50.0), np.full(13, 24.0), StarImage.moffat(3.0))
    left = _judged(plane, reason, weight, valid)
    np.testing.assert_allclose(left["removed_share"], 1 - 7 / 31)
    np.testing.assert_allclose(left["ring_share"], 6 / 30, atol=0.04)
    yy, xx = np.mgrid[:400, :400]
    for x, y in PLACES[12:18]:
        away = np.hypot(xx - x, yy - y)
        clean[(away > 24) & (away < 28)] += 1.5
    rims = _judged(clean, reason, weight, valid)
    np.testing.assert_allclose(rims["rim_share"], 6 / 30)
    assert 1 < rims["rim_worst"] < 2


def test_light_kept_on_purpose_is_no_streak_beside_the_stars() -> None:
    """Every second source is a galaxy left where it is; what its neighbours show of it is no fault of theirs."""
    plane = np.random.default_rng(4).normal(0, 1, (400, 400)).astype(np.float32)
    galaxies = np.zeros(len(PLACES), bool)
    galaxies[7:29:2] = True
    yy, xx = np.mgrid[:400, :400]
    for x, y in PLACES[galaxies]:
        plane += (60 * np.exp(-0.5 * ((xx - x) ** 2 + (yy - y) ** 2) / 7.0**2)).astype(np.float32)
    none, valid = np.zeros((400, 400), np.float32), np.ones((400, 400), bool)
    kept = _judged(plane, np.where(galaxies, "broad", "").tolist(), none, valid, wider=1.5)
    assert kept["sides"] < 0.75
    assert _judged(plane, np.where(galaxies, "faint", "").tolist(), none, valid)["sides"] > 1.5


def test_words_are_said_where_the_figures_ask_for_them() -> None:
    """No false alarms: structured ground is uneven beside the stars too, a ring at one star in twenty is chance (5 % beyond 2 sigma)."""
    fine = {"removed_share": 0.98, "ring_share": 0.05, "rim_share": 0.05, "rim_worst": 0.6, "sides": 1.0, "sides_ground": 0.6}
    assert _words(fine) == ()
    assert _words({**fine, "sides": 5.0, "sides_ground": 4.0}) == ()
    for change, begin in (
        ({"removed_share": 0.8}, "20% of the compact light"),
        ({"ring_share": 0.3}, "30% of the brighter stars"),
        ({"rim_share": 0.3, "rim_worst": 1.26}, "30% of the brightest stars"),
        ({"sides": 5.0}, "The brightest stars left streaks or patches of light beside them, usually 5.0 times"),
    ):
        (word,) = _words({**fine, **change})
        assert word.startswith(begin) and "colour" not in word  # said of mono pictures too
    assert "1.3 times the noise" in _words({**fine, "rim_share": 0.3, "rim_worst": 1.26})[0]


def test_close_saturated_pairs_go_together() -> None:
    """Median error of the light round clipped pairs 1.2 to 2 FWHM apart, in the local noise; fitted as single stars they left 3 to 8."""
    scene = make_scene(
        height=900, width=900, stars=700, saturated=8, pairs=6, target=False, galaxies=10, seed=105, brightest=20.0, mono=True
    )
    left = np.abs(residue(scene, split_stars(scene.image).starless))
    yy, xx = np.ogrid[:900, :900]
    for k in range(6):
        apart = [np.hypot(xx - x, yy - y) for x, y in scene.star_list[[k, 8 + k], :2]]
        nearest = np.minimum(*apart) / scene.options.fwhm
        assert np.median(left[(nearest > 2) & (nearest < 6)]) < 1.5


def with_bulge(scene: Scene, times: float, length: float = 9.0) -> tuple[np.ndarray, np.ndarray]:
    """The scene and its truth without stars, a bulge more in the target's middle, clipped at 1 where ``times`` is more."""
    o, (x, y) = scene.options, scene.centre
    down, right = np.mgrid[: o.height, : o.width]
    bulge = times * np.exp(-np.hypot(right - x, (down - y) / 0.8) / length)
    bulge = (bulge[..., None] * np.array([1.1, 1.0, 0.7])).astype(np.float32)
    return np.minimum(scene.image + bulge, 1), np.minimum(scene.starless + bulge, 1)


@pytest.mark.parametrize("times", [2.0, 6.0])
def test_a_galaxys_clipped_core_stays_and_is_told(scene: Scene, parted: Split, times: float) -> None:
    """Taken for a star it left a black hole; the bar of a core that does not clip is .98."""
    image, truth = with_bulge(scene, times)
    result = split_stars(image)
    x, y = scene.centre
    core = np.hypot(*(np.mgrid[: image.shape[0], : image.shape[1]] - np.array([y, x])[:, None, None])) < 3 * scene.options.fwhm
    assert abs(result.starless[core].sum() / truth[core].sum() - 1) < 0.02
    told = [word for word in result.words if "is no star's by its course" in word]
    assert len(told) == 1 and f"[{x:.0f}, {y:.0f}]" in told[0]
    row = result.catalogue[result.catalogue["saturated"] & (result.catalogue["kept"] != "")]
    assert len(row) == 1 and row["kept"][0] == "broad" and np.hypot(row["x"][0] - x, row["y"][0] - y) < 1.5
    np.testing.assert_allclose(result.starless + result.stars, image, atol=1e-7)
    far = np.hypot(*(np.mgrid[: image.shape[0], : image.shape[1]] - np.array([y, x])[:, None, None])) > 90
    assert np.abs(result.starless - truth)[far].mean() < 1.4 * np.abs(parted.starless - scene.starless)[far].mean()


def with_nucleus(scene: Scene, peak: float) -> tuple[np.ndarray, np.ndarray]:
    """The scene and its truth without stars, a point like its stars more in the target's middle, clipped at 1."""
    planes = [np.zeros(scene.image.shape[:2]) for _ in range(3)]
    _draw_star(planes, scene.options, *scene.centre, peak * np.array([1.1, 1.0, 0.9]), float(scene.sigma.min()), scene.options.halo)
    point = np.stack(planes, -1).astype(np.float32)
    return np.minimum(scene.image + point, 1), np.minimum(scene.starless + point, 1)


def test_a_galaxys_clipped_point_nucleus_stays_with_the_galaxy(scene: Scene) -> None:
    """Taken for a star, and the brightest, it taught the halo what is the galaxy's: light went from one channel more than from another."""
    image, truth = with_nucleus(scene, 1.5)
    result = split_stars(image)
    x, y = scene.centre
    away = np.hypot(*(np.mgrid[: image.shape[0], : image.shape[1]] - np.array([y, x])[:, None, None]))
    for ring in ((away > 2.5 * scene.options.fwhm) & (away < 12 * scene.options.fwhm), away < 12 * scene.options.fwhm):
        kept = result.starless[ring].sum(0) / truth[ring].sum(0)
        np.testing.assert_allclose(kept, 1, atol=0.03)


def test_what_is_found_in_a_core_that_stays_is_no_star() -> None:
    """The point in its middle looked like one: the core was told to stay, and went."""
    scene = make_scene(seed=1)
    image, truth = with_nucleus(scene, 1.2)
    result = split_stars(image)
    x, y = scene.centre
    rows = result.catalogue[np.hypot(result.catalogue["x"] - x, result.catalogue["y"] - y) < 3]
    assert len(rows) == 2 and (rows["kept"] == "broad").all()
    core = np.hypot(*(np.mgrid[: image.shape[0], : image.shape[1]] - np.array([y, x])[:, None, None])) < 2 * scene.options.fwhm
    np.testing.assert_allclose(result.starless[core].sum(0) / truth[core].sum(0), 1, atol=0.02)


def test_a_clipped_core_that_the_imager_calls_a_star_goes(scene: Scene) -> None:
    image, truth = with_bulge(scene, 2.0, 5.0)
    x, y = (round(place) for place in scene.centre)
    result = split_stars(image, remove=[(x, y)])
    assert (result.starless[y, x] < 0.7 * truth[y, x]).all()


def test_what_the_imager_calls_a_star_is_judged_as_one_from_the_start(scene: Scene) -> None:
    """Kept as a galaxy's core without the place (see above); with it nothing is told of it, and the fit of all stars holds it."""
    image, _ = with_bulge(scene, 2.0)
    x, y = (round(place) for place in scene.centre)
    result = split_stars(image, remove=[(x, y)])
    assert not [word for word in result.words if "is no star's by its course" in word]
    near = result.catalogue["saturated"] & (np.hypot(result.catalogue["x"] - x, result.catalogue["y"] - y) < 3)
    row = result.catalogue[near]
    assert len(row) == 1 and row["kept"][0] == "" and np.isfinite(row["flux"]).all()


def test_what_is_found_dark_is_filled(scene: Scene, parted: Split, monkeypatch: pytest.MonkeyPatch) -> None:
    """The rims that debayering darkened; here any place is said to be one."""
    found = np.zeros(scene.image.shape[:2], bool)
    found[300:304, 100:104] = True
    monkeypatch.setattr("layerblend.steps.split.whole.dark_rims", lambda *_: found)
    starless = split_stars(scene.image).starless
    assert (starless[found] != parted.starless[found]).all()
    far = cv2.dilate(found.astype(np.uint8), np.ones((31, 31), np.uint8)) == 0
    np.testing.assert_allclose(starless[far], parted.starless[far], atol=1e-6)
