"""Photos that are kept first and inspected afterwards: claimed by one worker at a time, inspected once."""

from datetime import UTC, datetime, timedelta

import pytest

from inspector import log
from inspector.errors import InputError
from inspector.log import Log, PhotoSending, PhotoToInspect, check_log
from tests.doubles.places import only_postgresql

LEASE = timedelta(seconds=60)
EXPIRED = timedelta(seconds=-1)


@pytest.fixture
def keep(stocked: Log, make):
    def keep(content: bytes = b"\xff\xd8\xff one", **changes):
        values = {
            "photo": make.photo(stocked, content),
            "mold": "heron",
            "pour_id": 1,
            "demolded_at": datetime(2026, 5, 5, 16, 30, tzinfo=UTC),
            "piece_id": None,
            "view": "side",
            "sending": None,
        }
        return log.keep_for_inspection(stocked, PhotoToInspect(**{**values, **changes}))

    return keep


def test_a_kept_photo_has_its_piece_before_it_is_inspected(stocked, keep):
    kept = keep()
    assert kept.added
    detail = log.find_piece(stocked, kept.piece_id)
    assert detail.inspections == (None,)
    assert (detail.piece.pour_id, detail.photos[0].view) == (1, "side")
    assert log.count_awaiting(stocked) == 1


def test_photos_are_claimed_in_the_order_in_which_they_came_each_by_one_worker(stocked, keep):
    first, second = keep(b"\xff\xd8\xff one"), keep(b"\xff\xd8\xff two")
    claims = [log.claim_photo(stocked, worker=worker, lease=LEASE) for worker in ("a", "b", "c")]
    assert [claim and claim.photo.id for claim in claims] == [first.photo_id, second.photo_id, None]
    assert log.find_awaiting(stocked, second.photo_id).before == 1


@only_postgresql
def test_claims_hold_against_a_machine_whose_clock_is_wrong(stocked, keep, monkeypatch):
    class Ahead(datetime):
        @classmethod
        def now(cls, tz=None):
            return datetime.now(tz) + timedelta(days=1)

    keep()
    assert log.claim_photo(stocked, worker="a", lease=LEASE) is not None
    monkeypatch.setattr("inspector.log.awaiting.datetime", Ahead)
    assert log.claim_photo(stocked, worker="b", lease=LEASE) is None


def test_an_inspected_photo_waits_no_longer(stocked, keep, make):
    kept = keep()
    claim = log.claim_photo(stocked, worker="a", lease=LEASE)
    assert log.finish_claim(stocked, claim, make.inspection(make.CHIP), mold="heron", view="side") == kept.piece_id
    assert log.find_awaiting(stocked, kept.photo_id) is None
    assert log.find_piece(stocked, kept.piece_id).piece.kinds == ("chip",)


def test_who_lost_a_claim_meanwhile_logs_nothing(stocked, keep, make):
    kept = keep()
    late = log.claim_photo(stocked, worker="late", lease=EXPIRED)
    other = log.claim_photo(stocked, worker="other", lease=LEASE)
    assert other.photo.id == late.photo.id
    assert (late.tries, late.lapses, other.tries, other.lapses) == (1, 0, 1, 1)
    assert log.finish_claim(stocked, late, make.inspection(make.CHIP), mold="heron", view="side") is None
    assert log.find_piece(stocked, kept.piece_id).inspections == (None,)
    assert log.finish_claim(stocked, other, make.inspection(), mold="heron", view="side") == kept.piece_id
    assert log.finish_claim(stocked, late, make.inspection(make.CHIP), mold="heron", view="side") is None
    assert log.find_piece(stocked, kept.piece_id).piece.kinds == ()


def test_a_renewed_claim_holds(stocked, keep):
    keep()
    claim = log.claim_photo(stocked, worker="a", lease=EXPIRED)
    log.renew_claim(stocked, claim, lease=LEASE)
    assert log.claim_photo(stocked, worker="b", lease=LEASE) is None


def test_what_a_worker_that_ended_had_claimed_is_free_at_once(stocked, keep):
    kept = keep()
    log.claim_photo(stocked, worker="a", lease=LEASE)
    log.release_claims(stocked, worker="a")
    assert log.claim_photo(stocked, worker="b", lease=LEASE).photo.id == kept.photo_id


def test_a_worker_that_is_stopped_leaves_its_photo_as_if_it_had_not_begun(stocked, keep):
    keep()
    for name in ("a", "b", "c"):  # a program that is started anew time and again
        assert log.claim_photo(stocked, worker=name, lease=LEASE).tries == 1
        log.release_claims(stocked, worker=name, was_stopped=True)
    log.claim_photo(stocked, worker="d", lease=LEASE)
    log.release_claims(stocked, worker="d")
    assert log.claim_photo(stocked, worker="e", lease=LEASE).tries == 2


def test_a_photo_of_an_unknown_mold_gets_its_piece_when_the_mold_is_found_out(stocked, keep, make):
    kept = keep(mold=None, view=None)
    assert kept.piece_id is None
    claim = log.claim_photo(stocked, worker="a", lease=LEASE)
    assert claim.mold is None
    piece_id = log.finish_claim(stocked, claim, make.inspection(), mold="heron", view="top")
    detail = log.find_piece(stocked, piece_id)
    assert (detail.piece.mold, detail.piece.pour_id, detail.photos[0].view) == ("heron", 1, "top")
    assert detail.piece.demold_age_h == 24.5


def test_photos_sent_of_one_piece_share_it_although_nobody_said_the_mold(stocked, keep, make):
    for content, key in ((b"\xff\xd8\xff one", "1" * 16), (b"\xff\xd8\xff two", "2" * 16)):
        keep(content, mold=None, view=None, sending=PhotoSending(photo_key=key, piece_key="p" * 16))
    first = log.claim_photo(stocked, worker="a", lease=LEASE)
    piece_id = log.finish_claim(stocked, first, make.inspection(), mold="heron", view="side")
    second = log.claim_photo(stocked, worker="a", lease=LEASE)
    assert second.mold == "heron"  # known by the first
    assert log.finish_claim(stocked, second, make.inspection(), mold="heron", view="top") == piece_id


def test_a_photo_that_nobody_recognises_waits_for_a_word(stocked, keep):
    kept = keep(mold=None, view=None)
    claim = log.claim_photo(stocked, worker="a", lease=LEASE)
    log.refuse_claim(stocked, claim, reason="It may show heron or finial.", likely=("heron", "finial"))
    (asked,) = log.list_refused(stocked)
    assert (asked.refused, asked.likely) == ("It may show heron or finial.", ("heron", "finial"))
    assert log.claim_photo(stocked, worker="a", lease=LEASE) is None
    assert log.count_awaiting(stocked) == 0
    log.name_refused(stocked, kept.photo_id, mold="heron")
    assert log.claim_photo(stocked, worker="a", lease=LEASE).mold == "heron"
    assert log.list_refused(stocked) == ()


def test_a_refused_photo_that_is_sent_again_with_its_mold_waits_again(stocked, keep):
    kept = keep(mold=None, view=None)
    log.refuse_claim(stocked, log.claim_photo(stocked, worker="a", lease=LEASE), reason="Not sure.", likely=())
    again = keep(mold="heron")
    assert again.photo_id == kept.photo_id
    assert again.piece_id is not None
    assert log.find_awaiting(stocked, kept.photo_id).refused is None


def test_a_photo_that_shows_no_piece_is_asked_for_no_more_and_kept(stocked, keep):
    kept = keep(mold=None, view=None)
    with pytest.raises(InputError, match="Nobody has to say"):
        log.drop_refused(stocked, kept.photo_id)  # it is still the program's turn
    log.refuse_claim(stocked, log.claim_photo(stocked, worker="a", lease=LEASE), reason="Not sure.", likely=())
    log.drop_refused(stocked, kept.photo_id)
    assert log.list_refused(stocked) == ()
    assert log.read_photo_file(stocked, kept.photo_id).data == b"\xff\xd8\xff one"


def test_a_photo_sent_again_while_it_waits_is_not_added_again(stocked, keep):
    sending = PhotoSending(photo_key="1" * 16, piece_key="1" * 16)
    first, again = keep(sending=sending), keep(sending=sending)
    assert (again.photo_id, again.added, again.sent_before) == (first.photo_id, False, True)
    assert log.count_awaiting(stocked) == 1


def test_what_waits_is_outside_the_history_and_its_pieces_are_in_it(stocked, keep, make):
    with log.acting_as("Marta"):
        keep(mold=None, view=None)
    log.renew_claim(stocked, claim := log.claim_photo(stocked, worker="a", lease=LEASE), lease=LEASE)
    log.finish_claim(stocked, claim, make.inspection(), mold="heron", view="side")
    assert check_log(stocked.place).troubles == ()
    with stocked.reading() as session:
        told = {(change.row_table, change.did, change.by) for change in log.list_changes(session, limit=100)}
    assert {("photo", "added", "Marta"), ("piece", "added", "Marta"), ("inspection", "added", "Marta")} <= told
    assert not any(row_table == "awaiting_photo" for row_table, _, _ in told)
