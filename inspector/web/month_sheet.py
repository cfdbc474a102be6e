"""A mold's month as a sheet: what came out, what was lost and where, what became of it."""

from datetime import datetime

from inspector.web import words
from inspector.web.language import mark, spoken, tr
from inspector.web.quantities import clock, day, number, temperature
from inspector.web.sentences import told
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
)

__all__ = ["month_sheet"]

# Of a chart on a page; in print it is drawn anew.
_CHART_PX = (round(100 * SIZE_IN[0]), round(100 * SIZE_IN[1]))

_CAUTION = mark(
    "For ornamental pieces only: it never says when structural formwork may come off. Young concrete burns skin and "
    "eyes: wear gloves. Chipping and grinding make dust that harms lungs: wet it and wear a mask. Lift heavy pieces "
    "with help. Your local rules come first."
)
_HOW_COUNTED = mark(
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
            Heading(tr("Beside the month before")),
            *(Words(told(sentence)) for sentence in found.before.sentences),
        ]
    if found.features:
        blocks += [
            Heading(tr("Where they broke")),
            Grid(
                (tr("feature"), tr("lost"), tr("of the month's pieces (90 %% interval)")),
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
        blocks += [Heading(tr("Pours")), _pours(found)]
    if found.windows:
        blocks += [Heading(tr("Its window")), Facts(tuple(_window(change) for change in found.windows))]
    if found.pieces:
        blocks += [Heading(tr("Every piece")), _pieces(found)]
    blocks += [Heading(tr("How this is counted")), Words(tr(_HOW_COUNTED))]
    return Paper(
        title=f"{title}, {words.month(found.month)}",
        subtitle=tr("From the log as it was on %(time)s.", time=clock(now)),
        blocks=tuple(blocks),
        caution=tr(_CAUTION),
        language=spoken().text,
        page_word=tr("page"),
    )


def _counts(found: MoldMonth) -> list[tuple[str, str]]:
    known = found.known
    rows = [(tr("Out of the mold"), words.pieces(len(found.pieces)))]
    if known.share is not None:
        share = words.share_of_told(known.lost, known.pieces)
        counted = tr("%(lost)s of %(pieces)s, %(share)s", lost=known.lost, pieces=known.pieces, share=share)
        rows.append((tr("Lost"), counted))
    if found.expected is not None:
        expected, lower, upper = (
            number(lost, 1) for lost in (found.expected.expected, found.expected.lower, found.expected.upper)
        )
        sentence = (
            tr(
                "%(expected)s at their ages, %(lower)s to %(upper)s by chance: more or fewer than chance explains",
                expected=expected,
                lower=lower,
                upper=upper,
            )
            if found.expected.outside
            else tr(
                "%(expected)s at their ages, %(lower)s to %(upper)s by chance: within what chance explains",
                expected=expected,
                lower=lower,
                upper=upper,
            )
        )
        if found.expected_as_of is not None and found.expected.pieces != known.pieces:
            as_of = tr(
                "Worked out on %(time)s, of the %(pieces)s known then.",
                time=clock(found.expected_as_of),
                pieces=words.pieces(found.expected.pieces),
            )
            sentence = f"{sentence}. {as_of}"
        rows.append((tr("To be expected"), sentence))
    if known.median_age_h is not None and known.median_strength_fraction is not None:
        sentence = tr(
            "%(age)s, %(share)s of the 28-day strength; half of them were older",
            age=words.age(known.median_age_h),
            share=words.share(known.median_strength_fraction),
        )
        rows.append((tr("Age and strength then"), sentence))
    if not found.pieces:
        return rows
    rows.append((tr("Found"), words.flagged(kind for kind, count in found.kinds for _ in range(count))))
    if found.unreviewed:
        rows.append((tr("Not looked at yet"), words.places(found.unreviewed)))
    became = [
        f"{count} {tr('undecided') if outcome is None else words.became(outcome)}" for outcome, count in found.outcomes
    ]
    rows.append((tr("Became"), ", ".join(became)))
    return rows


def _chart(picture: LossPicture, address: str) -> Outlined:
    return Outlined(
        address=address,
        data=lambda: picture.png(say=told),
        width_px=_CHART_PX[0],
        height_px=_CHART_PX[1],
        alt=tr("%(title)s; its numbers stand in the tables of this sheet", title=told(picture.title)),
        caption=told(picture.caption),
        wide=True,
    )


def _pours(found: MoldMonth) -> Grid:
    rows = tuple(
        (
            str(pour.pour_id),
            clock(pour.poured_at),
            pour.mix or tr("not known"),
            tr("%(lost)s of %(pieces)s", lost=pour.lost, pieces=pour.pieces),
        )
        for pour in found.pours
    )
    return Grid((tr("pour"), tr("poured"), tr("mix"), tr("lost")), rows, (1, 3, 2, 1))


def _window(change: WindowChange) -> tuple[str, str]:
    window = change.window
    if window.earliest_h is None:
        opens = tr("no age yet")
    elif window.latest_h is None:
        opens = tr("from %(age)s", age=words.age(window.earliest_h))
    else:
        opens = tr("from %(age)s until %(latest)s", age=words.age(window.earliest_h), latest=words.age(window.latest_h))
    parts = [opens, tr("at %(temperature)s", temperature=temperature(window.temperature_degc))]
    if not window.enough_evidence:
        parts.append(tr("not enough evidence yet"))
    return tr("Since %(day)s", day=day(change.at)), ", ".join(parts)


def _pieces(found: MoldMonth) -> Grid:
    return Grid(
        (
            tr("piece"),
            tr("out of the mold"),
            tr("age"),
            tr("strength"),
            tr("found"),
            tr("lost"),
            tr("became"),
        ),
        tuple(_piece(piece, found) for piece in found.pieces),
        (1, 3, 1, 1.4, 2.45, 1.25, 1.4),
    )


def _piece(piece: Piece, found: MoldMonth) -> tuple[str, ...]:
    strength, loss = found.strengths.get(piece.id), found.losses.get(piece.id)
    return (
        str(piece.id),
        tr("not known") if piece.demolded_at is None else clock(piece.demolded_at),
        tr("not known") if piece.demold_age_h is None else words.age(piece.demold_age_h),
        tr("not known") if strength is None else words.share(strength.strength_fraction),
        tr("photo not usable") if piece.score is None and not piece.noted else words.flagged(piece.kinds),
        tr("not known") if loss is None else (tr("yes") if loss.lost else tr("no")),
        tr("undecided") if piece.outcome is None else words.outcome(piece.outcome),
    )
