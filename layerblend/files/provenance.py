"""Where a result comes from: versions, inputs by content and the complete recipe, as JSON."""

from __future__ import annotations

import hashlib
import json
import math
import platform
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields, is_dataclass
from importlib import metadata
from pathlib import Path
from typing import Any

import numpy as np

from layerblend.errors import InputError
from layerblend.files.whole import write_bytes

SCHEMA = 1
RECORD = "provenance.json"  # in a result folder
PACKAGES = (
    "numpy", "scipy", "astropy", "opencv-python-headless", "numba", "pydantic", "tifffile", "imagecodecs", "pillow",
)  # fmt: skip


def hash_file(path: str | Path) -> str:
    """sha256 of a file's bytes, as hexadecimal digits."""
    try:
        with open(path, "rb") as handle:
            return hashlib.file_digest(handle, "sha256").hexdigest()
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror}.", file=path) from error


def versions() -> dict[str, str]:
    """Versions of layerblend, Python, the system and the packages that make pixels."""
    found = {"layerblend": _version("layerblend"), "python": platform.python_version(), "system": platform.platform()}
    return found | {name: _version(name) for name in PACKAGES}


def _version(package: str) -> str:
    try:
        return metadata.version(package)
    except metadata.PackageNotFoundError:
        return "unknown"


def provenance(
    *,
    recipe: Mapping[str, Any],
    inputs: Iterable[str | Path],
    hashes: Mapping[str, str] | None = None,
    words: Sequence[str] = (),
) -> dict[str, Any]:
    """What a result was made from, as one plain dict.

    Parameters
    ----------
    recipe : the complete recipe with every default
    inputs : files that were read; each is listed with its size and sha256
    hashes : sha256 by path for files hashed before (600 frames need not be read again)
    words : anything said about the result
    """
    known = hashes or {}
    listed = [{"file": str(path), "bytes": Path(path).stat().st_size, "sha256": known.get(str(path)) or hash_file(path)} for path in inputs]
    return {
        "schema": SCHEMA,
        "versions": versions(),
        "recipe": dict(recipe),
        "inputs": listed,
        "words": list(words),
    }


def read_record(folder: Path) -> dict[str, Any]:
    """The record of a result folder; nothing where it is missing or damaged."""
    try:
        record = json.loads((folder / RECORD).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return record if isinstance(record, dict) else {}


def write_json(path: str | Path, data: Any) -> None:
    """Write data as JSON, whole or not at all; NaN and infinite numbers become null, as JSON knows none."""
    text = json.dumps(plain_data(data), indent=2, ensure_ascii=False, allow_nan=False)
    write_bytes(path, (text + "\n").encode("utf-8"))


def plain_data(value: Any) -> Any:
    """Records, arrays and paths as plain JSON data; NaN and infinite numbers become None."""
    if is_dataclass(value) and not isinstance(value, type):
        value = {field.name: getattr(value, field.name) for field in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain_data(inner) for key, inner in value.items()}
    if isinstance(value, np.ndarray | np.generic):
        return plain_data(value.tolist())
    if isinstance(value, list | tuple | set | frozenset):
        return [plain_data(inner) for inner in (sorted(value) if isinstance(value, set | frozenset) else value)]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or isinstance(value, bool | int | str):
        return value
    return str(value)
