import numpy as np

from layerblend.steps.flatten.words import count_quadrants, cut_words, quadrant_of, sample_words


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


def test_words_on_what_an_edge_cuts_give_the_amount_where_it_is_worth_a_word() -> None:
    assert cut_words([], 1.0) == []
    one, other = cut_words(["left edge", "lower right corner"], 1.26)
    assert "cut by the left edge" in one and "up to 1.3 sigma" in one
    assert "cut by the lower right corner" in other
    assert "glow" in other and "glow" not in one
    assert "sigma" not in cut_words(["left edge"], 0.1)[0]
