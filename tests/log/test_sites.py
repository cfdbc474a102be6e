"""What one site sees of a log that several share: what it would see alone."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select, text

from inspector import log
from inspector.errors import InputError
from inspector.log import PieceFilter, check_log, open_log, scope
from inspector.log.tables import Base, PieceRow, PourRow
from tests.doubles.places import silently

POURED_AT = datetime(2026, 5, 4, 16, 0, tzinfo=UTC)
MOLD = {"material": "", "release_agent": "", "views": ["side"]}
MIX: dict[str, Any] = {
    "cement_class": "N", "water_cement_ratio": 0.45, "aggregate": "", "admixtures": [], "fibres": ""
}  # fmt: skip


@pytest.fixture
def halls(stocked, make):
    """The log as each of two sites sees it: molds and mixes of the same names, the same photo at both."""
    halls = [stocked.at(1), stocked.at(log.add_site(stocked, "hall 2").id)]
    log.add_mold(halls[1], "heron", title="Heron of hall 2", **MOLD)
    log.add_mix(halls[1], "grey", **MIX)
    log.add_pour(halls[1], mix="grey", molds=["heron"], poured_at=POURED_AT, cure_notes="")
    for number, hall in enumerate(halls, start=1):
        log.add_reference(hall, make.reference(hall), mold="heron", view="side")
        for content in (b"one", b"two")[:number]:
            log.add_piece_photo(hall, make.piece_photo(hall, b"\xff\xd8\xff " + content, pour_id=number))
    return halls


def test_every_table_is_of_a_site_or_hangs_on_one_that_is():
    named = {*scope._OF_A_SITE, *scope._HANGS_ON, *scope._LINKED_BY, *scope._OF_NO_SITE}
    assert {mapper.class_ for mapper in Base.registry.mappers} == named
    of_a_site = {row for row in named if "site_id" in row.__table__.columns}
    assert of_a_site == set(scope._OF_A_SITE)


def test_nothing_goes_past_the_session_but_what_no_caller_asks_for():
    # A connection knows no site. History, schema and rollups are of the whole; clock and next number tell nothing.
    texts = {path.name: path.read_text(encoding="utf-8") for path in Path(scope.__file__).parent.glob("*.py")}

    def using(way):
        return {name for name, text in texts.items() if way in text}

    assert using(".connection()") == {"awaiting.py", "history.py", "learnt.py", "opening.py", "rollups.py"}
    # Nor does the whole log: whose links let in, what is shared of designs, and whether anything is new at all.
    assert using(".whole()") == {"accounts.py", "designs.py", "marks.py"}
    assert using("Session(self.") == {"opening.py"}
    assert using(".held_still()") == {"moving.py"}


def seen(hall):
    """All that lists and counts tell."""
    return (
        [(mold.title, mold.references_to_check) for mold in log.list_molds(hall)],
        [mix.name for mix in log.list_mixes(hall)],
        [(pour.pieces, pour.molds) for pour in log.list_pours(hall, limit=None)],
        log.count_pieces(hall, PieceFilter()),
        log.count_pieces(hall, PieceFilter(waiting=True, kind="chip")),
        len(log.list_waiting(hall, mold=None, limit=100).items),
        len(log.list_pieces(hall, PieceFilter(), limit=100).items),
        log.count_pieces_by_mold(hall),
        log.find_next_waiting(hall, 99),
        log.newest_learnt_id(hall),
        log.list_mold_outlooks(hall),
        log.find_mold_months(hall, "heron"),
        log.count_photos(hall),
        len(log.list_piece_outcomes(hall)),
        log.count_reference_uses(hall, "heron"),
        len(log.list_piece_demoldings(hall)),
        len(log.list_pour_cures(hall)),
        len(log.list_reviewed_findings(hall, "heron", of_latest=100)),
        len(log.list_piece_times(hall, PieceFilter(mold="heron"), limit=100).items),
        list(log.list_release_agents(hall)),
        list(log.list_mold_settings(hall)),
        log.latest_windows(hall),
        log.count_awaiting(hall),
        log.list_refused(hall),
        log.list_break_tests(hall, with_withdrawn=True),
        log.list_expected_temperatures(hall),
        log.find_units(hall),
    )


def test_a_site_sees_its_own_and_counts_nothing_else(halls, make):
    first, second = halls
    before = seen(first)
    assert before[3:8] == (1, 1, 1, 1, {"heron": 1})
    assert seen(second)[3:8] == (2, 2, 2, 2, {"heron": 2})
    log.add_mold(second, "owl", title="Owl", **MOLD)
    log.keep_learnt(second, "{}", {"heron": "learnt at hall 2"}, {"heron": "months at hall 2"})
    log.add_expected_temperature(second, temperature_degc=5.0, from_at=POURED_AT)
    log.add_unit_choice(second, "us", said_by="Ada")
    log.add_pour_break_test(
        second, pour_id=2, tested_at=POURED_AT.replace(day=5), strength_mpa=None, word="crumbles", note=""
    )
    log.add_mold_setting(second, mold="heron", target_loss=0.2, piece_cost=1, mold_hour_cost=1, turnaround_h=1)
    finding = log.find_piece(second, 2).inspections[0].findings[0]
    log.add_review(second, finding.id, verdict="dismissed", new_kind=None, reviewer="Ada")
    assert seen(first) == before


def test_what_is_elsewhere_does_not_exist(halls):
    first, _ = halls
    for find in (
        lambda: log.find_piece(first, 2),
        lambda: log.find_photo(first, 5),
        lambda: log.find_pour(first, 2),
        lambda: log.find_reference(first, 2),
        lambda: log.add_note(first, 2, "x", written_by="Ada"),
        lambda: log.add_review(first, 2, verdict="dismissed", new_kind=None, reviewer="Ada"),
        lambda: log.withdraw_pour(first, 2, withdrawn_by="Ada", why="x"),
    ):
        with pytest.raises(InputError, match="There is no"):
            find()


def test_the_same_photo_is_kept_for_each_site_and_its_file_once(halls, place):
    found = check_log(place)
    assert (found.troubles, found.photos) == ((), 3)
    assert len([path for path in (place.folder / "photos").rglob("*") if path.is_file()]) == 3


def test_without_a_site_nothing_is_written_where_there_are_several(halls, stocked):
    with pytest.raises(InputError, match="several sites"):
        log.add_mold(stocked, "owl", title="Owl", **MOLD)
    with pytest.raises(InputError, match="several sites"), stocked.writing() as session:
        session.add(PieceRow(mold_id=1, created_at=POURED_AT))


def test_a_question_that_names_no_table_is_refused_rather_than_answered_for_all(halls):
    with halls[0].reading() as session, pytest.raises(TypeError, match="held to a site"):
        session.execute(text("SELECT count(*) FROM piece"))


def test_a_log_with_one_site_asks_as_before(stocked):
    with stocked.at(1).reading() as alone:
        assert "site" not in str(alone.scalars(select(PourRow)).all() and select(PourRow))
        assert not alone.dispatch.do_orm_execute


def test_all_of_an_older_log_is_of_the_first_site(new_place, tmp_path, monkeypatch):
    import shutil

    from inspector.log import schema

    migrations = tmp_path / "migrations"
    shutil.copytree(schema.MIGRATIONS, migrations, ignore=shutil.ignore_patterns("002*"))
    with monkeypatch.context() as patched:
        patched.setattr(schema, "MIGRATIONS", migrations)
        older = open_log(new_place)
        older.close()
    silently(
        older,
        "INSERT INTO mold (name, title, material, release_agent, created_at) "
        "VALUES ('heron', 'Heron', '', '', '2026-05-04 16:30:00');"
        "INSERT INTO view (mold_id, name) VALUES (1, 'side');"
        "INSERT INTO account (id, name, name_key, role, created_at) "
        "VALUES (1, 'Ada', 'ada', 'manage', '2026-05-04 16:30:00');"
        "INSERT INTO account (id, name, name_key, role, created_at, removed_at) "
        "VALUES (2, 'Ben', 'ben', 'see', '2026-05-04 16:30:00', '2026-05-05 16:30:00');",
    )
    moved = open_log(new_place)
    assert [mold.views for mold in log.list_molds(moved.at(1))] == [("side",)]
    assert [(account.name, account.role) for account in log.list_accounts(moved.at(1))] == [("Ada", "manage")]
    log.add_site(moved, "hall 2")
    assert log.list_molds(moved.at(2)) == ()
    assert log.list_accounts(moved.at(2)) == ()
    log.add_mold(moved.at(2), "heron", title="Heron", **MOLD)
    with pytest.raises(InputError, match="There is a mold heron already"):
        log.add_mold(moved.at(2), "heron", title="Heron", **MOLD)
    moved.close()
