"""CSV as spreadsheets save it, and what is no CSV."""

from __future__ import annotations

from pathlib import Path

import pytest

from layerblend.errors import InputError
from layerblend.files.tables import Row, read_csv


def table(folder: Path, raw: bytes) -> Path:
    path = folder / "t.csv"
    path.write_bytes(raw)
    return path


def test_lines_with_cells_too_many_or_too_few_and_empty_ones(tmp_path: Path) -> None:
    read = read_csv(table(tmp_path, "\ufefffile, fwhm ,\r\na.fits,2.5,,x\r\n,,\r\n\r\nb.fits\r\n".encode()), key="k")
    assert read.columns == ("file", "fwhm")
    assert read.rows == (Row(2, {"file": "a.fits", "fwhm": "2.5"}), Row(5, {"file": "b.fits", "fwhm": ""}))


@pytest.mark.parametrize("between", [";", "\t"])
def test_semicolons_and_decimal_commas_of_other_countries(tmp_path: Path, between: str) -> None:
    """Common practice, no source: what spreadsheets save where the comma is the decimal point."""
    lines = ["file;fwhm;note", "a 1,5s.fits;2,53;1,2 and 3", "b.fits;-3;,5", "c.fits;1,5e-3;x"]
    read = read_csv(table(tmp_path, "\r\n".join(lines).replace(";", between).encode()), key="k")
    assert read.columns == ("file", "fwhm", "note")
    assert [tuple(row.cells.values()) for row in read.rows] == [
        ("a 1,5s.fits", "2.53", "1,2 and 3"), ("b.fits", "-3", ".5"), ("c.fits", "1.5e-3", "x"),
    ]  # fmt: skip


def test_where_commas_part_the_cells_semicolons_are_text(tmp_path: Path) -> None:
    read = read_csv(table(tmp_path, b'file,note\na.fits,"2,5"\nb.fits,x;y\n'), key="k")
    assert [row.cells["note"] for row in read.rows] == ["2,5", "x;y"]


def test_an_empty_file_has_no_columns(tmp_path: Path) -> None:
    assert read_csv(table(tmp_path, b""), key="k").columns == ()


@pytest.mark.parametrize(
    "raw, line, said",
    [
        (b"file,fwhm\na.fits,1\nGr\xf6\xdfe.fits,2\n", 3, r"is not UTF-8 text in line 3 \(byte 0xF6\)"),
        ("file\n".encode("utf-16"), 1, "is not UTF-8 text in line 1"),
        (b"file\n" + b"x" * 140_000 + b"\n", 2, "is no CSV in line 2: field larger"),
    ],
)
def test_what_is_no_table_is_told_with_its_line(tmp_path: Path, raw: bytes, line: int, said: str) -> None:
    with pytest.raises(InputError, match=said) as caught:
        read_csv(table(tmp_path, raw), key="frames.measurements")
    assert caught.value.line == line and caught.value.key == "frames.measurements" and caught.value.file == str(tmp_path / "t.csv")


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"gone\.csv cannot be read: No such file") as caught:
        read_csv(tmp_path / "gone.csv", key="white.from")
    assert caught.value.key == "white.from"
