"""Files that appear whole or not at all, and never in the place of an input."""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from layerblend.errors import NO_ROOM, PlaceError, StoppedError
from layerblend.moves import mend_words, take_name


@contextmanager
def whole(path: str | Path, *, needed: int = 0) -> Iterator[Path]:
    """Give a temporary path beside ``path`` to write to; when the block ends well the file gets its name, otherwise nothing is left.

    Parameters
    ----------
    path : where the file shall appear; missing folders are made, an earlier file is replaced in one move.
    needed : bytes the file will take, for the message when the disk is full.

    Raises
    ------
    StoppedError : disk full, or the place cannot be written.
    """
    path = Path(path)
    part = path.parent / f".{secrets.token_hex(8)}.part"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        yield part
        _to_disk(part)
        take_name(part, path)
        with suppress(OSError):  # not every system lets a folder be opened
            _to_disk(path.parent)
    except OSError as error:
        raise refused(error, path, part, needed) from error
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def _to_disk(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def refused(error: OSError, path: Path, part: Path, needed: int = 0) -> StoppedError:
    """The sentence for a disk that does not take ``path``; ``part`` is what was written so far."""
    short_write = error.errno is None and "written" in str(error)  # numpy's way of saying that the disk is full
    if error.errno in NO_ROOM or short_write:
        wanted = needed or (part.stat().st_size if part.exists() else 0)
        size = f"{wanted / 1e6:.1f} MB" if needed else f"more than {wanted / 1e6:.1f} MB"
        free = shutil.disk_usage(path.parent).free / 1e6
        return StoppedError(
            f"No room to write {path}: it needs {size}, {free:.1f} MB are free. Make room or set output.folder to another disk.",
            file=path,
            code="disk_full",
        )
    reason = error.strerror or str(error)
    return StoppedError(f"{path} cannot be written: {reason}.{mend_words(error, path)}", file=path, code="cannot_write")


def write_bytes(path: str | Path, *chunks: bytes | bytearray | memoryview) -> None:
    """Write a file made of ``chunks``, whole or not at all."""
    with whole(path, needed=sum(len(chunk) for chunk in chunks)) as part, open(part, "xb") as handle:
        for chunk in chunks:
            handle.write(chunk)


def refuse_overwrite(outputs: Iterable[str | Path], inputs: Iterable[str | Path]) -> None:
    """Refuse outputs that would take the place of an input.

    Raises
    ------
    PlaceError : naming the file that would be lost.
    """
    taken = {_place(path): Path(path) for path in inputs}
    for output in outputs:
        if (lost := taken.get(_place(output))) is not None:
            raise PlaceError(
                f"The result {output} would overwrite the input {lost}; choose another place for it (output.folder, --out or --csv).",
                file=lost,
                key="output.folder",
                code="overwrites_input",
            )


def _place(path: str | Path) -> tuple[str, str]:
    """The folder with all links followed, and the name as the disk tells names apart; a hard link elsewhere is another place."""
    followed = Path(path).resolve()
    other_case = followed.with_name(followed.name.swapcase())
    blind = other_case.exists() and followed.exists() and other_case.name != followed.name and _one_entry(followed, other_case)
    return str(followed.parent), followed.name.casefold() if blind else followed.name


def _one_entry(a: Path, b: Path) -> bool:
    """Whether two spellings name one directory entry (a disk that ignores case lists only one of them)."""
    names = {entry.name for entry in a.parent.iterdir()}
    return a.samefile(b) and not {a.name, b.name} <= names
