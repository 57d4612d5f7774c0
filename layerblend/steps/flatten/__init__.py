"""Flatten: take the sky gradient away, each channel by itself, without taking the target with it."""

from .sky import Flattened, apply_sky, flatten, flattened_error

__all__ = ["Flattened", "apply_sky", "flatten", "flattened_error"]
