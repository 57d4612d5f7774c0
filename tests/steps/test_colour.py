"""Chroma denoise, saturation and the ceiling of green."""

import numpy as np
import pytest

from layerblend.errors import ArgumentError
from layerblend.kinds import working_luminance
from layerblend.maths.curve import stretch
from layerblend.maths.perceptual import decode_srgb, linear_to_oklab, oklab_to_oklch
from layerblend.steps import colour
from layerblend.steps.colour import apply_colour_gates, colour_gates, denoise_colour, hue_layer, limit_green, saturate
from tests.benchmarks.picture import chroma_noise, colour_bars, lab_of, luminance_sigma, scene_curve
from tests.scenes.picture import Scene, draw_scene


@pytest.fixture(scope="module")
def scene() -> Scene:
    return draw_scene(4, size=384, stacks=("all", "deep"))


@pytest.fixture(scope="module")
def inputs(scene: Scene) -> dict:
    colour, deep = scene.stacks["all"], scene.stacks["deep"]
    return {
        "image": colour.image,
        "guide": working_luminance(deep.image),
        "sigma": colour.sigma,
        "half_difference": colour.half_difference,
        "guide_sigma": luminance_sigma(deep),
        "guide_half_difference": working_luminance(deep.half_difference),
    }


def test_gaps_stay_gaps_and_spread_nowhere(inputs: dict) -> None:
    """A gap in every map, as stacks have them in uncovered corners, takes no other pixel with it."""
    holed = {name: np.array(value) for name, value in inputs.items()}
    for value in holed.values():
        value[:3, :5] = np.nan
    out = denoise_colour(**holed)
    gap = np.zeros(out.shape[:2], bool)
    gap[:3, :5] = True
    np.testing.assert_array_equal(np.isnan(out).any(2), gap)
    far = np.s_[200:, 200:]
    np.testing.assert_allclose(out[far], denoise_colour(**inputs)[far], atol=0.05 * float(inputs["sigma"].mean()))


def test_stars_that_stayed_in_do_not_take_the_colour_of_the_target() -> None:
    """A finished stack of stars too narrow to be parted: its noise is sought in a sky full of their haloes."""
    rng = np.random.default_rng(3)
    yy, xx = np.mgrid[:360, :480]
    target = 200 * np.exp(-np.hypot(yy - 180, (xx - 240) * 0.7) / 60)[..., None] * np.array([1.3, 1.0, 0.7])
    stars = np.zeros((360, 480))
    for y, x, peak in zip(rng.uniform(0, 360, 150), rng.uniform(0, 480, 150), 10 ** rng.uniform(2, 4.5, 150), strict=True):
        stars += peak / (1 + ((yy - y) ** 2 + (xx - x) ** 2) / 1.2**2) ** 2
    image = (target + stars[..., None] + rng.standard_normal(target.shape)).astype(np.float32)
    out = denoise_colour(image, working_luminance(image), sigma=1.0, guide_sigma=1.0, starless=False)
    ground = (target[..., 1] > 20) & (stars < 3)
    red, true = ((picture[..., 0] - working_luminance(picture)) for picture in (out, target))
    assert np.sum(red[ground] * true[ground]) / np.sum(true[ground] ** 2) == pytest.approx(1, abs=0.05)
    assert np.sqrt(np.mean((red - true)[ground] ** 2)) < 0.5


def test_knots_keep_their_colour_while_the_sky_is_calmed() -> None:
    """Against the truth of a simulated scene: one threshold of 2 for the guide at all scales kept .855 of the knots' chroma and .273 of
    the sky's noise over 6 px here."""
    scene = draw_scene(132, size=512, stacks=("all", "deep"))
    found = colour_bars(scene, scene_curve(scene))
    assert found["knot chroma"] > 0.9
    assert found["galaxy chroma"] == pytest.approx(1, abs=0.03)
    assert found["knot hue"] < 8
    assert found["sky chroma"] < 0.04
    assert found["sky chroma s6"] < 0.27


def test_the_next_coarser_scale_helps_to_find_the_colour_of_knots(monkeypatch: pytest.MonkeyPatch) -> None:
    """Equal red knots whose colour hardly stands out in the finest scale: they keep more of it with the help than without."""
    rng = np.random.default_rng(8)
    yy, xx = np.mgrid[:256, :256]
    light = np.zeros((256, 256))
    places = [(y, x) for y in range(16, 250, 20) for x in range(16, 250, 20)]
    for y, x in places:
        light += 0.02 * np.exp(-((yy - y) ** 2 + (xx - x) ** 2) / (2 * 1.5**2))
    truth = light[..., None] * np.array([1.5, 0.9, 0.7])
    noise = rng.normal(0, 0.002, truth.shape)
    guide = (working_luminance(truth) + rng.normal(0, 0.0002, light.shape)).astype(np.float32)

    def kept() -> float:
        out = denoise_colour(
            (truth + noise).astype(np.float32), guide, sigma=0.002, half_difference=rng.normal(0, 0.002, truth.shape).astype(np.float32),
            guide_sigma=0.0002, guide_half_difference=rng.normal(0, 0.0002, light.shape).astype(np.float32),
        )  # fmt: skip
        red, full = (image[..., 0] - working_luminance(image) for image in (out, truth))
        return float(np.mean([red[place] / full[place] for place in places]))

    helped = kept()
    monkeypatch.setattr(colour, "KNOT_SCALES", 0)
    assert 1.05 > helped > kept() + 0.01


def test_strength_0_gives_the_image_back(inputs: dict) -> None:
    np.testing.assert_array_equal(denoise_colour(**inputs, strength=0), inputs["image"])


@pytest.mark.parametrize("gaps", [("image",), ("guide",), ("image", "guide")])
def test_noise_measured_on_the_own_sky_is_none_of_filled_gaps(gaps: tuple[str, ...]) -> None:
    image = np.random.default_rng(3).normal(0, 0.001, (260, 260, 3)).astype(np.float32)
    planes = {"image": image, "guide": working_luminance(image)}
    for name in gaps:
        planes[name] = planes[name].copy()
        planes[name][:, :150] = np.nan
    calmed = denoise_colour(**planes, sigma=0.001)[150:, 170:]
    assert np.std(calmed[..., 0] - calmed[..., 1]) < 0.2 * np.sqrt(2) * 0.001


def test_luminance_stays_and_sky_loses_its_chroma_noise(scene: Scene, inputs: dict) -> None:
    out = denoise_colour(**inputs)
    np.testing.assert_allclose(working_luminance(out), working_luminance(inputs["image"]), atol=1e-6)
    curve = scene_curve(scene)
    quiet, raw = lab_of(stretch(out, curve)), lab_of(stretch(inputs["image"], curve))
    assert chroma_noise(quiet, scene.sky) < 0.1 * chroma_noise(raw, scene.sky)
    half = lab_of(stretch(denoise_colour(**inputs, strength=0.8), curve))
    # strength scales the threshold: nothing like a fifth of the noise comes back
    assert chroma_noise(half, scene.sky) < 0.15 * chroma_noise(raw, scene.sky)


@pytest.mark.parametrize("form", ["map", "three", "one"])
def test_noise_as_map_numbers_or_without_halves(inputs: dict, form: str) -> None:
    sigma = {"map": inputs["sigma"], "three": inputs["sigma"].mean((0, 1)), "one": float(inputs["sigma"].mean())}[form]
    out = denoise_colour(inputs["image"], inputs["guide"], sigma=sigma)
    reference = denoise_colour(**inputs)
    assert np.abs(out - reference).mean() < 0.25 * inputs["sigma"].mean()


@pytest.mark.parametrize("sigma", [(3.0, 2.0, 1.0), (1.0, 2.0, 3.0)])
def test_noise_of_the_differences_is_that_of_drawn_pixels(sigma: tuple[float, ...]) -> None:
    """Against the scatter of a million pixels; one noise for the picture or a map of it."""
    red, green, blue = np.random.default_rng(0).normal(0, sigma, (1_000_000, 3)).T
    luminance = (red + 2 * green + blue) / 4
    drawn = [np.std(red - luminance), np.std(blue - luminance)]
    assert abs(drawn[0] - drawn[1]) > 0.5
    three = colour._noise_maps(np.array(sigma), (4, 5, 3))
    np.testing.assert_allclose(three[0, 0], drawn, rtol=0.005)
    np.testing.assert_allclose(colour._noise_maps(np.full((4, 5, 3), sigma), (4, 5, 3)), np.broadcast_to(three, (4, 5, 2)), rtol=1e-6)


@pytest.fixture(scope="module")
def knots() -> dict:
    """Red knots hardly brighter than their noise, which is three times as strong in red as in blue."""
    rng = np.random.default_rng(5)
    sigma = np.array([0.015, 0.01, 0.005])
    yy, xx = np.mgrid[:160, :320]
    light = sum(0.04 * np.exp(-((yy - y) ** 2 + (xx - x) ** 2) / 8) for y, x in rng.uniform((5, 5), (155, 315), (120, 2)))
    noise, half = rng.normal(0, sigma, (2, 160, 320, 3))
    guide_noise, guide_half = rng.normal(0, 0.004, (2, 160, 320))
    drawn = {
        "image": light[..., None] * np.array([1.6, 0.9, 0.6]) + noise,
        "guide": light + guide_noise,
        "sigma": np.broadcast_to(sigma, noise.shape),
        "half_difference": half,
        "guide_sigma": np.full(light.shape, 0.004),
        "guide_half_difference": guide_half,
    }
    return {name: plane.astype(np.float32) for name, plane in drawn.items()}


def test_a_noise_map_is_felt_where_it_says(knots: dict) -> None:
    """Light and noise five times as strong on the right: what is made of them is five times what it was."""
    times = np.ones((160, 320, 1), np.float32)
    times[:, 160:] = 5
    even = denoise_colour(**knots, scales=4)
    uneven = denoise_colour(**{name: v * (times if v.ndim == 3 else times[..., 0]) for name, v in knots.items()}, scales=4)
    change = (knots["image"] - even).std()
    for part, strong in ((np.s_[:, :100], 1), (np.s_[:, 220:], 5)):
        assert np.abs(uneven[part] / strong - even[part]).max() < 0.05 * change
    numbers = denoise_colour(**knots | {"sigma": knots["sigma"][0, 0], "guide_sigma": 0.004}, scales=4)
    assert np.abs(numbers - even).max() < 0.01 * change


def test_red_and_blue_are_treated_alike(knots: dict) -> None:
    swapped = {name: np.ascontiguousarray(v[..., ::-1]) if v.ndim == 3 else v for name, v in knots.items()}
    np.testing.assert_allclose(denoise_colour(**swapped, scales=4)[..., ::-1], denoise_colour(**knots, scales=4), atol=1e-4)


def test_frozen_operator_is_linear_in_picture_and_guide(scene: Scene, inputs: dict) -> None:
    gates = colour_gates(**inputs)
    out = apply_colour_gates(gates, inputs["image"], inputs["guide"])
    np.testing.assert_allclose(out, denoise_colour(**inputs), atol=1e-7)
    halves, guides = scene.stacks["all"].halves, [working_luminance(h) for h in scene.stacks["deep"].halves]
    parts = [apply_colour_gates(gates, half, guide) for half, guide in zip(halves, guides, strict=True)]
    np.testing.assert_allclose((parts[0] + parts[1]) / 2, out, atol=1e-5)


def test_gaps_stay_gaps(inputs: dict) -> None:
    image, guide = inputs["image"].copy(), inputs["guide"].copy()
    image[30:40, 30:40, 1] = np.nan
    guide[100, 100] = np.nan
    out = denoise_colour(image, guide, sigma=inputs["sigma"], half_difference=inputs["half_difference"])
    assert np.isnan(out[30:40, 30:40]).all()
    assert np.isnan(out).sum() == 300


def test_grey_and_empty_pictures_stay_as_they_are() -> None:
    grey = np.repeat(np.random.default_rng(0).random((50, 70, 1)).astype(np.float32), 3, 2)
    np.testing.assert_allclose(denoise_colour(grey, grey[..., 0], sigma=0.01), grey, atol=1e-6)
    empty = np.zeros((33, 21, 3), np.float32)
    np.testing.assert_array_equal(denoise_colour(empty, empty[..., 0], sigma=0.0), empty)
    without_blue, noise = grey.copy(), np.full(grey.shape, 0.01, np.float32)
    without_blue[..., 2] = noise[..., 2] = np.nan
    assert np.isnan(denoise_colour(without_blue, grey[..., 0], sigma=noise, half_difference=grey)).all()


# ---------------------------------------------------------------- saturation
def test_saturation_scales_chroma_only() -> None:
    display = np.random.default_rng(1).uniform(0.35, 0.55, (40, 50, 3)).astype(np.float32)
    np.testing.assert_array_equal(saturate(display, 1), display)
    before, after = (oklab_to_oklch(linear_to_oklab(decode_srgb(v.astype(float)))) for v in (display, saturate(display, 1.4)))
    np.testing.assert_allclose(after[..., 0], before[..., 0], atol=1e-6)
    np.testing.assert_allclose(after[..., 1], 1.4 * before[..., 1], atol=1e-5)
    coloured = before[..., 1] > 0.01
    turn = (after[..., 2] - before[..., 2] + 180) % 360 - 180
    assert np.abs(turn[coloured]).max() < 0.1
    grey = saturate(display, 0)
    assert np.ptp(grey, axis=2).max() < 1e-5


def test_saturation_leaves_the_sky_alone_and_nothing_clips() -> None:
    sky = np.random.default_rng(2).normal(0.12, 0.01, (30, 30, 3)).astype(np.float32)
    np.testing.assert_allclose(saturate(sky, 2.0), sky, atol=1e-6)
    assert np.abs(saturate(sky, 2.0, sky=None) - sky).max() > 0.005
    vivid = np.random.default_rng(3).random((60, 60, 3)).astype(np.float32)
    out = saturate(vivid, 3.0)
    assert out.min() >= 0
    assert out.max() <= 1
    before, after = (linear_to_oklab(decode_srgb(v.astype(float))) for v in (vivid, out))
    np.testing.assert_allclose(after[..., 0], before[..., 0], atol=2e-4)


def test_green_ceiling_keeps_the_luminance() -> None:
    image = np.random.default_rng(4).random((20, 30, 3)).astype(np.float32)
    out = limit_green(image)
    np.testing.assert_allclose(working_luminance(out), working_luminance(image), atol=1e-6)
    assert (out[..., 1] <= (out[..., 0] + out[..., 2]) / 2 + 1e-6).all()
    fine = image[..., 1] <= (image[..., 0] + image[..., 2]) / 2
    np.testing.assert_array_equal(out[fine], image[fine])


def test_hue_layer_has_the_hue_and_the_lightness_of_its_light() -> None:
    plane = np.linspace(0.05, 0.9, 100, dtype=np.float32)[None]
    oklch = oklab_to_oklch(linear_to_oklab(decode_srgb(hue_layer(plane, 30.0).astype(float))))
    assert np.abs(oklch[..., 2] - 30).max() < 0.5
    np.testing.assert_allclose(oklch[..., 0], plane, atol=1e-3)
    assert hue_layer(np.zeros((2, 2), np.float32), 30.0).max() == 0


def test_hue_layer_has_its_full_chroma_from_half_its_brightness_on() -> None:
    """Reds of these lightnesses can be shown; below half the chroma falls with the light."""
    plane = np.array([[0.2, 0.3, 0.45, 0.5, 0.6, 0.7]], np.float32)
    for chroma in (0.08, 0.05):
        found = oklab_to_oklch(linear_to_oklab(decode_srgb(hue_layer(plane, 30.0, chroma=chroma).astype(float))))[0, :, 1]
        np.testing.assert_allclose(found, chroma * np.array([0.4, 0.6, 0.9, 1, 1, 1]), atol=1e-4)


def test_what_does_not_fit_is_refused(inputs: dict) -> None:
    image, guide = inputs["image"], inputs["guide"]
    with pytest.raises(ArgumentError, match="size"):
        denoise_colour(image, guide[:-1], sigma=0.1)
    with pytest.raises(ArgumentError, match="strength"):
        denoise_colour(image, guide, sigma=0.1, strength=2)
    with pytest.raises(ArgumentError, match="sigma"):
        denoise_colour(image, guide, sigma=[0.1, 0.2])
    with pytest.raises(ArgumentError, match="negative"):
        denoise_colour(image, guide, sigma=-0.1)
    for wrong in (-0.1, np.full(guide.shape, -0.1)):
        with pytest.raises(ArgumentError, match=r"guide_sigma.*negative"):
            denoise_colour(image, guide, sigma=0.1, guide_sigma=wrong)
    for name in ("sigma", "guide_sigma"):
        with pytest.raises(ArgumentError, match=f"`{name}` must be finite"):
            denoise_colour(image, guide, **({"sigma": 0.1} | {name: np.nan}))
    with pytest.raises(ArgumentError, match="half_difference"):
        denoise_colour(image, guide, sigma=0.1, half_difference=image[:-1])
    with pytest.raises(ArgumentError, match="scales"):
        denoise_colour(image, guide, sigma=0.1, scales=0)
    with pytest.raises(ArgumentError, match="amount"):
        saturate(image, 4)
