"""A batch on both cores: run by ``make bench``. Each measurement in a process of its own, as a batch is."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="only Linux tells what is measured here")

ROOT = Path(__file__).parents[2]
LEAST_RATIO = 1.8
# Flat: the peaks of three processes together may still rise by as much, where memory comes back in pieces.
MOST_GROWTH_MB = 60


def measured(what):
    run = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.batch_rate", what],
        cwd=ROOT,
        check=True,
        capture_output=True,
        text=True,
    )
    return json.loads(run.stdout)


def test_two_workers_inspect_at_nearly_twice_the_rate_of_one_core():
    rate = measured("rate")
    print(f"\n{json.dumps(rate, indent=1)}")
    # By processor time, since other work takes from two workers what it leaves to one.
    assert rate["ratio_by_processor_time"] >= LEAST_RATIO
    if max(turn["load"] for turn in rate["turns"]) < 2.3:  # nothing but this ran
        assert rate["ratio"] >= LEAST_RATIO


def test_memory_stays_flat_over_500_photos():
    memory = measured("memory")["peak_mb"]
    print(f"\npeak memory after N photos, MB: {memory}")
    assert memory["500"] - memory["50"] < MOST_GROWTH_MB
    assert memory["500"] - memory["250"] < MOST_GROWTH_MB
