"""Errors carry what the command line needs; argument checks name the argument."""

import numpy as np
import pytest

from layerblend.errors import (
    ArgumentError,
    InputError,
    LayerblendError,
    RecipeError,
    StoppedError,
    check_choice,
    check_image,
    check_range,
)


def test_exit_codes() -> None:
    assert (RecipeError.exit_code, InputError.exit_code, StoppedError.exit_code, LayerblendError.exit_code) == (2, 3, 4, 1)
    assert issubclass(ArgumentError, InputError)
    assert issubclass(ArgumentError, ValueError)


def test_errors_say_where() -> None:
    error = InputError("no", file="a.fits", line=3, key="frames.folder", code="short_file")
    assert (str(error), error.file, error.line, error.key, error.code) == ("no", "a.fits", 3, "frames.folder", "short_file")
    assert RecipeError("two faults", faults=["a", "b"]).faults == ("a", "b")


def test_range_names_the_argument() -> None:
    assert check_range("amount", 1, 0, 1) == 1.0
    with pytest.raises(ArgumentError, match=r"`amount` must lie in \[0, 1\], got 1.5"):
        check_range("amount", 1.5, 0, 1)
    with pytest.raises(ArgumentError, match=r"`keep` must lie in \(0, 1\]"):
        check_range("keep", 0, 0, 1, open_low=True)
    with pytest.raises(ArgumentError):
        check_range("amount", float("nan"), 0, 1)


def test_choice_lists_what_is_allowed() -> None:
    assert check_choice("mode", "screen", ("screen", "normal")) == "screen"
    with pytest.raises(ArgumentError, match="screen, normal"):
        check_choice("mode", "other", ("screen", "normal"))


def test_image_is_checked_and_not_copied_for_nothing() -> None:
    image = np.zeros((4, 5, 3), np.float32)
    assert check_image("image", image) is image
    assert check_image("image", image.astype(np.float64)).dtype == np.float32
    with pytest.raises(ArgumentError, match="floats"):
        check_image("image", np.zeros((4, 5), np.uint16))
    with pytest.raises(ArgumentError, match="shape"):
        check_image("image", np.zeros((4, 5, 4), np.float32))
    with pytest.raises(ArgumentError, match="shape"):
        check_image("image", image, colour=False)
