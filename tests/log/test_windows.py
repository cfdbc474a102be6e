from datetime import UTC, datetime, timedelta

import pytest

from inspector import log
from inspector.errors import InputError
from inspector.log import MoldSetting, Window

WINDOW = Window(
    mold="heron",
    mix="grey",
    temperature_degc=18.0,
    earliest_h=30.0,
    latest_h=None,
    cheapest_h=36.0,
    earliest_fraction=0.42,
    latest_fraction=None,
    cheapest_fraction=0.46,
    enough_evidence=True,
    evidence={"pieces": 40, "lost": 2, "theta": {"mean": 0.3, "low": 0.25, "high": 0.36}},
)
MAY, JUNE = datetime(2026, 5, 10, tzinfo=UTC), datetime(2026, 6, 10, tzinfo=UTC)


def test_a_mold_without_a_word_has_the_defaults(stocked):
    setting = log.find_mold_setting(stocked, "heron")
    assert setting == MoldSetting("heron")
    assert (setting.target_loss, setting.piece_cost, setting.set_at) == (0.05, None, None)


def test_the_latest_setting_counts(stocked):
    first = {"target_loss": 0.1, "piece_cost": 4.5, "mold_hour_cost": 0.2, "turnaround_h": 2.0}
    log.add_mold_setting(stocked, mold="heron", **first)
    second = log.add_mold_setting(stocked, mold="heron", **{**first, "target_loss": 0.02})
    assert log.find_mold_setting(stocked, "heron") == second
    assert (second.target_loss, second.piece_cost) == (0.02, 4.5)
    assert log.list_mold_settings(stocked) == {"finial": MoldSetting("finial"), "heron": second}


def test_windows_are_kept_with_their_evidence_in_order(stocked):
    later = Window(**{**{name: getattr(WINDOW, name) for name in WINDOW.__slots__}, "earliest_h": 26.0})
    (first,) = log.add_window_changes(stocked, [WINDOW], at=MAY)
    (second,) = log.add_window_changes(stocked, [later], at=JUNE)
    assert log.list_window_changes(stocked, "heron") == (first, second)
    assert (first.at, first.window) == (MAY, WINDOW)
    assert log.latest_windows(stocked) == {"heron": second}
    assert log.list_window_changes(stocked, "finial") == ()


def test_windows_are_written_all_or_none(stocked):
    unknown = Window(**{**{name: getattr(WINDOW, name) for name in WINDOW.__slots__}, "mold": "hron"})
    with pytest.raises(InputError, match="no mold hron"):
        log.add_window_changes(stocked, [WINDOW, unknown], at=MAY)
    assert log.list_window_changes(stocked, "heron") == ()


def test_a_setting_of_an_unknown_mold_is_refused(stocked):
    with pytest.raises(InputError, match="no mold hron"):
        log.find_mold_setting(stocked, "hron")


def test_late_windows_are_told_with_the_one_before(stocked):
    of_finial = Window(**{**{name: getattr(WINDOW, name) for name in WINDOW.__slots__}, "mold": "finial", "mix": None})
    log.add_window_changes(stocked, [WINDOW], at=MAY)
    (before,) = log.add_window_changes(stocked, [WINDOW], at=MAY + timedelta(days=1))
    latest, only = log.add_window_changes(stocked, [WINDOW, of_finial], at=JUNE)
    assert log.list_late_windows(stocked, since=JUNE) == ((before, latest), (only,))
    assert log.list_late_windows(stocked, since=JUNE + timedelta(days=1)) == ()
    assert log.latest_windows(stocked, molds={"finial"}) == {"finial": only}
