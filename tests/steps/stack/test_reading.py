"""Numbers as they stand in the files."""

from dataclasses import replace

import numpy as np

from tests.scenes.rows import make_case, run


def test_blank_is_no_data():
    raw, order, gaps, _ = make_case(1, counts=(13,))
    stored = raw.view(">i2").copy()
    stored[:, 5] = -7
    order = replace(order, blank=np.full(13, -7))
    out, _ = run(stored.view(np.uint8), order, gaps)
    assert out.count[0, 0, 5] == 0
    assert np.isnan(out.mean[0, 0, 5])
    assert (out.count[0].ravel()[6:] > 0).all()
