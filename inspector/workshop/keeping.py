"""A photo's file on disk, and what its row in the log is to say."""

from inspector.imaging.reading import Photo
from inspector.log import Log, NewPhoto
from inspector.workshop.times import with_offset

__all__ = ["keep_photo"]


def keep_photo(opened: Log, data: bytes, photo: Photo) -> NewPhoto:
    """Bring the file of a photo that could be read to disk, so that a row may name it."""
    height_px, width_px = photo.image_bgr.shape[:2]
    return NewPhoto.kept(
        opened,
        data,
        name=photo.name,
        width_px=width_px,
        height_px=height_px,
        taken_at=None if photo.taken_at is None else with_offset(photo.taken_at),
    )
