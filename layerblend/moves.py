"""A finished file takes its name in one move, also where another program looks at it for a moment."""

from __future__ import annotations

import os
import time
from pathlib import Path

IMPATIENT = os.name != "nt"
"""Elsewhere nothing that reads a file keeps it from being replaced: what is refused once is refused for good."""
WAITS_S = (0.05, 0.1, 0.2, 0.4, 0.8)


def take_name(part: Path, path: Path) -> None:
    """Move ``part`` to ``path``, in place of what is there.

    Windows refuses while any program has either of them open, and virus scanners, indexers and cloud folders open every fresh file: asked
    again for one and a half seconds before OSError is raised.
    """
    for wait in () if IMPATIENT else WAITS_S:
        try:
            part.replace(path)
        except PermissionError:
            time.sleep(wait)
        else:
            return
    part.replace(path)


def held_words(error: OSError, path: Path) -> str:
    """What else to say of a file that may not be replaced: " A program may hold it open ..." or nothing."""
    if not isinstance(error, PermissionError) or not path.exists():
        return ""
    return f" Another program may hold it open: close {path.name} there, then run again."
