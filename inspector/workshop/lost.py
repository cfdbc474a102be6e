"""When a piece counts as lost: the one rule that windows, trends and pictures go by.

What is lost is what age, wear or a bad pour can break: missing features, chips and hairline cracks. Bugholes and flash
come from pouring and say nothing about demolding.

1. A finding of such a kind counts if a person confirmed it (or changed its kind to such a one); if nobody has looked,
   it counts if it is more likely there than not, and nobody has decided to sell the piece. A dismissed one never does.
2. A defect of such a kind that was noted by hand (an imported spreadsheet) counts.
3. A piece that went to scrap or second counts as well, unless a confirmed finding or a note names another defect,
   which is then why.
4. Of a piece with no usable photo, nothing outlined by hand, no note and no disposition nobody knows how it came out:
   it is left out.

A repair alone counts by its findings: what was patched was broken.
"""

from dataclasses import dataclass

from inspector.log import PieceOutcome

__all__ = ["LOST_KINDS", "Loss", "judge_loss"]

LOST_KINDS = frozenset({"missing feature", "chip", "hairline crack"})
# More likely there than not.
_LEAST_CONFIDENCE = 0.5


@dataclass(frozen=True, slots=True)
class Loss:
    """Whether a piece was lost, and where."""

    lost: bool
    features: tuple[str, ...]
    """Those that are known to be broken."""


_WHOLE = Loss(lost=False, features=())


def judge_loss(outcome: PieceOutcome) -> Loss | None:
    """Tell whether a piece was lost; None where nobody knows."""
    outlined = any(found.verdict != "dismissed" for found in outcome.found)
    if not outcome.inspected and not outlined and outcome.noted is None and outcome.outcome is None:
        return None
    if not outcome.found and not outcome.noted and outcome.outcome in (None, "sell", "repair"):
        return _WHOLE
    standing = [
        found
        for found in outcome.found
        if found.verdict not in (None, "dismissed")
        or (found.verdict is None and found.confidence >= _LEAST_CONFIDENCE and outcome.outcome != "sell")
    ]
    noted = outcome.noted or ()
    features = [found.feature for found in standing if found.kind in LOST_KINDS]
    features += [defect.feature for defect in noted if defect.kind in LOST_KINDS]
    confirmed = [found for found in standing if found.verdict is not None]
    thrown_out = outcome.outcome in ("second", "scrap") and not confirmed and not noted
    return Loss(
        lost=bool(features) or thrown_out,
        features=tuple(dict.fromkeys(feature for feature in features if feature is not None)),
    )
