"""What changed of late: windows that moved, and why."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from inspector.log import Window, WindowChange

__all__ = ["MovedWindow", "moved_window"]

# Hours are told whole: what moves by less is not seen to move.
_TOLD_FROM_H = 0.5


@dataclass(frozen=True, slots=True)
class MovedWindow:
    """A window that opens at another age than before."""

    mold: str
    at: datetime
    earliest_h: float | None
    """From which age it opens now; None where no age will do yet."""
    earliest_before_h: float | None
    why: str
    """A sentence for each reason."""


def moved_window(changes: Sequence[WindowChange]) -> MovedWindow | None:
    """Tell how the latest of a mold's windows moved against the one before, and why.

    Parameters
    ----------
    changes : sequence of WindowChange
        All windows of the mold, oldest first.

    Returns
    -------
    moved : MovedWindow or None
        None where there were fewer than two, or the age is the same to the hour.
    """
    if len(changes) < 2:
        return None
    before, now = changes[-2].window, changes[-1].window
    if before.earliest_h is not None and now.earliest_h is not None:
        if abs(now.earliest_h - before.earliest_h) < _TOLD_FROM_H:
            return None
    elif before.earliest_h == now.earliest_h:
        return None
    return MovedWindow(
        mold=now.mold,
        at=changes[-1].at,
        earliest_h=now.earliest_h,
        earliest_before_h=before.earliest_h,
        why=_why(before, now),
    )


def _why(before: Window, now: Window) -> str:
    reasons: list[str] = []
    more = now.evidence.get("pieces", 0) - before.evidence.get("pieces", 0)
    lost = now.evidence.get("lost", 0) - before.evidence.get("lost", 0)
    if more > 0:
        known = "1 more piece known" if more == 1 else f"{more} more pieces known"
        reasons.append(f"{known}, {max(0, lost)} of them lost.")
    if now.temperature_degc != before.temperature_degc:
        reasons.append(f"{now.temperature_degc:g} degC expected instead of {before.temperature_degc:g} degC.")
    if now.mix != before.mix:
        reasons.append(f"Mix {now.mix or 'not known'} is poured instead of {before.mix or 'not known'}.")
    target, target_before = now.evidence.get("target_loss"), before.evidence.get("target_loss")
    if target is not None and target_before is not None and target != target_before:
        reasons.append(f"The target is {100 * target:.1f} % lost instead of {100 * target_before:.1f} %.")
    if not reasons:
        reasons.append("What the other molds and break tests tell has changed.")
    return " ".join(reasons)
