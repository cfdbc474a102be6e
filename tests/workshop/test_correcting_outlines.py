import numpy as np
import pytest
from shapely.geometry import Polygon, box

from inspector.errors import InputError
from inspector.workshop.comparison import references_code

# The block of the drawn reference, by its outermost pixels; a place over its right edge, and one beside it.
PIECE = box(60, 40, 260, 200)
OVER_THE_EDGE = ((240.0, 90.0), (290.0, 90.0), (290.0, 150.0), (240.0, 150.0))
BESIDE = ((280.0, 90.0), (300.0, 90.0), (300.0, 150.0), (280.0, 150.0))


def outline(shop):
    return Polygon(shop.reference(1).outline_xy)


@pytest.mark.parametrize(
    ("how", "wanted"),
    [
        # By Shapely, which knows nothing of pixels.
        ("take away", PIECE.difference(Polygon(OVER_THE_EDGE))),
        ("add", PIECE.union(Polygon(OVER_THE_EDGE))),
        ("draw anew", Polygon(OVER_THE_EDGE)),
    ],
)
def test_a_place_is_taken_away_added_or_drawn_anew(heron, how, wanted):
    heron.outlines.correct(1, OVER_THE_EDGE, how=how, said_by="Marta")
    assert heron.reference(1).outlined_by == "Marta"
    assert outline(heron).hausdorff_distance(wanted) < 1.5  # pixels


def test_corrections_add_up_and_the_found_outline_comes_back(heron):
    found = heron.reference(1)
    heron.outlines.correct(1, OVER_THE_EDGE, how="add", said_by="Marta")
    heron.outlines.correct(1, BESIDE, how="take away", said_by="Jo")
    assert outline(heron).bounds[2] == pytest.approx(279, abs=1.5)
    assert heron.mold("heron").references[0].outlined_by == "Jo"
    heron.outlines.take_found(1, said_by="Marta")
    heron.outlines.take_found(1, said_by="Marta")
    assert heron.reference(1) == found


def test_photos_are_compared_with_the_corrected_outline(heron, draw):
    first = heron.record(draw(shade=191), name="a.jpg", mold="heron").detail.inspections[0]
    code = references_code(heron.mold("heron").references)
    heron.outlines.correct(1, OVER_THE_EDGE, how="add", said_by="Marta")
    assert references_code(heron.mold("heron").references) != code
    # The drawn engine takes a block of another size for another mold's.
    second = heron.record(draw(shade=192), name="b.jpg", mold="heron").detail.inspections[0]
    assert [first.status, second.status] == ["inspected", "unusable"]
    heron.outlines.take_found(1, said_by="Marta")
    assert references_code(heron.mold("heron").references) == code


def test_a_mold_is_recognised_by_the_corrected_outline(heron, draw, tmp_path):
    assert heron.record(draw(shade=191), name="a.jpg").detail.piece.mold == "heron"
    heron.outlines.correct(1, OVER_THE_EDGE, how="add", said_by="Marta")
    with pytest.raises(InputError, match="like no registered mold"):
        heron.record(draw(shade=192), name="b.jpg")


@pytest.mark.parametrize(
    ("how", "drawn", "sentence"),
    [
        ("take away", BESIDE, "lies outside the outline already"),
        ("add", ((100.0, 90.0), (150.0, 90.0), (150.0, 150.0)), "lies inside the outline already"),
        ("take away", ((0.0, 0.0), (319.0, 0.0), (319.0, 239.0), (0.0, 239.0)), "Nothing of the piece would be left"),
        ("draw anew", ((10.0, 10.0), (20.0, 10.0)), "encloses nothing"),
        ("add", ((np.nan, 1.0), (2.0, 2.0), (3.0, 9.0)), "no place on the photo"),
    ],
)
def test_what_changes_or_leaves_nothing_is_refused(heron, how, drawn, sentence):
    found = heron.reference(1)
    with pytest.raises(InputError, match=sentence):
        heron.outlines.correct(1, drawn, how=how, said_by="Marta")
    assert heron.reference(1) == found
