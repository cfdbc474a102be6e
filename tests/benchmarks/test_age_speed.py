"""How long does it take to know the age and strength of every piece of a large log? Pieces are invented, seeded."""

import random
import time
from datetime import UTC, datetime, timedelta

import pytest

from inspector.workshop import Workshop

MOLDS = 50
POURS_OF_A_MOLD = 400


@pytest.fixture(scope="module")
def large(tmp_path_factory):
    """A workshop with 20,000 pieces of 50 molds, taken in from a spreadsheet."""
    rng = random.Random(20261125)
    lines = ["mold,poured_at,demolded_at,temperature_c,wet_cured_until_h,defects"]
    for day in range(POURS_OF_A_MOLD):
        for mold in range(MOLDS):
            poured_at = datetime(2022, 1, 1, 15, tzinfo=UTC) + timedelta(days=2 * day, minutes=mold % 7)
            demolded_at = poured_at + timedelta(hours=rng.choice([20, 24, 30, 44]))
            temperature_c, defects = rng.choice([10, 15, 18, 22]), rng.choice(["", "", "", "chip"])
            lines.append(f"mold-{mold},{poured_at.isoformat()},{demolded_at.isoformat()},{temperature_c},,{defects}")
    with Workshop.open(tmp_path_factory.mktemp("large")) as shop:
        began = time.perf_counter()
        imported = shop.import_pieces("\r\n".join(lines).encode(), name="pieces.csv").imported
        print(f"\nimport of {len(imported.piece_ids)} pieces: {time.perf_counter() - began:.1f} s")
        yield shop


def seconds(call):
    """The best of three: what the program takes, not what else the machine does."""
    taken = []
    for _ in range(3):
        began = time.perf_counter()
        call()
        taken.append(time.perf_counter() - began)
    return min(taken)


def test_ages_of_all_pieces(large):
    taken_s = seconds(large.curing.piece_ages)
    print(f"\nages of {MOLDS * POURS_OF_A_MOLD} pieces: {taken_s:.2f} s")
    assert taken_s < 2.0


def test_ages_of_one_mold(large):
    taken_s = seconds(lambda: large.curing.piece_ages(mold="mold-3"))
    print(f"\nages of {POURS_OF_A_MOLD} pieces of one mold: {taken_s:.3f} s")
    assert taken_s < 0.15
