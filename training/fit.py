"""Fit the judge of damage, and write its networks in ONNX form.

    python -m training.fit --layers DIR --drawn DIR --out FOLDER [--shape thin] [--minutes 9] [--resume]

DIR of --layers is what `tests.benchmarks.aligned_layers` kept of path-traced molds, that of --drawn what `training.draw`
did; either may be left out. FOLDER takes the networks, the state to go on from (--resume) and a log with settings,
losses and what is found on the molds of --look. A large card holds some 4000 molds and takes about 15 steps a second.
"""

from __future__ import annotations

import argparse
import json
import time
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn.functional import binary_cross_entropy_with_logits
from torch.optim.swa_utils import AveragedModel, get_ema_multi_avg_fn

from training.judge import SHAPES, Judge, write_networks
from training.lessons import Batch, MoldLessons, as_another_photo, from_layers, from_rendered, of_crops
from training.looking import look_at_molds, told

__all__ = ["Settings", "fit", "losses", "read_judge"]

MOST_REFERENCES = 3
RATE, DECAY, WARM_UP_STEPS = 2e-3, 2e-2, 300
AVERAGED_OVER = 1000  # steps: what is written is the mean of late weights (Polyak and Juditsky 1992)
CHANGED_SHARE = 0.6  # of batches, as another photo would show them
FARTHEST = 9.0
KEEP_EVERY_S = 60.0


class Settings:
    """What a run is told; all of it is kept beside its networks."""

    def __init__(self, **values: Any) -> None:
        self.shape: str = values.pop("shape", "thin")
        self.minutes: float = values.pop("minutes", 9.0)
        self.steps: int | None = values.pop("steps", None)
        self.batch: int = values.pop("batch", 64)
        self.layers_share: float = values.pop("layers_share", 0.35)
        self.seed: int = values.pop("seed", 0)
        self.rate: float = values.pop("rate", RATE)
        if values:
            raise TypeError(f"Unknown settings: {', '.join(values)}.")


def losses(judge: Judge, batch: Batch, teacher: Judge | None) -> Tensor:
    """Weighted logistic loss; with a teacher also the distance to its log odds (Hinton et al. 2015)."""
    answer = judge.compare(batch.surface, batch.references, batch.used, batch.deep, batch.piece_odds).float()
    errors = binary_cross_entropy_with_logits(answer, batch.wanted, reduction="none")
    loss = (batch.weight * errors).sum() / batch.weight.sum().clamp(min=1)
    if teacher is None:
        return loss
    with torch.no_grad():
        wanted = teacher.compare(batch.surface, batch.references, batch.used, batch.deep, batch.piece_odds).float()
        weight = (torch.sigmoid(wanted + 3) + 0.02) * (batch.weight > 0)
    apart = (answer.clamp(-FARTHEST, FARTHEST) - wanted.clamp(-FARTHEST, FARTHEST)) ** 2
    return loss + 0.1 * (weight * apart).sum() / weight.sum().clamp(min=1)


def fit(
    path_traced: list[MoldLessons],
    drawn: list[MoldLessons],
    settings: Settings,
    folder: Path,
    *,
    device: torch.device,
    resume: bool = False,
    teacher: Judge | None = None,
    start: Judge | None = None,
) -> Judge:
    """AdamW (Loshchilov and Hutter 2019), a rate that falls along a cosine with the time or the steps."""
    folder.mkdir(parents=True, exist_ok=True)
    kept = folder / "state.pt"
    rng = np.random.default_rng(settings.seed)
    torch.manual_seed(settings.seed)
    judge = Judge(SHAPES[settings.shape]).to(device)
    if start is not None:
        judge.load_state_dict(start.state_dict())
    averaged = AveragedModel(judge, multi_avg_fn=get_ema_multi_avg_fn(1 - 1 / AVERAGED_OVER))
    optimizer = torch.optim.AdamW(judge.parameters(), lr=settings.rate, weight_decay=DECAY)
    step, spent_s = 0, 0.0
    if resume and kept.is_file():
        state = torch.load(kept, map_location=device, weights_only=False)
        judge.load_state_dict(state["latest"])
        averaged.load_state_dict(state["averaged"])
        optimizer.load_state_dict(state["optimizer"])
        step, spent_s = state["step"], state["spent_s"]
        rng.bit_generator.state = state["rng"]
    molds = path_traced + drawn
    share = settings.layers_share if path_traced and drawn else float(bool(path_traced))

    def keep() -> None:
        state = {
            "judge": averaged.module.state_dict(), "latest": judge.state_dict(), "averaged": averaged.state_dict(),
            "optimizer": optimizer.state_dict(), "rng": rng.bit_generator.state,
            "step": step, "spent_s": spent_s, "shape": settings.shape,
        }  # fmt: skip
        torch.save(state, kept.with_suffix(".part"))
        kept.with_suffix(".part").replace(kept)

    last, last_kept, smooth = time.monotonic(), time.monotonic(), None
    while (done := step / settings.steps if settings.steps else spent_s / (60 * settings.minutes)) < 1:
        for group in optimizer.param_groups:
            group["lr"] = 1e-6 + settings.rate * min(1, step / WARM_UP_STEPS) * 0.5 * (1 + np.cos(np.pi * done))
        of_layers = rng.random(settings.batch) < share
        chosen = [
            int(rng.integers(len(path_traced))) if one else len(path_traced) + int(rng.integers(len(drawn)))
            for one in of_layers
        ]
        batch = of_crops(molds, chosen, rng, MOST_REFERENCES)
        if rng.random() < CHANGED_SHARE:
            surface, references = as_another_photo(batch.surface, batch.references, rng)
            batch = Batch(surface, references, batch.used, batch.deep, batch.piece_odds, batch.wanted, batch.weight)
        with torch.autocast(device.type, dtype=torch.bfloat16, enabled=device.type == "cuda"):
            loss = losses(judge, batch, teacher)
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(judge.parameters(), 1.0)
        optimizer.step()
        averaged.update_parameters(judge)
        step += 1
        now = time.monotonic()
        spent_s, last = spent_s + now - last, now
        if step % 200 == 0:
            smooth = loss.item() if smooth is None else 0.8 * smooth + 0.2 * loss.item()
            with (folder / "fit.jsonl").open("a") as log:
                log.write(json.dumps({"step": step, "spent_s": round(spent_s), "loss": round(loss.item(), 5)}) + "\n")
            print(f"step {step}, {100 * done:.0f} %: loss {smooth:.4f}", flush=True)
        if now - last_kept > KEEP_EVERY_S:
            keep()
            last_kept = now
    keep()
    final: Judge = averaged.module
    return final.float().cpu().eval()


def read_judge(folder: Path) -> Judge:
    """The judge of a run, from its state."""
    state = torch.load(folder / "state.pt", map_location="cpu", weights_only=False)
    judge = Judge(SHAPES[state["shape"]])
    judge.load_state_dict(state["judge"])
    return judge.eval().requires_grad_(False)


def read_drawn(folder: Path, device: torch.device) -> list[MoldLessons]:
    """All molds that `training.draw` kept."""
    found = []
    for path in sorted(folder.glob("drawn-*.pt")):
        for mold in torch.load(path, map_location=device, weights_only=False):
            found.append(from_rendered(mold))
    return found


def main() -> None:
    """Read the arguments, fit, write, look."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--layers", type=Path)
    parser.add_argument("--drawn", type=Path)
    parser.add_argument("--look", type=Path, help="aligned layers of molds not learnt from")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--teacher", type=Path, help="folder of a run")
    parser.add_argument("--start", type=Path, help="folder of a run of the same shape, to begin with its weights")
    parser.add_argument("--rate", type=float, default=RATE)
    parser.add_argument("--shape", choices=sorted(SHAPES), default="thin")
    parser.add_argument("--minutes", type=float, default=9.0)
    parser.add_argument("--steps", type=int)
    parser.add_argument("--batch", type=int, default=64)
    parser.add_argument("--layers-share", type=float, default=0.35)
    parser.add_argument("--copies", type=int, default=2, help="of each path-traced photo, with damage painted in")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--resume", action="store_true")
    parser.add_argument("--workers", type=int, default=8)
    arguments = parser.parse_args()
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    names = ("shape", "minutes", "steps", "batch", "layers_share", "seed", "rate")
    settings = Settings(**{name: getattr(arguments, name) for name in names})
    path_traced: list[MoldLessons] = []
    if arguments.layers is not None:
        paths = sorted(arguments.layers.glob("*.pickle"))
        with ProcessPoolExecutor(arguments.workers) as pool:
            path_traced = [one.to(device) for one in pool.map(partial(from_layers, copies=arguments.copies), paths)]
    drawn = read_drawn(arguments.drawn, device) if arguments.drawn is not None else []
    print(f"{len(path_traced)} path-traced molds, {len(drawn)} drawn", flush=True)
    teacher = read_judge(arguments.teacher).to(device) if arguments.teacher is not None else None
    start = read_judge(arguments.start) if arguments.start is not None else None
    arguments.out.mkdir(parents=True, exist_ok=True)
    (arguments.out / "settings.json").write_text(json.dumps(vars(settings) | {"molds": [len(path_traced), len(drawn)]}))
    judge = fit(
        path_traced,
        drawn,
        settings,
        arguments.out,
        device=device,
        resume=arguments.resume,
        teacher=teacher,
        start=start,
    )
    write_networks(judge, arguments.out)
    if arguments.look is not None:
        for references in (3, 1):
            seen = look_at_molds(judge, sorted(arguments.look.glob("*.pickle")), device, references=references)
            text = f"{references} references\n{told(seen)}"
            print(text, flush=True)
            with (arguments.out / "looked.txt").open("a") as log:
                log.write(text + "\n")


if __name__ == "__main__":
    main()
