import numpy as np
import pytest
from astropy.io import fits

from layerblend.errors import InputError
from layerblend.files import stacks
from layerblend.files.pictures import read_linear

HEAD = stacks.StackHead(
    cards=(("CRVAL1", 10.5, "deg"), ("OBJECT", "Lantern", ""), ("EXPTIME", 60.0, "one frame"), ("BZERO", 32768, "")),
    top_down=False,
    files=("a.fits", "größer.fits"),
    weights=(1.25, 0.75),
    scales=(1.0, 1.1),
    exposure_s=120.0,
    fwhm_major=3.25,
)


def filled(path, *, channels=3, head=HEAD, maps=True):
    """A stack file of 4 x 6 px in which every array holds known numbers."""
    file, pieces = stacks.lay_out(path, height=4, width=6, channels=channels, maps=maps, head=head)
    stacks.create(file, pieces)
    for k, (name, *_, planes) in enumerate(file.places):
        for channel in range(planes):
            file.write(name, channel, 0, np.arange(24).reshape(4, 6) + 100 * channel + 1000 * k)
    return file


@pytest.mark.parametrize("top_down", [False, True])
def test_a_stack_reads_back_right_side_up(tmp_path, top_down):
    from dataclasses import replace

    filled(tmp_path / "all.fits", head=replace(HEAD, top_down=top_down))
    stack = stacks.open_stack(tmp_path / "all.fits")
    rows = np.arange(24).reshape(4, 6) if top_down else np.arange(24).reshape(4, 6)[::-1]
    for k, image in enumerate((stack.mean, stack.stderr, stack.count, stack.rejected)):
        assert image.shape == (4, 6, 3)
        for channel in range(3):
            assert np.array_equal(image[..., channel], rows + 100 * channel + 1000 * k)
    assert np.array_equal(stack.saturated, rows + 4000)
    assert np.array_equal(stack.halves[1][..., 2], rows + 200 + 6000)
    assert isinstance(stack.mean, np.memmap)
    assert (stack.n_frames, stack.exposure_s, stack.fwhm_major) == (2, 120.0, 3.25)
    assert stack.files == ("a.fits", "größer.fits")
    assert stack.weights == (1.25, 0.75)
    assert stack.top_down is top_down


def test_a_stack_saved_anew_by_another_program_is_a_picture(tmp_path):
    filled(tmp_path / "all.fits")
    assert stacks.is_own_stack(tmp_path / "all.fits")
    with fits.open(tmp_path / "all.fits") as hdus:
        fits.PrimaryHDU(hdus[0].data, hdus[0].header).writeto(tmp_path / "again.fits")
    assert not stacks.is_own_stack(tmp_path / "again.fits")


def test_any_fits_reader_understands_it(tmp_path):
    filled(tmp_path / "all.fits")
    with fits.open(tmp_path / "all.fits", checksum=True) as hdus:
        hdus.verify("exception")
        assert [hdu.name for hdu in hdus] == ["PRIMARY", "STDERR", "COUNT", "REJECTED", "SATURATED", "HALF_A", "HALF_B", "FRAMES"]
        header = hdus[0].header
        assert (header["CRVAL1"], header["OBJECT"], header["EXPTIME"], header["NCOMBINE"]) == (10.5, "Lantern", 120.0, 2)
        assert "BZERO" not in header
        assert hdus["COUNT"].data[2, 3, 5] == 223 + 2000
    image, _, top_down = read_linear(tmp_path / "all.fits")
    assert np.array_equal(image, np.float32(stacks.open_stack(tmp_path / "all.fits").mean))
    assert not top_down


def test_mono_and_without_maps(tmp_path):
    filled(tmp_path / "mono.fits", channels=1, maps=False)
    stack = stacks.open_stack(tmp_path / "mono.fits")
    assert stack.mean.shape == (4, 6)
    assert stack.stderr is None
    assert stack.halves[0].shape == (4, 6)


def test_loading_gives_native_arrays(tmp_path):
    filled(tmp_path / "all.fits")
    stack = stacks.load(stacks.open_stack(tmp_path / "all.fits"))
    assert stack.mean.dtype == np.float32
    assert stack.count.dtype == np.uint16
    assert stack.mean.flags.c_contiguous
    assert not isinstance(stack.mean, np.memmap)


def test_what_is_read_is_what_was_written(tmp_path):
    file = filled(tmp_path / "all.fits")
    wrote = file.write(stacks.HALF_A, 1, 1, np.full((2, 6), 7.5))
    assert np.array_equal(file.read(stacks.HALF_A, 1, 1, 3), wrote)


def test_other_files_are_refused(tmp_path):
    fits.PrimaryHDU(np.zeros((4, 4), np.float32)).writeto(tmp_path / "x.fits")
    with pytest.raises(InputError, match="not a stack made here"):
        stacks.open_stack(tmp_path / "x.fits")
    with pytest.raises(InputError, match="no file"):
        stacks.open_stack(tmp_path / "y.fits")
    (tmp_path / "z.fits").write_bytes(b"nothing")
    with pytest.raises(InputError, match="cannot be read as a stack"):
        stacks.open_stack(tmp_path / "z.fits")
