"""Drawn photos of drawn pieces."""

import io

from PIL import Image, ImageDraw


def drawn_photo(*marks, shade=190, size=(320, 240), background=90, taken_at=None, orientation=None, kind="JPEG"):
    """Draw a photo of a light block.

    `marks` are colours of small squares on it; `taken_at` is Exif text such as "2026:05:05 18:30:00",
    with an offset after a blank if the camera wrote one.
    """
    image = Image.new("RGB", size, (background,) * 3)
    pen = ImageDraw.Draw(image)
    if background > 20:
        pen.rectangle((60, 40, size[0] - 60, size[1] - 40), fill=(shade,) * 3)
    for number, colour in enumerate(marks):
        pen.rectangle((90 + 60 * number, 80, 120 + 60 * number, 95), fill=colour)
    exif = Image.Exif()
    if orientation is not None:
        exif[0x0112] = orientation
    if taken_at is not None:
        day, time, *offset = taken_at.split()
        camera = exif.get_ifd(0x8769)
        camera[0x9003] = f"{day} {time}"
        if offset:
            camera[0x9011] = offset[0]
    file = io.BytesIO()
    image.save(file, kind, quality=95, subsampling=0, exif=exif)
    return file.getvalue()
