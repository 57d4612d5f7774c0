"""Names of files: every common ending, in any case, and none that only looks like one."""

import pytest

from layerblend.endings import FITS_ENDING, TIFF_ENDING


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
