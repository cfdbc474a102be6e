from contextlib import suppress
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inspector.errors import InputError
from inspector.log import Mold
from inspector.workshop.piece_table import read_piece_table

HEADER = "mold,poured_at,demolded_at,temperature_c,wet_cured_until_h,defects\r\n"
NOW = datetime(2026, 7, 1, tzinfo=UTC)
HERON = Mold(
    id=1,
    name="heron",
    title="Heron, long bill",
    material="",
    release_agent="",
    views=("side",),
    references=0,
    references_to_check=0,
)


def read(text, *, header=HEADER):
    data = text if isinstance(text, bytes) else (header + text).encode()
    return read_piece_table(data, name="pieces.csv", molds=(HERON,), now=NOW)


def refusals(text):
    return [(refused.line, refused.reason) for refused in read(text).refused]


def test_a_line_is_a_piece():
    (piece,) = read("heron,2026-06-01T15:00+02:00,2026-06-02T21:00+02:00,18.5,48,\r\n").pieces
    assert (piece.mold, piece.line, piece.kinds) == ("heron", 2, ())
    assert (piece.temperature_degc, piece.wet_until_h) == (18.5, 48)
    assert piece.poured_at.isoformat() == "2026-06-01T15:00:00+02:00"
    assert piece.demolded_at - piece.poured_at == timedelta(hours=30)


def test_temperature_and_wet_cure_may_be_unknown():
    (piece,) = read("heron,2026-06-01T15:00,2026-06-02T15:00,,,chip\n").pieces
    assert (piece.temperature_degc, piece.wet_until_h, piece.kinds) == (None, None, ("chip",))
    assert piece.poured_at == datetime(2026, 6, 1, 15).astimezone()


@pytest.mark.parametrize(
    ("said", "kinds"),
    [
        ("chip;chip;hairline crack", ("chip", "chip", "hairline crack")),
        (" Missing  Feature ; excess;", ("missing feature", "excess")),
        ("", ()),
        (" ", ()),
    ],
)
def test_defects_are_kinds_separated_by_semicolons(said, kinds):
    assert read(f"heron,2026-06-01,2026-06-02,,,{said}\n").pieces[0].kinds == kinds


def test_utf_8_with_and_without_byte_order_mark_reads_the_same():
    text = (HEADER + "heron,2026-06-01,2026-06-02,,,\r\n").encode()
    assert read(text) == read(b"\xef\xbb\xbf" + text)


def test_columns_may_come_in_any_order():
    table = read(
        "chip,2026-06-02,heron,2026-06-01,,\n",
        header="defects,demolded_at,mold,poured_at,wet_cured_until_h,temperature_c\n",
    )
    assert (table.pieces[0].mold, table.pieces[0].kinds) == ("heron", ("chip",))


def test_fields_in_quotes_are_as_rfc_4180_has_them():
    # RFC 4180, 2.5-2.7: quotes around a field, commas and line breaks in it, quotes in it doubled.
    table = read(
        '"heron, long bill",2026-06-01,2026-06-02,,,\r\n"The ""wide""\r\nleaf",2026-06-01,2026-06-02,,,\r\nx,,,,,'
    )
    assert [(piece.mold, piece.line) for piece in table.pieces] == [("heron", 2), ("the-wide-leaf", 3)]
    assert [refused.line for refused in table.refused] == [5]


@pytest.mark.parametrize(
    ("said", "name"),
    [("heron", "heron"), ("HERON, LONG BILL", "heron"), ("Oak leaf", "oak-leaf"), ("Blütenblatt 2", "blutenblatt-2")],
)
def test_molds_are_known_by_name_or_title_and_new_ones_get_a_short_name(said, name):
    (piece,) = read(f'"{said}",2026-06-01,2026-06-02,,,\n').pieces
    assert (piece.mold, piece.mold_title) == (name, said)


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (",2026-06-01,2026-06-02,,,", "the mold is missing"),
        ("鷺,2026-06-01,2026-06-02,,,", "no short name can be made"),
        ("heron,,2026-06-02,,,", "poured_at is missing"),
        ("heron,2026-06-01,,,,", "demolded_at is missing"),
        ("heron,yesterday,2026-06-02,,,", "poured_at 'yesterday' is no time"),
        ("heron,2026-06-01,02.06.2026,,,", "'02.06.2026' is no time"),
        (
            "heron,0001-01-01T00:00,2026-06-02,,,",
            "poured_at: 0001-01-01 00:00 is no time of a workshop",
        ),
        ("heron,0001-01-01T00:00+14:00,2026-06-02,,,", "Check the year"),
        ("heron,2026-06-01,9999-12-31T23:59-12:00,,,", "Check the year"),
        ("heron,2026-06-03,2026-06-02,,,", "before the pour"),
        ("heron,2026-06-30,2026-07-02,,,", "yet to come"),
        ("heron,2025-06-01,2026-06-02T12:00,,,", "more than a year"),
        ("heron,2026-06-01,2026-06-02,warm,,", "temperature_c 'warm' is no number"),
        ('heron,2026-06-01,2026-06-02,"18,5",,', "Write it with a point"),
        ("heron,2026-06-01,2026-06-02,nan,,", "temperature_c 'nan' is no number"),
        ("heron,2026-06-01,2026-06-02,181,,", "181 degC cannot be"),
        ("heron,2026-06-01,2026-06-02,,-1,", "wet_cured_until_h is -1"),
        ("heron,2026-06-01,2026-06-02,,inf,", "wet_cured_until_h 'inf' is no number"),
        ("heron,2026-06-01,2026-06-02,,,dent", "'dent' is no kind of defect"),
        ("heron,2026-06-01,2026-06-02,,", "it has 5 fields, not 6"),
        ("heron,2026-06-01,2026-06-02,,,chip,crack", "it has 7 fields, not 6"),
    ],
)
def test_a_line_that_cannot_be_used_is_told_with_number_and_reason(line, reason):
    good = "heron,2026-06-01,2026-06-02,,,"
    ((number, said),) = refusals(f"{good}\r\n\r\n{line}\r\n{good}\r\n")
    assert number == 4
    assert reason in said


def test_all_lines_that_cannot_be_used_are_told():
    assert [line for line, _ in refusals("x,,,,,\ny,2026-06-01,2026-06-02,,,\nz,,,,,\n")] == [2, 4]


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "has no pieces"),
        (HEADER.encode(), "has no pieces"),
        (b"mold,poured_at\nheron,2026-06-01\n", "it lacks demolded_at, temperature_c, wet_cured_until_h, defects"),
        ((HEADER[:-2] + ",note\n").encode(), "it has 'note'"),
        (HEADER.replace("mold,", "mold,mold,", 1).encode(), "a column twice"),
        (HEADER.replace(",", ";").encode(), "separated by semicolons"),
        ((HEADER + "heron,2026-06-01,").encode() + b"\xff\n", "line 2: it is not UTF-8"),
        ((HEADER + 'x,1,2,3,4,5\nheron,"2026').encode(), "line 3: unexpected end of data"),
        ((HEADER + 'heron,"2026"-06-01,2026-06-02,,,\n').encode(), "line 2: "),
    ],
)
def test_a_file_that_is_no_such_table_is_refused(data, message):
    with pytest.raises(InputError, match=message):
        read(data)


@given(st.binary(max_size=200), st.text(max_size=200))
def test_no_file_crashes_it(data, text):
    for content in (data, HEADER.encode() + data, HEADER.encode() + text.encode("utf-8", "surrogatepass")):
        with suppress(InputError):
            read(content)


def test_an_import_is_all_or_nothing(heron):
    lines = ["oak-leaf,2026-06-01,2026-06-02,18,,chip", "heron,2026-06-01,2026-06-02,18,,dent"]
    result = heron.import_pieces((HEADER + "\r\n".join(lines)).encode(), name="pieces.csv")
    assert (result.imported, [refused.line for refused in result.refused]) == (None, [3])
    assert heron.pieces() == ()
    assert [mold.name for mold in heron.molds()] == ["heron"]
    assert len(heron.pours()) == 1


def test_an_import_is_in_the_log(heron):
    lines = ["oak-leaf,2026-06-01,2026-06-02,18,48,chip", "heron,2026-06-01,2026-06-02T06:00,18,,"]
    data = (HEADER + "\r\n".join(lines)).encode()
    imported = heron.import_pieces(data, name="pieces.csv").imported
    assert (len(imported.piece_ids), imported.new_molds, imported.new_pours) == (2, ("oak-leaf",), 1)
    leaf, bird = heron.curing.piece_ages()
    # EN 1992-1-1, Eq. (B.10): exp(13.65 - 4000 / 291) = 0.90873 at 18 degC.
    assert (leaf.mold, leaf.equivalent_age_h, leaf.wet_until_h) == (
        "oak-leaf",
        pytest.approx(24 * 0.90873, abs=1e-3),
        48,
    )
    assert bird.equivalent_age_h == pytest.approx(30 * 0.90873, abs=1e-3)
    assert heron.count_waiting() == 0
    assert heron.import_pieces(data, name="again.csv").imported.in_log_before == (2, 3)
    assert len(heron.pieces()) == 2
