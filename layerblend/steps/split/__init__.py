"""Star separation: `split_stars` and what it returns."""

from layerblend.steps.split.whole import Split, split_stars

__all__ = ["Split", "split_stars"]
