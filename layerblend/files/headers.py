"""FITS headers: astropy without its warnings, and the headers of files that are written anew."""

from __future__ import annotations

import re
import threading
import warnings
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import numpy as np

from layerblend.files.later import fits
from layerblend.kinds import Array

Card = tuple[str, Any, str]

OWN_NAME = "layerblend"
BLOCK = 2880  # FITS pads headers and data to this many bytes

# Cards that describe how the pixels were stored, not what the sky was: a picture written anew must not inherit them.
STORAGE_CARD = re.compile(
    r"^(SIMPLE|XTENSION|BITPIX|NAXIS\d*|EXTEND|PCOUNT|GCOUNT|GROUPS|BSCALE|BZERO|BLANK|CHECKSUM|DATASUM|EXTNAME|EXTVER|EXTLEVEL|INHERIT"
    r"|TFIELDS|T(TYPE|FORM|UNIT|DIM|NULL|SCAL|ZERO|DISP)\d+|THEAP|END"
    r"|Z(IMAGE|CMPTYPE|BITPIX|NAXIS\d*|TILE\d+|NAME\d+|VAL\d+|MASKCMP|QUANTIZ|DITHER0|SCALE|ZERO|BLANK|SIMPLE|TENSION|EXTEND|PCOUNT|GCOUNT"
    r"|HECKSUM|DATASUM|BLOCKED))$"
)

# Cards that are no longer true of a picture in linear light, debayered, written today.
STALE_CARDS = {"SATURATE", "DATAMAX", "DATAMIN", "BUNIT", "CREATOR", "ROWORDER", "DATE", "BAYERPAT", "XBAYROFF", "YBAYROFF", "COLORTYP"}
REMARKS = {"COMMENT", "HISTORY", ""}

_astropy = threading.Lock()  # silencing warnings changes the whole process, so one reader at a time does it


@contextmanager
def quietly() -> Iterator[list[str]]:
    """Astropy's remarks as texts in the list given back, instead of as warnings."""
    said: list[str] = []
    with _astropy, warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            yield said
        finally:
            said += [str(one.message) for one in caught]


def padded(size: int) -> int:
    """``size`` bytes, rounded up to whole FITS blocks."""
    return -(-size // BLOCK) * BLOCK


def linear_header(array: Array, name: str, cards: Iterable[Card], *, top_down: bool) -> bytes:
    """The header block of an array of a linear picture; ``name`` makes it an extension, without one it is the file's first."""
    height, width = array.shape[:2]
    bits = array.dtype.itemsize * 8
    header = _begun((width, height, *array.shape[2:]), -bits if array.dtype.kind == "f" else bits, name)
    if not name:
        header["CREATOR"] = (OWN_NAME, "a result, not a frame")
        header["SATURATE"] = (1.0, "white level: linear light, 1 = white")
    return _finished(header, cards, top_down)


def unsigned_header(shape: Sequence[int], cards: Iterable[Card], *, top_down: bool) -> bytes:
    """The header block of a frame of unsigned 16-bit numbers; ``shape`` as numpy counts it."""
    header = _begun(shape[::-1], 16, "")
    header["BZERO"], header["BSCALE"] = 32768, 1
    return _finished(header, cards, top_down)


def _begun(axes: Sequence[int], bitpix: int, name: str) -> fits.Header:
    """The cards that every FITS header begins with; ``name`` makes it an extension."""
    header = fits.Header()
    header["XTENSION" if name else "SIMPLE"] = "IMAGE" if name else True
    header["BITPIX"] = bitpix
    header["NAXIS"] = len(axes)
    for number, length in enumerate(axes, 1):
        header[f"NAXIS{number}"] = int(length)
    if name:
        header["PCOUNT"], header["GCOUNT"] = 0, 1
        header["EXTNAME"] = name.upper()
    else:
        header["EXTEND"] = True
    return header


def _finished(header: fits.Header, cards: Iterable[Card], top_down: bool) -> bytes:
    header["ROWORDER"] = ("TOP-DOWN" if top_down else "BOTTOM-UP", "order of the rows in this file")
    with quietly():
        for card in cards:
            _add_card(header, *card)
        return header.tostring(sep="", endcard=True, padding=True).encode("ascii")


def _add_card(header: fits.Header, keyword: str, value: Any, comment: str = "") -> None:
    """Add one card if FITS can hold it."""
    keyword = keyword.upper()
    if STORAGE_CARD.match(keyword) or keyword in STALE_CARDS:
        return
    value = value.item() if isinstance(value, np.generic) else value
    if isinstance(value, float) and not np.isfinite(value):
        return
    if not isinstance(value, bool | int | float | complex | None):
        value = _ascii(value)
    if keyword in REMARKS:
        header.append(fits.Card(keyword, value or ""), end=True)
        return
    try:
        card = fits.Card(keyword, value, _ascii(comment))
        card.verify("fix")
        str(card)
    except (ValueError, fits.VerifyError):
        return
    if keyword in header:
        header[keyword] = (card.value, card.comment)
    else:
        header.append(card, end=True)


def _ascii(text: Any) -> str:
    plain = str(text).encode("ascii", "replace").decode("ascii")
    return "".join(letter if 32 <= ord(letter) < 127 else "?" for letter in plain)
