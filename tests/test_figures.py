import pytest

from layerblend.figures import number, signed

SAMPLES = [
    (0, "0"), (1.2345, "1.23"), (-0.5, "-0.5"), (0.1234, "0.123"), (1e-6, "1e-06"), (0.0002, "2e-04"), (999.4, "999"), (999.7, "1,000"),
    (22134.0, "22,100"), (-22134.0, "-22,100"),
]  # fmt: skip


@pytest.mark.parametrize(("value", "text"), SAMPLES)
def test_numbers(value, text):
    assert number(value) == text
    assert signed(value) == (f"+{text}" if value > 0 else text)
