import numpy as np
import pytest

from inspector.risk.fragility import loss_probability, theta_from_tenth


def test_half_are_lost_to_age_at_theta():
    assert loss_probability(0.3, theta=0.3, beta=0.25, floor=0.0) == pytest.approx(0.5)
    assert loss_probability(0.3, theta=0.3, beta=0.25, floor=0.2) == pytest.approx(0.2 + 0.8 * 0.5)


def test_one_in_ten_is_lost_to_age_at_a_tenth():
    theta = theta_from_tenth(0.4, beta=0.3)
    assert loss_probability(0.4, theta=theta, beta=0.3, floor=0.0) == pytest.approx(0.1)


def test_the_loss_never_rises_with_strength_and_ends_at_the_floor():
    losses = loss_probability(np.linspace(0, 3, 200), theta=0.3, beta=0.2, floor=0.03)
    assert losses[0] == 1
    assert (np.diff(losses) <= 0).all()
    assert losses[-1] == pytest.approx(0.03, abs=1e-9)
