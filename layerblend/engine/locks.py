"""Locks between runs that share a store: one key is made by one run at a time, and none is thrown out that one uses.

One file serves all keys: each key locks one byte of it to be made and one to be used, chosen by its hash, through the operating system.
Such a lock ends with its process however that ends, so nothing goes stale and nothing has to be cleaned up. Two keys may fall on one
byte; then one run waits, or something is kept, without need.
"""

from __future__ import annotations

import errno
import os
import sys
import threading
from dataclasses import dataclass, field
from pathlib import Path

# msvcrt counts bytes in 31 bits; the lower half is for making, the upper for using. A prime, so that every digit of a key counts.
_BYTES = 2**30 - 35
_BUSY = {errno.EACCES, errno.EAGAIN, errno.EDEADLK}

_guard = threading.Lock()


@dataclass
class _LockFile:
    handle: int
    held: set[int] = field(default_factory=set)


# POSIX drops all locks of a process when it closes any handle of the file: so there is one per file and process, never closed
_files: dict[tuple[int, str], _LockFile] = {}


class Lock:
    """A held lock; ``release`` it, or use it as a context manager."""

    def __init__(self, file: _LockFile | None, byte: int) -> None:
        self._file, self._byte = file, byte

    def release(self) -> None:
        """Let others have it."""
        with _guard:
            if self._file is not None and self._byte in self._file.held:
                self._file.held.discard(self._byte)
                _unlock(self._file.handle, self._byte)
            self._file = None

    def __enter__(self) -> Lock:
        return self

    def __exit__(self, *_: object) -> None:
        self.release()


def try_lock(path: Path, key: str, *, use: bool = False) -> Lock | None:
    """The right to make ``key`` (or to ``use`` it) in the lock file ``path``, or None while another run or thread has it.

    On file systems that know no locks, every one succeeds: results are still right, as they are written whole, but may be made twice.
    """
    byte = int(key[:12], 16) % _BYTES + (_BYTES if use else 0)
    with _guard:
        file = _lock_file(path)
        if file is None:
            return Lock(None, byte)
        if byte in file.held:
            return None
        try:
            _lock(file.handle, byte)
        except OSError as error:
            return None if error.errno in _BUSY else Lock(None, byte)
        file.held.add(byte)
        return Lock(file, byte)


def _lock_file(path: Path) -> _LockFile | None:
    place = (os.getpid(), os.path.realpath(path))
    file = _files.get(place)
    if file is not None and (file.held or _is_same(file.handle, path)):
        return file
    if file is not None:  # the store was deleted and made anew
        os.close(_files.pop(place).handle)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        _files[place] = _LockFile(os.open(path, os.O_RDWR | os.O_CREAT, 0o666))
    except OSError:
        return None
    return _files[place]


def _is_same(handle: int, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(handle), path.stat())
    except OSError:
        return False


if sys.platform == "win32":
    import msvcrt

    def _lock(handle: int, byte: int) -> None:
        os.lseek(handle, byte, os.SEEK_SET)
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)

    def _unlock(handle: int, byte: int) -> None:
        os.lseek(handle, byte, os.SEEK_SET)
        msvcrt.locking(handle, msvcrt.LK_UNLCK, 1)

else:
    import fcntl

    def _lock(handle: int, byte: int) -> None:
        fcntl.lockf(handle, fcntl.LOCK_EX | fcntl.LOCK_NB, 1, byte, os.SEEK_SET)

    def _unlock(handle: int, byte: int) -> None:
        fcntl.lockf(handle, fcntl.LOCK_UN, 1, byte, os.SEEK_SET)
