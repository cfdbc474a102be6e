"""The table of figures that the README quotes: written from a report between two marks, never typed.

    python -m tests.benchmarks.quoting DIR README.md

quotes a report that lies in a folder; ``score --quote`` does both at once. What is quoted is kept beside this module in
`quoted_figures.json`, so that a test can hold the README to it.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from inspector.errors import InputError
from tests.benchmarks.figures import COARSE, FINE, Row, markdown_table, summarise

BEGIN, END = "<!-- figures: `score --quote` writes them -->", "<!-- end of figures -->"
KEPT = Path(__file__).with_name("quoted_figures.json")


def _found(*bins: str) -> Callable[[Row], Row]:
    return lambda summary: {key: sum(summary["found"][one][key] for one in bins) for key in ("count", "of")}


def _share(name: str) -> Callable[[Row], Row]:
    return lambda summary: {key: summary[name][key] for key in ("count", "of")}


# Each line of the table, and what of a summary it tells.
QUOTED: dict[str, Callable[[Row], Row]] = {
    "missing features of 8 mm and more, found": _found("missing feature >= 8 mm"),
    "chips of 4 mm and more, found": _found("chip >= 4 mm"),
    "chips under 4 mm, found": _found("chip 2 to 4 mm", "chip < 2 mm"),
    "cracks of 0.4 mm and wider, found": _found("crack >= 0.4 mm"),
    "cracks of 0.2 to 0.4 mm, found": _found("crack 0.2 to 0.4 mm"),
    "cracks under 0.2 mm, found": _found("crack < 0.2 mm"),
    "surface voids, found": _found("surface void"),
    "false findings, mean of a good piece": lambda summary: {"mean": summary["false_per_good_piece"]},
    "good pieces without any finding": _share("good_without_finding"),
    "usable photos refused": _share("usable_refused"),
    "crack width, median error": lambda summary: {"median_mm": summary["crack_width_error_mm"]["median"]},
}


def main(arguments: Sequence[str] | None = None) -> int:
    """Quote a report."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.quoting", description=__doc__)
    parser.add_argument("report", type=Path, metavar="DIR", help="folder with figures.json")
    parser.add_argument("readme", type=Path, metavar="README", help="file with the two marks")
    options = parser.parse_args(arguments)
    quote(options.report, options.readme)
    return 0


def quote(report: Path, readme: Path, *, kept: Path = KEPT) -> None:
    """Keep what is quoted of a report, and put it between the marks of a file.

    Raises
    ------
    InputError
        If the file does not have both marks once; nothing is written then.
    """
    figures = json.loads((report / "figures.json").read_text(encoding="utf-8"))
    quoted = quoted_figures(figures["by_scale"])
    text = with_block(readme.read_text(encoding="utf-8"), quoted_block(quoted))
    kept.write_text(json.dumps(quoted, indent=1) + "\n", encoding="utf-8")
    readme.write_text(text, encoding="utf-8")


def quoted_figures(by_scale: Mapping[str, Row]) -> dict[str, dict[str, Row]]:
    """What is quoted of the summaries of each scale: by scale, by line of the table."""
    nothing = summarise(())
    return {
        scale: {name: told(by_scale.get(scale, nothing)) for name, told in QUOTED.items()} for scale in (COARSE, FINE)
    }


def quoted_block(quoted: Mapping[str, Mapping[str, Row]]) -> str:
    """The table, with its marks around it."""
    scales = list(quoted)
    rows = [(name, *(_shown(quoted[scale][name]) for scale in scales)) for name in quoted[scales[0]]]
    return f"{BEGIN}\n\n{markdown_table(('', *scales), rows)}\n{END}"


def with_block(text: str, block: str) -> str:
    """A text whose marks, and what is between them, gave way to a block."""
    if text.count(BEGIN) != 1 or text.count(END) != 1 or text.index(BEGIN) > text.index(END):
        raise InputError(
            f"There is no one place for the figures: write {BEGIN} and {END} where they are to stand, once."
        )
    return text[: text.index(BEGIN)] + block + text[text.index(END) + len(END) :]


def _shown(told: Mapping[str, Any]) -> str:
    if "of" in told:
        return f"{told['count']} of {told['of']}" if told["of"] else "-"
    ((unit, value),) = told.items()
    return "-" if value is None else f"{value:.2f}" + {"mean": "", "median_mm": " mm"}[unit]


if __name__ == "__main__":
    sys.exit(main())
