"""What stands in a result folder already and what it was made from: files whose picture did not change are not written again.

A file counts as current while its size and time are those of its writing; one that was changed or lost is written anew.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from layerblend.files.provenance import read_record


@dataclass
class Ledger:
    """Files of a result ``folder`` by name, each with the key of what it was made from, its size and its time."""

    folder: Path
    written: dict[str, dict[str, Any]] = field(default_factory=dict)

    @classmethod
    def read(cls, folder: Path) -> Ledger:
        """What the folder's last run noted; nothing where there was none."""
        noted = read_record(folder).get("written")
        return cls(folder, noted if isinstance(noted, dict) else {})

    def is_current(self, name: str, key: str | None) -> bool:
        """Whether the file stands there as it was written from ``key``."""
        return key is not None and name in self.written and self.written[name] == self._entry(name, key)

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
