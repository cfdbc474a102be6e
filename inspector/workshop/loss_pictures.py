"""Pictures of losses for print and screen: loss against age, strength gain, losses over time, and where pieces break.

Nothing is told by colour alone: kinds of marks, hatching and words say
the same. Each picture goes with its numbers as a table.
"""

import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from inspector.curing import Strength28Days, StrengthBand, StrengthCurve, strength_band
from inspector.log import MoldReference
from inspector.risk import HIGH, LOW, loss_by_age, weighted_quantile
from inspector.workshop.advice import with_degree_sign
from inspector.workshop.curing import CorrectedTests
from inspector.workshop.drawing import DRAWING, HATCH, INK, IRON, PAPER, SOFT, STYLE, drawn
from inspector.workshop.loss_results import MONTH_COLUMNS, FeatureShare, MoldTrends, MoldWindow, MonthOfLosses

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["LossPicture", "LossPictures", "break_map", "draw_losses", "tightening_svg"]

_A4_IN = (8.27, 11.69)
_ROWS_A_PAGE = 28
_FOOT = 0.055  # of the page's height, kept for the caution
_STRENGTH_AGES_H = np.arange(1.0, 169.0)
_TOLD_AGES_H = (12, 24, 36, 48, 72, 120, 168)
_MARKS = {"crumbles": "v", "snaps with a sandy face": "s", "snaps clean": "^"}


@dataclass(frozen=True, slots=True, eq=False)
class LossPicture:
    """A picture with its numbers."""

    name: str
    """For its file: `loss-by-age`."""
    title: str
    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    draw: Callable[["Axes"], None]
    """Draws it into a figure; nothing is drawn before it is wanted, since that takes longer than to work it out."""

    def svg(self, *, say: Callable[[str], str] = str, titled: bool = True) -> bytes:
        """Give it as a file, or without its title for a page that has it as a heading.

        `say` puts each text that is drawn into the words of whoever looks at it.
        """
        return drawn(lambda figure: self._on(figure, say, titled=titled), "svg")

    def png(self, *, say: Callable[[str], str] = str) -> bytes:
        """Give it for print."""
        return drawn(lambda figure: self._on(figure, say, titled=True), "png")

    def _on(self, figure: "Figure", say: Callable[[str], str], *, titled: bool) -> None:
        from matplotlib.text import Text

        axes = figure.subplots()
        self.draw(axes)
        if titled:
            axes.set_title(self.title, loc="left", fontsize=13)
        for text in figure.findobj(Text):
            text.set_text(say(text.get_text()))


@dataclass(frozen=True, slots=True, eq=False)
class LossPictures:
    """All pictures of one mold."""

    mold: str
    title: str
    words: tuple[str, ...]
    """Advice and causes."""
    pictures: tuple[LossPicture, ...]

    def named(self, name: str) -> LossPicture | None:
        """Give the picture of a name; None where there is none."""
        return next((picture for picture in self.pictures if picture.name == name), None)

    def pdf(self) -> bytes:
        """Give a PDF, a page a picture with its numbers below."""
        from matplotlib import rc_context
        from matplotlib.backends.backend_pdf import PdfPages

        out = io.BytesIO()
        with (
            DRAWING,
            rc_context(STYLE),
            PdfPages(out, metadata={"Title": f"{self.title}: losses", "CreationDate": None}) as pages,
        ):
            for number, picture in enumerate(self.pictures):
                words = self.words if number == 0 else ()
                pages.savefig(_page(self.title, picture, words, picture.rows[:_ROWS_A_PAGE]))
        return out.getvalue()


def draw_losses(
    window: MoldWindow,
    trends: MoldTrends,
    *,
    curve: StrengthCurve,
    strength_28_days: Strength28Days | None,
    tests: CorrectedTests | None,
    mapped: LossPicture | None,
) -> LossPictures:
    """Draw the pictures of a mold.

    Parameters
    ----------
    window, trends
        Of the same mold.
    curve, strength_28_days, tests
        Of its mix, as far as they are known.
    mapped : LossPicture or None
        Where its pieces break, as `break_map` gives it.
    """
    strength = strength_band(curve, _STRENGTH_AGES_H)
    pictures = [
        _picture(
            "loss-by-age",
            "Loss against demold age",
            "Line: what is expected, hatched: its 90 % interval. Bars: pieces of about the same age with the exact "
            "90 % interval; below, a short stroke for each whole piece, above a cross for each lost one.",
            lambda axes: _draw_loss(axes, window),
            ("age", "pieces", "lost", "expected", "share lost", "90 % interval"),
            [
                (
                    f"{group.from_h:.0f} to {group.to_h:.0f} h",
                    str(group.pieces),
                    str(group.lost),
                    f"{group.expected:.1f}",
                    _percent(group.lost / group.pieces),
                    f"{_percent(group.low)} to {_percent(group.high)}",
                )
                for group in window.groups
            ],
        ),
        _picture(
            "strength-gain",
            "Strength gain" if window.mix is None else f"Strength gain of {window.mix}",
            "Line: strength as a share of that after 28 days, hatched: its 90 % band. Dots: press tests. Below: tests "
            "by hand, a triangle down where the scrap crumbled, a square for a sandy face, a triangle up for a clean "
            "snap.",
            lambda axes: _draw_strength(axes, strength, strength_28_days, tests),
            ("age at 20 °C", "strength", "90 % band", "break test"),
            [
                *(
                    (f"{age_h:g} h", _percent(fraction), f"{_percent(low)} to {_percent(high)}", "")
                    for age_h, fraction, low, high in zip(
                        _STRENGTH_AGES_H, strength.fraction, strength.low, strength.high, strict=True
                    )
                    if age_h in _TOLD_AGES_H
                ),
                *_test_rows(strength_28_days, tests),
            ],
        ),
        _picture(
            "losses-over-time",
            "Losses month by month",
            "Dots: share lost, crosses in squares where it leaves the limits. Dashes: what the ages made likely; "
            "hatched: limits of three standard deviations for as many pieces. Lines across: changes of the window.",
            lambda axes: _draw_time(axes, trends, window),
            MONTH_COLUMNS,
            [month.cells for month in trends.months],
        ),
    ]
    if mapped is not None:
        pictures.append(mapped)
    return LossPictures(
        mold=window.mold,
        title=window.title,
        words=tuple(map(with_degree_sign, (window.advice, *trends.sentences))),
        pictures=tuple(pictures),
    )


def break_map(
    reference: MoldReference,
    features: Sequence[FeatureShare],
    *,
    read_bgr: Callable[[], NDArray[np.uint8]],
    places_xy: Callable[[], NDArray[np.float64]],
) -> LossPicture:
    """Draw where pieces break on a photo of a good one.

    Parameters
    ----------
    reference : MoldReference
    features : sequence of FeatureShare
        How often each was lost.
    read_bgr : callable
        Reads the reference's photo, (h, w, 3).
    places_xy : callable
        Finds where findings lie, in pixels of the reference, (n, 2).
    """
    return _picture(
        "where-pieces-break",
        "Where pieces break",
        "Numbers: pieces lost at the feature; the denser the hatching, the more. Crosses: single findings on photos, "
        "laid over the reference.",
        lambda axes: _draw_map(axes, reference, read_bgr()[..., ::-1], features, places_xy()),
        ("feature", "lost", "of all pieces"),
        [
            (feature.name, str(feature.lost), _percent(feature.share))
            for feature in sorted(features, key=lambda feature: (-feature.lost, feature.name))
        ],
    )


def _test_rows(
    strength_28_days: Strength28Days | None, tests: CorrectedTests | None
) -> list[tuple[str, str, str, str]]:
    """What a table says of break tests, by age."""
    if tests is None:
        return []
    rows = [
        (
            press.equivalent_age_h,
            "" if strength_28_days is None else _percent(press.strength_mpa / strength_28_days.median_mpa),
            f"{press.strength_mpa:g} MPa",
        )
        for press in tests.press
    ]
    rows += [(hand.equivalent_age_h, "", hand.word) for hand in tests.hand]
    return [(f"{age_h:.0f} h", share, "", result) for age_h, share, result in sorted(rows)]


def tightening_svg(window: MoldWindow, trends: MoldTrends) -> bytes:
    """Draw how a window was tightened, and losses beside it, one above the other."""

    def draw(figure: "Figure") -> None:
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(1, 1))
        _draw_window_history(upper, trends, window)
        _draw_time(lower, trends, window)
        upper.set_title(f"{window.title}: its demold window, and what is lost", loc="left", fontsize=13)

    return drawn(draw, "svg", size_in=(8.0, 6.4))


def _picture(
    name: str,
    title: str,
    caption: str,
    draw: "Callable[[Axes], None]",
    head: tuple[str, ...],
    rows: Sequence[tuple[str, ...]],
) -> LossPicture:
    return LossPicture(name=name, title=title, caption=caption, head=head, rows=tuple(rows), draw=draw)


def _page(title: str, picture: LossPicture, words: Sequence[str], rows: Sequence[tuple[str, ...]]) -> "Figure":
    import textwrap

    from matplotlib.figure import Figure
    from matplotlib.transforms import Bbox

    figure = Figure(figsize=_A4_IN)
    figure.text(0.09, 0.95, f"{title}: {picture.title[0].lower()}{picture.title[1:]}", fontsize=15)
    lines = [line for sentence in words for line in textwrap.wrap(sentence, 92)]
    figure.text(0.09, 0.93, "\n".join(lines), fontsize=9.5, va="top", linespacing=1.35)
    top = 0.92 - 0.0165 * len(lines)
    axes = figure.add_axes((0.12, top - 0.36, 0.79, 0.34))
    picture.draw(axes)
    caption = "\n".join(textwrap.wrap(picture.caption, 104))
    figure.text(0.09, top - 0.43, caption, fontsize=8.5, va="top", color=SOFT)
    if rows:
        height = min(0.0165 * (len(rows) + 1), top - 0.49 - _FOOT)
        below = figure.add_axes((0.09, top - 0.49 - height, 0.82, height))
        below.axis("off")
        table = below.table(
            cellText=[list(row) for row in rows], colLabels=list(picture.head), bbox=Bbox.unit(), cellLoc="left",
            colLoc="left", edges="horizontal",
        )  # fmt: skip
        table.auto_set_font_size(False)
        table.set_fontsize(8)
    figure.text(
        0.09, 0.03,
        "For ornamental pieces only: never says when structural formwork may come off. Young pieces are damp and "
        "alkaline: wear gloves.", fontsize=7.5, color=SOFT,
    )  # fmt: skip
    return figure


def _draw_loss(axes: "Axes", window: MoldWindow) -> None:
    ages_h = window.strength.age_h
    oldest_h = max([60.0, window.window.latest_h or 0.0, *window.points.age_h]) * 1.08
    shown = ages_h <= oldest_h
    losses, weight = loss_by_age(window.risk, window.strength.strength_fraction[shown])
    low, high = np.transpose([weighted_quantile(row, weight, (LOW, HIGH)) for row in losses])
    axes.fill_between(
        ages_h[shown], 100 * low, 100 * high, facecolor="none", edgecolor=HATCH, hatch="////", linewidth=0.0
    )
    axes.plot(ages_h[shown], 100 * losses @ weight, color=INK, linewidth=2.2)
    for group in window.groups:
        middle_h = (group.from_h + group.to_h) / 2
        share = group.lost / group.pieces
        axes.plot([middle_h, middle_h], [100 * group.low, 100 * group.high], color=IRON, linewidth=1.4)
        axes.plot([group.from_h, group.to_h], [100 * share, 100 * share], color=IRON, linewidth=3)
    top = min(100.0, max(20.0, *(100 * group.high for group in window.groups), 4 * 100 * window.window.target_loss))
    lost = window.points.lost
    axes.plot(window.points.age_h[~lost], np.full((~lost).sum(), -0.035 * top), "|", color=SOFT, markersize=7)
    axes.plot(window.points.age_h[lost], np.full(lost.sum(), 1.02 * top), "x", color=IRON, markersize=5)
    target = 100 * window.window.target_loss
    axes.axhline(target, color=INK, linestyle=(0, (1, 2)), linewidth=1.4)
    axes.text(oldest_h, target, f"target {target:g} %", ha="right", va="bottom", fontsize=9)
    found = window.window
    if found.earliest_h is not None and found.latest_h is not None and found.cheapest_h is not None:
        axes.axvspan(found.earliest_h, max(found.latest_h, found.earliest_h + 0.5), facecolor=HATCH, alpha=0.55)
        words = ["its window" if found.verdict == "settled" else "not settled yet"]
        words += [
            f"from {found.earliest_h:.0f} h",
            f"cheapest {found.cheapest_h:.0f} h",
            f"until {found.latest_h:.0f} h",
        ]
        for line, text in enumerate(words):
            axes.annotate(
                text, (found.earliest_h, 0.93 * top), xytext=(4, -11 * line), textcoords="offset points",
                fontsize=9, va="top",
            )  # fmt: skip
    axes.set_xlim(min(10.0, *window.points.age_h) if len(window.points.age_h) else 6.0, oldest_h)
    axes.set_ylim(-0.08 * top, 1.06 * top)
    axes.set_xlabel(f"demold age [h], as if at {window.temperature_degc:g} °C")
    axes.set_ylabel("lost [%]")


def _draw_strength(
    axes: "Axes", strength: StrengthBand, strength_28_days: Strength28Days | None, tests: CorrectedTests | None
) -> None:
    age_h = _STRENGTH_AGES_H
    axes.fill_between(
        age_h, 100 * strength.low, 100 * strength.high, facecolor="none", edgecolor=HATCH, hatch="////", linewidth=0.0
    )
    axes.plot(age_h, 100 * strength.fraction, color=INK, linewidth=2.2)
    if tests is not None and strength_28_days is not None:
        for press in tests.press:
            share = press.strength_mpa / strength_28_days.median_mpa
            axes.plot(press.equivalent_age_h, 100 * share, "o", color=IRON, markersize=7)
    for hand in () if tests is None else tests.hand:
        axes.plot(hand.equivalent_age_h, -6, _MARKS[hand.word], color=IRON, markersize=8, markerfacecolor=PAPER)
    axes.set_ylim(-12, 100)
    axes.set_xlim(0, age_h[-1])
    axes.set_xlabel("age, corrected to 20 °C [h]")
    axes.set_ylabel("strength [% of 28 days]")


def _draw_time(axes: "Axes", trends: MoldTrends, window: MoldWindow) -> None:
    months = trends.months
    at = np.arange(len(months))
    total = np.array([month.pieces for month in months])
    lower, upper, expected, lost = (
        100 * np.array([getattr(month, name) for month in months]) / total
        for name in ("lower", "upper", "expected", "lost")
    )
    axes.fill_between(at, lower, upper, step="mid", facecolor="none", edgecolor=HATCH, hatch="....", linewidth=0.0)
    axes.step(at, upper, where="mid", color=SOFT, linewidth=1.0)
    axes.plot(at, expected, color=INK, linestyle=(0, (4, 3)), linewidth=1.6)
    axes.plot(at, lost, color=IRON, linewidth=1.2, marker="o", markersize=6)
    outside = np.array([month.outside for month in months], dtype=bool)
    axes.plot(at[outside], lost[outside], "s", color=IRON, markersize=13, markerfacecolor="none", markeredgewidth=2)
    axes.plot(at[outside], lost[outside], "x", color=INK, markersize=8, markeredgewidth=2)
    top = max(10.0, float(np.max(np.append(upper, lost), initial=0)) * 1.1)
    for kept in window.history:
        place = _month_place(months, f"{kept.at:%Y-%m}")
        if place is not None:
            axes.axvline(place, color=INK, linewidth=0.9, linestyle=(0, (1, 3)))
            hours = "none" if kept.earliest_h is None else f"{kept.earliest_h:.0f} h"
            axes.text(place, top, f" from {hours}", fontsize=8.5, va="top", rotation=90, ha="right")
    axes.set_ylim(0, top)
    _month_ticks(axes, months)
    axes.set_ylabel("lost [%]")


def _draw_window_history(axes: "Axes", trends: MoldTrends, window: MoldWindow) -> None:
    months = trends.months
    kept = [(place, item) for item in window.history if (place := _month_place(months, f"{item.at:%Y-%m}")) is not None]
    for number, (place, item) in enumerate(kept):
        if item.earliest_h is None or item.latest_h is None:
            continue
        until = kept[number + 1][0] if number + 1 < len(kept) else len(months) - 0.5
        axes.fill_between(
            [place, until], item.earliest_h, item.latest_h, facecolor=HATCH, edgecolor=INK, hatch="////", alpha=0.8
        )
        words = f"window {item.earliest_h:.0f} to {item.latest_h:.0f} h"
        axes.text((place + until) / 2, item.earliest_h - 0.5, words, fontsize=9, va="top", ha="center")
    at = np.arange(len(months))
    axes.plot(at, [month.median_age_h for month in months], color=IRON, marker="o", markersize=5, linewidth=1.2)
    axes.text(0, months[0].median_age_h + 2, "dots: median age opened", color=IRON, fontsize=9, va="bottom")
    _month_ticks(axes, months)
    axes.set_ylabel("demold age [h]")


def _month_place(months: Sequence[MonthOfLosses], month: str) -> float | None:
    names = [item.month for item in months]
    return names.index(month) - 0.5 if month in names else None


def _month_ticks(axes: "Axes", months: Sequence[MonthOfLosses]) -> None:
    names = [item.month for item in months]
    every = max(1, len(names) // 8)
    axes.set_xticks(range(0, len(names), every), names[::every], rotation=30, ha="right", fontsize=9)


def _draw_map(
    axes: "Axes",
    reference: MoldReference,
    photo_rgb: NDArray[np.uint8],
    features: Sequence[FeatureShare],
    places_xy: NDArray[np.float64],
) -> None:
    grey = cv2.cvtColor(np.ascontiguousarray(photo_rgb), cv2.COLOR_RGB2GRAY)
    axes.imshow(128 + grey // 2, cmap="gray", vmin=0, vmax=255, interpolation="none")
    lost = {feature.name: feature.lost for feature in features}
    most = max([1, *lost.values()])
    for feature in reference.features:
        count = lost.get(feature.name, 0)
        corners = np.asarray(feature.polygon_xy)
        strokes = round(4 * count / most)
        axes.fill(
            *corners.T, facecolor="none", edgecolor=IRON if count else SOFT, linewidth=1 + 1.6 * count / most,
            hatch="/" * strokes or None,
        )  # fmt: skip
        if count:
            x, y = corners.mean(axis=0)
            axes.text(
                x, y, str(count), ha="center", va="center", fontsize=11, fontweight="bold",
                bbox={"boxstyle": "round,pad=0.2", "facecolor": PAPER, "edgecolor": INK},
            )  # fmt: skip
    if len(places_xy):
        axes.plot(*places_xy.T, "x", color=INK, markersize=7, markeredgewidth=2)
    outline = np.asarray(reference.outline_xy)
    (left, top), (right, bottom) = outline.min(axis=0), outline.max(axis=0)
    margin = 0.06 * max(right - left, bottom - top)
    axes.set_xlim(left - margin, right + margin)
    axes.set_ylim(bottom + margin, top - margin)
    axes.axis("off")


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %" if share < 0.1 else f"{100 * share:.0f} %"
