"""What stands in a result folder already and what it was made from: files whose picture did not change are not written again.

A file counts as current while its size and time are those of its writing. One that was lost is written anew, and so is one that somebody
changed, whose content is kept under another name. A run that is killed leaves a list of what it was writing, so that the next one knows
it for its own.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from layerblend.errors import StoppedError
from layerblend.files.provenance import RECORD, read_record, write_json
from layerblend.moves import mend_words

WRITING = "writing"  # in the record of a result folder: what a run has begun to write


@dataclass
class Ledger:
    """Files of a result ``folder`` by name, each with the key of what it was made from, its size and its time; and those that a killed run
    had ``begun`` to write."""

    folder: Path
    written: dict[str, dict[str, Any]] = field(default_factory=dict)
    begun: frozenset[str] = frozenset()

    @classmethod
    def read(cls, folder: Path) -> Ledger:
        """What the folder's last run noted; nothing where there was none."""
        record = read_record(folder)
        noted = record.get("written")
        return cls(folder, noted if isinstance(noted, dict) else {}, _names(record.get(WRITING)))

    def is_current(self, name: str, key: str | None) -> bool:
        """Whether the file stands there as it was written from ``key``."""
        return key is not None and name in self.written and self.written[name] == self._entry(name, key)

    def keep_changed(self, names: Iterable[str]) -> dict[str, Path]:
        """Before ``names`` are written: what somebody changed since takes another name, and where it is then."""
        return {name: _aside(self.folder / name) for name in names if self._was_changed(name)}

    def _was_changed(self, name: str) -> bool:
        noted = self.written.get(name)
        now = self._entry(name, "")
        if now is None or not now["bytes"] or name in self.begun:
            return False
        return not isinstance(noted, dict) or any(noted.get(part) != now[part] for part in ("bytes", "time_ns"))

    def give_back(self, kept: Mapping[str, Path]) -> None:
        """After a run that failed: what was put aside takes its own name again, where no new file has it."""
        for name, path in kept.items():
            if not (self.folder / name).exists():
                path.rename(self.folder / name)

    def begin(self, names: Iterable[str]) -> None:
        """Note in the folder's record what is going to be written; the record of all that was takes its place."""
        write_json(self.folder / RECORD, {**read_record(self.folder), WRITING: sorted(self.begun | set(names))})

    def note(self, name: str, key: str) -> None:
        """Note a file that was just written; one that was not made leaves no note."""
        self.written.pop(name, None)
        entry = self._entry(name, key)
        if entry is not None:
            self.written[name] = entry

    def _entry(self, name: str, key: str) -> dict[str, Any] | None:
        try:
            status = (self.folder / name).stat()
        except OSError:
            return None
        return {"from": key, "bytes": status.st_size, "time_ns": status.st_mtime_ns}


def _names(noted: Any) -> frozenset[str]:
    return frozenset(name for name in noted if isinstance(name, str)) if isinstance(noted, list) else frozenset()


def _aside(path: Path) -> Path:
    """Give a file the first free name of `result-kept.tif`, `result-kept-2.tif`, ..."""
    numbers = ("", *(f"-{n}" for n in range(2, 10_000)))
    free = next(name for number in numbers if not (name := path.with_name(f"{path.stem}-kept{number}{path.suffix}")).exists())
    try:
        path.rename(free)
    except OSError as error:
        text = f"{path} was changed since it was written and cannot be kept as {free.name}: {error.strerror or error}."
        raise StoppedError(text + mend_words(error, path), file=path, code="cannot_write") from error
    return free
