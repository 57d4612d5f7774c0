"""Sky positions to picture places: the gnomonic projection written out (Calabretta & Greisen 2002, A&A 395, 1077), catalogue files."""

import numpy as np
import pytest

from layerblend.errors import InputError
from layerblend.files.wcs import celestial_wcs, pixel_scale_deg, read_catalogue, sky_to_picture

SCALE = 1.5 / 3600
HEIGHT, WIDTH = 400, 600
CARDS = (
    ("CTYPE1", "RA---TAN", ""), ("CTYPE2", "DEC--TAN", ""), ("CRVAL1", 150.0, ""), ("CRVAL2", 30.0, ""), ("CRPIX1", 301.0, ""),
    ("CRPIX2", 201.0, ""), ("CD1_1", -SCALE, ""), ("CD1_2", 0.0, ""), ("CD2_1", 0.0, ""), ("CD2_2", SCALE, ""), ("COMMENT", "a word", ""),
)  # fmt: skip


def gnomonic(ra: float, dec: float) -> tuple[float, float]:
    """File column and row, counted from 0, of a sky position: standard coordinates about the reference point."""
    a, d, a0, d0 = np.radians([ra, dec, 150.0, 30.0])
    below = np.sin(d0) * np.sin(d) + np.cos(d0) * np.cos(d) * np.cos(a - a0)
    xi = np.cos(d) * np.sin(a - a0) / below
    eta = (np.cos(d0) * np.sin(d) - np.sin(d0) * np.cos(d) * np.cos(a - a0)) / below
    return 300 - np.degrees(xi) / SCALE, 200 + np.degrees(eta) / SCALE


@pytest.mark.parametrize("ra, dec", [(150.0, 30.0), (150.1, 30.0), (149.9, 30.07), (150.02, 29.93)])
@pytest.mark.parametrize("top_down", [False, True])
def test_places_are_those_of_the_projection(ra: float, dec: float, top_down: bool) -> None:
    column, row = gnomonic(ra, dec)
    x, y = sky_to_picture(celestial_wcs(CARDS), [ra], [dec], height=HEIGHT, top_down=top_down)
    np.testing.assert_allclose([x[0], y[0]], [column, row if top_down else HEIGHT - 1 - row], atol=1e-6)


def test_scale_of_a_pixel() -> None:
    assert pixel_scale_deg(celestial_wcs(CARDS)) == pytest.approx(SCALE, rel=1e-9)


def test_headers_without_a_place_on_the_sky() -> None:
    assert celestial_wcs(()) is None
    assert celestial_wcs((("EXPTIME", 60.0, ""), ("CTYPE1", "LINEAR", ""))) is None
    assert celestial_wcs((("CTYPE1", "RA---XYZ", ""), ("CTYPE2", "DEC--TAN", ""))) is None


@pytest.mark.parametrize("head", ["ra,dec,b_v", "RA, Dec, B-V", "name,ra,dec,BV"])
def test_catalogues_by_column_names(tmp_path, head: str) -> None:
    row = "x,10.5,-3.25,0.65" if head.startswith("name") else "10.5,-3.25,0.65"
    path = tmp_path / "stars.csv"
    path.write_text(f"\ufeff{head}\n{row}\n", encoding="utf-8")
    np.testing.assert_array_equal(read_catalogue(path), [[10.5, -3.25, 0.65]])


@pytest.mark.parametrize(
    "text, said",
    [
        ("ra,dec\n1,2\n", "needs the columns"),
        ("", "needs the columns"),
        ("ra,dec,bv\n", "lists no star"),
        ("ra,dec,bv\n1,2,.5\n1,2,blue\n", "'blue' in line 3 under `bv`, which is no number"),
        ("ra,dec,bv\n1,,.5\n", "'' in line 2 under `dec`"),
    ],
)
def test_faulty_catalogues_are_named(tmp_path, text: str, said: str) -> None:
    path = tmp_path / "stars.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=said) as caught:
        read_catalogue(path)
    assert caught.value.file == str(path) and caught.value.key == "white.from"


def test_a_missing_catalogue_is_named(tmp_path) -> None:
    with pytest.raises(InputError, match=r"nothing\.csv cannot be read"):
        read_catalogue(tmp_path / "nothing.csv")


def test_a_star_without_colour_and_cells_too_many_leave_the_catalogue_whole(tmp_path) -> None:
    path = tmp_path / "stars.csv"
    path.write_text("ra,dec,b_v\n1,2,0.5,\n3,4,\n5,6\n", encoding="utf-8")
    np.testing.assert_array_equal(read_catalogue(path), [[1, 2, 0.5], [3, 4, np.nan], [5, 6, np.nan]])


def test_long_keywords_are_no_noise() -> None:
    """Warnings are errors in these tests: astropy's of a long keyword is not passed on."""
    assert celestial_wcs((("LONGKEYWORD_OF_A_CAMERA", 1, ""), *CARDS)) is not None
