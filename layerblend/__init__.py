"""layerblend: tight stars, deep detail and quiet colour from one set of deep-sky frames, and the evidence whether it helps."""

from __future__ import annotations

import os
import sys
import tempfile
from importlib import import_module
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

try:
    __version__ = version("layerblend")
except PackageNotFoundError:
    __version__ = "unknown"

__all__ = [
    "blend",
    "combine_luminance",
    "compare",
    "deconvolve",
    "denoise_colour",
    "fit_curve",
    "flatten",
    "gate_stars",
    "grade_frames",
    "measure_psf",
    "nested_stacks",
    "ring_correlation",
    "run",
    "sharpen",
    "split_stars",
    "star_layer",
    "stretch",
    "unstretch",
    "white_balance",
]


def _give_compiled_code_a_place() -> None:
    """Where neither this package nor the user's cache can be written to, keep compiled code among the temporary files.

    Without a writable place numba stops. What lies there is run, so the folder must be the user's own and closed to others.
    """
    if os.environ.get("NUMBA_CACHE_DIR") or os.access(Path(__file__).parent, os.W_OK) or _writable(_user_cache()):
        return
    place = Path(tempfile.gettempdir()) / f"layerblend-{os.getuid() if hasattr(os, 'getuid') else 'compiled'}"
    try:
        place.mkdir(mode=0o700, exist_ok=True)
        about = place.lstat()
        own = not place.is_symlink() and about.st_mode & 0o077 == 0 and (not hasattr(os, "getuid") or about.st_uid == os.getuid())
    except OSError:
        own = False
    os.environ["NUMBA_CACHE_DIR"] = str(place) if own else tempfile.mkdtemp(prefix="layerblend-")
    if "numba" in sys.modules:  # it has read its settings already
        sys.modules["numba"].config.CACHE_DIR = os.environ["NUMBA_CACHE_DIR"]


def _user_cache() -> Path:
    return Path(os.environ.get("XDG_CACHE_HOME") or "~/.cache").expanduser()


def _writable(folder: Path) -> bool:
    """Whether a folder can be written to, or made."""
    there = next((place for place in (folder, *folder.parents) if place.exists()), folder)
    return os.access(there, os.W_OK)


_give_compiled_code_a_place()


def __getattr__(name: str) -> Any:
    """Public names are imported when they are first used, so that `import layerblend` is quick."""
    if name in __all__:
        return getattr(import_module("layerblend.api"), name)
    raise AttributeError(f"module 'layerblend' has no attribute {name!r}")


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
