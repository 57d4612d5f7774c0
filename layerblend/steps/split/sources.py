"""What is fitted: the sources of a plane, and the star image over the picture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from layerblend.kinds import Array, Mask
from layerblend.steps.split.model import StarImage, field_basis, profile_radii

# Stars are fitted within so many FWHM, clipped ones so far outside their core.
FIT_REACH, CLIPPED_MARGIN = 1.7, 2.2
# Stars are drawn out to where they fall below this share of the noise.
LEAST_LIGHT = 0.04
LEAST_REACH, MOST_REACH = 2.0, 24.0


@dataclass
class Sources:
    """Every fitted source: ``geo`` (n, 7) as in `model.render`, ``peak`` (n,), ``blob`` (n,) radius of the clipped core, 0 without."""

    geo: Array
    peak: Array
    blob: Array

    def __len__(self) -> int:
        return len(self.peak)

    @property
    def x(self) -> Array:
        return self.geo[:, 0]

    @property
    def y(self) -> Array:
        return self.geo[:, 1]

    @property
    def clipped(self) -> Mask:
        """Stars with a clipped core."""
        return self.blob > 0


@dataclass
class Field:
    """The star image over the picture: ``terms`` (3, 6) of ln fwhm, e1, e2 as in `kinds.StarShape`, and the shared ``image``."""

    height: int
    width: int
    terms: Array
    image: StarImage

    @property
    def fwhm(self) -> float:
        """Width in the middle of the picture, px."""
        return float(np.exp(self.terms[0, 0]))

    def shapes(self, x: Array, y: Array) -> Array:
        """(n, 3): ln fwhm, e1, e2 at places."""
        shapes = field_basis(x, y, self.height, self.width) @ self.terms.T
        ratio = np.hypot(shapes[:, 1], shapes[:, 2])
        shapes[:, 1:] *= (np.minimum(ratio, 0.8) / np.maximum(ratio, 1e-12))[:, None]
        return shapes

    def refresh(self, geo: Array) -> None:
        """Write the field's shape into sources at their present places."""
        geo[:, 2:5] = self.shapes(geo[:, 0], geo[:, 1])
        geo[:, 5:7] = field_basis(geo[:, 0], geo[:, 1], self.height, self.width, 3)[:, 1:]

    def reach(self, peak: Array, sigma: float) -> Array:
        """(n,) px, radius within which a star is drawn."""
        falling = np.minimum.accumulate(self.image.profile[:-2])[::-1]
        far = self.fwhm * np.interp(LEAST_LIGHT * sigma / np.maximum(peak, sigma), falling, profile_radii()[-3::-1])
        return np.clip(far, LEAST_REACH * self.fwhm, MOST_REACH * self.fwhm)

    def fit_reach(self, blob: Array) -> Array:
        """(n,) px, radius within which a star is fitted."""
        return np.where(blob > 0, blob + CLIPPED_MARGIN * self.fwhm, FIT_REACH * self.fwhm)
