import pytest

from inspector.errors import InputError

SQUARE = ((60.0, 60.0), (90.0, 60.0), (90.0, 90.0), (60.0, 90.0))


def outlines(shop):
    return {feature.name: (feature.reference_id, feature.polygon_xy) for feature in shop.mold("heron").features}


def second_reference(shop, draw):
    check = shop.add_reference(draw(shade=210), name="r2.jpg", mold="heron")
    shop.confirm_reference(check.reference.id)
    return check.reference.id


def test_a_part_is_drawn_corrected_and_taken_away(heron):
    heron.naming.draw(" bill ", reference_id=1, outline_xy=SQUARE)
    assert outlines(heron) == {"bill": (1, SQUARE)}
    heron.naming.correct("bill", reference_id=1, outline_xy=SQUARE[:3])
    assert outlines(heron) == {"bill": (1, SQUARE[:3])}
    heron.naming.remove("bill", reference_id=1)
    assert outlines(heron) == {}


def test_an_outline_that_reaches_over_the_photo_is_cut_to_it(heron):
    heron.naming.draw("bill", reference_id=1, outline_xy=((-50.0, 60.0), (90.0, 60.0), (90.0, 90.0)))
    assert outlines(heron)["bill"][1] == ((0.0, 60.0), *SQUARE[1:3])


def test_a_feature_moves_to_another_photo_so_that_the_first_can_be_retired(heron, draw):
    heron.naming.draw("bill", reference_id=1, outline_xy=SQUARE)
    second_id = second_reference(heron, draw)
    with pytest.raises(InputError, match="carries features: bill"):
        heron.retire_reference(1, said_by="Marta", why="chipped")
    heron.naming.correct("bill", reference_id=second_id, outline_xy=SQUARE)
    heron.retire_reference(1, said_by="Marta", why="chipped")
    assert outlines(heron) == {"bill": (second_id, SQUARE)}


@pytest.mark.parametrize(
    ("name", "outline_xy", "message"),
    [
        ("bill", SQUARE, "has a feature 'bill' already"),
        ("  ", SQUARE, "name of the part is empty"),
        ("leg", SQUARE[:2], "encloses nothing"),
        ("leg", ((60.0, 60.0), (70.0, 60.0), (80.0, 60.0)), "encloses nothing"),
        ("leg", ((0.0, 0.0), (3.0, 0.0), (3.0, 3.0)), "lies beside the piece"),
        ("leg", ((float("nan"), 0.0), (3.0, 0.0), (3.0, 3.0)), "no place on the photo"),
    ],
)
def test_what_is_no_part_is_refused(heron, draw, name, outline_xy, message):
    heron.naming.draw("bill", reference_id=1, outline_xy=SQUARE)
    second_id = second_reference(heron, draw)  # a name is taken on every photo of the view
    with pytest.raises(InputError, match=message):
        heron.naming.draw(name, reference_id=second_id, outline_xy=outline_xy)
    assert outlines(heron) == {"bill": (1, SQUARE)}


def test_a_feature_that_is_not_there_is_neither_corrected_nor_removed(heron):
    with pytest.raises(InputError, match="has no feature 'bill' any more"):
        heron.naming.correct("bill", reference_id=1, outline_xy=SQUARE)
    with pytest.raises(InputError, match="has no feature 'bill'"):
        heron.naming.remove("bill", reference_id=1)
