"""From the sky to the picture: pixel places of sky positions, by the world coordinates in a header."""

from __future__ import annotations

import math
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np

from layerblend.errors import InputError
from layerblend.files.headers import REMARKS, quietly
from layerblend.files.tables import Row, read_csv
from layerblend.kinds import Array


def celestial_wcs(cards: Iterable[tuple[str, Any, str]]) -> Any:
    """The world coordinates of the cards (an astropy WCS of two axes), or None where there are none."""
    from astropy.io import fits
    from astropy.wcs import WCS

    header = fits.Header()
    with quietly():
        for keyword, value, _ in cards:
            if keyword not in REMARKS and value is not None:
                header[keyword] = value
        try:
            wcs = WCS(header, naxis=2)
        except Exception:
            return None
    return wcs if wcs.has_celestial else None


def sky_to_picture(wcs: Any, ra: Array, dec: Array, *, height: int, top_down: bool) -> tuple[Array, Array]:
    """Picture places x, y (row 0 on top) of right ascensions and declinations in degrees."""
    x, y = wcs.all_world2pix(np.asarray(ra, float), np.asarray(dec, float), 0, quiet=True)
    return np.asarray(x), np.asarray(y) if top_down else height - 1 - np.asarray(y)


def pixel_scale_deg(wcs: Any) -> float:
    """Side of a pixel in degrees, the mean of both axes."""
    from astropy.wcs.utils import proj_plane_pixel_scales

    return float(np.mean(proj_plane_pixel_scales(wcs)))


def read_catalogue(path: str | Path) -> Array:
    """(n, 3) ra, dec (degrees) and B-V of a CSV with the columns ra, dec and b_v (or bv, B-V); NaN where a star's B-V is left blank.

    Raises
    ------
    InputError
        The file cannot be read, a column is missing, or a value is no number.
    """
    table = read_csv(path, key="white.from")
    names = {name.lower().replace("-", "_"): name for name in table.columns}
    colour = next((names[name] for name in ("b_v", "bv") if name in names), None)
    if "ra" not in names or "dec" not in names or colour is None:
        raise InputError(f"The catalogue {path} needs the columns ra, dec and b_v in its first line.", file=path, key="white.from")
    if not table.rows:
        raise InputError(f"The catalogue {path} lists no star below its first line.", file=path, key="white.from")

    def number(row: Row, name: str) -> float:
        try:
            return float(row.cells[name])
        except ValueError:
            text = f"The catalogue {path} holds {row.cells[name]!r} in line {row.line} under `{name}`, which is no number."
            raise InputError(text, file=path, line=row.line, key="white.from") from None

    def star(row: Row) -> tuple[float, float, float]:
        return number(row, names["ra"]), number(row, names["dec"]), number(row, colour) if row.cells[colour] else math.nan

    return np.array([star(row) for row in table.rows])
