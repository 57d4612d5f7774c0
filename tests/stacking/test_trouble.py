"""What goes wrong on real machines: interruption, few open files, a full disk, other machines' workers, a read-only package."""

import math
import os
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import numpy as np
import pytest

from layerblend.files import stacks
from layerblend.stacking import build_stacks
from tests.scenes.frames import simulate, true_table, write_frames

ROOT = Path(__file__).parents[2]
POSIX = pytest.mark.skipif(os.name != "posix", reason="needs signals and limits of POSIX systems")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Eight small frames on disk."""
    place = tmp_path_factory.mktemp("trouble")
    write_frames(simulate(8, shape=(200, 120), seed=1, borders=4), place / "frames")
    return place


def script(folder, body, *, before="", slow=False):
    """A program of its own that stacks the eight frames; ``slow`` makes each band take half a second and more (not single rows)."""
    pause = (
        "import layerblend.files.bands as b; r = b.read_narrow\n"
        "b.read_narrow = lambda i, c, y0, y1, out: (time.sleep(.03 * (y1 > y0 + 1)), r(i, c, y0, y1, out))[1]\n"
        if slow
        else ""
    )
    head = f"""
    import signal, sys, time
    from pathlib import Path
    signal.signal(signal.SIGINT, signal.default_int_handler)  # a test run in the background hands down "ignored"
    {before}
    sys.path.insert(0, {str(ROOT)!r})
    from layerblend.stacking import build_stacks
    from tests.scenes.frames import simulate, true_table
    scene = simulate(8, shape=(200, 120), seed=1, borders=4)
    scene.paths = sorted(Path({str(folder / "frames")!r}).glob("*.fits"))
    table = true_table(scene)
    """
    return textwrap.dedent(head) + pause + textwrap.dedent(body)


def launch(code):
    return subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT)


@POSIX
def test_an_interrupt_ends_it_soon_and_leaves_what_can_go_on(folder, tmp_path):
    body = f"""
    def tell(steps):
        for band in steps:
            print("band", flush=True)
            yield band
    build_stacks(table, {{"all": 1.0}}, folder={str(tmp_path)!r}, progress=tell)
    """
    process = launch(script(folder, body, slow=True))
    assert process.stdout.readline() == "band\n"
    process.send_signal(signal.SIGINT)
    start = time.monotonic()
    _, err = process.communicate(timeout=30)
    assert time.monotonic() - start < 5
    assert "KeyboardInterrupt" in err
    assert not list(tmp_path.glob("*.fits"))
    assert (tmp_path / ".stacking" / "journal").exists()
    scene = simulate(8, shape=(200, 120), seed=1, borders=4)
    scene.paths = sorted((folder / "frames").glob("*.fits"))
    resumed = build_stacks(true_table(scene), {"all": 1.0}, folder=tmp_path)
    fresh = build_stacks(true_table(scene), {"all": 1.0}, folder=tmp_path / "fresh")
    assert resumed["all"].read_bytes() == fresh["all"].read_bytes()


@POSIX
def test_a_full_disk_is_said_and_leaves_the_earlier_result(folder, tmp_path):
    """A limit on the size of files stands for the full disk."""
    earlier = tmp_path / "all.fits"
    earlier.write_bytes(b"earlier result")
    limit = "resource.setrlimit(resource.RLIMIT_FSIZE, (200000, 200000))"
    before = f"import resource, signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN); {limit}"
    body = f"""
    from layerblend.errors import StoppedError
    try:
        build_stacks(table, {{"all": 1.0}}, folder={str(tmp_path)!r})
    except StoppedError as error:
        print(error.code, error)
    """
    out, err = launch(script(folder, body, before=before)).communicate(timeout=120)
    assert out.startswith("disk The disk refused while stacking"), err
    assert earlier.read_bytes() == b"earlier result"
    assert [path.name for path in tmp_path.iterdir()] == ["all.fits"]


@POSIX
def test_many_frames_need_few_open_files(folder, tmp_path):
    """Two hundred frames under a limit of 64 open files."""
    scene = simulate(200, shape=(20, 24), channels=1, stars=3, seed=2)
    write_frames(scene, tmp_path / "frames", dtype="float32")
    body = f"""
    import resource
    scene = simulate(200, shape=(20, 24), channels=1, stars=3, seed=2)
    scene.paths = sorted(Path({str(tmp_path / "frames")!r}).glob("*.fits"))
    table = true_table(scene)
    resource.setrlimit(resource.RLIMIT_NOFILE, (64, 64))
    build_stacks(table, {{"all": 1.0, "best25": 0.25}}, folder={str(tmp_path / "out")!r})
    """
    _, err = launch(script(folder, body)).communicate(timeout=120)
    assert stacks.open_stack(tmp_path / "out" / "all.fits").n_frames == 200, err


@POSIX
def test_runs_where_neither_the_package_nor_a_home_can_be_written_to(tmp_path):
    """Compiled code is then kept among the temporary files, in a folder closed to others; a foreign folder of that name is not used."""
    code = f"""
    import os, sys, tempfile
    import numba.core.caching as caching
    tempfile.tempdir = {str(tmp_path)!r}
    access = os.access
    os.access = lambda place, mode, **more: mode != os.W_OK and access(place, mode, **more)
    def refuse(self):
        raise PermissionError(13, "Read-only file system")
    for name in ("InTreeCacheLocator", "UserWideCacheLocator", "InTreeCacheLocatorFsAgnostic"):
        if hasattr(caching, name):
            getattr(caching, name).ensure_cache_path = refuse
    sys.path.insert(0, {str(ROOT)!r})
    from layerblend.maths.curve import asinh_of
    print(os.environ["NUMBA_CACHE_DIR"], float(asinh_of(1.0)))
    """
    own = tmp_path / f"layerblend-{os.getuid()}"
    places = {key: value for key, value in os.environ.items() if key not in ("HOME", "XDG_CACHE_HOME", "NUMBA_CACHE_DIR")}
    for expected in (True, False):
        done = subprocess.run([sys.executable, "-c", textwrap.dedent(code)], capture_output=True, text=True, env=places, check=False)
        assert done.returncode == 0, done.stderr[-2000:]
        place, value = done.stdout.split()
        assert (Path(place) == own) == expected
        assert float(value) == pytest.approx(math.asinh(1))
        assert list(Path(place).rglob("*.nbi"))
        assert Path(place).stat().st_mode & 0o077 == 0
        own.chmod(0o777)  # as if anybody could have put code there


@pytest.mark.slow
def test_two_dask_workers_write_the_same_bytes(folder, tmp_path):
    pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    body = f"""
    if __name__ == "__main__":
        from distributed import Client, LocalCluster
        with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster, Client(cluster) as client:
            build_stacks(table, {{"all": 1.0, "best50": 0.5}}, folder={str(tmp_path / "dask")!r}, executor=client.get_executor(pure=False))
    """
    program = tmp_path / "program.py"
    program.write_text(script(folder, body))
    done = subprocess.run([sys.executable, program], capture_output=True, text=True, cwd=ROOT, timeout=240, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    scene = simulate(8, shape=(200, 120), seed=1, borders=4)
    scene.paths = sorted((folder / "frames").glob("*.fits"))
    paths = build_stacks(true_table(scene), {"all": 1.0, "best50": 0.5}, folder=tmp_path / "threads")
    for name, path in paths.items():
        assert path.read_bytes() == (tmp_path / "dask" / f"{name}.fits").read_bytes()
        assert np.isfinite(stacks.open_stack(path).mean).mean() > 0.9
