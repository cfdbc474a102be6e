"""Between the engine's arrays and the log's plain values."""

import numpy as np
from numpy.typing import NDArray

from inspector.inspection import KINDS, Inspection, Kind
from inspector.log import LoggedInspection, NewFinding, NewInspection, Points, UncountedMark

__all__ = ["kind_of_log", "points", "to_lay_over", "to_log", "unusable"]


def points(polygon_xy: NDArray[np.float64]) -> Points:
    """Give a polygon as plain numbers, to a hundredth of a pixel."""
    return tuple((round(float(x), 2), round(float(y), 2)) for x, y in polygon_xy)


def kind_of_log(kind: str) -> Kind:
    """Give a kind as the engine names it; the log knows the same ones."""
    return next(one for one in KINDS if one == kind)


def to_log(inspection: Inspection, *, engine_version: str, compared_with: str) -> NewInspection:
    """Give an inspection as the log takes it."""
    matrix = inspection.photo_from_reference
    return NewInspection(
        engine_version=engine_version,
        compared_with=compared_with,
        status=inspection.status,
        reason=inspection.reason,
        score=inspection.score,
        px_per_mm=inspection.px_per_mm,
        reference=inspection.reference,
        seconds=inspection.seconds,
        findings=tuple(
            NewFinding(
                kind=finding.kind,
                polygon_xy=points(finding.polygon_xy),
                confidence=finding.confidence,
                area_mm2=finding.area_mm2,
                length_mm=finding.length_mm,
                width_mm=finding.width_mm,
                depth_mm=finding.depth_mm,
                feature=finding.feature,
                confidence_alone=finding.confidence_alone,
                dismissed_on=finding.dismissed_on,
                seen_as=finding.seen_as,
                on_references=tuple((name, points(outline)) for name, outline in finding.on_references),
            )
            for finding in inspection.findings
        ),
        not_counted=tuple(
            UncountedMark(
                kind=mark.kind,
                polygon_xy=points(mark.polygon_xy),
                confidence=mark.confidence,
                confidence_alone=mark.confidence if mark.confidence_alone is None else mark.confidence_alone,
                dismissed_on=mark.dismissed_on,
                area_mm2=mark.area_mm2,
                length_mm=mark.length_mm,
                width_mm=mark.width_mm,
            )
            for mark in inspection.not_counted
        ),
        warnings=inspection.warnings,
        photo_from_reference=None if matrix is None else tuple(tuple(map(float, line)) for line in matrix),
    )


def unusable(reason: str, *, engine_version: str, compared_with: str | None) -> NewInspection:
    """Give the inspection of a photo that could not be judged, with the reason."""
    return NewInspection(
        engine_version=engine_version,
        compared_with=compared_with,
        status="unusable",
        reason=reason,
        score=None,
        px_per_mm=None,
        reference=None,
        seconds=0.0,
        findings=(),
    )


def to_lay_over(logged: LoggedInspection, *, photo: str) -> Inspection:
    """Give a logged inspection as the engine needs it to lay the reference over the photo."""
    matrix = logged.photo_from_reference
    return Inspection(
        photo=photo,
        status=logged.status,
        reason=logged.reason,
        score=logged.score or 0.0,
        px_per_mm=logged.px_per_mm,
        reference=logged.reference,
        seconds=logged.seconds,
        photo_from_reference=None if matrix is None else np.asarray(matrix, dtype=float),
    )
