"""Colours of stars as a camera sees them: blackbody photon rates in three bands, and the temperature that belongs to B-V."""

from __future__ import annotations

import numpy as np

from layerblend.kinds import Array

# Middle of the red, green and blue bands of common cameras; each is taken 80 nm wide.
BANDS_NM = (600.0, 530.0, 460.0)
BAND_WIDTH_NM = 80.0
# Extinction by dust in these bands over that in V.
DUST_OVER_V = (0.907, 1.043, 1.252)
# h c / k, metre kelvin (CODATA 2018)
SECOND_RADIATION_M_K = 0.014387768775


def blackbody_rgb(kelvin: Array | float) -> Array:
    """Photon rates of a blackbody in red, green and blue, green = 1.

    Parameters
    ----------
    kelvin : (n,) or one temperature, K, above 0

    Returns
    -------
    (n, 3) float64

    References
    ----------
    Planck 1901, Annalen der Physik 309, 553: photon rate ~ 1 / (lambda^4 (exp(hc / lambda k T) - 1)).
    """
    temperature = np.atleast_1d(np.asarray(kelvin, np.float64))[:, None]
    rates = []
    for centre in BANDS_NM:
        metres = np.linspace(centre - BAND_WIDTH_NM / 2, centre + BAND_WIDTH_NM / 2, 17)[None] * 1e-9
        rates.append((1 / metres**4 / np.expm1(SECOND_RADIATION_M_K / (metres * temperature))).mean(1))
    rgb = np.stack(rates, 1)
    return rgb / rgb[:, 1:2]


def through_dust(rgb: Array, magnitudes: float) -> Array:
    """Colours as seen through interstellar dust, green = 1.

    Parameters
    ----------
    rgb : (n, 3)
    magnitudes : extinction in V, mag

    Returns
    -------
    (n, 3) float64

    References
    ----------
    Cardelli, Clayton & Mathis 1989, ApJ 345, 245, R_V = 3.1, at the middle of each band.
    """
    seen = np.asarray(rgb, np.float64) * 10 ** (-0.4 * magnitudes * np.array(DUST_OVER_V))
    return seen / seen[:, 1:2]


def kelvin_of_bv(bv: Array | float) -> Array:
    """Temperature of a star from its colour index B-V.

    Parameters
    ----------
    bv : magnitudes, -.4 to 2

    Returns
    -------
    float64 like ``bv``, K

    References
    ----------
    Ballesteros 2012, EPL 97, 34008, equation 14.
    """
    x = 0.92 * np.asarray(bv, np.float64)
    return 4600 * (1 / (x + 1.7) + 1 / (x + 0.62))
