"""A log of years: molds, pours and pieces with photos, findings, reviews and decisions, drawn by chance from a seed.

Rows are written in one transaction, as the repositories would write them one by one, in a hundredth of the time.
"""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from inspector.log import LogPlace, sha256_of
from inspector.log.tables import (
    DispositionRow,
    FindingRow,
    InspectionRow,
    MixRow,
    MoldRow,
    PhotoRow,
    PieceRow,
    PourRow,
    ReviewRow,
)
from inspector.log.temperatures import constant_temperature_row
from inspector.workshop import Workshop
from tests.doubles.drawing import drawn_photo
from tests.doubles.drawn_engine import DRAWN_ENGINE

__all__ = ["FILE_EVERY", "LARGE_MOLDS", "fill_log"]

LARGE_MOLDS = 20
_ENDS_AT = datetime(2026, 11, 20, 12, tzinfo=UTC)
_KINDS = ("chip", "hairline crack", "missing feature", "surface void")
_PIECES_A_POUR = 10
# A file lies there for the first of so many photos; the others have rows only.
FILE_EVERY = 100


def fill_log(
    where: Path | LogPlace, *, pieces: int, seed: int = 1, molds: int = LARGE_MOLDS, site: str | None = None
) -> None:
    """Make a log with so many pieces, a tenth of them waiting.

    Pieces of the first mold are the first, those of the second come next, and so on in turn. With `site` it is all of
    a site, which is added to the log.
    """
    rng = np.random.default_rng(seed)
    with Workshop.open(where, engine=DRAWN_ENGINE) as whole:
        shop = whole if site is None else whole.at(whole.sites.add(site).id)
        for number in range(molds):
            name = f"leaf-{number:02}"
            shop.add_mold(name, title=f"Leaf {number}", material=("silicone", "latex")[number % 2])
            photo = drawn_photo(shade=200) + name.encode()
            reference = shop.add_reference(photo, name=f"{name}.jpg", mold=name).reference
            shop.add_feature("tip", reference_id=reference.id, polygon_xy=((60, 40), (100, 40), (100, 80)))
            shop.confirm_reference(reference.id)
        shop.add_mix("grey", cement_class="N", water_cement_ratio=0.45)
        shop.add_mix("buff", cement_class="R", water_cement_ratio=0.42, fibres="glass")
        with shop._log.writing() as session:
            rows = {row.name: row for row in session.query(MoldRow)}
            mixes = session.query(MixRow).all()
            pours = -(-pieces // _PIECES_A_POUR)
            for pour in range(pours):
                poured_at = _ENDS_AT - timedelta(hours=(pours - pour) * 12 + 60)
                filled = [
                    rows[f"leaf-{(pour * _PIECES_A_POUR + number) % molds:02}"] for number in range(_PIECES_A_POUR)
                ]
                row = PourRow(
                    mix=mixes[pour % 2], poured_at=poured_at, poured_offset_min=60, cure_notes="", created_at=poured_at,
                    molds=list(dict.fromkeys(filled)),
                )  # fmt: skip
                session.add(row)
                session.add(constant_temperature_row(row, temperature_degc=19.0, source="seed", now=poured_at))
                for mold in filled[: pieces - pour * _PIECES_A_POUR]:
                    _add_piece(session, shop, rng, mold, row, poured_at + timedelta(hours=rng.uniform(18, 56)))


def _add_piece(session, shop, rng, mold, pour, demolded_at) -> None:
    piece = PieceRow(mold=mold, pour=pour, demolded_at=demolded_at, demolded_offset_min=60, created_at=demolded_at)
    number = _count(session)
    data = f"photo {number}".encode()
    if number % FILE_EVERY == 1:
        data = drawn_photo((255, 0, 0), shade=170 + number % 50) + data
        shop._log.photos.keep(data)
    photo = PhotoRow(
        sha256=sha256_of(data), name=f"{number}.jpg", media_type="image/jpeg", byte_count=len(data), width_px=320,
        height_px=240, taken_at=demolded_at, taken_offset_min=60, piece=piece, view=mold.views[0],
        created_at=demolded_at,
    )  # fmt: skip
    findings = [
        FindingRow(
            kind=_KINDS[rng.integers(len(_KINDS))], polygon_xy=[[90, 80], [120, 80], [120, 95], [90, 95]],
            confidence=float(rng.uniform(0.4, 1)), area_mm2=18.0, length_mm=6.0, width_mm=3.0, depth_mm=None,
            feature_name="tip" if rng.random() < 0.5 else None,
        )
        for _ in range(rng.poisson(0.6))
    ]  # fmt: skip
    inspection = InspectionRow(
        photo=photo, engine_version="drawn-1", status="inspected", reason=None, score=float(rng.uniform(0, 1)),
        px_per_mm=5.0, reference_name=f"{mold.name}.jpg", seconds=0.5, warnings=[],
        photo_from_reference=[[1.0, 0, 0], [0, 1, 0], [0, 0, 1]], created_at=demolded_at, findings=findings,
    )  # fmt: skip
    session.add_all([piece, photo, inspection])
    session.flush()
    if rng.random() < 0.9:
        for finding in findings:
            verdict = ("confirmed", "dismissed")[rng.integers(2)]
            session.add(
                ReviewRow(finding_id=finding.id, verdict=verdict, new_kind=None, reviewer="Ada", created_at=demolded_at)
            )
        outcome = ("sell", "sell", "sell", "second", "scrap")[rng.integers(5)]
        session.add(
            DispositionRow(piece_id=piece.id, outcome=outcome, decided_by="Ada", note="", created_at=demolded_at)
        )


def _count(session) -> int:
    session.info["pieces"] = session.info.get("pieces", 0) + 1
    return session.info["pieces"]
