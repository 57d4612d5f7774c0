"""Files appear whole or not at all; inputs are safe."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from layerblend.errors import InputError, StoppedError
from layerblend.files.whole import refuse_overwrite, whole, write_bytes


def test_a_finished_file_gets_its_name_and_replaces_the_earlier_one(tmp_path: Path) -> None:
    target = tmp_path / "Größe – Ziel 7 ★" / "result.bin"
    write_bytes(target, b"old")
    write_bytes(target, b"ne", b"w")
    assert target.read_bytes() == b"new"
    assert [p.name for p in target.parent.iterdir()] == ["result.bin"]


@pytest.mark.parametrize("fault", [RuntimeError, KeyboardInterrupt])
def test_a_broken_off_write_leaves_the_earlier_file_and_no_rest(tmp_path: Path, fault: type[BaseException]) -> None:
    target = tmp_path / "result.bin"
    target.write_bytes(b"earlier")
    with pytest.raises(fault), whole(target) as part:
        part.write_bytes(b"half")
        raise fault
    assert target.read_bytes() == b"earlier"
    assert list(tmp_path.iterdir()) == [target]


FULL_DISK = """
import resource, sys
import numpy as np
from layerblend.errors import StoppedError
from layerblend.files.pictures import write_fits, write_tiff
resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000))
image = np.full((400, 400, 3), 0.5, np.float32)
for write, name in ((write_fits, "r.fits"), (write_tiff, "r.tif")):
    try:
        write(f"{sys.argv[1]}/{name}", image)
    except StoppedError as stop:
        print(stop.code, stop.exit_code, stop.text)
"""


@pytest.mark.skipif(os.name == "nt", reason="file size limits are POSIX")
def test_a_full_disk_is_said_with_file_and_size_and_leaves_no_stub(tmp_path: Path) -> None:
    (tmp_path / "r.fits").write_bytes(b"earlier")
    said = subprocess.run([sys.executable, "-c", FULL_DISK, str(tmp_path)], capture_output=True, text=True, check=True).stdout.splitlines()
    assert [line.split()[:2] for line in said] == [["disk_full", "4"], ["disk_full", "4"]]
    assert f"{tmp_path}/r.fits: it needs 1.9 MB" in said[0]
    assert f"{tmp_path}/r.tif: it needs 1.0 MB" in said[1]
    assert (tmp_path / "r.fits").read_bytes() == b"earlier"
    assert [p.name for p in tmp_path.iterdir()] == ["r.fits"]


def test_numpys_short_write_counts_as_a_full_disk(tmp_path: Path) -> None:
    with pytest.raises(StoppedError, match=r"No room to write .*more than 0\.0 MB"), whole(tmp_path / "a"):
        raise OSError("100 requested and 20 written")


def test_a_place_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(StoppedError, match=r"file.*cannot be written"):
        write_bytes(tmp_path / "file" / "below.tif", b"x")


def test_an_output_never_takes_the_place_of_an_input(tmp_path: Path) -> None:
    frame = tmp_path / "frame.fits"
    frame.write_bytes(b"")
    refuse_overwrite([tmp_path / "out" / "frame.fits"], [frame])
    with pytest.raises(InputError, match=r"would overwrite the input .*frame\.fits"):
        refuse_overwrite([tmp_path / "out" / ".." / "frame.fits"], [frame])


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_links_to_an_input_folder_are_followed_and_hard_links_elsewhere_are_free(tmp_path: Path) -> None:
    frame = tmp_path / "frames" / "a.fits"
    write_bytes(frame, b"x")
    (tmp_path / "link").symlink_to(tmp_path / "frames")
    (tmp_path / "b.fits").hardlink_to(frame)
    with pytest.raises(InputError, match="overwrite"):
        refuse_overwrite([tmp_path / "link" / "a.fits"], [frame])
    refuse_overwrite([tmp_path / "b.fits"], [frame])
    write_bytes(tmp_path / "b.fits", b"new")
    assert frame.read_bytes() == b"x"


def test_a_file_that_another_program_holds_is_named_with_what_to_do(tmp_path: Path, strict_disk: None) -> None:
    target = tmp_path / "result.jpg"
    target.write_bytes(b"earlier")
    with open(target, "rb"), pytest.raises(StoppedError, match=r"result\.jpg cannot be written: .* hold it open: close result\.jpg there"):
        write_bytes(target, b"new")
    assert [path.name for path in tmp_path.iterdir()] == ["result.jpg"]
    write_bytes(target, b"new")
    assert target.read_bytes() == b"new"
