"""Frames that are damaged, left out by name, or on a disk that fails."""

from __future__ import annotations

import errno
import gzip
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from layerblend.chain.drawings import grade_png
from layerblend.chain.frames import grade_one, rank_table, shared_stars
from layerblend.errors import InputError
from layerblend.files.frames import open_frame
from layerblend.files.pictures import write_frame
from tests.scenes.layers import SHAPE, star_field, write


@pytest.mark.parametrize(("mono", "where"), [(False, "check sum"), (True, "check sum"), (False, "pixels")])
def test_a_packed_frame_that_is_damaged_has_no_stars_and_says_why(tmp_path: Path, mono: bool, where: str) -> None:
    image = star_field(mono=mono) + np.float32(0.1)
    write_frame(tmp_path / "good.fits", np.rint(np.moveaxis(image.reshape(*SHAPE, -1), 2, 0) * 6e4).astype(np.uint16))
    packed = bytearray(gzip.compress((tmp_path / "good.fits").read_bytes()))
    (tmp_path / "good.fits.gz").write_bytes(packed)
    packed[-8 if where == "check sum" else len(packed) // 2] ^= 0xFF
    (tmp_path / "bad.fits.gz").write_bytes(packed)
    good, bad = (grade_one(open_frame(tmp_path / name), white_level=None) for name in ("good.fits.gz", "bad.fits.gz"))
    assert good.stars > 5 and bad.stars == 0
    assert bad.words[0].startswith("cannot be unpacked: ")
    infos = [open_frame(tmp_path / name) for name in ("good.fits.gz", "bad.fits.gz")]
    table = rank_table(infos, [good, bad], shared_stars(infos, [good, bad]), given=None, ranking={}, names=("good", "bad"), left_out={})
    assert [row.file for row in table.used] == ["good"]


def test_frames_left_out_by_name_stand_at_the_end_with_their_reason_and_nothing_is_said_of_them(tmp_path: Path) -> None:
    path = write(tmp_path, "a.fits", star_field())
    info = open_frame(path, white_level=1)
    measure = grade_one(info, white_level=1)
    infos, measures = [info, info], [measure, replace(measure, noise=2 * measure.noise)]
    two = {"infos": infos, "measures": measures, "shared": shared_stars(infos, measures), "given": None, "ranking": {}}
    table = rank_table(**two, names=["n1/a.fits", "n2/a.fits"], left_out={"b.fits": replace(info, path=tmp_path / "b.fits")})
    assert [row.file for row in table] == ["n1/a.fits", "n2/a.fits", "b.fits"]
    assert table[-1].excluded == "named in exclude.files" and np.isnan(table[-1].fwhm_major) and len(table.used) == 2
    assert table.words == rank_table(**two, names=["n1/a.fits", "n2/a.fits"], left_out={}).words
    table.write_csv(tmp_path / "t.csv")
    assert (tmp_path / "t.csv").read_text().splitlines()[-1].startswith("b.fits,0,nan,nan,")
    shares = {"all": 1.0}
    drawn = grade_png(table, shares=shares, title="x", left_out=["b.fits"])
    assert drawn != grade_png(replace(table, rows=table.rows[:-1]), shares=shares, title="x", left_out=[])


def test_a_disk_that_fails_is_not_taken_for_a_damaged_frame(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is kept of a frame goes by its content, so trouble that will pass must not be kept."""
    path = tmp_path / "a.fits.gz"
    path.write_bytes(gzip.compress(write(tmp_path, "a.fits", star_field()).read_bytes()))
    info = open_frame(path, white_level=1)

    def fails(*_: object) -> None:
        raise OSError(errno.EIO, "Input/output error", str(path))

    monkeypatch.setattr("layerblend.files.frames.gzip.open", fails)
    with pytest.raises(InputError, match="Input/output error"):
        grade_one(info, white_level=1)
