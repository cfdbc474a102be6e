"""Whether confidence means what it says: of findings with a confidence of 0.8, are eight in ten true?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.stats import binomtest

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BIN_EDGES = np.linspace(0, 1, 11)
INTERVAL = 0.9
# What was promised: of findings with 0.8 to 0.9, between 0.75 and 0.95 are true.
PROMISED_CONFIDENCE = (0.8, 0.9)
PROMISED_SHARE = (0.75, 0.95)


def reliability(photos: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Findings of usable photos in bins of confidence, the share that is true, and the promise.

    Returns
    -------
    dict
        ``bins``: low, high, findings, true, mean confidence, share and its exact 90 % interval (None where empty);
        ``promise``: the same for 0.8 to 0.9, with ``kept``: True or False, or None without any finding there.
    """
    findings = [f for row in photos if row["truly_unusable"] is None for f in row["findings"]]
    confidence = np.array([f["confidence"] for f in findings], dtype=float)
    true = np.array([f["hits"] for f in findings], dtype=bool)

    def between(low: float, high: float) -> dict[str, Any]:
        inside = (confidence >= low) & ((confidence < high) | ((high >= 1) & (confidence <= 1)))
        count, hits = int(inside.sum()), int(true[inside].sum())
        told: dict[str, Any] = {"low": low, "high": high, "findings": count, "true": hits}
        if count == 0:
            return told | {"confidence": None, "share": None, "interval": None}
        interval = binomtest(hits, count).proportion_ci(INTERVAL, method="exact")
        return told | {
            "confidence": float(confidence[inside].mean()),
            "share": hits / count,
            "interval": [float(interval.low), float(interval.high)],
        }

    bins = [between(round(float(a), 1), round(float(b), 1)) for a, b in pairwise(BIN_EDGES)]
    promise = between(*PROMISED_CONFIDENCE)
    share = promise["share"]
    promise["kept"] = None if share is None else PROMISED_SHARE[0] <= share <= PROMISED_SHARE[1]
    return {"bins": bins, "promise": promise}


def promise_in_words(promise: Mapping[str, Any]) -> str:
    """The promise and what came of it, in a sentence."""
    if promise["kept"] is None:
        return "No finding has a confidence of 0.8 to 0.9, so the promise cannot be checked."
    low, high = promise["interval"]
    by_chance = low <= PROMISED_SHARE[1] and high >= PROMISED_SHARE[0]
    outcome = "as promised" if promise["kept"] else "not as promised"
    if not promise["kept"] and by_chance:
        outcome += ", which chance alone may have done"
    return (
        f"Of {promise['findings']} findings with a confidence of 0.8 to 0.9, {promise['true']} are true: "
        f"{promise['share']:.2f} (90 % interval {low:.2f} to {high:.2f}), {outcome} (0.75 to 0.95)."
    )


def draw_reliability(axes: Axes, outcome: Mapping[str, Any]) -> None:
    """Share true over confidence, with exact intervals and counts; the diagonal is what confidence says."""
    low, high = PROMISED_CONFIDENCE
    axes.fill_between([low, high], *PROMISED_SHARE, color="0.88", label="promised for 0.8 to 0.9")
    axes.plot([0, 1], [0, 1], color="0.5", linewidth=1, linestyle="--", label="exactly as told")
    for one in outcome["bins"]:
        if one["findings"] == 0:
            continue
        axes.plot([one["confidence"]] * 2, one["interval"], color="#8a2c10", linewidth=1.2)
        axes.plot(one["confidence"], one["share"], "o", color="#8a2c10", markersize=6)
        at = (one["confidence"], one["share"])
        label = f"{one['true']}/{one['findings']}"
        axes.annotate(label, at, xytext=(6, 4), textcoords="offset points", fontsize=8)
    axes.plot([], [], "o-", color="#8a2c10", label="true / findings, 90 % interval")
    axes.set_xlim(0, 1.1)
    axes.set_ylim(-0.02, 1.08)
    axes.set_xlabel("confidence of a finding")
    axes.set_ylabel("share that is true")
    axes.figure.legend(fontsize=8, loc="outside lower center", ncols=3, frameon=False)
