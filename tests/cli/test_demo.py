import json

import pytest

from inspector.workshop import DemoFolders

RED, BLUE = (255, 0, 0), (0, 0, 255)


def truth(photo, mold, *kinds, **more):
    return {"photo": photo, "mold": mold, "good": not kinds, "defects": [{"kind": kind} for kind in kinds], **more}


@pytest.fixture
def demo(photos, draw):
    """Two molds and five photos, one of them named by the truth only, as in the small demo of an installed package."""
    molds = []
    for number, name in enumerate(["heron", "finial"]):
        folder = photos / "shapes" / name
        folder.mkdir(parents=True)
        (folder / "mold.toml").write_text(f'name = "{name}"\n[[references]]\nphoto = "r1.jpg"\n')
        (folder / "r1.jpg").write_bytes(draw(shade=200 + number))
        molds.append(folder)
    samples = photos / "samples"
    samples.mkdir()
    for name, drawn in {
        "heron-01": draw(RED),
        "heron-02": draw(shade=195),
        "heron-03": draw(background=0),
        "finial-01": draw(BLUE),
    }.items():
        (samples / f"{name}.jpg").write_bytes(drawn)
    listed = [
        truth("heron-01.jpg", "heron", "chip"),
        truth("heron-02.jpg", "heron"),
        truth("heron-03.jpg", "heron", unusable="dark"),
        truth("finial-01.jpg", "finial", "hairline crack", "chip"),
        truth("finial-02.jpg", "finial"),
    ]
    (samples / "truth.json").write_text(json.dumps(listed))
    return DemoFolders(molds=tuple(molds), photos=samples)


def columns(line):
    return [cell.strip() for cell in line.strip("│ \n").split("│")]


def test_the_demo_prints_what_was_found_beside_the_truth(run, demo):
    result = run("demo", "--no-serve", demo=demo)
    assert result.exit_code == 0, result.output
    rows = {cells[0]: cells[1:] for cells in map(columns, result.stdout.splitlines()) if cells[0].endswith(".jpg")}
    assert rows["heron-01.jpg"] == ["16.0 h", "1 chip", "1 chip"]
    assert rows["heron-02.jpg"] == ["41.5 h", "nothing", "nothing"]
    assert rows["heron-03.jpg"] == ["20.5 h", "not inspected", "photo made unusable: dark"]
    assert rows["finial-01.jpg"] == ["16.0 h", "1 hairline crack", "1 hairline crack, 1 chip"]
    assert len(rows) == 4
    assert "Of 2 photos of pieces with a defect 2 were flagged; of 1 without one 1 were not." in result.stdout
    assert "Of 1 photos made unusable on purpose 1 were told to be." in result.stdout


def test_the_demo_is_a_workshop_of_its_own(run, demo, folder):
    run("demo", "--no-serve", demo=demo)
    assert json.loads(run("log", "--json").stdout) == []
    data = ["--data", "data/demo"]
    pieces = [piece for piece in json.loads(run("log", "--json", *data).stdout) if piece["photos"]]
    assert len(pieces) == 4
    assert all(piece["demold_age_h"] > 0 and piece["mix"] for piece in pieces)
    pours = json.loads(run("pour", "list", "--json", *data).stdout)
    # The latest are in the molds now; before them those of the photos.
    assert [pour["molds"] for pour in pours[:5]] == [["heron"], ["finial"], ["heron"], ["heron"], ["finial", "heron"]]
    due = json.loads(run("due", "--json", *data).stdout)
    assert sorted((piece["mold"], piece["mix"]) for piece in due) == [("finial", "grey"), ("heron", "buff")]
    assert all(0 < piece["strength_fraction"] < 1 for piece in due)
    # Two years before them, of which no piece waits.
    assert min(pour["poured_at"] for pour in pours).startswith("2024-03-04")
    waiting = json.loads(run("log", "--waiting", "--json", *data).stdout)
    assert all(piece["photos"] for piece in waiting)
    assert all(mold["references"] == 1 for mold in json.loads(run("mold", "list", "--json", *data).stdout))
    # The invented years are in the history like all that was ever written, the windows of each half year among them.
    checked = run("check", *data)
    assert checked.exit_code == 0, checked.output
    assert json.loads(run("history", "window_change", "--json", *data).stdout)


def test_building_the_demo_again_adds_nothing(run, demo):
    run("demo", "--no-serve", "--data", "shop", demo=demo)
    commands = (["log"], ["pour", "list"], ["mix", "list"], ["mold", "list"])
    before = [run(*command, "--json", "--data", "shop").stdout for command in commands]
    result = run("demo", "--no-serve", "--data", "shop", demo=demo)
    assert result.exit_code == 0, result.output
    assert "4 of 4 photos were in the log before; nothing was added for them." in result.stdout
    assert [run(*command, "--json", "--data", "shop").stdout for command in commands] == before
