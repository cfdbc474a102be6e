import io

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from inspector.errors import InputError
from inspector.workshop import PieceFilter, PieceVersion, parse_version

RED, BLUE = (255, 0, 0), (0, 0, 255)


@pytest.fixture
def piece(heron, draw):
    return heron.record(draw(RED), name="a.jpg", mold="heron").detail


def finding_id(detail):
    return detail.inspections[0].findings[0].id


def test_a_finding_is_dismissed(heron, piece):
    review = heron.reviewing.say(finding_id(piece), verdict="dismissed", reviewer=" Ada ")
    assert (review.reviewer, review.piece_id) == ("Ada", piece.piece.id)
    assert heron.piece(piece.piece.id).piece.kinds == ()


def test_the_kind_of_a_finding_is_changed(heron, piece):
    heron.reviewing.say(finding_id(piece), verdict="kind changed", kind="surface void", reviewer="Ada")
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
        heron.reviewing.say(finding_id(piece), **review)
    assert heron.piece(piece.piece.id).inspections[0].findings[0].reviews == ()


def test_a_piece_waits_until_somebody_decides(heron, piece):
    assert heron.count_waiting() == 1
    heron.reviewing.decide(piece.piece.id, "second", decided_by="Ada", note="bill short")
    assert heron.count_waiting() == 0
    assert heron.page_of_waiting(limit=1).items == ()
    (decided,) = heron.pieces(PieceFilter(outcome="second"))
    assert decided.id == piece.piece.id


def heron_outline(heron, piece, *corners, **more):
    return heron.reviewing.say(
        finding_id(piece), verdict="outline corrected", outline_xy=corners, reviewer="Ada", **more
    )


def test_a_corrected_outline_is_measured_at_the_scale_of_its_photo(heron, piece):
    # A rectangle of 50 x 20 px; the drawn engine has 5 px per mm: 10 x 4 mm, 40 mm2.
    review = heron_outline(heron, piece, (100, 80), (150, 80), (150, 100), (100, 100))
    assert (review.outline.area_mm2, review.outline.length_mm, review.outline.width_mm) == (
        pytest.approx(40), pytest.approx(10), pytest.approx(4),
    )  # fmt: skip
    held = heron.piece(piece.piece.id).inspections[0].findings[0]
    assert (held.verdict, held.length_mm) == ("outline corrected", pytest.approx(10))


def test_the_outline_of_a_crack_tells_only_its_length(heron, piece):
    heron.reviewing.say(finding_id(piece), verdict="kind changed", kind="hairline crack", reviewer="Ada")
    outline = heron_outline(heron, piece, (100, 80), (150, 80), (150, 100), (100, 100)).outline
    assert (outline.area_mm2, outline.length_mm, outline.width_mm) == (None, pytest.approx(10), None)


def test_an_outline_is_cut_to_the_photo(heron, piece):
    assert heron_outline(heron, piece, (-20, 10), (400, 10), (100, 500)).outline.polygon_xy == (
        (0.0, 10.0), (319.0, 10.0), (100.0, 239.0),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("corners", "message"),
    [
        ([(1, 1), (9, 9)], "encloses nothing"),
        ([(1, 1), (5, 5), (9, 9)], "encloses nothing"),
        ([(900, 1), (950, 5), (990, 90)], "encloses nothing"),
        ([(1, 1), (float("nan"), 5), (9, 9)], "no place on the photo"),
        ([(1, 1)] * 401, "401 corners"),
    ],
)
def test_an_outline_of_nothing_is_refused(heron, piece, corners, message):
    with pytest.raises(InputError, match=message):
        heron_outline(heron, piece, *corners)


def test_a_missed_defect_is_kept_with_its_size_and_feature(heron, piece):
    reference = heron.mold("heron").references[0]
    heron.add_feature("bill", reference_id=reference.id, polygon_xy=((200, 50), (250, 50), (250, 90), (200, 90)))
    (photo,) = piece.photos
    # The drawn engine lays the reference (5, 3) px further: the bill ends at (255, 93) on the photo.
    for corner, feature in (((230, 70), "bill"), ((252, 91), "bill"), ((256, 94), None)):
        x, y = corner
        square = ((x, y), (x + 20, y), (x + 20, y + 20), (x, y + 20))
        heron.reviewing.draw(photo.id, kind="chip", outline_xy=square, reviewer="Ada")
        drawn = heron.piece(piece.piece.id).inspections[0].findings[-1]
        assert (drawn.feature, drawn.length_mm, drawn.drawn_by) == (feature, pytest.approx(4), "Ada")


def test_nothing_is_marked_on_what_is_no_photo_of_a_piece(heron, piece):
    square = ((1, 1), (20, 1), (20, 20))
    reference = heron.mold("heron").references[0]
    with pytest.raises(InputError, match="shows no piece"):
        heron.reviewing.draw(reference.photo_id, kind="chip", outline_xy=square, reviewer="Ada")
    with pytest.raises(InputError, match="'dent' is no kind"):
        heron.reviewing.draw(piece.photos[0].id, kind="dent", outline_xy=square, reviewer="Ada")


def test_a_note_is_kept_and_an_empty_one_refused(heron, piece):
    heron.reviewing.note(piece.piece.id, "  bill short\n", written_by="Ada")
    assert [note.text for note in heron.piece(piece.piece.id).notes] == ["bill short"]
    with pytest.raises(InputError, match="note is empty"):
        heron.reviewing.note(piece.piece.id, " ", written_by="Ada")
    with pytest.raises(InputError, match="2001 signs"):
        heron.reviewing.note(piece.piece.id, "x" * 2001, written_by="Ada")


def test_the_last_word_is_taken_back(heron, piece):
    heron.reviewing.decide(piece.piece.id, "scrap", decided_by="Ada")
    assert heron.reviewing.undo(piece.piece.id, by="Ada").said.outcome == "scrap"
    assert heron.count_waiting() == 1


@given(st.builds(PieceVersion, *[st.integers(0, 10**12)] * 3))
def test_a_version_is_read_as_it_is_written(version):
    assert parse_version(str(version)) == version


@pytest.mark.parametrize("text", ["", "1.2", "1.2.3.4", "a.b.c", "1.-2.3", "1.2.³", "9" * 40 + ".1.1"])
def test_what_is_no_version_is_refused(text):
    with pytest.raises(InputError, match="which state of the piece"):
        parse_version(text)


def test_what_cannot_become_of_a_piece_is_refused(heron, piece):
    with pytest.raises(InputError, match="'throw' is not what can become of a piece"):
        heron.reviewing.decide(piece.piece.id, "throw", decided_by="Ada")


def test_pieces_waiting_come_worst_first(heron, draw):
    good = heron.record(draw(), name="good.jpg", mold="heron")
    broken = heron.record(draw(RED), name="broken.jpg", mold="heron")
    night = heron.record(draw(background=0), name="night.jpg", mold="heron")
    expected = [item.detail.piece.id for item in (broken, good, night)]
    assert [waiting.id for waiting in heron.page_of_waiting(limit=100).items] == expected


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


def test_the_difference_is_bright_where_the_piece_differs_and_dark_elsewhere(heron, piece):
    (photo,) = piece.photos
    picture = heron.difference_in_photo(photo.id, max_side_px=1600)
    image = Image.open(io.BytesIO(picture.data)).convert("L")
    assert image.size == (320, 240)
    # The red square at (90, 80) to (120, 95) is not on the good piece; what lies around (200, 150) is alike on both.
    square, alike = (np.mean(image.crop(box)) for box in ((90, 80, 120, 95), (190, 140, 220, 155)))
    assert square > 2 * alike
    assert image.getpixel((10, 10)) < 60  # outside the piece: the photo, dimmed


def test_there_is_no_reference_to_lay_over_an_unusable_photo(heron, draw):
    recorded = heron.record(draw(background=0), name="night.jpg", mold="heron")
    assert heron.reference_in_photo(recorded.photo_id) is None
    assert heron.difference_in_photo(recorded.photo_id, max_side_px=400) is None


@pytest.mark.parametrize("ask", ["photo", "photo_file", "photo_picture", "reference_in_photo"])
def test_a_photo_that_is_not_there_is_refused(heron, ask):
    with pytest.raises(InputError, match="no photo 99"):
        getattr(heron, ask)(99)
