"""Stacks on disk: one FITS file each, laid out before the first pixel is known, filled band by band, opened without being read."""

from __future__ import annotations

import io
import os
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from urllib.parse import quote, unquote

import numpy as np

from layerblend.errors import InputError
from layerblend.files.bands import write_rows
from layerblend.files.headers import STORAGE_CARD, Card, linear_header, padded, quietly
from layerblend.files.later import fits
from layerblend.kinds import Array, Stack

MEAN, STDERR, COUNT, REJECTED, SATURATED, HALF_A, HALF_B, FRAMES = (
    "MEAN", "STDERR", "COUNT", "REJECTED", "SATURATED", "HALF_A", "HALF_B", "FRAMES",
)  # fmt: skip
MAPS = (STDERR, COUNT, REJECTED, SATURATED)
WHOLE_NUMBERS = {COUNT, REJECTED}
LARGEST_COUNT = 32767
PLAIN = "".join(chr(c) for c in range(32, 127) if chr(c) != "%")
"""Letters that stand as they are in the table of frames; FITS knows ASCII only, others are written %C3%9F."""

OWN_CARDS = {"NCOMBINE", "EXPTIME", "STARFWHM", "EXPOSURE", "STACKED"}


@dataclass(frozen=True)
class StackFile:
    """Where each array of a stack file lies: ``places`` holds (name, first byte, bytes a sample, planes)."""

    path: Path
    height: int
    width: int
    places: tuple[tuple[str, int, int, int], ...]
    size: int

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(place[0] for place in self.places)

    def write(self, name: str, channel: int, row0: int, rows: Array) -> Array:
        """Write rows (n, W) of one channel at file row ``row0``; returns what was written, (n, bytes) uint8."""
        stored = np.ascontiguousarray(rows, ">i2" if name in WHOLE_NUMBERS else ">f4")
        write_rows(self.path, self._place(name, channel, row0), stored)
        return stored.view(np.uint8)

    def read(self, name: str, channel: int, row0: int, row1: int) -> Array:
        """(n, bytes) uint8: file rows row0..row1 as they stand in the file."""
        count = (row1 - row0) * self._row_bytes(name)
        return np.fromfile(self.path, np.uint8, count, offset=self._place(name, channel, row0)).reshape(row1 - row0, -1)

    def _place(self, name: str, channel: int, row: int) -> int:
        first = next(first for known, first, _, _ in self.places if known == name)
        return first + (channel * self.height + row) * self._row_bytes(name)

    def _row_bytes(self, name: str) -> int:
        return self.width * next(item for known, _, item, _ in self.places if known == name)


@dataclass(frozen=True)
class StackHead:
    """What a stack says about itself besides its pixels."""

    cards: tuple[Card, ...]
    top_down: bool
    files: tuple[str, ...]
    weights: tuple[float, ...]
    scales: tuple[float, ...]
    exposure_s: float
    fwhm_major: float


def lay_out(
    path: Path, *, height: int, width: int, channels: int, maps: bool, head: StackHead
) -> tuple[StackFile, list[tuple[int, bytes]]]:
    """Where the arrays of a stack file at ``path`` will lie, and its headers with their places, ready for `create`.

    ``maps`` False leaves out error, counts and saturation: a mean with its two halves.
    """
    names = (MEAN, *MAPS, HALF_A, HALF_B) if maps else (MEAN, HALF_A, HALF_B)
    places, pieces, position = [], [], 0
    for name in names:
        planes = 1 if name == SATURATED else channels
        kind = ">i2" if name in WHOLE_NUMBERS else ">f4"
        shape = (height, width, planes) if planes > 1 else (height, width)
        array = np.broadcast_to(np.zeros((), kind), shape)
        header = linear_header(array, "" if name == MEAN else name, _cards(head) if name == MEAN else (), top_down=head.top_down)
        pieces.append((position, header))
        item = int(kind[-1])
        places.append((name, position + len(header), item, planes))
        position += len(header) + padded(planes * height * width * item)
    table = _frame_table(head)
    pieces.append((position, table))
    return StackFile(path, height, width, tuple(places), position + len(table)), pieces


def create(file: StackFile, pieces: Iterable[tuple[int, bytes]]) -> None:
    """Make the file at its full size with all headers; pixels are zero until written."""
    with open(file.path, "wb") as handle:
        _reserve(handle.fileno(), file.size)
        for place, piece in pieces:
            handle.seek(place)
            handle.write(piece)


def _reserve(descriptor: int, size: int) -> None:
    """Ask for the room at once, so that a full disk shows before hours of work."""
    if hasattr(os, "posix_fallocate"):
        os.posix_fallocate(descriptor, 0, size)
    else:
        os.ftruncate(descriptor, size)


def _cards(head: StackHead) -> list[Card]:
    kept = [card for card in head.cards if card[0] not in OWN_CARDS]
    return [
        *kept,
        ("NCOMBINE", len(head.files), "frames in this stack"),
        ("EXPTIME", float(head.exposure_s), "s, integration time of all frames"),
        ("STARFWHM", float(head.fwhm_major), "px, expected width of the stars' long axis"),
        ("STACKED", True, "extensions hold error, counts, half-sets, frames"),
    ]


def _frame_table(head: StackHead) -> bytes:
    names = [quote(name, safe=PLAIN) for name in head.files]
    with quietly():
        columns = [
            fits.Column("FILE", f"{max(map(len, names), default=1)}A", array=np.array(names)),
            fits.Column("WEIGHT", "D", array=np.array(head.weights, float)),
            fits.Column("SCALE", "D", array=np.array(head.scales, float)),
        ]
        buffer = io.BytesIO()
        fits.HDUList([fits.PrimaryHDU(), fits.BinTableHDU.from_columns(columns, name=FRAMES)]).writeto(buffer)
    return buffer.getvalue()[2880:]


# ---------------------------------------------------------------- reading
def is_own_stack(path: Path) -> bool:
    """Whether a file is a stack written here, with its maps and half-sets; saved anew elsewhere it keeps the card, but not these."""
    try:
        with quietly(), fits.open(path, memmap=False) as hdus:
            return bool(hdus[0].header.get("STACKED", False)) and FRAMES in hdus
    except (OSError, ValueError):
        return False


def open_stack(path: str | Path) -> Stack:
    """A stack file as memory-mapped arrays, row 0 the top of the picture.

    The arrays are big-endian views of the file: take a slice or ``np.float32(...)`` of what is needed.

    Raises
    ------
    InputError : not a stack written here.
    """
    path = Path(path)
    try:
        with quietly(), fits.open(path, memmap=False, lazy_load_hdus=False) as hdus:
            header = hdus[0].header
            if not header.get("STACKED", False):
                raise InputError(f"{path.name} is not a stack made here; open it as a finished stack.", file=path, code="not_a_stack")
            heads = {str(hdu.header.get("EXTNAME", MEAN)): (hdu.header, int(hdu.fileinfo()["datLoc"])) for hdu in hdus}
            table = hdus[FRAMES].data
            files = tuple(unquote(str(name)) for name in table["FILE"])
            weights = tuple(float(w) for w in table["WEIGHT"])
            cards = tuple(_kept(header.cards))
    except FileNotFoundError:
        raise InputError(f"There is no file {path}.", file=path, code="no_file") from None
    except (OSError, KeyError, ValueError, TypeError) as error:
        raise InputError(f"{path.name} cannot be read as a stack: {error}", file=path, code="not_a_stack") from error
    top_down = header.get("ROWORDER", "") == "TOP-DOWN"
    arrays = {name: _mapped(path, *where, top_down) for name, where in heads.items() if name != FRAMES}
    return Stack(
        mean=arrays[MEAN],
        stderr=arrays.get(STDERR),
        count=arrays.get(COUNT),
        rejected=arrays.get(REJECTED),
        saturated=arrays.get(SATURATED),
        halves=(arrays[HALF_A], arrays[HALF_B]),
        n_frames=int(header["NCOMBINE"]),
        exposure_s=float(header.get("EXPTIME", 0.0)),
        files=files,
        weights=weights,
        fwhm_major=float(header.get("STARFWHM", np.nan)),
        cards=cards,
        top_down=top_down,
    )


def _kept(cards: Iterable[Any]) -> Iterable[Card]:
    for card in cards:
        if card.keyword and not STORAGE_CARD.match(card.keyword) and card.keyword != "STACKED":
            yield card.keyword, card.value, card.comment


def _mapped(path: Path, header: fits.Header, place: int, top_down: bool) -> Array:
    shape = tuple(int(header[f"NAXIS{axis}"]) for axis in range(int(header["NAXIS"]), 0, -1))
    kind = ">f4" if int(header["BITPIX"]) == -32 else ">u2"  # counts stay below 32768, so signed and unsigned are the same bytes
    array: Array = np.memmap(path, kind, "r", place, shape)
    array = array if top_down else array[..., ::-1, :]
    return np.moveaxis(array, 0, 2) if array.ndim == 3 else array


def load(stack: Stack) -> Stack:
    """The same stack with every array read into memory, in the processor's own byte order."""

    def native(array: Array | None) -> Array | None:
        return None if array is None else np.ascontiguousarray(array, array.dtype.newbyteorder("="))

    halves = None if stack.halves is None else tuple(native(half) for half in stack.halves)
    names = ("mean", "stderr", "count", "rejected", "saturated")
    return replace(stack, halves=halves, **{name: native(getattr(stack, name)) for name in names})  # type: ignore[arg-type]
