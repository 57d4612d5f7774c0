"""How the rows count."""

from types import SimpleNamespace

import numpy as np
import pytest

from layerblend.steps.flatten.weighing import GALAXY_ERROR, precision_of


def test_the_weights_of_a_row_are_its_covariance_inverted() -> None:
    """Noise of its own in each channel, arms in all alike, and their colour."""
    light = np.array([[0.0, 0.0, 0.0], [3.0, 2.0, 1.0], [40.0, 50.0, 60.0]])
    problem = SimpleNamespace(error=np.array([0.05, 0.1, 0.2]), channels=3, arms=GALAXY_ERROR)
    got = precision_of(problem, light, np.ones((3, 3)), np.ones(3), 0.1)
    for row in range(3):
        own = problem.error[row] ** 2 + (0.1 * light[row]) ** 2
        covariance = np.diag(own) + (GALAXY_ERROR**2 - 0.1**2) * np.outer(light[row], light[row])
        assert got[row] @ covariance == pytest.approx(np.eye(3), abs=1e-6)
