import numpy as np
import pytest
from scipy.stats import norm

from inspector.risk.charts import average_run_length, running_sum, share_chart


def test_limits_are_those_of_the_handbook():
    # NIST/SEMATECH e-Handbook 6.3.3.2 and Montgomery, Statistical Quality Control: 30 samples of 50 (counts
    # from memory).
    lost = np.array([12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7,
                     13, 9, 6])  # fmt: skip
    total = np.full(30, 50)
    p = lost.sum() / total.sum()
    chart = share_chart(lost, total, expected=total * p, variance=total * p * (1 - p))
    assert p == pytest.approx(0.2313, abs=5e-5)
    assert chart.lower == pytest.approx(np.full(30, 0.0524), abs=1e-4)
    assert chart.upper == pytest.approx(np.full(30, 0.4102), abs=1e-4)
    assert list(np.flatnonzero(chart.share > chart.upper) + 1) == [15, 23]


def test_limits_are_wider_for_few_pieces_and_never_leave_zero_to_one():
    total = np.array([4, 400])
    chart = share_chart([0, 20], total, expected=0.05 * total, variance=0.05 * 0.95 * total)
    assert chart.upper[0] > 2 * chart.upper[1]
    assert chart.lower[0] == 0


@pytest.mark.parametrize(
    ("limit", "shift", "expected"),
    # Montgomery, Statistical Quality Control, run lengths of the two-sided sum with k = 1/2 (from memory): 168 and 465
    # without a shift, so twice that on one side; 8.38 and 10.4 for a shift of one standard deviation.
    [(4, 0, 336), (5, 0, 930), (4, 1, 8.38), (5, 1, 10.4)],
)
def test_average_run_length_is_that_of_the_textbook(limit, shift, expected):
    steps = norm.ppf((np.arange(1000) + 0.5) / 1000) + shift - 0.5
    run_length = average_run_length(steps, np.full(1000, 1e-3), limit=limit, states=150)
    assert run_length == pytest.approx(expected, rel=0.015)


def test_a_sound_mold_gives_false_alarms_as_seldom_as_stated():
    rng = np.random.default_rng(1)
    expected = rng.uniform(0.005, 0.1, 400)
    stated = running_sum(np.zeros(400, dtype=bool), expected, false_alarm_every=100.0)
    assert stated.false_alarm_every == pytest.approx(100, rel=0.05)
    lengths = []
    for _ in range(200):
        p = rng.choice(expected, 1000)
        alarm = running_sum(rng.random(1000) < p, expected=p, false_alarm_every=100.0).alarm
        lengths.append(alarm + 1)
    # The mean of 200 runs, whose standard deviation is about their mean, is known to 7 %.
    assert np.mean(lengths) == pytest.approx(100, rel=0.22)


def test_a_change_is_seen_and_its_beginning_found():
    rng = np.random.default_rng(2)
    expected = np.full(300, 0.04)
    lost = rng.random(300) < np.where(np.arange(300) < 200, 0.04, 0.3)
    running = running_sum(lost, expected)
    assert running.alarm is not None
    assert 200 <= running.alarm < 260
    assert 180 <= running.began <= 215
    assert (running.values >= 0).all()


def test_no_alarm_without_losses():
    running = running_sum(np.zeros(50, dtype=bool), np.full(50, 0.1))
    assert (running.alarm, running.began) == (None, None)


def test_without_pieces_there_is_nothing_to_see():
    running = running_sum(np.zeros(0, dtype=bool), np.zeros(0))
    assert (len(running.values), running.alarm) == (0, None)
    assert np.isfinite(running.limit)


@pytest.mark.parametrize("expected", [1e-9, 1e-4, 0.02, 0.5, 0.999])
def test_a_limit_is_found_whatever_is_to_be_lost(expected):
    running = running_sum(np.zeros(30, dtype=bool), np.full(30, expected))
    assert np.isfinite(running.limit)
    assert running.limit > 0
    assert running.alarm is None
