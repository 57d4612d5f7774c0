"""The demo's simulator: an invented target with known truth, and the frames that an invented camera takes of it in four nights.

``load_scenario`` -> ``simulate_truth`` -> ``simulate_frames``; ``truth_images`` gives what should come out.
"""

from layerblend.demo.camera import Exposures, FramePlan, frame_plan, simulate_frames
from layerblend.demo.scenario import Scenario, load_scenario
from layerblend.demo.truth import Truth, simulate_truth, truth_images

__all__ = [
    "Exposures", "FramePlan", "Scenario", "Truth", "frame_plan", "load_scenario", "simulate_frames", "simulate_truth", "truth_images",
]  # fmt: skip
