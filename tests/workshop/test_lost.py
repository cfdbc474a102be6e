import pytest

from inspector.log import FoundDefect, NotedDefect, PieceOutcome
from inspector.workshop.lost import Loss, judge_loss

CHIP = FoundDefect(kind="chip", confidence=0.9, verdict=None, feature="bill")
LOST_BILL = Loss(lost=True, features=("bill",))
GOOD = Loss(lost=False, features=())


def found(kind="chip", *, confidence=0.9, verdict=None, feature="bill"):
    return FoundDefect(kind=kind, confidence=confidence, verdict=verdict, feature=feature)


def outcome(*found, noted=None, became=None, inspected=True):
    return PieceOutcome(piece_id=1, inspected=inspected, found=found, noted=noted, outcome=became)


@pytest.mark.parametrize(
    ("piece", "expected"),
    [
        (outcome(), GOOD),
        (outcome(found()), LOST_BILL),
        (outcome(found(confidence=0.4)), GOOD),
        (outcome(found(confidence=0.4, verdict="confirmed")), LOST_BILL),
        (outcome(found(verdict="dismissed")), GOOD),
        (outcome(found("surface void")), GOOD),
        (outcome(found(confidence=0.4, verdict="outline corrected")), LOST_BILL),
        # Outlined by hand on a photo that could not be judged; then taken back.
        (outcome(found(verdict="confirmed"), inspected=False), LOST_BILL),
        (outcome(found(verdict="dismissed"), inspected=False), None),
        (outcome(found("missing feature", verdict="kind changed")), LOST_BILL),
        # Who sells a piece has looked at it; what was confirmed stays all the same.
        (outcome(found(), became="sell"), GOOD),
        (outcome(found(verdict="confirmed"), became="sell"), LOST_BILL),
        (outcome(found(), became="repair"), LOST_BILL),
        (outcome(became="repair"), GOOD),
        (outcome(became="scrap"), Loss(lost=True, features=())),
        (outcome(found("surface void", verdict="confirmed"), became="scrap"), GOOD),
        (outcome(found("surface void"), became="second"), Loss(lost=True, features=())),
        (outcome(noted=(NotedDefect("chip", "bill"),), inspected=False), LOST_BILL),
        (outcome(noted=(NotedDefect("excess"),), became="second", inspected=False), GOOD),
        (outcome(noted=(), inspected=False), GOOD),
        (outcome(inspected=False), None),
        (outcome(became="scrap", inspected=False), Loss(lost=True, features=())),
    ],
)
def test_the_rule_of_what_counts_as_lost(piece, expected):
    assert judge_loss(piece) == expected


def test_a_feature_that_broke_twice_is_named_once():
    assert judge_loss(outcome(found(), found("hairline crack"), found(feature=None))) == LOST_BILL
