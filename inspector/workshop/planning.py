"""What can come out of its mold now, and when the rest can; what windows are to meet, and how they changed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import ceil, isfinite

from inspector import log
from inspector.curing import (
    StrengthCurve,
    TemperatureHistory,
    age_at_equivalent_age_h,
    equivalent_age_at_strength_h,
    equivalent_age_h,
    strength_band,
    temperature_warnings,
)
from inspector.errors import InputError
from inspector.log import FilledMold, MoldSetting, PourCure, Window, WindowChange
from inspector.workshop.changes import MovedWindow, moved_window
from inspector.workshop.curing import Curing, Forecast, mix_curve, pour_temperature

__all__ = ["PRACTICE_START_FRACTION", "DuePiece", "Planning"]

# Where a mold has no window yet: half of the 28-day strength, which normal cement has after two days at 20 degC. Thin
# ornaments are opened from one day to three (common practice, no source).
PRACTICE_START_FRACTION = 0.5
# What takes longer at the temperature expected is as good as never.
_LONGEST_WAIT_H = 366 * 24.0


@dataclass(frozen=True, slots=True)
class DuePiece:
    """A piece that is still in its mold."""

    mold: str
    pour_id: int
    mix: str | None
    poured_at: datetime
    age_h: float
    equivalent_age_h: float
    """So far, corrected to 20 degC. [h]"""
    strength_fraction: float
    """So far, with a 90 % band. [-]"""
    strength_low: float
    strength_high: float
    needed_fraction: float
    """Strength fraction from which the mold's window, or practice, lets it come out. [-]"""
    window_mix: str | None
    """The mix that the window was worked out for."""
    mix_factor: float
    """By which a piece of this mix needs more strength than one of the window's. [-]"""
    from_practice: bool
    """Not enough evidence yet: the mold has no window of its own, a cautious start from practice is taken."""
    ready: bool
    """It can come out now."""
    ready_at: datetime | None
    """When it can, or could; None where it never will at the temperatures expected."""
    cheapest_at: datetime | None
    """When it costs least, where the window tells."""
    latest_at: datetime | None
    """After which waiting gains nothing worth the mold's time, where the window tells."""
    temperature_assumed: bool
    warnings: tuple[str, ...]


class Planning:
    """What the log knows about windows, and what follows for the molds that are filled.

    Parameters
    ----------
    opened : Log
        An open log, which stays open.
    curing : Curing
        What the same log knows about curing.
    """

    def __init__(self, opened: log.Log, curing: Curing) -> None:
        self._log = opened
        self._curing = curing

    def set_mold(
        self,
        mold: str,
        *,
        target_loss: float | None = None,
        piece_cost: float | None = None,
        mold_hour_cost: float | None = None,
        turnaround_h: float | None = None,
    ) -> MoldSetting:
        """Say what the window of a mold is to meet; what is left out stays as it was."""
        for value, what in (
            (piece_cost, "cost of a piece"),
            (mold_hour_cost, "cost of a mold hour"),
            (turnaround_h, "turnaround"),
        ):
            if value is not None and not (isfinite(value) and value >= 0):
                raise InputError(f"A {what} of {value:g} cannot be. Give 0 or more.")
        if target_loss is not None and not 0 < target_loss < 1:
            raise InputError(
                f"A target loss of {target_loss:g} cannot be met. Give a share between 0 and 1, as 0.05 for one piece "
                "in twenty."
            )
        before = self.mold_setting(mold)
        return log.add_mold_setting(
            self._log,
            mold=mold,
            target_loss=before.target_loss if target_loss is None else target_loss,
            piece_cost=before.piece_cost if piece_cost is None else piece_cost,
            mold_hour_cost=before.mold_hour_cost if mold_hour_cost is None else mold_hour_cost,
            turnaround_h=before.turnaround_h if turnaround_h is None else turnaround_h,
        )

    def mold_setting(self, mold: str) -> MoldSetting:
        """Tell what the window of a mold is to meet; the defaults where nobody said."""
        return log.find_mold_setting(self._log, mold)

    def filled_molds(self, *, at: datetime, pour_id: int | None = None) -> tuple[FilledMold, ...]:
        """List the molds that are filled at a time, or filled by one pour, in the order they were poured."""
        return log.list_filled_molds(self._log, at=at, pour_id=pour_id)

    def due(
        self,
        *,
        now: datetime,
        pour_id: int | None = None,
        mix_factors: Mapping[tuple[str, str | None], float] | None = None,
    ) -> tuple[DuePiece, ...]:
        """List the pieces that are in their molds at a time: those that can come out first, then by when they can.

        By the equivalent age so far, the temperatures that were written down and, from then on, those expected.

        Parameters
        ----------
        now : datetime
        pour_id : int, optional
            Only those of this pour.
        mix_factors : mapping, optional
            By mold and mix, how much more strength a piece needs than the mold's window asks for, as
            `Losses.mix_factors` gives it; 1 for those left out. [-]
        """
        in_molds = self.filled_molds(at=now, pour_id=pour_id)
        windows = log.latest_windows(self._log, molds={item.mold for item in in_molds})
        strengths = self._curing.mix_strengths()
        forecast = self._curing.forecast()
        factors = mix_factors or {}
        of_pours = {item.pour_id for item in in_molds}
        cures = {cure.pour_id: cure for cure in log.list_pour_cures(self._log, pour_ids=of_pours)}
        pieces = [
            _due_piece(
                filled.mold,
                cures[filled.pour_id],
                window=windows.get(filled.mold),
                mix_factor=factors.get((filled.mold, cures[filled.pour_id].mix), 1.0),
                curve=mix_curve(cures[filled.pour_id].mix, strengths),
                forecast=forecast,
                now=now,
            )
            for filled in in_molds
        ]
        return tuple(sorted(pieces, key=lambda piece: (piece.ready_at is None, piece.ready_at or now, piece.mold)))

    def window(self, mold: str) -> Window | None:
        """Give the window that a mold has now; None where none was worked out yet."""
        changes = self.window_changes(mold)
        return changes[-1].window if changes else None

    def window_changes(self, mold: str) -> tuple[WindowChange, ...]:
        """List all windows that a mold has had, oldest first, each with the evidence that caused it."""
        return log.list_window_changes(self._log, mold)

    def moved_windows(self, *, since: datetime) -> tuple[MovedWindow, ...]:
        """List the windows that moved since a time and why, the latest first."""
        moved = (moved_window(changes) for changes in log.list_late_windows(self._log, since=since))
        return tuple(sorted((item for item in moved if item is not None), key=lambda item: item.at, reverse=True))

    def change_windows(self, windows: Sequence[Window], *, at: datetime) -> tuple[WindowChange, ...]:
        """Write down changed windows from a time on, all or nothing."""
        return log.add_window_changes(self._log, windows, at=at)


def _due_piece(
    mold: str,
    cure: PourCure,
    *,
    window: WindowChange | None,
    mix_factor: float,
    curve: StrengthCurve,
    forecast: Forecast,
    now: datetime,
) -> DuePiece:
    temperature = pour_temperature(cure, forecast)
    history = temperature.history
    age_h = (now - cure.poured_at).total_seconds() / 3600
    aged_h = float(equivalent_age_h(history, age_h))
    band = strength_band(curve, aged_h)
    known = None if window is None else window.window
    needed = PRACTICE_START_FRACTION
    if known is not None and known.earliest_fraction is not None:
        needed = known.earliest_fraction * mix_factor

    def when(fraction: float | None) -> datetime | None:
        if fraction is None:
            return None
        return _after(cure.poured_at, _age_at_fraction_h(history, curve, fraction * mix_factor))

    ready_h = _age_at_fraction_h(history, curve, needed)
    ready_at = _after(cure.poured_at, ready_h)
    until_h = max(age_h, ready_h if isfinite(ready_h) else age_h)
    # Between two readings their mean holds, which would hide that one of them was below freezing.
    read_degc = [
        reading.temperature_degc
        for reading in cure.readings
        if timedelta(0) <= reading.at - cure.poured_at <= timedelta(hours=until_h)
    ]
    seen_degc = [*history.temperature_degc[history.starts_h <= until_h], *read_degc]
    return DuePiece(
        mold=mold,
        pour_id=cure.pour_id,
        mix=cure.mix,
        poured_at=cure.poured_at,
        age_h=age_h,
        equivalent_age_h=aged_h,
        strength_fraction=float(band.fraction),
        strength_low=float(band.low),
        strength_high=float(band.high),
        needed_fraction=needed,
        window_mix=None if known is None else known.mix,
        mix_factor=mix_factor,
        from_practice=known is None or known.earliest_fraction is None or not known.enough_evidence,
        ready=ready_at is not None and ready_at <= now,
        ready_at=ready_at,
        cheapest_at=when(None if known is None else known.cheapest_fraction),
        latest_at=when(None if known is None else known.latest_fraction),
        temperature_assumed=temperature.assumed,
        warnings=temperature_warnings(seen_degc),
    )


def _age_at_fraction_h(history: TemperatureHistory, curve: StrengthCurve, fraction: float) -> float:
    """Age at which a piece in its closed mold, which keeps it moist, has a strength fraction; infinite if never. [h]"""
    aged_h = equivalent_age_at_strength_h(curve, fraction)
    return float(age_at_equivalent_age_h(history, aged_h))


def _after(poured_at: datetime, age_h: float) -> datetime | None:
    """Time at which an age is reached, to the next whole minute."""
    return poured_at + timedelta(minutes=ceil(age_h * 60)) if age_h <= _LONGEST_WAIT_H else None
