"""The report of a scored bench: one page with curves and pictures, its tables in Markdown, and all numbers."""

from __future__ import annotations

import base64
import io
import json
import re
import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from html import escape
from pathlib import Path
from typing import Any

import cv2
import matplotlib as mpl
from matplotlib.figure import Figure

from tests.benchmarks.alignment import ALIGNED_WITHIN_MM, PhotoAlignment, summarise_alignment
from tests.benchmarks.calibration import draw_reliability, promise_in_words, reliability
from tests.benchmarks.crack_widths import WidthErrors, width_table
from tests.benchmarks.detection_curves import draw_detection
from tests.benchmarks.figures import (
    COARSE,
    FINE,
    FINE_FROM_PX_PER_MM,
    Row,
    Rows,
    found_by_place,
    markdown_table,
    shown_auroc,
    shown_limit,
    shown_median,
    shown_number,
    shown_share,
    sized_hits,
    split_by_circumstance,
    split_by_scale,
    summarise,
)
from tests.benchmarks.places import AROUND_MM, OUTLINE_WITHIN_MM, SHADOW_BELOW
from tests.benchmarks.quoting import quoted_block, quoted_figures
from tests.benchmarks.real_photographs import REAL_HEAD, RealPhotograph, real_table
from tests.benchmarks.sheet import draw_sheet

SHEET_QUALITY = 82
PICTURE_STYLE: dict[Any, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 9,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "svg.hashsalt": "inspector",
}
# a90/95 that is wanted at about 5 and at about 13 px/mm.
WANTED_LIMITS_MM = {"chip": (4.0, 2.5), "hairline crack": (0.35, 0.2)}
SIZE_NAMES = {"chip": "largest visible extent of the chip", "hairline crack": "width of the crack"}


@dataclass(frozen=True, slots=True)
class Scored:
    """A bench, judged: photos by number of references, the one that gives the figures first."""

    folder: Path
    photos: Mapping[int, Sequence[Row]]
    alignments: tuple[PhotoAlignment, ...]
    real: tuple[RealPhotograph, ...]
    widths: tuple[WidthErrors, ...]


@dataclass(frozen=True, slots=True)
class Measure:
    """One line of the main table."""

    name: str
    wanted: tuple[str, str]  # at about 5 and at about 13 px/mm
    shown: Callable[[Row], str]


MEASURES = (
    Measure(
        "missing features of 8 mm and more, found",
        ("99 %", "99.5 %"),
        lambda s: shown_share(s["found"]["missing feature >= 8 mm"]),
    ),
    Measure("chips, a90/95 of extent", ("4 mm", "2.5 mm"), lambda s: shown_limit(s["detection_limit"]["chip"])),
    Measure(
        "hairline cracks, a90/95 of width",
        ("0.35 mm", "0.2 mm"),
        lambda s: shown_limit(s["detection_limit"]["hairline crack"]),
    ),
    Measure("chips of 4 mm and more, found", ("", ""), lambda s: shown_share(s["found"]["chip >= 4 mm"])),
    Measure("chips of 2 to 4 mm, found", ("", ""), lambda s: shown_share(s["found"]["chip 2 to 4 mm"])),
    Measure("cracks of 0.4 mm and wider, found", ("", ""), lambda s: shown_share(s["found"]["crack >= 0.4 mm"])),
    Measure("cracks of 0.2 to 0.4 mm, found", ("", ""), lambda s: shown_share(s["found"]["crack 0.2 to 0.4 mm"])),
    Measure("cracks under 0.2 mm, found", ("", ""), lambda s: shown_share(s["found"]["crack < 0.2 mm"])),
    Measure("surface voids, found", ("", ""), lambda s: shown_share(s["found"]["surface void"])),
    Measure("excess, found", ("", ""), lambda s: shown_share(s["found"]["excess"])),
    Measure(
        "crack length covered, median of all cracks",
        ("85 %", "90 %"),
        lambda s: _percent_median(s["crack_length_covered"]),
    ),
    Measure(
        "crack length covered, median of those found",
        ("", ""),
        lambda s: _percent_median(s["crack_length_covered_of_hits"]),
    ),
    Measure("crack width error, median, mm", ("0.08", "0.05"), lambda s: shown_median(s["crack_width_error_mm"])),
    Measure(
        "false findings on a good piece, mean",
        ("0.1", "0.1"),
        lambda s: "-" if s["good_pieces"] == 0 else f"{s['false_per_good_piece']:.2f} (of {s['good_pieces']})",
    ),
    Measure("good pieces without any finding", ("92 %", "92 %"), lambda s: shown_share(s["good_without_finding"])),
    Measure("AUROC of the photo score", ("0.99", "0.995"), lambda s: shown_auroc(s["auroc_of_score"])),
    Measure(
        "overlap (IoU) of missing and chips, median of those found",
        ("0.6", "0.65"),
        lambda s: shown_median(s["iou_of_hits"]),
    ),
    Measure(
        "overlap (IoU) of missing and chips, median of all (missed: 0)",
        ("0.6", "0.65"),
        lambda s: shown_median(s["iou_of_all"]),
    ),
    Measure("usable photos refused", ("", ""), lambda s: shown_share(s["usable_refused"])),
    Measure("photos that cannot be judged, refused", ("", ""), lambda s: shown_share(s["unusable_refused"])),
)
MEASURE_HEAD = ("measure", "wanted, 5 px/mm", "about 5 px/mm", "wanted, 13 px/mm", "about 13 px/mm")
GROUP_HEAD = (
    "photos",
    "missing ≥ 8 mm found",
    "chips ≥ 4 mm found",
    "cracks ≥ 0.4 mm found",
    "all defects found",
    "false on a good piece",
    "good without finding",
    "AUROC",
)
PLACE_HEAD = ("found, where it lies", "scale", "missing", "chips", "cracks", "voids", "excess", "all")
ALIGNMENT_HEAD = (
    "compared with",
    "scale",
    "aligned",
    "turned",
    "astray",
    "refused",
    "median residual, mm",
    "95 % within, mm",
)


def write_report(folder: Path, scored: Scored) -> Path:
    """Write ``report.html``, ``tables.md`` and ``figures.json`` to a folder; gives the page."""
    folder.mkdir(parents=True, exist_ok=True)
    main = next(iter(scored.photos))
    photos = scored.photos[main]
    by_scale = split_by_scale(photos)
    measures = measure_rows(by_scale)
    summaries = {name: summarise(part) for name, part in by_scale.items()}
    calibration = reliability(photos)
    circumstances = split_by_circumstance(photos)
    content = {
        "folder": str(scored.folder),
        "references": main,
        "by_scale": summaries,
        "by_place": {name: found_by_place(part) for name, part in by_scale.items()},
        "by_references": {str(count): summarise(rows) for count, rows in scored.photos.items()},
        **{
            f"by_{name}": {value: summarise(part) for value, part in groups.items()}
            for name, groups in circumstances.items()
        },
        "calibration": calibration,
        "alignment": {
            f"{name}, {scale}": summarise_alignment(part) for name, scale, part in _alignment_groups(scored.alignments)
        },
        "alignments": [asdict(one) for one in scored.alignments],
        "real_photographs": [asdict(one) for one in scored.real],
        "crack_widths": [asdict(one) | {"median_px": one.median_px} for one in scored.widths],
        "photos": {str(count): list(rows) for count, rows in scored.photos.items()},
    }
    (folder / "figures.json").write_text(json.dumps(content, indent=1, allow_nan=False), encoding="utf-8")
    aligned, real = alignment_rows(scored.alignments), real_table(scored.real)
    width_head, widths = width_table(scored.widths)
    references = _group_rows({f"{count} references": rows for count, rows in scored.photos.items()})
    places = place_rows(by_scale)
    tables = (
        (MEASURE_HEAD, measures),
        (PLACE_HEAD, places),
        (("", *GROUP_HEAD), references),
        (ALIGNMENT_HEAD, aligned),
        (REAL_HEAD, real),
        (width_head, widths),
    )
    in_markdown = [promise_in_words(calibration["promise"]) + "\n", *(markdown_table(*table) for table in tables)]
    in_markdown.append(quoted_block(quoted_figures(summaries)) + "\n")
    (folder / "tables.md").write_text("\n".join(in_markdown), encoding="utf-8")
    circumstance_rows = {name: _group_rows(groups) for name, groups in circumstances.items()}
    with mpl.rc_context(PICTURE_STYLE):
        curves = {scale: _curves(part, scale) for scale, part in by_scale.items() if scale != "all"}
        diagram = _reliability_picture(calibration)
    sheet = draw_sheet(scored.folder, photos)
    sections = [
        _section(
            "Figures",
            f"<p>{len(photos)} photos of <code>{escape(str(scored.folder))}</code>, {main} references each. A finding, "
            "grown by 1 mm, hits a defect when it covers at least a quarter of the smaller of the two areas, whatever "
            "its kind. A defect on a photo that was refused counts as missed.</p>",
            _html_table(MEASURE_HEAD, measures),
        ),
        _section(
            "From which size on",
            "<p>Each stroke at the top is a defect that was found, each cross at the bottom one that was missed. The "
            "curve is logistic over the logarithm of size (hit/miss analysis as in MIL-HDBK-1823A). a90/95 is where "
            "its 95 % bound, dashed, reaches 0.9; it is not reached when that lies beyond the largest defect.</p>",
            *(f"<h3>{escape(scale)}</h3>{picture}" for scale, picture in curves.items()),
        ),
        _section(
            "Where defects lie",
            f"<p>At the outline: less than {OUTLINE_WITHIN_MM:g} mm of the piece is left between the defect and what "
            "is seen beside or through the piece, or the outline itself changed, by the true outlines. In shadow, "
            f"at the outline or not: the sound piece within {AROUND_MM:g} mm of the defect has, in its median, less "
            f"than {100 * SHADOW_BELOW:.0f} % of the light that the brightest tenth of the piece has at least, by the "
            "photo; a very dark wet patch would count as shadow, too. Inside: the others.</p>",
            _html_table(PLACE_HEAD, places),
        ),
        _section("What confidence means", f"<p>{escape(promise_in_words(calibration['promise']))}</p>", diagram),
        _section(
            "Alignment",
            "<p>The generator knows where each point of the surface lies in both photos. A photo is aligned when it is "
            f"taken for the mold's and half of the points come out within {ALIGNED_WITHIN_MM:g} mm of their true "
            "place; turned when they do after a quarter or half turn of the piece, as on a tile that looks alike from "
            "two sides; astray when it is taken and they do not. Residuals are those of aligned and turned photos: the "
            "median over photos of the median, and of the 95 % point, over a photo's points.</p>",
            _html_table(ALIGNMENT_HEAD, aligned),
        ),
        _section(
            "Real photographs",
            "<p>Photographs that scikit-image carries, as the surface of a slab: three photos as references, then seen "
            "again in another place, light, blur and noise, as they are and with chips of 5 to 12 mm and cracks of 0.4 "
            "to 1 mm planted, at about 5 px/mm.</p>",
            _html_table(REAL_HEAD, real),
        ),
        _section(
            "Width of cracks",
            "<p>Cracks of analytically known width: median of the absolute error, in px, over eight directions. On "
            "drawn concrete they are found first; in photographs their course is given.</p>",
            _html_table(width_head, widths),
        ),
        _section("By number of references", _html_table(("", *GROUP_HEAD), references)),
        *(_section(f"By {name}", _html_table(("", *GROUP_HEAD), rows)) for name, rows in circumstance_rows.items()),
        _section(
            "Misses and false findings",
            "<p>The largest that were missed, then the most certain that are false: on good pieces first, then on "
            "broken ones. The words under each picture say which it is.</p>",
            _sheet_picture(sheet),
        ),
    ]
    page = folder / "report.html"
    page.write_text(
        PAGE.format(title=f"How much is found: {escape(scored.folder.name)}", body="".join(sections)), "utf-8"
    )
    return page


def measure_rows(by_scale: Mapping[str, Sequence[Row]]) -> Rows:
    """The main table: each measure wanted and reached, at both scales."""
    summaries = {scale: summarise(by_scale.get(scale, ())) for scale in (COARSE, FINE)}
    return [
        (
            measure.name,
            *(
                cell
                for scale, wanted in zip((COARSE, FINE), measure.wanted, strict=True)
                for cell in (wanted, measure.shown(summaries[scale]))
            ),
        )
        for measure in MEASURES
    ]


def place_rows(by_scale: Mapping[str, Sequence[Row]]) -> Rows:
    """What is found inside, at the outline and in shadow, at both scales, by kind and of all kinds."""
    return [
        (place, scale, *(shown_share(share) for share in found.values()))
        for scale in (COARSE, FINE)
        for place, found in found_by_place(by_scale.get(scale, ())).items()
    ]


def alignment_rows(alignments: Sequence[PhotoAlignment]) -> Rows:
    """Each reference alone and several together, at both scales."""
    rows = []
    for name, scale, part in _alignment_groups(alignments):
        told = summarise_alignment(part)
        share = {"of": told["pairs"], "count": told["aligned"], "share": told["share"]}
        counts = tuple(str(told[name]) for name in ("turned", "astray", "refused"))
        residual = (shown_number(told["median_mm"]), shown_number(told["p95_mm"]))
        rows.append((name, scale, shown_share(share), *counts, *residual))
    return rows


def _alignment_groups(alignments: Sequence[PhotoAlignment]) -> list[tuple[str, str, list[PhotoAlignment]]]:
    groups = []
    for name, together in (("one reference", False), ("all that are used", True)):
        for scale in (COARSE, FINE):
            part = [
                one
                for one in alignments
                if one.reference.endswith(" together") == together
                and (one.px_per_mm >= FINE_FROM_PX_PER_MM) == (scale == FINE)
            ]
            if part:
                groups.append((name, scale, part))
    return groups


def _group_rows(groups: Mapping[str, Sequence[Row]]) -> Rows:
    rows = []
    for name, photos in groups.items():
        told = summarise(photos)
        found = [told["found"][bin_] for bin_ in ("missing feature >= 8 mm", "chip >= 4 mm", "crack >= 0.4 mm")]
        rows.append(
            (
                name,
                str(told["photos"]),
                *(shown_share(share) for share in (*found, told["found"]["any defect"])),
                shown_number(told["false_per_good_piece"]),
                shown_share(told["good_without_finding"]),
                shown_auroc(told["auroc_of_score"]),
            )
        )
    return rows


def _percent_median(median: Mapping[str, Any]) -> str:
    return "-" if median["of"] == 0 else f"{100 * median['median']:.0f} % (of {median['of']})"


def _curves(photos: Sequence[Row], scale: str) -> str:
    pictures = []
    for kind, hits in sized_hits(photos).items():
        figure = Figure(figsize=(5.4, 4.6), layout="constrained")
        wanted_mm = WANTED_LIMITS_MM[kind][scale == FINE]
        draw_detection(figure.subplots(), hits, size_name=SIZE_NAMES[kind], wanted_mm=wanted_mm)
        told = f"{kind}, {scale}: {sum(hits.found)} of {len(hits.found)} found; wanted a90/95 {wanted_mm:g} mm"
        pictures.append(_svg(figure, f"Probability of being found over size: {told}"))
    return f'<div class="beside">{"".join(pictures)}</div>'


def _reliability_picture(calibration: Mapping[str, Any]) -> str:
    figure = Figure(figsize=(5.6, 4.4), layout="constrained")
    draw_reliability(figure.subplots(), calibration)
    bins = [one for one in calibration["bins"] if one["findings"]]
    told = "; ".join(f"{one['low']:g} to {one['high']:g}: {one['true']} of {one['findings']}" for one in bins)
    return _svg(figure, f"Share of findings that is true by confidence; {told}")


def _svg(figure: Figure, words: str) -> str:
    """A figure inline, told to those who do not see it; ids of one picture may not meet those of another."""
    file = io.StringIO()
    figure.savefig(file, format="svg", metadata={"Date": None})
    svg = file.getvalue()
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r'(id="|href="#|url\(#)', rf"\g<1>p{zlib.crc32(words.encode()):08x}-", svg)
    return f'<figure role="img" aria-label="{escape(words)}">{svg}</figure>'


def _sheet_picture(sheet: Any) -> str:
    _, encoded = cv2.imencode(".jpg", sheet, [cv2.IMWRITE_JPEG_QUALITY, SHEET_QUALITY])
    data = base64.b64encode(encoded.tobytes()).decode("ascii")
    words = "Contact sheet of misses and false findings, each named below its picture"
    return f'<figure class="wide"><img alt="{words}" src="data:image/jpeg;base64,{data}"></figure>'


def _section(title: str, *parts: str) -> str:
    return f"<section><h2>{escape(title)}</h2>{''.join(parts)}</section>"


def _html_table(head: Sequence[str], rows: Rows) -> str:
    if not rows:
        return "<p>Nothing was measured.</p>"
    cells = "".join(f'<th scope="col">{escape(name)}</th>' for name in head)
    body = "".join(
        f'<tr><th scope="row">{escape(first)}</th>{"".join(f"<td>{escape(cell)}</td>" for cell in rest)}</tr>'
        for first, *rest in rows
    )
    table = f"<table><thead><tr>{cells}</tr></thead><tbody>{body}</tbody></table>"
    return f'<div class="scroll" tabindex="0" role="region" aria-label="{escape(head[0] or "table")}">{table}</div>'


PAGE = """<!doctype html>
<html lang="en">
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title>
<style>
body {{ margin: 0 auto; max-width: 76rem; padding: 1rem; font: 1rem/1.45 system-ui, "DejaVu Sans", sans-serif;
  background: #fffdf8; color: #1c1915; }}
h1, h2 {{ line-height: 1.2; }}
h2 {{ border-top: 3px solid #1c1915; padding-top: .6rem; margin-top: 2.2rem; }}
.scroll {{ overflow-x: auto; }}
table {{ border-collapse: collapse; font-size: .9rem; font-variant-numeric: tabular-nums; }}
td {{ min-width: 5.5rem; }}
th[scope=row] {{ min-width: 10rem; }}
th, td {{ text-align: left; padding: .3rem .7rem .3rem 0; border-bottom: 1px solid #b9ad97; vertical-align: top; }}
figure {{ margin: 1rem 0; overflow-x: auto; }}
svg {{ max-width: 100%; height: auto; background: #fff; }}
.beside {{ display: flex; flex-wrap: wrap; gap: 0 1.5rem; }}
.beside figure {{ flex: 1 1 20rem; max-width: 34rem; }}
.wide img {{ max-width: 100%; height: auto; }}
</style>
<h1>{title}</h1>
{body}
</html>
"""
