"""How the names of files end that are read as linear light: for those who read them, and for those who only look at names."""

import re

FITS_ENDING = re.compile(r"\.(fits|fit|fts)(\.(gz|fz|bz2))?$", re.IGNORECASE)
TIFF_ENDING = re.compile(r"\.tiff?$", re.IGNORECASE)
