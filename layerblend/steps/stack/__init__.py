"""Stack: nested stacks of registered frames in one pass, each sample judged once, among frames of similar seeing.

How a sample is judged. Frames are grouped into strata of similar seeing. Inside a stratum, at one pixel of one channel, the centre is the
exact median m and the scale is own = 1.4826 MAD (1 + 0.8/n), in units of a frame of ordinary noise (r = 1). The scale is steadied by the
pooled one of all strata and by a noise floor, and widened where seeing alone moves the values of a star, which is where the picture rises
above the lowest median a few star widths to the left and right; a galaxy is smooth, so trails across it stand out as on the sky:

    s^2 = max((n own^2 + 15 pool^2) / (n + 15), floor^2)        e = tolerance (m - lowest m nearby)
    a sample is kept while (x - m)^2 <= reject^2 (s^2 r^2 + e^2)

A stack of the best n frames is the running weighted sum after n frames in rank order, so that all stacks come out of one reading and agree
about every sample. Median and MAD as location and scale: Hampel 1974, JASA 69, 383; the 0.8/n correction and the pooling were measured on
simulated frames.
"""

from .rows import SATURATED_SHARE, Combined, StackOrder, combine_rows, matched_rows, noise_floor, saturated_share
from .sizes import CELL, NO_BLANK
from .strata import Strata, make_strata, star_reach

__all__ = [
    "CELL",
    "NO_BLANK",
    "SATURATED_SHARE",
    "Combined",
    "StackOrder",
    "Strata",
    "combine_rows",
    "make_strata",
    "matched_rows",
    "noise_floor",
    "saturated_share",
    "star_reach",
]
