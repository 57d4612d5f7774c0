import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from numba import njit

from layerblend.maths.lanes import larger, smaller


@njit
def _both(a, b, low, high):
    for j in range(len(a)):
        low[j] = smaller(a[j], b[j])
        high[j] = larger(a[j], b[j])


@settings(deadline=None)  # the first example compiles
@given(st.lists(st.tuples(st.floats(width=32, allow_nan=False), st.floats(width=32, allow_nan=False)), min_size=1, max_size=40))
def test_they_are_minimum_and_maximum(pairs):
    a, b = np.array(pairs, np.float32).T.copy()
    low, high = np.empty_like(a), np.empty_like(a)
    _both(a, b, low, high)
    assert np.array_equal(low, np.minimum(a, b))
    assert np.array_equal(high, np.maximum(a, b))
