"""One photo to findings: what is missing, chipped, cracked, pitted or too much on a piece."""

from inspector.inspection.flip import reference_in_photo
from inspector.inspection.inspecting import inspect_photo
from inspector.inspection.model import MoldModel, combine, with_reviews
from inspector.inspection.overlay import draw_overlay
from inspector.inspection.reference import Reference, prepare_reference
from inspector.inspection.results import KINDS, Feature, Finding, Inspection, Kind, Status
from inspector.inspection.reviewed_places import KIND_CLASS, ReviewedPlace

# Part of every logged inspection: raised whenever the same photo may give other findings.
ENGINE_VERSION = "6"

__all__ = [
    "ENGINE_VERSION",
    "KINDS",
    "KIND_CLASS",
    "Feature",
    "Finding",
    "Inspection",
    "Kind",
    "MoldModel",
    "Reference",
    "ReviewedPlace",
    "Status",
    "combine",
    "draw_overlay",
    "inspect_photo",
    "prepare_reference",
    "reference_in_photo",
    "with_reviews",
]
