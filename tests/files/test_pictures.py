"""Pictures in and out. Values of the TIFF set are published by its origin (tests/data/tiff/SOURCE.txt)."""

import io
import struct
import subprocess
import sys
import zlib
from pathlib import Path

import cv2
import imagecodecs
import numpy as np
import pytest
import tifffile
from astropy.io import fits
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from PIL import Image, ImageCms, ImageOps

from layerblend.errors import ArgumentError, InputError
from layerblend.files.frames import open_frame, read_image
from layerblend.files.pictures import read_linear, read_picture, srgb_profile, write_fits, write_frame, write_jpeg, write_png, write_tiff

TIFFS = Path(__file__).parents[1] / "data" / "tiff"
WRITERS = {"tif": write_tiff, "png": write_png, "jpg": write_jpeg}


@pytest.fixture
def picture() -> np.ndarray:
    image = np.random.default_rng(2).random((96, 128, 3), np.float32)
    return image


def chunks(path: Path) -> dict[bytes, bytes]:
    """The chunks of a PNG by name, parts of one joined (PNG specification, section 5)."""
    data, at, found = path.read_bytes(), 8, {}
    while at < len(data):
        (size,) = struct.unpack(">I", data[at : at + 4])
        found[data[at + 4 : at + 8]] = found.get(data[at + 4 : at + 8], b"") + data[at + 8 : at + 8 + size]
        at += size + 12
    return found


# ---------------------------------------------------------------- FITS
@pytest.mark.parametrize("top_down", [False, True])
@pytest.mark.parametrize("shape", [(7, 9, 3), (7, 9)])
def test_fits_comes_back_exactly(tmp_path: Path, top_down: bool, shape: tuple[int, ...]) -> None:
    image = np.random.default_rng(0).normal(0, 1, shape).astype(np.float32)
    image[2, 3] = np.nan
    write_fits(tmp_path / "Größe – Ziel 7 ★" / "a.fits", image, top_down=top_down)
    back, _, order = read_linear(tmp_path / "Größe – Ziel 7 ★" / "a.fits")
    np.testing.assert_array_equal(back, image)
    assert order == top_down


@settings(max_examples=25, deadline=None)
@given(hnp.arrays(np.float32, hnp.array_shapes(min_dims=2, max_dims=2, min_side=1, max_side=9), elements=st.floats(-5, 5, width=32)))
def test_any_memory_layout_is_written_as_it_looks(tmp_path_factory: pytest.TempPathFactory, image: np.ndarray) -> None:
    path = tmp_path_factory.mktemp("layout") / "a.fits"
    for view in (image.T, np.asfortranarray(image), image[::-1, ::-1], image.astype(np.float64)):
        write_fits(path, view, top_down=True)
        with fits.open(path) as hdus:
            np.testing.assert_array_equal(hdus[0].data, view)


def test_what_astropy_reads_is_planes_first_bottom_up_and_unscaled(tmp_path: Path, picture: np.ndarray) -> None:
    write_fits(tmp_path / "a.fits", picture, cards=[("BZERO", 32768, ""), ("BSCALE", 1, ""), ("DATAMAX", 9, ""), ("EXPTIME", 30.0, "s")])
    with fits.open(tmp_path / "a.fits") as hdus:
        hdus.verify("exception")
        np.testing.assert_array_equal(hdus[0].data, np.moveaxis(picture[::-1], 2, 0))
        header = hdus[0].header
        assert not {"BZERO", "BSCALE", "DATAMAX"} & set(header)
        assert (header["ROWORDER"], header["SATURATE"], header["EXPTIME"]) == ("BOTTOM-UP", 1, 30)
    raw = np.fromfile(tmp_path / "a.fits", ">f4", 128, offset=2880)
    np.testing.assert_array_equal(raw, picture[-1, :, 0])  # raw bytes need no scaling


def test_cards_are_kept_and_odd_ones_do_not_hinder(tmp_path: Path, picture: np.ndarray) -> None:
    cards = [
        ("CRPIX1", np.float64(64.5), "place"),
        ("OBJECT", "Größe", ""),
        ("OBJECT", "the last counts", ""),
        ("A LONG NAME", 3, ""),
        ("LONGTEXT", "x" * 150, "comment"),
        ("NOTHING", None, ""),
        ("BROKEN", float("nan"), ""),
        ("LINES", "a\nb", ""),
        ("HISTORY", "first", ""),
        ("HISTORY", "second", ""),
    ]
    write_fits(tmp_path / "a.fits", picture, cards=cards)
    with fits.open(tmp_path / "a.fits") as hdus:
        header = hdus[0].header
        assert (header["CRPIX1"], header["OBJECT"], header["A LONG NAME"], header["LONGTEXT"]) == (64.5, "the last counts", 3, "x" * 150)
        assert list(header["HISTORY"]) == ["first", "second"]
        assert header["LINES"] == "a?b"
        assert "BROKEN" not in header
    kept = {key: value for key, value, _ in open_frame(tmp_path / "a.fits").cards}
    assert kept["CRPIX1"] == 64.5


def test_the_cards_of_a_compressed_frame_do_not_leak_storage(tmp_path: Path) -> None:
    frame = fits.CompImageHDU(np.ones((9, 9), np.uint16), uint=True)
    frame.header["OBJECT"] = "kept"
    fits.HDUList([fits.PrimaryHDU(), frame]).writeto(tmp_path / "a.fits.fz")
    info = open_frame(tmp_path / "a.fits.fz")
    write_fits(tmp_path / "b.fits", read_image(info), cards=info.cards)
    with fits.open(tmp_path / "b.fits") as hdus:
        assert hdus[0].header["OBJECT"] == "kept"
        assert not [key for key in hdus[0].header if key.startswith("Z")]


def test_extensions_hold_maps_by_name(tmp_path: Path, picture: np.ndarray) -> None:
    maps = {"count": np.full(picture.shape, 60, np.uint16), "saturated": picture[..., 0], "large": np.full((96, 128), 70000)}
    write_fits(tmp_path / "a.fits", picture, extensions=maps)
    with fits.open(tmp_path / "a.fits") as hdus:
        assert [hdu.name for hdu in hdus[1:]] == ["COUNT", "SATURATED", "LARGE"]
        assert [hdu.header["BITPIX"] for hdu in hdus] == [-32, 16, -32, 32]
        np.testing.assert_array_equal(hdus[2].data, picture[::-1, :, 0])
        assert (hdus["LARGE"].data == 70000).all()


def test_a_frame_is_stored_unsigned_and_reads_back(tmp_path: Path) -> None:
    planes = np.random.default_rng(6).integers(0, 65536, (3, 300, 20)).astype(np.uint16)
    write_frame(tmp_path / "f.fits", planes, cards=[("EXPTIME", 120.0, "s")], top_down=True)
    with fits.open(tmp_path / "f.fits") as hdus:
        hdus.verify("exception")
        np.testing.assert_array_equal(hdus[0].data, planes)
        assert (hdus[0].header["BZERO"], hdus[0].header["ROWORDER"]) == (32768, "TOP-DOWN")
    image = np.nan_to_num(read_image(open_frame(tmp_path / "f.fits")))
    np.testing.assert_array_equal(np.rint(image * 65535), np.moveaxis(planes, 0, 2))
    with pytest.raises(ArgumentError, match="uint16"):
        write_frame(tmp_path / "g.fits", planes.astype(np.int32))


def test_same_picture_same_bytes(tmp_path: Path, picture: np.ndarray) -> None:
    for ending, write in {**WRITERS, "fits": write_fits}.items():
        write(tmp_path / f"a.{ending}", picture)
        write(tmp_path / f"b.{ending}", picture)
        assert (tmp_path / f"a.{ending}").read_bytes() == (tmp_path / f"b.{ending}").read_bytes()


# ---------------------------------------------------------------- linear TIFF
COUNTING = {
    "seq-1c-12b-47c39b31": 4095,
    "seq-1c-16b-bigendian-68f373a0": 65535,
    "seq-1c-16b-deflate-68f373a0": 65535,
    "seq-1c-16b-lzw-68f373a0": 65535,
    "seq-1c-16b-multistrip-68f373a0": 65535,
    "seq-1c-16b-tiled-68f373a0": 65535,
    "seq-1c-14b-miniswhite-e883657f": 16383,
    "seq-3c-16b-bigtiff-1b40ca6e": 65535,
}


@pytest.mark.parametrize("name", COUNTING)
def test_tiff_of_every_build_reads_the_counting_values(name: str) -> None:
    image, cards, top_down = read_linear(TIFFS / f"{name}.tiff")
    values = np.rint(np.nan_to_num(image.astype(np.float64) * COUNTING[name]))
    np.testing.assert_array_equal(values.ravel(), np.arange(values.size))
    assert (cards, top_down) == ((), False)


def test_planar_signed_and_float_tiff() -> None:
    planar, _, _ = read_linear(TIFFS / "seq-3c-14b-planar-4dde706b.tiff")
    assert np.rint(np.nan_to_num(planar) * 16383)[0, 0].tolist() == [0, 100, 200]
    signed, _, _ = read_linear(TIFFS / "seq-1c-i16-63af2488.tiff")
    np.testing.assert_allclose(np.nan_to_num(signed).ravel() * 32767, np.arange(-128, 128), atol=1e-3)
    for name in ("seq-1c-32f-390fe673", "seq-1c-64f-deflate-fpredict-afa8560e", "seq-3c-32f-9a471c2b"):
        floats, _, _ = read_linear(TIFFS / f"{name}.tiff", white_level=1)
        np.testing.assert_allclose(np.nan_to_num(floats).ravel(), np.linspace(0, 1, floats.size), atol=1e-6)
    halves = [read_linear(TIFFS / f"random-fp16{end}.tiff", white_level=1)[0] for end in ("", "-pred2", "-pred3")]
    np.testing.assert_array_equal(halves[0], halves[1])
    np.testing.assert_array_equal(halves[0], halves[2])
    assert read_linear(TIFFS / "gradient-3c-32b.tiff")[0].max() == 1


def test_float_tiff_without_white_level_and_8_bit_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"set frames\.white_level"):
        read_linear(TIFFS / "seq-1c-32f-390fe673.tiff")
    tifffile.imwrite(tmp_path / "a.tif", np.zeros((5, 5, 3), np.uint8), photometric="rgb")
    with pytest.raises(InputError, match=r"a\.tif has 8 bits"):
        read_linear(tmp_path / "a.tif")
    fits.PrimaryHDU(np.ones((5, 5), np.uint8)).writeto(tmp_path / "a.fits")
    with pytest.raises(InputError, match=r"a\.fits has 8 bits"):
        read_linear(tmp_path / "a.fits")
    with pytest.raises(InputError, match="not a linear stack"):
        read_linear(tmp_path / "a.png")


def test_a_white_level_meant_for_floats_leaves_whole_numbers_at_their_own(tmp_path: Path) -> None:
    """A set of float and 16-bit stacks has one `frames.white_level`: 1 is that of the floats."""
    values = np.random.default_rng(4).integers(1, 65535, (20, 30)).astype(np.uint16)
    tifffile.imwrite(tmp_path / "a.tif", values)
    fits.PrimaryHDU(values).writeto(tmp_path / "a.fits")
    for name in ("a.tif", "a.fits"):
        notes: list[str] = []
        image, _, _ = read_linear(tmp_path / name, white_level=1, notes=notes)
        np.testing.assert_array_equal(np.rint(image * 65535), values if name == "a.tif" else values[::-1])
        assert len(notes) == 1 and "meant for floats" in notes[0]
    np.testing.assert_allclose(read_linear(tmp_path / "a.tif", white_level=4095)[0], values / 4095, rtol=1e-6)


@pytest.mark.parametrize("planar", ["contig", "separate"])
def test_a_fourth_sample_is_left_out_with_a_note(tmp_path: Path, planar: str) -> None:
    rgba = np.random.default_rng(3).integers(1, 65535, (20, 30, 4)).astype(np.uint16)
    stored = rgba if planar == "contig" else np.moveaxis(rgba, 2, 0)
    tifffile.imwrite(
        tmp_path / "a.tif", stored, photometric="rgb", planarconfig=planar, extrasamples=["unassalpha"], iccprofile=srgb_profile()
    )
    notes: list[str] = []
    image, _, _ = read_linear(tmp_path / "a.tif", notes=notes)
    np.testing.assert_array_equal(np.rint(image * 65535), rgba[..., :3])
    assert "left out" in notes[0]


def test_odd_tiffs_are_refused(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "rows.tif", np.zeros((20, 1, 30), np.uint16), photometric="minisblack")
    tifffile.imwrite(tmp_path / "five.tif", np.zeros((20, 30, 5), np.uint16), photometric="minisblack", planarconfig="contig")
    whole = TIFFS / "seq-3c-16b-bigtiff-1b40ca6e.tiff"
    (tmp_path / "cut.tif").write_bytes(whole.read_bytes()[:900])
    (tmp_path / "text.tif").write_text("no picture")
    for name, words in {"rows": "one row high", "five": "5 samples", "cut": "cut short|cannot be read", "text": "cannot be read"}.items():
        with pytest.raises(InputError, match=words):
            read_linear(tmp_path / f"{name}.tif")
    with pytest.raises(InputError, match="There is no file"):
        read_linear(tmp_path / "gone.tif")
    tifffile.imwrite(tmp_path / "complex.tif", np.zeros((20, 30), np.complex64), photometric="minisblack")
    damaged = bytearray(_plain_tiff())
    damaged[10:12] = b"\x7f\x7f"  # the tag of its width
    (tmp_path / "no_width.tif").write_bytes(damaged)
    for name in ("complex", "no_width"):
        for read in (read_linear, read_picture):
            with pytest.raises(InputError, match=rf"{name}\.tif holds no picture"):
                read(tmp_path / f"{name}.tif")
    tifffile.imwrite(tmp_path / "endless.tif", np.full((20, 30), 1e300), photometric="minisblack")
    assert np.isnan(read_linear(tmp_path / "endless.tif", white_level=1.0)[0]).all()


def _plain_tiff() -> bytes:
    buffer = io.BytesIO()
    tifffile.imwrite(buffer, np.zeros((20, 30), np.uint16), photometric="minisblack", metadata=None)
    return buffer.getvalue()


def test_remarks_of_the_decoder_stay_off_the_terminal(tmp_path: Path) -> None:
    odd = bytearray(_plain_tiff())
    odd[odd.index(b"\x28\x01\x03\x00") + 8] = 81  # the unit of resolution
    (tmp_path / "odd.tif").write_bytes(odd)
    program = "import sys; from layerblend.files.pictures import read_picture; read_picture(sys.argv[1])"
    done = subprocess.run([sys.executable, "-c", program, str(tmp_path / "odd.tif")], capture_output=True, text=True, check=True)
    assert done.stderr == ""


@pytest.mark.parametrize("orientation", range(1, 9))
def test_tiff_orientation_is_followed(tmp_path: Path, orientation: int) -> None:
    # TIFF 6.0, tag 274: where row 0 and column 0 of the stored values lie in the picture
    picture = np.arange(1, 13, dtype=np.uint16).reshape(3, 4)
    stored = {
        1: picture, 2: picture[:, ::-1], 3: picture[::-1, ::-1], 4: picture[::-1],
        5: picture.T, 6: picture.T[::-1], 7: picture.T[::-1, ::-1], 8: picture.T[:, ::-1],
    }[orientation]  # fmt: skip
    tifffile.imwrite(tmp_path / "a.tif", np.ascontiguousarray(stored), photometric="minisblack", extratags=[(274, 3, 1, orientation, True)])
    np.testing.assert_array_equal(np.rint(read_linear(tmp_path / "a.tif")[0] * 65535), picture)
    eight_bit = np.repeat(np.ascontiguousarray(stored, np.uint8)[..., None], 3, 2)
    tifffile.imwrite(tmp_path / "b.tif", eight_bit, photometric="rgb", extratags=[(274, 3, 1, orientation, True)])
    with Image.open(tmp_path / "b.tif") as opened:  # the reader of another library agrees
        np.testing.assert_array_equal(np.asarray(ImageOps.exif_transpose(opened))[..., 0], picture)


# ---------------------------------------------------------------- display pictures
@pytest.mark.parametrize("ending", ["tif", "png"])
@pytest.mark.parametrize("shape", [(96, 128, 3), (20, 20, 3), (3, 96, 3), (1, 1, 3)])
def test_16_bit_round_trip_is_exact(tmp_path: Path, ending: str, shape: tuple[int, ...]) -> None:
    codes = np.random.default_rng(4).integers(0, 65536, shape)
    path = tmp_path / f"ä.{ending}"
    assert WRITERS[ending](path, codes / 65535) == 0  # a float64 picture of 0..1
    np.testing.assert_array_equal(np.rint(read_picture(path).astype(np.float64) * 65535), codes)
    if ending == "tif":
        with tifffile.TiffFile(path) as tiff:
            page = tiff.pages.first
            assert (len(tiff.pages), page.shape, page.bitspersample, page.samplesperpixel) == (1, shape, 16, 3)
            assert (page.planarconfig, page.photometric, page.extrasamples) == (1, 2, ())


@pytest.mark.parametrize("ending", WRITERS)
def test_out_of_range_and_no_data_are_written_as_stated_and_counted(tmp_path: Path, ending: str) -> None:
    image = np.full((16, 16, 3), 0.5, np.float32)
    image[:8] = np.nan
    image[8:12, :8] = -5
    image[8:12, 8:] = 70000
    assert WRITERS[ending](tmp_path / f"a.{ending}", image, no_data=0.25) == 4 * 16 * 3
    back = read_picture(tmp_path / f"a.{ending}")
    for place, value in {(2, 2): 0.25, (10, 3): 0, (10, 12): 1, (14, 5): 0.5}.items():
        np.testing.assert_allclose(back[place], value, atol=0.03 if ending == "jpg" else 1e-5)


def test_rounding_of_floats_does_not_count_as_clipping(tmp_path: Path) -> None:
    assert write_tiff(tmp_path / "a.tif", np.full((4, 4, 3), np.nextafter(np.float32(1), 2), np.float32)) == 0


@pytest.mark.parametrize("ending", WRITERS)
def test_red_stays_red_and_up_stays_up(tmp_path: Path, ending: str) -> None:
    image = np.zeros((64, 64, 3), np.float32)
    image[:32, :, 0] = 1
    WRITERS[ending](tmp_path / f"a.{ending}", image)
    back = read_picture(tmp_path / f"a.{ending}")
    with Image.open(tmp_path / f"a.{ending}") if ending == "jpg" else io.BytesIO() as other:  # Pillow has no 16-bit colour
        if ending == "jpg":
            assert np.asarray(other)[8, 8].tolist() == pytest.approx([255, 0, 0], abs=3)
    assert back[8, 8] == pytest.approx([1, 0, 0], abs=0.02)
    assert back[50, 8] == pytest.approx([0, 0, 0], abs=0.02)


def test_files_say_that_they_are_srgb(tmp_path: Path, picture: np.ndarray) -> None:
    for ending, write in WRITERS.items():
        write(tmp_path / f"a.{ending}", picture)
    with tifffile.TiffFile(tmp_path / "a.tif") as tiff:
        assert tiff.pages.first.iccprofile == srgb_profile()
    with Image.open(tmp_path / "a.jpg") as opened:
        assert opened.info["icc_profile"] == srgb_profile()
        assert [layer[1:3] for layer in opened.layer] == [(1, 1)] * 3  # 4:4:4
    found = chunks(tmp_path / "a.png")
    assert list(found)[:2] == [b"IHDR", b"sRGB"]
    assert found[b"IHDR"][8:10] == bytes([16, 2])  # 16 bits, RGB
    profile = ImageCms.ImageCmsProfile(io.BytesIO(srgb_profile()))
    assert profile.profile.version == pytest.approx(2, abs=0.5)
    assert srgb_profile()[36:40] == b"acsp"  # ICC.1 section 7.2.9


def test_an_independent_reader_sees_the_same_16_bit_codes(tmp_path: Path, picture: np.ndarray) -> None:
    expected = np.rint(picture * np.float32(65535)).astype(np.uint16)
    for ending in ("tif", "png"):
        WRITERS[ending](tmp_path / f"a.{ending}", picture)
        np.testing.assert_array_equal(cv2.imread(str(tmp_path / f"a.{ending}"), cv2.IMREAD_UNCHANGED)[..., ::-1], expected)


@pytest.mark.parametrize("rows", [255, 256, 257, 600])
def test_bands_of_rows_join_to_one_picture(tmp_path: Path, rows: int) -> None:
    # RFC 1950: one stream of whole lines, its sum right; cv2 (libpng, libtiff) reads every row. Flat rows pack to little.
    codes = np.random.default_rng(rows).integers(0, 65536, (rows, 37, 3))
    codes[10:200] = 65535
    for write in (write_png, write_tiff):
        path = tmp_path / write.__name__
        write(path, codes / 65535)
        np.testing.assert_array_equal(cv2.imread(str(path), cv2.IMREAD_UNCHANGED)[..., ::-1], codes)
    packed = tmp_path / "write_png"
    assert len(zlib.decompress(chunks(packed)[b"IDAT"])) == rows * (1 + 37 * 6)
    assert packed.stat().st_size < (rows - 180) * (1 + 37 * 6)


@pytest.mark.parametrize("top_down", [True, False])
@pytest.mark.parametrize("shape", [(700, 5), (513, 5, 3)])
def test_what_is_worked_out_while_it_is_written_stands_in_the_file(tmp_path: Path, top_down: bool, shape: tuple[int, ...]) -> None:
    # astropy reads the file; every band is asked for once
    image = np.random.default_rng(0).random(shape, np.float32)
    asked = []

    def doubled(rows: slice) -> np.ndarray:
        asked.append(rows)
        return 0.5 * image[rows]

    write_fits(tmp_path / "a.fits", image, top_down=top_down, made=doubled)
    stored = fits.getdata(tmp_path / "a.fits")
    rows_first = stored if stored.ndim == 2 else np.moveaxis(stored, 0, -1)
    np.testing.assert_array_equal(rows_first if top_down else rows_first[::-1], 0.5 * image)
    assert sorted(row for rows in asked for row in range(rows.start, rows.stop)) == list(range(shape[0]))
    assert write_tiff(tmp_path / "a.tif", image, made=doubled) == 0
    np.testing.assert_allclose(read_picture(tmp_path / "a.tif").max(-1), 0.5 * image.reshape(*shape[:2], -1).max(-1), atol=1e-5)


def test_grey_is_written_as_three_equal_planes(tmp_path: Path) -> None:
    grey = np.linspace(0, 1, 64, dtype=np.float32).reshape(8, 8)
    for ending, write in WRITERS.items():
        write(tmp_path / f"a.{ending}", grey)
        np.testing.assert_allclose(read_picture(tmp_path / f"a.{ending}"), np.repeat(grey[..., None], 3, 2), atol=0.02)


def test_pictures_of_other_kinds_are_read_or_refused(tmp_path: Path) -> None:
    grey_alpha = np.random.default_rng(5).integers(0, 65536, (9, 9, 2)).astype(np.uint16)
    (tmp_path / "ga.png").write_bytes(imagecodecs.png_encode(grey_alpha))
    notes: list[str] = []
    np.testing.assert_allclose(read_picture(tmp_path / "ga.png", notes=notes)[..., 1], grey_alpha[..., 0] / 65535, atol=1e-6)
    assert "transparency" in notes[0]
    Image.fromarray(np.arange(256, dtype=np.uint8).reshape(16, 16)).convert("P").save(tmp_path / "p.png")
    assert read_picture(tmp_path / "p.png").shape == (16, 16, 3)
    tifffile.imwrite(tmp_path / "f.tif", np.full((5, 5, 3), 2.0, np.float32), photometric="rgb")
    with pytest.raises(InputError, match=r"outside 0\.\.1"):
        read_picture(tmp_path / "f.tif")
    tifffile.imwrite(tmp_path / "empty.tif", np.full((5, 5, 3), np.nan, np.float32), photometric="rgb")
    with pytest.raises(InputError, match=r"empty\.tif holds no data"):
        read_picture(tmp_path / "empty.tif")
    damaged = bytearray((tmp_path / "ga.png").read_bytes())
    damaged[60] ^= 0xFF
    (tmp_path / "bad.png").write_bytes(damaged)
    (tmp_path / "bad.jpg").write_bytes(b"\xff\xd8\xff\xe0 nothing")
    for name in ("bad.png", "bad.jpg", "a.fits", "gone.png", "gone.jpg"):
        with pytest.raises(InputError, match=name.replace(".", r"\.")):
            read_picture(tmp_path / name)


@pytest.mark.parametrize("ending, mark", [(".tif", b"II*\0"), (".png", b"\x89PNG"), (".jpg", b"\xff\xd8")])
def test_damaged_pictures_are_told_in_words(tmp_path: Path, ending: str, mark: bytes) -> None:
    path = tmp_path / f"a{ending}"
    path.write_bytes(mark + bytes(40))  # the TIFF decoder's own words are "0"
    with pytest.raises(InputError, match=r"cannot be read as \w+: [^:]*[a-z]{3}[^:]*\. Copy the file again, or save it anew\.$"):
        read_picture(path)


def test_another_profile_is_noted(tmp_path: Path) -> None:
    lab = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()
    Image.new("RGB", (8, 8)).save(tmp_path / "a.png", icc_profile=lab)
    notes: list[str] = []
    read_picture(tmp_path / "a.png", notes=notes)
    assert "is not converted" in notes[0]


def test_integers_as_display_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ArgumentError, match="must hold floats"):
        write_tiff(tmp_path / "a.tif", np.zeros((4, 4, 3), np.uint8))
