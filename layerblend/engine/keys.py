"""Keys: a result is known by how it was made. Only original files count by content, which is remembered by path, size and time."""

from __future__ import annotations

import hashlib
import json
import math
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from layerblend.engine.notes import Notes
from layerblend.errors import InputError

# raised when keys are made in another way, or when records move to other modules: no result of before is then found
KEY_FORMAT = 2
KEY_LENGTH = 40
# a file changed within the clock's coarseness of its time stamp could change again unseen (2 s on FAT), so it is not remembered yet
SETTLED_NS = 2_500_000_000


def canonical(value: Any) -> str:
    """Plain data as one text: the same data give the same text, whatever the order of groups and whether 1 or 1.0 was written."""
    return json.dumps(_plain(value), sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def _plain(value: Any) -> Any:
    if value is None or isinstance(value, bool | str | int):
        return value
    if hasattr(value, "item") and getattr(value, "ndim", None) == 0:  # a numpy scalar
        return _plain(value.item())
    if isinstance(value, float):
        if not math.isfinite(value):
            raise ValueError(f"{value} is no usable number")
        return int(value) if value.is_integer() else value
    if isinstance(value, Mapping):
        wrong = next((key for key in value if not isinstance(key, str)), None)
        if wrong is not None:
            raise TypeError(f"the key {wrong!r} is no text")
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(inner) for inner in value]
    if isinstance(value, Path):
        raise TypeError(f"{value} is a path; paths cannot change a result and stand outside the settings")
    raise TypeError(f"{value!r} is of the type {type(value).__name__}")


def node_key(
    step: str,
    version: int,
    settings: Mapping[str, Any],
    inputs: Mapping[str, str | Sequence[str]] | Sequence[str],
    files: Sequence[str] = (),
) -> str:
    """Key of a result: hash of step name, step version, own settings, the inputs' keys and the contents of its files."""
    made_from = {"format": KEY_FORMAT, "step": step, "version": version, "settings": settings, "inputs": inputs, "files": list(files)}
    return hashlib.sha256(canonical(made_from).encode()).hexdigest()[:KEY_LENGTH]


def content_key(path: str | Path) -> str:
    """sha256 of a file's bytes, as hexadecimal digits."""
    try:
        with open(path, "rb") as handle:
            return hashlib.file_digest(handle, "sha256").hexdigest()
    except OSError as error:
        raise _unreadable(path, error) from None


def _unreadable(path: str | Path, error: OSError) -> InputError:
    return InputError(f"The file {path} cannot be read: {error.strerror or error}.", file=path, code="unreadable")


class FileKeys:
    """Content keys of files, each read once as long as its path, size and time stay the same."""

    def __init__(self, notes: Notes) -> None:
        self._notes = notes
        self._noted: dict[str, tuple[int, int, str]] | None = None  # read at once: one question each takes longer than a new blend

    def known(self, path: str | Path) -> str | None:
        """The key, if it is known without reading the file."""
        try:
            stamp = stamp_of(path)
        except OSError:
            return None
        if self._noted is None:
            self._noted = self._notes.files()
        noted = self._noted.get(self._notes.name_of(path))
        return noted[2] if noted is not None and noted[:2] == stamp else None

    def of(self, path: str | Path) -> str:
        """The key; the file is read if need be."""
        key = self.known(path)
        if key is not None:
            return key
        try:
            before = stamp_of(path)
            key = content_key(path)
            after = stamp_of(path)
        except OSError as error:
            raise _unreadable(path, error) from None
        if before != after:
            raise InputError(f"The file {path} changed while it was read; wait until it is written and run again.", file=path)
        if time.time_ns() - after[1] > SETTLED_NS:
            self._notes.remember_file(path, *after, key)
            if self._noted is not None:
                self._noted[self._notes.name_of(path)] = (*after, key)
        return key


def stamp_of(path: str | Path) -> tuple[int, int]:
    """Size in bytes and time of the last change in ns."""
    status = Path(path).stat()
    return status.st_size, status.st_mtime_ns
