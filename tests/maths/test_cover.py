import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from layerblend.maths.cover import edge_connected, gap_runs


@given(arrays(np.bool_, st.tuples(st.integers(1, 12), st.integers(1, 12))))
def test_runs_give_the_mask_back(mask):
    runs = gap_runs(mask)
    filled = np.zeros_like(mask)
    for y, start, stop in runs:
        filled[y, start:stop] = True
    assert np.array_equal(filled, mask)
    assert runs.tolist() == sorted(runs.tolist())


def test_only_what_reaches_the_edge_is_a_gap():
    zero = np.zeros((9, 9), bool)
    zero[:2] = True  # a border
    zero[2, 4] = zero[3, 4] = True  # a dent below it: reached downwards only
    zero[6, 6] = True  # a value inside
    zero[4, 5] = True  # touches the dent by a corner only
    found = edge_connected(zero)
    expected = zero.copy()
    expected[6, 6] = expected[4, 5] = False
    assert np.array_equal(found, expected)


def test_nothing_at_the_edge_no_gap():
    zero = np.zeros((5, 6), bool)
    zero[2, 2] = True
    assert not edge_connected(zero).any()
    assert gap_runs(edge_connected(zero)).shape == (0, 3)
