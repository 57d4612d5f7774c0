"""Measures of one result: against values put in."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from layerblend.evidence.ground import common_ground, lab
from layerblend.evidence.measures import aperture_flux, core_clipping, measure, tile_index
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
