"""A small database beside the results: contents of files already read, results found whole, and what each node was last made from.

It only saves work: when it is lost, damaged or cannot be written, everything still runs, and is read or made again.
"""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

_TABLES = (
    "CREATE TABLE IF NOT EXISTS files (path TEXT PRIMARY KEY, size INTEGER, time INTEGER, key TEXT)",
    "CREATE TABLE IF NOT EXISTS checks (path TEXT PRIMARY KEY, size INTEGER, time INTEGER, digest TEXT, checked REAL)",
    "CREATE TABLE IF NOT EXISTS nodes (name TEXT PRIMARY KEY, record TEXT)",
)
_WAIT_S = 20.0


class Notes:
    """Notes in ``file``; paths below ``home`` are noted relative to it, so that a project may be moved as a whole."""

    def __init__(self, file: Path, home: Path) -> None:
        self._file = file
        self._home = home.absolute()

    def file_key(self, path: str | Path, size: int, time_ns: int) -> str | None:
        """Content key noted for this path, size and time."""
        row = self._ask("SELECT key FROM files WHERE path = ? AND size = ? AND time = ?", (self._name(path), size, time_ns))
        return None if row is None else str(row[0])

    def remember_file(self, path: str | Path, size: int, time_ns: int, key: str) -> None:
        """Note a content key."""
        self._tell("INSERT OR REPLACE INTO files VALUES (?, ?, ?, ?)", [(self._name(path), size, time_ns, key)])

    def is_whole(self, path: str | Path, size: int, time_ns: int, digest: str, since: float) -> bool:
        """Whether this file of a result, with this size and time, was read and found whole after ``since`` (s of the system clock)."""
        question = "SELECT 1 FROM checks WHERE path = ? AND size = ? AND time = ? AND digest = ? AND checked > ?"
        return self._ask(question, (self._name(path), size, time_ns, digest, since)) is not None

    def remember_whole(self, files: Iterable[tuple[str | Path, int, int, str]], now: float) -> None:
        """Note that files (path, size, time, digest) were read and found whole."""
        rows = [(self._name(path), size, time_ns, digest, now) for path, size, time_ns, digest in files]
        if rows:
            self._tell("INSERT OR REPLACE INTO checks VALUES (?, ?, ?, ?, ?)", rows)

    def last(self, node: str) -> dict[str, Any] | None:
        """What a node was last made from: step, version, settings, inputs, files."""
        row = self._ask("SELECT record FROM nodes WHERE name = ?", (node,))
        return None if row is None else json.loads(row[0])

    def remember_nodes(self, records: Mapping[str, Mapping[str, Any]]) -> None:
        """Note what nodes were made from."""
        if records:
            self._tell("INSERT OR REPLACE INTO nodes VALUES (?, ?)", [(name, json.dumps(record)) for name, record in records.items()])

    def _name(self, path: str | Path) -> str:
        full = os.path.normpath(Path(path).absolute())
        try:
            return Path(full).relative_to(self._home).as_posix()
        except ValueError:
            return full

    @contextlib.contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        """Opened for each question: nothing is shared between threads, forks or runs, and nothing stays open."""
        with contextlib.closing(sqlite3.connect(self._file, timeout=_WAIT_S)) as connection:
            # lost notes cost time, never a result, so there is no need to wait for the disk
            connection.execute("PRAGMA synchronous = OFF")
            with connection:
                yield connection

    def _ask(self, question: str, values: tuple[Any, ...]) -> Any:
        if not self._file.is_file():
            return None
        try:
            with self._open() as connection:
                return connection.execute(question, values).fetchone()
        except sqlite3.Error as error:
            self._forget_if_damaged(error)
            return None

    def _tell(self, sentence: str, rows: list[tuple[Any, ...]]) -> None:
        try:
            self._file.parent.mkdir(parents=True, exist_ok=True)
            with self._open() as connection:
                for table in _TABLES:
                    connection.execute(table)
                connection.executemany(sentence, rows)
        except (sqlite3.Error, OSError) as error:
            self._forget_if_damaged(error)

    def _forget_if_damaged(self, error: Exception) -> None:
        """A damaged file is thrown away; a busy or unwritable one is left as it is."""
        if isinstance(error, sqlite3.DatabaseError) and not isinstance(error, sqlite3.OperationalError):
            with contextlib.suppress(OSError):
                self._file.unlink(missing_ok=True)
