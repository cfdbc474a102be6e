import json

import pytest


def test_thin_parts_are_proposed_with_their_sizes(run, heron):
    result = run("mold", "features", "heron", "--propose")
    assert result.exit_code == 0, result.output
    assert "thin part 1" in result.stdout
    assert "2.0 mm" in result.stdout
    first, second = json.loads(run("mold", "features", "heron", "--propose", "--json").stdout)
    assert (first["number"], first["name"], first["view"], first["named"]) == (1, "thin part 1", "side", None)
    assert (first["thickness_mm"], first["length_mm"], first["photo"]) == (2.0, 10.0, "r1.jpg")
    # The drawn block reaches from x = 60 to 260; the parts are ten pixels of its ends.
    assert min(x for x, _ in first["polygon"]) == pytest.approx(60, abs=1)
    assert max(x for x, _ in second["polygon"]) == pytest.approx(260, abs=1)


def test_accepted_parts_become_features_and_are_proposed_as_named(run, heron):
    assert run("mold", "features", "heron", "--accept", "2", "--name", "right end").stdout == "heron: added right end\n"
    assert run("mold", "features", "heron").stdout == "side: right end\n"
    named = [part["named"] for part in json.loads(run("mold", "features", "heron", "--propose", "--json").stdout)]
    assert named == [None, "right end"]
    assert "right end" in run("mold", "show", "heron").stdout


@pytest.mark.parametrize(
    ("names", "expected"),
    [
        ([], ["thin part 2", "thin part 1"]),
        (["--name", "end"], ["end 1", "end 2"]),
        (["--name", "tail", "--name", "bill"], ["tail", "bill"]),
    ],
)
def test_names_are_given_in_the_order_of_the_numbers(run, heron, names, expected):
    result = run("mold", "features", "heron", "--accept", "2", "1", *names)
    assert result.stdout == f"heron: added {', '.join(expected)}\n"
    (left,) = [
        item for item in json.loads(run("mold", "features", "heron", "--json").stdout) if item["name"] == expected[1]
    ]
    assert min(x for x, _ in left["polygon"]) == pytest.approx(60, abs=1)


def test_a_finding_names_the_accepted_feature(run, heron):
    run("mold", "features", "heron", "--accept", "1", "--name", "bill")
    assert "bill" in run("record", "chip.jpg", "--mold", "heron").stdout


def test_proposals_are_drawn_on_their_photo(run, heron, photos):
    result = run("mold", "features", "heron", "--propose", "--preview", "look")
    assert result.exit_code == 0, result.output
    assert (photos / "look" / "r1-thin-parts.jpg").read_bytes().startswith(b"\xff\xd8\xff")


@pytest.mark.parametrize(
    ("command", "status", "message"),
    [
        ("heron --accept 3", 1, "There is no proposal 3 for mold heron: it has 2."),
        ("heron --accept 1 2 --name a --name b --name c", 1, "3 names for 2 proposals"),
        ("heron --accept 1 1 --name a --name a", 1, "has a feature 'a' already"),
        ("heron --accept", 2, "by their numbers"),
        ("heron --accept 1 --propose", 2, "Look at the proposals first"),
        ("heron --name bill", 2, "go with --accept"),
        ("heron --preview look", 2, "goes with --propose"),
        ("finial --propose", 1, "There is no mold finial"),
    ],
)
def test_what_cannot_be_done_is_told_and_nothing_is_added(run, heron, command, status, message):
    result = run("mold", "features", *command.split())
    assert result.exit_code == status, result.output
    assert message in " ".join(result.stderr.split())
    assert "no features yet" in run("mold", "features", "heron").stdout
