"""Names of files: every common ending, in any case, and none that only looks like one."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from layerblend.endings import FITS_ENDING, TIFF_ENDING, natural_key


@pytest.mark.parametrize("name", ["a.fits", "a.FIT", "a.b.fts", "a.fits.gz", "a.Fits.FZ", "a.fit.bz2"])
def test_fits(name: str) -> None:
    assert FITS_ENDING.search(name) and not TIFF_ENDING.search(name)
    assert FITS_ENDING.sub("", name) in {"a", "a.b"}


@pytest.mark.parametrize("name", ["a.tif", "a.TIFF", "a.fits.tif"])
def test_tiff(name: str) -> None:
    assert TIFF_ENDING.search(name) and not FITS_ENDING.search(name)


@pytest.mark.parametrize("name", ["fits", "a.fitsx", "a.fits.zip", "a.gz", "atif", "a.tif.gz", "a.fits~"])
def test_neither(name: str) -> None:
    assert not FITS_ENDING.search(name) and not TIFF_ENDING.search(name)


# ---------------------------------------------------------------- order
@given(st.lists(st.integers(0, 10**6), unique=True, max_size=20))
def test_numbers_in_names_sort_as_numbers(numbers: list[int]) -> None:
    assert sorted((f"L_{n}.fits" for n in numbers), key=natural_key) == [f"L_{n}.fits" for n in sorted(numbers)]


@given(st.permutations(["f1", "f2", "f10", "F3", "a9b2", "a9b10"]))
def test_natural_order_does_not_hang_on_the_order_given(files: list[str]) -> None:
    assert sorted(files, key=natural_key) == ["a9b2", "a9b10", "f1", "f2", "F3", "f10"]


def test_signs_that_look_like_digits_are_no_numbers() -> None:
    """Raised and circled figures are digits to Python, but none that it can count with; Arabic-Indic ones are numbers."""
    assert sorted(["M51_10²3.fits", "M51_9①.fits", "M51_٣.fits"], key=natural_key) == ["M51_٣.fits", "M51_9①.fits", "M51_10²3.fits"]
