"""Numbers that the kernels and their callers share: sizes of what is worked on together, and marks of missing data."""

from __future__ import annotations

import numpy as np

F = np.float32
NO_DATA = F(3e38)
LIMIT = F(1e30)
"""Values beyond this are no data: NaN, infinities and the mark for uncovered pixels."""
NO_BLANK = np.iinfo(np.int64).min
LANE = 128
"""Columns worked on together: loops of one fixed length, filling vector registers without rest; N x 2 lanes of float32 stay in the
second-level cache."""
STRIP = 64
"""Columns sorted together: those of a stratum stay in the first-level cache."""
GROUP = 6
"""Frames added in one go, three of either half: the sums are then loaded and stored a third as often."""
CELL = 64
"""Side in px of the squares in which rejected samples are counted for the rejection picture."""
