import pytest

from inspector import log
from inspector.errors import InputError


def test_a_mold_is_read_as_it_was_written(stocked):
    mold = log.find_mold(stocked, "heron")
    assert (mold.title, mold.material, mold.release_agent) == ("Heron, long bill", "silicone", "paste wax")
    assert mold.views == ("side", "top")
    assert (mold.references, mold.references_to_check) == (0, 0)


def test_titles_are_those_of_all_molds_or_of_one(stocked):
    assert log.list_mold_titles(stocked) == {"finial": "Finial", "heron": "Heron, long bill"}
    assert log.find_mold_title(stocked, "heron") == "Heron, long bill"
    with pytest.raises(InputError, match=r"There is no mold wren in the log\. It knows: finial, heron"):
        log.find_mold_title(stocked, "wren")
    with pytest.raises(InputError, match=r"There is no mold wren in the log\. It knows: finial, heron"):
        log.list_references(stocked, "wren")


def test_a_second_mold_of_the_same_name_is_refused(stocked):
    with pytest.raises(InputError, match="There is a mold heron already"):
        log.add_mold(stocked, "heron", title="", material="", release_agent="", views=["side"])


def test_an_unknown_mold_is_refused_with_those_that_there_are(stocked):
    with pytest.raises(InputError, match=r"no mold hron in the log\. It knows: finial, heron\."):
        log.find_mold(stocked, "hron")


def test_an_unknown_mold_in_an_empty_log_says_how_to_add_one(opened):
    with pytest.raises(InputError, match="inspector mold add"):
        log.find_mold(opened, "heron")


def test_a_reference_waits_for_a_yes(stocked, make):
    reference, added = log.add_reference(stocked, make.reference(stocked), mold="heron", view="side")
    assert added
    assert not reference.confirmed
    assert log.find_mold(stocked, "heron").references_to_check == 1
    assert log.confirm_reference(stocked, reference.id).confirmed
    mold = log.find_mold(stocked, "heron")
    assert (mold.references, mold.references_to_check) == (1, 0)


def test_the_same_photo_is_one_reference_of_a_view(stocked, make):
    first, _ = log.add_reference(stocked, make.reference(stocked), mold="heron", view="side")
    second, added = log.add_reference(stocked, make.reference(stocked, name="copy.jpg"), mold="heron", view="side")
    assert not added
    assert second == first


def test_names_of_references_are_unique_within_a_mold(stocked, make):
    names = []
    for number, view in enumerate(["side", "top", "top"]):
        new = make.reference(stocked, b"\xff\xd8\xff %d" % number)
        names.append(log.add_reference(stocked, new, mold="heron", view=view)[0].name)
    assert names == ["r1.jpg", "r1 (2).jpg", "r1 (3).jpg"]


def test_a_discarded_reference_is_gone_but_its_photo_stays(stocked, make):
    reference, _ = log.add_reference(stocked, make.reference(stocked), mold="heron", view="side")
    log.add_feature(stocked, "bill", reference_id=reference.id, polygon_xy=((0, 0), (9, 0), (9, 9)))
    log.discard_reference(stocked, reference.id)
    assert log.list_references(stocked, "heron") == ()
    assert log.read_photo_file(stocked, reference.photo_id).data == b"\xff\xd8\xff ref"


def test_a_reference_in_use_is_not_discarded(stocked, make):
    reference, _ = log.add_reference(stocked, make.reference(stocked), mold="heron", view="side")
    log.confirm_reference(stocked, reference.id)
    with pytest.raises(InputError, match=r"r1\.jpg of mold heron is in use"):
        log.discard_reference(stocked, reference.id)


def test_a_feature_drawn_again_moves(stocked, make):
    reference, _ = log.add_reference(stocked, make.reference(stocked), mold="heron", view="side")
    log.add_feature(stocked, "bill", reference_id=reference.id, polygon_xy=((0, 0), (9, 0), (9, 9)))
    log.add_feature(stocked, "bill", reference_id=reference.id, polygon_xy=((1, 1), (9, 0), (9, 9)))
    ((feature,),) = [item.features for item in log.list_references(stocked, "heron")]
    assert feature.polygon_xy == ((1, 1), (9, 0), (9, 9))


def test_a_view_is_added_once(stocked):
    log.add_view(stocked, mold="heron", view="back")
    log.add_view(stocked, mold="heron", view="back")
    assert log.find_mold(stocked, "heron").views == ("side", "top", "back")


def test_a_corrected_outline_counts_until_the_found_one_is_taken_again(stocked, make):
    found, _ = log.add_reference(stocked, make.reference(stocked), mold="heron", view="side")
    drawn = ((1.0, 1.0), (9.0, 1.0), (9.0, 9.5))
    log.set_reference_outline(stocked, found.id, drawn, said_by="Marta")
    (held,) = log.list_references(stocked, "heron")
    assert (held.outline_xy, held.outlined_by) == (drawn, "Marta")
    assert log.find_reference(stocked, found.id) == held
    log.set_reference_outline(stocked, found.id, None, said_by="Jo")
    assert log.find_reference(stocked, found.id) == found
    log.discard_reference(stocked, found.id)
    assert log.list_references(stocked, "heron") == ()
