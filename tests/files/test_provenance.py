"""Provenance: hashes, versions, strict JSON."""

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from layerblend.errors import InputError
from layerblend.files.provenance import hash_file, provenance, versions, write_json


def test_hash_is_sha256_of_the_bytes(tmp_path: Path) -> None:
    # FIPS 180-4 example: the three letters "abc"
    (tmp_path / "a").write_bytes(b"abc")
    assert hash_file(tmp_path / "a") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"gone\.fits cannot be read"):
        hash_file(tmp_path / "gone.fits")


def test_versions_name_what_makes_pixels() -> None:
    found = versions()
    assert found["numpy"] == np.__version__
    assert {"layerblend", "python", "system", "tifffile"} <= set(found)


def test_known_hashes_are_not_computed_again(tmp_path: Path) -> None:
    frame = tmp_path / "größe.fits"
    frame.write_bytes(b"abc")
    made = provenance(recipe={"target": "x"}, inputs=[frame], hashes={str(frame): "known"}, words=["a word"])
    assert made["inputs"] == [{"file": str(frame), "bytes": 3, "sha256": "known"}]
    assert made["recipe"] == {"target": "x"}
    assert made["words"] == ["a word"]


@dataclass
class Measured:
    fwhm: float
    tiles: np.ndarray


def test_json_is_strict_and_takes_arrays_and_records(tmp_path: Path) -> None:
    data = {"a": np.float32(0.5), "b": np.nan, "c": Measured(2.5, np.arange(3)), "path": Path("x"), "set": {2, 1}, "t": True, "n": None}
    write_json(tmp_path / "out" / "p.json", data)
    text = (tmp_path / "out" / "p.json").read_text(encoding="utf-8")
    read = json.loads(text, parse_constant=lambda name: pytest.fail(f"{name} is no JSON"))
    assert read == {"a": 0.5, "b": None, "c": {"fwhm": 2.5, "tiles": [0, 1, 2]}, "path": "x", "set": [1, 2], "t": True, "n": None}
