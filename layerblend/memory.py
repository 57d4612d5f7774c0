"""How much memory is free, and what becomes of freed memory where the C library can be told (glibc)."""

from __future__ import annotations

import ctypes

import psutil

TRIM_THRESHOLD, MMAP_THRESHOLD, ARENA_MAX = -1, -3, -8  # of mallopt(3)
LARGEST_KEPT, MOST_KEPT = 2**31 - 1, 500_000_000  # bytes: of one array, and free at the end of the heap


def available_memory() -> int:
    """Bytes that can be taken without others' having to be moved to the disk."""
    return int(psutil.virtual_memory().available)


def keep_freed_memory() -> None:
    """Let the C library keep freed arrays for the next ones.

    Left alone it hands every plane back to the system and gets it zeroed again: a fifth of the time of separating the stars.
    """
    try:
        told = ctypes.CDLL(None).mallopt
    except (OSError, AttributeError, TypeError):  # another C library
        return
    told(MMAP_THRESHOLD, LARGEST_KEPT)
    told(TRIM_THRESHOLD, MOST_KEPT)  # kept without a limit, 12 megapixels peaked half a gigabyte higher and were no faster
    told(ARENA_MAX, 1)  # an arena of a thread's own holds no whole picture


def give_back_freed_memory() -> None:
    """Hand the system what lies free, also between what is in use: after long work the heap has gaps of gigabytes."""
    try:
        trim = ctypes.CDLL(None).malloc_trim
    except (OSError, AttributeError, TypeError):
        return
    trim(0)
