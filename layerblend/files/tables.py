"""Tables that the imager wrote: CSV with names in the first line, as spreadsheets save it in any country."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass
from pathlib import Path

from layerblend.errors import InputError

DECIMAL_COMMA = re.compile(r"[-+]?\d*,\d+([eE][-+]?\d+)?")


@dataclass(frozen=True)
class Row:
    """One line of a table: its number in the file, its cells by column."""

    line: int
    cells: dict[str, str]


@dataclass(frozen=True)
class CsvTable:
    """The columns of the first line and the lines below it."""

    columns: tuple[str, ...]
    rows: tuple[Row, ...]


def read_csv(path: str | Path, *, key: str) -> CsvTable:
    """A table in UTF-8; empty lines and cells beyond the last column are left out, cells that a line lacks are empty.

    Where the first line has no comma but semicolons or tabs, these part the cells, and a number's comma is a decimal point.

    Raises
    ------
    InputError
        The file cannot be read, or is no text of this kind; ``key`` is the setting that names it.
    """
    path = Path(path)
    text = _text_of(path, key)
    between = _between_cells(text)
    reader = csv.DictReader(io.StringIO(text, newline=""), restval="", delimiter=between)
    rows = []
    try:
        reader.fieldnames = columns = [name.strip() for name in reader.fieldnames or ()]
        for cells in reader:
            row = {name: _cell(cells[name].strip(), between) for name in columns if name}
            if any(row.values()):
                rows.append(Row(reader.line_num, row))
    except csv.Error as error:
        line = reader.reader.line_num
        raise InputError(f"{path} is no CSV in line {line}: {error}.", file=path, line=line, key=key) from error
    return CsvTable(tuple(name for name in columns if name), tuple(rows))


def _between_cells(text: str) -> str:
    """What parts the cells, as the first line shows."""
    first = text.partition("\n")[0]
    return next((mark for mark in ",;\t" if mark in first), ",")


def _cell(cell: str, between: str) -> str:
    """The cell with a decimal point where it is a number with a decimal comma."""
    return cell.replace(",", ".") if between != "," and DECIMAL_COMMA.fullmatch(cell) else cell


def _text_of(path: Path, key: str) -> str:
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror}.", file=path, key=key) from error
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        text = f"{path} is not UTF-8 text in line {line} (byte 0x{raw[error.start]:02X}); save it as CSV in UTF-8."
        raise InputError(text, file=path, line=line, key=key) from None
