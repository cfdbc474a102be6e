import math
import re
from pathlib import Path

from inspector.web import part_letters
from inspector.web.part_letters import letter, place_letters

# A round piece with twelve lobes at its rim, on a photo of 12 megapixels: on a phone each is 20 px wide.
PHOTO = {"width_px": 4000, "height_px": 3000}
TURNS = [number * math.tau / 12 for number in range(12)]
RIM = tuple((2000 + 700 * math.cos(turn), 1500 + 700 * math.sin(turn)) for turn in TURNS)
LOBES = [tuple((x + dx, y + dy) for dx, dy in ((-60, -60), (60, -60), (60, 60), (-60, 60))) for x, y in RIM]
# Opened over 0.72 of the height, 700 * 2 px of it become 0.72 * 270 of the 270 px of a phone: so much is one of its px.
PHONE_PX = 1400 / (0.72 * 270)


def test_letters_go_on_after_z() -> None:
    assert [letter(number) for number in (0, 25, 26, 27, 51, 52)] == ["A", "Z", "AA", "AB", "AZ", "BA"]


def test_the_page_opens_as_letters_are_placed_for() -> None:
    script = (Path(part_letters.__file__).parent / "static" / "zooming.js").read_text(encoding="utf-8")
    share, largest = (
        float(re.findall(rf"const {name} = ([\d.]+);", script)[0]) for name in ("OPENING_SHARE", "LARGEST")
    )
    assert (share, largest) == (part_letters._PIECE_SHARE, part_letters._LARGEST_ZOOM)


def test_letters_keep_off_each_other_and_the_parts_and_lines_end_at_their_own_part() -> None:
    placed = place_letters(
        [(letter(number), lobe) for number, lobe in enumerate(LOBES)], piece_xy=RIM, **PHOTO
    )  # fmt: skip
    at = [(item.x_percent * 40, item.y_percent * 30) for item in placed]
    for number, place in enumerate(at):
        assert all(math.dist(place, other) >= 20 * PHONE_PX for other in at[:number])
        assert min(math.dist(place, corner) for lobe in LOBES for corner in lobe) >= 14 * PHONE_PX
        end = (placed[number].to_x_percent * 40, placed[number].to_y_percent * 30)
        assert min(math.dist(end, corner) for corner in LOBES[number]) < 1
        assert math.dist(place, (2000, 1500)) > 700  # outside the piece
    assert max(math.dist(place, end) for place, end in zip(at, RIM, strict=True)) < 60 * PHONE_PX


def test_letters_of_a_piece_at_the_edge_stay_on_the_photo() -> None:
    corner = ((0.0, 0.0), (90.0, 0.0), (90.0, 90.0), (0.0, 90.0))
    (placed,) = place_letters([("A", corner)], piece_xy=((0, 0), (3900, 0), (3900, 2900), (0, 2900)), **PHOTO)
    assert 0 < placed.x_percent < 100
    assert 0 < placed.y_percent < 100
