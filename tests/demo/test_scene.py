"""The simulator as a whole."""

import numpy as np

from layerblend.demo.scene import Exposures, frame_plan, load_scenario, simulate_frames, simulate_truth, truth_images
from layerblend.demo.truth import sky_light


def test_the_mean_of_clear_frames_is_the_blurred_truth() -> None:
    scenario = load_scenario()
    truth = simulate_truth(scenario, (240, 160), 2)
    images = truth_images(truth)
    clear = [plan for plan in frame_plan(scenario, 48, 2) if plan.night == 0 and plan.eccentricity < 0.75][:8]
    exposures = Exposures(scenario, truth, 2)
    frames = np.array([np.moveaxis(exposures.take(plan)[:, ::-1], 0, -1) for plan in clear])
    sky = np.mean([sky_light(scenario.nights[0], 160, 240, hour_share=plan.hour_share) for plan in clear], axis=0) * truth.unit
    box = np.s_[64:96, 100:132]  # the galaxy's middle, far from bright stars
    found = (frames.mean(0) / 65535 - sky)[box].mean((0, 1))
    there = (images["starless"] + images["stars"])[box].mean((0, 1)) * np.mean([plan.transparency for plan in clear])
    np.testing.assert_allclose(found, there, rtol=0.1)


def test_frames_come_with_names_planes_and_cards() -> None:
    scenario = load_scenario()
    truth = simulate_truth(scenario, (96, 64), 1)
    names = []
    for name, planes, cards in simulate_frames(scenario, truth, 5, 1):
        names.append(name)
        assert planes.shape == (3, 64, 96)
        assert {"EXPTIME", "DATE-OBS", "GAIN", "FILTER", "ROWORDER", "XPIXSZ", "FOCALLEN", "CTYPE1"} <= {card[0] for card in cards}
    assert names == sorted(names)
    assert all(name.endswith(".fits") for name in names)
