"""How pictures of numbers are drawn, for print and screen: one style, and one thread at a time."""

import io
from collections.abc import Callable
from threading import Lock
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["DRAWING", "HATCH", "INK", "IRON", "PAPER", "SIZE_IN", "SOFT", "STYLE", "drawn"]

PAPER, INK, SOFT, IRON, HATCH = "#fffdf8", "#1c1915", "#6b6255", "#8a2c10", "#d9cdb6"
STYLE: dict[Any, Any] = {
    "font.family": "serif",
    "font.serif": ["DejaVu Serif"],
    "font.size": 11,
    "axes.facecolor": PAPER,
    "figure.facecolor": PAPER,
    "savefig.facecolor": PAPER,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "xtick.color": INK,
    "ytick.color": INK,
    "text.color": INK,
    "hatch.color": HATCH,
    "hatch.linewidth": 1.2,
    "svg.hashsalt": "inspector",
    "text.parse_math": False,  # a mold may have any title, "$" in it as well
}
# The style is set for the whole process while something is drawn, so one thread draws at a time.
DRAWING = Lock()
SIZE_IN = (6.4, 4.4)
"""Width and height of a picture, where nothing else is said. [in]"""
_PRINT_DPI = 200


def drawn(
    draw: "Callable[[Figure], None]", file_format: Literal["svg", "png"], *, size_in: tuple[float, float] = SIZE_IN
) -> bytes:
    """Draw a figure into a file, without what would differ from one time to the next.

    Parameters
    ----------
    draw : callable
        Draws into a figure of the project's style.
    file_format : {"svg", "png"}
        The latter for print.
    size_in : tuple of float
        Width and height. [in]
    """
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    out = io.BytesIO()
    with DRAWING, rc_context(STYLE):
        figure = Figure(figsize=size_in, layout="constrained")
        draw(figure)
        metadata = {"Date": None} if file_format == "svg" else {"Software": None}
        figure.savefig(out, format=file_format, dpi=_PRINT_DPI, metadata=metadata)
    return out.getvalue()
