"""Pours that a pour book holds, for tests of what the past tells."""

from datetime import datetime, timedelta

from inspector.log import NotedDefect, PastPiece, PastPour

__all__ = ["past_pour"]


def past_pour(
    poured_at: datetime,
    *defects: NotedDefect,
    mold: str,
    age_h: float,
    mix: str = "grey",
    temperature_degc: float = 20.0,
) -> PastPour:
    """A pour of one piece, demolded at that age with these defects."""
    piece = PastPiece(mold=mold, demolded_at=poured_at + timedelta(hours=float(age_h)), defects=defects)
    return PastPour(
        mix=mix,
        poured_at=poured_at,
        temperature_degc=temperature_degc,
        wet_until_h=None,
        cure_notes="",
        pieces=(piece,),
    )
