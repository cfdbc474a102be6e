"""Molds of one design at several sites: each is learnt from the pieces of all, and sees none of the others'."""

import json
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from inspector.errors import InputError
from inspector.log import NotedDefect, PastPiece, PastPour
from inspector.workshop import losses

NOW = datetime(2026, 1, 1, tzinfo=UTC)
FIRST = datetime(2025, 1, 6, 15, 30, tzinfo=UTC)


def pours(ages_h, *, weak_until_h, mold="heron"):
    """A pour of one piece each; what is opened before an age is lost."""
    return [
        PastPour(
            mix="grey",
            poured_at=(at := FIRST + timedelta(days=number)),
            temperature_degc=20.0,
            wet_until_h=None,
            cure_notes="",
            pieces=(
                PastPiece(
                    mold=mold,
                    demolded_at=at + timedelta(hours=float(age_h)),
                    defects=(NotedDefect("chip", "bill"),) if age_h < weak_until_h else (),
                ),
            ),
        )
        for number, age_h in enumerate(ages_h)
    ]


@pytest.fixture
def halls(shop):
    """Three sites with a mold `heron`, the first with a hundred pieces of it; the first two share its design."""
    for name in ("hall 2", "hall 3"):
        shop.sites.add(name)
    halls = [shop.at(site.id) for site in shop.sites.list()]
    for hall in halls:
        hall.add_mold("heron", title="Heron")
        hall.add_mix("grey", cement_class="N", water_cement_ratio=0.45)
    halls[0].add_past(pours(np.linspace(16, 60, 100), weak_until_h=34), source="book")
    shop.sites.share_design("large heron", ["first", "hall 2"])
    for hall in halls[:2]:
        hall.designs.set("heron", "large heron")
    return halls


def test_a_new_mold_starts_from_its_design_and_its_own_pieces_take_over(shop, halls):
    first, second, third = halls
    alone = second.losses.of_mold("heron", now=NOW)
    assert (alone.window.learnt_also, alone.trends.learnt_also) == ("", "")
    first.losses.refit(now=NOW)
    # Seen at once by whoever had the page open before.
    late = second.losses.of_mold("heron", now=NOW)
    assert late.window.learnt_also == "Learnt also from 100 pieces of this design elsewhere."
    assert late.trends.learnt_also == late.window.learnt_also
    assert late.window.as_json()["learnt_also"] == late.window.learnt_also
    assert late.window.window.pieces == 0
    # Practice would have let them out at two days; this design keeps them.
    known = first.losses.window("heron", now=NOW)
    assert "learnt_also" not in known.as_json()
    theta = {name: one.window.theta for name, one in (("alone", alone.window), ("new", late.window), ("known", known))}
    assert theta["alone"].mean < theta["new"].mean
    assert theta["new"].high - theta["new"].low < theta["alone"].high - theta["alone"].low
    assert abs(theta["new"].mean - theta["known"].mean) < 0.5 * abs(theta["alone"].mean - theta["known"].mean)
    # All molds at once give the same, and so does a log that is too large for pages to learn from.
    (of_all,) = second.losses.windows_of_late(now=NOW)
    assert of_all.window.theta == theta["new"]
    assert third.losses.window("heron", now=NOW).learnt_also == ""
    # Here it is sturdier.
    second.add_past(pours(np.linspace(16, 60, 100), weak_until_h=20), source="book")
    own = second.losses.window("heron", now=NOW).window.theta
    assert own.high < theta["new"].mean


def test_what_goes_to_another_site_is_a_few_numbers(shop, halls):
    first, second, _ = halls
    first.losses.learn_ahead(now=NOW)  # as serving does
    (sister,) = second.losses._learn_all(NOW).sisters
    said = json.loads(sister.said)
    assert {name: np.shape(value) for name, value in said.items()} == {
        "information": (3,), "precision": (3, 3), "pieces": (), "lost": ()
    }  # fmt: skip
    assert (said["pieces"], said["lost"]) == (100, 41)
    # Of a few pieces nothing is told, nor once they are of another design.
    second.add_past(pours([20, 30, 40, 50], weak_until_h=34), source="book")
    second.losses.refit(now=NOW)
    assert first.losses.window("heron", now=NOW).learnt_also == ""
    first.designs.set("heron", None)
    assert second.losses.window("heron", now=NOW).learnt_also == ""


def test_sites_are_named_to_those_who_may_look_there(shop, halls):
    first, second, third = halls
    for hall in (first, third):
        hall.losses.refit(now=NOW)
    shop.sites.let_see("hall 2", sees="first")
    first.losses.refit(now=NOW)
    assert second.losses.window("heron", now=NOW).learnt_also == "Learnt also from 100 pieces of this design at first."
    third.add_past(pours(np.linspace(16, 60, 30), weak_until_h=34), source="book")
    shop.sites.share_design("large heron", ["hall 3"])
    third.designs.set("heron", "large heron")
    third.losses.refit(now=NOW)
    told = second.losses.window("heron", now=NOW).learnt_also
    assert told == "Learnt also from 130 pieces of this design at first and elsewhere."
    # A second mold of it here leans on the first as well.
    second.add_mold("heron-2", title="Heron 2")
    second.designs.set("heron-2", "large heron")
    second.add_past(pours(np.linspace(16, 60, 20), weak_until_h=34), source="book")
    second.losses.refit(now=NOW)
    told = second.losses.window("heron-2", now=NOW).learnt_also
    assert told == "Learnt also from 150 pieces of this design at first, hall 2 and elsewhere."


def test_a_large_log_goes_by_its_design_as_well(halls, monkeypatch):
    first, second, _ = halls
    first.losses.refit(now=NOW)
    small = second.losses.window("heron", now=NOW)
    monkeypatch.setattr(losses, "_MOST_PIECES_IN_A_PAGE", -1)
    second.losses.refit(now=NOW)
    large = second.losses.of_mold("heron", now=NOW).window
    assert large.learnt_also == small.learnt_also
    assert large.window.theta.mean == pytest.approx(small.window.theta.mean, rel=1e-6)
    assert [outlook.earliest_h for outlook in second.losses.outlooks_of_late(now=NOW)] == [large.window.earliest_h]


def test_a_design_is_shared_by_two_or_more(shop, halls):
    with pytest.raises(InputError, match="shared by two sites or more"):
        shop.sites.share_design("owl", ["first"])
    with pytest.raises(InputError, match="There is no site hall 9"):
        shop.sites.share_design("owl", ["first", "hall 9"])
    with pytest.raises(InputError, match="No design owl is shared here"):
        halls[0].designs.set("heron", "owl")
