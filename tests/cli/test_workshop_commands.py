import csv
import io
import json

import pytest


def test_a_mold_is_added_with_references_that_one_says_yes_to(run, photos):
    result = run("mold", "add", "heron", "r1.jpg", "r2.jpg", "--preview", "look", answer="y\nn\n")
    assert result.exit_code == 0, result.output
    # The drawn block is 200 x 160 px at 5 px per mm.
    assert "r1.jpg: a piece of 40 x 32 mm was found." in result.stdout
    assert "r2.jpg is left out." in result.stdout
    assert sorted(path.name for path in (photos / "look").iterdir()) == ["r1-outline.jpg", "r2-outline.jpg"]
    (mold,) = json.loads(run("mold", "list", "--json").stdout)
    assert (mold["mold"], mold["views"], mold["references"], mold["references_to_check"]) == ("heron", ["front"], 1, 0)


def test_a_poor_reference_is_told_and_the_others_are_kept(run, photos):
    result = run("mold", "add", "heron", "night.jpg", "r1.jpg", "gone.jpg", "--yes")
    assert result.exit_code == 1
    assert "Left out as a reference: Photo night.jpg shows no piece" in result.stderr
    assert "gone.jpg cannot be opened" in result.stderr
    assert "1 reference" in run("mold", "show", "heron").stdout


def test_a_reference_that_does_not_agree_with_the_others_is_told(run, photos, draw):
    (photos / "other.jpg").write_bytes(draw(size=(400, 400)))
    result = run("mold", "add", "heron", "r1.jpg", "r2.jpg", "other.jpg", "--yes")
    assert result.exit_code == 0, result.output
    assert "other.jpg does not agree with the other references of heron" in result.stderr


def test_a_mold_is_added_from_its_folder_and_twice_changes_nothing(run, photos):
    (photos / "mold.toml").write_text(
        'name = "heron"\n[[references]]\nphoto = "r1.jpg"\n'
        '[[features]]\nname = "bill"\nphoto = "r1.jpg"\npolygon = [[60, 40], [90, 40], [90, 60]]\n'
    )
    for _ in range(2):
        result = run("mold", "add", "--from", ".", "--yes")
        assert result.exit_code == 0, result.output
        assert "heron: heron; views front; 1 reference, 1 feature" in result.stdout
    assert "r1.jpg, 5.00 px per mm; features: bill" in run("mold", "show", "heron", "--preview", "look").stdout
    assert (photos / "look" / "r1-outline.jpg").read_bytes().startswith(b"\xff\xd8\xff")


def test_a_view_is_added_later(run, heron, photos, draw):
    (photos / "top.jpg").write_bytes(draw(shade=220))
    result = run("mold", "add-reference", "heron", "top.jpg", "--view", "top", "--yes")
    assert result.exit_code == 0, result.output
    assert "views side, top; 3 references" in result.stdout


@pytest.mark.parametrize(
    ("command", "status", "message"),
    [
        ("mold add", 2, "Give either a NAME"),
        ("mold add heron --from .", 2, "Give either a NAME"),
        ("mold add --from . --title Heron", 2, "leave the other values out"),
        ("mold add Heron", 1, "cannot be the name of a mold"),
        ("mold show finial", 1, "There is no mold finial"),
        ("mold add --from nowhere", 1, "There is no mold.toml"),
        ("mix add x --cement-class X --water-cement-ratio 0.4", 2, "is no cement class"),
        ("mix add x --cement-class N --water-cement-ratio 40", 1, "cannot be cast"),
        ("mix add x --cement-class N --water-cement-ratio 0.4 --admixture wax", 2, "is no admixture with its dose"),
        ("pour add --mix nowhere --mold heron", 1, "There is no mix nowhere"),
        ("pour add --mix grey --mold heron --poured-at yesterday", 2, "is no time"),
        ("record chip.jpg --mold finial", 2, "There is no mold finial"),
        ("record chip.jpg --mold heron --pour 9", 2, "There is no pour 9"),
        (f"record chip.jpg --mold heron --pour {2**63}", 2, "A number that was given is larger than any in the log"),
        ("record chip.jpg --mold heron --demolded-at 0202-05-05T17:00", 2, "is no time of a workshop. Check the year"),
        ("record chip.jpg --mold heron --pour one", 2, "Invalid value for '--pour'"),
        ("log --kind dent", 2, "is no kind of finding"),
        ("log --disposition lost", 2, "is not what can become"),
        ("log --json --csv", 2, "Choose one of"),
        ("log --mold finial", 1, "There is no mold finial"),
        ("log --min-score 2", 2, "--min-score"),
        ("serve --host 203.0.113.77", 1, "Port 8417 of 203.0.113.77 cannot be used"),  # TEST-NET-3 of RFC 5737
        ("mat --output nowhere/mat.pdf", 1, "could not be written"),
        ("mat --output mat.pdf --paper A5", 2, "A5"),
    ],
)
def test_what_cannot_be_done_is_told_in_a_sentence(run, heron, command, status, message):
    result = run(*command.split())
    assert result.exit_code == status, result.output
    assert message in " ".join(result.stderr.replace("│", " ").split())
    assert "Traceback" not in result.output


def test_mixes_and_pours_are_listed(run, heron):
    (mix,) = json.loads(run("mix", "list", "--json").stdout)
    assert mix["admixtures"] == [{"name": "plasticizer", "dose_percent": 0.8}]
    (pour,) = json.loads(run("pour", "list", "--json").stdout)
    assert (pour["mix"], pour["molds"], pour["poured_at"]) == ("grey", ["heron"], "2026-05-04T16:00:00+00:00")
    assert "plasticizer 0.8 %" in run("mix", "list").stdout
    assert "2026-05-04 16:00 +0000" in run("pour", "list", "--mold", "heron").stdout


def test_photos_are_recorded_with_their_demold_age(run, heron):
    result = run("record", "chip.jpg", "good.jpg", "--mold", "heron", "--pour", "1")
    assert result.exit_code == 0, result.output
    # Poured on the 4th at 16:00 UTC, photographed on the 5th at 18:30 UTC and on the 6th at 17:00 UTC.
    assert "chip.jpg: piece 1, demold age 26.5 h: 1 finding" in result.stdout
    assert "good.jpg: piece 2, demold age 49.0 h: 0 findings" in result.stdout


def test_without_a_mold_photos_are_recognised_and_what_is_not_sure_is_not_logged(run, heron, photos, draw):
    (photos / "p1.jpg").write_bytes(draw(size=(480, 240)))
    (photos / "wide.jpg").write_bytes(draw((255, 0, 0), size=(480, 240)))
    (photos / "other.jpg").write_bytes(draw(size=(400, 400)))
    run("mold", "add", "panel", "p1.jpg", "--yes")
    result = run("record", "chip.jpg", "wide.jpg", "other.jpg")
    assert result.exit_code == 1
    assert "chip.jpg: heron, piece 1," in result.stdout
    assert "wide.jpg: panel, piece 2," in result.stdout
    assert "other.jpg is not logged: Photo other.jpg is like no registered mold" in result.stderr
    assert [piece["mold"] for piece in json.loads(run("log", "--json").stdout)] == ["panel", "heron"]


def test_more_photos_of_a_piece_need_no_mold(run, heron):
    run("record", "chip.jpg", "--mold", "heron")
    result = run("record", "crack.jpg", "--piece", "1")
    assert result.exit_code == 0, result.output
    (piece,) = json.loads(run("log", "--json").stdout)
    assert [photo["photo"] for photo in piece["photos"]] == ["chip.jpg", "crack.jpg"]


def test_the_same_photo_is_not_logged_twice(run, heron, photos):
    run("record", "chip.jpg", "--mold", "heron")
    (photos / "copy.jpg").write_bytes((photos / "chip.jpg").read_bytes())
    result = run("record", "copy.jpg", "--mold", "heron")
    assert result.exit_code == 0
    assert "copy.jpg was logged before as piece 1" in result.stdout
    assert len(json.loads(run("log", "--json").stdout)) == 1


def test_bad_photos_do_not_stop_the_others_from_being_logged(run, heron):
    result = run("record", "list.jpg", "night.jpg", "gone.jpg", "chip.jpg", "--mold", "heron")
    assert result.exit_code == 1
    assert "list.jpg is not logged: list.jpg is not a photo" in result.stderr
    assert "gone.jpg is not logged: Photo gone.jpg cannot be opened" in result.stderr
    assert "not inspected. Photo night.jpg is too dark." in result.stdout
    logged = json.loads(run("log", "--json").stdout)
    assert sorted(piece["photos"][0]["status"] for piece in logged) == ["inspected", "unusable"]


def test_demolding_before_the_pour_is_told_with_both_times(run, heron):
    result = run("record", "chip.jpg", "--mold", "heron", "--pour", "1", "--demolded-at", "2026-05-04T17:00+02:00")
    assert result.exit_code == 1
    assert "Demolding at 2026-05-04 17:00 +0200 lies before pour 1 at 2026-05-04 16:00 +0000" in result.stderr
    assert json.loads(run("log", "--json").stdout) == []


@pytest.fixture
def logged(run, heron):
    assert run("record", "chip.jpg", "crack.jpg", "good.jpg", "--mold", "heron", "--pour", "1").exit_code == 0


@pytest.mark.parametrize(
    ("filters", "expected"),
    [
        ([], [3, 2, 1]),
        (["--kind", "chip"], [1]),
        (["--min-score", "0.5"], [2, 1]),
        (["--since", "2026-05-06T00:00Z"], [3, 2]),
        (["--until", "2026-05-06T00:00Z"], [1]),
        (["--waiting"], [3, 2, 1]),
        (["--disposition", "sell"], []),
        (["--mold", "heron", "--limit", "1"], [3]),
    ],
)
def test_the_log_is_filtered(run, logged, filters, expected):
    result = run("log", "--json", *filters)
    assert [piece["piece"] for piece in json.loads(result.stdout)] == expected


def test_the_log_shows_the_demold_age_with_every_finding(run, logged):
    (piece,) = json.loads(run("log", "--json", "--kind", "chip").stdout)
    assert piece["demold_age_h"] == 26.5
    (finding,) = piece["photos"][0]["findings"]
    assert finding["demold_age_h"] == 26.5
    table = run("log", "--kind", "chip").stdout
    assert "26.5 h" in table
    assert "1 chip" in table
    assert "waiting" in table


def test_csv_is_as_rfc_4180_has_it(run, logged):
    # RFC 4180, 2: lines end in CRLF, a header of the same number of fields as the records.
    data = run("log", "--csv").stdout_bytes
    assert data.count(b"\r\n") == 4
    assert data.count(b"\n") == 4
    rows = list(csv.DictReader(io.StringIO(data.decode(), newline="")))
    assert [(row["piece"], row["kind"], row["demold_age_h"]) for row in rows] == [
        ("3", "", "49.0"),
        ("2", "hairline crack", "48.0"),
        ("1", "chip", "26.5"),
    ]
    assert len({len(row) for row in rows}) == 1


def test_a_list_goes_on_and_back_from_where_it_ended(run, logged):
    def pieces(*more):
        result = run("log", "--json", "--limit", "2", *more)
        assert result.exit_code == 0, result.stderr
        places = {line.partition(":")[0]: line.split()[-1] for line in result.stderr.splitlines()}
        return [piece["piece"] for piece in json.loads(result.stdout)], places

    first, places = pieces()
    assert (first, list(places)) == ([3, 2], ["More of them"])
    rest, places = pieces("--place", places["More of them"])
    assert (rest, list(places)) == ([1], ["Before these"])
    again, _ = pieces("--place", places["Before these"])
    assert again == first
    refused = run("log", "--place", "nowhere")
    assert refused.exit_code == 1
    assert "no place in a list" in refused.stderr


def test_what_is_learnt_in_the_night_is_told(run, logged):
    result = run("refit", "--rebuild")
    assert result.exit_code == 0, result.output
    assert "Worked out anew: 1 mold." in result.stdout
    assert run("check").exit_code == 0


def test_an_empty_log_is_told(run, folder):
    assert run("log").stdout == "No pieces in the log are like that.\n"
    assert "inspector mold add" in run("mold", "list").stdout
    assert "inspector mix add" in run("mix", "list").stdout
    assert "inspector pour add" in run("pour", "list").stdout


def test_the_data_option_goes_before_the_environment(run, heron, folder):
    assert json.loads(run("mold", "list", "--json", "--data", "other").stdout) == []
    assert (folder / "other" / "log.sqlite3").is_file()
    assert len(json.loads(run("mold", "list", "--json", "--data", "data").stdout)) == 1


def test_the_mat_is_written_as_a_pdf(run, folder):
    result = run("mat", "--paper", "A4", "--output", "mat.pdf")
    assert result.exit_code == 0, result.output
    assert (folder / "mat.pdf").read_bytes().startswith(b"%PDF-")
    run("mat", "--output", "plain.pdf", "--plain")
    assert (folder / "plain.pdf").stat().st_size < (folder / "mat.pdf").stat().st_size
