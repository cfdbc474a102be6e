"""Commands over a log that several sites share, and over one that has a single site."""

import json


def test_with_one_site_no_command_names_it(run, tmp_path):
    assert run("mold", "list", "--data", str(tmp_path)).exit_code == 0
    for command in (["mold", "list"], ["record"], ["window"], ["log"]):
        assert "--site" not in run(*command, "--help").output


def test_with_several_each_command_is_told_which(run, tmp_path, monkeypatch):
    data = ["--data", str(tmp_path)]
    added = run("site", "add", "hall 2", *data)
    assert added.output == "Added site hall 2, beside first. Tell every command which one: --site NAME.\n"
    assert run("site", "rename", "first", "hall 1", *data).exit_code == 0
    refused = run("mix", "add", "grey", "--cement-class", "N", "--water-cement-ratio", "0.5", *data)
    assert refused.exit_code != 0
    assert "This log keeps several sites: hall 1, hall 2. Name one with --site" in refused.output
    made = ["mix", "add", "grey", "--cement-class", "N", "--water-cement-ratio", "0.5", *data]
    assert run(*made, "--site", "hall 2").exit_code == 0
    assert "grey" not in run("mix", "list", *data, "--site", "hall 1").output
    monkeypatch.setenv("INSPECTOR_SITE", "hall 2")
    assert "grey" in run("mix", "list", *data).output
    unknown = run("mix", "list", *data, "--site", "hall 3")
    assert "There is no site hall 3. This log keeps: hall 1, hall 2." in unknown.output


def test_people_and_sights_are_given_site_by_site(run, tmp_path):
    data = ["--data", str(tmp_path)]
    run("account", "add", "Marta", "--role", "manage", *data)
    run("site", "add", "hall 2", *data)
    assert run("account", "role", "Marta", "see", "--site", "hall 2", *data).exit_code == 0
    (listed,) = json.loads(run("account", "list", "--json", "--site", "hall 2", *data).output)
    assert (listed["name"], listed["role"]) == ("Marta", "see")
    assert run("account", "link", "Marta", *data).exit_code == 0
    assert run("site", "let-see", "hall 2", "first", *data).output == "The people of hall 2 may look at first.\n"
    assert run("site", "list", *data).output == "first\nhall 2, whose people may look at first\n"
    assert run("site", "let-see", "hall 2", "first", "--no-more", *data).exit_code == 0
    assert "were not let look" in run("site", "let-see", "hall 2", "first", "--no-more", *data).output


def test_a_design_is_shared_and_molds_are_said_to_be_of_it(run, tmp_path):
    data = ["--data", str(tmp_path)]
    run("site", "add", "hall 2", *data)
    shared = run("site", "share-design", "large heron", "first", "hall 2", *data)
    assert shared.output == "large heron: shared by first, hall 2\n"
    assert run("site", "designs", *data).output == shared.output
    run("mold", "add", "heron", "--site", "hall 2", *data)
    said = run("site", "set-design", "heron", "large heron", "--site", "hall 2", *data)
    assert said.output == "Mold heron is of the design large heron.\n"
    assert "Give either the DESIGN" in run("site", "set-design", "heron", "--site", "hall 2", *data).output
    none = run("site", "set-design", "heron", "--none", "--site", "hall 2", *data)
    assert none.output == "Mold heron is of no shared design.\n"
    assert run("site", "share-design", "large heron", "first", "hall 2", "--no-more", *data).exit_code == 0
    assert json.loads(run("site", "designs", "--json", *data).output) == [{"name": "large heron", "sites": []}]
    assert run("site", "designs", *data).output == "large heron: shared by no site\n"
