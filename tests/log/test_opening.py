import os
import sqlite3
import stat
import threading

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import CheckConstraint, inspect, text

from inspector import log
from inspector.errors import InputError, InspectorError
from inspector.log import back_up, check_log, open_log, postgresql_server, restore, schema
from inspector.log.schema import known_schemas
from inspector.log.tables import Base
from tests.doubles.places import as_bytes, only_postgresql, only_sqlite, silently
from tests.durability.kills import PROCESSES


def head(migrations):
    """The latest revision in a folder of migrations."""
    return max(path.name[:4] for path in (migrations / "versions").glob("0*.py"))


def test_the_names_of_the_migrations_tell_their_order():
    migrations = ScriptDirectory(str(schema.MIGRATIONS)).walk_revisions()
    assert known_schemas() == tuple(migration.revision for migration in migrations)


def test_the_migrations_make_the_tables_that_the_program_uses(opened):
    with opened.reading() as session:
        context = MigrationContext.configure(session.connection(), opts={"compare_type": True})
        assert compare_metadata(context, Base.metadata) == []


@only_sqlite
def test_the_migrations_check_what_the_tables_check(opened):
    # What compares the two leaves checks out.
    with opened.reading() as session:
        found = inspect(session.connection()).get_multi_check_constraints()
    made = {
        table: sorted((check["name"], check["sqltext"]) for check in checks) for (_, table), checks in found.items()
    }
    del made["alembic_version"]
    meant = {
        table.name: sorted(
            (check.name, str(check.sqltext)) for check in table.constraints if isinstance(check, CheckConstraint)
        )
        for table in Base.metadata.tables.values()
    }
    assert made == meant


@only_sqlite
def test_sqlite_is_set_to_keep_what_was_acknowledged(opened):
    with opened.reading() as session:
        # https://sqlite.org/pragma.html: synchronous 2 is FULL.
        assert session.scalar(text("PRAGMA journal_mode")) == "wal"
        assert session.scalar(text("PRAGMA synchronous")) == 2
        assert session.scalar(text("PRAGMA foreign_keys")) == 1


def test_a_log_opened_again_is_the_same_log(tmp_path):
    first = open_log(tmp_path)
    log.add_mold(first, "heron", title="Heron", material="", release_agent="", views=["side"])
    first.close()
    second = open_log(tmp_path)
    assert [mold.name for mold in log.list_molds(second)] == ["heron"]
    second.close()
    assert not (tmp_path / "backups").exists()


def test_a_log_of_a_newer_program_is_refused_and_left_alone(new_place):
    made = open_log(new_place)
    made.close()
    silently(made, "UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(InspectorError, match=r"newer program \(its schema is 9999"):
        open_log(new_place)
    with pytest.raises(InputError, match=r"newer program \(its schema is 9999"):
        check_log(new_place)


def test_an_older_schema_is_no_trouble(new_place):
    made = open_log(new_place)
    made.close()
    silently(made, "UPDATE alembic_version SET version_num = '0001'; DROP TABLE change")
    found = check_log(new_place)
    assert found.troubles == ()
    assert "The schema is 0001" in found.notes[-1]


def test_a_copy_is_made_before_the_schema_is_changed(new_place, tmp_path, monkeypatch):
    # A later migration is put beside a copy of the program's to move a real log forward.
    import shutil

    first = open_log(new_place)
    log.add_mold(first, "heron", title="Heron", material="", release_agent="", views=["side"])
    first.close()
    migrations = tmp_path / "migrations"
    shutil.copytree(schema.MIGRATIONS, migrations)
    (migrations / "versions" / "later.py").write_text(
        f'from alembic import op\nrevision = "later"\ndown_revision = "{head(migrations)}"\n'
        'def upgrade():\n    op.execute("DROP TABLE disposition")\n'
    )
    monkeypatch.setattr(schema, "MIGRATIONS", migrations)
    open_log(new_place).close()
    (copy,) = (new_place.folder / "backups").iterdir()
    with sqlite3.connect(copy) as connection:
        assert connection.execute("SELECT name FROM mold").fetchall() == [("heron",)]
        assert connection.execute("SELECT count(*) FROM disposition").fetchall() == [(0,)]
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    connection.close()


WORDS_OF_THE_FIRST_PROGRAM = """
INSERT INTO mold (id, name, title, material, release_agent, created_at)
VALUES (1, 'heron', 'Heron', '', '', '2026-05-04 16:30:00');
INSERT INTO view (id, mold_id, name) VALUES (1, 1, 'side');
INSERT INTO piece (id, mold_id, created_at) VALUES (1, 1, '2026-05-05 16:30:00');
INSERT INTO photo (id, sha256, name, media_type, byte_count, width_px, height_px, piece_id, created_at)
VALUES (1, x'00', 'a.jpg', 'image/jpeg', 9, 400, 300, 1, '2026-05-05 16:30:00');
INSERT INTO inspection (id, photo_id, engine_version, status, score, seconds, warnings, created_at)
VALUES (1, 1, 'first', 'inspected', 0.9, 0.1, '[]', '2026-05-05 16:30:00');
INSERT INTO finding (id, inspection_id, kind, polygon_xy, confidence)
VALUES (1, 1, 'excess', '[[1, 1], [9, 1], [9, 9]]', 0.8);
INSERT INTO review (finding_id, verdict, new_kind, reviewer, created_at)
VALUES (1, 'kind changed', 'chip', 'Ada', '2026-05-05 16:40:00');
INSERT INTO disposition (piece_id, outcome, decided_by, note, created_at)
VALUES (1, 'second', 'Ada', 'bill short', '2026-05-05 16:41:00');
"""


def test_a_log_of_the_first_program_is_moved_forward_with_all_it_holds(new_place, tmp_path, monkeypatch):
    import shutil

    migrations = tmp_path / "migrations"
    shutil.copytree(schema.MIGRATIONS, migrations, ignore=shutil.ignore_patterns("000[2-9]_*", "00[1-9]?_*"))
    with monkeypatch.context() as patched:
        patched.setattr(schema, "MIGRATIONS", migrations)
        first = open_log(new_place)
        first.close()
    silently(first, WORDS_OF_THE_FIRST_PROGRAM.replace("x'00'", as_bytes(first, b"\0")))
    moved = open_log(new_place)
    assert [mold.name for mold in log.list_molds(moved)] == ["heron"]
    assert log.find_mold_setting(moved, "heron").target_loss == 0.05
    detail = log.find_piece(moved, 1)
    (finding,) = detail.inspections[0].findings
    assert [(word.verdict, word.kind, word.reviewer) for word in finding.reviews] == [("kind changed", "chip", "Ada")]
    assert [(word.outcome, word.note) for word in detail.dispositions] == [("second", "bill short")]
    with moved.reading() as session:
        context = MigrationContext.configure(session.connection(), opts={"compare_type": True})
        assert compare_metadata(context, Base.metadata) == []
    moved.close()
    (copy,) = (new_place.folder / "backups").iterdir()
    assert "schema-0001" in copy.name


@pytest.fixture
def cut_short(tmp_path):
    """Give what makes migrations of which the last one does something, and then what it is told to do."""
    import shutil

    def make(then):
        migrations = tmp_path / "migrations"
        shutil.copytree(schema.MIGRATIONS, migrations)
        (migrations / "versions" / "broken.py").write_text(
            f'import os\nfrom alembic import op\nrevision = "broken"\ndown_revision = "{head(migrations)}"\n'
            'def upgrade():\n    op.execute("UPDATE mold SET title = title || title")\n'
            f'    op.execute("DROP TABLE disposition")\n    {then}\n'
        )
        return migrations

    return make


def test_a_migration_that_fails_changes_nothing(new_place, cut_short, monkeypatch):
    first = open_log(new_place)
    log.add_mold(first, "heron", title="Heron", material="", release_agent="", views=["side"])
    first.close()
    before = check_log(new_place)
    with monkeypatch.context() as patched:
        patched.setattr(schema, "MIGRATIONS", cut_short('raise RuntimeError("power cut")'))
        with pytest.raises(RuntimeError, match="power cut"):
            open_log(new_place)
    assert check_log(new_place) == before
    again = open_log(new_place)
    assert log.find_mold_title(again, "heron") == "Heron"
    assert log.count_pieces(again, log.PieceFilter(waiting=True)) == 0  # reads the table that was to be dropped
    again.close()
    # The copy was made, and is as good as any.
    (copy,) = (new_place.folder / "backups").iterdir()
    copy.rename(new_place.folder / "log.sqlite3")
    assert check_log(new_place.folder).last_link == before.last_link


def _open_with(migrations, place):
    """Run in a process of its own."""
    schema.MIGRATIONS = migrations
    open_log(place)


@only_postgresql
def test_a_migration_that_is_killed_changes_nothing_at_a_server(opened, place, cut_short):
    log.add_mold(opened, "heron", title="Heron", material="", release_agent="", views=["side"])
    before = check_log(place)
    process = PROCESSES.Process(target=_open_with, args=(cut_short("os.kill(os.getpid(), 9)"), place))
    process.start()
    process.join()
    assert process.exitcode == -9
    assert check_log(place) == before
    assert log.find_mold_title(opened, "heron") == "Heron"


@only_postgresql
def test_how_far_a_copy_of_a_servers_log_is_is_told(stocked, tmp_path, monkeypatch, caplog):
    stocked.database.copy_to(tmp_path / "soon.sqlite3")
    assert caplog.messages == []
    monkeypatch.setattr(postgresql_server, "_TOLD_EVERY_S", 0)
    stocked.database.copy_to(tmp_path / "long.sqlite3")
    assert any("comparison" in told and told.startswith("copying postgresql://") for told in caplog.messages)


def test_a_file_that_is_no_database_is_refused(tmp_path):
    (tmp_path / "log.sqlite3").write_bytes(b"this is a shopping list, not a database" * 100)
    with pytest.raises(InspectorError, match=r"log\.sqlite3 could not be written: file is not a database"):
        open_log(tmp_path)


def test_a_data_folder_that_cannot_be_made_is_refused(tmp_path):
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(InspectorError, match="cannot be made"):
        open_log(tmp_path / "taken" / "data")


@pytest.mark.skipif(os.name == "nt", reason="no such modes there")
def test_the_folder_is_for_this_account_unless_somebody_made_it_otherwise(tmp_path):
    open_log(tmp_path / "new" / "data").close()
    assert stat.S_IMODE((tmp_path / "new" / "data").stat().st_mode) == 0o700
    back_up(tmp_path / "new" / "data", tmp_path / "backup.zip")
    restore(tmp_path / "backup.zip", tmp_path / "restored")
    assert stat.S_IMODE((tmp_path / "restored").stat().st_mode) == 0o700
    assert stat.S_IMODE((tmp_path / "backup.zip").stat().st_mode) == 0o600
    (tmp_path / "shared").mkdir()
    (tmp_path / "shared").chmod(0o770)
    open_log(tmp_path / "shared").close()
    assert stat.S_IMODE((tmp_path / "shared").stat().st_mode) == 0o770


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="the superuser may write everywhere")
def test_a_read_only_folder_is_named(tmp_path):
    tmp_path.chmod(0o500)
    with pytest.raises(InspectorError, match=r"log\.sqlite3 could not be"):
        open_log(tmp_path)


def test_two_that_open_a_new_log_at_once_share_it(new_place):
    opened = []
    threads = [threading.Thread(target=lambda: opened.append(open_log(new_place))) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(opened) == 4
    log.add_mold(opened[0], "heron", title="", material="", release_agent="", views=["side"])
    assert [mold.name for mold in log.list_molds(opened[3])] == ["heron"]
    for each in opened:
        each.close()


@pytest.mark.parametrize("number", [2**31, 2**63, -(2**63) - 1])
def test_a_number_that_no_row_has_is_told_whatever_keeps_the_log(stocked, make, number):
    # The numbers of a server's rows end at 2**31 - 1, those of SQLite's at 2**63 - 1.
    with pytest.raises(InputError, match=r"There is no pour|A number that was given is larger than any in the log"):
        log.add_piece_photo(stocked, make.piece_photo(stocked, pour_id=number))


def test_many_threads_may_write_at_once(opened):
    def add(number):
        log.add_mold(opened, f"mold-{number}", title="", material="", release_agent="", views=["front", "back"])

    threads = [threading.Thread(target=add, args=(number,)) for number in range(16)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(log.list_molds(opened)) == 16


def test_a_failed_write_leaves_nothing_behind(stocked, make):
    before = log.count_pieces(stocked, log.PieceFilter())
    broken = make.inspection(make.CHIP, status="neither")
    with pytest.raises(Exception, match="ck_inspection_status"):
        log.add_piece_photo(stocked, make.piece_photo(stocked, inspection=broken))
    assert log.count_pieces(stocked, log.PieceFilter()) == before
    assert log.find_photo_by_content(stocked, log.sha256_of(b"\xff\xd8\xff one")) is None
