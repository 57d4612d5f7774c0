"""FITS headers: quiet astropy, blocks, what is kept and what is not."""

import warnings

import numpy as np
import pytest
from astropy.io import fits
from astropy.utils.exceptions import AstropyUserWarning

from layerblend.files.headers import BLOCK, STORAGE_CARD, linear_header, padded, quietly, unsigned_header


@pytest.mark.parametrize(("size", "blocks"), [(0, 0), (1, 1), (2880, 1), (2881, 2)])
def test_data_fill_whole_blocks(size: int, blocks: int) -> None:
    assert padded(size) == blocks * BLOCK  # FITS standard 4.0, section 3.3.2


def test_remarks_become_texts_and_the_filters_stay() -> None:
    before = list(warnings.filters)
    with quietly() as said:
        warnings.warn("a remark", AstropyUserWarning, stacklevel=1)
    assert said == ["a remark"]
    assert warnings.filters == before


@pytest.mark.parametrize("card", ["BZERO", "NAXIS3", "TFORM12", "ZCMPTYPE", "ZNAXIS2", "PCOUNT", "CHECKSUM"])
def test_storage_cards_are_known(card: str) -> None:
    assert STORAGE_CARD.match(card)


@pytest.mark.parametrize("card", ["OBJECT", "ZENITH", "TELESCOP", "NAXISX", "CRPIX1", "TTYPE", "EXPTIME"])
def test_other_cards_are_not_storage(card: str) -> None:
    assert not STORAGE_CARD.match(card)


def test_header_blocks_read_back() -> None:
    linear = linear_header(np.zeros((4, 6, 3), np.float32), "", [("EXPTIME", 30.0, "s"), ("NAXIS1", 99, "")], top_down=True)
    header = fits.Header.fromstring(linear.decode("ascii"))
    assert len(linear) % BLOCK == 0
    assert (header["BITPIX"], header["NAXIS1"], header["NAXIS2"], header["NAXIS3"]) == (-32, 6, 4, 3)
    assert (header["ROWORDER"], header["EXPTIME"], header.comments["EXPTIME"]) == ("TOP-DOWN", 30, "s")
    extension = fits.Header.fromstring(linear_header(np.zeros((4, 6), np.int16), "count", (), top_down=False).decode("ascii"))
    assert (extension["XTENSION"], extension["EXTNAME"], extension["BITPIX"]) == ("IMAGE", "COUNT", 16)
    unsigned = fits.Header.fromstring(unsigned_header((3, 4, 6), (), top_down=False).decode("ascii"))
    assert (unsigned["BZERO"], unsigned["BSCALE"], unsigned["NAXIS1"], unsigned["NAXIS3"]) == (32768, 1, 6, 3)
