"""Results as plain JSON plus array files, and back: numbers, texts, lists, groups, arrays, records of known packages, paths.

Arrays are written as .npy (C order), which numpy maps into memory. What comes back equals what went in, types included; a record whose
fields have changed since does not come back at all, so that it is made again rather than filled with guesses.
"""

from __future__ import annotations

import base64
import importlib
import io
import mmap
from collections.abc import Callable, Iterator, Sequence
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np

TAG = "~"
# arrays up to this size stand in the JSON text itself: hundreds of small results are one file each instead of several
INLINE_BYTES = 2**15


class UnkeepableError(TypeError):
    """A value of a kind that the store does not keep."""


class UnreadableError(ValueError):
    """A stored value that cannot be put together again."""


class Writer:
    """Takes a value apart. ``arrays`` collects the arrays by number; paths and arrays that lie in ``folder`` stay there."""

    def __init__(self, folder: Path | None = None, packages: Sequence[str] = ("layerblend",)) -> None:
        self.folder = None if folder is None else folder.absolute()
        self.packages = tuple(packages)
        self.arrays: list[np.ndarray[Any, Any]] = []
        self.inside: list[str] = []

    def tree(self, value: Any) -> Any:
        """``value`` as JSON data; everything that JSON does not know is a group with a tag."""
        if value is None or isinstance(value, bool | str) or type(value) in (int, float):
            return value
        if isinstance(value, tuple) and hasattr(value, "_fields"):
            return {TAG: "named", "type": self._type_name(value), "items": [self.tree(item) for item in value]}
        if type(value) is list:
            return [self.tree(item) for item in value]
        if type(value) is tuple:
            return {TAG: "tuple", "items": [self.tree(item) for item in value]}
        if type(value) is dict:
            return self._group(value)
        if isinstance(value, frozenset | set):
            kind = "frozenset" if isinstance(value, frozenset) else "set"
            return {TAG: kind, "items": [self.tree(item) for item in sorted(value, key=repr)]}
        if isinstance(value, Path):
            return self._path(value)
        if isinstance(value, bytes):
            return {TAG: "bytes", "text": base64.b64encode(value).decode()}
        if is_dataclass(value) and not isinstance(value, type):
            return {
                TAG: "record",
                "type": self._type_name(value),
                "fields": {item.name: self.tree(getattr(value, item.name)) for item in fields(value)},
            }
        return self._numpy(value)

    def _group(self, value: dict[Any, Any]) -> Any:
        if all(isinstance(key, str) for key in value) and TAG not in value:
            return {key: self.tree(inner) for key, inner in value.items()}
        return {TAG: "dict", "items": [[self.tree(key), self.tree(inner)] for key, inner in value.items()]}

    def _path(self, value: Path) -> Any:
        if self.folder is not None and value.absolute().is_relative_to(self.folder):
            name = value.absolute().relative_to(self.folder).as_posix()
            self.inside.append(name)
            return {TAG: "inside", "name": name}
        return {TAG: "path", "text": str(value)}

    def _type_name(self, value: Any) -> str:
        kind = type(value)
        if not _is_known(kind.__module__, self.packages) or "<locals>" in kind.__qualname__:
            raise UnkeepableError(
                f"a {kind.__module__}.{kind.__qualname__} cannot be kept: its package is none of {', '.join(self.packages)}"
            )
        return f"{kind.__module__}:{kind.__qualname__}"

    def _numpy(self, value: Any) -> Any:
        import numpy as np

        if isinstance(value, np.generic) and not value.dtype.hasobject:
            return {TAG: "scalar", "dtype": value.dtype.str, "text": base64.b64encode(value.tobytes()).decode()}
        if isinstance(value, np.ndarray) and not value.dtype.hasobject and not isinstance(value, np.ma.MaskedArray):
            file = self._file_of(value)
            if file is not None:
                self.inside.append(file)
                return {TAG: "mapped", "name": file}
            if value.nbytes <= INLINE_BYTES and value.dtype.names is None:
                text = base64.b64encode(value.tobytes("C")).decode()
                return {TAG: "small", "dtype": value.dtype.str, "shape": list(value.shape), "text": text}
            self.arrays.append(np.asarray(value, order="C"))
            return {TAG: "array", "number": len(self.arrays) - 1}
        raise UnkeepableError(f"a {type(value).__module__}.{type(value).__qualname__} cannot be kept in the store")

    def _file_of(self, value: Any) -> str | None:
        """The .npy file in ``folder`` whose whole content ``value`` maps, so that it need not be written twice."""
        import numpy as np

        mapped = value
        while mapped is not None and not isinstance(mapped, np.memmap):
            mapped = getattr(mapped, "base", None)
        if mapped is None or self.folder is None or not mapped.filename or mapped.mode == "c":
            return None  # a copy-on-write map may differ from its file
        path = Path(str(mapped.filename)).absolute()
        if path.suffix != ".npy" or not path.is_relative_to(self.folder):
            return None
        while isinstance(getattr(mapped, "base", None), np.memmap):
            mapped = mapped.base
        mapped.flush()
        with open(path, "rb") as handle:
            if np.lib.format.read_magic(handle) != (1, 0):
                return None
            shape, fortran, dtype = np.lib.format.read_array_header_1_0(handle)
            start = handle.tell()
        whole = mapped.offset <= start and not fortran and shape == value.shape and dtype == value.dtype and value.flags.c_contiguous
        same_place = value.ctypes.data - mapped.ctypes.data == start - mapped.offset
        return path.relative_to(self.folder).as_posix() if whole and same_place else None


class Reader:
    """Puts a value together again; ``array`` gives an array by number, ``mapped`` one by the name of its file in ``folder``."""

    def __init__(
        self,
        array: Callable[[int], Any],
        mapped: Callable[[str], Any],
        folder: Path,
        packages: Sequence[str] = ("layerblend",),
    ) -> None:
        self._array, self._mapped, self._folder, self._packages = array, mapped, folder, tuple(packages)

    def value(self, tree: Any) -> Any:
        """The value of a tree; UnreadableError where it no longer fits the program."""
        if isinstance(tree, list):
            return [self.value(item) for item in tree]
        if not isinstance(tree, dict):
            return tree
        kind = tree.get(TAG)
        if kind is None:
            return {key: self.value(inner) for key, inner in tree.items()}
        try:
            made: Any = getattr(self, f"_make_{kind}")(tree)
        except (AttributeError, KeyError, TypeError) as error:
            raise UnreadableError(str(error)) from error
        return made

    def _items(self, tree: Any) -> list[Any]:
        return [self.value(item) for item in tree["items"]]

    def _make_tuple(self, tree: Any) -> Any:
        return tuple(self._items(tree))

    def _make_set(self, tree: Any) -> Any:
        return set(self._items(tree))

    def _make_frozenset(self, tree: Any) -> Any:
        return frozenset(self._items(tree))

    def _make_dict(self, tree: Any) -> Any:
        return {self.value(key): self.value(inner) for key, inner in tree["items"]}

    def _make_bytes(self, tree: Any) -> Any:
        return base64.b64decode(tree["text"])

    def _make_path(self, tree: Any) -> Any:
        return Path(tree["text"])

    def _make_inside(self, tree: Any) -> Any:
        return self._folder / tree["name"]

    def _make_array(self, tree: Any) -> Any:
        return self._array(tree["number"])

    def _make_mapped(self, tree: Any) -> Any:
        return self._mapped(tree["name"])

    def _make_small(self, tree: Any) -> Any:
        import numpy as np

        array = np.empty(tree["shape"], np.dtype(tree["dtype"]))
        if array.nbytes:
            array.reshape(-1).view("u1")[:] = np.frombuffer(base64.b64decode(tree["text"]), "u1")
        return array

    def _make_scalar(self, tree: Any) -> Any:
        import numpy as np

        return np.frombuffer(base64.b64decode(tree["text"]), np.dtype(tree["dtype"]))[0]

    def _make_record(self, tree: Any) -> Any:
        kind = self._type(tree["type"])
        values = {name: self.value(inner) for name, inner in tree["fields"].items()}
        if not is_dataclass(kind) or {item.name for item in fields(kind)} != set(values):
            raise UnreadableError(f"{tree['type']} has other fields now")
        # as it was, not as its constructor would make it today
        record = object.__new__(kind)
        for name, value in values.items():
            object.__setattr__(record, name, value)
        return record

    def _make_named(self, tree: Any) -> Any:
        kind: Any = self._type(tree["type"])
        items = self._items(tree)
        if len(kind._fields) != len(items):
            raise UnreadableError(f"{tree['type']} has other fields now")
        return kind(*items)

    def _type(self, name: str) -> type:
        module, _, qualified = name.partition(":")
        if not _is_known(module, self._packages):
            raise UnreadableError(f"{name} is of no known package")
        try:
            kind: Any = importlib.import_module(module)
            for part in qualified.split("."):
                kind = getattr(kind, part)
        except (ImportError, AttributeError) as error:
            raise UnreadableError(str(error)) from error
        if not isinstance(kind, type):
            raise UnreadableError(f"{name} is no type")
        return kind


def _is_known(module: str, packages: Sequence[str]) -> bool:
    return module.split(".", 1)[0] in packages


def maps_in(value: Any) -> Iterator[mmap.mmap]:
    """Every map of a file that an array in ``value`` lies in; one may come several times."""
    import numpy as np

    if isinstance(value, np.ndarray):
        while isinstance(value, np.ndarray):
            value = value.base
        if isinstance(value, mmap.mmap):
            yield value
    elif is_dataclass(value) and not isinstance(value, type):
        for item in fields(value):
            yield from maps_in(getattr(value, item.name))
    elif isinstance(value, list | tuple | dict):
        for inner in value.values() if isinstance(value, dict) else value:
            yield from maps_in(inner)


def array_head(array: Any) -> bytes:
    """The head of an .npy file for a C-ordered array."""
    import numpy as np

    head = io.BytesIO()
    np.lib.format.write_array_header_1_0(head, np.lib.format.header_data_from_array_1_0(array))
    return head.getvalue()
