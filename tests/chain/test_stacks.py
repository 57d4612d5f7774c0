"""Finished stacks: of one file or three, of others or our own."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from layerblend.chain.layers import star_shape
from layerblend.chain.light import Brightness, find_white, linear_picture
from layerblend.chain.stacks import finished_stack
from layerblend.chain.writing import cover_of
from layerblend.errors import InputError
from layerblend.files.stacks import open_stack
from layerblend.kinds import Stack
from layerblend.stacking import build_stacks
from tests.scenes.frames import simulate, true_table, write_frames
from tests.scenes.layers import WHITE, as_stack, no_sky, star_field, write


def test_three_mono_files_become_one_colour_stack(tmp_path: Path) -> None:
    planes = [star_field(mono=True, seed=s) for s in range(3)]
    paths = [write(tmp_path, f"{c}.fits", plane) for c, plane in zip("rgb", planes, strict=True)]
    stack = finished_stack(paths, white_level=None)
    np.testing.assert_array_equal(stack.mean, np.stack(planes, -1))
    assert ("TELESCOP", "north", "") in stack.cards


def test_three_mono_stacks_made_here_keep_their_maps_and_halves(tmp_path: Path) -> None:
    own = []
    for k, frames in enumerate((6, 7, 8)):
        scene = simulate(frames, channels=1, seed=k)
        write_frames(scene, tmp_path / f"frames{k}")
        own.append(build_stacks(true_table(scene), {"all": 1.0}, folder=tmp_path / f"{k}")["all"])
    stack, parts = finished_stack(own, white_level=None), [open_stack(path) for path in own]
    for name in ("mean", "stderr", "count", "rejected"):
        joined = getattr(stack, name)
        assert joined.dtype.isnative
        np.testing.assert_array_equal(joined, np.stack([getattr(part, name) for part in parts], -1))
    assert stack.halves is not None and stack.saturated is not None
    np.testing.assert_array_equal(stack.halves[1][..., 2], parts[2].halves[1])
    assert stack.n_frames == 6 and stack.saturated.shape == stack.mean.shape[:2]
    assert cover_of(linear_picture(stack, no_sky(stack.mean), WHITE, Brightness()), stack).common.mean() > 0.9


def test_files_of_different_size_or_colour_are_refused(tmp_path: Path) -> None:
    r, small = write(tmp_path, "r.fits", star_field(mono=True)), write(tmp_path, "g.fits", star_field(mono=True)[:60])
    colour = write(tmp_path, "b.fits", star_field())
    for paths in ([r, small, r], [colour, r, r]):
        with pytest.raises(InputError, match="mono pictures of one size") as caught:
            finished_stack(paths, white_level=None)
        assert "160 x 120" in str(caught.value)


def test_a_stack_of_others_with_too_few_stars_may_be_stretched_and_one_of_ours_is_not() -> None:
    dark = np.random.default_rng(3).normal(0, 1e-3, (60, 80, 3)).astype(np.float32)
    own = as_stack(dark, halves=(dark, dark))
    other = Stack(mean=dark, files=("/my/all.tif",))
    for find in (
        lambda stack: star_shape(dark, stack),
        lambda stack: find_white(stack, no_sky(dark), source="stars", catalogue=None),
    ):
        with pytest.raises(InputError, match=r"If all\.tif was stretched already") as caught:
            find(other)
        assert caught.value.file == "/my/all.tif"
        with pytest.raises(InputError) as caught:
            find(own)
        assert "stretched" not in str(caught.value)
