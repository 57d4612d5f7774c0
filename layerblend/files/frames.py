"""Frames as they lie on the disk: finding them, reading their headers without a pixel, and reading them as linear pictures."""

from __future__ import annotations

import glob
import gzip
import io
import os
import re
import zlib
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from layerblend.endings import FITS_ENDING, natural_key
from layerblend.errors import InputError
from layerblend.files.headers import BLOCK, OWN_NAME, STORAGE_CARD, quietly
from layerblend.files.later import fits
from layerblend.kinds import Array, FrameInfo, LinearImage

FITS_MARK, GZIP_MARK = b"SIMPLE", b"\x1f\x8b"
DAMAGE = (OSError, EOFError, ValueError, TypeError, zlib.error)  # what broken files make the libraries raise
EXACT_IN_FLOAT32 = 2**23
NAMES_SHOWN = 6
BAND_ROWS = 64  # few enough that a band stays in the processor's cache

EXPOSURE_CARDS = ("EXPTIME", "EXPOSURE")
DATE_CARDS = ("DATE-OBS", "DATE-BEG", "DATE-AVG")
WHITE_CARDS = ("SATURATE", "DATAMAX")
LEAST_WHITE, MOST_WHITE = 1e-30, 1e30  # what float32 can be divided by
HOW_TO_SAY_WHITE = "set frames.white_level, in a recipe of finished stacks too, to the value of a saturated pixel (1 if white is 1.0)."


# ---------------------------------------------------------------- finding
def find_frames(folder: str | Path, pattern: str | Sequence[str] | None = None) -> list[Path]:
    """All FITS frames of a folder, in natural order, each once.

    Parameters
    ----------
    folder : path
    pattern : glob or list of globs relative to ``folder`` (``**`` reaches into subfolders, capitals do not matter), or None for every
        FITS file of the folder itself. Only files with a FITS ending count (.fits .fit .fts, also with .gz .fz .bz2 behind).

    Raises
    ------
    InputError : no such folder, or no frame found.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise InputError(f"There is no folder {folder}; set frames.folder to where the frames lie.", file=folder, code="no_folder")
    patterns = ["*"] if pattern is None else [pattern] if isinstance(pattern, str) else list(pattern)
    matches = {Path(name) for one in patterns for name in _matching(folder, one) if FITS_ENDING.search(name)}
    found = [folder / name for name in sorted(matches, key=natural_key) if (folder / name).is_file()]
    if not found:
        raise InputError(f"No frames in {folder}: {_wanted(patterns)}.{_other_endings(folder)}", file=folder, code="no_frames")
    return _each_once(found)


def _wanted(patterns: Sequence[str]) -> str:
    """What none of the files is."""
    kind = "a FITS file (.fits .fit .fts, also .gz .fz .bz2)"
    if set(patterns) <= {"*", "**/*"}:
        return f"nothing there{'' if set(patterns) == {'*'} else ', nor in its subfolders,'} is {kind}"
    return f"nothing there is {kind} that fits {' or '.join(map(repr, patterns))}"


def _matching(folder: Path, pattern: str) -> Iterator[str]:
    for name in glob.iglob(_any_case(pattern), root_dir=folder, recursive=True):  # noqa: PTH207 - Path.glob refuses absolute patterns
        yield os.path.normpath(name)


def _any_case(pattern: str) -> str:
    """The glob with every letter outside brackets matching both cases, so that a.FITS is found alike on every system.

    Not those of a drive or a share (``C:``, ``//server/photos``), which no glob looks for.
    """
    drive, rest = os.path.splitdrive(pattern)
    pieces = re.split(r"(\[[^\]]*\])", rest)
    return drive + "".join(piece if piece.startswith("[") else re.sub("[A-Za-z]", _both_cases, piece) for piece in pieces)


def _both_cases(letter: re.Match[str]) -> str:
    return f"[{letter[0].lower()}{letter[0].upper()}]"


def _each_once(paths: list[Path]) -> list[Path]:
    """Without second ways (links, ``..``) to a file already listed; the file itself is kept rather than a link to it."""
    first: dict[Path, Path] = {}
    for path in sorted(paths, key=lambda p: p.is_symlink()):
        first.setdefault(path.resolve(), path)
    kept = set(first.values())
    return [path for path in paths if path in kept]


class FrameNames:
    """What tables call each frame, and which frame is meant by a name that the imager wrote.

    A frame is called by its file name where no other of the set has it, else by its path from ``folder`` (left out: the folder that all
    have in common): numbers that begin anew every night give many frames one file name.
    """

    def __init__(self, paths: Iterable[Path], folder: Path | None = None) -> None:
        paths = list(paths)
        root = _common_folder(paths) if folder is None else folder
        ways = {path: _way(path, root) for path in paths}
        counts = Counter(path.name for path in ways)
        self.of = {path: path.name if counts[path.name] == 1 else way for path, way in ways.items()}
        self._of_way = {way: self.of[path] for path, way in ways.items()}
        self._of_file: dict[str, list[str]] = {}
        for path, name in self.of.items():
            self._of_file.setdefault(path.name, []).append(name)

    def meant(self, text: str) -> list[str]:
        """The names of the frames that a file name or a path from the folder can mean: none, one or several."""
        way = Path(text).as_posix()
        return [self._of_way[way]] if way in self._of_way else self._of_file.get(way, [])


def _common_folder(paths: Sequence[Path]) -> Path:
    """The folder that all have in common; that of the first where they lie on several drives."""
    folders = [path.absolute().parent for path in paths]
    try:
        return Path(os.path.commonpath(folders))
    except ValueError:
        return folders[0]


def _way(path: Path, root: Path) -> str:
    """The path from ``root``; the whole path from another drive, where there is no way."""
    try:
        return Path(os.path.relpath(path, root)).as_posix()
    except ValueError:
        return path.as_posix()


def _other_endings(folder: Path) -> str:
    endings = Counter(path.suffix.lower() for path in folder.iterdir() if path.is_file() and path.suffix)
    if not endings:
        return ""
    return " It holds " + ", ".join(f"{count} x {ending}" for ending, count in endings.most_common(NAMES_SHOWN)) + "."


# ---------------------------------------------------------------- headers
def open_frame(path: str | Path, *, white_level: float | None = None) -> FrameInfo:
    """Where a frame's pixels lie and what its header says, without reading a pixel.

    The picture is the first HDU that has data; the cards of an empty first HDU count for it too. Axes of length 1 are dropped; of three
    axes the one of length 3 holds the colours (NAXIS3 = 3: planes one after the other; NAXIS1 = 3: colours side by side); anything else,
    and both at once, is refused.

    Parameters
    ----------
    path : path of a FITS file, also compressed (.gz, .bz2, tile-compressed .fz)
    white_level : float, ADU; otherwise the card SATURATE or DATAMAX, otherwise the largest value of the integer type. Stays None for
        floats without any of these.

    Raises
    ------
    InputError : not a FITS file, no picture in it, more than half a block cut off, or axes that are not one or three planes.
    """
    path = Path(path)
    words: list[str] = []
    found = _headers(path, words)
    header = found.header
    height, width, channels, planes_first = _layout(found.shape, path)
    numbers = _Numbers({key: value for key, value, _ in reversed(found.cards)}, path, words)
    if channels == 1 and (mosaic := numbers.text("BAYERPAT")):
        words.append(
            f"{path.name}: a mono picture with BAYERPAT = {mosaic}; if it was never debayered, its colour mosaic is taken for detail: "
            "debayer and register first."
        )
    bitpix = int(header["BITPIX"])
    bscale, bzero = _scaling(header, path)
    whole_file = found.packed or not _first_bytes(path).startswith(FITS_MARK)
    if not whole_file:
        words += _check_length(path, found.data_offset, height * width * channels * abs(bitpix) // 8)
    return FrameInfo(
        path=path,
        hdu=found.hdu,
        height=height,
        width=width,
        channels=channels,
        planes_first=planes_first,
        bitpix=bitpix,
        bscale=bscale,
        bzero=bzero,
        blank=numbers.whole("BLANK", header) if bitpix > 0 else None,
        data_offset=None if whole_file else found.data_offset,
        top_down=_is_top_down(numbers.text("ROWORDER"), path, words),
        white_level=white_level if white_level is not None else _white_level(numbers, bitpix, bscale, bzero, path, words),
        exposure_s=numbers.positive(*EXPOSURE_CARDS),
        date=numbers.text(*DATE_CARDS),
        filter=numbers.text("FILTER"),
        cards=found.cards,
        words=tuple(words),
    )


class _Headers(NamedTuple):
    """What astropy finds in a FITS file without a pixel being read; ``shape`` as numpy counts it, ``data_offset`` in bytes."""

    hdu: int
    header: fits.Header
    shape: tuple[int, ...]
    data_offset: int
    packed: bool
    cards: tuple[tuple[str, Any, str], ...]


def _headers(path: Path, words: list[str]) -> _Headers:
    """The HDU of the picture; ``words`` gets what there is to say of the file's characters."""
    try:
        with quietly() as said, fits.open(path, memmap=False, lazy_load_hdus=True) as hdus:
            number, hdu = _first_picture(hdus, path)
            found = _Headers(
                hdu=number,
                header=hdu.header,
                shape=tuple(int(n) for n in hdu.shape),
                data_offset=int(hdu.fileinfo()["datLoc"]),
                packed=isinstance(hdu, fits.CompImageHDU),
                cards=_cards(hdu.header, hdus[0].header if number else None),
            )
    except FileNotFoundError:
        raise InputError(f"There is no file {path}.", file=path, code="no_file") from None
    except ModuleNotFoundError as error:
        raise InputError(f"{path.name} is packed in a way that cannot be read here ({error}); unpack it first.", file=path) from error
    except (*DAMAGE, KeyError, fits.VerifyError) as error:
        text = f"{path.name} cannot be read as FITS: {_first_line(error)}. Copy the file again, or list it under frames.exclude.files."
        raise InputError(text, file=path, code="not_fits") from error
    words += [f"{path.name}: a header character outside ASCII is shown as '?'." for text in said if "non-ASCII" in text][:1]
    return found


def _first_line(error: Exception) -> str:
    if "SIMPLE" in str(error):
        return "it does not begin as a FITS file does"
    return next(iter(str(error).strip().splitlines()), type(error).__name__).rstrip(".")


def _first_picture(hdus: Any, path: Path) -> tuple[int, Any]:
    empty = ""
    for number, hdu in enumerate(hdus):
        if not hdu.is_image or isinstance(hdu, fits.GroupsHDU) or not hdu.shape:
            continue
        if 0 not in hdu.shape:
            return number, hdu
        empty = f" One HDU promises a picture of {' x '.join(str(n) for n in reversed(hdu.shape))} pixels, which is none."
    raise InputError(
        f"{path.name} holds no picture, only headers or tables.{empty} Take it out of the folder or list it under frames.exclude.files.",
        file=path,
        code="no_picture",
    )


def _cards(header: fits.Header, inherited: fits.Header | None) -> tuple[tuple[str, Any, str], ...]:
    """Keyword, value, comment of every card that does not describe storage; the first HDU's own cards behind."""
    cards = _plain_cards(header)
    if inherited is not None:
        have = {key for key, _, _ in cards}
        cards += [card for card in _plain_cards(inherited) if card[0] not in have]
    return tuple(cards)


def _plain_cards(header: fits.Header) -> list[tuple[str, Any, str]]:
    cards = []
    for card in header.cards:
        try:
            keyword, value, comment = card.keyword, card.value, card.comment
        except (fits.VerifyError, ValueError):
            continue  # a card that breaks the standard beyond repair says nothing that could be kept
        if keyword and not STORAGE_CARD.match(keyword):
            cards.append((keyword, None if isinstance(value, fits.card.Undefined) else value, comment))
    return cards


class _Numbers:
    """Header values as numbers or texts, whichever way the card holds them; unusable ones become a word."""

    def __init__(self, values: dict[str, Any], path: Path, words: list[str]):
        self._values, self._path, self._words = values, path, words

    def number(self, key: str) -> float | None:
        value = self._values.get(key)
        if value is None or isinstance(value, bool):
            return None
        if isinstance(value, int | float):
            return float(value)
        try:
            return float(str(value).strip().replace(",", ".").replace("D", "E").replace("d", "e"))
        except ValueError:
            self._words.append(f"{self._path.name}: card {key} = {value!r} is not a number and is passed over.")
            return None

    def positive(self, *keys: str, low: float = 0.0, high: float = np.inf) -> float | None:
        """The first of these cards that holds a finite number above 0, not below ``low`` nor above ``high``."""
        for key in keys:
            value = self.number(key)
            if value is not None and np.isfinite(value) and value > 0 and low <= value <= high:
                return value
        return None

    def text(self, *keys: str) -> str | None:
        return next((text for key in keys if (text := str(self._values.get(key) or "").strip())), None)

    def whole(self, key: str, header: fits.Header) -> int | None:
        value = header.get(key)
        try:
            return None if value is None or isinstance(value, fits.card.Undefined) else int(float(value))
        except ValueError:
            self._words.append(f"{self._path.name}: card {key} = {value!r} is not a number and is passed over.")
            return None


def _layout(shape: tuple[int, ...], path: Path) -> tuple[int, int, int, bool]:
    """height, width, channels, planes first; ``shape`` as numpy counts it (NAXIS1 last)."""
    axes = [n for n in shape if n != 1] if len(shape) > 2 else list(shape)
    if len(axes) == 2:
        return axes[0], axes[1], 1, True
    if len(axes) == 3 and (axes[0] == 3) != (axes[2] == 3):
        return (axes[1], axes[2], 3, True) if axes[0] == 3 else (axes[0], axes[1], 3, False)
    fits_order = " x ".join(str(n) for n in reversed(shape))
    both = len(axes) == 3 and axes[0] == 3
    why = "both the first and the last axis have length 3, so the colours cannot be told" if both else "that is not one plane nor three"
    raise InputError(
        f"{path.name} has axes of {fits_order} pixels: {why}. Give a mono picture, or colour planes along an axis of length 3.",
        file=path,
        code="axes",
    )


def _scaling(header: fits.Header, path: Path) -> tuple[float, float]:
    try:
        bscale, bzero = float(header.get("BSCALE", 1.0)), float(header.get("BZERO", 0.0))
    except (TypeError, ValueError):
        bscale = bzero = np.nan
    if not (np.isfinite(bscale) and np.isfinite(bzero)) or bscale == 0:
        raise InputError(f"{path.name}: BSCALE and BZERO must be numbers and BSCALE not 0.", file=path, code="scaling")
    return bscale, bzero


def _white_level(numbers: _Numbers, bitpix: int, bscale: float, bzero: float, path: Path, words: list[str]) -> float | None:
    card = numbers.positive(*WHITE_CARDS, low=LEAST_WHITE, high=MOST_WHITE)
    if card is not None or bitpix < 0:
        return card
    largest = 255 if bitpix == 8 else 2 ** (bitpix - 1) - 1
    if bitpix > 16:
        words.append(
            f"{path.name}: {bitpix}-bit integers without a SATURATE card; white is taken as their largest value. "
            "Set frames.white_level, or saturated stars will not be known."
        )
    return max(largest * bscale, 0.0) + bzero


def white_of_floats(info: FrameInfo) -> bool:
    """Whether the white level lies within the first step of whole numbers, as one does that was meant for floats from 0 to 1."""
    return info.bitpix > 0 and info.white_level is not None and info.white_level <= abs(info.bscale)


def _is_top_down(order: str | None, path: Path, words: list[str]) -> bool:
    plain = (order or "BOTTOM-UP").upper()
    if plain not in {"TOP-DOWN", "BOTTOM-UP"}:
        words.append(f"{path.name}: ROWORDER = {order!r} is neither TOP-DOWN nor BOTTOM-UP; taken as bottom-up.")
    return plain == "TOP-DOWN"


def _first_bytes(path: Path) -> bytes:
    with open(path, "rb") as handle:
        return handle.read(8)


def _check_length(path: Path, place: int, size: int) -> list[str]:
    """Words when only padding is missing; InputError when pixels are."""
    present = path.stat().st_size - place
    if present < size:
        raise InputError(
            f"{path.name} is cut short: the header promises {size} bytes of pixels, {max(present, 0)} are there. "
            "Copy the file again, or list it under frames.exclude.files.",
            file=path,
            code="short_file",
        )
    if present < -(-size // BLOCK) * BLOCK:
        return [f"{path.name}: the file ends before its padding; all pixels are there and it is used."]
    return []


# ---------------------------------------------------------------- pixels
def read_image(info: FrameInfo) -> LinearImage:
    """The whole frame as linear light: float32 (H, W, 3) or (H, W), row 0 the top of the picture, 1.0 = white level, NaN = no data.

    No data are NaN and infinite values, BLANK, and what fills the edge: exact zeros (in all channels) or another number again and again.

    Raises
    ------
    InputError : white level unknown, file cut short or damaged.
    """
    if info.white_level is None:
        raise InputError(
            f"{info.path.name} holds floats, and neither SATURATE nor DATAMAX says which value is white: {HOW_TO_SAY_WHITE}",
            file=info.path,
            key="frames.white_level",
            code="white_level",
        )
    from layerblend.files.edges import blank_edges  # only here: looking at headers needs no compiled kernel

    stored = _stored_planes(info)
    image = np.empty((info.height, info.width, info.channels), np.float32)
    upright = image if info.top_down else image[::-1]
    for first in range(0, info.height, BAND_ROWS):
        rows = slice(first, first + BAND_ROWS)
        for channel in range(info.channels):
            # float64 beyond float32 becomes infinite, and so no data; some programs mark no data by NaN that signal
            with np.errstate(over="ignore", invalid="ignore"):
                upright[rows, :, channel] = _linear(stored[channel, rows], info)
        if info.bitpix < 0:
            upright[rows][~np.isfinite(upright[rows])] = np.nan
    blank_edges(image)
    return image if info.channels == 3 else image[..., 0]


def _stored_planes(info: FrameInfo) -> Array:
    """(C, H, W) numbers as the file holds them, before BSCALE and BZERO."""
    count = info.height * info.width * info.channels
    if info.data_offset is not None:
        stored = np.fromfile(info.path, np.dtype(_numpy_code(info.bitpix)), count=count, offset=info.data_offset)
    else:
        stored = _unpacked(info).reshape(-1)
    if stored.size != count:
        text = f"{info.path.name} is cut short: {stored.size} of {count} pixels are there. Copy it again."
        raise InputError(text, file=info.path, code="damaged")
    if info.planes_first:
        return stored.reshape(info.channels, info.height, info.width)
    return np.moveaxis(stored.reshape(info.height, info.width, info.channels), 2, 0)


def _numpy_code(bitpix: int) -> str:
    return ">u1" if bitpix == 8 else f">{'i' if bitpix > 0 else 'f'}{abs(bitpix) // 8}"


def _unpacked(info: FrameInfo) -> Array:
    """The numbers of a compressed file. Unpacking holds the whole picture in memory: the slower way."""
    try:
        source: Any = info.path
        if _first_bytes(info.path).startswith(GZIP_MARK):
            with gzip.open(info.path) as handle:  # outside the lock, so that several frames unpack at once
                source = io.BytesIO(handle.read())
        with quietly(), fits.open(source, memmap=False, do_not_scale_image_data=True) as hdus:
            return np.asarray(hdus[info.hdu].data)
    except MemoryError:
        raise
    except Exception as error:  # the decoders raise classes of their own
        if isinstance(error, OSError) and error.errno is not None:  # the disk, not the file
            raise InputError(f"{info.path.name} cannot be read: {error.strerror}.", file=info.path, code="unreadable") from error
        text = f"{info.path.name} cannot be unpacked: {_first_line(error)}. Copy the file again, or list it under frames.exclude.files."
        raise InputError(text, file=info.path, code="damaged") from error


def _linear(stored: Array, info: FrameInfo) -> Array:
    small = info.bitpix in (8, 16) and info.bscale == 1 and info.bzero == int(info.bzero) and abs(info.bzero) <= EXACT_IN_FLOAT32
    plain = info.bitpix == -32 and info.bscale == 1 and info.bzero == 0
    usual = LEAST_WHITE <= (info.white_level or 0) <= MOST_WHITE
    values: Array = stored.astype(np.float32 if (small or plain) and usual else np.float64)
    if info.bscale != 1:
        values *= values.dtype.type(info.bscale)
    if info.bzero != 0:
        values += values.dtype.type(info.bzero)
    values /= values.dtype.type(info.white_level)
    if info.blank is not None:
        values[stored == info.blank] = np.nan
    return values


# ---------------------------------------------------------------- one grid
def check_same_grid(infos: Iterable[FrameInfo]) -> tuple[str, ...]:
    """Refuse frames of different size, colour or row order, naming those that differ from the most; words about what else differs.

    Raises
    ------
    InputError : sizes, channels or row orders are mixed, or a result of ours lies among the frames.
    """
    infos = list(infos)
    _refuse_own_results(infos)
    _refuse_mixed(infos, "size", "frames of one set must be registered to one grid", lambda i: f"{i.width} x {i.height}")
    _refuse_mixed(infos, "colour", "mono and colour frames cannot be stacked together", lambda i: "colour" if i.channels == 3 else "mono")
    _refuse_mixed(infos, "row order", "one of them would be upside down", lambda i: "top-down" if i.top_down else "bottom-up")
    filters = Counter(info.filter for info in infos if info.filter)
    if len(filters) < 2:
        return ()
    usual, *others = (name for name, _ in filters.most_common())
    odd = [info.path.name for info in infos if info.filter in others]
    return (f"{_listed(odd)}: FILTER is {_listed(others)} where most frames say {usual}; {_together(infos[0])}.",)


def _together(info: FrameInfo) -> str:
    """What becomes of frames through several filters."""
    if info.channels == 3:
        return "they are used together"
    return (
        "together they make one grey picture. For colour stack each filter by itself (frames.pattern) and give the three stacks as "
        "stacks.NAME.files {r, g, b}"
    )


def is_own_result(info: FrameInfo) -> bool:
    """Whether a file was written by a run of ours."""
    return any(card[:2] == ("CREATOR", OWN_NAME) for card in info.cards)


def _refuse_own_results(infos: Sequence[FrameInfo]) -> None:
    own = [info.path for info in infos if is_own_result(info)]
    if own:
        raise InputError(
            f"{_listed([path.name for path in own])}: written by layerblend as a result, not a frame; "
            "narrow frames.pattern or list them under frames.exclude.files.",
            file=own[0],
            code="own_result",
        )


def _refuse_mixed(infos: Sequence[FrameInfo], what: str, why: str, of: Any) -> None:
    counts = Counter(of(info) for info in infos)
    if len(counts) < 2:
        return
    usual = counts.most_common(1)[0][0]
    odd = [f"{info.path.name} ({of(info)})" for info in infos if of(info) != usual]
    raise InputError(
        f"Mixed {what}: {counts[usual]} frames are {usual}, but not {_listed(odd)}; {why}. List them under frames.exclude.files.",
        file=next(info.path for info in infos if of(info) != usual),
        code="mixed_grid",
    )


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names[:NAMES_SHOWN]) + (f" and {len(names) - NAMES_SHOWN} more" if len(names) > NAMES_SHOWN else "")
