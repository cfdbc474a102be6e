import numpy as np
import pytest

from inspector.errors import InputError
from inspector.workshop import Workshop

WIDE = (480, 240)  # a block of 360 x 160 px; the heron's is 200 x 160


@pytest.fixture
def two_molds(heron, draw):
    """The heron, and a panel with a wider block."""
    heron.add_mold("panel", views=["front"])
    check = heron.add_reference(draw(size=WIDE), name="p1.jpg", mold="panel")
    heron.confirm_reference(check.reference.id)
    return heron


@pytest.fixture
def photos(tmp_path, draw):
    folder = tmp_path / "photos"
    folder.mkdir()
    drawn = {"h": draw((255, 0, 0)), "p": draw((0, 0, 255), size=WIDE), "other": draw(size=(400, 400))}
    for name, data in {**drawn, "list": b"eggs"}.items():
        (folder / f"{name}.jpg").write_bytes(data)
    return folder


def recognised(shop, photos, *names, **options):
    return list(shop.recognise_files([photos / f"{name}.jpg" for name in names], **options))


def test_each_photo_gets_its_mold_and_view_in_the_order_given(two_molds, photos):
    found = recognised(two_molds, photos, "p", "h")
    assert [(file.path.name, file.mold, file.view, file.refusal) for file in found] == [
        ("p.jpg", "panel", "front", None),
        ("h.jpg", "heron", "side", None),
    ]


def test_what_is_not_sure_is_told_with_what_it_may_be(two_molds, photos, draw):
    two_molds.add_mold("crane")
    check = two_molds.add_reference(draw(shade=230), name="c1.jpg", mold="crane")
    two_molds.confirm_reference(check.reference.id)
    (unsure, unlike, no_photo) = recognised(two_molds, photos, "h", "other", "list")
    assert unsure.mold is None
    assert unsure.refusal == "Photo h.jpg may show crane or heron, or none of them: not sure enough. Name its mold."
    assert "is like no registered mold" in unlike.refusal
    assert "is not a photo" in no_photo.refusal


def test_a_pour_narrows_it_down_to_the_molds_that_it_filled(two_molds, photos):
    (found,) = recognised(two_molds, photos, "p", pour_id=1)  # pour 1 filled the heron only
    assert found.mold is None


def test_references_without_a_yes_are_not_recognised_by(heron, photos, draw):
    heron.add_mold("panel")
    heron.add_reference(draw(size=WIDE), name="p1.jpg", mold="panel")
    assert recognised(heron, photos, "p")[0].mold is None


def test_a_photo_that_was_logged_keeps_its_mold(two_molds, photos):
    two_molds.record((photos / "other.jpg").read_bytes(), name="other.jpg", mold="heron")
    assert recognised(two_molds, photos, "other")[0].mold == "heron"


def test_without_any_reference_nothing_can_be_recognised(shop, photos):
    with pytest.raises(InputError, match="No mold that comes into question has a reference"):
        recognised(shop, photos, "h")


def test_signatures_are_kept_between_runs_and_made_again_where_they_are_lost(two_molds, photos, engine, place):
    recognised(two_molds, photos, "h")
    kept = sorted((place.folder / "signatures").iterdir())
    assert len(kept) == 2
    kept[0].write_bytes(b"no signature")
    kept[1].unlink()
    with Workshop.open(place, engine=engine) as again:
        assert recognised(again, photos, "h")[0].mold == "heron"
    for path in kept:
        with np.load(path) as pictures:
            assert set(pictures) == {"gray", "mask", "on_mat"}


def test_a_whole_photo_is_told_from_half_of_one(two_molds, photos):
    assert two_molds.is_whole_photo(photos / "h.jpg")
    data = (photos / "h.jpg").read_bytes()
    (photos / "half.jpg").write_bytes(data[: len(data) // 2])
    assert not two_molds.is_whole_photo(photos / "half.jpg")
    assert not two_molds.is_whole_photo(photos / "list.jpg")
    assert not two_molds.is_whole_photo(photos / "gone.jpg")
