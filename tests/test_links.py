"""Links sorted by sharpness: names, second runs, systems without links."""

from __future__ import annotations

import os
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from layerblend import api
from layerblend.errors import InputError, StoppedError
from layerblend.kinds import FrameTable
from layerblend.links import sorted_links
from tests.conftest import EXECUTION, Demo


def link(tmp_path: Path, *rows: tuple[str, float]) -> list[str]:
    """Sorted links of frames by path below the folder and width; the names in the folder of links."""
    made = []
    for name, width in rows:
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.exists() or path.write_bytes(name.encode())
        made.append(SimpleNamespace(file=name if "/" in name else path.name, path=path, fwhm_major=width, excluded=""))
    written = sorted_links(FrameTable(tuple(made)), tmp_path / "links")
    assert all(file.samefile(row.path) or file.read_bytes() == row.path.read_bytes() for file, row in zip(written, made, strict=True))
    return sorted(path.name for path in (tmp_path / "links").iterdir())


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
@pytest.mark.parametrize("ways", ["links", "hard links", "copies"])
def test_sorted_links_of_an_earlier_run_make_way(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ways: str) -> None:
    def refuse(*_: Any, **__: Any) -> None:
        raise OSError("not on this disk")

    if ways != "links":
        monkeypatch.setattr(Path, "symlink_to", refuse)
    if ways == "copies":
        monkeypatch.setattr(os, "link", refuse)
    link(tmp_path, ("a.fits", 3.0), ("b.fits", 4.0))
    assert link(tmp_path, ("a.fits", 3.0), ("b.fits", 4.0)) == ["03.00px_a.fits", "04.00px_b.fits"]
    assert link(tmp_path, ("a.fits", 3.2), ("b.fits", 4.0)) == ["03.20px_a.fits", "04.00px_b.fits"]
    (tmp_path / "links" / "05.00px_a.fits").write_bytes(b"mine")
    os.symlink(tmp_path / "another set" / "c.fits", tmp_path / "links" / "06.00px_c.fits")  # noqa: PTH211 - Path's may be refused
    left = ["05.00px_a.fits", "06.00px_c.fits", *([] if ways == "links" else ["04.00px_b.fits"])]  # of b nothing is known any more
    assert link(tmp_path, ("a.fits", 3.1)) == sorted(["03.10px_a.fits", *left])
    with pytest.raises(InputError, match=r"05\.00px_a\.fits is there already"):
        link(tmp_path, ("a.fits", 5.0))
    assert (tmp_path / "links" / "05.00px_a.fits").read_bytes() == b"mine" and (tmp_path / "links" / "03.10px_a.fits").exists()


def test_sorted_links_are_known_again_where_the_system_spells_them_otherwise(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    r"""Windows gives \\?\C:\frames\a.fits for a link to C:\frames\a.fits."""
    readlink = Path.readlink
    monkeypatch.setattr(Path, "readlink", lambda link: Path(f"//?{readlink(link)}"))
    link(tmp_path, ("a.fits", 3.0))
    assert link(tmp_path, ("a.fits", 3.2)) == ["03.20px_a.fits"]


@pytest.mark.parametrize("ways", ["links", "hard links", "copies"])
def test_a_second_grade_knows_its_links_by_the_rules_of_windows(
    demo: Demo, tmp_path: Path, strict_disk: None, monkeypatch: pytest.MonkeyPatch, ways: str
) -> None:
    r"""Links are spelt \\?\C:\..., or need rights and become hard links or copies; no name of a frame that is open can be taken away."""

    def refuse(*_: Any, **__: Any) -> None:
        raise OSError("not on this disk")

    readlink = Path.readlink
    monkeypatch.setattr(Path, "readlink", lambda link: Path(f"//?{readlink(link)}"))
    if ways != "links":
        monkeypatch.setattr(Path, "symlink_to", refuse)
    if ways == "copies":
        monkeypatch.setattr(os, "link", refuse)
    grade = {"csv": None, "links": tmp_path / "links", "out": tmp_path, "execution": EXECUTION}
    used = api.grade(demo.folder / "frames", changes=[], **grade).data["used"]
    first = {path.name for path in (tmp_path / "links").iterdir()}
    assert len(first) == used
    api.grade(demo.folder / "frames", changes=["frames.exclude.max_eccentricity=1"], **grade)  # more frames, the same names
    second = {path.name for path in (tmp_path / "links").iterdir()}
    assert first <= second and len(second) == api.grade(demo.recipe, changes=["frames.exclude.max_eccentricity=1"], **grade).data["used"]
    assert all(path.is_symlink() == (ways == "links") for path in (tmp_path / "links").iterdir())


def test_a_link_that_another_program_holds_is_named(tmp_path: Path, strict_disk: None, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Path, "symlink_to", lambda *_: (_ for _ in ()).throw(OSError("no right to")))
    link(tmp_path, ("a.fits", 3.0))
    with open(tmp_path / "links" / "03.00px_a.fits", "rb"), pytest.raises(StoppedError, match=r"close 03\.00px_a\.fits there"):
        link(tmp_path, ("a.fits", 3.2))


def test_sorted_links_of_frames_of_another_drive_have_names_that_every_disk_takes(tmp_path: Path) -> None:
    (tmp_path / "a.fits").write_bytes(b"a")
    row = SimpleNamespace(file="D:/night/a.fits", path=tmp_path / "a.fits", fwhm_major=3.0, excluded="")
    assert [path.name for path in sorted_links(FrameTable((row,)), tmp_path / "links")] == ["03.00px_D_night_a.fits"]


def test_sorted_links_of_frames_of_one_name_and_width(tmp_path: Path) -> None:
    rows = (("n1/L_0.fits", 3.0), ("n2/L_0.fits", 3.0), ("n2_L_0.fits", 3.0))
    for _ in range(2):
        assert link(tmp_path, *rows) == ["03.00px_2_n2_L_0.fits", "03.00px_n1_L_0.fits", "03.00px_n2_L_0.fits"]
