"""Results made ready to be judged."""

import numpy as np

from layerblend.judge import picture_subject, star_table
from tests.conftest import Demo


def test_stars_that_were_taken_out_brightest_first() -> None:
    kind = [("x", float), ("y", float), ("flux", float, (3,)), ("peak", float, (3,)), ("kept", "U8")]
    catalogue = np.array([(1, 2, (1, 1, 1), (1, 1, 1), ""), (3, 4, (4, 2, 4), (1, 2, 1), ""), (5, 6, (9, 9, 9), (1, 1, 1), "knot")], kind)
    np.testing.assert_allclose(star_table(catalogue), [[3, 4, 3, 1.5], [1, 2, 1, 1]])


def test_a_picture_from_elsewhere(demo: Demo) -> None:
    subject = picture_subject(demo.out / "result.tif")
    assert subject.name == "result" and subject.picture.shape == (320, 480, 3) and subject.linear is None
