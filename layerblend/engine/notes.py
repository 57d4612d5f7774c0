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
    "CREATE TABLE IF NOT EXISTS headers (path TEXT PRIMARY KEY, size INTEGER, time INTEGER, record TEXT)",
)
_WAIT_S = 20.0


class Notes:
    """Notes in ``file``; paths below ``home`` are noted relative to it, so that a project may be moved as a whole."""

    def __init__(self, file: Path, home: Path) -> None:
        self._file = file
        self._home = home.absolute()

    def files(self) -> dict[str, tuple[int, int, str]]:
        """Size, time and content key of every file noted, by `name_of` it."""
        return {path: (size, time_ns, key) for path, size, time_ns, key in self._ask_all("SELECT * FROM files")}

    def remember_file(self, path: str | Path, size: int, time_ns: int, key: str) -> None:
        """Note a content key."""
        self._tell("INSERT OR REPLACE INTO files VALUES (?, ?, ?, ?)", [(self.name_of(path), size, time_ns, key)])

    def whole(self, files: Iterable[tuple[str | Path, int, int, str]], since: float) -> list[bool]:
        """Which of these files of a result (path, size, time, digest) were read and found whole after ``since`` (s of the system clock)."""
        asked = [(self.name_of(path), size, time_ns, digest) for path, size, time_ns, digest in files]
        places = ", ".join("?" * len(asked))
        question = f"SELECT path, size, time, digest FROM checks WHERE path IN ({places}) AND checked > ?"
        known = set(self._ask_all(question, (*(name for name, *_ in asked), since))) if asked else set()
        return [file in known for file in asked]

    def remember_whole(self, files: Iterable[tuple[str | Path, int, int, str]], now: float) -> None:
        """Note that files (path, size, time, digest) were read and found whole."""
        rows = [(self.name_of(path), size, time_ns, digest, now) for path, size, time_ns, digest in files]
        if rows:
            self._tell("INSERT OR REPLACE INTO checks VALUES (?, ?, ?, ?, ?)", rows)

    def headers(self) -> dict[str, tuple[int, int, str]]:
        """Size, time and record of every header noted, by `name_of` its file."""
        return {path: (size, time_ns, record) for path, size, time_ns, record in self._ask_all("SELECT * FROM headers")}

    def remember_headers(self, headers: Iterable[tuple[str | Path, int, int, str]]) -> None:
        """Note headers (path, size, time, record)."""
        rows = [(self.name_of(path), size, time_ns, record) for path, size, time_ns, record in headers]
        if rows:
            self._tell("INSERT OR REPLACE INTO headers VALUES (?, ?, ?, ?)", rows)

    def last(self, node: str) -> dict[str, Any] | None:
        """What a node was last made from: step, version, settings, inputs, files."""
        row = self._ask("SELECT record FROM nodes WHERE name = ?", (node,))
        return None if row is None else json.loads(row[0])

    def remember_nodes(self, records: Mapping[str, Mapping[str, Any]]) -> None:
        """Note what nodes were made from."""
        if records:
            self._tell("INSERT OR REPLACE INTO nodes VALUES (?, ?)", [(name, json.dumps(record)) for name, record in records.items()])

    def name_of(self, path: str | Path) -> str:
        """What a file is called here: its path from home, or its whole path if it lies elsewhere."""
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
        return next(iter(self._ask_all(question, values)), None)

    def _ask_all(self, question: str, values: tuple[Any, ...] = ()) -> list[Any]:
        if not self._file.is_file():
            return []
        try:
            with self._open() as connection:
                return connection.execute(question, values).fetchall()
        except sqlite3.Error as error:
            self._forget_if_damaged(error)
            return []

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
