import cv2
import numpy as np
import pytest

from layerblend.maths.moffat import moffat_image
from layerblend.steps.flatten import tiles
from layerblend.steps.flatten.tiles import (
    channel_noise,
    join_tiles,
    make_tiles,
    measure_light,
    noise_block,
    peak_width,
    shared_noise,
    tile_table,
)


def noise_image(shape=(200, 300), channels=3, seed=0) -> np.ndarray:
    return np.random.default_rng(seed).normal(100, 1, (*shape, channels)).astype(np.float32)


def test_noise_of_white_noise() -> None:
    np.testing.assert_allclose(channel_noise(noise_image()), 1, rtol=0.03)


def test_tiles_average_the_sky() -> None:
    image = noise_image()
    image += np.linspace(0, 20, 300, dtype=np.float32)[None, :, None]
    image[50:53, 60:63] += 500
    table = make_tiles(image)
    truth = 100 + table.x / 299 * 20
    value = table.value * table.sigma + table.level
    error = (value - truth[..., None])[table.used]
    assert np.abs(error).max() < 0.5
    assert table.count[3, 3] < 16 * 16


def test_star_light_is_the_stars_sum() -> None:
    """A Gaussian star of 500 sigma and 2 px in a tile's middle."""
    image = noise_image()
    y, x = np.mgrid[:200, :300]
    star = 500 * np.exp(-((y - 55.5) ** 2 + (x - 71.5) ** 2) / 8)
    light = make_tiles((image + star[..., None]).astype(np.float32)).star_light
    assert light[2:5, 3:6].sum() == pytest.approx(star.sum(), rel=0.03)
    assert light[8:].max() < 0.01 * star.sum()


def deep_field(fwhm: float, seed: int = 2) -> np.ndarray:
    """(320, 480, 1): 150 stars of 300 to 20 000 sigma, as a deep stack has them."""
    rng = np.random.default_rng(seed)
    image = rng.normal(100, 1, (320, 480))
    star = moffat_image((81, 81), fwhm, 3.5, 0.0, 0.0)
    star /= star.max()
    padded = np.zeros((400, 560))
    for _ in range(150):
        y, x = rng.integers(0, 320), rng.integers(0, 480)
        padded[y : y + 81, x : x + 81] += 10 ** rng.uniform(2.5, 4.3) * star
    return (image + padded[40:-40, 40:-40])[..., None].astype(np.float32)


@pytest.mark.parametrize("fwhm", [1.5, 2.0, 2.5, 3.5, 5.0])
def test_width_of_bright_peaks(fwhm: float) -> None:
    light = measure_light(deep_field(fwhm))
    assert peak_width(light.above, light.noise) == pytest.approx(fwhm, abs=0.7)


def test_few_peaks_tell_no_width() -> None:
    light = measure_light(noise_image())
    assert peak_width(light.above, light.noise) == np.inf


def test_narrow_stars_leave_more_sky(monkeypatch: pytest.MonkeyPatch) -> None:
    """In a deep picture of narrow stars the reaches meant for wide ones leave hardly a tile; what is gained is sky."""
    image = deep_field(1.6)
    table = make_tiles(image)
    monkeypatch.setattr(tiles, "peak_width", lambda *_: np.inf)
    assert table.used.sum() > 1.5 * make_tiles(image).used.sum()
    level = (table.value[..., 0] * table.sigma + table.level)[table.used]
    assert np.median(level) == pytest.approx(100, abs=0.5)


def test_scale_and_level_do_not_matter() -> None:
    image = noise_image()
    one, two = make_tiles(image), make_tiles(image * np.float32(2**15))
    np.testing.assert_allclose(one.value, two.value, atol=2e-3)


def test_constant_channel_is_finite() -> None:
    image = noise_image()
    image[..., 1] = 3
    table = make_tiles(image)
    assert np.isfinite(table.value).all()
    np.testing.assert_allclose(table.value[..., 1], 0, atol=1e-6)


def test_large_pictures_are_binned() -> None:
    image = np.zeros((64, 2700, 1), np.float32) + np.arange(2700, dtype=np.float32)[None, :, None]
    image += np.random.default_rng(0).normal(0, 1, image.shape).astype(np.float32)
    table = make_tiles(image, sigma=np.ones(1))
    assert table.tile_px == 32
    value = table.value[..., 0] + table.level[0]
    np.testing.assert_allclose(value[table.used], table.x[table.used], atol=1)


def test_joined_tiles_keep_the_mean() -> None:
    table = make_tiles(noise_image())
    joined = join_tiles(table)
    assert joined.count.sum() == pytest.approx(table.count[table.used].sum())
    total = (table.value * (table.count * table.used)[..., None]).sum((0, 1))
    np.testing.assert_allclose((joined.value * joined.count[..., None]).sum((0, 1)), total)


def test_crowded_fields_keep_tiles_of_little_sky() -> None:
    """Stars every 11 px leave a third of most tiles; the sky is still measured all over, not carried over from a few tiles."""
    image = noise_image()
    image[4::11, 4::11] += 40
    table = make_tiles(image)
    assert table.least_share < make_tiles(noise_image()).least_share
    assert table.used.mean() > 0.7
    joined = join_tiles(table)
    assert joined.used.mean() > 0.7
    np.testing.assert_allclose((table.value * table.sigma + table.level)[table.used].mean(0), 100, atol=0.15)


def test_arms_of_a_galaxy_are_no_stars() -> None:
    """Ridges of light half as bright as the disc they stand on: left out as stars where no galaxy is known, measured where one is."""
    y, x = np.mgrid[:320, :480].astype(np.float32)
    disc = 40 * np.exp(-np.hypot(x - 240, y - 160) / 60)
    truth = 100 + disc * (1 + 0.5 * (np.sin(x / 6) > 0.5))
    image = (truth[..., None] + np.random.default_rng(3).normal(0, 1, (*truth.shape, 3))).astype(np.float32)
    light = measure_light(image)
    plain = tile_table(light)
    rough = tile_table(light, disc.reshape(20, 16, 30, 16).mean((1, 3)))
    near = np.hypot(plain.x - 240, plain.y - 160) < 70
    assert rough.used[near].mean() > 0.95 > 0.7 > plain.used[near].mean()
    means = truth.reshape(20, 16, 30, 16).mean((1, 3))[near & rough.used]
    found = (rough.value.mean(-1) * rough.sigma.mean() + rough.level.mean())[near & rough.used]
    assert np.median(found / means) == pytest.approx(1, abs=0.02)
    smooth = tile_table(light, np.zeros(plain.count.shape))
    np.testing.assert_array_equal(smooth.value, plain.value)


@pytest.mark.parametrize("width", [500, 2800])
def test_noise_that_neighbours_share_is_told(width: int) -> None:
    """White noise through (1, 2, 1)/4 both ways has 1.5 of its pixels' noise per axis left in wide means (Parseval): 2.67 in all."""
    rng = np.random.default_rng(5)
    white = rng.normal(size=(500, width, 3)).astype(np.float32)
    kernel = np.array([0.25, 0.5, 0.25])
    shared = cv2.sepFilter2D(white, -1, kernel, kernel)
    y, x = np.mgrid[:500, :width] / width
    slope = (40 * x + 25 * y**2)[..., None].astype(np.float32)
    np.testing.assert_array_equal(shared_noise(measure_light(white + slope)), 1)
    image = np.concatenate([white[..., :1], shared[..., 1:]], -1) + slope
    factor = shared_noise(measure_light(image))
    assert factor[0] == 1
    exact = _block_scatter(kernel, 4)
    np.testing.assert_allclose(factor[1:], exact, rtol=0.06)


def test_noise_of_enlarged_frames_is_told_by_wider_blocks() -> None:
    """Drizzled by two, noise through (1, 2, 1)/4 reaches twice as far: blocks of 4 px told half of what wide means scatter."""
    kernel, rng = np.array([0.25, 0.5, 0.25]), np.random.default_rng(5)
    native = cv2.sepFilter2D(rng.normal(size=(400, 500, 3)).astype(np.float32), -1, kernel, kernel)
    large = cv2.resize(native, (1000, 800), interpolation=cv2.INTER_LINEAR)
    wide = large.reshape(25, 32, 25, 40, 3).mean((1, 3)).std((0, 1)) * np.sqrt(32 * 40) / large.std((0, 1))
    assert noise_block(native) == 4 and noise_block(large) == 8
    factor = shared_noise(measure_light(large), noise_block(large))
    np.testing.assert_allclose(factor, wide, rtol=0.25)
    structure = 30 * cv2.GaussianBlur(rng.normal(size=(400, 500, 3)).astype(np.float32), (0, 0), 8)
    assert noise_block(native + structure) == 4


@pytest.mark.parametrize("shape", [(3, 50, 3), (50, 3, 3), (1, 40, 1), (2, 2, 3), (9, 9, 1)])
def test_of_a_picture_of_few_blocks_nothing_is_told(shape: tuple[int, int, int]) -> None:
    image = np.random.default_rng(0).normal(size=shape).astype(np.float32)
    np.testing.assert_array_equal(shared_noise(measure_light(image)), np.ones(shape[2]))


def _block_scatter(kernel: np.ndarray, size: int) -> float:
    """Standard deviation of (second differences of) means of ``size`` x ``size`` pixels over that of white noise as strong."""
    across = np.repeat([1, -2, 1], size) / (size * np.sqrt(6))
    down = np.full(size, 1 / size)
    whole = np.hypot.reduce(np.convolve(across, kernel)) * np.hypot.reduce(np.convolve(down, kernel))
    return float(whole * size / (kernel**2).sum())
