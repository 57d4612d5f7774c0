"""A finished file takes its name in one move, also where another program looks at it for a moment; what to do where it cannot."""

from __future__ import annotations

import os
import time
from pathlib import Path

ON_WINDOWS = os.name == "nt"
"""Elsewhere nothing that reads a file keeps it from being replaced: what is refused once is refused for good."""
WAITS_S = (0.05, 0.1, 0.2, 0.4, 0.8)
LONGEST_PATH = 259
"""Characters that Windows takes unless it was told to take more; it says of a longer path that it is not there."""


def take_name(part: Path, path: Path) -> None:
    """Move ``part`` to ``path``, in place of what is there.

    Windows refuses while any program has either of them open, and virus scanners, indexers and cloud folders open every fresh file: asked
    again for one and a half seconds before OSError is raised.
    """
    for wait in WAITS_S if ON_WINDOWS else ():
        try:
            part.replace(path)
        except PermissionError:
            time.sleep(wait)
        else:
            return
    part.replace(path)


def mend_words(error: OSError, path: Path) -> str:
    """What to do where ``path`` was refused, a sentence with a space before it: close who holds it open, or take a shorter path."""
    if isinstance(error, PermissionError) and path.exists():
        return f" Another program may hold it open: close {path.name} there, then run again."
    length = max(len(str(name)) for name in (path, error.filename or "", getattr(error, "filename2", None) or ""))
    if ON_WINDOWS and isinstance(error, FileNotFoundError) and length > LONGEST_PATH:
        return (
            f" The path is too long for Windows ({length} characters, at most {LONGEST_PATH}): move the recipe to a folder nearer the top."
        )
    return ""
