"""A mold's month as a sheet: what came out, what was lost and where, what became of it."""

from datetime import datetime

from inspector.web import words
from inspector.workshop import (
    SIZE_IN,
    Facts,
    Grid,
    Heading,
    LossPicture,
    MoldMonth,
    Outlined,
    Paper,
    Piece,
    WindowChange,
    Words,
    with_degree_sign,
)

__all__ = ["month_sheet"]

# Of a chart on a page; in print it is drawn anew.
_CHART_PX = (round(100 * SIZE_IN[0]), round(100 * SIZE_IN[1]))

_CAUTION = (
    "For ornamental pieces only: it never says when structural formwork may come off. Young concrete burns skin and "
    "eyes: wear gloves. Chipping and grinding make dust that harms lungs: wet it and wear a mask. Lift heavy pieces "
    "with help. Your local rules come first."
)
_HOW_COUNTED = (
    "Lost is what broke or was thrown out: missing features, chips and cracks that a person confirmed, that were "
    "flagged and nobody has looked at yet, or that were noted; and pieces that went to second or scrap without another "
    "reason. It is counted among pieces whose age is known. Strengths are reckoned from age, temperature and mix, not "
    "measured."
)


def month_sheet(found: MoldMonth, *, picture: LossPicture | None, address: str, now: datetime) -> Paper:
    """Write the sheet of a mold's month.

    Parameters
    ----------
    found : MoldMonth
    picture : LossPicture or None
        Where pieces of this month broke.
    address : str
        Where a page finds it.
    now : datetime
    """
    title = found.mold.title or found.mold.name
    blocks: list[Heading | Words | Facts | Grid | tuple[Outlined, ...]] = [Facts(tuple(_counts(found)))]
    if found.before is not None:
        blocks += [
            Heading("Beside the month before"),
            *(Words(with_degree_sign(sentence)) for sentence in found.before.sentences),
        ]
    if found.features:
        blocks += [
            Heading("Where they broke"),
            Grid(
                ("feature", "lost", "of the month's pieces (90 % interval)"),
                tuple(
                    (feature.name, str(feature.lost), words.share_of(feature.lost, found.known.pieces))
                    for feature in found.features
                ),
                (2, 1, 2),
            ),
        ]
        if picture is not None:
            blocks.append((_chart(picture, address),))
    if found.pours:
        blocks += [Heading("Pours"), _pours(found)]
    if found.windows:
        blocks += [Heading("Its window"), Facts(tuple(_window(change) for change in found.windows))]
    if found.pieces:
        blocks += [Heading("Every piece"), _pieces(found)]
    blocks += [Heading("How this is counted"), Words(_HOW_COUNTED)]
    return Paper(
        title=f"{title}, {words.month(found.month)}",
        subtitle=f"From the log as it was on {words.clock(now)}.",
        blocks=tuple(blocks),
        caution=_CAUTION,
    )


def _counts(found: MoldMonth) -> list[tuple[str, str]]:
    known = found.known
    rows = [("Out of the mold", words.count(len(found.pieces), "piece"))]
    if known.share is not None:
        rows.append(("Lost", f"{known.lost} of {known.pieces}, {words.share_of_told(known.lost, known.pieces)}"))
    if found.expected is not None:
        outside = "more or fewer than chance explains" if found.expected.outside else "within what chance explains"
        rows.append(
            (
                "To be expected",
                f"{found.expected.expected:.1f} at their ages, {found.expected.lower:.1f} to "
                f"{found.expected.upper:.1f} by chance: {outside}",
            )
        )
    if known.median_age_h is not None and known.median_strength_fraction is not None:
        strength = words.share(known.median_strength_fraction)
        told = f"{words.age(known.median_age_h)}, {strength} of the 28-day strength; half of them were older"
        rows.append(("Age and strength then", told))
    if not found.pieces:
        return rows
    rows.append(("Found", words.flagged(kind for kind, count in found.kinds for _ in range(count))))
    if found.unreviewed:
        rows.append(("Not looked at yet", words.count(found.unreviewed, "place")))
    became = [
        f"{count} {'undecided' if outcome is None else words.became(outcome)}" for outcome, count in found.outcomes
    ]
    rows.append(("Became", ", ".join(became)))
    return rows


def _chart(picture: LossPicture, address: str) -> Outlined:
    return Outlined(
        address=address,
        data=picture.png,
        width_px=_CHART_PX[0],
        height_px=_CHART_PX[1],
        alt=f"{picture.title}; its numbers stand in the tables of this sheet",
        caption=picture.caption,
        wide=True,
    )


def _pours(found: MoldMonth) -> Grid:
    rows = tuple(
        (
            str(pour.pour_id),
            words.clock(pour.poured_at),
            pour.mix or "not known",
            f"{pour.lost} of {pour.pieces}",
        )
        for pour in found.pours
    )
    return Grid(("pour", "poured", "mix", "lost"), rows, (1, 3, 2, 1))


def _window(change: WindowChange) -> tuple[str, str]:
    window = change.window
    opens = "no age yet" if window.earliest_h is None else f"from {words.age(window.earliest_h)}"
    until = "" if window.latest_h is None else f" until {words.age(window.latest_h)}"
    settled = "" if window.enough_evidence else ", not enough evidence yet"
    return f"Since {words.day(change.at)}", f"{opens}{until}, at {window.temperature_degc:g} °C{settled}"


def _pieces(found: MoldMonth) -> Grid:
    return Grid(
        ("piece", "out of the mold", "age", "strength", "found", "lost", "became"),
        tuple(_piece(piece, found) for piece in found.pieces),
        (1, 3, 1.1, 1.2, 3, 0.8, 1.4),
    )


def _piece(piece: Piece, found: MoldMonth) -> tuple[str, ...]:
    strength, loss = found.strengths.get(piece.id), found.losses.get(piece.id)
    return (
        str(piece.id),
        "not known" if piece.demolded_at is None else words.clock(piece.demolded_at),
        "not known" if piece.demold_age_h is None else words.age(piece.demold_age_h),
        "not known" if strength is None else words.share(strength.strength_fraction),
        "photo not usable" if piece.score is None and not piece.noted else words.flagged(piece.kinds),
        "not known" if loss is None else ("yes" if loss.lost else "no"),
        "undecided" if piece.outcome is None else piece.outcome,
    )
