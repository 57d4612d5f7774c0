import _thread
import pickle
import signal
import threading
import time
import tracemalloc
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest
from astropy.io import fits

from layerblend.errors import StoppedError
from layerblend.files import bands, stacks
from layerblend.kinds import FrameTable
from layerblend.stacking import StackSpec, build, build_stacks, nested_stacks, order, read_report, workers
from tests.scenes.frames import WHITE, simulate, true_table, write_frames
from tests.stacking.conftest import SPECS


def same_bytes(paths, others):
    return all(paths[name].read_bytes() == others[name].read_bytes() for name in paths)


# ---------------------------------------------------------------- what comes out
def test_stacks_nest_and_hold_what_they_promise(scene, table, built):
    folder, paths = built
    assert sorted(p.name for p in folder.iterdir()) == sorted([*(f"{n}.fits" for n in SPECS), "stacking.json", "rejected.npy"])
    opened = {name: stacks.open_stack(path) for name, path in paths.items()}
    assert [opened[n].n_frames for n in SPECS] == [3, 6, 12, 12]
    assert opened["best25"].files == opened["all"].files[:3]
    assert opened["all"].exposure_s == 720
    covered = np.isfinite(scene.frames).sum(0)
    total = opened["all"].count.astype(int) + opened["all"].rejected
    assert np.array_equal(total, covered)
    assert np.array_equal(opened["deep"].count, opened["all"].count)
    assert np.array_equal(np.isnan(opened["all"].mean), covered == 0)
    inner = (slice(6, -6), slice(6, -6))
    difference = np.float32(opened["all"].halves[0]) - np.float32(opened["all"].halves[1])
    assert np.nanmedian(np.abs(difference[inner])) < 4 * np.nanmedian(np.float32(opened["all"].stderr)[inner])
    header = fits.getheader(paths["all"])
    assert (header["CTYPE1"], header["NCOMBINE"], header["SATURATE"]) == ("RA---TAN", 12, 1.0)


def test_the_sky_and_faint_light_come_out_right(scene, table, built):
    """Against the clean frames: no bias beyond .1 sigma of the stack, whatever clouds, skies and borders were."""
    folder, paths = built
    report = read_report(folder)
    reference = [row.file for row in table].index(report.reference)
    stack = stacks.open_stack(paths["all"])
    expected = scene.clean[reference] / WHITE
    error = (np.float32(stack.mean) - expected)[8:-8, 8:-8] / np.float32(stack.stderr)[8:-8, 8:-8]
    faint = (scene.clean[0] - np.median(scene.clean[0], (0, 1)) < 100)[8:-8, 8:-8]
    assert abs(np.median(error[faint])) < 0.35
    assert 0.8 < 1.4826 * np.median(np.abs(error[faint] - np.median(error[faint]))) < 1.25


@pytest.mark.parametrize("top_down", [False, True])
def test_a_sharpest_half_of_another_night_keeps_nothing_of_its_sky(tmp_path, top_down):
    """Its sky bends otherwise, and not alike up and down; a plane left 93 of it."""
    scene = simulate(8, shape=(192, 256), transparency=1.0, seed=3)
    v, u = np.mgrid[-1:1:192j, -1:1:256j]
    scene.frames[:4] += (300 * (v**3 - u**2 * v + 0.5 * u**4))[..., None].astype(np.float32)
    write_frames(scene, tmp_path / "f", top_down=top_down)
    made = build_stacks(true_table(scene), {"all": 1.0, "best50": 0.5}, folder=tmp_path / "s")
    whole, half = (np.float32(stacks.open_stack(made[name]).mean) * WHITE for name in ("all", "best50"))
    apart = np.median((half - whole).reshape(12, 16, 16, 16, 3), (1, 3))
    assert np.quantile(np.abs(apart), 0.95) < 4 and apart.std() < 3  # tiles with bright stars, of other widths, apart


def test_trails_and_rays_are_gone(scene, built):
    _, paths = built
    stack = stacks.open_stack(paths["all"])
    spoilt = scene.spoilt.any(0) & (np.isfinite(scene.frames).all((0, 3)))
    clean = ~scene.spoilt.any(0) & (np.isfinite(scene.frames).all((0, 3)))
    rejected = stack.rejected[..., 1]
    assert rejected[spoilt].mean() > 0.5
    assert rejected[clean].mean() / 12 < 0.01


# ---------------------------------------------------------------- the same bytes, whoever works
def test_workers_memory_and_seeking_do_not_change_a_byte(table, built, tmp_path, monkeypatch):
    assert same_bytes(built[1], build_stacks(table, SPECS, folder=tmp_path / "one", workers=1))
    assert same_bytes(built[1], build_stacks(table, SPECS, folder=tmp_path / "small", workers=3, memory=12 * 100 * 2 * 5))
    with ProcessPoolExecutor(2) as pool:
        assert same_bytes(built[1], build_stacks(table, SPECS, folder=tmp_path / "processes", executor=pool))
    monkeypatch.setattr(bands, "POSITIONAL", False)
    assert same_bytes(built[1], build_stacks(table, SPECS, folder=tmp_path / "seek"))


def test_memory_or_folder_give_the_same_stacks(table, built):
    loaded = nested_stacks(table, SPECS)
    for name, path in built[1].items():
        assert np.array_equal(loaded[name].mean, np.float32(stacks.open_stack(path).mean), equal_nan=True)


def test_a_stopped_pass_goes_on_with_the_same_bytes(table, built, tmp_path):
    class PulledPlugError(Exception):
        pass

    def pull(steps):
        for number, band in enumerate(steps):
            if number == 2:
                raise PulledPlugError
            yield band

    with pytest.raises(PulledPlugError):
        build_stacks(table, SPECS, folder=tmp_path, progress=pull)
    assert [p.name for p in tmp_path.iterdir()] == [".stacking"]
    journal = (tmp_path / ".stacking" / "journal").read_text().splitlines()
    assert len(journal) == 3
    spoilt = tmp_path / ".stacking" / "all.fits"
    with open(spoilt, "r+b") as handle:  # the disk lost what the journal says about the second band
        handle.seek(2880 + 100 * 4 * 40)
        handle.write(bytes(100))
    seen = []
    paths = build_stacks(table, SPECS, folder=tmp_path, progress=lambda steps: (seen.append(len(steps)), steps)[1])
    assert same_bytes(built[1], paths)
    assert seen == [3]


def test_other_settings_start_anew(table, tmp_path):
    def pull(steps):
        yield next(iter(steps))
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        build_stacks(table, {"all": 1.0}, folder=tmp_path, progress=pull)
    paths = build_stacks(table, {"all": 1.0}, folder=tmp_path, reject=4.0)
    assert same_bytes(paths, build_stacks(table, {"all": 1.0}, folder=tmp_path / "fresh", reject=4.0))


def test_the_order_of_the_specs_does_not_matter(table, built, tmp_path):
    paths = build_stacks(table, dict(reversed(SPECS.items())), folder=tmp_path)
    assert same_bytes(built[1], paths)


def test_the_share_of_saturated_frames_is_that_of_the_frames_that_cover_the_pixel(tmp_path):
    """At or above .98 of the white level in any channel, whether the sample was rejected or not."""
    scene = simulate(4, shape=(80, 50), seed=5, stars=0, galaxy=0, transparency=1.0, fwhm=(2.0, 3.0))
    scene.frames[:2, 70, 10, 2] = WHITE
    scene.frames[0, 70, 10, 0] = WHITE
    scene.frames[3, 6, 7] = 0.979 * WHITE
    scene.frames[3, 6, 8] = 0.981 * WHITE
    scene.frames[1, :, :5] = np.nan
    scene.frames[[0, 2], 40, 2, 1] = WHITE
    write_frames(scene, tmp_path)
    found = nested_stacks(true_table(scene), {"half": 0.5, "all": 1.0})
    expected = np.zeros((2, 80, 50))
    expected[:, 70, 10] = 2 / 2, 2 / 4
    expected[:, 6, 8] = 0, 1 / 4
    expected[:, 40, 2] = 1, 2 / 3
    for name, shares in zip(("half", "all"), expected, strict=True):
        np.testing.assert_allclose(found[name].saturated, shares, atol=1e-3)


def test_frames_of_unlike_white_level_are_stacked_in_light(tmp_path):
    """Two frames of 8 bits beside two of 16: the same light, to half a step of the coarse ones; each is saturated at its own white."""
    scene = simulate(4, shape=(40, 50), seed=5, stars=4, galaxy=0, sky=9000.0, transparency=1.0)
    scene.frames[:, 20, 30, 1] = WHITE
    write_frames(scene, tmp_path / "bytes", dtype="uint8")
    coarse = true_table(scene, white=255.0)
    write_frames(scene, tmp_path / "words")
    fine = true_table(scene)
    mixed = [replace(row, file=f"{i}", path=coarse[i].path, info=coarse[i].info) if i % 2 else row for i, row in enumerate(fine)]
    options = {"reject": 0, "match_brightness": False, "level_sky": "off"}
    stack, plain = (nested_stacks(rows, {"all": 1.0}, **options)["all"] for rows in (FrameTable(tuple(mixed)), fine))
    np.testing.assert_allclose(stack.mean, plain.mean, atol=1 / 255)
    assert stack.saturated[20, 30] == plain.saturated[20, 30] == 1
    assert np.array_equal(stack.saturated > 0, plain.saturated > 0)


def test_a_stack_tells_its_weights_scales_and_width(tmp_path):
    """Weights of mean 1, the scales that frames were multiplied with, and the larger width of elongated stars."""
    scene = simulate(4, shape=(40, 50), seed=4, fwhm=3.0, eccentricity=0.7, transparency=(0.5, 1.0), stars=14)
    write_frames(scene, tmp_path / "f")
    paths = build_stacks(true_table(scene), {"all": 1.0}, folder=tmp_path / "out")
    stack, found = stacks.open_stack(paths["all"]), read_report(tmp_path / "out")
    assert np.mean(stack.weights) == pytest.approx(1, abs=1e-5)
    noise = np.array([frame["noise"] for frame in found.frames])
    np.testing.assert_allclose(np.array(stack.weights) * noise**2, np.mean(stack.weights * noise**2), rtol=1e-4)
    assert stack.fwhm_major == pytest.approx(3.0 / (1 - 0.7**2) ** 0.25, rel=1e-3)
    reference = [frame["file"] for frame in found.frames].index(found.reference)
    through = scene.transparency[reference] / scene.transparency
    np.testing.assert_allclose([frame["scale"] for frame in found.frames], through, rtol=0.02)
    frames = fits.getdata(paths["all"], "FRAMES")
    np.testing.assert_allclose(frames["SCALE"], through, rtol=0.02)
    np.testing.assert_allclose(frames["WEIGHT"], stack.weights)


# ---------------------------------------------------------------- weights of one's own
def test_a_sum_with_a_stacks_own_weights_is_that_stack(table, built, tmp_path):
    deep = stacks.open_stack(built[1]["deep"])
    paths = build_stacks(table, {"all": 1.0, "node": StackSpec(weights=deep.weights, maps=False)}, folder=tmp_path)
    node = stacks.open_stack(paths["node"])
    assert node.stderr is None
    np.testing.assert_allclose(node.mean, deep.mean, rtol=1e-6)
    np.testing.assert_allclose(node.halves[1], deep.halves[1], rtol=1e-6)


# ---------------------------------------------------------------- files of all kinds
@pytest.mark.parametrize("dtype", ["uint8", "int16", "uint16", "int32", "float32", "float64"])
@pytest.mark.parametrize("planes_first", [True, False])
def test_sample_types_agree(tmp_path, dtype, planes_first):
    scene = simulate(4, shape=(24, 36), borders=3, seed=2, stars=6, star_flux=(3e3, 2e4))
    write_frames(scene, tmp_path / "f", dtype=dtype, planes_first=planes_first)
    white = 255.0 if dtype == "uint8" else WHITE
    table = true_table(scene, white=white)
    stack = nested_stacks(table, {"all": 1.0}, reject=0, match_brightness=False, level_sky="off")["all"]
    values = (
        np.clip(np.nan_to_num(scene.frames) / 257, 0, 255).astype("u1").astype(float) / 255 if dtype == "uint8" else scene.frames / WHITE
    )
    with np.errstate(invalid="ignore"):
        expected = (values * stack_weights(table)[:, None, None, None]).astype(float)
    covered = np.isfinite(scene.frames)
    mean = np.where(covered, expected, 0).sum(0) / np.where(covered, stack_weights(table)[:, None, None, None], 0).sum(0).clip(1e-9)
    good = covered.any(0)
    assert np.array_equal(stack.count, covered.sum(0))
    np.testing.assert_allclose(stack.mean[good], mean[good], atol=1e-5 if "float" in dtype else 1.01 / (255 if dtype == "uint8" else WHITE))
    assert np.isnan(stack.mean[~good]).all()


def stack_weights(table):
    noise = np.array([row.measure.noise for row in table])
    return (np.median(noise) / noise) ** 2


@pytest.mark.parametrize("name", ["f{:02d}.fits.gz", "f{:02d}.fits.fz"])
@pytest.mark.parametrize("top_down", [False, True])
def test_compressed_frames_take_the_slower_way_and_say_so(tmp_path, name, top_down):
    scene = simulate(4, shape=(40, 50), borders=3, seed=2, rays=3)
    write_frames(scene, tmp_path / "plain", top_down=top_down)
    plain = nested_stacks(true_table(scene), {"all": 1.0})["all"]
    write_frames(scene, tmp_path / "packed", name=name, top_down=top_down)
    paths = build_stacks(true_table(scene), {"all": 1.0}, folder=tmp_path / "out")
    packed = stacks.open_stack(paths["all"])
    same = packed.count == plain.count  # linear light is rounded once more on the way: a sample at its limit may tip over
    assert same.mean() > 0.9995
    np.testing.assert_allclose(packed.mean[same], plain.mean[same], rtol=1e-5)
    assert any("unpacked once to a scratch file" in text for text in read_report(tmp_path / "out").words)
    assert not (tmp_path / "out" / ".stacking").exists()


def test_mono_frames(tmp_path):
    scene = simulate(5, shape=(40, 50), channels=1, seed=2)
    write_frames(scene, tmp_path)
    stack = nested_stacks(true_table(scene), {"all": 1.0})["all"]
    assert stack.mean.shape == stack.count.shape == (40, 50)


@pytest.mark.parametrize("n", [1, 2, 3, 4, 7])
def test_small_sets(tmp_path, n):
    scene = simulate(n, shape=(40, 50), seed=n, stars=8, fwhm=(2.5, 3.5))
    write_frames(scene, tmp_path)
    found = nested_stacks(true_table(scene), {"best25": 0.25, "all": 1.0})
    assert found["best25"].n_frames == max(1, int(0.25 * n + 0.5))
    assert found["all"].n_frames == n
    for stack in found.values():
        assert np.isfinite(stack.mean).all()
        assert (stack.stderr >= 0).all()
    if n == 1:
        np.testing.assert_allclose(found["all"].mean, np.rint(scene.frames[0]) / WHITE, atol=1e-6)
        assert np.isnan(found["all"].halves[1]).all()


def test_a_constant_bright_pixel_stays(tmp_path):
    scene = simulate(10, shape=(40, 50), seed=1, transparency=1.0)
    scene.frames[:, 5, 7] = 30000
    write_frames(scene, tmp_path)
    stack = nested_stacks(true_table(scene), {"all": 1.0}, match_brightness=False, level_sky="off")["all"]
    assert (stack.count[5, 7] == 10).all()
    np.testing.assert_allclose(stack.mean[5, 7], 30000 / WHITE, rtol=1e-6)


@pytest.mark.parametrize("ratio", [1, 3])
def test_weights_are_renormalised_where_a_sample_is_missing(tmp_path, ratio):
    scene = simulate(2, shape=(20, 30), stars=0, galaxy=0)
    scene.frames[:] = 100
    scene.frames[1, 4, 6] = np.nan
    write_frames(scene, tmp_path, dtype="float32")
    spec = StackSpec(weights=(1.0, float(ratio)))
    stack = nested_stacks(true_table(scene), {"all": spec}, match_brightness=False, level_sky="off")["all"]
    np.testing.assert_allclose(stack.mean, 100 / WHITE, rtol=1e-6)
    assert (stack.count[4, 6] == 1).all()


# ---------------------------------------------------------------- what travels, what is held
def test_buffers_go_with_the_pass(table, tmp_path):
    with ThreadPoolExecutor(1) as pool:
        build_stacks(table, SPECS, folder=tmp_path, executor=pool)
        assert pool.submit(lambda: vars(workers._kept)).result() == {}


def test_workers_are_handed_names_of_files_not_pixels(table, tmp_path):
    """Arrays of gigabytes cannot be sent to other processes: an order and its answer stay small beside the frames."""
    sizes = []

    class Scales(ThreadPoolExecutor):
        def submit(self, function, *parts):
            sizes.append(len(pickle.dumps((function, parts))))
            future = super().submit(function, *parts)
            sizes.append(len(pickle.dumps(future.result())))
            return future

    with Scales(2) as pool:
        build_stacks(table, SPECS, folder=tmp_path, executor=pool)
    assert sizes
    assert max(sizes) < 40_000 < sum(bands.data_bytes(row.info) for row in table) / 10


def test_memory_does_not_grow_with_the_number_of_frames(tmp_path, monkeypatch):
    """Unsigned 16-bit frames, which a memory map cannot hold as they are: four times as many take little more room, and lose no digit."""
    monkeypatch.setattr(order, "FLOOR_PIXELS", 400)  # the noise is looked up in 48 frames at most; here that would be all of them
    plain = {"reject": 0, "level_sky": "off", "match_brightness": False, "memory": 200_000, "workers": 1}
    peaks = {}
    for n in (6, 24):
        scene = simulate(n, shape=(160, 400), seed=1, stars=8)
        write_frames(scene, tmp_path / str(n))
        table = true_table(scene)
        spec = StackSpec(weights=(1.0,) + (0.0,) * (n - 1))
        build_stacks(table, {"all": spec}, folder=tmp_path / "warm", **plain)
        tracemalloc.start()
        paths = build_stacks(table, {"all": spec}, folder=tmp_path / "out", **plain)
        peaks[n] = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        first = np.rint(scene.frames[0]).astype(np.uint16)
        assert np.array_equal(np.rint(np.float64(stacks.open_stack(paths["all"]).mean) * WHITE), first)
    assert peaks[24] < 2 * peaks[6]
    assert peaks[24] < 24 * 160 * 400 * 3 * 2 / 4


# ---------------------------------------------------------------- trouble
def test_missing_padding_is_used(tmp_path):
    scene = simulate(4, shape=(40, 50), seed=3)
    write_frames(scene, tmp_path)
    table = true_table(scene)
    with open(scene.paths[2], "r+b") as handle:
        handle.truncate(table[2].info.data_offset + 40 * 50 * 3 * 2)
    assert nested_stacks(table, {"all": 1.0})["all"].n_frames == 4


def test_a_disk_that_refuses_while_bands_are_brought_to_it_is_said(table, tmp_path, monkeypatch):
    def refuse(descriptor):
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(build.os, "fsync", refuse)
    with pytest.raises(StoppedError, match="Input/output error"):
        build_stacks(table, SPECS, folder=tmp_path)
    assert not list(tmp_path.glob("*.fits"))
    monkeypatch.undo()
    assert set(build_stacks(table, SPECS, folder=tmp_path)) == set(SPECS)


def test_room_for_unpacked_frames_is_counted_and_unfinished_work_is_not(tmp_path, monkeypatch):
    scene = simulate(3, shape=(40, 50), seed=3)
    write_frames(scene, tmp_path / "f", name="f{:02d}.fits.gz")
    table, folder = true_table(scene), tmp_path / "out"
    size = build_stacks(table, {"all": 1.0}, folder=folder)["all"].stat().st_size
    unpacked = 3 * 40 * 50 * 3 * 4

    def free(octets):
        monkeypatch.setattr(build.shutil, "disk_usage", lambda path: type("Usage", (), {"free": octets}))

    free(size + unpacked - 1)
    with pytest.raises(StoppedError, match="No room for the stacks"):
        build_stacks(table, {"all": 1.0}, folder=folder)
    free(size + unpacked)
    build_stacks(table, {"all": 1.0}, folder=folder)

    def pull(steps):
        yield next(iter(steps))
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        build_stacks(table, {"all": 1.0}, folder=folder, progress=pull)
    free(100)  # all that it needs lies there already
    build_stacks(table, {"all": 1.0}, folder=folder)


def test_no_room_is_said_before_work(table, tmp_path, monkeypatch):
    monkeypatch.setattr(build.shutil, "disk_usage", lambda path: type("Usage", (), {"free": 1000}))
    with pytest.raises(StoppedError, match="No room for the stacks"):
        build_stacks(table, SPECS, folder=tmp_path)
    assert not list(tmp_path.glob("*.fits"))


# ---------------------------------------------------------------- disks that keep what is open
def test_stacks_in_memory_leave_no_file_mapped(table, strict_disk, tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    found = nested_stacks(table, {"all": 1.0})
    assert np.isfinite(found["all"].mean).any()
    assert not list(tmp_path.iterdir())


def test_a_stack_that_is_still_in_use_is_named_and_the_pass_is_kept(table, strict_disk, tmp_path):
    first = nested_stacks(table, {"all": 1.0}, folder=tmp_path)
    with pytest.raises(StoppedError, match=r"hold it open: close all\.fits there, then run again\. Finished bands are kept"):
        nested_stacks(table, {"all": 1.0}, folder=tmp_path, reject=0)
    before = np.array(first["all"].mean)
    del first
    assert not np.array_equal(nested_stacks(table, {"all": 1.0}, folder=tmp_path, reject=0)["all"].mean, before, equal_nan=True)


def test_ctrl_c_is_heard_while_a_band_is_made(table, tmp_path, monkeypatch):
    """Without a signal that ends the wait, as on Windows."""
    combine = workers.step.combine_rows

    def slowly(*words, **more):
        time.sleep(2)
        return combine(*words, **more)

    monkeypatch.setattr(workers.step, "combine_rows", slowly)
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    began: list[float] = []
    try:
        with ThreadPoolExecutor(1) as pool:
            timer = threading.Timer(1, lambda: (began.append(time.monotonic()), _thread.interrupt_main()))
            timer.start()
            with pytest.raises(KeyboardInterrupt):
                build_stacks(table, {"all": 1.0}, folder=tmp_path, executor=pool)
            late = time.monotonic() - began[0]
            pool.shutdown(wait=False, cancel_futures=True)
    finally:
        signal.signal(signal.SIGINT, before)
    assert late < 1
