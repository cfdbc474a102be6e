"""Fit what makes a candidate a finding, on the tuning photos, and write it into the package.

    python -m tests.benchmarks.fit_confidence FOLDER [FOLDER...] --networks DIR [--references 3 1]

Every candidate of every photo is labelled by the same rule that `score` uses. For each source of candidates a
logistic regression with a ridge penalty is fitted to their numbers; weights, with the counts they rest on, go to
`inspector/inspection/confidence.json`. Damage maps come from networks that have not seen the molds (in DIR, by
`fit_damage_map`): a map that remembers its photos would look surer than it is. Only folders of the tuning split
belong here.
"""

from __future__ import annotations

import argparse
import json
import pickle
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from inspector.inspection import MoldModel
from inspector.inspection.candidates import Candidate, all_candidates
from inspector.inspection.confidence import JUDGED_ALONE, bent
from inspector.inspection.evidence import Evidence
from inspector.inspection.findings import polygon_of
from inspector.inspection.limits import GROWN_MM
from inspector.inspection.networks import Networks
from tests.benchmarks.bench_folder import BenchMold, matched_photos, model_of, read_bench
from tests.benchmarks.judging import is_hit, polygon

# Chosen with molds left out in turn.
RIDGE = {"damage": 10.0, "crack": 12.0, "line": 8.0, "outline": 8.0, "excess": 8.0, "relief": 30.0, "bare line": 8.0}
# Of the classic comparison alone.
CLASSIC = ("relief", "bare line")
WEIGHTS = Path(__file__).parents[2] / "inspector" / "inspection" / "confidence.json"


def label_mold(job: tuple[BenchMold, int, Networks]) -> list[dict[str, Any]]:
    """Every candidate of the photos of one mold, with the defect that it lies on, if any."""
    mold, references, networks = job
    cv2.setNumThreads(1)
    model = model_of(mold.folder, most_references=references, networks=networks)
    rows: list[dict[str, Any]] = []
    for path, truth, view, warp, evidence in matched_photos(mold, model):
        defects = [(number, d["kind"], polygon(d["polygon"])) for number, d in enumerate(truth["defects"])]
        for candidate in candidates_of_both(model, evidence):
            area = polygon(polygon_of(candidate, view, warp).tolist())
            grown = area.buffer(GROWN_MM * truth["px_per_mm"])
            hits = [(number, kind) for number, kind, real in defects if is_hit(grown, real)]
            if candidate.source in ("damage", "relief") and hits:
                # A crack is told by its line, whatever else it disturbs: neither right nor wrong here.
                hits = [hit for hit in hits if hit[1] != "hairline crack"]
                if not hits:
                    continue
            rows.append(
                {
                    "mold": mold.name,
                    "photo": "/".join(path.parts[-3:]),
                    "references": references,
                    "good": truth["good"],
                    "source": candidate.source,
                    "hit": hits[0] if hits else None,
                    "numbers": candidate.numbers,
                }
            )
    print(f"{mold.name}, {references} references: {len(rows)} candidates", flush=True)
    return rows


def candidates_of_both(model: MoldModel, evidence: Evidence) -> list[Candidate]:
    """Those beside the networks, and those that only the classic comparison has."""
    bare = all_candidates(model, replace(evidence, damage=None))
    return [*all_candidates(model, evidence), *(candidate for candidate in bare if candidate.source in CLASSIC)]


def fit(rows: list[dict[str, Any]], ridge: float, *, without: tuple[str, ...] = ()) -> dict[str, Any]:
    """Ridge logistic regression on bent and standardised numbers."""
    names = sorted(set(rows[0]["numbers"]) - set(without))
    raw = np.array([[row["numbers"][name] for name in names] for row in rows])
    is_damage = np.array([row["hit"] is not None for row in rows], dtype=float)
    values = bent(raw)
    centre, scale = values.mean(axis=0), values.std(axis=0) + 1e-6
    x = (values - centre) / scale

    def loss(parameters: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        odds = x @ parameters[1:] + parameters[0]
        probability = 1 / (1 + np.exp(-odds))
        value = float(np.sum(np.logaddexp(0, odds) - is_damage * odds) + ridge * np.sum(parameters[1:] ** 2))
        slope = x.T @ (probability - is_damage) + 2 * ridge * parameters[1:]
        return value, np.concatenate([[np.sum(probability - is_damage)], slope])

    best = minimize(loss, np.zeros(len(names) + 1), jac=True, method="L-BFGS-B", options={"maxiter": 2000})
    return {
        "intercept": float(best.x[0]),
        "numbers": [
            {"name": name, "centre": float(c), "scale": float(s), "weight": float(w)}
            for name, c, s, w in zip(names, centre, scale, best.x[1:], strict=True)
        ],
        "candidates": len(rows),
        "damage": int(is_damage.sum()),
    }


def fit_all(rows: list[dict[str, Any]]) -> dict[str, dict[str, Any]]:
    """The weights of every source, by its name."""
    by_source = {name: [row for row in rows if row["source"] == name] for name in RIDGE}
    weights = {name: fit(few, RIDGE[name]) for name, few in by_source.items()}
    for name, numbers in JUDGED_ALONE.items():
        weights[f"{name} alone"] = fit(by_source[name], RIDGE[name], without=numbers)
    return weights


def main() -> None:
    """Read the arguments, label, fit, write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--references", nargs="+", type=int, default=[3, 1])
    parser.add_argument(
        "--networks", type=Path, required=True, help="folder of networks that have not seen these molds"
    )
    parser.add_argument("--keep", type=Path, help="file for the labelled candidates, for a closer look")
    arguments = parser.parse_args()
    networks = Networks.read(arguments.networks)
    jobs = [
        (mold, n, networks) for folder in arguments.folders for mold in read_bench(folder) for n in arguments.references
    ]
    with ProcessPoolExecutor(2) as pool:
        rows = [row for part in pool.map(label_mold, jobs) for row in part]
    if arguments.keep:
        arguments.keep.write_bytes(pickle.dumps(rows))
    weights = fit_all(rows)
    WEIGHTS.write_text(json.dumps(weights, indent=1) + "\n", encoding="utf-8")
    for source, fitted in weights.items():
        print(f"{source}: {fitted['candidates']} candidates, {fitted['damage']} on a defect")


if __name__ == "__main__":
    main()
