"""What windows and losses mean, in sentences that a caster can act on, with the numbers behind them."""

from collections.abc import Callable
from datetime import datetime

from inspector.risk import Cause, ColdLoss, DemoldWindow, Interval, PourLoss, Wear, YoungLoss

__all__ = ["cause_sentence", "day_words", "share_words", "window_advice", "with_degree_sign"]


def window_advice(
    window: DemoldWindow,
    *,
    temperature_degc: float,
    last_tried_h: float | None,
    mix_known: bool,
    before_setting: int,
) -> str:
    """Say when to open a mold, or what is missing to say it; `before_setting`: so many pieces came out too soon."""
    advice = _advice(window, temperature_degc=temperature_degc, last_tried_h=last_tried_h)
    if not mix_known and window.pieces > 0:
        advice = f"{advice} The mix of its pieces is not known: normal cement (class N) is taken."
    if before_setting:
        return (
            f"{advice} Not counted: {before_setting} of its pieces, which came out within 45 minutes of their pour, "
            "before any cement sets. Check their pours and times."
        )
    return advice


def _advice(window: DemoldWindow, *, temperature_degc: float, last_tried_h: float | None) -> str:
    at = f"at {temperature_degc:g} degC"
    target = _percent(window.target_loss)
    if window.verdict == "settled" and window.earliest_h is not None and window.loss_at_earliest is not None:
        sentence = (
            f"Open it from {window.earliest_h:.0f} h on, {at}: {share_words(window.loss_at_earliest)} are lost then, "
            f"surely enough under the target of {target}."
        )
        if window.latest_h is not None and window.latest_h > window.earliest_h:
            return (
                f"{sentence} A good piece costs least at {window.cheapest_h:.0f} h; after {window.latest_h:.0f} h "
                "waiting gains less than the mold's time is worth."
            )
        return f"{sentence} Waiting longer gains less than the mold's time is worth."
    if window.verdict == "never under the target":
        return (
            f"At no age is the loss surely under {target}: {share_words(window.floor)} are lost at any age. Waiting "
            f"does not mend that: look at the mold itself.{_more(window)}"
        )
    if window.earliest_h is None:
        start = f"At no age is the loss surely under {target} yet."
    elif window.pieces == 0:
        start = f"Start at {window.earliest_h:.0f} h, {at}: from practice and other molds, not from this one."
    else:
        start = f"Until then not before {window.earliest_h:.0f} h, {at}."
    if window.verdict == "too few pieces":
        pieces = "no piece" if window.pieces == 0 else f"{window.pieces} pieces, {window.lost} lost,"
        return f"Not enough evidence yet: {pieces} with a known age. {start}{_more(window)}"
    tried = "" if last_tried_h is None else f" after {last_tried_h:.0f} h"
    return f"Not enough evidence yet: no piece has been opened{tried}. {start}{_more(window)}"


def cause_sentence(
    cause: Cause,
    *,
    earliest_h: float | None,
    temperature_degc: float,
    demolded_on: Callable[[int], datetime],
    pour: str,
) -> str:
    """Say why pieces are lost and what to do about it.

    Parameters
    ----------
    cause : Cause
    earliest_h : float or None
        From which age the mold's window lets pieces out...
    temperature_degc : float
        ... at this temperature.
    demolded_on : callable
        When a piece of the history was demolded.
    pour : str
        How to call the pour of a `PourLoss`.
    """
    match cause:
        case YoungLoss():
            where = "" if cause.feature is None else f", mostly at the {cause.feature}"
            weaker = (
                "weaker than the window asks for"
                if cause.split_by_window
                else f"with less than {_percent(cause.split_strength_fraction)} of their 28-day strength"
            )
            then = (
                "Wait longer."
                if earliest_h is None
                else f"Open it from {earliest_h:.0f} h on, at {temperature_degc:g} degC."
            )
            return (
                f"Opened too early: of {cause.young_pieces} pieces {weaker}, {cause.young_lost} were lost{where}; of "
                f"{cause.older_pieces} stronger ones {cause.older_lost}. {then}"
            )
        case Wear():
            where = "" if cause.feature is None else f", {cause.feature_lost} of them at the {cause.feature}"
            return (
                f"Worn or torn mold, or trapped air: since {day_words(demolded_on(cause.since))} pieces break at every "
                f"age: {cause.lost} of {cause.pieces} lost{where}, where {cause.expected:.1f} were to be expected; of "
                f"the {cause.stronger_pieces} strongest still {cause.stronger_lost}, expected "
                f"{cause.stronger_expected:.1f}. Waiting does not help: look at the mold there, mend or replace it."
            )
        case PourLoss():
            return (
                f"One bad pour: {pour} lost {cause.of_all.lost} of {cause.of_all.pieces} pieces, "
                f"{cause.of_all.expected:.1f} expected at their ages; of this mold {cause.lost} of {cause.pieces}. "
                "Look into its mix and water; it is left out of the window."
            )
        case ColdLoss():
            return (
                f"Cold: {cause.pieces} pieces, opened after {cause.age_h:.0f} h, had "
                f"{_percent(cause.strength_fraction)} of their 28-day strength instead of "
                f"{_percent(cause.usual_strength_fraction)}: {cause.lost} were lost, {cause.expected_if_usual:.1f} "
                f"were to be expected at the usual warmth. When it is that cold, wait until {cause.wait_until_h:.0f} h "
                "or warm the room."
            )


def share_words(share: Interval) -> str:
    """A share with its interval: `2.9 % of pieces (90 % interval 1.6 to 4.9 %)`."""
    return (
        f"{_percent(share.mean)} of pieces (90 % interval {_percent(share.low).removesuffix(' %')} to "
        f"{_percent(share.high)})"
    )


def day_words(at: datetime) -> str:
    """A day as people write it: `3 March 2026`."""
    return f"{at.day} {at:%B %Y}"


def with_degree_sign(sentence: str) -> str:
    """Write degC as °C, where more than ASCII can be shown."""
    return sentence.replace(" degC", " °C")


def _more(window: DemoldWindow) -> str:
    if window.more is None:
        return ""
    return (
        f" {window.more.pieces} more pieces opened at {window.more.age_h:.0f} h would probably settle it "
        f"({100 * window.more.probability:.0f} % chance)."
    )


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %" if share < 0.1 else f"{100 * share:.0f} %"
