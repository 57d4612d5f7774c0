"""The runner makes what is missing, nothing else, in any company, and after any interruption."""

import concurrent.futures
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from layerblend.engine.graph import Graph, GraphError, Node
from layerblend.engine.runner import MOST_SAVING, Event, Runner
from layerblend.engine.store import Store
from layerblend.errors import StoppedError
from tests.engine import toys

PACKAGES = ("layerblend", "tests")
ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / ".layerblend", packages=PACKAGES)


@pytest.fixture(autouse=True)
def calls() -> Iterator[list[str]]:
    toys.CALLS.clear()
    yield toys.CALLS


def picture(stars: float = 1.0, detail: float = 2.0, version: int = 1) -> Graph:
    """A little picture: two roles from one source, joined."""
    return Graph(
        [
            Node("source", toys.source, {"seed": 1}),
            Node("stars", toys.scale, {"factor": stars, "name": "stars"}, ("source",), version=version),
            Node("detail", toys.scale, {"factor": detail, "name": "detail"}, ("source",)),
            Node("result", toys.add, inputs={"left": "stars", "right": "detail"}),
        ]
    )


def test_everything_once_then_nothing(store: Store, calls: list[str]) -> None:
    first = Runner(picture(), store).get("result")
    assert calls == ["source 1", "stars 1", "detail 2", "add"]
    assert np.array_equal(Runner(picture(), store).get("result"), first)
    assert len(calls) == 4


def test_a_then_b_then_a_gives_a(store: Store, calls: list[str]) -> None:
    a = Runner(picture(1), store).get("result").copy()
    b = Runner(picture(3), store).get("result").copy()
    calls.clear()
    assert np.array_equal(Runner(picture(1), store).get("result"), a)
    assert np.array_equal(Runner(picture(3), store).get("result"), b)
    assert not np.array_equal(a, b)
    assert not calls


def test_a_changed_role_reruns_only_what_depends_on_it(store: Store, calls: list[str]) -> None:
    Runner(picture(), store).get("result")
    calls.clear()
    Runner(picture(detail=5), store).get("result")
    assert calls == ["detail 5", "add"]


def test_a_new_version_of_a_step_reruns_it_and_what_follows(store: Store, calls: list[str]) -> None:
    Runner(picture(), store).get("result")
    calls.clear()
    Runner(picture(version=2), store).get("result")
    assert calls == ["stars 1", "add"]


def test_only_what_is_asked_for_is_made(store: Store, calls: list[str]) -> None:
    Runner(picture(), store).get("detail")
    assert calls == ["source 1", "detail 2"]
    with pytest.raises(GraphError, match="meant"):
        Runner(picture(), store).get("detial")


def test_several_results_share_what_they_share(store: Store, calls: list[str]) -> None:
    results = Runner(picture(), store).get_all(["detail", "stars", "detail"])
    assert list(results) == ["detail", "stars"]
    assert calls.count("source 1") == 1


def test_steps_of_one_name_share_their_work(store: Store, calls: list[str]) -> None:
    nodes = [
        Node("source", toys.source, {"seed": 1}),
        Node("a", toys.scale, {"factor": 2}, ("source",), step="scale"),
        Node("b", toys.scale, {"factor": 2}, ("source",), step="scale"),
        Node("both", toys.add, inputs={"left": "a", "right": "b"}),
    ]
    Runner(Graph(nodes), store).get("both")
    assert calls == ["source 1", "scale 2", "add"]


def test_what_is_not_kept_is_made_only_when_needed(store: Store, calls: list[str]) -> None:
    def graph(factor: float) -> Graph:
        return Graph(
            [
                Node("source", toys.source, {"seed": 1}),
                Node("quick", toys.scale, {"factor": 2, "name": "quick"}, ("source",), keep=False),
                Node("end", toys.scale, {"factor": factor, "name": "end"}, ("quick",)),
            ]
        )

    Runner(graph(3), store).get("end")
    calls.clear()
    Runner(graph(3), store).get("end")
    assert not calls
    Runner(graph(4), store).get("end")
    assert calls == ["quick 2", "end 4"]


def test_what_cannot_change_a_result_changes_no_key(store: Store, tmp_path: Path) -> None:
    def graph(log: str) -> Graph:
        return Graph([Node("rows", toys.rows, {"count": 3}, wants_folder=True, execution={"log": tmp_path / log})])

    Runner(graph("one"), store).get("rows")
    Runner(graph("two"), store).get("rows")
    assert (tmp_path / "one").is_file()
    assert not (tmp_path / "two").exists()


# ---------------------------------------------------------------- files
def reading(paths: list[Path], *, parallel: bool = False) -> Graph:
    leaves = [Node(f"length {p.name}", toys.read_text, files=(p,), execution={"path": p}, step="length", parallel=parallel) for p in paths]
    return Graph([*leaves, Node("all", toys.gather, inputs={"parts": tuple(leaf.name for leaf in leaves)})])


def frames(folder: Path, count: int, age_s: float = 100) -> list[Path]:
    paths = []
    for index in range(count):
        path = folder / f"L_{index}.txt"
        path.write_text("x" * (index + 1), encoding="utf-8")
        os.utime(path, (time.time() - age_s, time.time() - age_s))
        paths.append(path)
    return paths


def test_files_count_by_content(store: Store, tmp_path: Path) -> None:
    paths = frames(tmp_path, 4)
    ran: list[Event] = []
    assert Runner(reading(paths), store, ran.append).get("all") == [1, 2, 3, 4]
    assert [event.node for event in ran if event.kind == "finished"][-1] == "all"
    ran.clear()
    for path in paths:
        path.touch()  # another date, the same content
    Runner(reading(paths), store, ran.append).get("all")
    assert not ran
    moved = [path.rename(path.with_name("moved " + path.name)) for path in paths]
    Runner(reading(moved), store, ran.append).get("all")
    assert [event.node for event in ran if event.kind == "finished"] == []


def test_one_more_frame_reruns_that_frame_and_what_follows(store: Store, tmp_path: Path) -> None:
    paths = frames(tmp_path, 4)
    Runner(reading(paths[:3]), store).get("all")
    ran: list[Event] = []
    assert Runner(reading(paths), store, ran.append).get("all") == [1, 2, 3, 4]
    assert [event.node for event in ran if event.kind == "finished"] == ["length L_3.txt", "all"]


@pytest.mark.parametrize("pool", [concurrent.futures.ThreadPoolExecutor, concurrent.futures.ProcessPoolExecutor])
def test_parallel_nodes_give_the_same_in_any_executor(store: Store, tmp_path: Path, pool: Any) -> None:
    paths = frames(tmp_path, 20)
    options = {"mp_context": __import__("multiprocessing").get_context("spawn")} if pool is concurrent.futures.ProcessPoolExecutor else {}
    with pool(2, **options) as executor:
        ran: list[Event] = []
        result = Runner(reading(paths, parallel=True), store, ran.append, executor=executor).get("all")
    assert result == list(range(1, 21))
    assert sum(event.kind == "finished" for event in ran) == 21
    assert Runner(reading(paths), store).key("all") == Runner(reading(paths, parallel=True), store).key("all")


def test_a_failing_step_is_named_and_the_rest_is_kept(store: Store, tmp_path: Path, calls: list[str]) -> None:
    graph = Graph([Node("source", toys.source, {"seed": 1}), Node("bad", toys.fail, {"words": "no stars"}, ("source",))])
    with pytest.raises(RuntimeError, match="no stars") as caught:
        Runner(graph, store).get("bad")
    assert caught.value.__notes__ == ["in the step 'bad'"]
    calls.clear()
    with pytest.raises(RuntimeError):
        Runner(graph, store).get("bad")  # not remembered as done, and its lock is free
    assert not calls
    paths = frames(tmp_path, 5)
    leaves = [Node(f"n{i}", toys.fail, {"words": str(i)}, files=(p,), parallel=True) for i, p in enumerate(paths)]
    with concurrent.futures.ThreadPoolExecutor(2) as executor, pytest.raises(RuntimeError):
        Runner(Graph(leaves), store, executor=executor).get_all([leaf.name for leaf in leaves])
    assert all(store.try_lock(Runner(Graph(leaves), store).key(leaf.name)) for leaf in leaves)


def test_steps_that_do_not_wait_for_each_other_are_made_at_the_same_time(store: Store) -> None:
    toys.MEETING.reset()
    meeting = [Node(name, toys.meet, {"name": name}, ("source",)) for name in ("one", "two")]
    graph = Graph([Node("source", toys.source, {"seed": 1}), *meeting, Node("sum", toys.add, inputs=("one", "two"))])
    told: list[Event] = []
    runner = Runner(graph, store, told.append, lanes=2)
    assert np.array_equal(runner.get("sum"), 2 * toys.source(seed=1))
    runner.settle()
    assert all(store.has(Runner(graph, store).key(name)) for name in ("source", "one", "two", "sum"))
    assert [event.node for event in told if event.kind == "started"] == ["source", "one", "two", "sum"]
    assert [event.node for event in told if event.kind == "finished"][-1] == "sum"


def test_trouble_in_one_of_two_lanes_is_told_at_once_and_leaves_no_lock(store: Store) -> None:
    slow = Node("slow", toys.slowly, {"pause_s": 2.0})
    bad = Node("bad", toys.fail, {"words": "no stars"})
    graph = Graph([slow, bad, Node("sum", toys.add, inputs=("slow", "bad"))])
    begin = time.monotonic()
    with pytest.raises(RuntimeError, match="no stars") as caught:
        Runner(graph, store, lanes=2).get("sum")
    assert time.monotonic() - begin < 2
    assert caught.value.__notes__ == ["in the step 'bad'"]
    assert all(store.try_lock(Runner(graph, store).key(name)) for name in ("slow", "bad"))


def test_a_full_disk_is_told_although_results_are_kept_beside(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(packed: Any) -> None:
        raise StoppedError("The disk is full.")

    monkeypatch.setattr(store, "write", full)
    runner = Runner(picture(), store, lanes=2)
    with pytest.raises(StoppedError, match="full"):
        runner.get("result")
        runner.settle()
    runner.abandon()
    assert all(store.try_lock(runner.key(name)) for name in ("source", "stars", "detail", "result"))


def test_a_result_on_its_way_to_the_disk_is_not_made_twice(store: Store, monkeypatch: pytest.MonkeyPatch, calls: list[str]) -> None:
    write = store.write

    def slowly(packed: Any) -> Any:
        time.sleep(0.2)
        return write(packed)

    monkeypatch.setattr(store, "write", slowly)
    runner = Runner(picture(), store, lanes=2)
    first = runner.get("result").copy()
    assert np.array_equal(runner.get("result"), first)
    assert sorted(calls) == ["add", "detail 2", "source 1", "stars 1"]


@pytest.mark.parametrize("lanes", [1, 2])
def test_the_bytes_do_not_hang_on_the_lanes(store: Store, tmp_path: Path, lanes: int) -> None:
    alone = Runner(picture(3, 4), store).get("result")
    other = Store(tmp_path / "other", packages=PACKAGES)
    assert Runner(picture(3, 4), other, lanes=lanes).get("result").tobytes() == alone.tobytes()


@pytest.mark.parametrize("lanes", [1, 2])
def test_what_is_kept_lies_in_its_file_from_then_on(store: Store, monkeypatch: pytest.MonkeyPatch, lanes: int) -> None:
    """Memory that is mapped from a file can be taken for something else; the bytes are the same."""
    monkeypatch.setattr("layerblend.engine.store._MAP_FROM_BYTES", 1)
    seen: list[bool] = []

    def pause(array: Any) -> float:
        time.sleep(0.3)  # long enough for the source to get to the disk
        return 1.0

    def look(array: Any, one: float) -> Any:
        seen.append(isinstance(array.base, np.memmap))
        return array + one

    nodes = [
        Node("source", toys.source, {"seed": 1}),
        Node("pause", pause, inputs=("source",)),
        Node("look", look, inputs=("source", "pause"), keep=False),
    ]
    result = Runner(Graph(nodes), store, lanes=lanes).get("look")
    assert seen == [True]
    assert np.array_equal(result, toys.source(seed=1) + 1)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="asks the system for the pages that this process holds")
def test_what_a_step_has_read_of_a_file_does_not_stay_in_memory(store: Store) -> None:
    """smaps of proc(5): a step that took a while leaves no page of its mapped input; the next one finds it all the same."""
    sums: list[float] = []
    held: list[int] = []

    def look(array: Any) -> float:
        sums.append(float(array.sum()))
        held.append(resident_kb(store.folder))
        time.sleep(0.15)
        return sums[-1]

    nodes = [Node("source", toys.source, {"seed": 1, "size": 1000})]
    nodes += [Node(name, look, inputs=("source",)) for name in ("one", "two")]
    nodes += [Node("all", toys.add, inputs=("one", "two"))]
    runner = Runner(Graph(nodes), store, lambda event: held.append(resident_kb(store.folder)) if event.kind == "finished" else None)
    runner.get("all")
    size = toys.source(seed=1, size=1000).nbytes // 1024
    assert held[1] >= size and held[2] == 0, "the first step read it, and gave it back"
    assert held[3] >= size and held[4] == 0
    assert sums[0] == sums[1]


def resident_kb(folder: Path) -> int:
    """Pages of files below ``folder`` that this process holds in memory."""
    kb, inside = 0, False
    for line in Path("/proc/self/smaps").read_text().splitlines():
        if "-" in line.split()[0]:
            inside = str(folder) in line
        elif inside and line.startswith("Rss:"):
            kb += int(line.split()[1])
    return kb


def test_results_waiting_for_a_slow_disk_do_not_pile_up(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    write, waiting = store.write, []

    def slowly(packed: Any) -> Any:
        time.sleep(0.05)
        return write(packed)

    monkeypatch.setattr(store, "write", slowly)
    nodes = [Node(f"n{i}", toys.source, {"seed": i}) for i in range(12)]
    runner = Runner(Graph(nodes), store, lanes=2)
    runner.tell = lambda event: waiting.append(len(runner._saving))
    runner.get_all([node.name for node in nodes])
    runner.settle()
    assert 1 < max(waiting) <= MOST_SAVING
    assert all(store.has(runner.key(node.name)) for node in nodes)


def test_memory_holds_no_more_than_what_is_still_needed(store: Store) -> None:
    nodes = [Node("n0", toys.source, {"seed": 1})]
    nodes += [Node(f"n{i}", toys.scale, {"factor": 1}, (f"n{i - 1}",), keep=i % 2 == 0) for i in range(1, 8)]
    held: list[int] = []
    runner = Runner(Graph(nodes), store)
    runner.tell = lambda event: held.append(len(runner._values))
    runner.get("n7")
    assert max(held) <= 2
    assert not runner._values


# ---------------------------------------------------------------- damage and interruption
def test_a_flipped_bit_in_the_store_is_found_and_the_result_made_again(store: Store, calls: list[str]) -> None:
    good = Runner(picture(), store).get("result").copy()
    for damaged, again in (("result", ["add"]), ("stars", []), ("source", [])):
        key = Runner(picture(), store).key(damaged)
        path = next((store.folder / "values" / key[:2] / key).glob("*.npy"))
        data = bytearray(path.read_bytes())
        data[-5] ^= 4
        path.write_bytes(data)
        calls.clear()
        told: list[Event] = []
        assert np.array_equal(Runner(picture(), store, told.append).get("result"), good)
        assert calls == again
        assert [event.node for event in told if event.kind == "damaged"] == ([damaged] if again else [])
    calls.clear()
    # damaged deep down and now needed: everything on the way is made again
    Runner(picture(detail=9), store).get("result")
    assert sorted(calls) == ["add", "detail 9", "source 1", "stars 1"]


RUN = """
import signal, sys, time
from pathlib import Path
from layerblend.engine.graph import Graph, Node
from layerblend.engine.runner import Runner
from layerblend.engine.store import Store
from layerblend.errors import StoppedError
from tests.engine import toys
signal.signal(signal.SIGINT, signal.default_int_handler)  # a test run in the background hands down "ignored"
folder, count, pause = Path(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3])
node = Node("rows", toys.rows, {"count": count}, wants_folder=True, execution={"log": folder / "log", "pause_s": pause})
after = Node("after", "tests.engine.toys:pixel_sum", inputs=("rows",))
try:
    print(Runner(Graph([node, after]), Store(folder / ".layerblend", packages=("layerblend", "tests"))).get("after"))
except KeyboardInterrupt:
    print("interrupted")
"""


def run(folder: Path, count: int, pause_s: float) -> "subprocess.Popen[str]":
    return subprocess.Popen([sys.executable, "-c", RUN, str(folder), str(count), str(pause_s)], stdout=subprocess.PIPE, text=True, cwd=ROOT)


def logged(folder: Path) -> list[int]:
    path = folder / "log"
    return [int(line) for line in path.read_text(encoding="utf-8").split()] if path.exists() else []


def wait_for(folder: Path, rows: int) -> None:
    end = time.monotonic() + 60
    while len(logged(folder)) < rows and time.monotonic() < end:
        time.sleep(0.01)


@pytest.mark.skipif(sys.platform == "win32", reason="signals")
@pytest.mark.parametrize("how", ["SIGKILL", "SIGINT"])
def test_an_interrupted_run_goes_on_where_it_was(tmp_path: Path, how: str) -> None:
    with run(tmp_path, 12, 0.1) as process:
        wait_for(tmp_path, 4)
        process.send_signal(getattr(signal, how))
        out, _ = process.communicate(timeout=30)
    assert out == ("" if how == "SIGKILL" else "interrupted\n")
    done = len(logged(tmp_path))
    assert 4 <= done < 12
    with run(tmp_path, 12, 0) as process:
        out, _ = process.communicate(timeout=60)
    assert float(out) == 2000 * sum(range(12))
    rows = logged(tmp_path)
    assert sorted(set(rows)) == list(range(12))
    assert len(rows) <= 13  # only the row in work when the run was killed may be made twice


def test_two_runs_at_once_share_the_work(tmp_path: Path) -> None:
    with run(tmp_path, 8, 0.05) as one, run(tmp_path, 8, 0.05) as two:
        results = {process.communicate(timeout=60)[0] for process in (one, two)}
    assert results == {f"{2000.0 * sum(range(8))}\n"}
    assert logged(tmp_path) == list(range(8))


def test_two_threads_at_once_share_the_work(store: Store, tmp_path: Path) -> None:
    graph = Graph([Node("rows", toys.rows, {"count": 5}, wants_folder=True, execution={"log": tmp_path / "log", "pause_s": 0.02})])
    told: list[Event] = []
    threads = [threading.Thread(target=lambda: Runner(graph, store, told.append).get("rows")) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert logged(tmp_path) == list(range(5))
    assert {event.kind for event in told} == {"started", "waiting", "finished"}


# ---------------------------------------------------------------- explain
def lines(runner: Runner, name: str = "result") -> dict[str, str]:
    return {reason.node: reason.why or reason.status for reason in runner.explain(name)}


def test_explain_tells_what_would_run_and_why(store: Store, calls: list[str]) -> None:
    assert set(lines(Runner(picture(), store)).values()) == {"first time"}
    Runner(picture(), store).get("result")
    assert set(lines(Runner(picture(), store)).values()) == {"done"}
    assert lines(Runner(picture(detail=0.7), store)) == {
        "source": "done", "stars": "done", "detail": "setting factor 2 -> 0.7", "result": "input detail changed",
    }  # fmt: skip
    assert lines(Runner(picture(version=3), store))["stars"] == "new version of the step (1 -> 3)"
    store.remove(Runner(picture(), store).key("result"))
    assert lines(Runner(picture(), store))["result"] == "its result is no longer in the store"
    calls.clear()
    assert lines(Runner(picture(), store))["stars"] == "done"
    assert not calls


def test_explain_compares_with_the_last_run_not_with_the_first(store: Store) -> None:
    for detail in (1.0, 2.0, 1.0):
        Runner(picture(detail=detail), store).get("result")
    assert lines(Runner(picture(detail=3), store))["detail"] == "setting factor 1 -> 3"


def test_explain_takes_what_is_not_kept_for_done_while_it_would_be_made_of_the_same(store: Store) -> None:
    def graph(factor: float) -> Graph:
        quick = Node("quick", toys.scale, {"factor": factor, "name": "quick"}, ("source",), keep=False)
        return Graph([Node("source", toys.source, {"seed": 1}), quick])

    assert set(lines(Runner(graph(2), store), "quick").values()) == {"first time"}
    Runner(graph(2), store).get("quick")
    assert lines(Runner(graph(2), store), "quick") == {"source": "done", "quick": "done"}
    assert lines(Runner(graph(5), store), "quick") == {"source": "done", "quick": "setting factor 2 -> 5"}


def test_explain_takes_groups_of_settings_apart(store: Store) -> None:
    def graph(**inner: Any) -> Graph:
        return Graph([Node("a", toys.keywords, {"inner": inner})])

    Runner(graph(x=1, y={"z": [1, 2]}), store).get("a")
    assert lines(Runner(graph(x=1, y={"z": [1, 3]}, new=True), store), "a") == {
        "a": "setting inner.y.z [1,2] -> [1,3]; setting inner.new not set -> true"
    }


def test_explain_reads_no_files(store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    paths = frames(tmp_path, 3)
    Runner(reading(paths), store).get("all")
    monkeypatch.setattr("layerblend.engine.keys.content_key", lambda path: pytest.fail("read"))
    assert set(lines(Runner(reading(paths), store), "all").values()) == {"done"}
    paths[1].touch()
    found = lines(Runner(reading(paths), store), "all")
    assert found["length L_0.txt"] == "done"
    assert found["length L_1.txt"] == "L_1.txt new or changed"
    assert found["all"] == "input length L_1.txt changed"


def test_events_come_in_order_with_times(store: Store) -> None:
    told: list[Event] = []
    Runner(picture(), store, told.append).get("stars")
    assert [(event.kind, event.node) for event in told] == [
        ("started", "source"), ("finished", "source"), ("started", "stars"), ("finished", "stars"),
    ]  # fmt: skip
    assert all(event.seconds >= 0 for event in told)


def test_the_engine_imports_no_numerics_by_itself() -> None:
    code = "import sys, layerblend.engine.runner; sys.exit('numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_files_that_a_run_still_needs_outlast_the_cap(store: Store, tmp_path: Path) -> None:
    nodes = [Node("rows", toys.rows, {"count": 5}, wants_folder=True, execution={"log": tmp_path / "log"})]
    nodes += [Node(f"noise {n}", toys.source, {"seed": n}) for n in range(4)]
    store.cap_bytes = 60_000  # one and a half of the toys' pictures
    runner = Runner(Graph(nodes), store)
    runner.get("rows")
    for n in range(4):
        runner.get_all(("rows", f"noise {n}"))
    assert store.has(runner.key("rows"))
    store.let_go()
    runner.get("noise 0")
    assert not store.has(runner.key("rows"))
