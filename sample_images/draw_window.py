"""Draws the README's picture of a window being tightened and the loss falling, from the demo's two invented years.

python -m sample_images.draw_window
"""

import tempfile
from datetime import UTC, datetime
from pathlib import Path

from inspector.workshop import Workshop, add_demo_molds, add_demo_past, find_demo_folders, tightening_svg

MOLD = "wading-bird"
TARGET = Path(__file__).parent / "overlays" / "window-tightened.svg"
# After the last pour of the demo's past.
NOW = datetime(2026, 3, 1, tzinfo=UTC)


def main() -> None:
    with tempfile.TemporaryDirectory() as folder, Workshop.open(Path(folder)) as workshop:
        for _ in add_demo_molds(workshop, find_demo_folders().molds):
            pass
        for _ in add_demo_past(workshop):
            pass
        window = workshop.losses.window(MOLD, now=NOW)
        (trends,) = workshop.losses.trends(now=NOW, mold=MOLD).molds
    TARGET.write_bytes(tightening_svg(window, trends))
    print(TARGET)


if __name__ == "__main__":
    main()
