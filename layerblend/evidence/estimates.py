"""Values with what their error bars are made of, and the error of a difference between two results measured on the same units."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from layerblend.errors import InputError
from layerblend.evidence.correlation import HalfSpectra, band_difference_variance, contrast_variance
from layerblend.kinds import Array
from layerblend.maths.robust import MAD_TO_SIGMA

NORMAL_95 = 1.959963984540054  # of the normal distribution, to both sides


class CannotMeasureError(InputError):
    """A measure lacks what it needs; the sentence says what."""


@dataclass(frozen=True)
class Estimate:
    """A value and, per unit, how much that unit pulls it: the error is the mean of ``influence`` over the units.

    ``influence`` is (n,), in the value's unit, in an order that both results share; ``extra``: variance that no unit carries, such as that
    of a count of rare pixels.
    """

    value: float
    influence: Array = field(repr=False)
    extra: float = 0.0

    @property
    def variance(self) -> float:
        """Variance of the value from the scatter of its units."""
        return float(np.var(self.influence, ddof=1) / len(self.influence)) + self.extra


@dataclass(frozen=True)
class BandEstimate:
    """SNR or contrast in a band of frequencies; its error is worked out from both results' spectra."""

    value: float
    spectra: HalfSpectra = field(repr=False)
    low: float
    high: float
    contrast: bool

    @property
    def variance(self) -> float:
        """Variance of the value, worked out from its spectra."""
        variances = contrast_variance if self.contrast else band_difference_variance
        return variances(self.spectra, self.spectra, self.low, self.high)[0]

    def stands_out(self, z: float) -> bool:
        """Whether the detail rises above the noise by ``z`` standard errors of its power.

        Contrast is the root of a power, whose relative error is twice that of the root.
        """
        return self.value > (2 if self.contrast else 1) * z * float(np.sqrt(self.variance))


@dataclass(frozen=True)
class PlaceEstimate:
    """A value at the worst of many places. ``sure``: how far noise alone brings it at any place, which is the half width of its interval
    at 95 %; ``place``: x, y in px; ``hue``: toward which colour; ``extent``: px, how wide it is.
    """

    value: float
    sure: float
    place: tuple[float, float]
    hue: str
    extent: float


AnyEstimate = Estimate | BandEstimate | PlaceEstimate


@dataclass(frozen=True)
class PairError:
    """Variances of a and b and their covariance; ``freedom``: degrees of freedom of the interval (inf = normal)."""

    a: float
    b: float
    covariance: float
    freedom: float

    @property
    def difference(self) -> float:
        """Standard error of a - b."""
        return float(np.sqrt(max(self.a + self.b - 2 * self.covariance, 0.0)))

    @property
    def total(self) -> float:
        """Standard error of a + b."""
        return float(np.sqrt(max(self.a + self.b + 2 * self.covariance, 0.0)))


def pair_error(a: AnyEstimate, b: AnyEstimate) -> PairError:
    """How far the difference of two estimates on the same units can be trusted."""
    if isinstance(a, PlaceEstimate) and isinstance(b, PlaceEstimate):
        first, second = ((e.sure / NORMAL_95) ** 2 for e in (a, b))
        return PairError(first, second, 0.0, np.inf)
    if isinstance(a, BandEstimate) and isinstance(b, BandEstimate):
        variances = contrast_variance if a.contrast else band_difference_variance
        return PairError(*variances(a.spectra, b.spectra, a.low, a.high), np.inf)
    assert isinstance(a, Estimate) and isinstance(b, Estimate)
    n = len(a.influence)
    together = np.cov(np.stack([a.influence, b.influence])) / n
    return PairError(float(together[0, 0]) + a.extra, float(together[1, 1]) + b.extra, float(together[0, 1]), n - 1)


# ---------------------------------------------------------------- estimates from per-unit values
def mean_estimate(values: Array) -> Estimate:
    """Plain mean of per-unit values."""
    values = np.asarray(values, float)
    return Estimate(float(values.mean()), values - values.mean())


def trimmed_estimate(values: Array, *, cut: float = 0.1) -> Estimate:
    """Mean without the lowest and highest tenth; influences are the winsorised values (Tukey & McLaughlin 1963)."""
    values = np.asarray(values, float)
    low, high = np.quantile(values, [cut, 1 - cut])
    inside = values[(values >= low) & (values <= high)]
    held = np.clip(values, low, high)
    return Estimate(float(inside.mean()), (held - held.mean()) / (1 - 2 * cut))


def ratio_estimate(above: Array, below: Array) -> Estimate:
    """Sum over units of ``above`` over sum of ``below``."""
    ratio = float(above.sum() / below.sum())
    return Estimate(ratio, (above - ratio * below) / below.mean())


def scatter_estimate(values: Array, tiles: Array, count: int) -> Estimate:
    """Robust sd (1.4826 MAD) of all values, with the pull of each tile on it.

    The influence of a sample on a median absolute deviation m is (share within m - 1/2) over the density at m.
    """
    size = np.abs(values - np.median(values))
    m = float(np.median(size))
    if m <= 0:
        return Estimate(0.0, np.zeros(count))
    density = np.mean((size > 0.85 * m) & (size <= 1.15 * m)) / (0.3 * m)
    number = np.bincount(tiles, minlength=count)
    within = np.bincount(tiles, size <= m, minlength=count)
    pull = (0.5 * number - within) * (count / len(values)) / max(density, 1e-12)
    return Estimate(MAD_TO_SIGMA * m, MAD_TO_SIGMA * (pull - pull.mean()))


def power_estimate(values: Array, tiles: Array, count: int, *, cut: float = 0.1) -> Estimate:
    """Root mean square, of tiles without the quietest and noisiest tenth.

    A median of sizes tells nothing where most values are next to 0 and some are not, as in a calmed sky: there it says .06 where the
    square says .7.
    """
    power = np.bincount(tiles, values.astype(float) ** 2, count) / np.maximum(np.bincount(tiles, minlength=count), 1)
    mean = trimmed_estimate(power, cut=cut)
    root = float(np.sqrt(mean.value))
    return Estimate(root, mean.influence / (2 * root)) if root > 0 else Estimate(0.0, np.zeros(count))


def joined_estimate(first: Estimate, second: Estimate) -> Estimate:
    """Root of the sum of squares of two scatters on the same tiles (a* and b* into chroma noise)."""
    value = float(np.hypot(first.value, second.value))
    if value == 0:
        return Estimate(0.0, np.zeros_like(first.influence))
    return Estimate(value, (first.value * first.influence + second.value * second.influence) / value)


def spread_estimate(values: Array) -> Estimate:
    """Standard deviation of the units' values; influences by leaving out one unit at a time, which stays honest for few units."""
    n = len(values)
    square = (values - values.mean()) ** 2
    total = square.sum()
    sd = float(np.sqrt(total / (n - 1)))
    without = np.sqrt(np.maximum(total - n / (n - 1) * square, 0) / (n - 2))  # leaving out one unit lowers the sum by n/(n-1) of its square
    pull = (n - 1) * (without.mean() - without)
    return Estimate(sd, pull)
