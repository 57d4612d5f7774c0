"""Detail: deconvolution toward a narrower star image, sharpening, and the bending of bright cores.

Deconvolution and sharpening share one idea. A starlet coefficient is changed only as far as it stands above its noise, and above what
an error of the star image could make of its surroundings; everything else keeps the input's own coefficient (times ``grain`` where
deconvolution also calms the sky). What is admitted is held in `Gates`: with the gates frozen both are linear operators, so that half-sets
can be sent through exactly what the full stack went through.
"""

from layerblend.steps.detail.deconvolution import deconvolve, deconvolve_and_keep
from layerblend.steps.detail.gates import Gates, apply_gates
from layerblend.steps.detail.sharpening import bend_core, sharpen, sharpen_gates

__all__ = ["Gates", "apply_gates", "bend_core", "deconvolve", "deconvolve_and_keep", "sharpen", "sharpen_gates"]
