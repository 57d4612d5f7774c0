"""Flatten: take the sky gradient away, each channel by itself, without taking the target with it."""

from .borders import dim_border, repeated_border
from .sky import Flattened, apply_sky, flatten, flattened_error

__all__ = ["Flattened", "apply_sky", "dim_border", "flatten", "flattened_error", "repeated_border"]
