"""What becomes of freed memory."""

import subprocess
import sys
from typing import Any

import pytest

from layerblend import memory

GAPS = """
import re, sys
import numpy as np
from layerblend.memory import give_back_freed_memory, keep_freed_memory

def resident():
    return int(re.search(r"VmRSS:\\s+(\\d+)", open("/proc/self/status").read())[1]) / 1e3

keep_freed_memory()
planes = [np.ones((1000, 1000), np.float32) for _ in range(100)]
last = planes[-1]
del planes
kept = resident()
give_back_freed_memory()
print(kept - resident())
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="told of glibc alone")
def test_gaps_in_the_heap_are_given_back() -> None:
    """Of a hundred planes of 4 MB the last is in use: the others lie below it."""
    said = subprocess.run([sys.executable, "-c", GAPS], capture_output=True, text=True, check=True)
    assert float(said.stdout) > 300


def test_another_c_library_is_left_as_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[Any] = []

    def none(name: Any) -> Any:
        asked.append(name)
        raise OSError

    monkeypatch.setattr(memory.ctypes, "CDLL", none)
    memory.keep_freed_memory()
    memory.give_back_freed_memory()
    assert asked  # it was looked for, and its absence is no trouble
