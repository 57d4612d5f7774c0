"""What a frame does not cover."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy import ndimage

from layerblend.files.edges import blank_edges, fills


def test_edge_zeros_follow_sides_not_corners() -> None:
    image = np.ones((5, 5, 1), np.float32)
    image[0, 0] = image[1, 1] = image[3, 3] = image[3, 4] = 0
    blank_edges(image)
    assert np.argwhere(np.isnan(image[..., 0])).tolist() == [[0, 0], [3, 3], [3, 4]]


@settings(deadline=None)  # the first call compiles
@given(hnp.arrays(np.int8, hnp.array_shapes(min_dims=3, max_dims=3, min_side=1, max_side=12), elements=st.integers(0, 1)))
def test_edge_zeros_are_the_labelled_regions_that_touch_the_edge(values: np.ndarray) -> None:
    labels, _ = ndimage.label((values == 0).all(axis=2))  # scipy's labelling as the outside reference
    rim = set(np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]])) - {0}
    image = values.astype(np.float32)
    blank_edges(image)
    np.testing.assert_array_equal(np.isnan(image).all(axis=2), np.isin(labels, list(rim)))
    np.testing.assert_array_equal(image[~np.isnan(image)], values[~np.isnan(image)])


def noise(shape: tuple[int, ...], sigma: float, level: float = 510.0) -> np.ndarray:
    """Whole numbers of a sky, over a white of 65535."""
    return np.rint(np.random.default_rng(3).normal(level, sigma, shape)) / 65535


def turned(picture: np.ndarray, fill: object) -> np.ndarray:
    """Filled along two edges, and in a corner as a turned frame is."""
    picture = picture.astype(np.float32)
    y, x = np.mgrid[: picture.shape[0], : picture.shape[1]]
    empty = (y < 4) | (x > picture.shape[1] - 8) | (2 * y + 3 * x < 150)
    picture[empty] = np.float32(fill)
    return picture


@settings(deadline=None, max_examples=30)
@given(st.sampled_from([1, 3]), st.sampled_from([0.0, 480.0, 500.0, -3.0, 512.5]), st.sampled_from([2.0, 15.0]))
def test_a_pedestal_under_the_fill_leaves_it_a_fill(channels: int, fill: float, sigma: float) -> None:
    picture = noise((120, 150, channels), sigma)
    value = np.arange(channels) * 7 + fill  # every channel by its own scale
    image = turned(picture, value / 65535)
    expected = turned(np.zeros(picture.shape), 1.0)[..., 0] == 1
    blank_edges(image)
    found = np.isnan(image).all(-1)
    assert found[expected].all()
    assert found[~expected].mean() < 0.02  # sky of the very same number that touches it


def test_what_is_no_fill_stays() -> None:
    flat = np.full((90, 90, 3), 0.1, np.float32)  # no noise at all
    ramp = np.repeat(np.linspace(0.1, 0.2, 90, dtype=np.float32)[:, None, None], 90, 1)
    coarse = noise((200, 200, 1), 0.15, 500.0) + np.rint(np.hypot(*np.mgrid[-1:1:200j, -1:1:200j])[..., None] * -8) / 65535
    white = noise((90, 90, 3), 5)
    white[:20] = 1.0
    thin = noise((90, 90, 3), 5)
    thin[:2] = 0.005
    for picture in (flat, ramp, coarse, white, thin, noise((1, 90, 1), 5), noise((2, 2, 3), 5)):
        assert fills(picture) == []
