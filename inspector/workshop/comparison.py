"""What the photos of a mold are compared with, and a code that tells it from what they were compared with before."""

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol

from inspector.inspection import MoldModel
from inspector.log import MoldReference

__all__ = ["CompareWith", "Comparison", "references_code"]


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """What good pieces of a mold look like."""

    models: tuple[MoldModel, ...]
    """One a view."""
    code: str
    """Of all references of the mold that are in use, as `references_code` gives it."""


class CompareWith(Protocol):
    """What the photos of a mold are compared with now."""

    def __call__(self, mold: str, *, view: str | None = None) -> Comparison:
        """Give it for all views of a mold, or for one."""


def references_code(references: Iterable[MoldReference]) -> str:
    """Give a code of references in use, which is another one as soon as a photo could come out otherwise by them.

    What reviewers taught is not in it: that changes with every word, and an inspection holds what was known then.
    """
    in_use = [
        [one.id, one.photo_id, one.view, one.name, [[feature.name, feature.polygon_xy] for feature in one.features]]
        # What was found follows from the photo.
        + ([] if one.outlined_by is None else [one.outline_xy])
        for one in sorted(references, key=lambda one: one.id)
        if one.in_use
    ]
    return hashlib.sha256(json.dumps(in_use).encode()).hexdigest()[:16]
