import io

import pytest
from PIL import Image

from inspector.errors import InputError
from inspector.workshop import PieceFilter

RED, BLUE = (255, 0, 0), (0, 0, 255)


@pytest.fixture
def piece(heron, draw):
    return heron.record(draw(RED), name="a.jpg", mold="heron").detail


def finding_id(detail):
    return detail.inspections[0].findings[0].id


def test_a_finding_is_dismissed(heron, piece):
    review = heron.review(finding_id(piece), verdict="dismissed", reviewer=" Ada ")
    assert (review.reviewer, review.piece_id) == ("Ada", piece.piece.id)
    assert heron.piece(piece.piece.id).piece.kinds == ()


def test_the_kind_of_a_finding_is_changed(heron, piece):
    heron.review(finding_id(piece), verdict="kind changed", kind="surface void", reviewer="Ada")
    assert heron.piece(piece.piece.id).piece.kinds == ("surface void",)


@pytest.mark.parametrize(
    ("review", "message"),
    [
        ({"verdict": "maybe", "reviewer": "Ada"}, "'maybe' is no verdict"),
        ({"verdict": "kind changed", "reviewer": "Ada"}, "A new kind goes with"),
        ({"verdict": "confirmed", "kind": "chip", "reviewer": "Ada"}, "A new kind goes with"),
        ({"verdict": "kind changed", "kind": "dent", "reviewer": "Ada"}, "'dent' is no kind of finding"),
        ({"verdict": "confirmed", "reviewer": "  "}, "name of the reviewer is empty"),
    ],
)
def test_a_review_that_says_nothing_clear_is_refused(heron, piece, review, message):
    with pytest.raises(InputError, match=message):
        heron.review(finding_id(piece), **review)
    assert heron.piece(piece.piece.id).inspections[0].findings[0].reviews == ()


def test_a_piece_waits_until_somebody_decides(heron, piece):
    assert heron.count_waiting() == 1
    heron.set_disposition(piece.piece.id, "second", decided_by="Ada", note="bill short")
    assert heron.count_waiting() == 0
    assert heron.pieces_waiting() == ()
    (decided,) = heron.pieces(PieceFilter(outcome="second"))
    assert decided.id == piece.piece.id


def test_what_cannot_become_of_a_piece_is_refused(heron, piece):
    with pytest.raises(InputError, match="'throw' is not what can become of a piece"):
        heron.set_disposition(piece.piece.id, "throw", decided_by="Ada")


def test_pieces_waiting_come_worst_first(heron, draw):
    good = heron.record(draw(), name="good.jpg", mold="heron")
    broken = heron.record(draw(RED), name="broken.jpg", mold="heron")
    night = heron.record(draw(background=0), name="night.jpg", mold="heron")
    expected = [item.detail.piece.id for item in (broken, good, night)]
    assert [waiting.id for waiting in heron.pieces_waiting()] == expected


def test_a_filter_by_a_mold_that_is_not_known_is_refused(heron):
    with pytest.raises(InputError, match="no mold hron"):
        heron.pieces(PieceFilter(mold="hron"))


def test_a_photo_is_shown_upright_and_no_larger_than_asked(heron, draw):
    # Exif 3.0, 4.6.5.1.6: orientation 6 is shown turned by 90 degrees clockwise.
    recorded = heron.record(draw(RED, orientation=6), name="a.jpg", mold="heron")
    whole = heron.photo_picture(recorded.photo_id)
    assert (whole.width_px, whole.height_px, whole.px_per_photo_px) == (240, 320, 1.0)
    small = heron.photo_picture(recorded.photo_id, max_side_px=160)
    assert Image.open(io.BytesIO(small.data)).size == (small.width_px, small.height_px) == (120, 160)
    assert small.px_per_photo_px == 0.5


def test_the_reference_is_laid_over_the_photo(heron, piece):
    (photo,) = piece.photos
    picture = heron.reference_in_photo(photo.id)
    assert (picture.width_px, picture.height_px) == (320, 240)
    # The drawn engine moves the reference by (5, 3): the block's corner (60, 40) comes to (65, 43).
    image = Image.open(io.BytesIO(picture.data)).convert("L")
    assert image.getpixel((68, 46)) > 150 > image.getpixel((62, 41))


def test_there_is_no_reference_to_lay_over_an_unusable_photo(heron, draw):
    recorded = heron.record(draw(background=0), name="night.jpg", mold="heron")
    assert heron.reference_in_photo(recorded.photo_id) is None


@pytest.mark.parametrize("ask", ["photo", "photo_file", "photo_picture", "reference_in_photo"])
def test_a_photo_that_is_not_there_is_refused(heron, ask):
    with pytest.raises(InputError, match="no photo 99"):
        getattr(heron, ask)(99)
