import numpy as np
import pytest
from skimage.restoration import denoise_nl_means

from layerblend.maths import patches
from layerblend.maths.patches import patch_means


def scene(seed=1, shape=(150, 180)):
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    clean = 6 * (x > 90) + 3 * np.sin(y / 9) + 20 * np.exp(-0.5 * ((x - 40) ** 2 + (y - 60) ** 2) / 4)
    return clean, np.asarray(clean + np.random.default_rng(seed).standard_normal(shape), np.float32)


def test_the_same_as_scikit_image():
    """scikit-image's denoise_nl_means, fast mode (uniform patches, exp weights): the same but for the form of the weight."""
    _, noisy = scene()
    theirs = denoise_nl_means(noisy, patch_size=7, patch_distance=7, h=1.1, sigma=1.0, fast_mode=True)
    inner = (slice(12, -12), slice(12, -12))
    assert np.std((patch_means(noisy, 1.0)[0] - theirs)[inner]) < 0.1  # of the noise


def test_noise_goes_and_light_stays():
    clean, noisy = scene(2)
    found, left = patch_means(noisy, 1.0)
    flat = (slice(30, 120), slice(110, 160))
    assert np.std((found - clean)[flat]) < 0.3
    assert found[60, 40] == pytest.approx(noisy[60, 40], abs=1.0)  # a star is like nothing near it
    assert left[60, 40] > 0.9 and left[flat].max() < 0.1  # what is left of the noise is told
    assert np.abs((found - clean)[:, 88:93].mean()) < 0.2  # an edge


def test_a_noise_map_counts_place_by_place():
    noise = np.where(np.arange(180) < 90, np.float32(1), np.float32(5))[None, :] * np.ones((150, 1), np.float32)
    noisy = np.asarray(noise * np.random.default_rng(3).standard_normal(noise.shape), np.float32)
    found, _ = patch_means(noisy, noise)
    for half in (slice(20, 70), slice(110, 160)):
        assert np.std(found[:, half]) < 0.25 * np.std(noisy[:, half])


def test_without_noise_nothing_changes():
    clean, _ = scene()
    np.testing.assert_allclose(patch_means(clean.astype(np.float32), 1e-9)[0], clean, rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize("shape", [(5, 7), (64, 513), (130, 1030)])
def test_bytes_do_not_depend_on_bands(shape, monkeypatch):
    noisy = np.random.default_rng(4).standard_normal(shape).astype(np.float32)
    whole = patch_means(noisy, 1.0)
    monkeypatch.setattr(patches, "over_bands", lambda work, rows: [work(y, min(y + 17, rows)) for y in range(0, rows, 17)])
    np.testing.assert_array_equal(patch_means(noisy, 1.0), whole)
