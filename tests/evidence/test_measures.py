"""Measures of one result: against values put in."""

from dataclasses import replace
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from layerblend.evidence.correlation import band_contrast
from layerblend.evidence.estimates import CannotMeasureError
from layerblend.evidence.ground import as_rgb, common_ground, lab
from layerblend.evidence.measures import (
    _need,
    _ring_profile,
    all_spectra,
    aperture_flux,
    colour_truth,
    core_clipping,
    limits,
    measure,
    ringing,
    sky_level,
    sky_noise,
    star_flux,
    tile_index,
)
from layerblend.maths.curve import stretch, unstretch
from layerblend.maths.perceptual import decode_srgb, encode_srgb, lab_to_linear, linear_to_oklab, map_gamut
from tests.scenes import evidence as scenes
from tests.scenes.stars import add_stars

FWHM = {0: 3.0, 1: 4.0}


@pytest.fixture(scope="module")
def made():
    scene = scenes.make_scene(5, size=320, stars=49)
    stack = scenes.draw_stack(scene, {0: 1, 1: 1}, fwhm=FWHM)
    curve = scenes.make_curve(stack, scene)
    return scene, stack, curve, scenes.make_subject("plain", scene, stack, curve=curve)


def values(subject, other=None):
    found, reasons = measure(subject, common_ground(subject, other or subject))
    assert not reasons
    return {name: e.value for name, e in found.items()}


def test_noise_is_that_of_the_halves(made):
    scene, _, _, subject = made
    found = values(subject)
    difference = (lab(subject.half_a) - lab(subject.half_b)) / 2
    assert found["sky lightness noise"] == pytest.approx(difference[scene.sky][:, 0].std(), rel=0.05)
    assert found["sky chroma noise"] == pytest.approx(np.hypot(*difference[scene.sky][:, 1:].std(0)), rel=0.05)
    assert found["sky chroma mottle"] < 0.5 * found["sky chroma noise"]


def test_noise_of_a_single_picture_is_right_for_shared_noise(made):
    """White noise moved half a pixel: neighbours share it, the estimate must stay within a tenth of the true scatter."""
    scene, _, _, subject = made
    rng = np.random.default_rng(1)
    noise = rng.normal(0, 1, (*scene.sky.shape, 3))
    noise = (noise + np.roll(noise, 1, 1)) / 2
    flat = np.broadcast_to(np.array([35.0, 0, 0]), noise.shape)
    picture = encode_srgb(lab_to_linear((flat + noise).astype(np.float32))).astype(np.float32)
    bare = replace(subject, picture=picture, half_a=None, half_b=None, linear=None, sky=np.ones_like(scene.sky), stars=None)
    found, _ = measure(bare, common_ground(bare, bare))
    assert found["sky lightness noise (single picture)"].value == pytest.approx(np.sqrt(0.5), rel=0.1)


def test_star_width_survives_the_stretch(made):
    """Width after inverting the recorded stretch is the width of the linear stack: mixture of both groups' seeing."""
    scene, stack, _, subject = made
    again = values(subject)["star fwhm_major"]
    ground = common_ground(subject, subject)
    straight = replace(subject, linear=stack.full)
    assert again == pytest.approx(measure(straight, ground)[0]["star fwhm_major"].value, rel=1e-3)
    assert 3.0 < again < 4.0
    assert scene.stars.shape[1] == 4


def test_flux_ratio_sees_eroded_stars(made):
    _, _, curve, subject = made
    found = values(subject)
    assert found["star flux ratio"] == pytest.approx(1, abs=1e-3)
    eroded = cv2.erode(subject.picture, np.ones((3, 3), np.uint8))
    less = values(replace(subject, picture=eroded, linear=unstretch(eroded, curve)), subject)
    assert less["star flux ratio"] < 0.9


def test_clipped_crushed_and_cores(made):
    _, _, _, subject = made
    picture = subject.picture.copy()
    picture[:32, :64] = 1.0
    picture[-32:, :64, 1] = 0.0
    found = values(replace(subject, picture=picture), subject)
    share = 100 * 32 * 64 / picture[..., 0].size
    assert found["clipped"] == pytest.approx(share, rel=0.02)
    assert found["crushed"] == pytest.approx(share, rel=0.02)
    white = replace(subject, picture=np.where(subject.picture > 0.6, 1, subject.picture).astype(np.float32))
    assert values(white, subject)["core clipping"] > 10


def test_a_dark_ring_is_seen(made):
    _, _, _, subject = made
    assert values(subject)["ringing"] == pytest.approx(0, abs=0.35)
    picture = subject.picture.copy()
    yy, xx = np.mgrid[: picture.shape[0], : picture.shape[1]]
    for x, y, *_ in subject.stars:
        r = np.hypot(xx - x, yy - y)
        picture[(r > 6) & (r < 9)] -= 0.06
    assert values(replace(subject, picture=picture), subject)["ringing"] < -1.5


def test_gradient_and_cast(made):
    _, _, _, subject = made
    before = values(subject)
    planes = lab(subject.picture).astype(np.float32)
    planes[..., 0] += np.linspace(-4, 4, planes.shape[1])[None]
    planes[..., 2] += 3
    after = values(replace(subject, picture=encode_srgb(lab_to_linear(planes)).astype(np.float32)), subject)
    assert after["left-over gradient lightness"] > before["left-over gradient lightness"] + 1
    assert after["sky b*"] == pytest.approx(before["sky b*"] + 3, abs=0.2)
    assert after["sky a*"] == pytest.approx(before["sky a*"], abs=0.2)


def test_colour_against_the_source(made):
    _, _, _, subject = made
    same = values(subject)
    assert same["hue shift"] == 0 and same["chroma ratio"] == pytest.approx(1) and same["colour difference"] == 0
    planes = lab(subject.picture).astype(np.float32)
    planes[..., 1:] *= 1.3
    found = values(replace(subject, picture=encode_srgb(lab_to_linear(planes)).astype(np.float32)), subject)
    assert found["chroma ratio"] == pytest.approx(1.3, abs=0.03)
    assert found["colour difference"] > 0.5
    asked = replace(subject, picture=encode_srgb(lab_to_linear(planes)).astype(np.float32), saturation=1.3)
    assert values(asked, subject)["chroma ratio"] == pytest.approx(1, abs=0.03)
    assert values(asked, subject)["colour difference"] < 0.2 * found["colour difference"]


def test_a_turn_of_the_hue_has_its_sign_and_lightness_alone_is_no_colour_error(made):
    _, _, _, subject = made
    oklab = linear_to_oklab(decode_srgb(subject.picture.astype(float)))
    turn = np.radians(8)
    turned = np.stack([oklab[..., 0], oklab[..., 1:] @ [np.cos(turn), -np.sin(turn)], oklab[..., 1:] @ [np.sin(turn), np.cos(turn)]], -1)
    shown = replace(subject, picture=encode_srgb(map_gamut(turned)).astype(np.float32))
    assert values(shown, subject)["hue shift"] == pytest.approx(8, abs=0.5)
    planes = lab(subject.picture).astype(float)
    planes[..., 0] += 5
    lighter = values(replace(subject, picture=encode_srgb(lab_to_linear(planes)).astype(np.float32)), subject)
    assert lighter["colour difference"] < 0.1 and lighter["hue shift"] == pytest.approx(0, abs=0.3)


def test_a_core_is_clipped_from_almost_white_on(made):
    _, _, _, subject = made
    yy, xx = np.mgrid[: subject.picture.shape[0], : subject.picture.shape[1]]
    near = np.min([np.hypot(xx - x, yy - y) for x, y, *_ in subject.stars], axis=0) < 4
    for level, share in ((0.98, 0.0), (1.0, 100.0)):
        picture = np.where(near[..., None], level, np.minimum(subject.picture, 0.9)).astype(np.float32)
        found = core_clipping(replace(subject, picture=picture), common_ground(subject, subject))
        assert found["core clipping"].value == share


def test_sharpening_raises_contrast_and_not_the_source_snr(made):
    _, _, _, subject = made

    def sharpen(picture):
        return np.clip(picture + 0.8 * (picture - cv2.GaussianBlur(picture, (0, 0), 2)), 0, 1)

    before = values(subject)
    sharp = replace(subject, picture=sharpen(subject.picture), half_a=sharpen(subject.half_a), half_b=sharpen(subject.half_b))
    after = values(sharp, subject)
    assert after["contrast 0.10-0.15"] > 1.2 * before["contrast 0.10-0.15"]
    assert after["detail SNR 0.10-0.15"] == before["detail SNR 0.10-0.15"]


def test_aperture_flux_of_a_drawn_star():
    image = np.full((80, 80), 5.0)
    add_stars(image, np.array([[40.3, 39.6, 100.0]]), 3.0, 4.0)
    inside = 1 - (1 + (10.5 / (3.0 / (2 * np.sqrt(2**0.25 - 1)))) ** 2) ** -3.0  # share of a Moffat within r: 1 - (1 + r^2/g^2)^(1-beta)
    assert aperture_flux(image.astype(np.float32), np.array([[40.3, 39.6, 1.0]]), 10.0)[0] == pytest.approx(100 * inside, rel=0.01)


def test_tiles_need_a_quarter_of_their_pixels():
    mask = np.zeros((128, 128), bool)
    mask[:64, :64] = True
    mask[:64, 64:66] = True
    tiles, count = tile_index(mask, 64)
    assert count == 1
    assert (tiles[:64, :64] == 0).all() and (tiles[:, 64:] == -1).all()


def test_nothing_is_modified(made):
    scene, stack, curve, subject = made
    kept = {k: v.copy() for k, v in vars(subject).items() if isinstance(v, np.ndarray)}
    values(subject)
    for name, array in kept.items():
        np.testing.assert_array_equal(getattr(subject, name), array)
    assert stretch(stack.full, curve).dtype == np.float32
    assert scene.seed == 5


# ---------------------------------------------------------------- against closed forms
def shown(planes):
    """The picture of L*, a*, b* planes."""
    return encode_srgb(lab_to_linear(np.asarray(planes, np.float32))).astype(np.float32)


def even(subject, lightness=35.0, a=0.0, b=0.0):
    """L*, a*, b* of an even picture of the subject's size."""
    return np.broadcast_to(np.array([lightness, a, b]), (*subject.picture.shape[:2], 3)).copy()


def bare(subject, planes, **others):
    """A single picture that is all sky."""
    everywhere = np.ones(planes.shape[:2], bool)
    kept = {"half_a": None, "half_b": None, "linear": None, "target": None, **others}
    return replace(subject, picture=shown(planes), sky=everywhere, stars=subject.stars[:0], **kept)


@pytest.mark.parametrize("halved", [False, True])
def test_blotches_are_what_a_blur_leaves_of_white_noise(made, halved):
    """White noise of sd s blurred by a Gaussian of sigma 6 px: s / (2 sqrt(pi) 6); of two halves with noise s each, s / sqrt 2 of that."""
    subject = made[3]
    rng = np.random.default_rng(3)
    noises = rng.normal(0, [1.5, 1.0, 1.0], (2, *subject.picture.shape))
    halves = [shown(even(subject) + noise) for noise in noises]
    one = bare(subject, even(subject) + noises[0], **(dict(zip(("half_a", "half_b"), halves, strict=True)) if halved else {}))
    one = replace(one, stars=np.array([[5.0, 5, 1, 1]]))
    found = sky_noise(one, common_ground(one, one))
    suffix, share = ("", np.sqrt(0.5)) if halved else (" (single picture)", 1.0)
    blurred = 1 / (2 * np.sqrt(np.pi) * 6)
    assert found[f"sky lightness noise{suffix}"].value == pytest.approx(1.5 * share, rel=0.03)
    assert found[f"sky chroma noise{suffix}"].value == pytest.approx(np.sqrt(2) * share, rel=0.05)
    assert found[f"sky lightness mottle{suffix}"].value == pytest.approx(1.5 * blurred * share, rel=0.2)
    assert found[f"sky chroma mottle{suffix}"].value == pytest.approx(np.sqrt(2) * blurred * share, rel=0.2)


def test_a_colour_gradient_is_the_scatter_of_the_tiles_and_stars_left_in_the_sky_are_none(made):
    """b* from -4 to 4 and L* from 30 to 40 across columns of tiles of 128, 128 and 64 px, a* 2, one pixel in nine as bright as a star."""
    subject = made[3]
    planes = even(subject, a=2.0)
    planes[..., 2] = np.linspace(-4, 4, 320)[None]
    planes[..., 0] = np.linspace(30, 40, 320)[None]
    planes[::3, ::3] = [90, 40, 40]
    one = replace(bare(subject, planes), stars=np.array([[5.0, 5, 1, 1]]))
    found = {name: e.value for name, e in sky_level(one, common_ground(one, one)).items()}
    columns = np.repeat([part.mean() for part in np.split(np.linspace(-4, 4, 320), [128, 256])], 3)
    assert found["left-over gradient chroma"] == pytest.approx(columns.std(ddof=1), rel=0.05)
    assert found["left-over gradient lightness"] == pytest.approx(columns.std(ddof=1) * 5 / 4, rel=0.05)
    assert found["sky a*"] == pytest.approx(2, abs=0.3) and found["sky b*"] == pytest.approx(columns.mean(), abs=0.3)


def test_one_channel_at_white_is_clipped_and_one_at_black_is_crushed(made):
    subject = made[3]
    ground = common_ground(subject, subject)
    picture = np.full_like(subject.picture, 0.5)
    picture[:32, :64, 0] = 1.0
    picture[-32:, :128, 2] = 0.0
    found = {name: e.value for name, e in limits(replace(subject, picture=picture), ground).items()}
    assert found == {"clipped": pytest.approx(100 * 32 * 64 / 320**2), "crushed": pytest.approx(100 * 32 * 128 / 320**2)}
    red = np.where([True, False, False], np.ones_like(picture), 0.5).astype(np.float32)
    assert core_clipping(replace(subject, picture=red), ground)["core clipping"].value == 100


def test_nothing_clipped_in_a_few_pixels_is_no_proof(made):
    """Where none of n pixels is clipped the share may still be about 1/n."""
    subject = made[3]
    ground = common_ground(subject, subject)
    picture = np.full_like(subject.picture, 0.5)
    core = core_clipping(replace(subject, picture=picture), ground)["core clipping"]
    assert core.variance == pytest.approx((100 / (len(ground.stars) * np.pi * 9)) ** 2)
    assert limits(replace(subject, picture=picture), ground)["clipped"].variance == pytest.approx((100 / 320**2) ** 2)


def test_a_ring_is_as_deep_as_it_was_drawn(made):
    """2 L* below a sky of 35 from 6 to 9 px, around a star that fills its inside."""
    planes = even(made[3])
    yy, xx = np.mgrid[:320, :320]
    r = np.hypot(xx - 100.4, yy - 120.2)
    planes[r < 6, 0] = 80
    planes[(r >= 6) & (r < 9), 0] = 33
    profile = _ring_profile(shown(planes), np.array([100.4, 120.2, 1, 1]), 3.0)
    assert profile.min() == pytest.approx(-2, abs=0.05)
    assert profile[0] > 40


def test_rings_are_looked_for_off_the_target_where_stars_are_enough(made):
    subject = made[3]
    ground = common_ground(subject, subject)
    assert ground.target is not None
    on = [i for i in ground.isolated if ground.target[tuple(ground.stars[i, 1::-1].round().astype(int))]]
    assert len(on) >= 3
    yy, xx = np.mgrid[:320, :320]
    picture = subject.picture.copy()
    for i in on:
        r = np.hypot(xx - ground.stars[i, 0], yy - ground.stars[i, 1])
        picture[(r > 5) & (r < 10)] = 0.01
    same = ringing(subject, ground)["ringing"].value
    assert ringing(replace(subject, picture=picture), ground)["ringing"].value == pytest.approx(same, abs=0.02)


def test_hue_counts_by_chroma(made):
    """A turn of 10 degrees where the colour is strong and none where it is weak: the mean by the source's C*."""
    subject = made[3]
    planes, turned = even(subject, 60.0, 12.0), even(subject, 60.0, 12.0)
    planes[:, 160:, 1] = turned[:, 160:, 1] = 36
    oklab = linear_to_oklab(decode_srgb(shown(turned).astype(float)))[:, 160:]
    turn = np.radians(10)
    back = [oklab[..., 1:] @ [np.cos(turn), -np.sin(turn)], oklab[..., 1:] @ [np.sin(turn), np.cos(turn)]]
    picture = shown(planes)
    picture[:, 160:] = encode_srgb(map_gamut(np.stack([oklab[..., 0], *back], -1)))
    everywhere = np.ones((320, 320), bool)
    one = replace(subject, picture=picture, colour=shown(planes), target=everywhere, sky=~everywhere, stars=np.array([[5.0, 5, 1, 1]]))
    found = colour_truth(one, common_ground(one, one))
    assert found["hue shift"].value == pytest.approx(10 * 36 / (36 + 12), abs=0.3)


def test_an_unprocessed_picture_shows_what_its_source_shows(made):
    """The luminance of the halves in the picture's own colours and stretch is the picture within the tenth that verdicts allow for."""
    _, stack, curve, subject = made
    halves = [stretch(half, curve) for half in stack.starless_halves]
    colour = stretch((stack.starless_halves[0] + stack.starless_halves[1]) / 2, curve)
    spectra = all_spectra(replace(subject, half_a=halves[0], half_b=halves[1], colour=colour), common_ground(subject, subject))
    for low, high in ((0.02, 0.05), (0.05, 0.10), (0.10, 0.15)):
        assert band_contrast(spectra.shown_source, low, high) == pytest.approx(band_contrast(spectra.picture, low, high), rel=0.1)


def test_luminance_is_shown_in_the_colours_of_light_and_pedestal(made):
    """Light of one colour, (v + p) t - p with Y(t) = 1, has the luminance v: shown again it is the picture."""
    _, stack, curve, subject = made
    light = [np.float32(0.05) * half for half in stack.luminance_halves]  # about as bright as the pedestal
    tint = np.array([1.8, 0.9, 0.4], np.float32)
    halves = [stretch((half[..., None] + np.float32(curve.p)) * tint - np.float32(curve.p), curve) for half in light]
    colour = stretch(((light[0] + light[1]) / 2 + np.float32(curve.p))[..., None] * tint - np.float32(curve.p), curve)
    one = replace(subject, picture=colour, half_a=halves[0], half_b=halves[1], colour=colour, detail_a=light[0], detail_b=light[1])
    spectra = all_spectra(one, common_ground(one, one))
    for low, high in ((0.02, 0.05), (0.05, 0.10), (0.10, 0.15)):
        assert band_contrast(spectra.shown_source, low, high) == pytest.approx(band_contrast(spectra.picture, low, high), rel=0.01)


def test_a_wider_star_has_lost_no_light(made):
    """Stars of 7 px against the stack's 3 to 4: nine tenths and more lie within the aperture, which grows with the width."""
    scene, stack, _, subject = made
    wide = scenes.draw_stack(scene, {0: 1}, fwhm={0: 7.0}, noise=scenes.NOISE / 10)
    ground = replace(common_ground(subject, subject), fwhm=7.0)
    found = star_flux(replace(subject, linear=wide.full, reference=stack.full), ground)["star flux ratio"].value
    assert 0.97 < found < 1.0


def test_as_many_units_as_are_needed_are_enough():
    _need(8, 8, "tiles")
    with pytest.raises(CannotMeasureError, match="only 7 tiles, at least 8 are needed"):
        _need(7, 8, "tiles")


def test_small_pictures_have_smaller_tiles_of_sky(made):
    """160 px hold four tiles of 128 px, of which one has a quarter of sky and more, and nine of 64 px."""
    subject = made[3]
    planes = even(subject)[:160, :160]
    one = replace(bare(subject, planes), stars=np.array([[5.0, 5, 1, 1]]))
    assert len(sky_level(one, common_ground(one, one))["sky a*"].influence) == 9
    assert as_rgb(one.picture[..., 0]).shape == (160, 160, 3)


def test_what_the_noise_of_both_halves_shares_in_blank_sky_goes_into_their_spectra() -> None:
    """Unit noise of each half and .3 of both: odds of .09."""
    from layerblend.evidence import measures

    own, common = np.random.default_rng(5).normal(0, 1, (2, 256, 256)), np.random.default_rng(6).normal(0, 0.3, (256, 256))
    first, second = (own + common).astype(np.float32)
    everywhere = np.ones(first.shape, bool)
    ground = SimpleNamespace(
        star_mask=~everywhere, sky=everywhere, window_box=(slice(None), slice(None)), window=everywhere.astype(np.float32)
    )
    subject = SimpleNamespace(detail_halves=(first, second))
    found = measures.noise_in_common(subject, ground)  # type: ignore[arg-type]
    spectra = measures._spectra(first, second, ground, found)  # type: ignore[arg-type]
    assert np.average(spectra.odds, weights=spectra.rings.pixels) == pytest.approx(0.09, abs=0.03)


def test_a_calmed_sky_is_as_noisy_as_what_was_kept_in_it(made):
    """Noise kept in one pixel of five and nowhere else: half of all pixels are still, but the sky is not."""
    subject = made[3]
    rng = np.random.default_rng(7)
    shape = subject.picture.shape[:2]
    kept = (rng.random(shape) < 0.2)[..., None]
    noises = rng.normal(0, [1.0, 2.0, 1.5], (2, *shape, 3)) * kept
    one = bare(
        subject, even(subject) + noises.mean(0), **{f"half_{h}": shown(even(subject) + n) for h, n in zip("ab", noises, strict=True)}
    )
    one = replace(one, stars=np.array([[5.0, 5, 1, 1]]))
    found = sky_noise(one, common_ground(one, one))
    rms = np.sqrt(0.2 / 2)
    assert found["sky lightness noise"].value == pytest.approx(1.0 * rms, rel=0.1)
    assert found["sky chroma noise"].value == pytest.approx(2.5 * rms, rel=0.1)


def test_what_both_halves_show_alike_on_blank_sky_is_noise(made):
    """Of a pattern in both halves half the difference knows nothing."""
    subject = made[3]
    rng = np.random.default_rng(8)
    own, common = rng.normal(0, 1.0, (2, *subject.picture.shape)), rng.normal(0, 0.7, subject.picture.shape)
    halves = {f"half_{h}": shown(even(subject) + common + n) for h, n in zip("ab", own, strict=True)}
    halves |= {f"detail_{h}": (common + n)[..., 0].astype(np.float32) for h, n in zip("ab", own, strict=True)}
    one = replace(bare(subject, even(subject) + common + own.mean(0), **halves), stars=np.array([[5.0, 5, 1, 1]]))
    found = sky_noise(one, common_ground(one, one))
    assert found["sky lightness noise"].value == pytest.approx(np.sqrt(0.7**2 + 0.5), rel=0.05)
    assert found["sky chroma noise"].value == pytest.approx(np.sqrt(2 * (0.7**2 + 0.5)), rel=0.05)
