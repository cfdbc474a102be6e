"""Which photos of a workshop damage is planted into: references, and pieces that a reviewer passed as good."""

from dataclasses import replace

import pytest

from inspector.errors import InputError
from inspector.workshop import Workshop
from tests.doubles.drawn_engine import DRAWN_ENGINE

RED = (255, 0, 0)


@pytest.fixture
def record(heron, draw):
    shades = iter(range(185, 230))

    def record_piece(*marks):
        shade = next(shades)
        return heron.record(draw(*marks, shade=shade), name=f"p{shade}.jpg", mold="heron").detail

    return record_piece


def dismiss_and_sell(heron, detail):
    for finding in detail.inspections[0].findings:
        heron.reviewing.say(finding.id, verdict="dismissed", reviewer="Ada")
    heron.reviewing.decide(detail.piece.id, "sell", decided_by="Ada")


def measured(shop, photos=10):
    return shop.measure_limits("heron", view="side", photos=photos, seed=1, advance=lambda: None)


def names(shop):
    return [photo.photo for photo in measured(shop).photos]


def test_with_one_reference_passed_pieces_are_planted_into_the_newest_first(heron, record):
    clean, marked, waiting, scrapped = record(), record(RED), record(), record()
    with pytest.raises(InputError, match="one reference only, and no other piece was passed as good"):
        measured(heron)
    dismiss_and_sell(heron, clean)
    dismiss_and_sell(heron, marked)
    heron.reviewing.decide(scrapped.piece.id, "scrap", decided_by="Ada")
    assert names(heron) == ["p186.jpg", "p185.jpg"]
    assert measured(heron).inspected == 10
    heron.reviewing.decide(marked.piece.id, "scrap", decided_by="Bo")
    assert names(heron) == ["p185.jpg"]
    assert waiting.piece.outcome is None


def test_a_passed_photo_that_became_a_reference_is_planted_into_as_one(heron, record):
    first, second = record(), record()
    for detail in (first, second):
        dismiss_and_sell(heron, detail)
    heron.confirm_reference(heron.add_passed_reference(first.photos[0].id).reference.id)
    assert [(photo.photo, photo.passed) for photo in measured(heron).photos] == [
        ("r1.jpg", False),
        ("p185.jpg", False),
        ("p186.jpg", True),
    ]


def test_a_passed_photo_without_the_mat_is_left_out(heron, record, place):
    details = [record(), record()]
    for detail in details:
        dismiss_and_sell(heron, detail)

    def without_mat(photo, **given):
        reference = DRAWN_ENGINE.prepare_reference(photo, **given)
        return replace(reference, px_per_mm=None) if photo.name in left_out else reference

    with Workshop.open(place, engine=replace(DRAWN_ENGINE, prepare_reference=without_mat)) as shop:
        left_out = {"p186.jpg"}
        outcome = measured(shop)
        assert ([photo.photo for photo in outcome.photos], outcome.without_scale) == (["p185.jpg"], 1)
        left_out = {"p185.jpg", "p186.jpg"}
        with pytest.raises(InputError, match="none of the 2 photos of passed pieces that were looked at shows the mat"):
            measured(shop)
