import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from math import erf

import numpy as np
import pytest

from inspector.errors import InputError
from inspector.log import NotedDefect, PastPiece, PastPour
from inspector.workshop import ExpectedCure, Month, Workshop, losses
from inspector.workshop.known_losses import learn_shared, learn_shop
from tests.doubles.drawn_engine import DRAWN_ENGINE
from tests.doubles.past_pours import past_pour

NOW = datetime(2026, 1, 1, tzinfo=UTC)
FIRST = datetime(2025, 1, 6, 15, 30, tzinfo=UTC)
THETA, BETA = 0.26, 0.2


def en_fraction(age_h, degc=20.0):
    # EN 1992-1-1:2004, Eq. (3.2) with B.10, class N.
    return np.exp(0.25 * (1 - np.sqrt(672 / (age_h * np.exp(-(4000 / (273 + degc) - 13.65))))))


def pour(number, *, age_h, lost, mold="heron", degc=20.0, feature="bill", mix="grey"):
    defects = [NotedDefect("missing feature", feature)] if lost else []
    return past_pour(FIRST + timedelta(days=number), *defects, mold=mold, age_h=age_h, mix=mix, temperature_degc=degc)


@pytest.fixture(scope="module")
def stocked_data(tmp_path_factory):
    """The mold `heron` with 200 pieces of known truth, `finial` without any; mixes without and with fibres."""
    folder = tmp_path_factory.mktemp("stocked") / "data"
    with Workshop.open(folder, engine=DRAWN_ENGINE) as shop:
        for name in ("heron", "finial"):
            shop.add_mold(name, title=name.capitalize())
        shop.add_mix("grey", cement_class="N", water_cement_ratio=0.45)
        shop.add_mix("buff", cement_class="N", water_cement_ratio=0.42, fibres="glass")
        rng = np.random.default_rng(2)
        ages_h = rng.uniform(16, 60, 200)
        lost = rng.normal(size=200) < (np.log(THETA) - np.log(en_fraction(ages_h))) / BETA
        pours = [
            pour(number, age_h=age_h, lost=bad, mix="grey" if number % 2 else "buff")
            for number, (age_h, bad) in enumerate(zip(ages_h, lost, strict=True))
        ]
        shop.add_past(pours, source="book")
    return folder


@pytest.fixture
def shop(tmp_path, stocked_data):
    shutil.copytree(stocked_data, tmp_path / "data")
    with Workshop.open(tmp_path / "data", engine=DRAWN_ENGINE) as opened:
        yield opened


def test_the_window_of_a_mold_is_that_of_its_truth(shop):
    window = shop.losses.window("heron", now=NOW)
    found = window.window
    assert found.verdict == "settled"
    assert (window.mold, found.pieces) == ("heron", 200)
    assert found.theta.low < THETA < found.theta.high
    # By the formula the loss is 5 % where ln r = ln theta + 1.645 beta; sure of it a few hours later.
    truly_h = float(np.interp(THETA * np.exp(1.645 * BETA), en_fraction(np.arange(6, 100)), np.arange(6, 100)))
    assert truly_h < found.earliest_h < truly_h + 12
    assert found.earliest_h <= found.cheapest_h <= found.latest_h
    assert f"Open it from {found.earliest_h:.0f} h on" in window.advice


def test_a_window_says_all_that_was_promised(shop):
    said = shop.losses.window("heron", now=NOW).as_json()
    assert {
        "mold", "earliest_h", "latest_h", "cheapest_h", "target_loss", "loss_at_earliest", "theta", "beta", "floor",
        "pieces", "lost", "enough_evidence", "advice",
    } <= said.keys()  # fmt: skip
    for name in ("loss_at_earliest", "theta", "beta", "floor"):
        assert said[name]["low"] <= said[name]["mean"] <= said[name]["high"]
    assert said["enough_evidence"] is True
    assert said["target_loss"] == 0.05


def test_a_mold_without_pieces_starts_from_practice_and_says_so(shop):
    window = shop.losses.window("finial", now=NOW)
    assert window.window.verdict == "too few pieces"
    assert "Not enough evidence yet" in window.advice
    assert f"{window.window.more.pieces} more pieces opened at {window.window.more.age_h:.0f} h" in window.advice


def test_in_the_cold_the_window_opens_later(shop):
    warm = shop.losses.window("heron", now=NOW, cure=ExpectedCure(temperature_degc=20)).window
    cold = shop.losses.window("heron", now=NOW, cure=ExpectedCure(temperature_degc=10)).window
    # EN B.10: at 10 degC an hour counts as 0.616 h.
    assert cold.earliest_h == pytest.approx(warm.earliest_h / 0.61614, abs=2.0)


def test_dry_too_soon_it_opens_later_or_never(shop):
    wet = shop.losses.window("heron", now=NOW).window.earliest_h
    dry = shop.losses.window("heron", now=NOW, cure=ExpectedCure(wet_until_h=12)).window.earliest_h
    assert dry is None or dry > wet


def test_one_mold_and_all_molds_agree(shop):
    alone = shop.losses.window("heron", now=NOW).as_json()
    (together,) = [item.as_json() for item in shop.losses.windows(now=NOW) if item.mold == "heron"]
    assert alone == together


def test_a_new_piece_counts_at_once(shop):
    before = shop.losses.window("heron", now=NOW).window
    shop.add_past([pour(300, age_h=40, lost=True)], source="more")
    after = shop.losses.window("heron", now=NOW).window
    assert (after.pieces, after.lost) == (before.pieces + 1, before.lost + 1)
    assert after.floor.mean > before.floor.mean


def test_a_piece_that_came_out_before_cement_sets_is_not_counted_and_told(shop):
    before = shop.losses.window("heron", now=NOW).window
    # ASTM C150/C150M, Table 3: by Vicat no cement may begin to set within 45 minutes (from memory).
    shop.add_past([pour(300, age_h=0.0, lost=False), pour(301, age_h=44 / 60, lost=False)], source="slips")
    window = shop.losses.window("heron", now=NOW)
    assert window.window.pieces == 200
    assert window.window.earliest_h == pytest.approx(before.earliest_h, abs=0.5)
    assert "Not counted: 2 of its pieces, which came out within 45 minutes of their pour" in window.advice
    shop.add_past([pour(302, age_h=46 / 60, lost=True)], source="fast")
    assert shop.losses.window("heron", now=NOW).window.pieces == 201


def test_what_is_known_later_does_not_count_before(shop):
    half = FIRST + timedelta(days=100)
    assert shop.losses.window("heron", now=NOW).window.pieces == 200
    assert shop.losses.window("heron", now=half).window.pieces < 101
    assert shop.losses.window("heron", now=NOW).window.pieces == 200


def test_a_changed_window_is_kept_with_its_evidence_and_what_came_of_it(shop):
    half = FIRST + timedelta(days=100)
    assert [change.window.mold for change in shop.losses.keep_windows(shop.losses.windows(now=half), now=half)] == [
        "heron"
    ]
    assert shop.losses.keep_windows(shop.losses.windows(now=half), now=half) == ()
    window = shop.losses.window("heron", now=NOW)
    (kept,) = window.history
    assert kept.pieces_before < 101
    assert kept.pieces_before + kept.pieces_after == 200
    assert kept.lost_before + kept.lost_after == window.window.lost
    change = shop.planning.window_changes("heron")[0]
    assert change.window.evidence["pieces"] == kept.pieces_before
    assert {"theta", "beta", "floor", "loss_at_earliest", "target_loss"} <= change.window.evidence.keys()
    # The window is what `due` goes by.
    assert shop.planning.window("heron").earliest_h == kept.earliest_h


def test_a_stricter_target_opens_later(shop):
    before = shop.losses.window("heron", now=NOW).window.earliest_h
    shop.planning.set_mold("heron", target_loss=0.02)
    assert shop.losses.window("heron", now=NOW).window.earliest_h > before


def test_features_are_told_apart(shop):
    (bill,) = shop.losses.window("heron", now=NOW).features
    assert (bill.name, bill.lost) == ("bill", shop.losses.window("heron", now=NOW).window.lost)


def test_trends_say_why_in_a_sentence(shop):
    (trend,) = shop.losses.trends(now=NOW, mold="heron").molds
    assert trend.sentences[0].startswith("Opened too early: of ")
    assert "mostly at the bill" in trend.sentences[0]
    assert sum(month.pieces for month in trend.months) == 200
    assert sum(month.lost for month in trend.months) == trend.lost
    assert trend.expected == pytest.approx(trend.lost, rel=0.15)
    assert all(month.lower <= month.expected <= month.upper for month in trend.months)


def test_a_mold_with_nothing_to_tell_says_so(shop):
    (trend,) = shop.losses.trends(now=NOW, mold="finial").molds
    assert trend.sentences == ("Nothing stands out: 0 of 0 lost, 0.0 expected.",)
    assert trend.months == ()


def test_a_bad_pour_is_named_by_its_day(shop):
    at = FIRST + timedelta(days=250)
    pieces = tuple(
        PastPiece(mold="heron", demolded_at=at + timedelta(hours=50), defects=(NotedDefect("chip"),)) for _ in range(5)
    )
    shop.add_past(
        [PastPour(mix="grey", poured_at=at, temperature_degc=20, wet_until_h=None, cure_notes="", pieces=pieces)],
        source="more",
    )
    (trend,) = shop.losses.trends(now=NOW, mold="heron").molds
    assert any("of 13 September 2025 lost 5 of 5 pieces" in sentence for sentence in trend.sentences)


def test_conditions_are_weighed(shop):
    effects = shop.losses.trends(now=NOW).effects
    assert [effect.name for effect in effects] == ["fibres in the mix"]
    # The truth has no effect of fibres.
    change = effects[0].strength_change
    assert change.low < 0 < change.high


def test_what_if_tells_loss_and_cost(shop):
    found = shop.losses.what_if("heron", now=NOW, age_h=36, instead_of_h=18)
    truly = 0.5 * (1 + erf(np.log(THETA / en_fraction(18.0)) / BETA / 2**0.5))
    assert found.now.loss.low < truly < found.now.loss.high
    assert found.loss_change.high < 0
    assert found.cost_change.mean < 0
    assert "would be lost" in found.sentence


def test_what_if_it_is_colder(shop):
    found = shop.losses.what_if("heron", now=NOW, instead_of_h=36, colder_by_degc=10)
    assert found.instead.temperature_degc == 10
    assert found.instead.strength_fraction == pytest.approx(en_fraction(36.0, 10.0), abs=1e-3)
    assert found.loss_change.low > 0


def test_what_if_a_piece_hardly_ever_comes_out_the_cost_stays_within_its_interval(shop):
    found = shop.losses.what_if("finial", now=NOW, age_h=8, instead_of_h=16)
    for scenario in (found.now, found.instead):
        cost = scenario.cost_per_good_piece
        assert cost.low <= cost.mean <= cost.high
        # A piece and its mold time over the share that comes out whole, in pieces and 400ths of one.
        assert cost.mean == pytest.approx((1 + (scenario.age_h + 2) / 400) / (1 - scenario.loss.mean))
    assert found.cost_change.mean == pytest.approx(
        found.instead.cost_per_good_piece.mean - found.now.cost_per_good_piece.mean
    )


def test_what_if_it_is_kept_wet_longer_than_it_is_in_the_mold(shop):
    found = shop.losses.what_if("heron", now=NOW, instead_of_h=36, cure=ExpectedCure(wet_until_h=72))
    assert found.loss_change.mean == 0
    assert "a wet cure until 72 h changes nothing at demolding" in found.sentence
    dry = shop.losses.what_if("heron", now=NOW, instead_of_h=36, cure=ExpectedCure(wet_until_h=12))
    assert dry.loss_change.low > 0
    assert "changes nothing" not in dry.sentence


def test_what_if_says_where_nobody_has_been(shop):
    found = shop.losses.what_if("heron", now=NOW, age_h=8, instead_of_h=36)
    assert found.beyond_tried
    assert "take it as a guess" in found.sentence


@pytest.mark.parametrize("age_h", [0.0, 5000.0])
def test_an_age_that_cannot_be_judged_is_refused(shop, age_h):
    with pytest.raises(InputError, match=r"cannot|none that can be judged.*6 to 336"):
        shop.losses.what_if("heron", now=NOW, age_h=age_h)


def test_an_unknown_mold_is_refused(shop):
    with pytest.raises(InputError, match="There is no mold swan in the log"):
        shop.losses.window("swan", now=NOW)
    with pytest.raises(InputError, match="There is no mold swan in the log"):
        shop.losses.trends(now=NOW, mold="swan")


def drawn_losses(shop, mold):
    (trends,) = shop.losses.trends(now=NOW, mold=mold).molds
    return shop.loss_pictures(shop.losses.window(mold, now=NOW), trends)


def test_pictures_come_with_their_numbers(shop):
    shop.curing.add_mix_break_test("grey", age_h=24, tested_at=FIRST, strength_mpa=12.0)
    shop.curing.add_mix_break_test("grey", age_h=12, tested_at=FIRST, word="crumbles")
    drawn = drawn_losses(shop, "heron")
    assert [picture.name for picture in drawn.pictures] == ["loss-by-age", "strength-gain", "losses-over-time"]
    for picture in drawn.pictures:
        assert picture.svg().startswith(b"<?xml")
        assert all(len(row) == len(picture.head) for row in picture.rows)
        assert picture.rows
    assert sum(int(row[1]) for row in drawn.pictures[0].rows) == 200
    # Break tests have their numbers too: at 20 degC an hour counts as 0.998 h.
    assert [row[0::3] for row in drawn.pictures[1].rows[-2:]] == [("12 h", "crumbles"), ("24 h", "12 MPa")]
    assert drawn.pdf().startswith(b"%PDF")
    # The same log gives the same picture.
    assert drawn.pictures[0].svg() == drawn_losses(shop, "heron").pictures[0].svg()


def test_a_mold_without_pieces_can_be_drawn(shop):
    drawn = drawn_losses(shop, "finial")
    assert drawn.pictures[0].rows == ()
    # Between two dollar signs Matplotlib would read a formula, and fail on this one.
    assert replace(drawn, title=r"Finial, $\frac{5 to $6").pdf().startswith(b"%PDF")


def test_the_map_counts_features_on_the_reference(shop, draw):
    reference = shop.add_reference(draw(shade=200), name="r1.jpg", mold="heron").reference
    shop.confirm_reference(reference.id)
    shop.add_feature("bill", reference_id=reference.id, polygon_xy=((10, 10), (60, 10), (60, 60)))
    drawn = drawn_losses(shop, "heron")
    (where,) = [picture for picture in drawn.pictures if picture.name == "where-pieces-break"]
    assert where.rows[0][:2] == ("bill", str(shop.losses.window("heron", now=NOW).window.lost))


@pytest.fixture
def fibrous(tmp_path):
    """The mold `heron` with 600 pieces, half of a mix whose fibres let its pieces come out at 0.8 of the strength."""
    with Workshop.open(tmp_path / "fibrous", engine=DRAWN_ENGINE) as shop:
        shop.add_mold("heron")
        shop.add_mix("grey", cement_class="N", water_cement_ratio=0.45)
        shop.add_mix("buff", cement_class="N", water_cement_ratio=0.42, fibres="glass")
        rng = np.random.default_rng(7)
        ages_h = rng.uniform(12, 60, 600)
        theta = THETA * np.where(np.arange(600) % 2, 1.0, 0.8)
        lost = rng.normal(size=600) < (np.log(theta) - np.log(en_fraction(ages_h))) / BETA
        pours = [
            pour(number / 2, age_h=age_h, lost=bad, mix="grey" if number % 2 else "buff")
            for number, (age_h, bad) in enumerate(zip(ages_h, lost, strict=True))
        ]
        pours.append(pour(350, age_h=40, lost=False))  # so that most of the latest are grey
        shop.add_past(pours, source="book")
        shop.losses.keep_windows(shop.losses.windows(now=NOW), now=NOW)
        yield shop


def test_what_is_due_goes_by_the_mix_that_was_poured(fibrous):
    assert fibrous.planning.window("heron").mix == "grey"
    poured_at = NOW + timedelta(days=1)
    fibrous.add_pour(mix="buff", molds=["heron"], poured_at=poured_at)
    (buff,) = fibrous.due(now=poured_at + timedelta(hours=5))
    fibrous.add_pour(mix="grey", molds=["heron"], poured_at=poured_at + timedelta(minutes=1))
    (grey,) = fibrous.due(now=poured_at + timedelta(hours=5))
    assert (grey.mix, grey.mix_factor) == ("grey", 1.0)
    assert (buff.mix, buff.window_mix) == ("buff", "grey")
    # The truth above is 0.8; how well 600 pieces teach it is a few percent.
    assert buff.mix_factor == pytest.approx(0.8, abs=0.07)
    assert buff.needed_fraction == pytest.approx(grey.needed_fraction * buff.mix_factor)
    assert buff.ready_at < grey.ready_at
    assert buff.latest_at < grey.latest_at


def test_a_mold_without_a_window_needs_what_practice_says_whatever_the_mix(fibrous):
    fibrous.add_mold("wren")
    fibrous.add_pour(mix="buff", molds=["wren"], poured_at=NOW)
    assert fibrous.losses.mix_factors(now=NOW + timedelta(hours=5)) == {}
    assert fibrous.due(now=NOW + timedelta(hours=5))[0].needed_fraction == 0.5


def test_where_no_mix_is_known_the_window_says_what_is_taken(shop):
    shop.add_mold("wren")
    rows = [f"wren,2025-02-{day:02}T15:00Z,2025-02-{day + 1:02}T20:00Z,20,," for day in range(1, 28)]
    columns = "mold,poured_at,demolded_at,temperature_c,wet_cured_until_h,defects"
    shop.import_pieces("\r\n".join([columns, *rows]).encode(), name="pieces.csv")
    assert "normal cement (class N) is taken" in shop.losses.window("wren", now=NOW).advice
    assert "normal cement" not in shop.losses.window("heron", now=NOW).advice


def test_opening_too_early_is_told_with_the_window_and_its_temperature(shop):
    (trends,) = shop.losses.trends(now=NOW, mold="heron").molds
    earliest_h = shop.losses.window("heron", now=NOW).window.earliest_h
    (young,) = [sentence for sentence in trends.sentences if sentence.startswith("Opened too early")]
    assert "weaker than the window asks for" in young
    assert young.endswith(f"Open it from {earliest_h:.0f} h on, at 20 degC.")


def test_pages_of_a_large_log_go_by_what_was_learnt_in_the_night(fibrous, monkeypatch):
    fibrous.add_pour(mix="buff", molds=["heron"], poured_at=NOW + timedelta(days=1))
    later = NOW + timedelta(days=1, hours=5)
    window, factors = fibrous.losses.window("heron", now=later), fibrous.losses.mix_factors(now=later)
    (trends,) = fibrous.losses.trends(now=later, mold="heron").molds

    monkeypatch.setattr(losses, "_MOST_PIECES_IN_A_PAGE", 0)
    # Before the first night: practice alone, and the mold's own pieces.
    assert fibrous.losses.learnt_as_of() is None
    assert fibrous.losses.outlooks_of_late(now=later) == ()
    assert fibrous.losses.waits_for_refit()
    assert fibrous.losses.window("heron", now=later).window.pieces == window.window.pieces
    fibrous.losses.refit(now=later)
    monkeypatch.setattr(losses, "learn_shop", None)  # whoever learns from all molds now fails
    kept = fibrous.losses.of_mold("heron", now=later)
    assert fibrous.losses.learnt_as_of() == later
    assert kept.window.as_json() == window.as_json()
    assert kept.trends.as_json() == trends.as_json()
    assert fibrous.losses.mix_factors(now=later) == pytest.approx(factors)
    (outlook,) = fibrous.losses.outlooks_of_late(now=later)
    assert (outlook.pieces, outlook.lost, outlook.earliest_h) == (601, trends.lost, window.window.earliest_h)
    assert fibrous.losses.opening_ages_of_late(["heron"], now=later) == {"heron": outlook.earliest_h}
    assert fibrous.losses.what_if("heron", now=later).now.strength_fraction > 0
    last = trends.months[-1]
    month = fibrous.mold_month("heron", Month.read(last.month), now=later)
    assert (month.expected, month.known.pieces, month.expected_as_of) == (last, last.pieces, later)
    # Its own pieces count at once, what they tell about other molds after the next night.
    fibrous.add_past([pour(355, age_h=40, lost=True)], source="loose leaf")
    assert fibrous.losses.of_mold("heron", now=later).window.window.pieces == 602
    assert fibrous.losses.outlooks_of_late(now=later)[0].pieces == 601
    month = fibrous.mold_month("heron", Month.read(last.month), now=later)
    assert (month.expected.pieces, month.known.pieces) == (last.pieces, last.pieces + 1)
    fibrous.add_mold("wren")  # a new mold is there at once
    assert [item.mold for item in fibrous.losses.outlooks_of_late(now=later)] == ["heron", "wren"]


def test_molds_that_lose_more_are_told_of_a_large_log_as_of_its_refit(shop, monkeypatch):
    at = NOW + timedelta(days=1)
    since = FIRST
    before = shop.losses.rising_of_late(now=at, since=since)
    monkeypatch.setattr(losses, "_MOST_PIECES_IN_A_PAGE", 0)
    shop.losses.refit(now=at)
    after = shop.losses.rising_of_late(now=at, since=since)
    assert [(item.mold, item.alarm_at, item.sentences) for item in after] == [
        (item.mold, item.alarm_at, item.sentences) for item in before
    ]


def test_what_all_molds_tell_is_the_same_read_mold_by_mold(shop):
    at = NOW + timedelta(days=1)
    at_once = learn_shop(shop._log, shop.curing, now=at, sisters=()).shared
    in_turn = learn_shared(shop._log, shop.curing, now=at, strengths=shop.curing.mix_strengths(), sisters=())
    assert len(shop.molds()) > 1
    assert in_turn.conditions == at_once.conditions
    assert in_turn.bad_pours == at_once.bad_pours
    assert in_turn.pour_spread == pytest.approx(at_once.pour_spread, rel=1e-6)
    for told in ("population", "feature_population"):
        one, other = getattr(in_turn, told), getattr(at_once, told)
        np.testing.assert_allclose(one.draws, other.draws, rtol=1e-6)
        np.testing.assert_allclose(one.weights, other.weights, rtol=1e-5)
        np.testing.assert_allclose(one.effects.log_change, other.effects.log_change, rtol=1e-6)
