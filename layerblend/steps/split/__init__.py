"""Star separation: `split_stars` and what it returns."""

from layerblend.steps.split.whole import LEAST_FWHM, Split, split_stars, untouched

__all__ = ["LEAST_FWHM", "Split", "split_stars", "untouched"]
