import io

import numpy as np
import pytest
from PIL import Image

from inspector.errors import InputError, PhotoError
from inspector.workshop import Admixture

TOML = """
name = "heron"
title = "Heron, long bill"
view = "side"
material = "silicone"
release_agent = "paste wax"

[[references]]
photo = "r1.jpg"
[[references]]
photo = "r2.jpg"

[[features]]
name = "bill"
photo = "r2.jpg"
polygon = [[60, 40], [120, 40], [120.5, 90]]
"""


@pytest.fixture
def folder(tmp_path, draw):
    path = tmp_path / "heron"
    path.mkdir()
    (path / "mold.toml").write_text(TOML)
    (path / "r1.jpg").write_bytes(draw(shade=200))
    (path / "r2.jpg").write_bytes(draw(shade=210))
    return path


def test_a_mold_is_taken_from_its_folder(shop, folder):
    added = shop.add_mold_folder(folder)
    assert (added.mold.title, added.mold.views, added.refused) == ("Heron, long bill", ("side",), ())
    assert (added.mold.references, added.mold.references_to_check) == (0, 2)
    detail = shop.mold("heron")
    assert [reference.name for reference in detail.references] == ["r1.jpg", "r2.jpg"]
    (feature,) = detail.features
    assert (feature.name, feature.polygon_xy) == ("bill", ((60, 40), (120, 40), (120.5, 90)))
    assert feature.reference_id == detail.references[1].id


def test_a_folder_taken_twice_adds_nothing(shop, folder):
    for check in shop.add_mold_folder(folder).checks:
        shop.confirm_reference(check.reference.id)
    before = shop.mold("heron")
    again = shop.add_mold_folder(folder)
    assert all(check.already_there for check in again.checks)
    assert shop.mold("heron") == before


def test_one_poor_reference_in_a_folder_does_not_stop_the_others(shop, folder, draw):
    (folder / "r1.jpg").write_bytes(draw(background=0))
    added = shop.add_mold_folder(folder)
    assert added.refused == ("Photo r1.jpg shows no piece. Lay it inside the markers.",)
    assert [check.reference.name for check in added.checks] == ["r2.jpg"]


def test_a_folder_without_any_good_reference_is_refused_and_nothing_is_added(shop, folder):
    (folder / "r1.jpg").unlink()
    (folder / "r2.jpg").write_bytes(b"not a photo")
    with pytest.raises(InputError, match=r"No photo in .*heron makes a reference\. .*r1\.jpg cannot be opened"):
        shop.add_mold_folder(folder)
    assert shop.molds() == ()


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('name = "heron"', "", "'name' must be given as a text in quotes"),
        ('name = "heron"', 'name = "Hä Ron"', "cannot be the name of a mold"),
        ('view = "side"', "view = 3", "'view' must be given as a text"),
        ('view = "side"', 'vieuw = "side"', "has 'vieuw', which is not known"),
        ('photo = "r2.jpg"\npolygon', 'photo = "r3.jpg"\npolygon', "draws feature 'bill' on r3.jpg"),
        ("[[60, 40], ", "[[60], ", "polygon of feature 'bill' must be three or more points"),
        ("[[60, 40], ", "[[nan, 40], ", "polygon of feature 'bill' must be three or more points"),
        ("[[60, 40], ", "[[6000, 40], ", r"reaches to \(6000, 40\), outside the 320 x 240 pixels of r2.jpg"),
        ('photo = "r1.jpg"', 'photo = "../r1.jpg"', "photos lie in the same folder"),
        ("[[references]]", "[references]", "cannot be read"),
    ],
)
def test_a_mold_toml_that_makes_no_sense_is_refused(shop, folder, old, new, message):
    (folder / "mold.toml").write_text(TOML.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(InputError, match=message):
        shop.add_mold_folder(folder)


def test_a_folder_without_a_mold_toml_is_refused(shop, tmp_path):
    with pytest.raises(InputError, match=r"There is no mold\.toml in"):
        shop.add_mold_folder(tmp_path)


def test_a_reference_shows_what_was_segmented(shop, draw):
    shop.add_mold("heron")
    check = shop.add_reference(draw(), name="r1.jpg", mold="heron")
    # The block was drawn from (60, 40) to (260, 200).
    drawn_xy = [(60, 40), (260, 40), (260, 200), (60, 200)]
    assert np.array(check.reference.outline_xy) == pytest.approx(np.array(drawn_xy), abs=1)
    assert check.reference.px_per_mm == 5.0
    assert not check.reference.confirmed
    drawn = Image.open(io.BytesIO(check.picture.data)).convert("RGB")
    red, _, blue = drawn.getpixel((160, 40))
    assert red - blue > 100  # vermilion on the upper edge
    assert shop.reference_picture(check.reference.id).data == check.picture.data


def test_a_poor_reference_is_refused_with_the_reason(shop, draw):
    shop.add_mold("heron")
    with pytest.raises(PhotoError, match=r"night\.jpg shows no piece"):
        shop.add_reference(draw(background=0), name="night.jpg", mold="heron")
    assert shop.mold("heron").references == ()


def test_a_reference_without_a_yes_is_not_used(shop, draw):
    shop.add_mold("heron")
    check = shop.add_reference(draw(), name="r1.jpg", mold="heron")
    with pytest.raises(InputError, match="nobody has looked at their outlines"):
        shop.models("heron")
    shop.confirm_reference(check.reference.id)
    (model,) = shop.models("heron")
    assert [reference.name for reference in model.references] == ["r1.jpg"]


def test_references_of_the_same_name_are_told_apart(shop, draw):
    shop.add_mold("heron", views=["side", "top"])
    for view, shade in (("side", 200), ("top", 210)):
        check = shop.add_reference(draw(shade=shade), name="r1.jpg", mold="heron", view=view)
        shop.confirm_reference(check.reference.id)
    side, top = shop.models("heron")
    assert [reference.name for reference in (*side.references, *top.references)] == ["r1.jpg", "r1 (2).jpg"]
    (top,) = shop.models("heron", view="top")
    assert [reference.name for reference in top.references] == ["r1 (2).jpg"]


def test_the_view_of_a_reference_must_be_said_where_there_are_several(shop, draw):
    shop.add_mold("heron", views=["side", "top"])
    with pytest.raises(InputError, match=r"several views \(side, top\)\. Say which one r1\.jpg shows"):
        shop.add_reference(draw(), name="r1.jpg", mold="heron")
    with pytest.raises(InputError, match="no view left"):
        shop.add_reference(draw(), name="r1.jpg", mold="heron", view="left")


@pytest.mark.parametrize("name", ["", "Heron", "heron bird", "-heron", "../heron", "reiher-ä", "heron--2"])
def test_a_name_that_is_no_short_name_is_refused(shop, name):
    with pytest.raises(InputError, match="cannot be the name of a mold"):
        shop.add_mold(name)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"name": " "}, "name of a mix is empty"),
        ({"cement_class": "X"}, "Cement class 'X' is not known"),
        ({"water_cement_ratio": 45}, "ratio of 45 cannot be cast"),
        ({"water_cement_ratio": float("nan")}, "ratio of nan cannot be cast"),
        ({"admixtures": [Admixture("plasticizer", 0)]}, "dose of 0 % cannot be used"),
        ({"admixtures": [Admixture("wax", 1), Admixture("wax", 2)]}, "same admixture twice"),
    ],
)
def test_a_mix_that_cannot_be_is_refused(shop, changes, message):
    mix = {"name": "grey", "cement_class": "N", "water_cement_ratio": 0.45, **changes}
    with pytest.raises(InputError, match=message):
        shop.add_mix(mix.pop("name"), **mix)


def test_a_pour_into_no_mold_is_refused(heron):
    from datetime import UTC, datetime

    with pytest.raises(InputError, match="into at least one mold"):
        heron.add_pour(mix="grey", molds=[], poured_at=datetime(2026, 5, 4, tzinfo=UTC))
