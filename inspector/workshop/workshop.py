"""The use cases of the workshop: set up molds, record photos, review findings, decide what becomes of a piece.

One `Workshop` is opened at start and shared by threads; it holds the log and the prepared references.
Every method raises `InspectorError` with a sentence for the user when something cannot be done.
"""

import copy
import logging
import os
import re
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from math import isfinite
from pathlib import Path
from threading import Lock
from types import TracebackType
from typing import Self

import numpy as np
from numpy.typing import NDArray

from inspector import log
from inspector.curing import temperature_warnings
from inspector.errors import InputError, InspectorError, PhotoError, UnsureError
from inspector.imaging.reading import Photo
from inspector.inspection import MoldModel, Reference
from inspector.inspection.engine import ENGINE, Engine, inspect_best_view
from inspector.inspection.limits import DetectionLimits, measure_limits
from inspector.inspection.recognising import KnownSide, Recognition
from inspector.log import (
    CEMENT_CLASSES,
    KINDS,
    Admixture,
    CementClass,
    Feature,
    FirstToReview,
    ListPage,
    LoggedInspection,
    LoggedPhoto,
    LoggedPiecePhoto,
    LogPlace,
    Mix,
    Mold,
    MoldReference,
    NewPiecePhoto,
    NewReference,
    PastPour,
    PhotoScore,
    PhotoSending,
    Piece,
    PieceDetail,
    PieceFilter,
    PlaceInList,
    Points,
    Pour,
    PourCorrection,
    StoredFile,
)
from inspector.workshop.access import Access
from inspector.workshop.comparison import Comparison, references_code
from inspector.workshop.correcting_outlines import CorrectingOutlines
from inspector.workshop.curing import Curing, mix_curve
from inspector.workshop.designs import Designs
from inspector.workshop.early_pieces import doubt_age
from inspector.workshop.exporting import Exporting
from inspector.workshop.keeping import keep_photo
from inspector.workshop.lessons import Lessons
from inspector.workshop.loss_pictures import LossPicture, LossPictures, break_map, draw_losses
from inspector.workshop.loss_results import FeatureShare, MoldTrends, MoldWindow
from inspector.workshop.losses import Losses
from inspector.workshop.lost import LOST_KINDS
from inspector.workshop.mold_folder import read_mold_folder
from inspector.workshop.mold_month import MoldMonth
from inspector.workshop.months import Month
from inspector.workshop.naming_features import NamingFeatures
from inspector.workshop.passed_pieces import PassedPieces, is_passed, newest_photos, passed_photo, surest_photos
from inspector.workshop.photo_queue import PhotoQueue
from inspector.workshop.pictures import draw_difference, draw_reference, jpeg_picture, shrunk
from inspector.workshop.piece_table import read_piece_table
from inspector.workshop.planning import DuePiece, Planning
from inspector.workshop.portions import read_in_portions
from inspector.workshop.posing import PoseOutline, pose_outline
from inspector.workshop.references import PreparedReferences
from inspector.workshop.reinspecting import Reinspecting
from inspector.workshop.required import required
from inspector.workshop.results import (
    AddedMold,
    FeatureProposal,
    MoldDetail,
    Picture,
    PieceFacts,
    PieceImport,
    RecognisedFile,
    Recorded,
    RecordedFile,
    ReferenceCheck,
)
from inspector.workshop.reviewing import Reviewing
from inspector.workshop.signatures import KeptSignatures
from inspector.workshop.sites import Sites
from inspector.workshop.times import with_offset
from inspector.workshop.translating import points, to_lay_over, to_log

__all__ = ["Workshop"]

_logger = logging.getLogger(__name__)

_MOLD_NAME = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_LONGEST_NAME = 60
_REFERENCE_PICTURE_PX = 1600
# How many pieces sold last are looked at for photos that could become references.
_LATEST_SOLD = 60
# How many of their photos are made ready, one after the other, to find some that damage can be planted into.
_MOST_PASSED_READ = 12
# Each inspection of a large photo takes a few hundred megabytes while it runs.
_MOST_AT_ONCE = 4
_NOTHING_COMPARABLE = "No mold that comes into question has a reference photo yet. Add a mold with good pieces."
# Outside these a ratio is a slip of the pen (0.45 typed as 45); ornamental mixes lie between 0.3 and 0.65
# (common practice, no source).
_WATER_CEMENT_RATIOS = (0.15, 1.5)


@dataclass(frozen=True, slots=True, eq=False)
class _LaidOver:
    """A photo, and the nearest reference laid over it: same size, same place."""

    photo_bgr: NDArray[np.uint8]
    good_bgr: NDArray[np.uint8]
    outline_xy: NDArray[np.float64]
    """Of the reference, in pixels of the photo, (n, 2)."""


@dataclass(frozen=True, slots=True)
class _Side:
    """One side of a mold's pieces."""

    mold: str
    view: str | None
    """None leaves it to the inspection."""


class Workshop:
    """An open log together with the engine that inspects its photos.

    Where several sites share the log, this is the whole, which knows who may come in and works photos off; `at` gives
    the workshop of one site.

    Parameters
    ----------
    opened : Log
        The log; it is closed with the workshop.
    engine : Engine
        What inspects the photos.
    """

    def __init__(self, opened: log.Log, *, engine: Engine = ENGINE) -> None:
        self._engine = engine
        self.sites = Sites(opened)
        """The sites that share the log."""
        self.access = Access(opened)
        """Who may reach the workshop over the network."""
        # References are told apart by numbers that no two sites share, and take too much memory to be kept for each.
        self._prepared = PreparedReferences(engine, self.photo_file)
        self._signatures = KeptSignatures(
            engine,
            opened.place.folder / "signatures",
            prepare=self._prepared.get_one,
            sha256_of=lambda photo_id: self.photo(photo_id).sha256,
        )
        self._of_sites: dict[int, Workshop] = {}
        self._opening = Lock()
        self._open_parts(opened)

    def _open_parts(self, opened: log.Log) -> None:
        self._log = opened
        self.curing = Curing(opened)
        """Temperatures, wet cure, break tests, and the equivalent ages and strengths that follow."""
        self.reviewing = Reviewing(opened)
        """What people say about findings and pieces, and taking it back."""
        self.naming = NamingFeatures(opened)
        """Features that people outline on reference photos."""
        self.outlines = CorrectingOutlines(opened, self._engine)
        """Outlines of references that people put right."""
        self.lessons = Lessons(opened)
        """Places of molds that are taken as normal, since reviewers dismissed marks there."""
        self.planning = Planning(opened, self.curing)
        """What windows are to meet, how they changed, and what can come out of its mold when."""
        self.losses = Losses(opened, self.curing, self.planning)
        """When to demold each mold, why pieces are lost, and what another way would change."""
        self.designs = Designs(opened)
        """Designs that the site shares with others, and which molds are of one."""
        self.exporting = Exporting(opened, self.curing, lambda photo_id: self.photo_picture(photo_id).data)
        """Giving out the log in open formats."""
        self.queue = PhotoQueue(
            opened,
            self._engine,
            compare_with=self.comparison,
            check_comparable=self._check_comparable,
            recognise=self._recognise_side,
            of_site=lambda site_id: self.at(site_id).queue,
        )
        """Photos that are kept first and inspected afterwards."""
        self.reinspecting = Reinspecting(opened, self._engine, compare_with=self.comparison)
        """Inspecting logged photos again, after a change of the engine or the references."""

    @classmethod
    def open(cls, where: Path | LogPlace, *, engine: Engine = ENGINE) -> Self:
        """Open the workshop kept in a place, as `open_log` does; what is missing there is made."""
        return cls(log.open_log(where), engine=engine)

    @property
    def site_id(self) -> int | None:
        """The site whose workshop this is; None: the whole."""
        return self._log.site_id

    def at(self, site_id: int) -> "Workshop":
        """Give the workshop of one site, as if there were no other; it is closed with the whole."""
        if site_id == self.site_id:
            return self
        with self._opening:
            if site_id not in self._of_sites:
                there = copy.copy(self)
                opened = self._log.at(site_id)
                there.access = self.access.at(opened)
                there._open_parts(opened)
                self._of_sites[site_id] = there
            return self._of_sites[site_id]

    def units(self) -> log.UnitSystem:
        """Tell which units pages and sheets show; the log and its exports stay metric."""
        return log.find_units(self._log)

    def unit_choices(self) -> tuple[log.UnitChoice, ...]:
        """List who chose which units when, the latest first."""
        return log.list_unit_choices(self._log)

    def choose_units(self, units: log.UnitSystem, *, said_by: str) -> None:
        """Have pages and sheets show other units from now on; the same again changes nothing."""
        if units != self.units():
            log.add_unit_choice(self._log, units, said_by=said_by)

    def close(self) -> None:
        """Let go of the database."""
        self._log.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # Molds and references

    def add_mold(
        self,
        name: str,
        *,
        title: str = "",
        material: str = "",
        release_agent: str = "",
        views: Iterable[str] = ("front",),
    ) -> Mold:
        """Register a mold under a short name (small letters, digits and dashes)."""
        if not _MOLD_NAME.fullmatch(name):
            raise InputError(
                f"{name!r} cannot be the name of a mold. Use small letters, digits and single dashes, as in oak-leaf."
            )
        names = [required(view, "name of a view") for view in views]
        if not names:
            raise InputError(f"Mold {name} needs at least one view, such as front.")
        return log.add_mold(
            self._log,
            name,
            title=title.strip() or name,
            material=material.strip(),
            release_agent=release_agent.strip(),
            views=names,
        )

    def add_titled_mold(self, title: str, *, material: str = "", release_agent: str = "", view: str = "front") -> Mold:
        """Register a mold by what people call it; its short name is made of that."""
        folded = unicodedata.normalize("NFKD", required(title, "name of the mold")).encode("ascii", "ignore").decode()
        name = "-".join(re.findall("[a-z0-9]+", folded.lower()))[:_LONGEST_NAME].strip("-")
        return self.add_mold(name or "mold", title=title, material=material, release_agent=release_agent, views=(view,))

    def change_release_agent(self, mold: str, release_agent: str, *, from_at: datetime, said_by: str) -> None:
        """Write down that another release agent is put on a mold from a time on; pours before keep theirs.

        A time without an offset is taken in this machine's time zone.
        """
        log.find_mold(self._log, mold)
        log.change_release_agent(
            self._log, mold, required(release_agent, "release agent"), from_at=with_offset(from_at), said_by=said_by
        )

    def add_view(self, mold: str, view: str) -> None:
        """Add a view to a mold; nothing happens if it is there."""
        log.add_view(self._log, mold=mold, view=required(view, "name of a view"))

    def add_mold_folder(self, folder: Path) -> AddedMold:
        """Register the mold that `mold.toml` in a folder describes, with its reference photos and features.

        Its references wait for a yes, as those of `add_reference` do. Doing it again adds only what is new.

        Raises
        ------
        InputError
            If the folder says something that cannot be used, or none of its photos makes a reference.
        """
        found = read_mold_folder(folder)
        checks: dict[str, ReferenceCheck] = {}
        refused: list[str] = []
        segmented: list[tuple[bytes, Photo, Reference]] = []
        for path in found.photos:
            try:
                data = _read_file(path)
                photo = self._engine.read_photo(data, name=path.name)
                segmented.append((data, photo, self._engine.prepare_reference(photo)))
            except InputError as error:
                refused.append(str(error))
        if not segmented:
            raise InputError(f"No photo in {folder} makes a reference. {' '.join(refused)}")
        if all(mold.name != found.name for mold in self.molds()):
            self.add_mold(
                found.name,
                title=found.title,
                material=found.material,
                release_agent=found.release_agent,
                views=[found.view],
            )
        self.add_view(found.name, found.view)
        for data, photo, reference in segmented:
            checks[photo.name] = self._keep_reference(data, photo, reference, mold=found.name, view=found.view)
        for feature in found.features:
            if (check := checks.get(feature.photo)) is not None:
                self.add_feature(feature.name, reference_id=check.reference.id, polygon_xy=feature.polygon_xy)
        return AddedMold(mold=self.mold(found.name).mold, checks=tuple(checks.values()), refused=tuple(refused))

    def add_reference(self, data: bytes, *, name: str, mold: str, view: str | None = None) -> ReferenceCheck:
        """Segment the piece on a photo and keep it as a reference that waits for a person's yes.

        Parameters
        ----------
        data : bytes
            The photo's file.
        name : str
            Its file name.
        mold, view : str
            What it shows; the view may be left out where the mold has one.

        Raises
        ------
        PhotoError, InputError
            If the photo is unreadable or no good reference; the reason says what to do.
        """
        views = log.find_mold(self._log, mold).views
        if view is None and len(views) > 1:
            raise InputError(f"Mold {mold} has several views ({', '.join(views)}). Say which one {name} shows.")
        if view is not None and view not in views:
            raise InputError(f"Mold {mold} has no view {view}. It has: {', '.join(views)}.")
        photo = self._engine.read_photo(data, name=name)
        reference = self._engine.prepare_reference(photo)
        return self._keep_reference(data, photo, reference, mold=mold, view=view or views[0])

    def passed_pieces(self, mold: str, *, most: int) -> PassedPieces:
        """Find photos of pieces passed as good that could become references, and references that are of none such.

        Looked at are the latest that were sold. Those of a view that has as many references in use as are worth their
        time are left out.
        """
        references = log.list_references(self._log, mold)
        surest = surest_photos(self._scores_of_passed(mold), references)[:most]
        details = {
            detail.piece.id: detail
            for detail in log.read_piece_details(self._log, sorted({one.piece_id for one in surest}))
        }
        in_use = [reference for reference in references if reference.in_use]
        piece_of = log.list_photo_pieces(self._log, [reference.photo_id for reference in in_use])
        shown_pieces = log.read_pieces(self._log, sorted(set(piece_of.values())))
        doubtful = {piece.id for piece in shown_pieces if not is_passed(piece)}
        return PassedPieces(
            photos=tuple(passed_photo(details[one.piece_id], one) for one in surest),
            unpassed=tuple(item for item in in_use if piece_of.get(item.photo_id) in doubtful),
        )

    def add_passed_reference(self, photo_id: int) -> ReferenceCheck:
        """Segment the piece on a photo that was passed as good; as a reference it waits for a person's yes.

        Raises
        ------
        PhotoError, InputError
            If the piece is not passed, or its photo makes no good reference; the reason says what to do.
        """
        photo = self.photo(photo_id)
        detail = None if photo.piece_id is None else self.piece(photo.piece_id)
        if detail is None or photo.view is None or not is_passed(detail.piece):
            raise InputError(
                f"Photo {photo.name} shows no piece that is passed as good: one that is to be sold, and on which "
                "nothing is flagged that was not dismissed. Choose another one."
            )
        return self.add_reference(
            self.photo_file(photo_id).data, name=photo.name, mold=detail.piece.mold, view=photo.view
        )

    def confirm_reference(self, reference_id: int) -> None:
        """Say yes to a reference: from now on pieces are compared with it."""
        log.confirm_reference(self._log, reference_id)

    def retire_reference(self, reference_id: int, *, said_by: str, why: str) -> None:
        """Compare pieces with a reference no more; what was compared with it stays as it is.

        Raises
        ------
        InputError
            If it is the last one of its view, or features are drawn on it.
        """
        mold = log.find_reference(self._log, reference_id).mold
        references = {item.id: item for item in log.list_references(self._log, mold)}
        reference = references[reference_id]
        if all(item.id == reference_id for item in references.values() if item.in_use and item.view == reference.view):
            raise InputError(
                f"Reference {reference.name} is the last one of view {reference.view}: without it no photo can be "
                "inspected. Add another one first."
            )
        if reference.features:
            names = ", ".join(feature.name for feature in reference.features)
            raise InputError(
                f"Reference {reference.name} carries features: {names}. Draw them on another reference first."
            )
        log.set_reference_use(self._log, reference_id, in_use=False, said_by=said_by, why=required(why, "reason"))

    def use_reference_again(self, reference_id: int, *, said_by: str) -> None:
        """Compare pieces again with a reference that was retired."""
        log.set_reference_use(self._log, reference_id, in_use=True, said_by=said_by, why="")

    def reference_uses(self, mold: str) -> dict[str, int]:
        """Count by the name of a reference how many photos were laid against it."""
        return log.count_reference_uses(self._log, mold)

    def discard_reference(self, reference_id: int) -> None:
        """Say no to a reference that waits for a yes; the photo itself is kept."""
        log.discard_reference(self._log, reference_id)

    def reference(self, reference_id: int) -> MoldReference:
        """Show one reference."""
        return log.find_reference(self._log, reference_id)

    def reference_picture(self, reference_id: int, *, max_side_px: int = _REFERENCE_PICTURE_PX) -> Picture:
        """Draw the outline and features of a reference on its photo, JPEG."""
        reference = log.find_reference(self._log, reference_id)
        photo = self._read_logged(reference.photo_id)
        drawn = draw_reference(photo.image_bgr, reference.outline_xy, reference.features)
        return jpeg_picture(drawn, max_side_px=max_side_px)

    def read_labels(self, data: bytes, *, name: str) -> tuple[str, ...]:
        """Read what the QR codes in the photo of a label say; empty where none could be read.

        Raises
        ------
        PhotoError
            If it is no photo that can be read.
        """
        return self._engine.read_labels(data, name=name)

    def add_feature(self, name: str, *, reference_id: int, polygon_xy: Points) -> None:
        """Name a region of a mold's view on one of its reference photos; the same name again moves it."""
        name = required(name, "name of a feature")
        photo = self.photo(log.find_reference(self._log, reference_id).photo_id)
        if len(polygon_xy) < 3 or not all(isfinite(x) and isfinite(y) for x, y in polygon_xy):
            raise InputError(f"The outline of feature {name!r} must be three or more points.")
        outside = [
            (x, y) for x, y in polygon_xy if not (-1 <= x <= photo.width_px + 1 and -1 <= y <= photo.height_px + 1)
        ]
        if outside:
            x, y = outside[0]
            raise InputError(
                f"Feature {name!r} reaches to ({x:g}, {y:g}), outside the {photo.width_px} x {photo.height_px} pixels "
                f"of {photo.name}. Draw it on the photo as displayed."
            )
        log.add_feature(self._log, name, reference_id=reference_id, polygon_xy=polygon_xy)

    def feature_proposals(self, mold: str) -> tuple[FeatureProposal, ...]:
        """Find thin parts of a mold's pieces, the thinnest of each view first.

        Raises
        ------
        InputError
            If the mold is unknown or has no reference that got a yes.
        """
        usable = self._usable_references(mold, view=None)
        named = {reference.name: reference for reference in usable}
        proposals: list[FeatureProposal] = []
        for shown in _by_view(usable):
            for found in self._engine.propose_features(self._prepared.get(shown).model):
                reference = named[found.reference]
                proposals.append(
                    FeatureProposal(
                        number=len(proposals) + 1,
                        view=reference.view,
                        reference=reference,
                        polygon_xy=points(found.polygon_xy),
                        thickness_mm=found.thickness_mm,
                        length_mm=found.length_mm,
                        named=found.named,
                    )
                )
        return tuple(proposals)

    def accept_proposals(self, mold: str, numbers: Sequence[int], *, names: Sequence[str] = ()) -> tuple[str, ...]:
        """Make proposals features of their mold.

        Parameters
        ----------
        mold : str
        numbers : sequence of int
            Of `feature_proposals`.
        names : sequence of str
            One for each number; or one for all, which are then counted; none for `thin part N`.

        Returns
        -------
        names : tuple of str
            The features added, in the order of the numbers.

        Raises
        ------
        InputError
            If there is no such proposal, or a name is taken or missing; nothing is added then.
        """
        proposals = {proposal.number: proposal for proposal in self.feature_proposals(mold)}
        if not numbers:
            raise InputError("Name the proposals to accept by their numbers, as in 1 3.")
        for number in numbers:
            if number not in proposals:
                raise InputError(f"There is no proposal {number} for mold {mold}: it has {len(proposals)}.")
        given = _names_for(numbers, names)
        taken = {(feature.view, feature.name) for feature in self.mold(mold).features}
        for number, name in zip(numbers, given, strict=True):
            key = (proposals[number].view, name)
            if key in taken:
                raise InputError(f"View {key[0]} of mold {mold} has a feature {name!r} already. Choose another name.")
            taken.add(key)
        for number, name in zip(numbers, given, strict=True):
            proposal = proposals[number]
            self.add_feature(name, reference_id=proposal.reference.id, polygon_xy=proposal.polygon_xy)
        return given

    def proposals_picture(self, proposals: Sequence[FeatureProposal]) -> Picture:
        """Draw proposals, which share a reference, on its photo with their numbers, JPEG."""
        reference = proposals[0].reference
        numbered = [
            Feature(str(proposal.number), proposal.view, reference.id, proposal.polygon_xy) for proposal in proposals
        ]
        drawn = draw_reference(self._read_logged(reference.photo_id).image_bgr, reference.outline_xy, numbered)
        return jpeg_picture(drawn, max_side_px=_REFERENCE_PICTURE_PX)

    def molds(self) -> tuple[Mold, ...]:
        """List all molds, by name."""
        return log.list_molds(self._log)

    def mold_titles(self) -> dict[str, str]:
        """Give what molds are called, by name."""
        return log.list_mold_titles(self._log)

    def find_mold(self, name: str) -> Mold:
        """Find a mold by its name."""
        return log.find_mold(self._log, name)

    def mold(self, name: str) -> MoldDetail:
        """Show one mold with its references and features."""
        references = log.list_references(self._log, name)
        return MoldDetail(
            mold=log.find_mold(self._log, name),
            references=references,
            features=tuple(feature for reference in references for feature in reference.features),
        )

    def comparison(self, mold: str, *, view: str | None = None) -> Comparison:
        """Give what photos of a mold are compared with, as `models` does, and its code."""
        references = log.list_references(self._log, mold)
        return Comparison(models=self._models(mold, references, view=view), code=references_code(references))

    def models(self, mold: str, *, view: str | None = None) -> tuple[MoldModel, ...]:
        """Give what good pieces of a mold look like, one model a view, from the references that got a yes.

        With it goes what reviewers taught about places of the mold.

        Raises
        ------
        InputError
            If there is no such reference yet.
        """
        return self._models(mold, log.list_references(self._log, mold), view=view)

    def _models(self, mold: str, references: Sequence[MoldReference], *, view: str | None) -> tuple[MoldModel, ...]:
        by_view = _by_view(_usable(mold, references, view=view))
        taught = self.lessons.taught(mold)
        return tuple(self._prepared.model(shown, taught) for shown in by_view)

    def poses(self, mold: str) -> tuple[PoseOutline, ...]:
        """Give for each view of a mold how the good piece of its first reference lies, for the next photo."""
        first: dict[str, MoldReference] = {}
        for reference in log.list_references(self._log, mold):
            if reference.in_use:
                first.setdefault(reference.view, reference)
        return tuple(pose_outline(reference, self.photo(reference.photo_id)) for reference in first.values())

    def measure_limits(
        self, mold: str, *, view: str, photos: int, seed: int, advance: Callable[[], None]
    ) -> DetectionLimits:
        """Find from which size on chips and cracks are found in photos of good pieces of one view of a mold.

        Those are its references that got a yes, and the newest photos of pieces that were passed as good.

        Raises
        ------
        InputError
            If there is no reference that got a yes, or nothing to plant into: see `inspection.limits`.
        """
        logged = log.list_references(self._log, mold)
        references = self._prepared.get(tuple(_usable(mold, logged, view=view))).references
        newest = newest_photos(self._scores_of_passed(mold), logged, view=view)[:_MOST_PASSED_READ]
        return measure_limits(
            references,
            passed=self._made_ready(newest),
            engine=self._engine,
            photos=photos,
            seed=seed,
            advance=advance,
        )

    def _scores_of_passed(self, mold: str) -> tuple[PhotoScore, ...]:
        """The photos of the latest pieces of a mold that were passed as good."""
        sold = log.list_pieces(self._log, PieceFilter(mold=mold, outcome="sell"), limit=_LATEST_SOLD)
        return log.list_photo_scores(self._log, [piece.id for piece in sold.items if is_passed(piece)])

    def _made_ready(self, photos: Sequence[PhotoScore]) -> Iterator[Reference]:
        """Photos of good pieces, one after the other, as the engine compares with them; poor ones are left out."""
        for photo in photos:
            try:
                yield self._engine.prepare_reference(self._read_logged(photo.photo_id))
            except PhotoError:  # good enough to be inspected, too poor to be planted into
                continue

    # Mixes and pours

    def add_mix(
        self,
        name: str,
        *,
        cement_class: CementClass,
        water_cement_ratio: float,
        aggregate: str = "",
        admixtures: Sequence[Admixture] = (),
        fibres: str = "",
    ) -> Mix:
        """Register a recipe."""
        name = required(name, "name of a mix")
        if cement_class not in CEMENT_CLASSES:
            raise InputError(f"Cement class {cement_class!r} is not known. Use {' or '.join(CEMENT_CLASSES)}.")
        low, high = _WATER_CEMENT_RATIOS
        if not low <= water_cement_ratio <= high:
            raise InputError(
                f"A water-cement ratio of {water_cement_ratio:g} cannot be cast. Give the mass of water over the "
                "mass of cement, as in 0.45."
            )
        for admixture in admixtures:
            if not admixture.name.strip() or not 0 < admixture.dose_percent <= 100:
                raise InputError(
                    f"Admixture {admixture.name!r} with a dose of {admixture.dose_percent:g} % cannot be used. "
                    "Give its name and its dose in percent of the cement's mass."
                )
        if len({admixture.name for admixture in admixtures}) < len(admixtures):
            raise InputError(f"Mix {name} names the same admixture twice. Give each one once, with its whole dose.")
        return log.add_mix(
            self._log,
            name,
            cement_class=cement_class,
            water_cement_ratio=water_cement_ratio,
            aggregate=aggregate.strip(),
            admixtures=admixtures,
            fibres=fibres.strip(),
        )

    def mixes(self) -> tuple[Mix, ...]:
        """List all mixes, by name."""
        return log.list_mixes(self._log)

    def mix(self, name: str) -> Mix:
        """Show one mix."""
        return log.find_mix(self._log, name)

    def add_pour(self, *, mix: str, molds: Sequence[str], poured_at: datetime, cure_notes: str = "") -> Pour:
        """Register a pour; a time without an offset is taken in this machine's time zone."""
        if not molds:
            raise InputError("A pour goes into at least one mold. Name the molds that it filled.")
        return log.add_pour(
            self._log, mix=mix, molds=molds, poured_at=with_offset(poured_at), cure_notes=cure_notes.strip()
        )

    def pours(self, *, limit: int | None = None, with_withdrawn: bool = False) -> tuple[Pour, ...]:
        """List pours, latest first, those that were withdrawn only if asked for."""
        return log.list_pours(self._log, limit=limit, with_withdrawn=with_withdrawn)

    def pours_into(self, mold: str, *, limit: int | None = None) -> tuple[Pour, ...]:
        """List the pours that went into a mold, latest first, without those that were withdrawn."""
        return log.list_pours_into(self._log, mold, limit=limit)

    def pour(self, pour_id: int) -> Pour:
        """Show one pour."""
        return log.find_pour(self._log, pour_id)

    def correct_pour(
        self,
        pour_id: int,
        *,
        mix: str | None,
        molds: Sequence[str],
        poured_at: datetime,
        cure_notes: str,
        corrected_by: str,
        why: str,
    ) -> None:
        """Put a pour right; what stood there before is kept beside who corrected it, and why."""
        if not molds:
            raise InputError("A pour goes into at least one mold. Name the molds that it filled.")
        log.correct_pour(
            self._log,
            pour_id,
            mix=mix,
            molds=molds,
            poured_at=with_offset(poured_at),
            cure_notes=cure_notes.strip(),
            corrected_by=corrected_by,
            why=required(why, "reason"),
        )

    def pour_corrections(self, pour_id: int) -> tuple[PourCorrection, ...]:
        """List what a pour was held to be before it was corrected, oldest first."""
        return log.list_pour_corrections(self._log, pour_id)

    def withdraw_pour(self, pour_id: int, *, withdrawn_by: str, why: str) -> None:
        """Let a pour that never was count no longer; it stays on record with the reason."""
        log.withdraw_pour(self._log, pour_id, withdrawn_by=withdrawn_by, why=required(why, "reason"))

    def correct_piece(
        self, piece_id: int, *, pour_id: int | None, demolded_at: datetime | None, corrected_by: str, why: str
    ) -> None:
        """Say which pour a piece is of, and when it left its mold; what stood there before stays on record.

        A time without an offset is taken in this machine's time zone; the minute that stood there already, as a page
        tells it, leaves its seconds as they are.
        """
        before = self.piece(piece_id).piece.demolded_at
        demolded_at = None if demolded_at is None else with_offset(demolded_at)
        if before is not None and demolded_at == before.replace(second=0, microsecond=0):
            demolded_at = before
        log.correct_piece(
            self._log,
            piece_id,
            pour_id=pour_id,
            demolded_at=demolded_at,
            corrected_by=corrected_by,
            why=required(why, "reason"),
        )

    def piece_corrections(self, piece_id: int) -> tuple[log.PieceCorrection, ...]:
        """List what a piece was held to be before it was corrected, oldest first."""
        return log.list_piece_corrections(self._log, piece_id)

    # Recording

    def record(
        self,
        data: bytes,
        *,
        name: str,
        mold: str | None = None,
        pour_id: int | None = None,
        demolded_at: datetime | None = None,
        piece_id: int | None = None,
        view: str | None = None,
        sending: PhotoSending | None = None,
    ) -> Recorded:
        """Keep a photo of a piece, inspect it and log what was found.

        Parameters
        ----------
        data : bytes
            The photo's file.
        name : str
            Its file name.
        mold, pour_id, demolded_at, piece_id, view, sending
            What is said about the piece, as in `PieceFacts`; without a mold it is recognised.

        Returns
        -------
        recorded : Recorded
            With `already_logged` where the same bytes were logged before. A photo that cannot be judged
            (blurred, dark, of another mold) is kept as well, its inspection `unusable` with the reason.

        Raises
        ------
        PhotoError
            If the file is not a readable photo; nothing is kept then.
        InputError
            If mold, pour, piece or view are unknown, or the demolding lies before the pour.
        UnsureError
            If the mold is not told and cannot be recognised; nothing is kept then.
        """
        if mold is None:
            known_piece = piece_id if sending is None else log.find_sent_piece(self._log, sending.piece_key) or piece_id
            recognised = self._recognise(data, name=name, pour_id=pour_id, view=view, piece_id=known_piece)
            mold, view = recognised.mold, recognised.view
        facts = PieceFacts(
            mold=mold, pour_id=pour_id, demolded_at=demolded_at, piece_id=piece_id, view=view, sending=sending
        )
        return self._log_new(self._inspect_new(data, name=name, facts=facts), facts)

    def record_files(self, files: Sequence[tuple[Path, PieceFacts]]) -> Iterator[RecordedFile]:
        """Record many photos as `record` does, inspecting several at a time.

        Yields
        ------
        recorded : RecordedFile
            In the order given, which is also the order of the log; a photo that is refused does not stop the others.
        """
        with ThreadPoolExecutor(min(os.cpu_count() or 1, _MOST_AT_ONCE)) as pool:
            try:
                for (path, facts), new in zip(files, pool.map(self._inspect_file, files), strict=True):
                    if isinstance(new, str):
                        yield RecordedFile(path=path, recorded=None, refusal=new)
                        continue
                    try:
                        recorded = self._log_new(new, facts)
                    except InputError as error:
                        yield RecordedFile(path=path, recorded=None, refusal=str(error))
                    else:
                        yield RecordedFile(path=path, recorded=recorded, refusal=None)
            finally:
                pool.shutdown(cancel_futures=True)

    def import_pieces(self, data: bytes, *, name: str) -> PieceImport:
        """Take in a spreadsheet of pieces, all or nothing; what was imported before is not added again.

        Parameters
        ----------
        data : bytes
            The CSV file, as `piece_table` describes it.
        name : str
            Its file name, kept with each piece.

        Returns
        -------
        imported : PieceImport
            With the lines that are refused, if any: nothing is in the log then.

        Raises
        ------
        InputError
            If the file is no such table.
        """
        table = read_piece_table(data, name=name, molds=self.molds(), now=datetime.now().astimezone())
        if table.refused:
            return PieceImport(imported=None, refused=table.refused, notes=())
        temperatures = [piece.temperature_degc for piece in table.pieces if piece.temperature_degc is not None]
        return PieceImport(
            imported=log.import_pieces(self._log, table.pieces, source=name),
            refused=(),
            notes=temperature_warnings(temperatures),
        )

    def has_past(self, *, source: str) -> bool:
        """Tell whether something of that source was added before."""
        return log.has_past(self._log, source=source)

    def add_past(self, pours: Sequence[PastPour], *, source: str) -> int:
        """Add pours with their pieces that the workshop made before; what came from that source before is not added.

        Returns
        -------
        pieces : int
            How many were added.
        """
        return log.add_past(self._log, pours, source=source) if pours else 0

    def recognise_files(
        self, paths: Sequence[Path], *, pour_id: int | None = None, view: str | None = None
    ) -> Iterator[RecognisedFile]:
        """Find out which registered mold's piece each photo shows, or that it is not sure.

        Parameters
        ----------
        paths : sequence of Path
        pour_id : int, optional
            Only the molds that this pour filled come into question.
        view : str, optional
            Only this view does.

        Yields
        ------
        recognised : RecognisedFile
            In the order given. A photo that was logged before keeps its mold.

        Raises
        ------
        InputError
            If the pour is unknown, or no mold that comes into question has a reference.
        """
        known = self._known_sides(pour_id=pour_id, view=view)
        with ThreadPoolExecutor(min(os.cpu_count() or 1, _MOST_AT_ONCE)) as pool:
            try:
                yield from pool.map(lambda path: self._recognise_file(path, known), paths)
            finally:
                pool.shutdown(cancel_futures=True)

    def is_whole_photo(self, path: Path) -> bool:
        """Whether a file can be opened and decoded to its end; one that was logged before can."""
        try:
            data = _read_file(path)
            if log.find_photo_by_content(self._log, log.sha256_of(data)) is None:
                self._engine.read_photo(data, name=path.name)
        except PhotoError:
            return False
        return True

    # Reading

    def pieces(self, which: PieceFilter | None = None, *, limit: int | None = None) -> tuple[Piece, ...]:
        """List logged pieces, latest demolding first, so many at most."""
        return tuple(item for page in self.pages_of_pieces(which, limit=limit) for item in page.items)

    def pages_of_pieces(
        self, which: PieceFilter | None = None, *, limit: int | None = None, place: PlaceInList | None = None
    ) -> Iterator[ListPage[Piece]]:
        """Read what `pieces` lists a portion at a time, so that it may be more than memory holds."""
        checked = self._checked(which or PieceFilter())
        return read_in_portions(partial(log.list_pieces, self._log, checked), limit=limit, place=place)

    def page_of_pieces(
        self, which: PieceFilter, *, limit: int, place: PlaceInList | None = None, skip: int = 0
    ) -> ListPage[Piece]:
        """List logged pieces, latest demolding first, from a place in that list on, or back from it."""
        return log.list_pieces(self._log, self._checked(which), limit=limit, place=place, skip=skip)

    def page_of_waiting(
        self,
        *,
        mold: str | None = None,
        first: FirstToReview = "worst",
        limit: int,
        place: PlaceInList | None = None,
        skip: int = 0,
    ) -> ListPage[Piece]:
        """List pieces without a disposition, worst or least sure first, those with no usable photo last.

        A page begins at a place, or goes back from it.
        """
        self._checked(PieceFilter(mold=mold))
        return log.list_waiting(self._log, mold=mold, first=first, limit=limit, place=place, skip=skip)

    def next_waiting(self, piece_id: int, *, first: FirstToReview = "worst") -> int | None:
        """Find the piece after this one among those that wait, from the beginning again after the last."""
        return log.find_next_waiting(self._log, piece_id, first=first)

    def work_out_rollups(self) -> None:
        """Work out anew what lists and trends know of each piece and pour, from the log itself."""
        log.work_out_rollups(self._log)

    def count_pieces_by_mold(self) -> dict[str, int]:
        """Count the pieces of each mold that has any: it takes longer, the more pieces there are."""
        return log.count_pieces_by_mold(self._log)

    def count_pieces(self, which: PieceFilter) -> int:
        """Count the pieces that `pieces` lists."""
        return log.count_pieces(self._log, self._checked(which))

    def count_waiting(self, *, mold: str | None = None) -> int:
        """Count the pieces that wait for a disposition."""
        return log.count_pieces(self._log, self._checked(PieceFilter(mold=mold, waiting=True)))

    def count_photos(self) -> dict[str, int]:
        """Count the photos of pieces: `waiting` to be inspected, `inspected`, `unusable`."""
        return log.count_photos(self._log)

    def piece(self, piece_id: int) -> PieceDetail:
        """Show all that is known about one piece."""
        return log.find_piece(self._log, piece_id)

    def pages_of_details(
        self, which: PieceFilter | None = None, *, limit: int | None = None, place: PlaceInList | None = None
    ) -> Iterator[ListPage[PieceDetail]]:
        """Read pieces as `pages_of_pieces` does, with all that is known about each."""
        checked = self._checked(which or PieceFilter())
        return read_in_portions(partial(log.list_piece_details, self._log, checked), limit=limit, place=place)

    def photo(self, photo_id: int) -> LoggedPhoto:
        """Show what the log knows about a photo."""
        return log.find_photo(self._log, photo_id)

    def photo_file(self, photo_id: int) -> StoredFile:
        """Read a photo's file, byte for byte as it came in."""
        return log.read_photo_file(self._log, photo_id)

    def photo_picture(self, photo_id: int, *, max_side_px: int | None = None) -> Picture:
        """Show a photo as a browser can: upright JPEG, made smaller if a side is longer than asked."""
        return jpeg_picture(self._read_logged(photo_id).image_bgr, max_side_px=max_side_px)

    def mold_month(self, mold: str, month: Month, *, now: datetime) -> MoldMonth:
        """Gather one month of a mold: its pieces, what was lost, and whether that differs from the month before."""
        ids = self.exporting.piece_ids(mold=mold, month=month)
        pieces = log.read_pieces(self._log, ids[::-1])
        return self.losses.month(mold, month, pieces=pieces, now=now)

    def month_map(self, found: MoldMonth) -> LossPicture | None:
        """Draw where pieces of a month broke; None without a reference to draw it on."""
        return self.break_map(found.mold.name, found.features, piece_ids=[piece.id for piece in found.pieces])

    def loss_pictures(self, window: MoldWindow, trends: MoldTrends) -> LossPictures:
        """Draw the losses of a mold: against age, over time, on its reference; and how its mix gains strength."""
        strengths = self.curing.mix_strengths()
        return draw_losses(
            window,
            trends,
            curve=mix_curve(window.mix, strengths),
            strength_28_days=None if window.mix is None else strengths[window.mix].strength_28_days,
            tests=None if window.mix is None else self.curing.corrected_tests(window.mix),
            mapped=self.break_map(window.mold, trends.features),
        )

    def break_map(
        self, mold: str, features: Sequence[FeatureShare], *, piece_ids: Sequence[int] | None = None
    ) -> LossPicture | None:
        """Draw where pieces of a mold break, all or some; None without a reference to draw it on."""
        references = [item for item in log.list_references(self._log, mold) if item.in_use]
        reference = max(references, key=lambda item: len(item.features), default=None)
        if reference is None:
            return None
        return break_map(
            reference,
            features,
            read_bgr=lambda: self._read_logged(reference.photo_id).image_bgr,
            places_xy=lambda: self._places_on(reference, piece_ids),
        )

    def due(self, *, now: datetime, pour_id: int | None = None) -> tuple[DuePiece, ...]:
        """List the pieces that are in their molds, as `Planning.due` does, each by what a piece of its mix needs."""
        factors = self.losses.mix_factors(now=now, pour_id=pour_id)
        return self.planning.due(now=now, pour_id=pour_id, mix_factors=factors)

    def reference_in_photo(self, photo_id: int, *, max_side_px: int | None = None) -> Picture | None:
        """Lay the nearest reference over a photo, JPEG of the same size as `photo_picture`, for flipping.

        None where the latest inspection could not lay a reference over the photo, or the reference is gone.
        """
        laid = self._laid_over(photo_id)
        return None if laid is None else jpeg_picture(laid.good_bgr, max_side_px=max_side_px)

    def difference_in_photo(self, photo_id: int, *, max_side_px: int) -> Picture | None:
        """Show where a photo differs from the reference laid over it, JPEG of the same size as `photo_picture`.

        None where `reference_in_photo` gives none.
        """
        laid = self._laid_over(photo_id)
        if laid is None:
            return None
        photo_bgr, good_bgr = (shrunk(image, max_side_px=max_side_px) for image in (laid.photo_bgr, laid.good_bgr))
        factor = photo_bgr.shape[1] / laid.photo_bgr.shape[1]
        return jpeg_picture(draw_difference(photo_bgr, good_bgr, laid.outline_xy * factor))

    # What several use cases need

    def _inspect_file(self, file: tuple[Path, PieceFacts]) -> NewPiecePhoto | LoggedPiecePhoto | str:
        """Inspect a photo's file, or tell why it cannot be recorded."""
        path, facts = file
        try:
            return self._inspect_new(_read_file(path), name=path.name, facts=facts)
        except InputError as error:
            return str(error)
        except InspectorError:
            raise  # the log itself cannot be used: no other photo will fare better
        except Exception as error:  # a fault of the program: told, and the other photos go on
            _logger.error("photo %s", path, exc_info=True)
            return f"The program failed on photo {path.name} ({type(error).__name__}: {error}). Please report it."

    def _inspect_new(self, data: bytes, *, name: str, facts: PieceFacts) -> NewPiecePhoto | LoggedPiecePhoto:
        """Inspect a photo, or find that it was logged before."""
        before = log.find_photo_by_content(self._log, log.sha256_of(data))
        if before is not None and before.piece_id is not None:
            self._log.photos.keep(data)  # puts it back, if its file was lost or damaged meanwhile
            sent_before = facts.sending is not None and log.note_sending(self._log, facts.sending, photo_id=before.id)
            return LoggedPiecePhoto(photo_id=before.id, piece_id=before.piece_id, added=False, sent_before=sent_before)
        photo = self._engine.read_photo(data, name=name)
        demolded_at = facts.demolded_at if facts.demolded_at is not None else photo.taken_at
        if facts.piece_id is not None:
            demolded_at = facts.demolded_at  # the piece has its time already
        demolded_at = None if demolded_at is None else with_offset(demolded_at)
        log.check_piece(
            self._log,
            mold=facts.mold,
            pour_id=facts.pour_id,
            demolded_at=demolded_at,
            piece_id=facts.piece_id,
            view=facts.view,
        )
        comparison = self.comparison(facts.mold, view=facts.view)
        kept = keep_photo(self._log, data, photo)
        inspection = inspect_best_view(photo, comparison.models, engine=self._engine)
        return NewPiecePhoto(
            photo=kept,
            mold=facts.mold,
            pour_id=facts.pour_id,
            demolded_at=demolded_at,
            piece_id=facts.piece_id,
            view=facts.view,
            inspection=to_log(inspection, engine_version=self._engine.version, compared_with=comparison.code),
            sending=facts.sending,
        )

    def _known_sides(self, *, pour_id: int | None, view: str | None) -> tuple[KnownSide, ...]:
        sides = self._sides(pour_id=pour_id, view=view)
        if not sides:
            raise InputError(_NOTHING_COMPARABLE)
        return tuple(
            KnownSide(mold, side, tuple(self._signatures.get(reference) for reference in references))
            for (mold, side), references in sides.items()
        )

    def _sides(self, *, pour_id: int | None, view: str | None) -> dict[tuple[str, str], list[MoldReference]]:
        """The sides that a photo may show, each with its references."""
        filled = None if pour_id is None else self.pour(pour_id).molds
        sides: dict[tuple[str, str], list[MoldReference]] = {}
        for mold in self.molds():
            if filled is None or mold.name in filled:
                for reference in log.list_references(self._log, mold.name):
                    if reference.in_use and view in (None, reference.view):
                        sides.setdefault((mold.name, reference.view), []).append(reference)
        return sides

    def _check_comparable(self, mold: str | None, *, pour_id: int | None, view: str | None) -> None:
        """Refuse a photo that there would be nothing to compare with."""
        if mold is not None:
            self._usable_references(mold, view=view)
        elif not self._sides(pour_id=pour_id, view=view):
            raise InputError(_NOTHING_COMPARABLE)

    def _recognise_side(self, photo: Photo, *, pour_id: int | None, view: str | None) -> tuple[str, str | None]:
        found = self._engine.recognise_photo(photo, self._known_sides(pour_id=pour_id, view=view))
        if found.mold is None:
            raise UnsureError(_why_not_sure(photo.name, found), likely=_likely(found))
        return found.mold, found.view

    def _recognise(
        self, data: bytes, *, name: str, pour_id: int | None, view: str | None, piece_id: int | None
    ) -> _Side:
        """Tell which mold's piece a photo shows, by what the log knows about it or by what is seen."""
        before = log.find_photo_by_content(self._log, log.sha256_of(data))
        if before is not None and before.piece_id is not None:
            piece_id = before.piece_id
        if piece_id is not None:
            return _Side(self.piece(piece_id).piece.mold, view)
        photo = self._engine.read_photo(data, name=name)
        return _Side(*self._recognise_side(photo, pour_id=pour_id, view=view))

    def _recognise_file(self, path: Path, known: Sequence[KnownSide]) -> RecognisedFile:
        try:
            data = _read_file(path)
            before = log.find_photo_by_content(self._log, log.sha256_of(data))
            if before is not None and before.piece_id is not None:
                return RecognisedFile(path, self.piece(before.piece_id).piece.mold, before.view, None)
            found = self._engine.recognise_photo(self._engine.read_photo(data, name=path.name), known)
        except PhotoError as error:
            return RecognisedFile(path, None, None, str(error))
        except InspectorError:
            raise  # the log itself cannot be used
        except Exception as error:  # a fault of the program: told, and the other photos go on
            _logger.error("photo %s", path, exc_info=True)
            reason = f"The program failed on photo {path.name} ({type(error).__name__}: {error}). Please report it."
            return RecognisedFile(path, None, None, reason)
        if found.mold is None:
            return RecognisedFile(path, None, None, _why_not_sure(path.name, found))
        return RecognisedFile(path, found.mold, found.view, None)

    def _log_new(self, new: NewPiecePhoto | LoggedPiecePhoto, facts: PieceFacts) -> Recorded:
        logged = log.add_piece_photo(self._log, new) if isinstance(new, NewPiecePhoto) else new
        detail = self.piece(logged.piece_id)
        if isinstance(new, NewPiecePhoto):
            said = {
                "photo": logged.photo_id,
                "piece": logged.piece_id,
                "bytes": new.photo.byte_count,
                "status": new.inspection.status,
                "findings": len(new.inspection.findings),
                "seconds": round(new.inspection.seconds, 3),
            }
            _logger.info("photo", extra={"said": said})
        notes = []
        if detail.piece.mold != facts.mold:
            notes.append(f"It was logged as piece {detail.piece.id} of mold {detail.piece.mold}, not {facts.mold}.")
        if detail.piece.demolded_at is None:
            notes.append("The photo tells no time, so the demold age is unknown. Give the demolding time yourself.")
        if (doubt := doubt_age(detail.piece)) is not None:
            notes.append(doubt)
        return Recorded(
            photo_id=logged.photo_id,
            detail=detail,
            already_logged=not logged.added and not logged.sent_before,
            notes=tuple(notes),
        )

    def _keep_reference(
        self, data: bytes, photo: Photo, reference: Reference, *, mold: str, view: str
    ) -> ReferenceCheck:
        outline_xy = points(reference.outline_xy)
        logged, added = log.add_reference(
            self._log,
            NewReference(
                photo=keep_photo(self._log, data, photo), outline_xy=outline_xy, px_per_mm=reference.px_per_mm
            ),
            mold=mold,
            view=view,
        )
        drawn = draw_reference(photo.image_bgr, logged.outline_xy, logged.features)
        return ReferenceCheck(
            reference=logged,
            picture=jpeg_picture(drawn, max_side_px=_REFERENCE_PICTURE_PX),
            already_there=not added,
        )

    def _usable_references(self, mold: str, *, view: str | None) -> list[MoldReference]:
        return _usable(mold, log.list_references(self._log, mold), view=view)

    def _places_on(self, reference: MoldReference, piece_ids: Sequence[int] | None) -> NDArray[np.float64]:
        """Where the findings that count as losses lie on a reference, from the photos laid against it, (n, 2) px."""
        marks = log.list_laid_marks(
            self._log, mold=reference.mold, reference=reference.name, kinds=LOST_KINDS, piece_ids=piece_ids
        )
        middles = np.array([(*np.mean(mark.polygon_xy, axis=0), 1.0) for mark in marks]).reshape(-1, 3, 1)
        matrices = np.array([mark.photo_from_reference for mark in marks]).reshape(-1, 3, 3)
        on_reference = np.linalg.solve(matrices, middles)[:, :, 0]
        return np.asarray(on_reference[:, :2] / on_reference[:, 2:])

    def _read_logged(self, photo_id: int) -> Photo:
        file = self.photo_file(photo_id)
        return self._engine.read_photo(file.data, name=file.name)

    def _laid_over(self, photo_id: int) -> _LaidOver | None:
        """Read a photo, and lay the nearest reference over it."""
        inspection = self._latest_inspection(photo_id)
        if inspection is None or inspection.reference is None or inspection.photo_from_reference is None:
            return None
        piece_id = self.photo(photo_id).piece_id
        mold = self.piece(piece_id).piece.mold if piece_id is not None else ""
        named = [item for item in log.list_references(self._log, mold) if item.name == inspection.reference]
        if not named:
            return None
        reference = self._prepared.get_one(named[0])
        photo = self._read_logged(photo_id)
        homogeneous = np.column_stack([np.asarray(named[0].outline_xy), np.ones(len(named[0].outline_xy))])
        outline = homogeneous @ np.asarray(inspection.photo_from_reference).T
        return _LaidOver(
            photo_bgr=photo.image_bgr,
            good_bgr=self._engine.reference_in_photo(photo, reference, to_lay_over(inspection, photo=photo.name)),
            outline_xy=outline[:, :2] / outline[:, 2:],
        )

    def _latest_inspection(self, photo_id: int) -> LoggedInspection | None:
        piece_id = self.photo(photo_id).piece_id
        if piece_id is None:
            return None
        detail = self.piece(piece_id)
        return dict(zip([photo.id for photo in detail.photos], detail.inspections, strict=True))[photo_id]

    def _checked(self, which: PieceFilter) -> PieceFilter:
        if which.mold is not None:
            log.find_mold_title(self._log, which.mold)
        if which.kind is not None and which.kind not in KINDS:
            raise InputError(f"{which.kind!r} is no kind of finding. Use {', '.join(KINDS)}.")
        return replace(
            which,
            since=None if which.since is None else with_offset(which.since),
            until=None if which.until is None else with_offset(which.until),
        )


def _usable(mold: str, references: Sequence[MoldReference], *, view: str | None) -> list[MoldReference]:
    """Those of a mold's references that photos of a view, or of any, are compared with."""
    usable = [item for item in references if item.in_use and view in (None, item.view)]
    if not usable:
        what = f"Mold {mold}" if view is None else f"View {view} of mold {mold}"
        if any(view in (None, item.view) for item in references):
            raise InputError(f"{what} has references, but nobody has looked at their outlines and said yes.")
        raise InputError(f"{what} has no reference photo yet. Add a photo of a good piece first.")
    return usable


def _by_view(references: Sequence[MoldReference]) -> list[tuple[MoldReference, ...]]:
    by_view: dict[str, list[MoldReference]] = {}
    for reference in references:
        by_view.setdefault(reference.view, []).append(reference)
    return [tuple(shown) for shown in by_view.values()]


def _why_not_sure(name: str, found: Recognition) -> str:
    if found.unusable is not None:
        return f"Photo {name} cannot be recognised: {found.unusable}"
    likely = _likely(found)
    if not likely:
        return f"Photo {name} is like no registered mold. Name its mold, or add one with photos of good pieces."
    return f"Photo {name} may show {' or '.join(likely)}, or none of them: not sure enough. Name its mold."


def _likely(found: Recognition) -> tuple[str, ...]:
    """The molds that a photo may show, best first."""
    return () if found.unusable is not None else tuple(dict.fromkeys(one.mold for one in found.contenders))[:3]


def _names_for(numbers: Sequence[int], names: Sequence[str]) -> tuple[str, ...]:
    """A name for each proposal, from as many, from one, or from none."""
    if not names:
        return tuple(f"thin part {number}" for number in numbers)
    stripped = [required(name, "name of a feature") for name in names]
    if len(stripped) == len(numbers):
        return tuple(stripped)
    if len(stripped) == 1:
        return tuple(f"{stripped[0]} {count}" for count in range(1, len(numbers) + 1))
    raise InputError(
        f"{len(names)} names for {len(numbers)} proposals do not go together. Give one each, or one for all."
    )


def _read_file(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise PhotoError(f"Photo {path} cannot be opened: {error.strerror or error}.") from error
