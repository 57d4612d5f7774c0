"""Many columns sorted at once, their medians and MADs: against numpy."""

from __future__ import annotations

import numpy as np
import pytest

from layerblend.steps.stack.medians import median_and_mad, sort_lines
from layerblend.steps.stack.sizes import NO_DATA, STRIP, F


@pytest.mark.parametrize("count", [1, 2, 7, 8, 9, 16, 23, 64])
@pytest.mark.parametrize("complete", [True, False])
def test_medians_and_mads_of_sorted_columns_are_numpys(count: int, complete: bool) -> None:
    rng = np.random.default_rng(count)
    values = rng.normal(0, 1, (count, STRIP)).astype(F)
    if not complete:
        values[rng.random(values.shape) < 0.3] = NO_DATA
    lines = values.ravel().copy()
    sort_lines(lines, count)
    np.testing.assert_array_equal(lines.reshape(count, STRIP), np.sort(values, axis=0))
    valid = (values < NO_DATA).sum(0).astype(F)
    middle, mad, spare = np.empty((3, STRIP), F)
    median_and_mad(lines, valid, complete, count, middle, mad, spare)
    for column, n, m, scatter in zip(values.T, valid, middle, mad, strict=True):
        own = column[column < NO_DATA]
        wanted = float(np.median(own)) if n else 0.0
        assert m == pytest.approx(wanted, abs=1e-6)
        assert scatter == pytest.approx(float(np.median(np.abs(own - F(wanted)))) if n else 0.0, abs=1e-6)
