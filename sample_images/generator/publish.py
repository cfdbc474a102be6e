"""File a rendered set of samples in the repository: references by mold, pieces in one folder.

``python -m sample_images.generator.publish RENDERED`` copies the photos made by
``python -m sample_images.generator --set samples --out RENDERED``.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
from pathlib import Path
from typing import Any

__all__ = ["publish"]

REPOSITORY = Path(__file__).resolve().parents[2]


def publish(rendered: Path, repository: Path) -> int:
    """Copy photos, mold descriptions and truth; give the number of bytes of all photos."""
    truths: list[dict[str, Any]] = json.loads((rendered / "truth.json").read_text())
    references: list[dict[str, Any]] = json.loads((rendered / "references.json").read_text())
    total = 0
    for truth in truths:
        source = rendered / truth["photo"]
        truth["photo"] = source.name
        total += source.stat().st_size
        shutil.copyfile(source, repository / "sample_images" / source.name)
    for truth in references:
        source = rendered / truth["photo"]
        target = repository / "reference_shapes" / source.parent.name
        target.mkdir(parents=True, exist_ok=True)
        total += source.stat().st_size
        shutil.copyfile(source, target / source.name)
        shutil.copyfile(source.parent / "mold.toml", target / "mold.toml")
    rows = ",\n".join(json.dumps(truth, separators=(",", ":")) for truth in truths)
    (repository / "sample_images" / "truth.json").write_text(f"[\n{rows}\n]\n")
    return total


def main() -> int:
    """Run from the shell."""
    parser = argparse.ArgumentParser(prog="python -m sample_images.generator.publish", description=__doc__)
    parser.add_argument("rendered", type=Path, help="folder of the rendered set")
    options = parser.parse_args()
    if not (options.rendered / "truth.json").is_file():
        print(f"There is no truth.json in {options.rendered}. Render the set first.", file=sys.stderr)
        return 2
    total = publish(options.rendered, REPOSITORY)
    print(f"Filed photos of {total / 1e6:.1f} MB in sample_images and reference_shapes.")
    return 0


if __name__ == "__main__":
    sys.exit(main())
