import io

import pytest
from PIL import Image

from inspector.inspection.batch import inspect_files, prepare_files
from inspector.inspection.own_cores import OwnCores
from tests.doubles.drawn_engine import DRAWN_ENGINE

RED, BLUE = (255, 0, 0), (0, 0, 255)


@pytest.fixture
def engine():
    return DRAWN_ENGINE


@pytest.fixture
def models(tmp_path, draw, engine):
    path = tmp_path / "r1.jpg"
    path.write_bytes(draw())
    references, _ = prepare_files([path], engine=engine)
    return [engine.combine(references)]


@pytest.fixture
def photos(tmp_path, draw):
    """Eight photos: chips at 0, 3, 6, a dark one at 1, no photo at 2, a missing file at 4."""
    paths = []
    for number in range(8):
        path = tmp_path / f"p{number}.jpg"
        if number == 2:
            path.write_bytes(b"eggs, milk, cement")
        elif number != 4:
            path.write_bytes(draw(background=0) if number == 1 else draw(*[RED] * (number % 3 == 0)))
        paths.append(path)
    return paths


@pytest.mark.parametrize("workers", [1, 2])
def test_photos_come_back_in_order_and_bad_ones_do_not_stop_the_others(photos, models, engine, workers):
    results = list(inspect_files(photos, models, engine=engine, workers=OwnCores(workers)))
    assert [result.path for result in results] == photos
    assert [len(result.inspection.findings) for result in results] == [1, 0, 0, 1, 0, 0, 1, 0]
    reasons = {result.path.name: result.inspection.reason for result in results if result.inspection.reason}
    assert sorted(reasons) == ["p1.jpg", "p2.jpg", "p4.jpg"]
    assert "p1.jpg is too dark" in reasons["p1.jpg"]
    assert "p2.jpg is not a photo" in reasons["p2.jpg"]
    assert "p4.jpg cannot be opened" in reasons["p4.jpg"]


def test_a_worker_that_dies_costs_its_photo_only(photos, models, engine, draw):
    file = io.BytesIO()
    Image.new("RGB", (64, 64), (255, 255, 0)).save(file, "PNG")
    photos[4].write_bytes(file.getvalue())  # the drawn engine ends its process on this colour
    results = list(inspect_files(photos, models, engine=engine, workers=OwnCores(2)))
    assert [result.path for result in results] == photos
    assert "ended the program" in results[4].inspection.reason
    assert [len(result.inspection.findings) for result in results] == [1, 0, 0, 1, 0, 0, 1, 0]


def test_a_fault_of_the_program_is_told_and_costs_its_photo_only(tmp_path, models, engine, draw, caplog):
    paths = [tmp_path / "white.jpg", tmp_path / "good.jpg"]
    paths[0].write_bytes(draw(shade=255, background=255))
    paths[1].write_bytes(draw(RED))
    white, good = inspect_files(paths, models, engine=engine)
    assert white.inspection.reason.startswith("The program failed on photo white.jpg (ZeroDivisionError")
    assert len(good.inspection.findings) == 1
    assert "ZeroDivisionError" in caplog.text


def test_a_folder_is_no_photo(tmp_path, models, engine):
    (result,) = inspect_files([tmp_path], models, engine=engine)
    assert "is a folder" in result.inspection.reason


def test_overlays_are_written_beside_nothing_of_the_same_name(tmp_path, models, engine, draw):
    path = tmp_path / "a.jpg"
    data = draw(RED)
    path.write_bytes(data)
    (result,) = inspect_files([path], models, engine=engine, overlay_dir=tmp_path)
    assert result.overlay == tmp_path / "a-overlay.jpg"
    assert result.overlay.read_bytes().startswith(b"\xff\xd8\xff")
    assert path.read_bytes() == data


def test_an_overlay_that_cannot_be_written_is_told_beside_the_inspection(tmp_path, models, engine, draw):
    path = tmp_path / "a.jpg"
    path.write_bytes(draw(RED))
    (result,) = inspect_files([path], models, engine=engine, overlay_dir=tmp_path / "missing")
    assert "a-overlay.jpg could not be written" in result.overlay_error
    assert len(result.inspection.findings) == 1


def test_poor_references_are_left_out_with_the_reason(tmp_path, engine, draw):
    paths = [tmp_path / "night.jpg", tmp_path / "r1.jpg", tmp_path / "gone.jpg"]
    paths[0].write_bytes(draw(background=0))
    paths[1].write_bytes(draw())
    references, refused = prepare_files(paths, engine=engine)
    assert [reference.name for reference in references] == ["r1.jpg"]
    assert [sentence.split()[1] for sentence in refused] == ["night.jpg", str(paths[2])]
