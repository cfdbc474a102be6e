"""The README's pictures of the pages are those that the script takes."""

from pathlib import Path

from sample_images.show_pages import FOLDER, SHOTS

README = Path(__file__).parents[2] / "README.md"
# Somebody reads the README with a phone's contract.
MOST_BYTES = 200_000


def test_the_pictures_of_pages_are_those_that_the_script_takes() -> None:
    taken = {f"{shot.name}.jpg" for shot in SHOTS}
    assert {path.name for path in FOLDER.iterdir()} == taken
    readme = README.read_text(encoding="utf-8")
    assert {name for name in taken if f"(sample_images/pages/{name})" in readme} == taken
    assert {shot.device for shot in SHOTS} == {"phone", "laptop"}


def test_they_are_small() -> None:
    assert all(path.stat().st_size <= MOST_BYTES for path in FOLDER.iterdir())
