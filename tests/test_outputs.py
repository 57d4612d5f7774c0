"""What a run leaves: every file of it, readable as what it is; crops with their reference pixel."""

import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from astropy.io import fits
from PIL import Image

import layerblend as lb
from layerblend.errors import InputError, StoppedError
from layerblend.files.frames import read_image
from layerblend.outputs import Output, _is_there, _link, claim_folder, crop_cards, largest_box, write_outputs
from layerblend.recipe.load import load_recipe
from layerblend.recipe.schema import Execution
from layerblend.runs import open_run
from tests.conftest import SIZE, Demo

WIDTH, HEIGHT = SIZE


def test_every_file_is_there(demo: Demo) -> None:
    names = {path.relative_to(demo.out).as_posix() for path in demo.out.rglob("*") if path.is_file()}
    assert names >= {f"result.{end}" for end in ("tif", "png", "fits", "jpg")}
    assert names >= {f"layers/{layer}.{end}" for layer in ("starless", "stars", "detail", "colour") for end in ("tif", "fits")}
    assert names >= {f"stacks/{name}.fits" for name in ("best25", "best50", "best75", "all", "deep")}
    assert names >= {"grade/frames.csv", "grade/report.png", "recipe.yaml", "provenance.json"}
    assert not [name for name in names if name.endswith(".part")]


def test_pictures_are_what_they_say(demo: Demo) -> None:
    with tifffile.TiffFile(demo.out / "result.tif") as tiff:
        page = tiff.pages[0]
        assert (page.shape, page.dtype, page.planarconfig, page.photometric) == ((HEIGHT, WIDTH, 3), np.uint16, 1, 2)
        assert page.iccprofile
    assert b"sRGB" in (demo.out / "result.png").read_bytes()[:60]
    with Image.open(demo.out / "result.jpg") as jpeg:
        assert jpeg.size == SIZE and jpeg.info["icc_profile"]
    header = fits.getheader(demo.out / "result.fits")
    assert (header["NAXIS1"], header["NAXIS2"], header["NAXIS3"]) == (WIDTH, HEIGHT, 3) and header["LB_P"] > 0


@pytest.mark.parametrize("workers", [1, 2])
def test_after_a_file_that_fails_no_other_is_begun(demo: Demo, tmp_path: Path, workers: int) -> None:
    begun: list[str] = []

    def write(path: Path, values: Mapping[str, Any]) -> int:
        begun.append(path.name)
        if path.name == "0":
            raise StoppedError("full", code="disk_full")
        time.sleep(0.2)
        return 0

    with open_run(load_recipe(demo.recipe), Execution(workers=workers, quiet=True)) as run, pytest.raises(StoppedError):
        write_outputs(run, tmp_path, [Output(str(number), (), write) for number in range(8)], {})
    assert set(begun) <= {str(number) for number in range(workers)}


def test_a_run_that_was_cut_off_finds_its_own_folder_again(demo: Demo, tmp_path: Path) -> None:
    with open_run(load_recipe(demo.recipe), Execution(quiet=True)) as run:
        claim_folder(run, tmp_path)
        (tmp_path / "result.tif").write_bytes(b"of the run that was cut off")
        claim_folder(run, tmp_path)
        (tmp_path / "provenance.json").unlink()
        with pytest.raises(InputError, match=r"result\.tif, which no run"):
            claim_folder(run, tmp_path)


def test_the_largest_box_without_gaps() -> None:
    covered = np.ones((20, 30), bool)
    assert largest_box(covered) == (0, 0, 30, 20)
    covered[:3] = covered[:, 28:] = False
    assert largest_box(covered) == (0, 3, 28, 20)
    covered[:, 14] = False  # every row has a gap
    assert largest_box(covered) is None


def test_the_common_crop_is_what_all_frames_cover(demo: Demo, tmp_path: Path) -> None:
    """The frames' own borders without data against the picture that is left."""
    everywhere = np.ones((HEIGHT, WIDTH), bool)
    for row in demo.values("table")["table"].used:
        everywhere &= np.isfinite(read_image(row.info)).all(-1)
    assert not everywhere[0].all() or not everywhere[:, 0].all()
    result = lb.run(demo.recipe, output__crop="common", output__folder=str(tmp_path), output__formats=["tiff", "fits"])
    height, width = tifffile.imread(tmp_path / "result.tif").shape[:2]
    assert fits.getdata(tmp_path / "result.fits").shape == (3, height, width)
    x0, y0, x1, y1 = largest_box(everywhere)
    assert (width, height) == (x1 - x0, y1 - y0) and everywhere[y0:y1, x0:x1].all()
    written = tifffile.imread(tmp_path / "result.tif") / 65535
    np.testing.assert_allclose(written, result.picture[y0:y1, x0:x1], atol=1 / 65535)


@pytest.mark.parametrize("top_down, row", [(False, 97.0), (True, 96.0)])
def test_the_reference_pixel_moves_with_the_crop(top_down: bool, row: float) -> None:
    cards = [("CRPIX1", 50.0, ""), ("CRPIX2", 100.0, ""), ("CRVAL1", 3.0, "")]
    assert [v for _, v, _ in crop_cards(cards, (10, 4, 90, 197), 200, top_down)] == [40.0, row, 3.0]


# ---------------------------------------------------------------- stacks
def test_a_stack_is_linked_while_its_file_is_mapped(tmp_path: Path, strict_disk: None) -> None:
    """Windows moves no name of a mapped file."""
    source, target = tmp_path / "kept.npy", tmp_path / "all.fits"
    np.save(source, np.zeros(1000))
    mapped = np.load(source, mmap_mode="r")
    _link(source, target)
    assert target.samefile(source) and mapped[0] == 0
    old = tmp_path / "old.npy"
    np.save(old, np.ones(10))
    del mapped
    _link(old, target)
    assert target.samefile(old)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["all.fits", "kept.npy", "old.npy"]


def test_a_stack_that_a_viewer_holds_open_is_named(tmp_path: Path, strict_disk: None) -> None:
    for name in ("kept.fits", "all.fits"):
        (tmp_path / name).write_bytes(name.encode())
    with open(tmp_path / "all.fits", "rb"), pytest.raises(StoppedError, match=r"hold it open: close all\.fits there"):
        _link(tmp_path / "kept.fits", tmp_path / "all.fits")
    assert (tmp_path / "all.fits").read_bytes() == b"all.fits" and len(list(tmp_path.iterdir())) == 2


def test_where_the_disk_knows_no_links_stacks_are_copied(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: Any) -> None:
        raise OSError(1, "Operation not permitted")

    monkeypatch.setattr("layerblend.outputs.os.link", refuse)
    (tmp_path / "kept.fits").write_bytes(b"new")
    (tmp_path / "all.fits").write_bytes(b"old")
    _link(tmp_path / "kept.fits", tmp_path / "all.fits")
    assert (tmp_path / "all.fits").read_bytes() == b"new" and len(list(tmp_path.iterdir())) == 2
    assert _is_there(tmp_path / "kept.fits", tmp_path / "all.fits")
