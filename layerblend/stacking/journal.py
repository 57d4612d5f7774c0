"""The hidden work folder of a pass and its journal, from which a stopped pass goes on."""

from __future__ import annotations

import json
import shutil
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from layerblend.kinds import Array


@dataclass(frozen=True)
class Band:
    """A finished band.

    ``checks``: for each output the sum of CRC-32 over the rows it wrote. ``lost`` : (N, cells) int32, rejected samples of each frame in
    cells of 64 columns, all channels.
    """

    number: int
    checks: tuple[int, ...]
    lost: Array


class WorkFolder:
    """The hidden folder beside the results: unfinished stacks, scratch frames, journal of finished bands, mark that stops workers."""

    def __init__(self, path: Path):
        self.path, self.journal, self.mark = path, path / "journal", path / "stop"

    def enter(self, key: str) -> bool:
        """Make ready for the pass ``key``; True when bands of the same pass may be there already."""
        self.mark.unlink(missing_ok=True)
        if self.journal.exists() and self.journal.read_text(encoding="utf-8").split("\n", 1)[0] == key:
            return True
        shutil.rmtree(self.path, ignore_errors=True)
        self.path.mkdir(parents=True, exist_ok=True)  # what another program holds open stays, and is written over
        return False

    def begin(self, key: str) -> None:
        self.journal.write_text(key + "\n", encoding="utf-8")

    def note(self, band: Band) -> None:
        packed = zlib.compress(band.lost.astype("<u4").tobytes()).hex()
        with open(self.journal, "a", encoding="utf-8") as handle:
            handle.write(json.dumps({"band": band.number, "checks": band.checks, "lost": packed}) + "\n")

    def noted(self, shape: tuple[int, int]) -> Iterator[Band]:
        """The bands of the journal; a last line cut off by a crash is passed over."""
        for line in self.journal.read_text(encoding="utf-8").splitlines()[1:]:
            try:
                entry = json.loads(line)
                lost = np.frombuffer(zlib.decompress(bytes.fromhex(entry["lost"])), "<u4").reshape(shape).astype(np.int32)
                yield Band(entry["band"], tuple(entry["checks"]), lost)
            except (ValueError, KeyError, zlib.error):
                continue

    def stop(self) -> None:
        if self.path.is_dir():
            self.mark.touch()

    def clear(self) -> None:
        shutil.rmtree(self.path, ignore_errors=True)
