import numpy as np

from layerblend.steps.flatten.words import count_quadrants, quadrant_of, sample_words


def test_quadrants() -> None:
    assert quadrant_of(np.array([-1, 1, -1, 1]), np.array([-1, -1, 1, 1])).tolist() == [0, 1, 2, 3]
    kept, total = count_quadrants(np.array([0, 0, 3]), np.array([[1, 1, 0], [1, 0, 0], [1, 1, 1]], bool))
    assert kept.tolist() == [[2, 1, 0], [0, 0, 0], [0, 0, 0], [1, 1, 1]]
    assert total.tolist() == [2, 0, 0, 1]


def test_words_name_quarter_and_channel() -> None:
    kept = np.array([[90, 90, 90], [5, 5, 4], [90, 30, 85], [90, 88, 90]])
    words = sample_words(kept, np.full(4, 100))
    assert len(words) == 2
    assert "upper right" in words[0] and "5 of 100" in words[0]
    assert "lower left" in words[1] and "green" in words[1]
