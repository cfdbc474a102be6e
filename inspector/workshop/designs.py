"""Designs that sites share: what molds of one tell about each other, and which molds are of one.

From site to site goes what the pieces of each mold tell by themselves, as a normal of three numbers
(`inspector.risk.designs`), never a piece. It is kept when losses are learnt, so that a page needs one look.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from inspector import log
from inspector.log import DesignChoices, SisterMold
from inspector.risk import DesignEvidence, MoldEstimate

__all__ = ["FEWEST_TOLD", "Designs", "KnownDesign", "estimate_text", "known_designs"]

FEWEST_TOLD = 5
"""An estimate of fewer pieces would tell of single ones, and next to nothing of the design."""


@dataclass(frozen=True, slots=True, eq=False)
class KnownDesign:
    """What other molds of its design tell about a mold."""

    evidence: DesignEvidence
    sentence: str
    """From how many pieces that is, and where they are as far as it may be told."""


class Designs:
    """The designs that a site shares.

    Parameters
    ----------
    opened : Log
        Held to the site.
    """

    def __init__(self, opened: log.Log) -> None:
        self._log = opened

    def choices(self, mold: str) -> DesignChoices:
        """Find the designs that a mold may be said to be of, and the one that it is of; none where none is shared."""
        return log.find_design_choices(self._log, mold)

    def set(self, mold: str, design: str | None) -> None:
        """Say which design a mold is of; None: none that is shared.

        Raises
        ------
        InputError
            If there is no such mold, or its site shares no such design.
        """
        log.set_design(self._log, mold, None if design is None else design.strip())


def known_designs(sisters: Sequence[SisterMold]) -> dict[str, KnownDesign]:
    """Give by mold what its sisters tell, from what was kept of them."""
    by_mold: dict[str, list[SisterMold]] = {}
    for sister in sisters:
        by_mold.setdefault(sister.mold, []).append(sister)
    known = {}
    for mold, found in by_mold.items():
        estimates = [(sister, _read(sister.said)) for sister in found]
        evidence = DesignEvidence(
            elsewhere=tuple(estimate for sister, estimate in estimates if not sister.here),
            beside=tuple(estimate for sister, estimate in estimates if sister.here),
        )
        known[mold] = KnownDesign(evidence, _sentence(estimates))
    return known


def estimate_text(estimate: MoldEstimate) -> str:
    """Give an estimate as JSON, to be kept."""
    return json.dumps(
        {
            "information": estimate.information.tolist(),
            "precision": estimate.precision.tolist(),
            "pieces": estimate.pieces,
            "lost": estimate.lost,
        }
    )


def _read(text: str) -> MoldEstimate:
    said = json.loads(text)
    return MoldEstimate(
        information=np.array(said["information"]),
        precision=np.array(said["precision"]),
        pieces=said["pieces"],
        lost=said["lost"],
    )


def _sentence(estimates: Sequence[tuple[SisterMold, MoldEstimate]]) -> str:
    pieces = sum(estimate.pieces for _, estimate in estimates)
    named = ", ".join(dict.fromkeys(sister.site for sister, _ in estimates if sister.site is not None))
    if not named:
        return f"Learnt also from {pieces} pieces of this design elsewhere."
    if all(sister.site is not None for sister, _ in estimates):
        return f"Learnt also from {pieces} pieces of this design at {named}."
    return f"Learnt also from {pieces} pieces of this design at {named} and elsewhere."
