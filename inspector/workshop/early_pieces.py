"""Pieces that are said to have left their mold so soon that a slip of the pen is likelier."""

from inspector.log import Piece

__all__ = ["doubt_age"]

# Common practice, no source: ornamental mixes are opened after half a day and more; only very fast ones before this.
_SELDOM_BEFORE_H = 4.0


def doubt_age(piece: Piece) -> str | None:
    """Ask back where a piece came out sooner than most mixes allow: a few such good ones flatten its mold's curve.

    None where the age will do, or is not known.
    """
    if piece.demold_age_h is None or piece.demold_age_h >= _SELDOM_BEFORE_H:
        return None
    return (
        f"It came out {piece.demold_age_h:.1f} h after its pour, which few mixes allow. Check the pour and the time: "
        "when to open its mold is learnt from both."
    )
