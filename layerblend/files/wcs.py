"""From the sky to the picture: pixel places of sky positions, by the world coordinates in a header."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np

from layerblend.errors import InputError
from layerblend.kinds import Array


def celestial_wcs(cards: Iterable[tuple[str, Any, str]]) -> Any:
    """The world coordinates of the cards (an astropy WCS of two axes), or None where there are none."""
    import warnings

    from astropy.io import fits
    from astropy.wcs import WCS, FITSFixedWarning

    header = fits.Header()
    for keyword, value, _ in cards:
        if keyword not in {"COMMENT", "HISTORY", ""} and value is not None:
            header[keyword] = value
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", FITSFixedWarning)
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
    """(n, 3) ra, dec (degrees) and B-V of a CSV with the columns ra, dec and b_v (or bv, B-V).

    Raises
    ------
    InputError
        The file cannot be read, a column is missing, or a value is no number.
    """
    import csv

    path = Path(path)
    try:
        with open(path, newline="", encoding="utf-8-sig") as handle:
            rows = list(csv.DictReader(handle))
    except OSError as error:
        raise InputError(f"The catalogue {path} cannot be read: {error.strerror}.", file=path, key="white.from") from error
    names = {name.strip().lower().replace("-", "_"): name for name in (rows[0] if rows else {})}
    colour = next((names[name] for name in ("b_v", "bv") if name in names), None)
    if "ra" not in names or "dec" not in names or colour is None:
        raise InputError(f"The catalogue {path} needs the columns ra, dec and b_v in its first line.", file=path, key="white.from")
    try:
        return np.array([[float(row[names["ra"]]), float(row[names["dec"]]), float(row[colour])] for row in rows])
    except (TypeError, ValueError) as error:
        raise InputError(f"The catalogue {path} holds a value that is no number: {error}.", file=path, key="white.from") from error
