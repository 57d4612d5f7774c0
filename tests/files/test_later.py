"""Modules that are loaded late."""

from __future__ import annotations

import subprocess
import sys

import pytest

from layerblend.files.later import Later


def test_a_late_module_gives_what_the_module_has() -> None:
    late = Later("collections.abc")
    from collections.abc import Iterable

    assert late.Iterable is Iterable
    with pytest.raises(AttributeError):
        _ = late.nothing_of_the_kind


def test_the_python_interface_loads_without_the_reader_of_fits() -> None:
    code = "import sys, layerblend.api; print('astropy.io.fits' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
