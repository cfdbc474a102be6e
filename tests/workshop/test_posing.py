import numpy as np
import pytest
from shapely import Polygon

from inspector.log import LoggedPhoto, MoldReference
from inspector.workshop.posing import pose_outline


def photo(width_px: int, height_px: int) -> LoggedPhoto:
    return LoggedPhoto(
        id=1,
        name="r1.jpg",
        sha256="0" * 64,
        byte_count=1,
        width_px=width_px,
        height_px=height_px,
        media_type="image/jpeg",
        taken_at=None,
        view="front",
        piece_id=None,
    )


@pytest.mark.parametrize("lobes", [3, 7, 12])
def test_a_thinned_outline_still_lies_on_the_piece(lobes: int) -> None:
    """Distances by shapely (GEOS), which knows nothing of how the outline was thinned."""
    turn = np.linspace(0, 2 * np.pi, 4000, endpoint=False)
    radius = 900 + 250 * np.sin(lobes * turn)
    outline = np.column_stack([2000 + radius * np.cos(turn), 1500 + radius * np.sin(turn)])
    reference = MoldReference(
        id=1,
        name="r1.jpg",
        mold="leaf",
        view="front",
        photo_id=1,
        outline_xy=tuple(map(tuple, outline)),
        px_per_mm=5.0,
        confirmed=True,
        features=(),
    )
    pose = pose_outline(reference, photo(4000, 3000))
    thinned, whole = Polygon(pose.polygon_xy), Polygon(outline)
    # What Douglas and Peucker promise: no place is further off than the tolerance, a 400th of the photo; and rounding.
    assert thinned.boundary.hausdorff_distance(whole.boundary) <= 4000 / 400 + 1
    assert len(pose.polygon_xy) < 150
    assert (pose.view, pose.width_px, pose.height_px) == ("front", 4000, 3000)
