"""What a frame does not cover."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy import ndimage

from layerblend.files.edges import blank_edge_zeros


def test_edge_zeros_follow_sides_not_corners() -> None:
    image = np.ones((5, 5, 1), np.float32)
    image[0, 0] = image[1, 1] = image[3, 3] = image[3, 4] = 0
    blank_edge_zeros(image)
    assert np.argwhere(np.isnan(image[..., 0])).tolist() == [[0, 0], [3, 3], [3, 4]]


@settings(deadline=None)  # the first call compiles
@given(hnp.arrays(np.int8, hnp.array_shapes(min_dims=3, max_dims=3, min_side=1, max_side=12), elements=st.integers(0, 1)))
def test_edge_zeros_are_the_labelled_regions_that_touch_the_edge(values: np.ndarray) -> None:
    labels, _ = ndimage.label((values == 0).all(axis=2))  # scipy's labelling as the outside reference
    rim = set(np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]])) - {0}
    image = values.astype(np.float32)
    blank_edge_zeros(image)
    np.testing.assert_array_equal(np.isnan(image).all(axis=2), np.isin(labels, list(rim)))
    np.testing.assert_array_equal(image[~np.isnan(image)], values[~np.isnan(image)])
