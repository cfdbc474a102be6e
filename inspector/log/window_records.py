"""What the log hands out about demold windows: what they are to meet, and each change. Frozen, as in `records`."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

__all__ = ["DEFAULT_TARGET_LOSS", "MoldSetting", "Window", "WindowChange"]

# One piece in twenty (common practice, no source).
DEFAULT_TARGET_LOSS = 0.05


@dataclass(frozen=True, slots=True)
class MoldSetting:
    """What the window of a mold is to meet; None where nobody said."""

    mold: str
    target_loss: float = DEFAULT_TARGET_LOSS
    """Share of pieces that may be lost. [-]"""
    piece_cost: float | None = None
    """What a lost piece costs, in the workshop's money."""
    mold_hour_cost: float | None = None
    """What an hour of the mold is worth, in the same money."""
    turnaround_h: float | None = None
    """From demolding to the next pour: cleaning, release agent, waiting for the next batch."""
    set_at: datetime | None = None
    """None: the defaults."""


@dataclass(frozen=True, slots=True)
class Window:
    """The demold window of a mold.

    Fractions are strength fractions at demolding, hours the ages at which the mix has them at the temperature; None
    where there is no such limit or it is not known yet.
    """

    mold: str
    mix: str | None
    """The mix that the hours were worked out for."""
    temperature_degc: float
    """The temperature that the hours were worked out for."""
    earliest_h: float | None
    latest_h: float | None
    cheapest_h: float | None
    earliest_fraction: float | None
    latest_fraction: float | None
    cheapest_fraction: float | None
    enough_evidence: bool
    evidence: Mapping[str, Any]
    """What it was worked out from, as JSON has it."""


@dataclass(frozen=True, slots=True)
class WindowChange:
    """A window of a mold from a time on."""

    id: int
    at: datetime
    window: Window
