from datetime import UTC, datetime, timedelta

import pytest

from inspector.errors import InputError
from inspector.log import MoldPour, NotedDefect, ReleaseAgents, Window, WindowChange
from inspector.workshop import Month, PieceAge, Workshop, losses
from inspector.workshop.loss_comparison import compare_pieces, find_changes
from inspector.workshop.lost import Loss
from inspector.workshop.shop_evidence import KnownPiece
from tests.doubles.past_pours import past_pour

FIRST = datetime(2026, 1, 5, 8, tzinfo=UTC)
NOW = datetime(2026, 6, 1, tzinfo=UTC)
SOAP = ReleaseAgents("soft soap", ())


def pour(day, *, mix="grey", wet_until_h=None):
    return MoldPour(FIRST + timedelta(days=day), mix, wet_until_h)


def window(day, earliest_h):
    kept = Window(
        mold="heron", mix="grey", temperature_degc=20.0, earliest_h=earliest_h, latest_h=50.0, cheapest_h=40.0,
        earliest_fraction=0.4, latest_fraction=0.5, cheapest_fraction=0.45, enough_evidence=True, evidence={},
    )  # fmt: skip
    return WindowChange(id=day + 1, at=FIRST + timedelta(days=day), window=kept)


@pytest.mark.parametrize(
    ("mixes", "changed_on"),
    [
        (["grey"] * 6 + ["buff"] * 6, [6]),
        (["grey", "buff"] * 8, []),  # taking turns changes nothing
        (["grey"] * 5 + ["buff"] + ["grey"] * 5, []),  # nor does one pour of another mix
        (["grey"] * 5 + ["buff"] * 4 + ["grey"] + ["buff"] * 5, [5]),
        (["grey"] * 2 + ["buff"] * 10, []),  # two pours are no habit yet
        (["grey"] * 6 + [None] * 6, [6]),
        ([], []),
    ],
)
def test_a_change_is_what_lasts(mixes, changed_on):
    found = find_changes([pour(day, mix=mix) for day, mix in enumerate(mixes)], (), SOAP)
    assert sorted((change.at - FIRST).days for change in found) == changed_on


def test_changes_say_what_they_were_latest_first():
    pours = [pour(day, mix="grey" if day < 6 else "buff", wet_until_h=None if day < 12 else 48) for day in range(20)]
    windows = (window(3, 36.0), window(4, 36.2), window(15, 30.0))
    agents = ReleaseAgents("none", ((FIRST + timedelta(days=17), "soft soap"), (NOW, "soft soap")))
    assert [change.what for change in find_changes(pours, windows, agents)] == [
        "release agent soft soap instead of none at all",
        "window from 30 h instead of 36 h",
        "wet cure until 48 h instead of not noted",
        "mix buff instead of grey",
    ]


def pours(mix, first_day, losses, *, age_h=30, mold="heron"):
    """A pour a day of one piece, lost where a 1 stands."""
    for number, lost in enumerate(losses):
        defects = [NotedDefect("missing feature", "bill")] if lost == "1" else []
        at = FIRST + timedelta(days=first_day + number)
        yield past_pour(at, *defects, mold=mold, age_h=age_h + number % 8, mix=mix)


@pytest.fixture
def shop(place):
    """Fifty pieces of grey of which fifteen were lost, then fifty of buff with one, at the same ages."""
    with Workshop.open(place) as shop:
        shop.add_mold("heron", title="Heron")
        shop.add_mold("finial", title="Finial")
        for mix in ("grey", "buff"):
            shop.add_mix(mix, cement_class="N", water_cement_ratio=0.45)
        shop.add_past(
            [*pours("grey", 0, "1001000100" * 5), *pours("buff", 50, "0" * 25 + "1" + "0" * 24)], source="book"
        )
        yield shop


def test_before_and_after_a_change_of_mix(shop):
    (change,) = shop.losses.changes("heron", now=NOW)
    assert (change.what, change.at) == ("mix buff instead of grey", FIRST + timedelta(days=50))
    found = shop.losses.compare_change("heron", at=change.at, now=NOW)
    assert (found.first.lost, found.first.pieces, found.second.lost, found.second.pieces) == (15, 50, 1, 50)
    assert found.first.features == (("bill", 15),)
    assert found.compared.difference.mean == pytest.approx(-0.28)
    whole, like = found.sentences
    assert whole.startswith("From 24 February 2026 on: 28 fewer of 100 pieces are lost than before (90 % interval ")
    assert whole.endswith("That is hardly chance.")
    assert like.endswith("So it is not the strength alone.")


def test_changes_are_found_among_the_latest_pours_and_around_a_time(shop, monkeypatch):
    assert shop.losses.changes("heron", now=NOW, at=FIRST) == shop.losses.changes("heron", now=NOW)
    monkeypatch.setattr(losses, "_MOST_POURS_COMPARED", 20)
    assert shop.losses.changes("heron", now=NOW) == ()
    (change,) = shop.losses.changes("heron", now=NOW, at=FIRST + timedelta(days=45))
    assert (change.what, change.at) == ("mix buff instead of grey", FIRST + timedelta(days=50))
    assert shop.losses.changes("heron", now=NOW, at=FIRST + timedelta(days=10)) == ()


def test_few_pieces_can_differ_by_chance(shop):
    shop.add_past(list(pours("grey", 0, "10000", mold="finial")), source="other book")
    found = shop.losses.compare_molds("finial", "heron", now=NOW)
    assert found.compared.can_be_chance
    assert "That can be chance" in found.sentences[0]
    assert "than of mold Heron" in found.sentences[0]
    assert "fewer to" in found.sentences[0]


def test_of_a_mold_that_was_filled_more_often_than_a_page_can_read_the_nearest_pours_are_compared(shop, monkeypatch):
    change = FIRST + timedelta(days=50)
    assert shop.losses.compare_change("heron", at=change, now=NOW).of_nearest_pours is None
    monkeypatch.setattr(losses, "_MOST_POURS_COMPARED", 20)
    found = shop.losses.compare_change("heron", at=change, now=NOW)
    assert (found.of_nearest_pours, found.first.pieces, found.second.pieces) == (20, 20, 20)
    assert (found.first.first_at - FIRST).days == 50 - 20 + 1  # a day and some hours in the mold
    assert (found.second.last_at - FIRST).days == 50 + 20
    shop.add_past(list(pours("grey", 0, "10000", mold="finial")), source="other book")
    assert shop.losses.compare_molds("finial", "heron", now=NOW).first.pieces == 20


def test_nothing_to_compare_is_said(shop):
    found = shop.losses.compare_molds("heron", "finial", now=NOW)
    assert found.compared is None
    assert found.sentences == ("Finial: no piece with a known age yet, so there is nothing to compare.",)
    with pytest.raises(InputError, match="cannot be compared with itself"):
        shop.losses.compare_molds("heron", "heron", now=NOW)


def test_a_mold_stays_as_it_was_until_the_log_changes(shop):
    first = shop.losses.of_mold("heron", now=NOW)
    assert shop.losses.of_mold("heron", now=NOW + timedelta(minutes=59)) is first
    assert shop.losses.of_mold("heron", now=NOW + timedelta(minutes=61)) is not first
    again = shop.losses.of_mold("heron", now=NOW)
    shop.planning.set_mold("heron", target_loss=0.1)
    assert shop.losses.of_mold("heron", now=NOW).window.window.target_loss == 0.1
    shop.add_past(list(pours("buff", 110, "0")), source="later")
    grown = shop.losses.of_mold("heron", now=NOW)
    assert (len(again.pieces), len(grown.pieces)) == (100, 101)
    shop.losses.keep_windows([grown.window], now=NOW)
    assert len(shop.losses.of_mold("heron", now=NOW).window.history) == 1
    all_molds = shop.losses.windows_of_late(now=NOW)
    assert shop.losses.windows_of_late(now=NOW + timedelta(minutes=59)) is all_molds
    shop.planning.set_mold("heron", target_loss=0.2)
    assert {item.mold: item.window.target_loss for item in shop.losses.windows_of_late(now=NOW)}["heron"] == 0.2


def test_a_month_holds_what_the_list_of_months_holds(shop):
    (trends,) = shop.losses.trends(now=NOW, mold="heron").molds
    for listed in trends.months:
        found = shop.mold_month("heron", Month.read(listed.month), now=NOW)
        assert (found.known.pieces, found.known.lost) == (listed.pieces, listed.lost)
        assert (len(found.pieces), found.expected) == (listed.pieces, listed)
        assert sum(pour.pieces for pour in found.pours) == listed.pieces
        assert sum(pour.lost for pour in found.pours) == listed.lost
        assert sum(loss is not None and loss.lost for loss in found.losses.values()) == listed.lost
        assert sum(feature.lost for feature in found.features) == listed.lost
    assert sum(month.pieces for month in trends.months) == 100


def test_a_month_is_held_against_the_one_before(shop):
    march = shop.mold_month("heron", Month(2026, 3), now=NOW)
    assert march.before is not None
    assert "than in February 2026" in march.before.sentences[0]
    assert shop.mold_month("heron", Month(2026, 1), now=NOW).before is None
    empty = shop.mold_month("heron", Month(2020, 1), now=NOW)
    assert (empty.pieces, empty.known.share, empty.expected) == ((), None, None)


def test_pours_before_a_change_of_release_agent_keep_theirs(shop):
    shop.change_release_agent("heron", "paste wax", from_at=FIRST + timedelta(days=30), said_by="Marta")
    assert shop.mold("heron").mold.release_agent == "paste wax"
    assert shop.mold("finial").mold.release_agent == ""
    assert "release agent paste wax instead of none at all" in [
        change.what for change in shop.losses.changes("heron", now=NOW)
    ]
    # What the log teaches about it: thirty pieces without, seventy with it, not all hundred with it.
    known = shop.losses.trends(now=NOW, mold="heron")
    assert [effect.name for effect in known.effects] == ["paste wax as release agent"]
    # The later word counts where two begin at the same time.
    shop.change_release_agent("heron", "form oil", from_at=FIRST + timedelta(days=30), said_by="Marta")
    assert shop.mold("heron").mold.release_agent == "form oil"
    with pytest.raises(InputError, match="release agent"):
        shop.change_release_agent("heron", "  ", from_at=NOW, said_by="Marta")


@pytest.mark.parametrize(
    ("first", "second", "word"),
    [
        # Lost by strength, as (weak lost, weak, strong lost, strong); the words follow from the two intervals.
        ((6, 60, 6, 60), (7, 60, 6, 60), "That can be chance as well."),
        ((60, 120, 2, 30), (15, 30, 8, 120), "may be all of it."),
        ((30, 60, 6, 60), (5, 60, 0, 60), "So it is not the strength alone."),
        ((40, 120, 0, 30), (24, 30, 18, 120), "has hidden it."),
        ((48, 120, 0, 30), (28, 30, 0, 120), "it is the other way round."),
    ],
)
def test_what_is_said_follows_from_both_intervals(first, second, word):
    def pieces(weak_lost, weak, strong_lost, strong):
        for number in range(weak + strong):
            is_weak = number < weak
            lost = number < weak_lost if is_weak else number - weak < strong_lost
            age = PieceAge(
                piece_id=number, mold="heron", pour_id=number, mix="grey", demolded_at=FIRST, demold_age_h=30.0,
                equivalent_age_h=30.0, strength_fraction=0.3 if is_weak else 0.5, wet_until_h=None,
                temperature_assumed=False,
            )  # fmt: skip
            yield KnownPiece(age=age, loss=Loss(lost=lost, features=()))

    found = compare_pieces(("A", "B"), (list(pieces(*first)), list(pieces(*second))), than="of A")
    assert found.sentences[1].endswith(word)
    for sentence, interval in zip(
        found.sentences, (found.compared.difference, found.compared.at_like_strength), strict=True
    ):
        assert ("can be chance" in sentence) == (interval.low <= 0 <= interval.high)
