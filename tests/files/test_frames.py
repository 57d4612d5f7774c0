"""Frames: finding, headers, pixels. Values in the data set are published by its origins (tests/data/fits_oddities/SOURCE.txt)."""

import ntpath
import os
import shutil
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from layerblend.errors import InputError
from layerblend.files.frames import FrameNames, _any_case, check_same_grid, find_frames, open_frame, read_image
from layerblend.files.pictures import write_fits

DATA = Path(__file__).parents[1] / "data" / "fits_oddities"


def write(path: Path, pixels: np.ndarray, **cards: object) -> Path:
    header = fits.Header()
    for key, value in cards.items():
        header[key.replace("_", "-")] = value
    path.parent.mkdir(parents=True, exist_ok=True)
    fits.PrimaryHDU(pixels, header).writeto(path, overwrite=True)
    return path


# ---------------------------------------------------------------- finding
def test_all_fits_endings_in_any_case_are_found_in_natural_order(tmp_path: Path) -> None:
    for name in ("L_10.fits", "L_2.FIT", "l_1.fts", "L_3.fit.gz", "L_4.fits.fz", "L_5.FITS.BZ2", "notes.txt", ".hidden.fits", "fits"):
        (tmp_path / name).write_bytes(b"")
    (tmp_path / "folder.fits").mkdir()
    found = [path.name for path in find_frames(tmp_path)]
    assert found == ["l_1.fts", "L_2.FIT", "L_3.fit.gz", "L_4.fits.fz", "L_5.FITS.BZ2", "L_10.fits"]


def test_patterns_reach_subfolders_ignore_case_and_count_each_file_once(tmp_path: Path) -> None:
    for name in ("n1/a_1.FITS", "n2/a_10.fits", "n2/a_9.fits", "n2/b.fits", "n2/a.csv"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(b"")
    found = find_frames(tmp_path, ["**/A_*.fits", "n2/*", "n2/../n2/b.fits"])
    assert [path.relative_to(tmp_path).as_posix() for path in found[:3]] == ["n1/a_1.FITS", "n2/a_9.fits", "n2/a_10.fits"]
    assert [path.name for path in found[3:]] == ["b.fits"]
    assert [path.name for path in find_frames(tmp_path, "n2/[ab]_9.fits")] == ["a_9.fits"]


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_a_link_to_a_frame_is_not_a_second_frame(tmp_path: Path) -> None:
    write(tmp_path / "b.fits", np.ones((3, 3), np.float32))
    (tmp_path / "a.fits").symlink_to(tmp_path / "b.fits")
    assert [path.name for path in find_frames(tmp_path)] == ["b.fits"]


def test_nothing_found_is_said_with_what_is_there(tmp_path: Path) -> None:
    (tmp_path / "a.cr2").write_bytes(b"")
    with pytest.raises(InputError, match=r"No frames in .*1 x \.cr2"):
        find_frames(tmp_path)
    with pytest.raises(InputError, match=r"that fits '\*\.fit'"):
        find_frames(tmp_path, "*.fit")
    with pytest.raises(InputError, match=r"nothing there, nor in its subfolders, is a FITS file"):
        find_frames(tmp_path, "**/*")
    with pytest.raises(InputError, match="There is no folder"):
        find_frames(tmp_path / "gone")


def test_frames_are_called_by_their_file_names_where_these_are_enough(tmp_path: Path) -> None:
    paths = [tmp_path / name for name in ("L_0.fits", "n1/L_0.fits", "n1/L_1.fits", "n2/L_2.fits", "n3/L_2.fits")]
    names = FrameNames(paths, tmp_path)
    assert list(names.of.values()) == ["L_0.fits", "n1/L_0.fits", "L_1.fits", "n2/L_2.fits", "n3/L_2.fits"]
    assert names.meant("L_1.fits") == names.meant("n1/L_1.fits") == names.meant("./n1/L_1.fits") == ["L_1.fits"]
    assert names.meant("L_2.fits") == ["n2/L_2.fits", "n3/L_2.fits"]
    assert names.meant("L_0.fits") == ["L_0.fits"]  # as the tables call it
    assert names.meant("L_3.fits") == []
    assert list(FrameNames(paths[3:]).of.values()) == ["n2/L_2.fits", "n3/L_2.fits"]


# ---------------------------------------------------------------- pixels of every kind
WHITE = {"testUS": 65535, "testS": 32767, "testI": 2147483647, "testUI": 4294967295}


@pytest.mark.parametrize(
    "name",
    [
        "testUS.fits",
        "testUS.fits.fz",
        "testUS.fits.gz",
        "testS.fits",
        "testI.fits",
        "testUI.fits",
        "testF.fits",
        "testF.fits.fz",
        "testD.fits",
        "testD.fits.gz",
    ],
)
def test_every_number_format_reads_the_published_values(name: str) -> None:
    info = open_frame(DATA / name)
    assert info.white_level == WHITE.get(name.split(".")[0])
    assert (info.data_offset is None) == (name.count(".") > 1)
    y, x = np.mgrid[1:6, 1:8]
    published = (10 * x + y).astype(np.float32)[::-1]  # no ROWORDER: the file runs bottom-up
    image = read_image(open_frame(DATA / name, white_level=100))
    assert image.dtype == np.float32
    np.testing.assert_array_equal(image, published / np.float32(100))


def test_unsigned_integers_are_exact(tmp_path: Path) -> None:
    values = np.arange(65536, dtype=np.uint16).reshape(256, 256)
    info = open_frame(write(tmp_path / "u.fits", values))
    assert (info.bitpix, info.bzero, info.white_level) == (16, 32768, 65535)
    image = read_image(info)
    assert np.isnan(image[255, 0])  # the only zero, in the corner
    np.testing.assert_array_equal(np.rint(image[::-1].ravel()[1:] * 65535), values.ravel()[1:])
    np.testing.assert_array_equal(read_image(open_frame(info.path, white_level=1))[::-1].ravel()[1:], values.ravel()[1:])


def test_colour_planes_first_and_last_read_alike(tmp_path: Path) -> None:
    picture = np.random.default_rng(1).integers(1, 60000, (96, 128, 3)).astype(np.uint16)
    first = open_frame(write(tmp_path / "first.fits", np.moveaxis(picture, 2, 0)))
    last = open_frame(write(tmp_path / "last.fits", picture))
    assert (first.height, first.width, first.channels, first.planes_first) == (96, 128, 3, True)
    assert (last.height, last.width, last.channels, last.planes_first) == (96, 128, 3, False)
    expected = picture[::-1].astype(np.float32) / np.float32(65535)
    np.testing.assert_array_equal(read_image(first), expected)
    np.testing.assert_array_equal(read_image(last), expected)


def test_one_plane_is_mono_and_other_cubes_are_refused_by_name(tmp_path: Path) -> None:
    mono = open_frame(write(tmp_path / "one.fits", np.ones((1, 96, 128), np.int16)))
    assert (mono.height, mono.width, mono.channels) == (96, 128, 1)
    for shape in ((4, 96, 128), (2, 96, 128), (96, 3, 128), (3, 96, 3), (5,)):
        path = write(tmp_path / "cube.fits", np.ones(shape, np.int16))
        with pytest.raises(InputError, match=rf"cube\.fits has axes of {' x '.join(map(str, reversed(shape)))} pixels"):
            open_frame(path)
    for name in ("arange.fits", "equatorial_3d.fits", "compressed_float_bzero.fits"):
        with pytest.raises(InputError, match=name):
            open_frame(DATA / name)


@pytest.mark.parametrize(("order", "row"), [(None, 5), ("BOTTOM-UP", 5), ("TOP-DOWN", 2), ("top-down ", 2), ("SIDEWAYS", 5)])
def test_row_order_decides_what_is_up(tmp_path: Path, order: str | None, row: int) -> None:
    pixels = np.ones((8, 9), np.int16)
    pixels[2, 3] = 1000
    info = open_frame(write(tmp_path / "a.fits", pixels, **({"ROWORDER": order} if order else {})))
    image = read_image(info)
    assert np.unravel_index(np.argmax(image), image.shape) == (row, 3)
    assert bool(info.words) == (order == "SIDEWAYS")


def test_nan_blank_infinity_and_edge_zeros_are_no_data(tmp_path: Path) -> None:
    pixels = np.full((6, 6), 100, np.int16)
    pixels[0], pixels[2, 2], pixels[4, 4] = 0, -5, 0
    image = read_image(open_frame(write(tmp_path / "i.fits", pixels, BLANK=-5)))[::-1]
    assert np.isnan(image[0]).all()
    assert np.isnan(image[2, 2])
    assert image[4, 4] == 0  # a zero inside is a value
    floats = np.ones((5, 5))
    floats[1, 1], floats[2, 2], floats[3, 3], floats[1, 3] = np.nan, np.inf, -np.inf, 1e300
    image = read_image(open_frame(write(tmp_path / "f.fits", floats, SATURATE=2.0)))
    assert np.isnan(image).sum() == 4
    assert np.isnan(read_image(open_frame(DATA / "compressed_with_nan.fits", white_level=1))).sum() == 1
    assert np.isnan(read_image(open_frame(DATA / "blank.fits"))).all()


def test_a_zero_in_one_channel_only_is_a_value(tmp_path: Path) -> None:
    cube = np.full((3, 6, 6), 9, np.uint16)
    cube[0, :, :2] = 0
    cube[:, 0, :] = 0
    image = read_image(open_frame(write(tmp_path / "c.fits", cube)))[::-1]
    assert np.isnan(image[0]).all()
    assert (image[1:, :2, 0] == 0).all()


def test_scaled_integers_follow_the_header() -> None:
    info = open_frame(DATA / "scale.fits")
    assert info.white_level == pytest.approx(3000)
    image = read_image(open_frame(DATA / "scale.fits", white_level=1))
    assert (image.min(), image.max()) == (pytest.approx(491.882, abs=1e-3), pytest.approx(2726.62, abs=1e-2))  # published


# ---------------------------------------------------------------- headers
def test_headers_give_white_exposure_date_filter(tmp_path: Path) -> None:
    ones = np.ones((4, 4), np.uint16)
    info = open_frame(write(tmp_path / "a.fits", ones, SATURATE=4000, EXPTIME=60, DATE_OBS="2031-01-02T03:04:05", FILTER="L", GAIN=1))
    assert (info.white_level, info.exposure_s, info.date, info.filter) == (4000, 60, "2031-01-02T03:04:05", "L")
    assert ("GAIN", 1, "") in info.cards
    assert not {"BITPIX", "BZERO", "NAXIS1"} & {key for key, _, _ in info.cards}
    assert open_frame(info.path, white_level=99).white_level == 99
    assert open_frame(write(tmp_path / "b.fits", ones, DATAMAX=1000)).white_level == 1000


def test_numbers_held_as_text_count_as_numbers(tmp_path: Path) -> None:
    ones = np.ones((4, 4), np.float32)
    info = open_frame(write(tmp_path / "a.fits", ones, EXPTIME=" 60.0", SATURATE="6.5D4"))
    assert (info.exposure_s, info.white_level) == (60, 65000)
    odd = open_frame(write(tmp_path / "b.fits", ones, EXPTIME="a minute", EXPOSURE=60))
    assert odd.exposure_s == 60
    assert "EXPTIME = 'a minute' is not a number" in odd.words[0]


def test_a_white_level_that_nothing_can_be_divided_by_is_none(tmp_path: Path) -> None:
    counts = np.full((4, 4), 7, np.int16)
    for card in (1e-300, 1e300):
        assert open_frame(write(tmp_path / "a.fits", counts, SATURATE=card)).white_level == 32767
        read_image(open_frame(tmp_path / "a.fits", white_level=card))  # as the imager says; without a warning of the numerics


def test_nan_that_signals_is_no_data(tmp_path: Path) -> None:
    pixels = np.full((3, 4), 0.5, ">f4")
    pixels.view(">u4")[1, 2] = 0x7FA0_0001
    image = read_image(open_frame(write(tmp_path / "a.fits", pixels, SATURATE=1.0)))
    assert np.isnan(image[1, 2]) and np.isfinite(image).sum() == 11


def test_floats_without_white_level_open_but_do_not_read(tmp_path: Path) -> None:
    info = open_frame(write(tmp_path / "a.fits", np.ones((4, 4), np.float32)))
    assert info.white_level is None
    with pytest.raises(InputError, match=r"set frames\.white_level"):
        read_image(info)


def test_an_accent_in_a_card_is_replaced_with_a_word(tmp_path: Path) -> None:
    path = write(tmp_path / "a.fits", np.ones((4, 4), np.int16), OBSERVER="Xunez")
    path.write_bytes(path.read_bytes().replace(b"Xunez", b"Nu\xf1ez"))
    info = open_frame(path)
    assert ("OBSERVER", "Nu?ez", "") in info.cards
    assert "outside ASCII" in info.words[0]
    assert len(info.words) == 1


def test_cards_of_an_empty_first_hdu_count_for_the_picture(tmp_path: Path) -> None:
    first = fits.PrimaryHDU()
    first.header["EXPTIME"], first.header["OBJECT"] = 30, "first"
    second = fits.ImageHDU(np.ones((4, 4), np.int16))
    second.header["OBJECT"] = "second"
    fits.HDUList([first, second]).writeto(tmp_path / "a.fits")
    info = open_frame(tmp_path / "a.fits")
    assert (info.hdu, info.exposure_s) == (1, 30)
    assert {key: value for key, value, _ in info.cards}["OBJECT"] == "second"
    assert open_frame(DATA / "test0.fits").hdu == 1
    assert open_frame(DATA / "double_ext.fits").height == 5


@pytest.mark.parametrize("name", ["group_invalid.fits", "history_header.fits", "stddata.fits", "zerowidth.fits"])
def test_files_without_a_picture_are_refused(name: str) -> None:
    with pytest.raises(InputError, match=rf"{name} holds no picture"):
        open_frame(DATA / name)


def test_other_files_are_refused_clearly(tmp_path: Path) -> None:
    (tmp_path / "empty.fits").write_bytes(b"")
    (tmp_path / "text.fits").write_text("no picture " * 500)
    (tmp_path / "bad.fits.gz").write_bytes((DATA / "testUS.fits.gz").read_bytes()[:150])
    (tmp_path / "folder.fits").mkdir()
    for name in ("empty.fits", "text.fits", "bad.fits.gz", "folder.fits"):
        with pytest.raises(InputError, match=name):
            open_frame(tmp_path / name)
    with pytest.raises(InputError, match="There is no file"):
        open_frame(tmp_path / "gone.fits")
    with pytest.raises(InputError, match=r"unpack it first|cannot be read"):
        open_frame(DATA / "lzw.fits.Z")


def test_a_wrong_checksum_does_not_hinder() -> None:
    assert open_frame(DATA / "checksum_false.fits").width == 30


# ---------------------------------------------------------------- cut files, many files
def test_cut_padding_is_used_with_a_word_and_half_a_file_refused(tmp_path: Path) -> None:
    path = write(tmp_path / "a.fits", np.ones((50, 50), np.int16))
    whole = path.read_bytes()
    path.write_bytes(whole[:-700])
    assert "before its padding" in open_frame(path).words[0]
    assert read_image(open_frame(path)).shape == (50, 50)
    path.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(InputError, match=r"a\.fits is cut short: the header promises 5000 bytes"):
        open_frame(path)


def test_a_cut_compressed_file_is_refused_when_read(tmp_path: Path) -> None:
    noise = np.random.default_rng(0).integers(1, 60000, (90, 90)).astype(np.uint16)
    write(tmp_path / "a.fits.gz", noise)
    fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(noise)]).writeto(tmp_path / "b.fits.fz")
    for name in ("a.fits.gz", "b.fits.fz"):
        path = tmp_path / name
        path.write_bytes(path.read_bytes()[:9000])
        with pytest.raises(InputError, match=name):
            read_image(open_frame(path))


@pytest.mark.parametrize("packing", ["RICE_1", "GZIP_2", "HCOMPRESS_1"])
def test_damage_inside_a_packed_frame_is_told(tmp_path: Path, packing: str) -> None:
    path = tmp_path / "a.fits.fz"
    noise = np.random.default_rng(0).integers(1, 3000, (60, 80)).astype(np.int16)
    fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(noise, compression_type=packing)]).writeto(path)
    stored = bytearray(path.read_bytes())
    place = stored.rindex(b"END ") // 2880 * 2880 + 2880 + 60 * 16 + 5  # behind the table of tiles
    stored[place : place + 2000 : 7] = bytes(255 for _ in stored[place : place + 2000 : 7])
    path.write_bytes(stored)
    with pytest.raises(InputError, match=r"a\.fits\.fz cannot be unpacked: .*list it under frames\.exclude\.files"):
        read_image(open_frame(path))


@pytest.mark.skipif(os.name == "nt", reason="open-file limits are POSIX")
def test_many_frames_leave_no_file_open(tmp_path: Path) -> None:
    import resource

    write(tmp_path / "f0.fits", np.ones((4, 4), np.float32), SATURATE=1.0)
    for n in range(1, 100):
        shutil.copy(tmp_path / "f0.fits", tmp_path / f"f{n}.fits")
    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    others = max(int(entry.name) for entry in Path("/proc/self/fd").iterdir())  # what other tests left open
    resource.setrlimit(resource.RLIMIT_NOFILE, (others + 40, before[1]))
    try:
        images = [read_image(open_frame(path)) for path in find_frames(tmp_path)]
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, before)
    assert len(images) == 100


# ---------------------------------------------------------------- one grid
def test_frames_of_another_size_colour_or_row_order_are_named(tmp_path: Path) -> None:
    same = [open_frame(write(tmp_path / f"s{n}.fits", np.ones((9, 12), np.int16), FILTER="G")) for n in range(3)]
    assert check_same_grid(same) == ()
    odd = {
        "size": np.ones((8, 12), np.int16),
        "colour": np.ones((3, 9, 12), np.int16),
    }
    for what, pixels in odd.items():
        info = open_frame(write(tmp_path / f"{what}.fits", pixels))
        with pytest.raises(InputError, match=rf"Mixed {what}: 3 frames .*{what}\.fits"):
            check_same_grid([*same, info])
    turned = open_frame(write(tmp_path / "turned.fits", np.ones((9, 12), np.int16), ROWORDER="TOP-DOWN"))
    with pytest.raises(InputError, match=r"Mixed row order: .*turned\.fits \(top-down\)"):
        check_same_grid([*same, turned])
    write_fits(tmp_path / "own.fits", np.ones((9, 12), np.float32), cards=same[0].cards)
    with pytest.raises(InputError, match=r"own\.fits: written by layerblend"):
        check_same_grid([*same, open_frame(tmp_path / "own.fits")])
    other = open_frame(write(tmp_path / "other.fits", np.ones((9, 12), np.int16), FILTER="HA"))
    assert "other.fits: FILTER is HA" in check_same_grid([*same, other])[0]
    assert "one grey picture" in check_same_grid([*same, other])[0]
    colour = [open_frame(write(tmp_path / f"{name}.fits", np.ones((3, 9, 12), np.int16), FILTER=name)) for name in ("OSC", "UVIR")]
    assert "used together" in check_same_grid(colour)[0]


def test_a_mono_picture_with_the_card_of_a_colour_mosaic_is_told(tmp_path: Path) -> None:
    raw = open_frame(write(tmp_path / "raw.fits", np.ones((9, 12), np.int16), BAYERPAT="RGGB"))
    assert len(raw.words) == 1 and "BAYERPAT = RGGB" in raw.words[0] and "debayer" in raw.words[0]
    assert open_frame(write(tmp_path / "done.fits", np.ones((3, 9, 12), np.int16), BAYERPAT="RGGB")).words == ()
    assert open_frame(write(tmp_path / "mono.fits", np.ones((9, 12), np.int16))).words == ()


def test_a_pattern_keeps_its_drive_or_share(monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows finds no drive by a pattern: `[cC]:` is none."""
    monkeypatch.setattr("layerblend.files.frames.os.path.splitdrive", ntpath.splitdrive)
    assert _any_case(r"D:\ab\*.fit") == r"D:\[aA][bB]\*.[fF][iI][tT]"
    assert _any_case("//nas/photos/*.fit") == "//nas/photos/*.[fF][iI][tT]"
    assert _any_case(r"sub\[ab]c*") == r"[sS][uU][bB]\[ab][cC]*"


def test_frames_on_two_drives_are_called_by_their_whole_paths(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """There is no way from one drive to another."""

    def no_way(path: Path, start: Path) -> str:
        raise ValueError("path is on mount 'D:', start on mount 'C:'")

    monkeypatch.setattr("layerblend.files.frames.os.path.relpath", no_way)
    monkeypatch.setattr("layerblend.files.frames.os.path.commonpath", lambda paths: no_way(*paths[:2]))
    one, twin, other = (tmp_path / name for name in ("a/1.fits", "b/1.fits", "b/2.fits"))
    for folder in (None, tmp_path):
        names = FrameNames([one, twin, other], folder)
        assert names.of == {one: one.as_posix(), twin: twin.as_posix(), other: "2.fits"}
        assert names.meant(one.as_posix()) == [one.as_posix()] and names.meant("2.fits") == ["2.fits"]
