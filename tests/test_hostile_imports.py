"""Whatever is in a file that is taken in, it is taken, or refused in a sentence; nothing else happens."""

import csv
import io
from contextlib import suppress
from datetime import UTC, datetime

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from inspector.curing.logger_csv import read_logger_csv
from inspector.errors import InputError
from inspector.workshop.mold_folder import read_mold_folder
from inspector.workshop.piece_table import read_piece_table

NOW = datetime(2026, 11, 25, tzinfo=UTC)
PIECES = ("mold", "poured_at", "demolded_at", "temperature_c", "wet_cured_until_h", "defects")
# What a column may hold, what nearly fits it, and what never does.
CELLS = st.one_of(
    st.sampled_from(
        [
            "", "oak-leaf", "Oak leaf", "2026-05-04T16:30", "2026-05-05T16:30+02:00", "0001-01-01T00:00+14:00",
            "9999-12-31T23:59-12:00", "18.5", "-300", "1e400", "nan", "inf", "72", "chip", "chip;hairline crack", ";",
            "=1+1", "\x00", "\ufeff", "é", "١٢",
        ]
    ),
    st.text(max_size=20),
)  # fmt: skip


def as_csv(header, rows, *, delimiter=","):
    text = io.StringIO(newline="")
    csv.writer(text, delimiter=delimiter).writerows([header, *rows])
    return text.getvalue()


def taken_or_refused(read, *args, **options):
    with suppress(InputError):
        return read(*args, **options)
    return None


@given(st.binary(max_size=400))
def test_any_bytes_as_a_table_of_pieces(data):
    taken_or_refused(read_piece_table, data, name="a.csv", molds=(), now=NOW)


@settings(max_examples=200)
@given(st.permutations(PIECES), st.lists(st.lists(CELLS, min_size=4, max_size=7), max_size=5))
def test_any_cells_in_a_table_of_pieces(header, rows):
    data = as_csv(header, rows).encode(errors="replace")
    table = taken_or_refused(read_piece_table, data, name="a.csv", molds=(), now=NOW)
    if table is not None:
        for piece in table.pieces:
            assert piece.demolded_at.astimezone(UTC) >= piece.poured_at.astimezone(UTC)


@settings(max_examples=200)
@given(st.sampled_from([",", ";", "\t"]), st.lists(st.lists(CELLS, min_size=1, max_size=3), max_size=6))
def test_any_cells_in_a_file_of_a_logger(delimiter, rows):
    text = as_csv(["time", "temperature degC"], rows, delimiter=delimiter)
    readings = taken_or_refused(read_logger_csv, text, name="a.csv")
    assert readings is None or all(reading.at.astimezone(UTC) for reading in readings)


@settings(max_examples=200, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.dictionaries(
        st.sampled_from(["name", "title", "material", "release_agent", "view", "references", "features", "photo"]),
        st.one_of(
            CELLS.map(lambda text: '"' + text.encode("unicode_escape", errors="replace").decode() + '"'),
            st.sampled_from(
                [
                    "1",
                    "true",
                    "[]",
                    "[1]",
                    "[{}]",
                    "[{ photo = 'r1.jpg' }]",
                    "[{ name = 'a', photo = 'r1.jpg', polygon = [[1, 2], [3]] }]",
                    "nan",
                    "{}",
                ]
            ),
        ),
    )
)
def test_any_values_in_the_description_of_a_mold(tmp_path, values):
    text = "".join(f"{key} = {value}\n" for key, value in values.items())
    (tmp_path / "mold.toml").write_text(text, encoding="utf-8", errors="replace")
    taken_or_refused(read_mold_folder, tmp_path)


@pytest.mark.parametrize("name", ["../secret.jpg", "/etc/passwd", "a/../../secret.jpg"])
def test_a_description_reaches_no_file_outside_its_folder(tmp_path, name):
    (tmp_path / "mold.toml").write_text(f'name = "heron"\n[[references]]\nphoto = "{name}"\n', encoding="utf-8")
    with pytest.raises(InputError, match="photos lie in the same folder"):
        read_mold_folder(tmp_path)
