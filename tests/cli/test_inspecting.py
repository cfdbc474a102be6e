import json
import math

import pytest

# The keys that the JSON contract fixes, at the top and for each finding.
PHOTO_KEYS = ["photo", "status", "reason", "score", "px_per_mm", "reference", "seconds", "findings"]
FINDING_KEYS = [
    "kind", "polygon", "confidence", "area_mm2", "length_mm", "width_mm", "depth_mm", "feature",
]  # fmt: skip


def strict_json(path):
    def refuse(text):
        raise AssertionError(f"{text} is no JSON")

    return json.loads(path.read_text(encoding="utf-8"), parse_constant=refuse)


def test_json_into_a_folder_is_one_file_a_photo_named_after_it(run, photos):
    result = run("inspect", "chip.jpg", "good.jpg", "--reference", "r1.jpg", "--json", "out")
    assert result.exit_code == 0, result.output
    assert sorted(path.name for path in (photos / "out").iterdir()) == ["chip.json", "good.json"]
    chip = strict_json(photos / "out" / "chip.json")
    assert list(chip) == PHOTO_KEYS
    assert (chip["photo"], chip["status"], chip["reason"], chip["reference"]) == (
        "chip.jpg",
        "inspected",
        None,
        "r1.jpg",
    )
    (finding,) = chip["findings"]
    assert list(finding) == FINDING_KEYS
    assert finding["kind"] == "chip"
    assert math.dist(finding["polygon"][0], (90, 80)) < 2
    assert strict_json(photos / "out" / "good.json")["findings"] == []


def test_json_into_a_file_is_an_object_for_one_photo_and_an_array_for_several(run, photos):
    run("inspect", "chip.jpg", "--reference", "r1.jpg", "--json", "one.json")
    assert strict_json(photos / "one.json")["photo"] == "chip.jpg"
    run("inspect", "chip.jpg", "good.jpg", "--reference", "r1.jpg", "--json", "new/both.json")
    assert [item["photo"] for item in strict_json(photos / "new" / "both.json")] == ["chip.jpg", "good.jpg"]


@pytest.mark.parametrize("target", ["out/", "out.json/", "results"])
def test_what_ends_in_a_slash_or_has_no_json_suffix_is_a_folder(run, photos, target):
    run("inspect", "chip.jpg", "--reference", "r1.jpg", "--json", target)
    assert (photos / target / "chip.json").is_file()


def test_a_folder_that_is_there_is_a_folder_whatever_its_name(run, photos):
    (photos / "day.json").mkdir()
    run("inspect", "chip.jpg", "--reference", "r1.jpg", "--json", "day.json")
    assert (photos / "day.json" / "chip.json").is_file()


def test_bad_photos_get_a_valid_json_and_the_others_go_on(run, photos):
    names = ["list.jpg", "night.jpg", "gone.jpg", "chip.jpg"]
    result = run("inspect", *names, "--reference", "r1.jpg", "--json", "out")
    assert result.exit_code == 1
    written = {name: strict_json(photos / "out" / name.replace(".jpg", ".json")) for name in names}
    assert [written[name]["status"] for name in names] == ["unusable", "unusable", "unusable", "inspected"]
    for name in names[:3]:
        assert list(written[name]) == PHOTO_KEYS
        assert name in written[name]["reason"]
        assert written[name]["findings"] == []
        assert 0 <= written[name]["score"] <= 1
    assert "gone.jpg: not inspected. Photo gone.jpg cannot be opened" in result.stdout


def test_many_photos_are_inspected_by_workers_in_the_order_given(run, photos, draw):
    names = [f"p{number}.jpg" for number in range(9)]
    for number, name in enumerate(names):
        (photos / name).write_bytes(draw(*[(255, 0, 0)] * (number % 2)))
    result = run("inspect", *names, "--reference", "r1.jpg", "--json", "all.json")
    assert result.exit_code == 0, result.output
    results = strict_json(photos / "all.json")
    assert [item["photo"] for item in results] == names
    assert [len(item["findings"]) for item in results] == [0, 1] * 4 + [0]


def test_overlays_go_into_their_folder_and_no_photo_is_touched(run, photos):
    before = (photos / "chip.jpg").read_bytes()
    result = run("inspect", "chip.jpg", "--reference", "r1.jpg", "--overlay", ".")
    assert result.exit_code == 0, result.output
    assert (photos / "chip-overlay.jpg").read_bytes().startswith(b"\xff\xd8\xff")
    assert (photos / "chip.jpg").read_bytes() == before


def test_two_photos_of_one_name_are_refused_before_anything_is_written(run, photos):
    (photos / "other").mkdir()
    (photos / "other" / "CHIP.png").write_bytes((photos / "chip.jpg").read_bytes())
    result = run("inspect", "chip.jpg", "other/CHIP.png", "--reference", "r1.jpg", "--json", "out")
    assert result.exit_code == 2
    assert "would be written to the same file" in result.stderr
    assert not (photos / "out").exists()
    result = run("inspect", "chip.jpg", "other/CHIP.png", "--reference", "r1.jpg", "--json", "out.json")
    assert result.exit_code == 0


def test_one_bad_reference_is_left_out_with_a_warning(run, photos):
    result = run("inspect", "chip.jpg", "--reference", "night.jpg", "--reference", "r2.jpg", "--json", "one.json")
    assert result.exit_code == 0
    assert "Left out as a reference: Photo night.jpg shows no piece" in result.stderr
    assert strict_json(photos / "one.json")["reference"] == "r2.jpg"


def test_a_reference_that_does_not_agree_with_the_others_is_left_out_with_a_warning(run, photos, draw):
    (photos / "other.jpg").write_bytes(draw(size=(400, 400)))
    result = run("inspect", "chip.jpg", "--reference", "r1.jpg", "--reference", "other.jpg", "--json", "one.json")
    assert result.exit_code == 0
    assert "Left out as a reference: other.jpg does not agree with the others" in result.stderr
    assert strict_json(photos / "one.json")["reference"] == "r1.jpg"


def test_only_bad_references_are_wrong_usage(run, photos):
    result = run("inspect", "chip.jpg", "--reference", "night.jpg", "--reference", "gone.jpg")
    assert result.exit_code == 2
    assert "None of the references can be used" in result.stderr


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["chip.jpg"], "Give the references either"),
        (["chip.jpg", "--reference", "r1.jpg", "--mold", "heron"], "Give the references either"),
        (["chip.jpg", "--reference", "r1.jpg", "--data", "x"], "--data goes with --mold"),
        (["chip.jpg", "--mold", "heron"], "no mold heron"),
        (["--reference", "r1.jpg"], "Missing argument"),
        (["chip.jpg", "--reference", "r1.jpg", "--json", "r1.jpg/out"], "cannot be made"),
    ],
)
def test_wrong_usage_is_told_with_status_2(run, photos, arguments, message):
    result = run("inspect", *arguments)
    assert result.exit_code == 2
    assert message in result.stderr
    assert "Traceback" not in result.stderr


def test_references_may_come_from_the_log(run, heron, photos):
    result = run("inspect", "chip.jpg", "--mold", "heron", "--json", "one.json")
    assert result.exit_code == 0, result.output
    assert strict_json(photos / "one.json")["reference"] == "r2.jpg"
    assert json.loads(run("log", "--json").stdout) == []


def test_people_read_what_was_found_in_words(run, photos):
    result = run("inspect", "chip.jpg", "good.jpg", "--reference", "r1.jpg")
    lines = result.stdout.splitlines()
    assert lines[0] == "chip.jpg: 1 finding"
    assert lines[1].startswith("  chip, 6.")
    assert lines[1].endswith("90 % sure (outline lost)")
    assert lines[2] == "good.jpg: nothing found"
