import json
import zipfile

import pytest


@pytest.fixture
def recorded(run, heron):
    result = run("record", "chip.jpg", "good.jpg", "--mold", "heron", "--pour", "1")
    assert result.exit_code == 0, result.output
    return heron


def test_the_log_goes_into_a_zip(run, recorded, folder):
    result = run("export", "may.zip", "--mold", "heron", "--month", "2026-05")
    assert result.exit_code == 0, result.output
    assert result.stdout.startswith("may.zip: 2 pieces, ")
    with zipfile.ZipFile(folder / "may.zip") as archive:
        assert archive.testzip() is None
        assert len(json.loads(archive.read("coco.json"))["images"]) == 2
        names = archive.namelist()
    assert names[:2] == ["pieces.csv", "coco.json"]
    assert [name[-8:] for name in names[2:]] == ["good.jpg", "chip.jpg", "D-ME.txt"]


@pytest.mark.parametrize(
    ("command", "status", "message"),
    [
        ("export out.zip --mold swan", 1, "There is no mold swan"),
        ("export out.zip --month 2026-13", 2, "is no month"),
        ("export nowhere/out.zip", 1, "could not be written"),
        ("export chip.jpg", 1, "exists already"),
    ],
)
def test_what_cannot_be_exported_is_said(run, recorded, folder, command, status, message):
    result = run(*command.split())
    assert result.exit_code == status, result.output
    assert message in " ".join(result.stderr.split())
    assert not (folder / "out.zip").exists()
