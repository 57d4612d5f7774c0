"""Names of the files that are read as linear light, how they end and how they sort: for those who read them, and for those who only look
at names."""

import re
from pathlib import PurePath
from typing import Any

FITS_ENDING = re.compile(r"\.(fits|fit|fts)(\.(gz|fz|bz2))?$", re.IGNORECASE)
TIFF_ENDING = re.compile(r"\.tiff?$", re.IGNORECASE)


def natural_key(name: str | PurePath) -> tuple[Any, ...]:
    """Sort key under which L_2 comes before L_10; capitals do not matter, equal names fall back on their exact letters."""
    text = name.as_posix() if isinstance(name, PurePath) else name
    parts = re.split(r"(\d+)", text.casefold())
    return (*((1, int(part), "") if part.isdecimal() else (0, 0, part) for part in parts), (2, 0, text))
