"""Pictures in and out: linear FITS, linear stacks that others made, and display pictures as 16-bit TIFF and PNG and as JPEG."""

from __future__ import annotations

import io
import logging
import math
import re
import struct
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from importlib.resources import files
from pathlib import Path
from typing import Any, BinaryIO

import imagecodecs
import numpy as np
import tifffile
from numba import njit
from PIL import Image, ImageCms, ImageOps

from layerblend.endings import FITS_ENDING, TIFF_ENDING
from layerblend.errors import ArgumentError, InputError, check_image
from layerblend.files.edges import blank_edges
from layerblend.files.frames import HOW_TO_SAY_WHITE, open_frame, read_image, white_of_floats
from layerblend.files.headers import Card, linear_header, padded, unsigned_header
from layerblend.files.whole import whole, write_bytes
from layerblend.kinds import Array, DisplayRGB, FrameInfo, LinearImage

__all__ = [
    "brightest_value", "check_stack_file", "floats_in_tiff", "read_linear", "read_picture", "srgb_profile",
    "write_fits", "write_frame", "write_jpeg", "write_png", "write_tiff",
]  # fmt: skip

logging.getLogger("tifffile").addHandler(logging.NullHandler())  # what it remarks on odd tags would stand on the terminal

Rows = Callable[[slice], Array]
"""What is written of these rows of a picture."""

CODES_16, CODES_8 = 65535, 255
JPEG_QUALITY = 95
BAND_ROWS = 256
PNG_SIGNATURE, PNG_RGB, PNG_SUB, PNG_PIXEL = b"\x89PNG\r\n\x1a\n", 2, 1, 6  # W3C PNG: colour type, filter, bytes of a pixel
PNG_LEVEL = 1  # noise packs no further at 2 or 3, which take half as long again
PERCEPTUAL = 0
TURNED = 5  # TIFF's orientations from here on swap rows and columns
PICTURE_ENDING = {".png", ".jpg", ".jpeg"}


# ---------------------------------------------------------------- FITS out
def write_fits(
    path: str | Path,
    image: LinearImage,
    *,
    cards: Iterable[Card] = (),
    top_down: bool = False,
    extensions: Mapping[str, Array] | None = None,
    made: Rows | None = None,
) -> None:
    """Write a linear picture as float32 FITS, colour as three planes, NaN where there is no data.

    Parameters
    ----------
    image : (H, W, 3) or (H, W) float, row 0 the top of the picture
    cards : keyword, value, comment to keep (WCS, dates, site); those about storage or value range are left out, of equal keywords the
        last one counts. SATURATE = 1 is written, so that the file reads back with the same white.
    top_down : row order of the file (card ROWORDER); False is the FITS habit, the bottom row first.
    extensions : further arrays of the same picture by name; floats become float32, whole numbers 16 or 32 bits.
    made : gives what is written of some rows in place of those of ``image``, float32 of the same shape: a picture that is worked out
        while it is written needs no memory of its own.
    """
    planes = [("", check_image("image", image)), *(extensions or {}).items()]
    stored = [(name, _as_stored(array)) for name, array in planes]
    heads = [linear_header(array, name, cards if not name else (), top_down=top_down) for name, array in stored]
    needed = sum(len(head) + padded(array.nbytes) for head, (_, array) in zip(heads, stored, strict=True))
    with whole(path, needed=needed) as part, open(part, "xb") as handle:
        for head, (name, array) in zip(heads, stored, strict=True):
            handle.write(head)
            _write_planes(handle, array, made if made and not name else array.__getitem__, top_down)


def write_frame(path: str | Path, planes: Array, *, cards: Iterable[Card] = (), top_down: bool = False) -> None:
    """Write one registered frame as cameras store it: unsigned 16-bit FITS, colours as three planes.

    Parameters
    ----------
    planes : (3, H, W) or (H, W) uint16, rows in the order of the file
    cards : keyword, value, comment
    top_down : whether the first row is the top of the picture (card ROWORDER)
    """
    planes = np.asarray(planes)
    if planes.dtype != np.uint16 or planes.ndim not in (2, 3):
        raise ArgumentError(f"`planes` must be (3, H, W) or (H, W) uint16, got {planes.shape} {planes.dtype}.")
    head = unsigned_header(planes.shape, cards, top_down=top_down)
    stored = (planes ^ np.uint16(0x8000)).astype(">u2")  # the bits of value - 32768, as BZERO says
    write_bytes(path, head, stored.reshape(-1).view(np.uint8).data, bytes(padded(stored.nbytes) - stored.nbytes))


def _as_stored(array: Array) -> Array:
    array = np.asarray(array)
    if array.dtype.kind == "f":
        return array.astype(np.float32, copy=False)
    if array.dtype.kind == "b" or array.dtype == np.uint8:
        return array.astype(np.uint8, copy=False)
    fits_in_16 = array.size == 0 or (array.min() >= -(2**15) and array.max() < 2**15)
    return array.astype(np.int16 if fits_in_16 else np.int32)


def _write_planes(handle: BinaryIO, array: Array, made: Rows, top_down: bool) -> None:
    """The planes of an array one behind the other; every band of rows is asked for once, in the order of the file."""
    begin, height, row_bytes = handle.tell(), len(array), array.shape[1] * array.itemsize
    big_endian = array.dtype.newbyteorder(">")
    bands = _bands(height)
    for rows in bands if top_down else reversed(bands):
        band = made(rows)
        row = rows.start if top_down else height - rows.stop
        for number, plane in enumerate(np.atleast_3d(band if top_down else band[::-1]).transpose(2, 0, 1)):
            handle.seek(begin + (number * height + row) * row_bytes)
            handle.write(np.ascontiguousarray(plane, big_endian).reshape(-1).view(np.uint8).data)
    handle.seek(begin + array.nbytes)
    handle.write(bytes(padded(array.nbytes) - array.nbytes))


def _bands(height: int) -> list[slice]:
    return [slice(first, min(first + BAND_ROWS, height)) for first in range(0, height, BAND_ROWS)]


# ---------------------------------------------------------------- linear stacks of others
def read_linear(
    path: str | Path, *, white_level: float | None = None, notes: list[str] | None = None
) -> tuple[LinearImage, tuple[Card, ...], bool]:
    """A finished stack as linear light, with its header cards and row order.

    FITS of any kind that `open_frame` takes, or TIFF with 16 or more bits (integers or floats, any compression, planes apart or together;
    a further sample such as alpha is left out with a note). A TIFF is taken as linear whatever profile it carries. 8 bits are refused:
    their steps are coarser than the noise of a stack.

    Parameters
    ----------
    white_level : float, the value of a saturated pixel; otherwise a SATURATE or DATAMAX card, otherwise the integer type's largest value.
        One that is no larger than a step of whole numbers is meant for the floats of the set, and passed over with a note.
    notes : list that gets words on what was left out or assumed

    Returns
    -------
    image : (H, W, 3) or (H, W) float32, row 0 = top, 1.0 = white level, NaN = no data
    cards : header cards, () for TIFF
    top_down : row order of the FITS file; False for TIFF, so that FITS results follow the FITS habit

    Raises
    ------
    InputError : unreadable, 8 bits, more planes than one or three, floats without a white level.
    """
    path = Path(path)
    notes = [] if notes is None else notes
    if FITS_ENDING.search(path.name):
        info = open_frame(path, white_level=white_level)
        if white_level is not None and white_of_floats(info):
            notes.append(_white_passed_over(path, white_level))
            info = open_frame(path)
        notes += info.words
        if info.bitpix == 8:
            raise _too_few_bits(path)
        return read_image(info), info.cards, info.top_down
    if TIFF_ENDING.search(path.name):
        return _linear_tiff(path, white_level, notes), (), False
    raise _no_stack(path)


def check_stack_file(path: Path, *, white_level: float | None = None) -> FrameInfo | None:
    """That a file may be a finished stack, as far as its name, its presence and (of FITS, which is given back) its header tell.

    Raises
    ------
    InputError : no such file, another kind of file, or an unreadable header.
    """
    if FITS_ENDING.search(path.name):
        return open_frame(path, white_level=white_level)
    if not TIFF_ENDING.search(path.name):
        raise _no_stack(path)
    if not path.is_file():
        raise InputError(f"There is no file {path}.", file=path, code="no_file")
    return None


def floats_in_tiff(path: Path) -> bool:
    """Whether a TIFF holds floats, of which nothing in the file says which is white; one that cannot be read is told of when it is."""
    try:
        with tifffile.TiffFile(path) as tiff:
            return bool(tiff.pages.first.dtype is not None and tiff.pages.first.dtype.kind == "f")
    except Exception:  # the decoder raises classes of its own
        return False


def tiff_size(path: Path) -> tuple[int, int] | None:
    """(height, width) of a TIFF's first page, upright, by its tags; None where it cannot be read, which is told of when it is."""
    try:
        with tifffile.TiffFile(path) as tiff:
            page = tiff.pages.first
            size = int(page.imagelength), int(page.imagewidth)
            return size if int(page.tags.valueof("Orientation", 1)) < TURNED else size[::-1]
    except Exception:  # the decoder raises classes of its own
        return None


def brightest_value(path: Path) -> float | None:
    """The largest value of a file of floats, where clipped stars end; None where it cannot be read or holds none."""
    try:
        most = float(np.fmax.reduce(read_linear(path, white_level=1.0)[0], axis=None))
    except InputError:
        return None
    return most if np.isfinite(most) else None


def _no_stack(path: Path) -> InputError:
    return InputError(f"{path.name} is not a linear stack: give FITS (.fits .fit .fts) or TIFF with 16 bits or more.", file=path)


def _too_few_bits(path: Path) -> InputError:
    return InputError(
        f"{path.name} has 8 bits per value, steps coarser than the noise of a stack; save the stack with 16 bits or as floats.",
        file=path,
        code="8_bit",
    )


def _linear_tiff(path: Path, white_level: float | None, notes: list[str]) -> LinearImage:
    samples, bits = _tiff_samples(path, notes)
    if samples.dtype.kind != "f" and bits <= 8:
        raise _too_few_bits(path)
    if samples.dtype.kind == "f" and white_level is None:
        raise InputError(
            f"{path.name} holds floats and does not say which value is white: {HOW_TO_SAY_WHITE}",
            file=path,
            key="frames.white_level",
            code="white_level",
        )
    if samples.dtype.kind != "f" and white_level is not None and white_level <= 1:
        notes.append(_white_passed_over(path, white_level))
        white_level = None
    white = white_level if white_level is not None else float(_largest(samples.dtype, bits))
    image = np.empty(samples.shape, np.float32)
    for first in range(0, len(image), BAND_ROWS):
        with np.errstate(over="ignore", invalid="ignore"):  # float64 beyond float32 becomes infinite, and so no data
            image[first : first + BAND_ROWS] = samples[first : first + BAND_ROWS].astype(np.float64) / white
    image[~np.isfinite(image)] = np.nan
    blank_edges(image[..., None] if image.ndim == 2 else image)
    return image


def _white_passed_over(path: Path, white_level: float) -> str:
    return f"{path.name} holds whole numbers: frames.white_level {white_level:g} is meant for floats and passed over."


def _largest(dtype: np.dtype, bits: int) -> int:
    return 2 ** (bits - 1) - 1 if dtype.kind == "i" else 2**bits - 1


def _tiff_samples(path: Path, notes: list[str]) -> tuple[Array, int]:
    """(H, W, 3) or (H, W) values of the first page, upright, white as the largest value; and the bits of one value."""
    try:
        with tifffile.TiffFile(path) as tiff:
            page = tiff.pages.first
            _refuse_odd_tiff(path, tiff, page)
            values = page.asarray()
            if page.axes == "SYX":
                values = np.moveaxis(values, 0, 2)
            if page.photometric == tifffile.PHOTOMETRIC.PALETTE:
                values = _palette(values, page.colormap)
            if len(tiff.pages) > 1:
                notes.append(f"{path.name}: {len(tiff.pages)} pages; the first is used.")
            orientation = page.tags.valueof("Orientation", 1)
            inverted = page.photometric == tifffile.PHOTOMETRIC.MINISWHITE
            bits = page.bitspersample if page.photometric != tifffile.PHOTOMETRIC.PALETTE else 16
            _note_profile(path, page.iccprofile, notes)
    except InputError:
        raise
    except FileNotFoundError:
        raise InputError(f"There is no file {path}.", file=path, code="no_file") from None
    except Exception as error:  # the decoders raise classes of their own
        text = f"{path.name} cannot be read as TIFF: {_said(error)}. Copy the file again, or save it anew."
        raise InputError(text, file=path, code="not_tiff") from error
    if values.size == 0 or values.ndim not in (2, 3) or values.dtype.kind not in "fiub":
        text = f"{path.name} holds no picture: {values.dtype} values of shape {values.shape}. Copy the file again, or save it anew."
        raise InputError(text, file=path, code="not_tiff")
    if inverted and values.dtype.kind == "u":
        values = _largest(values.dtype, bits) - values
    return _three_or_one(path, _upright(values, int(orientation)), notes), bits


def _refuse_odd_tiff(path: Path, tiff: tifffile.TiffFile, page: Any) -> None:
    if page.axes not in {"YX", "YXS", "SYX"}:
        raise InputError(f"{path.name}: a TIFF with axes {page.axes} {page.shape} is not one picture.", file=path, code="axes")
    if page.imagelength == 1 and len(tiff.pages) > 1:
        raise InputError(f"{path.name}: {len(tiff.pages)} pages one row high are not a picture; save it as one page.", file=path)
    ends = [o + n for o, n in zip(page.dataoffsets, page.databytecounts, strict=False)]
    if ends and max(ends) > path.stat().st_size:
        raise InputError(f"{path.name} is cut short. Copy the file again.", file=path, code="short_file")


def _palette(values: Array, colours: Array | None) -> Array:
    return values if colours is None else np.moveaxis(np.asarray(colours, np.uint16)[:, values], 0, 2)


def _upright(values: Array, orientation: int) -> Array:
    """Turn the stored rows and columns as TIFF 6.0's tag Orientation (274) says."""
    if orientation >= TURNED:
        values = np.swapaxes(values, 0, 1)
        orientation = {5: 1, 6: 2, 7: 3, 8: 4}[orientation]
    flips: dict[int, Any] = {2: np.s_[:, ::-1], 3: np.s_[::-1, ::-1], 4: np.s_[::-1]}
    return values[flips[orientation]] if orientation in flips else values


def _three_or_one(path: Path, values: Array, notes: list[str]) -> Array:
    if values.ndim == 2:
        return values
    samples = values.shape[2]
    if samples in (2, 4):
        notes.append(f"{path.name}: a further sample (transparency) is left out.")
        values, samples = values[..., : samples - 1], samples - 1
    if samples == 1:
        return values[..., 0]
    if samples == 3:
        return values
    raise InputError(f"{path.name} has {samples} samples per pixel; one or three are needed.", file=path, code="axes")


# ---------------------------------------------------------------- display pictures in
def read_picture(path: str | Path, *, notes: list[str] | None = None) -> DisplayRGB:
    """A finished picture (TIFF, PNG, JPEG; 8 or 16 bits, or floats in 0..1) as display values.

    Transparency is left out with a note. Values are taken as sRGB; another embedded profile is noted, not converted.

    Returns
    -------
    (H, W, 3) float32, 0..1; grey pictures have three equal planes.

    Raises
    ------
    InputError : unreadable, damaged, or another kind of file.
    """
    path = Path(path)
    notes = [] if notes is None else notes
    ending = path.suffix.lower()
    if TIFF_ENDING.search(path.name):
        values, bits = _tiff_samples(path, notes)
    elif ending in PICTURE_ENDING:
        values = _png_values(path, notes) if ending == ".png" else _jpeg_values(path, notes)
        bits = values.dtype.itemsize * 8
    else:
        raise InputError(f"{path.name} is not a finished picture; TIFF, PNG and JPEG are.", file=path, code="not_a_picture")
    if values.dtype.kind == "f":
        if not np.isfinite(values).any():
            raise InputError(f"{path.name} holds no data: no value of it is a number.", file=path)
        if not (np.nanmin(values) >= 0 and np.nanmax(values) <= 1):
            raise InputError(f"{path.name} holds floats outside 0..1, so it is not a display picture.", file=path)
        scaled = np.nan_to_num(values.astype(np.float32))
    else:
        scaled = (values.astype(np.float64) / _largest(values.dtype, bits)).astype(np.float32)
    return np.ascontiguousarray(scaled if scaled.ndim == 3 else np.repeat(scaled[..., None], 3, axis=2))


def _png_values(path: Path, notes: list[str]) -> Array:
    try:
        coded = path.read_bytes()
        values = imagecodecs.png_decode(coded)
        with Image.open(io.BytesIO(coded)) as opened:
            _note_profile(path, opened.info.get("icc_profile"), notes)
    except FileNotFoundError:
        raise InputError(f"There is no file {path}.", file=path, code="no_file") from None
    except Exception as error:  # the decoder raises a class of its own
        text = f"{path.name} cannot be read as PNG: {_said(error)}. Copy the file again, or save it anew."
        raise InputError(text, file=path, code="not_png") from error
    return _three_or_one(path, values, notes)


def _jpeg_values(path: Path, notes: list[str]) -> Array:
    try:
        with Image.open(path) as opened:
            _note_profile(path, opened.info.get("icc_profile"), notes)
            return np.asarray(ImageOps.exif_transpose(opened).convert("RGB"))
    except FileNotFoundError:
        raise InputError(f"There is no file {path}.", file=path, code="no_file") from None
    except (OSError, SyntaxError, ValueError) as error:
        text = f"{path.name} cannot be read as JPEG: {_said(error)}. Copy the file again, or save it anew."
        raise InputError(text, file=path, code="not_jpeg") from error


def _said(error: Exception) -> str:
    """What a decoder says on one line; in a damaged file it may trip over a number and say only that."""
    said = " ".join(str(error).split()).rstrip(".")
    return said if re.search("[A-Za-z]{3}", said) else "it is damaged"


def _note_profile(path: Path, profile: bytes | None, notes: list[str]) -> None:
    if not profile:
        return
    try:
        name = ImageCms.getProfileDescription(ImageCms.ImageCmsProfile(io.BytesIO(profile))).strip()
    except (ImageCms.PyCMSError, OSError):
        name = "unreadable"
    if "srgb" not in name.casefold():
        notes.append(f"{path.name}: the embedded profile ({name}) is not converted; values are taken as sRGB.")


# ---------------------------------------------------------------- display pictures out
def write_tiff(path: str | Path, display: DisplayRGB, *, no_data: float = 0.0, made: Rows | None = None) -> int:
    """Write a display picture as 16-bit RGB TIFF with an sRGB profile; the number of values that had to be clipped is given back.

    Parameters
    ----------
    display : (H, W, 3) or (H, W) float, 0..1; grey is written as three equal samples
    no_data : display value that NaN gets
    made : gives what is written of some rows in place of those of ``display``, as for `write_fits`
    """
    display = check_image("display", display)
    shape, clipped = (*display.shape[:2], 3), 0

    def strips() -> Iterator[Array]:
        nonlocal clipped
        for rows in _bands(len(display)):
            codes, outside = _codes(display[rows] if made is None else made(rows), CODES_16, no_data)
            clipped += outside
            yield codes

    with whole(path, needed=2 * math.prod(shape)) as part:
        tifffile.imwrite(
            part, strips(), shape=shape, dtype=np.uint16, rowsperstrip=BAND_ROWS, photometric="rgb", planarconfig="contig",
            iccprofile=srgb_profile(), metadata=None, software="layerblend",
        )  # fmt: skip
    return clipped


def write_png(path: str | Path, display: DisplayRGB, *, no_data: float = 0.0) -> int:
    """Write a display picture as 16-bit RGB PNG marked as sRGB; the number of values that had to be clipped is given back."""
    display, clipped = check_image("display", display), 0
    height, width = display.shape[:2]
    lines: Any = np.empty((height, 1 + width * PNG_PIXEL), np.uint8)
    for rows in _bands(height):
        codes, outside = _codes(display[rows], CODES_16, no_data)
        _fill_png_lines(codes, lines[rows])
        clipped += outside
    packed: Any = imagecodecs.deflate_encode(lines, level=PNG_LEVEL)
    write_bytes(
        path,
        PNG_SIGNATURE,
        _png_chunk(b"IHDR", struct.pack(">2I5B", width, height, 16, PNG_RGB, 0, 0, 0)),
        _png_chunk(b"sRGB", bytes([PERCEPTUAL])),
        _png_chunk(b"IDAT", packed),
        _png_chunk(b"IEND", b""),
    )
    return clipped


def write_jpeg(path: str | Path, display: DisplayRGB, *, no_data: float = 0.0) -> int:
    """Write a display picture as JPEG (quality 95, full colour resolution, sRGB profile); the number of clipped values is given back."""
    codes, clipped = _codes(check_image("display", display), CODES_8, no_data)
    buffer = io.BytesIO()
    Image.fromarray(codes).save(buffer, "JPEG", quality=JPEG_QUALITY, subsampling=0, icc_profile=srgb_profile())
    write_bytes(path, buffer.getbuffer())
    return clipped


def srgb_profile() -> bytes:
    """The bytes of the sRGB profile (ICC version 2) that goes into pictures."""
    return files("layerblend.files").joinpath("srgb_v2.icc").read_bytes()


def _codes(display: Array, top: int, no_data: float) -> tuple[Array, int]:
    """(H, W, 3) integers 0..top, and how many values lay outside 0..1 by more than half a step."""
    codes = np.empty((*display.shape[:2], 3), np.uint16 if top > CODES_8 else np.uint8)
    return codes, _fill_codes(display.reshape(*display.shape[:2], -1), float(top), float(no_data), codes)


@njit(cache=True, nogil=True)
def _fill_codes(planes: Array, top: float, no_data: float, codes: Array) -> int:
    """Round every value into ``codes``; a grey plane fills all three. Gives how many values were clipped."""
    clipped, slack, last = 0, np.float32(0.5 / top), planes.shape[2] - 1
    steps, blank = np.float32(top), np.float32(no_data)
    for y in range(planes.shape[0]):
        for x in range(planes.shape[1]):
            for c in range(3):
                value = planes[y, x, min(c, last)]
                if value != value:
                    value = blank
                clipped += c <= last and (value < -slack or value > 1 + slack)
                codes[y, x, c] = np.rint(min(max(value, np.float32(0)), np.float32(1)) * steps)
    return clipped


def _fill_png_lines(codes: Array, lines: Array) -> None:
    """Lines of a PNG before they are packed: the filter's number, then every value less its left neighbour (filter Sub)."""
    samples = codes.astype(">u2").view(np.uint8).reshape(len(codes), -1)
    lines[:, 0], lines[:, 1 : 1 + PNG_PIXEL] = PNG_SUB, samples[:, :PNG_PIXEL]
    np.subtract(samples[:, PNG_PIXEL:], samples[:, :-PNG_PIXEL], out=lines[:, 1 + PNG_PIXEL :])


def _png_chunk(kind: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(content, zlib.crc32(kind)))
