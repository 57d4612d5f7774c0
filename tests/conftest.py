"""One small demo, simulated and rendered once for all tests that look at the whole way from frames to picture."""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from layerblend import api, cli, showcase
from layerblend.recipe.load import load_recipe
from layerblend.recipe.schema import Execution, settings
from layerblend.runs import open_run

FRAMES, SIZE, SEED = 12, (480, 320), 1
EXECUTION = Execution(workers=1, quiet=True)
PLACE = "Größe – Ziel 7"  # spaces, accents and a dash in every path of these tests


def identity_changes(stack: str = "all") -> dict[str, Any]:
    """The changes that make a recipe its own `plain`: every role from one stack and nothing done but sky, white and curve."""
    rows = (row for row in settings() if row.has_identity and row.key.split(".")[0] in {"roles", "combine", "blend"})
    changes = {row.key: row.identity for row in rows if not row.key.startswith("roles.add")}
    return changes | {"roles.add": None} | {f"roles.{role}.stack": stack for role in ("stars", "detail", "colour")}


@dataclass(frozen=True)
class Demo:
    """A rendered demo; ``variant`` writes another recipe beside it, which shares its store and so its finished work."""

    folder: Path
    recipe: Path
    out: Path
    answer: Any

    @property
    def frames(self) -> list[Path]:
        return sorted((self.folder / "frames").glob("*.fits"))

    def variant(self, name: str, text: str) -> Path:
        path = self.folder / f"{name}.yaml"
        path.write_text(text, encoding="utf-8")
        return path

    def values(self, *nodes: str, **changes: Any) -> dict[str, Any]:
        """Results of nodes, with recipe keys changed (`__` for the dot)."""
        named = {key.replace("__", "."): value for key, value in changes.items()}
        with open_run(load_recipe(self.recipe, named), EXECUTION) as run:
            return run.get_all(*nodes)


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    folder = tmp_path_factory.mktemp("demo") / PLACE
    recipe = showcase.simulate(folder, frames=FRAMES, size=SIZE, seed=SEED, execution=EXECUTION)
    for frame in (folder / "frames").iterdir():  # files of the last two seconds are read again, as they might still change
        os.utime(frame, (frame.stat().st_atime, frame.stat().st_mtime - 60))
    answer = api.blend_recipe(recipe, changes=[], out=None, upto=None, execution=EXECUTION)
    return Demo(folder, recipe, folder / "out", answer)


@dataclass(frozen=True)
class Spoken:
    """What a command said."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> dict[str, Any]:
        """The one object on stdout."""
        answer = json.loads(self.out)
        assert isinstance(answer, dict)
        return answer


@pytest.fixture
def layerblend(capsys: pytest.CaptureFixture[str]) -> Callable[..., Spoken]:
    """The command line, run in this process."""

    def run(*words: Any) -> Spoken:
        with pytest.raises(SystemExit) as left:
            cli.main([str(word) for word in words])
        out, err = capsys.readouterr()
        return Spoken(int(left.value.code or 0), out, err)

    return run


@pytest.fixture
def strict_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    """No file that this process has open or mapped can be deleted or replaced, nor one moved that it maps: as on Windows."""
    if os.name == "nt":
        return
    if not Path("/proc/self/maps").exists():
        pytest.skip("needs the system's word on what is open")

    def refuse(*places: Any, folder: int | None = None) -> None:
        here = Path.cwd() if folder is None else Path(f"/proc/self/fd/{folder}")
        wanted = {(here / place).stat().st_ino for place in places if (here / place).exists()}
        maps = {int(line.split()[4]) for line in Path("/proc/self/maps").read_text().splitlines()}
        if wanted & (maps | _open_files()):
            raise PermissionError(13, "Sharing violation", str(places[0]), None, str(places[-1]))

    def _open_files() -> set[int]:
        found = set()
        for entry in Path("/proc/self/fd").iterdir():
            with contextlib.suppress(OSError):
                found.add(entry.stat().st_ino)
        return found

    unlink, replace = os.unlink, os.replace

    def unlink_strictly(path: Any, *, dir_fd: int | None = None) -> None:
        refuse(path, folder=dir_fd)
        unlink(path, dir_fd=dir_fd)

    def replace_strictly(source: Any, target: Any) -> None:
        refuse(source, target)
        replace(source, target)

    for name in ("unlink", "remove"):
        monkeypatch.setattr(os, name, unlink_strictly)
    for name in ("replace", "rename"):
        monkeypatch.setattr(os, name, replace_strictly)
