import os
from dataclasses import replace

import numpy as np
import pytest
from astropy.io import fits

from layerblend.errors import InputError
from layerblend.files import bands
from layerblend.files.frames import open_frame

KINDS = ["uint8", "int16", "uint16", "int32", "float32", "float64"]


@pytest.fixture(params=[True, False], ids=["positional", "seek"])
def either_way(request, monkeypatch):
    """Positional reads and writes, and seek with readinto where the system has none: the same bytes."""
    if request.param and not (hasattr(os, "preadv") and hasattr(os, "pwrite")):
        pytest.skip("no positional reads here")
    monkeypatch.setattr(bands, "POSITIONAL", request.param)


def frame(path, dtype, *, planes_first=True):
    values = np.arange(3 * 5 * 7).reshape(3, 5, 7).astype(dtype)
    fits.PrimaryHDU(values if planes_first else np.moveaxis(values, 0, 2)).writeto(path)
    return open_frame(path, white_level=255.0), values


@pytest.mark.usefixtures("either_way")
@pytest.mark.parametrize("planes_first", [True, False])
@pytest.mark.parametrize("dtype", KINDS)
def test_rows_are_the_bytes_of_the_file(tmp_path, dtype, planes_first):
    info, values = frame(tmp_path / "a.fits", dtype, planes_first=planes_first)
    kind = np.dtype(">u1" if info.bitpix == 8 else f">{'i' if info.bitpix > 0 else 'f'}{abs(info.bitpix) // 8}")
    out = np.empty(2 * bands.row_bytes(info), np.uint8)
    for channel in range(3):
        bands.read_rows(info, channel, 2, 4, out)
        read = out.view(kind).astype(float) * info.bscale + info.bzero
        assert np.array_equal(read.reshape(2, 7), values[channel, 2:4])


@pytest.mark.usefixtures("either_way")
def test_a_file_that_ends_early_is_named(tmp_path):
    info, _ = frame(tmp_path / "short.fits", "uint16")
    with open(info.path, "r+b") as handle:
        handle.truncate(info.data_offset + bands.data_bytes(info) - 10)
    assert bands.missing_bytes(info) == 10
    with pytest.raises(InputError, match=r"short\.fits ends before its last row"):
        bands.read_rows(info, 2, 4, 5, np.empty(bands.row_bytes(info), np.uint8))


def test_a_file_that_went_away_is_named(tmp_path):
    info, _ = frame(tmp_path / "gone.fits", "uint16")
    info.path.unlink()
    with pytest.raises(InputError, match=r"gone\.fits cannot be read"):
        bands.read_rows(info, 0, 0, 1, np.empty(bands.row_bytes(info), np.uint8))


def test_missing_padding_is_no_loss(tmp_path):
    info, values = frame(tmp_path / "a.fits", "float32")
    with open(info.path, "r+b") as handle:
        handle.truncate(info.data_offset + bands.data_bytes(info))
    out = np.empty(bands.row_bytes(info), np.uint8)
    bands.read_rows(info, 2, 4, 5, out)
    assert bands.missing_bytes(info) == 0
    assert np.array_equal(out.view(">f4"), values[2, 4])


@pytest.mark.usefixtures("either_way")
def test_written_rows_land_in_their_place(tmp_path):
    path = tmp_path / "out.bin"
    path.write_bytes(bytes(40))
    bands.write_rows(path, 8, np.arange(6, dtype=">f4").reshape(2, 3))
    assert np.array_equal(np.fromfile(path, ">f4"), [0, 0, 0, 1, 2, 3, 4, 5, 0, 0])


@pytest.mark.parametrize("dtype", KINDS)
def test_narrow_rows_hold_the_same_numbers_in_at_most_four_bytes(tmp_path, dtype):
    info, values = frame(tmp_path / "a.fits", dtype)
    info = replace(info, blank=7) if info.bitpix > 0 and info.bzero == 0 else info
    small = bands.narrow(info)
    out = np.empty(bands.row_bytes(small), np.uint8)
    bands.read_narrow(info, 0, 1, 2, out)
    assert abs(small.bitpix) <= 32
    kind = {8: "u1", 16: ">i2", -32: ">f4"}[small.bitpix]
    read = out.view(kind).astype(float) * small.bscale + small.bzero
    expected = values[0, 1].astype(float)
    if info.blank is not None and small.blank is None:
        expected[0] = np.nan
    np.testing.assert_array_equal(read, expected)


def test_packed_and_wide_frames_are_not_read_in_place(tmp_path):
    info, _ = frame(tmp_path / "a.fits", "float32")
    assert bands.in_place(info)
    assert not bands.in_place(replace(info, data_offset=None))
    assert not bands.in_place(replace(info, bitpix=64))
