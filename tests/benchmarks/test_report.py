"""The report of photos judged by hand: it stands by itself, tells its pictures in words, and its numbers add up."""

import json
import re
from html.parser import HTMLParser
from pathlib import Path

import cv2
import pytest

from tests.benchmarks.alignment import PhotoAlignment
from tests.benchmarks.crack_widths import WidthErrors
from tests.benchmarks.figures import COARSE, FINE
from tests.benchmarks.judging import judge_photo
from tests.benchmarks.places import PLACES, with_places
from tests.benchmarks.quoting import BEGIN, END, quote
from tests.benchmarks.real_photographs import PlantedFind, RealPhotograph
from tests.benchmarks.report import MEASURES, Scored, write_report
from tests.benchmarks.score import main

SAMPLES = Path(__file__).parents[2] / "sample_images"


def outcome(truth, *, found):
    """An inspection that finds all defects, or none and one place that is none."""
    if truth.get("unusable"):
        return {"status": "unusable", "reason": "blurred", "score": 0.0, "seconds": 1.0, "findings": []}
    places = [defect["polygon"] for defect in truth["defects"]] if found else [[[10, 10], [30, 10], [30, 30], [10, 30]]]
    findings = [
        {"kind": "chip", "polygon": place, "confidence": 0.85, "length_mm": 5.0, "width_mm": 2.0} for place in places
    ]
    return {"status": "inspected", "reason": None, "score": 0.9, "seconds": 1.0, "findings": findings}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    entries = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))
    photos = []
    for number, truth in enumerate(entries):
        row = judge_photo(truth, outcome(truth, found=number % 3 > 0), folder_photo=truth["photo"])
        photos.append(with_places(row, truth, cv2.imread(str(SAMPLES / truth["photo"]), cv2.IMREAD_GRAYSCALE)))
    scored = Scored(
        SAMPLES,
        {3: photos, 1: photos[:20]},
        alignments=(
            PhotoAlignment("a.jpg", "r1.jpg", 5.0, True, 0, 0.2, 0.6),
            PhotoAlignment("a.jpg", "3 together", 5.0, accepted=False),
        ),
        real=(RealPhotograph("brick", 2, (0, 1), 0, (PlantedFind("chip", 5.0, 5.4, True),)),),
        widths=(WidthErrors("brick", 1.0, 0.5, 2, (0.1, -0.2)), WidthErrors("brick", 1.0, 1.0, 2, ())),
    )
    folder = tmp_path_factory.mktemp("report")
    write_report(folder, scored)
    return folder


class Page(HTMLParser):
    def __init__(self, text):
        super().__init__()
        self.tags = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))


def test_the_page_needs_nothing_from_elsewhere_and_has_no_script(folder):
    page = Page((folder / "report.html").read_text(encoding="utf-8"))
    addresses = [attrs[name] for _, attrs in page.tags for name in ("src", "href", "xlink:href") if name in attrs]
    assert addresses
    assert all(address.startswith(("data:", "#")) for address in addresses)
    assert not [tag for tag, _ in page.tags if tag in ("script", "link", "iframe")]


def test_every_picture_is_told_in_words_and_every_id_is_its_own(folder):
    text = (folder / "report.html").read_text(encoding="utf-8")
    page = Page(text)
    pictures = [attrs for tag, attrs in page.tags if tag == "img" or (tag == "figure" and attrs.get("role") == "img")]
    assert len(pictures) == 2 * 2 + 1 + 1  # two kinds at two scales, the reliability, the sheet
    assert all(attrs.get("alt") or attrs.get("aria-label") for attrs in pictures)
    ids = [attrs["id"] for _, attrs in page.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    used = set(re.findall(r'(?:href="#|url\(#)([^")]+)', text))
    assert used <= set(ids)


def test_the_tables_hold_every_measure_at_both_scales(folder):
    tables = (folder / "tables.md").read_text(encoding="utf-8")
    assert all(f"| {measure.name} |" in tables for measure in MEASURES)
    rows = [line for line in tables.splitlines() if line.startswith("| ")]
    assert {row.count(" | ") + 1 for row in rows} == {3, 4, 5, 7, 8, 9}
    assert all(f"| {place} | {scale} |" in tables for place in PLACES for scale in (COARSE, FINE))
    assert "| brick | 2 | 1 | 0.50 | 1 of 1 | 0 of 0 | 0 |" in tables
    assert "| brick | 1 | 0.15 | not found |" in tables
    assert "| one reference | about 5 px/mm | 1 of 1 (100 %) | 0 | 0 | 0 | 0.20 | 0.60 |" in tables


def test_the_block_for_the_readme_stands_in_the_tables_as_it_is_quoted(folder, tmp_path):
    readme = tmp_path / "README.md"
    readme.write_text(f"{BEGIN}{END}", encoding="utf-8")
    quote(folder, readme, kept=tmp_path / "kept.json")
    block = readme.read_text(encoding="utf-8")
    assert block in (folder / "tables.md").read_text(encoding="utf-8")
    assert "| chips of 4 mm and more, found | " in block


@pytest.mark.parametrize("asked", [["--quote", "README.md"], ["--quote", "README.md", "--report", "r", "--molds", "a"]])
def test_only_a_whole_report_is_quoted(asked, capsys):
    with pytest.raises(SystemExit):
        main([str(SAMPLES), *asked])
    assert "--quote needs --report, of all molds" in capsys.readouterr().err


def test_the_numbers_are_those_of_the_photos(folder):
    figures = json.loads((folder / "figures.json").read_text(encoding="utf-8"))
    photos = figures["photos"]["3"]
    defects = [d for row in photos if row["truly_unusable"] is None for d in row["defects"]]
    assert figures["by_scale"]["all"]["found"]["any defect"]["of"] == len(defects)
    places = figures["by_place"]["all"].values()
    assert sum(found["any defect"]["of"] for found in places) == len(defects)
    assert sum(found["any defect"]["count"] for found in places) == sum(defect["hit"] for defect in defects)
    assert figures["by_references"]["1"]["photos"] == 20
    assert sum(one["findings"] for one in figures["calibration"]["bins"]) == sum(
        len(row["findings"]) for row in photos if row["truly_unusable"] is None
    )
