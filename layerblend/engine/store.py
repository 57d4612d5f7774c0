"""Results kept by key in a folder: whole or not at all, verified when read, within a size cap, safe for runs side by side.

Reading gigabytes again for every small change would take longer than the change: a file found whole counts as whole for a week, unless
its size or time changes.

An entry is a folder named by its key. Its arrays are written first, under names of their own; ``value.json`` follows in one move and
makes the entry whole. What a killed run leaves has no ``value.json`` and counts for nothing, except as the work folder that the next run
of the same node goes on with. Nothing is ever changed in place.

Values may hold paths into their entry, which nothing else keeps alive: such entries are held while a run uses them, against its own need
of room and that of others.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import secrets
import shutil
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from threading import Lock as ThreadLock
from typing import Any, NamedTuple, TypeVar

from layerblend.engine.keys import SETTLED_NS, FileKeys
from layerblend.engine.locks import Lock, try_lock
from layerblend.engine.notes import Notes
from layerblend.engine.values import Reader, UnreadableError, Writer, array_head
from layerblend.errors import NO_ROOM, StoppedError
from layerblend.moves import mend_words, take_name

CAP_BYTES = 20 * 10**9
# evict down to this share of the cap, so that not every result that follows has to make room again
_ROOM = 0.9
# what a run holds may fill this share of the store: where it is more (stacks of a large camera), the cap grows with it
_HELD_SHARE = 0.5
# arrays smaller than this are read: a map each would use up the file handles
_MAP_FROM_BYTES = 2**20
# unfinished work is worth keeping for a while
_UNFINISHED_KEPT_S = 7 * 24 * 3600.0
_HASHERS = 4
_WHOLE_FOR_S = 7 * 24 * 3600.0
_VALUE = "value.json"
_WORK = "work"

_T = TypeVar("_T")


class DamagedError(Exception):
    """An entry that is not what was written; it has been thrown away."""


class Entry(NamedTuple):
    """What the store knows of one entry without reading it."""

    key: str
    folder: Path
    whole: bool
    priority: int
    used: float
    size: int


@dataclass(frozen=True)
class _Part:
    """One file of an entry."""

    name: str
    size: int
    digest: str


class Packed(NamedTuple):
    """A value on its way into the store: its key, its parts, and the value as a later ``load`` would give it."""

    key: str
    priority: int
    tree: Any
    arrays: tuple[Any, ...]
    inside: tuple[str, ...]
    value: Any


class Store:
    """Results in ``folder``, at most ``cap_bytes`` of them; records of other packages than ``packages`` are neither kept nor read."""

    def __init__(self, folder: str | Path, *, cap_bytes: int = CAP_BYTES, packages: Sequence[str] = ("layerblend",)) -> None:
        self.folder = Path(folder).absolute()
        self.cap_bytes = cap_bytes
        self.packages = tuple(packages)
        self.notes = Notes(self.folder / "notes.sqlite", self.folder.parent)
        self.files = FileKeys(self.notes)
        self._size: int | None = None
        self._counting = ThreadLock()
        self._held: dict[str, Lock | None] = {}

    # ------------------------------------------------------------ reading
    def has(self, key: str) -> bool:
        """Whether there is a whole result for ``key``; it is verified only when read."""
        return (self._entry(key) / _VALUE).is_file()

    def load(self, key: str, *, mapped: bool = True) -> Any:
        """The result of ``key``.

        ``mapped``: large arrays are mapped (copy on write: changing them never changes the store) instead of read.
        Raises KeyError when there is none, DamagedError when it was not what had been written (then it is gone).
        """
        folder = self._entry(key)
        try:
            text = (folder / _VALUE).read_bytes()
        except OSError:
            raise KeyError(key) from None
        try:
            record = _checked_record(text)
            self._verify(folder, [_Part(**part) for part in record["parts"]])
            value = self._reader(folder, record["arrays"], mapped=mapped).value(record["value"])
        except (OSError, ValueError, KeyError, TypeError, UnreadableError) as error:
            if not self.has(key):  # another run made room just now
                raise KeyError(key) from error
            self._discard(key, text)
            raise DamagedError(f"{key}: {error}") from error
        with contextlib.suppress(OSError):  # the time of last use; a store that cannot be written still serves
            os.utime(folder / _VALUE)
        return value

    def _reader(self, folder: Path, arrays: Sequence[str], *, mapped: bool) -> Reader:
        """Reads a value whose arrays lie in ``folder`` under these names."""
        return Reader(
            lambda number: _load_array(folder / arrays[number], mapped=mapped),
            lambda name: _load_array(folder / _WORK / name, mapped=mapped),
            folder / _WORK,
            self.packages,
        )

    def _verify(self, folder: Path, parts: Sequence[_Part]) -> None:
        """Every file is as it was written. One that has not been touched since it was last found whole is not read again."""
        now = time.time()
        stamps = {part: _stamp(folder / part.name) for part in parts}
        whole = self.notes.whole(((*stamps[part], part.digest) for part in parts), now - _WHOLE_FOR_S)
        unseen = [part for part, seen in zip(parts, whole, strict=True) if not seen]
        for part, found in zip(unseen, _at_once(lambda part: _measure(folder, folder / part.name), unseen), strict=True):
            if found != part:
                raise ValueError(f"{part.name} is not as it was written")
        settled = [part for part in unseen if 1e9 * now - stamps[part][-1] > SETTLED_NS]
        self.notes.remember_whole(((*stamps[part], part.digest) for part in settled), now)

    # ------------------------------------------------------------ writing
    def save(self, key: str, value: Any, *, priority: int = 0) -> Any:
        """Keep ``value`` under ``key``; returns it as a later ``load`` would give it (arrays in C order, plain types).

        Paths and mapped .npy arrays that lie in the work folder of ``key`` stay there as part of the entry; whatever else lies in the
        work folder is thrown away. Raises StoppedError when the disk is full.
        """
        packed = self.pack(key, value, priority=priority)
        self.write(packed)
        return packed.value

    def pack(self, key: str, value: Any, *, priority: int = 0) -> Packed:
        """The first half of `save`, which touches no disk: ``value`` as a later ``load`` would give it, and what `write` needs."""
        work = self._entry(key) / _WORK
        writer = Writer(work, self.packages)
        tree = writer.tree(value)
        inside = Reader(
            lambda number: writer.arrays[number], lambda name: _load_array(work / name, mapped=True), work, self.packages
        )  # fmt: skip
        return Packed(key, priority, tree, tuple(writer.arrays), tuple(writer.inside), inside.value(tree))

    def write(self, packed: Packed) -> Any:
        """The second half of `save`: the arrays to disk, then what makes the entry whole; returns the value with large arrays mapped."""
        folder = self._entry(packed.key)
        stem = secrets.token_hex(4)
        names = [f"{stem}-{number}.npy" for number in range(len(packed.arrays))]
        try:
            folder.mkdir(parents=True, exist_ok=True)
            parts = [_write_array(folder / name, array) for name, array in zip(names, packed.arrays, strict=True)]
            parts += _at_once(lambda path: _measure(folder, path), _files_inside(folder / _WORK, packed.inside))
            record = {"parts": [vars(part) for part in parts], "arrays": names, "value": packed.tree}
            _write_record(folder / _VALUE, record, packed.priority)
        except OSError as error:
            for name in names:
                (folder / name).unlink(missing_ok=True)
            raise self._stopped(error, sum(array.nbytes for array in packed.arrays)) from error
        _sweep(folder, {_VALUE, *(part.name for part in parts)})
        self._count(sum(part.size for part in parts), {packed.key})
        try:
            return self._reader(folder, names, mapped=True).value(packed.tree)
        except OSError:  # thrown out by another run a moment ago
            return packed.value

    def work_folder(self, key: str) -> Path:
        """The work folder of ``key``: what an interrupted run left in it is still there."""
        folder = self._entry(key) / _WORK
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise self._stopped(error, 0) from error
        return folder

    def remove(self, key: str) -> None:
        """Throw a result away, its work folder with it."""
        folder = self._entry(key)
        # first what makes it whole; the rest may still be mapped, and then goes later
        with contextlib.suppress(OSError):
            (folder / _VALUE).unlink()
        shutil.rmtree(folder, ignore_errors=True)

    def _discard(self, key: str, text: bytes) -> None:
        """Throw a damaged result away, unless another run has made it again by now or is about to."""
        lock = self.try_lock(key)
        if lock is not None:
            with lock, contextlib.suppress(OSError):
                if (self._entry(key) / _VALUE).read_bytes() == text:
                    self.remove(key)

    def try_lock(self, key: str) -> Lock | None:
        """The right to make ``key``, or None while another run has it."""
        return try_lock(self.folder / "locks", key)

    def hold(self, key: str) -> None:
        """Never throw ``key`` out to make room, neither here nor in another run, until `let_go` or the end of the process."""
        if key not in self._held:
            self._held[key] = self._try_use(key)  # None: another run holds it already, or the store cannot be written

    def let_go(self) -> None:
        """End what `hold` began."""
        for lock in self._held.values():
            if lock is not None:
                lock.release()
        self._held.clear()

    def _try_use(self, key: str) -> Lock | None:
        return try_lock(self.folder / "locks", key, use=True)

    # ------------------------------------------------------------ size
    def entries(self) -> Iterator[Entry]:
        """All entries, whole or not."""
        for group in _folders(self.folder / "values"):
            for folder in _folders(group):
                with contextlib.suppress(OSError):
                    yield _entry_of(folder)

    @property
    def size(self) -> int:
        """Bytes of all entries."""
        return sum(entry.size for entry in self.entries())

    def make_room(self, keep: set[str] | None = None) -> list[str]:
        """Throw results away until the store is well below its cap; returns their keys.

        Lowest priority first, then least recently used; never those of ``keep``, what is held, or what another run is making now.
        """
        entries = sorted(self.entries(), key=_worth)
        total = sum(entry.size for entry in entries)
        cap = max(self.cap_bytes, sum(entry.size for entry in entries if entry.key in self._held) / _HELD_SHARE)
        gone: list[str] = []
        for entry in entries:
            old_scraps = not entry.whole and time.time() - entry.used > _UNFINISHED_KEPT_S
            if entry.key in self._held or entry.key in (keep or ()) or (total <= cap * _ROOM and not old_scraps):
                continue
            if self._remove_unused(entry.key):
                total -= entry.size
                gone.append(entry.key)
        self._size = total
        return gone

    def _remove_unused(self, key: str) -> bool:
        """Throw a result away unless a run is making or holds it: whether it is gone."""
        making, using = self.try_lock(key), self._try_use(key)
        try:
            if making is None or using is None:
                return False
            self.remove(key)
            return True
        finally:
            for lock in (making, using):
                if lock is not None:
                    lock.release()

    def _count(self, added: int, keep: set[str]) -> None:
        with self._counting:
            self._size = self.size if self._size is None else self._size + added
            if self._size > self.cap_bytes:
                self.make_room(keep)

    def _entry(self, key: str) -> Path:
        return self.folder / "values" / key[:2] / key

    def _stopped(self, error: OSError, needed: int) -> StoppedError:
        if error.errno in NO_ROOM:
            size = f" ({needed / 1e6:.0f} MB)" if needed else ""
            text = f"The disk is full: the next result{size} does not fit into {self.folder}. Free some space and run again."
            return StoppedError(text, file=self.folder, code="disk")
        reason = error.strerror or str(error)
        mend = mend_words(error, self.folder / "values") or " Make the folder writable."
        return StoppedError(f"Results cannot be kept in {self.folder}: {reason}.{mend}", file=self.folder, code="disk")


# ---------------------------------------------------------------- files of one entry
def _checked_record(text: bytes) -> dict[str, Any]:
    head, _, body = text.partition(b"\n")
    if head.split(b" ")[0] != _digest(body).encode():
        raise ValueError("value.json is not as it was written")
    record = json.loads(body)
    assert isinstance(record, dict)
    return record


def _write_record(path: Path, record: Mapping[str, Any], priority: int) -> None:
    body = json.dumps(record, separators=(",", ":")).encode()
    temporary = path.with_name(f"{secrets.token_hex(4)}.tmp")
    try:
        temporary.write_bytes(f"{_digest(body)} {priority}\n".encode() + body)
        take_name(temporary, path)
    finally:
        temporary.unlink(missing_ok=True)


def _digest(data: Any) -> str:
    return hashlib.sha256(data).hexdigest()


def _write_array(path: Path, array: Any) -> _Part:
    head, data = array_head(array), array.reshape(-1).view("u1") if array.dtype.itemsize and array.size else b""
    digest = hashlib.sha256(head)
    digest.update(data)
    with open(path, "xb") as handle:
        handle.write(head)
        handle.write(data)
    return _Part(path.name, len(head) + array.nbytes, digest.hexdigest())


def _measure(folder: Path, path: Path) -> _Part:
    with open(path, "rb") as handle:
        digest = hashlib.file_digest(handle, "sha256").hexdigest()
    return _Part(path.relative_to(folder).as_posix(), path.stat().st_size, digest)


def _stamp(path: Path) -> tuple[Path, int, int]:
    status = path.stat()
    return path, status.st_size, status.st_mtime_ns


def _at_once(work: Callable[[_T], _Part], items: Sequence[_T]) -> list[_Part]:
    """``work`` on every item, a few at a time: hashing and reading leave Python's lock alone."""
    if len(items) < 2:
        return [work(item) for item in items]
    with ThreadPoolExecutor(min(_HASHERS, len(items))) as pool:
        return list(pool.map(work, items))


def _load_array(path: Path, *, mapped: bool) -> Any:
    import numpy as np

    array = np.load(path, mmap_mode="c" if mapped and path.stat().st_size >= _MAP_FROM_BYTES else None)
    return np.asarray(array)


def _files_inside(work: Path, names: Sequence[str]) -> list[Path]:
    """The files that a value names in its work folder; a named folder stands for all that lies below."""
    files: dict[Path, None] = {}
    for name in names:
        path = work / name
        for file in sorted(path.rglob("*")) if path.is_dir() else [path]:
            if file.is_file():
                files[file] = None
    return list(files)


def _sweep(folder: Path, keep: set[str]) -> None:
    """Throw away what does not belong to a whole entry: scraps of killed runs and of the work just done."""
    for path in sorted(folder.rglob("*"), reverse=True):
        with contextlib.suppress(OSError):  # a folder that is not empty, a file still mapped
            if path.is_dir() and not path.is_symlink():
                path.rmdir()
            elif path.relative_to(folder).as_posix() not in keep:
                path.unlink()


def _folders(path: Path) -> list[Path]:
    try:
        return sorted(inner for inner in path.iterdir() if inner.is_dir())
    except OSError:
        return []


def _entry_of(folder: Path) -> Entry:
    sizes = [path.stat() for path in folder.rglob("*") if path.is_file()]
    size = sum(status.st_size for status in sizes)
    try:
        with open(folder / _VALUE, "rb") as handle:
            head = handle.readline(200).split()
        used = (folder / _VALUE).stat().st_mtime
        return Entry(folder.name, folder, True, int(head[1]), used, size)
    except (OSError, ValueError, IndexError):
        used = max([folder.stat().st_mtime, *(status.st_mtime for status in sizes)])
        return Entry(folder.name, folder, False, 0, used, size)


def _worth(entry: Entry) -> tuple[int, float]:
    return entry.priority, entry.used
