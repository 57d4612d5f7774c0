"""One key, one maker: across threads, processes and sudden ends."""

import errno
import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from layerblend.engine.locks import Lock, try_lock

KEY, OTHER = "0" * 39 + "1", "abcdef" + "0" * 34
HOLD = """
import sys, time
from pathlib import Path
from layerblend.engine.locks import try_lock
lock = try_lock(Path(sys.argv[1]), sys.argv[2])
print("held" if lock else "busy", flush=True)
sys.stdin.readline()
if lock:
    lock.release()
"""


def hold(path: Path, key: str) -> "subprocess.Popen[str]":
    return subprocess.Popen([sys.executable, "-c", HOLD, str(path), key], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)


def answer(process: "subprocess.Popen[str]") -> str:
    assert process.stdout is not None
    return process.stdout.readline().strip()


def test_one_at_a_time_within_a_process(tmp_path: Path) -> None:
    path = tmp_path / "store" / "locks"
    first = try_lock(path, KEY)
    assert isinstance(first, Lock)
    assert try_lock(path, KEY) is None
    second = try_lock(path, OTHER)
    assert second is not None
    first.release()
    first.release()
    with try_lock(path, KEY) or first:
        found: list[Lock | None] = []
        thread = threading.Thread(target=lambda: found.append(try_lock(path, KEY)))
        thread.start()
        thread.join()
        assert found == [None]
    second.release()


def test_one_at_a_time_across_processes(tmp_path: Path) -> None:
    path = tmp_path / "locks"
    with hold(path, KEY) as process:
        assert answer(process) == "held"
        assert try_lock(path, KEY) is None
        other = try_lock(path, OTHER)
        assert other is not None
        other.release()  # letting one go leaves the others' alone
        assert try_lock(path, KEY) is None
        process.communicate("\n")
    lock = try_lock(path, KEY)
    assert lock is not None
    with hold(path, KEY) as process:
        assert answer(process) == "busy"
        process.communicate("\n")
    lock.release()


def test_a_killed_process_leaves_no_lock(tmp_path: Path) -> None:
    path = tmp_path / "locks"
    with hold(path, KEY) as process:
        assert answer(process) == "held"
        process.kill()
        process.wait()
        lock = try_lock(path, KEY)
        assert lock is not None
        lock.release()


@pytest.mark.skipif(os.name == "nt", reason="the file stays open, and no open file can be deleted there")
def test_a_store_deleted_and_made_anew_locks_anew(tmp_path: Path) -> None:
    path = tmp_path / "locks"
    lock = try_lock(path, KEY)
    assert lock is not None
    lock.release()
    path.unlink()
    lock = try_lock(path, KEY)
    assert lock is not None
    with hold(path, KEY) as process:
        assert answer(process) == "busy"
        process.communicate("\n")
    lock.release()


def test_where_no_lock_file_can_be_made_work_goes_on(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    lock = try_lock(tmp_path / "file" / "locks", KEY)
    assert lock is not None
    lock.release()


def test_where_the_file_system_knows_no_locks_work_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(handle: int, byte: int) -> None:
        raise OSError(errno.ENOLCK, "no locks available")

    monkeypatch.setattr("layerblend.engine.locks._lock", refuse)
    lock = try_lock(tmp_path / "locks", KEY)
    assert lock is not None
    lock.release()


def test_a_key_may_be_made_and_used_at_once(tmp_path: Path) -> None:
    making, using = try_lock(tmp_path / "locks", KEY), try_lock(tmp_path / "locks", KEY, use=True)
    assert making is not None and using is not None
    making.release()
    assert try_lock(tmp_path / "locks", KEY, use=True) is None
    using.release()
