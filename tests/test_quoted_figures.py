"""The figures in the README are those that a report wrote, not typed ones."""

import json
from pathlib import Path

import pytest

from inspector.errors import InputError
from tests.benchmarks.figures import COARSE, FINE, summarise
from tests.benchmarks.quoting import BEGIN, END, KEPT, QUOTED, quote, quoted_block, quoted_figures, with_block

README = Path(__file__).parents[1] / "README.md"


def photo(*found, kind="chip", extent_mm=5.0, width_mm=None, false=0):
    """A judged photo with a defect for each outcome."""
    defects = [
        {
            "kind": kind,
            "extent_mm": extent_mm,
            "crack_width_mm": width_mm,
            "hit": hit,
            "kind_right": hit,
            "iou": 0.5 if hit else None,
            "covered": 1.0 if hit else 0.0,
            "length_ratio": None,
            "width_error_mm": -0.05 if hit and width_mm else None,
        }
        for hit in found
    ]
    findings = [{"kind": "chip", "hits": False}] * false + [{"kind": kind, "hits": True}] * sum(found)
    outcome = {"status": "inspected", "score": 0.5, "seconds": 1.0, "good": not defects, "truly_unusable": None}
    return outcome | {"defects": defects, "findings": findings}


@pytest.fixture
def report(tmp_path):
    """Counted by hand: two of three large chips, one of two between, none of one under 2 mm; a false finding on two."""
    photos = [
        photo(True, True, False),
        photo(True, False, extent_mm=3.0),
        photo(False, extent_mm=1.5),
        photo(True, kind="hairline crack", extent_mm=30.0, width_mm=0.3),
        photo(false=1),
        photo(),
    ]
    figures = {"by_scale": {"all": summarise(photos), COARSE: summarise(photos)}}
    (tmp_path / "figures.json").write_text(json.dumps(figures), encoding="utf-8")
    return tmp_path


def test_the_readme_quotes_what_is_kept_of_the_last_report():
    kept = json.loads(KEPT.read_text(encoding="utf-8"))
    assert [list(lines) for lines in kept.values()] == [list(QUOTED)] * 2
    assert quoted_block(kept) in README.read_text(encoding="utf-8")


def test_a_report_is_quoted_between_the_marks_and_nowhere_else(report, tmp_path):
    readme, kept = tmp_path / "README.md", tmp_path / "kept.json"
    readme.write_text(f"Before.\n\n{BEGIN}\nold\n{END}\n\nAfter: 37 of 38.\n", encoding="utf-8")
    quote(report, readme, kept=kept)
    before, rest = readme.read_text(encoding="utf-8").split(BEGIN)
    block, after = rest.split(END)
    assert (before, after) == ("Before.\n\n", "\n\nAfter: 37 of 38.\n")
    lines = dict(line.strip("| ").split(" | ", 1) for line in block.strip().splitlines()[2:])
    assert lines["chips of 4 mm and more, found"] == "2 of 3 | -"
    assert lines["chips under 4 mm, found"] == "1 of 3 | -"
    assert lines["cracks of 0.2 to 0.4 mm, found"] == "1 of 1 | -"
    assert lines["false findings, mean of a good piece"] == "0.50 | -"
    assert lines["good pieces without any finding"] == "1 of 2 | -"
    assert lines["usable photos refused"] == "0 of 6 | -"
    assert lines["crack width, median error"] == "0.05 mm | -"
    assert quoted_block(json.loads(kept.read_text(encoding="utf-8"))) == f"{BEGIN}{block}{END}"
    written = readme.read_text(encoding="utf-8")
    quote(report, readme, kept=kept)
    assert readme.read_text(encoding="utf-8") == written


@pytest.mark.parametrize("text", ["none", BEGIN, f"{END} {BEGIN}", f"{BEGIN} {END} {BEGIN} {END}"])
def test_a_file_without_one_place_for_the_figures_is_refused_and_left_alone(report, tmp_path, text):
    readme, kept = tmp_path / "README.md", tmp_path / "kept.json"
    readme.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match="no one place for the figures"):
        quote(report, readme, kept=kept)
    assert readme.read_text(encoding="utf-8") == text
    assert not kept.exists()


def test_what_stands_around_the_marks_stays_to_the_letter():
    assert with_block(f"a {BEGIN} old {END} b", "new") == "a new b"


def test_both_scales_are_quoted_even_where_one_has_no_photo():
    assert list(quoted_figures({})) == [COARSE, FINE]
