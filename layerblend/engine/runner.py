"""Runs a graph: makes only what is asked for and not yet there, keeps it by key, and tells what would run and why."""

from __future__ import annotations

import json
import mmap
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ThreadPoolExecutor, wait
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Literal, NamedTuple

from layerblend.engine.graph import Graph, Node
from layerblend.engine.keys import canonical, node_key
from layerblend.engine.locks import Lock
from layerblend.engine.store import DamagedError, Packed, Store
from layerblend.engine.values import maps_in

# how long to wait before asking again whether another run has finished a node
_ASK_AGAIN_S = 0.1
# nodes handed out at one time: enough to keep the workers busy, few enough that a file just hashed is still in memory
AHEAD = 8
# results on their way to a slow disk: more than these would fill the memory
MOST_SAVING = 4
# steps that took longer may have read whole pictures
MAPPED_S = 0.1
_LONGEST_SHOWN = 40


class Event(NamedTuple):
    """What the runner tells while it works: a node started, finished (``seconds``), waits for another run, or was found damaged."""

    kind: Literal["started", "finished", "waiting", "damaged"]
    node: str
    seconds: float = 0.0


class Reason(NamedTuple):
    """One line of ``explain``: a node, whether its result is there, and why it would run."""

    node: str
    status: Literal["done", "would run"]
    why: str


Progress = Callable[[Event], None]


class Runner:
    """Gets results of a graph's nodes from the store, or makes them.

    Parameters
    ----------
    graph, store
        What to run and where results are kept.
    progress : callable, optional
        Called with an Event for every node that starts and finishes.
    executor : concurrent.futures.Executor, optional
        Where nodes marked ``parallel`` run, several at a time; without it they run here, one after the other.
    ahead : int
        How many of them are handed out at one time: about twice the number of workers.
    lanes : int
        How many other nodes are made at the same time, each in a thread of its own; 1 makes them here, one after the other. Nodes with a
        work folder see to their own workers and are always made here. With lanes, results are on their way to the disk while others go
        on with them: `settle` at the end.
    mapped : bool
        Large arrays from the store are mapped into memory instead of read, and what was kept lies in its file from then on: its memory
        serves what comes next.
    """

    def __init__(
        self,
        graph: Graph,
        store: Store,
        progress: Progress | None = None,
        *,
        executor: Executor | None = None,
        ahead: int = AHEAD,
        lanes: int = 1,
        mapped: bool = True,
    ) -> None:
        self.graph = graph
        self.store = store
        self.tell: Progress = progress or (lambda event: None)
        self.executor = executor
        self.ahead = ahead
        self.lanes = lanes
        self._mapped = mapped
        self._keys: dict[str, str] = {}
        self._file_keys: dict[Path, str] = {}
        self._values: dict[str, Any] = {}
        self._records: dict[str, dict[str, Any]] = {}
        self._saving: dict[str, _Saving] = {}
        self._saver = ThreadPoolExecutor(1) if lanes > 1 else None

    # ------------------------------------------------------------ results
    def get(self, name: str) -> Any:
        """The result of one node."""
        return self.get_all((name,))[name]

    def get_all(self, names: Iterable[str]) -> dict[str, Any]:
        """The results of several nodes, made together so that what they share is made once."""
        wanted = tuple(dict.fromkeys(names))
        for name in self.graph.upstream(*wanted):  # an unknown name is told before anything runs
            self.hold(name)
        try:
            while True:
                _Work(self, wanted).run()
                try:
                    results = {name: self.value(name) for name in wanted}
                except _Missing:
                    continue  # damaged in the store: make it again
                for name in self.graph.upstream(*wanted):
                    self._remember(self.graph[name])
                return results
        finally:
            self._values.clear()
            self.store.notes.remember_nodes(self._records)
            self._records.clear()

    def note(self, name: str) -> None:
        """Note that this is how a node was last made, though nobody asked for its result: what it became is in use. Its key is known."""
        self._remember(self.graph[name])
        self.store.notes.remember_nodes(self._records)
        self._records.clear()

    def settle(self) -> None:
        """Wait until everything made is kept. Raises what stood in the way, such as StoppedError when the disk is full."""
        for key in list(self._saving):
            self._wait_for(key)

    def abandon(self) -> None:
        """After trouble: what is not on disk yet need not get there."""
        if self._saver is not None:
            self._saver.shutdown(wait=False, cancel_futures=True)
        for saving in self._saving.values():
            saving.lock.release()
        self._saving.clear()

    def key(self, name: str) -> str:
        """The key of a node's result; original files are read if they are not known yet."""
        found = self.key_if_known(name, self.store.files.of)
        assert found is not None
        return found

    def key_if_known(self, name: str, file_key: Callable[..., str | None] | None = None) -> str | None:
        """The key, or None while it depends on a file whose content is not known yet."""
        if name in self._keys:
            return self._keys[name]
        ask = file_key or self.store.files.known
        node = self.graph[name]
        inputs = {needed: self.key_if_known(needed, file_key) for needed in node.needs}
        if None in inputs.values():
            return None
        files = [self._file_keys.get(path) or ask(path) for path in node.files]
        known = [file for file in files if file is not None]
        if len(known) < len(files):
            return None
        self._file_keys.update(zip(node.files, known, strict=True))
        self._keys[name] = node_key(node.step_name, node.version, node.settings, _input_keys(node, inputs), known)
        return self._keys[name]

    # ------------------------------------------------------------ explanation
    def explain(self, *names: str) -> list[Reason]:
        """For these nodes and all that they depend on: what is done, what would run, and why. Reads no file's content.

        Nodes that are not kept are left out where nothing that would run needs them. One that is asked for counts as done when all that
        it needs is there and it was made of the same when it was last made.
        """
        running: set[str] = set()
        open_names = list(names)
        while open_names:
            name = open_names.pop()
            if name not in running and not self._counts_as_done(name, asked=name in names):
                running.add(name)
                open_names += self.graph[name].needs
        reasons = []
        for name in self.graph.upstream(*names):
            if name in running:
                reasons.append(Reason(name, "would run", self._why(self.graph[name])))
            elif self._counts_as_done(name, asked=name in names):
                reasons.append(Reason(name, "done", ""))
        return reasons

    def _counts_as_done(self, name: str, *, asked: bool) -> bool:
        node = self.graph[name]
        if node.keep or not asked:
            return self.is_there(name)
        return all(self.is_there(needed) for needed in node.needs) and self._changes(node) == []

    def _why(self, node: Node) -> str:
        changes = self._changes(node)
        if changes is None:
            return "first time"
        if changes:
            return "; ".join(changes)
        if not node.keep:
            return "is not kept"
        return "its result is no longer in the store" if self.key_if_known(node.name) else "a file it depends on is new or changed"

    def _changes(self, node: Node) -> list[str] | None:
        """What differs from when the node was last made; None if it never was."""
        last = self.store.notes.last(node.name)
        if last is None:
            return None
        changes = _changed_settings(last["settings"], _plain(node.settings))
        if last["version"] != node.version or last["step"] != node.step_name:
            changes.insert(0, f"new version of the step ({last['version']} -> {node.version})")
        changes += self._changed_files(node, last["files"])
        changed = [name for name in node.needs if last["inputs"].get(name, "") != self.key_if_known(name)]
        return changes + ([f"input {_shortly(changed)} changed"] if changed else [])

    def _changed_files(self, node: Node, last: list[str]) -> list[str]:
        if not node.files:
            return []
        if len(last) != len(node.files):
            return [f"files {len(last)} -> {len(node.files)}"]
        changed = [path.name for path, key in zip(node.files, last, strict=True) if self.store.files.known(path) != key]
        return [f"{_shortly(changed)} new or changed"] if changed else []

    # ------------------------------------------------------------ for the work loop
    def is_there(self, name: str) -> bool:
        """Whether a result need not be made: it is in memory or in the store."""
        if name in self._values:
            return True
        key = self.key_if_known(name) if self.graph[name].keep else None
        if key is None:
            return False
        self._wait_for(key)
        return self.store.has(key)

    def hold(self, name: str) -> None:
        """See that the store does not throw out a result that others hold paths into, if it is there."""
        if self.graph[name].wants_folder and self.is_there(name):
            self.store.hold(self.key(name))

    def value(self, name: str) -> Any:
        """A result that is there; _Missing when it turns out to be damaged."""
        if name not in self._values:
            try:
                self._values[name] = self.store.load(self.key(name), mapped=self._mapped)
            except DamagedError:
                self.tell(Event("damaged", name))
                raise _Missing(name) from None
            except KeyError:  # thrown out by another run a moment ago
                raise _Missing(name) from None
        return self._values[name]

    def pack(self, node: Node, value: Any) -> Any:
        """A fresh result ready to be kept, if it is one to be kept. The one thing here that threads beside call."""
        return self.store.pack(self._keys[node.name], value, priority=node.priority) if node.keep else value

    def finish(self, node: Node, made: Any, lock: Lock, seconds: float) -> None:
        """Take in and keep what `pack` gave for a fresh result; its ``lock`` is released when it is kept."""
        self._remember(node)
        self._values[node.name] = made.value if node.keep else made
        if not node.keep:
            lock.release()
        elif self._saver is None:
            self._lies_in_file(node.name, _write(self.store, made, lock))
        else:
            self._saving[made.key] = _Saving(node.name, self._saver.submit(_write, self.store, made, lock), lock)
            if len(self._saving) > MOST_SAVING:
                self._wait_for(next(iter(self._saving)))
        if seconds > MAPPED_S:
            self.give_back_pages()
        self.tell(Event("finished", node.name, seconds))

    def raise_trouble(self) -> None:
        """Raise what stood in the way of keeping a result."""
        for key in [key for key, saving in self._saving.items() if saving.future.done()]:
            self._wait_for(key)

    def _wait_for(self, key: str) -> None:
        if key in self._saving:
            saving = self._saving.pop(key)
            self._lies_in_file(saving.node, saving.future.result())

    def give_back_pages(self) -> None:
        """Hand the system what steps have read of mapped inputs: it comes back from their files when it is touched again.

        Nothing is lost, for steps do not change what they are given. Does nothing where the system cannot be told (Windows).
        """
        if hasattr(mmap, "MADV_DONTNEED"):
            for mapped in (mapped for value in self._values.values() for mapped in maps_in(value)):
                mapped.madvise(mmap.MADV_DONTNEED)

    def _lies_in_file(self, name: str, kept: Any) -> None:
        if self._mapped and name in self._values:
            self._values[name] = kept

    def forget(self, needed: set[str]) -> None:
        """Let go of all results but these."""
        for name in set(self._values) - needed:
            del self._values[name]

    def _remember(self, node: Node) -> None:
        self._records[node.name] = {
            "step": node.step_name,
            "version": node.version,
            "settings": _plain(node.settings),
            "inputs": {name: self.key(name) for name in node.needs},
            "files": [self._file_keys[path] for path in node.files],
        }


class _Missing(Exception):  # noqa: N818  (a signal inside this module, no error)
    """A result is not there after all."""


class _Saving(NamedTuple):
    """The result of a node on its way to the disk."""

    node: str
    future: Future[Any]
    lock: Lock


def _write(store: Store, packed: Packed, lock: Lock) -> Any:
    with lock:
        return store.write(packed)


class _Task(NamedTuple):
    """A node that is being made beside this thread; ``packed``: what comes back is ready to be kept."""

    node: Node
    lock: Lock
    started: float
    packed: bool


class _Work:
    """One call of ``get``: a list of nodes to make, which grows by what they need, until it is empty."""

    def __init__(self, runner: Runner, wanted: tuple[str, ...]) -> None:
        self.runner = runner
        self.graph = runner.graph
        self.wanted = wanted
        # files not known yet come first: each is hashed, and its node made at once while the bytes are in memory
        self.unread = [name for name in self.graph.upstream(*wanted) if self._is_leaf(name) and runner.key_if_known(name) is None]
        self.todo: dict[str, None] = dict.fromkeys((*self.unread, *wanted))
        self.unread_above: dict[str, list[str]] = {}
        self.outside: dict[Future[Any], _Task] = {}
        self.told: set[str] = set()
        self.lanes = ThreadPoolExecutor(runner.lanes) if runner.lanes > 1 else None

    def run(self) -> None:
        """Work until nothing is left to do."""
        try:
            while self.todo or self.outside:
                moved = [self._step(name) for name in list(self.todo)]
                if self._collect(block=not any(moved)):
                    continue
                if not any(moved):
                    time.sleep(_ASK_AGAIN_S)
        finally:
            for future, task in self.outside.items():
                future.cancel()
                task.lock.release()
            if self.lanes is not None:
                self.lanes.shutdown(wait=False, cancel_futures=True)

    def _step(self, name: str) -> bool:
        """Bring one node on: True if anything changed."""
        if name not in self.todo:
            return False
        runner, node = self.runner, self.graph[name]
        if self._waits_for_files(name) or self._no_place(node):
            return False
        runner.key(name)  # reads this node's own files, if they are not known yet
        if runner.is_there(name):
            return self._done(name)
        missing = [needed for needed in node.needs if not runner.is_there(needed)]
        if missing:
            # what is not kept is quickly made, and would only lie in memory while the others are made
            missing = [needed for needed in missing if self.graph[needed].keep] or missing
            new = [needed for needed in missing if needed not in self.todo and not self._is_outside(needed)]
            self.todo = {**dict.fromkeys(new), **self.todo}
            return bool(new)
        return self._start(node)

    def _is_leaf(self, name: str) -> bool:
        node = self.graph[name]
        return bool(node.files) and not node.needs and node.keep

    def _waits_for_files(self, name: str) -> bool:
        """Whether this node depends on others whose files are still to be read."""
        if name not in self.unread_above:
            above = set(self.graph.upstream(name)) - {name}
            self.unread_above[name] = [unread for unread in self.unread if unread in above]
        return any(unread in self.todo for unread in self.unread_above[name])

    def _executor(self, node: Node) -> Executor | None:
        """Where a node is made; None for here."""
        if node.parallel and self.runner.executor is not None:
            return self.runner.executor
        return None if node.wants_folder else self.lanes

    def _no_place(self, node: Node) -> bool:
        """Whether the executor of this node is busy with as many nodes as it may have."""
        executor = self._executor(node)
        if executor is None:
            return False
        most = self.runner.lanes if executor is self.lanes else self.runner.ahead
        return sum(self._executor(task.node) is executor for task in self.outside.values()) >= most

    def _is_outside(self, name: str) -> bool:
        return any(task.node.name == name for task in self.outside.values())

    def _start(self, node: Node) -> bool:
        """Make a node whose inputs are there, unless another run is making it just now."""
        runner, key = self.runner, self.runner.key(node.name)
        lock = runner.store.try_lock(key) if node.keep or node.wants_folder else Lock(None, 0)
        if lock is None:
            self._tell_waiting(node)
            return False
        if runner.is_there(node.name):  # another run has just finished it
            lock.release()
            return self._done(node.name)
        try:
            places, keywords = node.arguments(runner.value)
            if node.wants_folder:
                keywords["folder"] = runner.store.work_folder(key)
            runner.tell(Event("started", node.name))
            started = time.monotonic()
            executor = self._executor(node)
            if executor is not None:
                packed = executor is self.lanes
                work = (self._make, node) if packed else (node.callable(),)
                self.outside[executor.submit(*work, *places, **keywords)] = _Task(node, lock, started, packed)
                del self.todo[node.name]
                return True
            with _named(node):
                made = self._make(node, *places, **keywords)
                del places, keywords
                runner.finish(node, made, lock, time.monotonic() - started)
        except _Missing:  # an input was damaged: the next round makes it again
            lock.release()
            return True
        except BaseException:
            lock.release()
            raise
        return self._done(node.name)

    def _make(self, node: Node, /, *places: Any, **keywords: Any) -> Any:
        return self.runner.pack(node, node.callable()(*places, **keywords))

    def _tell_waiting(self, node: Node) -> None:
        if node.name not in self.told:
            self.runner.tell(Event("waiting", node.name))
            self.told.add(node.name)

    def _collect(self, *, block: bool) -> bool:
        """Take in what the executor has finished; with ``block`` wait a moment for it."""
        self.runner.raise_trouble()
        if not self.outside:
            return False
        finished, _ = wait(self.outside, _ASK_AGAIN_S if block else 0, FIRST_COMPLETED)
        for future in finished:
            node, lock, started, packed = self.outside.pop(future)
            try:
                with _named(node):
                    made = future.result() if packed else self.runner.pack(node, future.result())
                    self.runner.finish(node, made, lock, time.monotonic() - started)
            except BaseException:
                lock.release()
                raise
            self._done(node.name)
        return bool(finished) or block

    def _done(self, name: str) -> bool:
        self.todo.pop(name, None)
        self.runner.hold(name)
        if not self.graph[name].parallel:  # there may be hundreds of those, and their results are small
            self.runner.forget(self._still_needed())
        return True

    def _still_needed(self) -> set[str]:
        """What must stay in memory: inputs of everything that is still to be made, and what was asked for."""
        needed = set(self.wanted)
        seen: set[str] = set()
        open_names = list(self.todo)
        while open_names:
            name = open_names.pop()
            needs = self.graph[name].needs
            if needs and name not in seen and not self.runner.is_there(name):  # frames, hundreds of them, need nothing
                seen.add(name)
                needed.update(needs)
                open_names += needs
        return needed


@contextmanager
def _named(node: Node) -> Iterator[None]:
    """Adds the node's name to an error that leaves it."""
    try:
        yield
    except BaseException as error:
        error.add_note(f"in the step {node.name!r}")
        raise


def _input_keys(node: Node, keys: Mapping[str, str | None]) -> Any:
    def of(entry: str | tuple[str, ...]) -> Any:
        return keys[entry] if isinstance(entry, str) else [keys[name] for name in entry]

    if isinstance(node.inputs, Mapping):
        return {argument: of(entry) for argument, entry in node.inputs.items()}
    return [of(name) for name in node.inputs]


def _plain(settings: Mapping[str, Any]) -> Any:
    return json.loads(canonical(settings))


def _changed_settings(old: Any, new: Any, key: str = "") -> list[str]:
    """'setting grain 0.5 -> 0.7' for every setting that differs, groups taken apart."""
    if isinstance(old, dict) and isinstance(new, dict):
        names = dict.fromkeys((*old, *new))
        return [line for n in names for line in _changed_settings(old.get(n, "not set"), new.get(n, "not set"), f"{key}.{n}" if key else n)]
    return [] if old == new else [f"setting {key} {_short(old)} -> {_short(new)}"]


def _short(value: Any) -> str:
    text = value if isinstance(value, str) else canonical(value)
    return text if len(text) <= _LONGEST_SHOWN else text[: _LONGEST_SHOWN - 3] + "..."


def _shortly(names: list[str]) -> str:
    return ", ".join(names) if len(names) <= 3 else f"{names[0]}, {names[1]} and {len(names) - 2} more"
