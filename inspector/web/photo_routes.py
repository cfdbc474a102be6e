"""Photos: adding them to the log, and showing them in the size that a page needs."""

import math
from asyncio import wait, wrap_future
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import PurePosixPath, PureWindowsPath
from typing import Annotated, Any, Literal
from urllib.parse import quote

from anyio import to_thread
from fastapi import APIRouter, File, Form, Query, UploadFile
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from inspector.errors import InputError, InspectorError
from inspector.settings import Settings
from inspector.web import words
from inspector.web.callers import caller_of
from inspector.web.describing import PhotoAnswer, PhotosAnswer
from inspector.web.language import tr
from inspector.web.looking_up import Id, find_inspection, find_photo, find_piece
from inspector.web.pages import ShopDep, render, wants_json
from inspector.web.pictures import SIZES_PX, picture_response
from inspector.web.reviewer import MAX_NAME_LENGTH, cleaned_name
from inspector.web.rights import least
from inspector.web.sentences import told
from inspector.workshop import KeptNow, LoggedPhoto, PhotoSending, PieceDetail, Workshop, doubt_age
from inspector.workshop.inspecting import Inspecting

__all__ = ["router"]

router = APIRouter()

_NAME_LENGTH = 200
# Chosen by browsers, from 128 random bits.
_KEY = "^[0-9a-zA-Z-]{16,64}$"

Outcome = Literal["clear", "flagged", "could not be used", "kept"]

# Whoever sends a photo gets its verdict with the answer, if it is there this soon, and if so few come before it; else
# the answer is that the photo is kept, and the verdict is asked for.
_VERDICT_WITHIN_S = 8.0
_WAITS_BEHIND = 4


@dataclass(frozen=True, slots=True)
class AddedPhoto:
    """What became of one photo that was sent."""

    name: str
    outcome: Outcome
    message: str
    """What was flagged, what was wrong and what to do, or how many photos come before it."""
    piece_id: int | None
    """None where nothing was kept, or while nobody knows what the photo shows."""
    photo_id: int | None
    already_logged: bool
    notes: tuple[str, ...]
    """What is worth knowing, and what would make the next photo better."""
    likely: tuple[str, ...] = ()
    """The molds that it may show, where a person has to say which."""

    def as_json(self) -> dict[str, Any]:
        """As the script of the page reads it."""
        return {
            "name": self.name,
            "outcome": self.outcome,
            "message": told(self.message),
            "piece": None if self.piece_id is None else f"/pieces/{self.piece_id}",
            "picture": None if self.photo_id is None else f"/photos/{self.photo_id}/{SIZES_PX[0]}.jpg",
            "verdict": None if self.photo_id is None else f"/photos/{self.photo_id}/verdict",
            "already_logged": self.already_logged,
            "notes": [told(note) for note in self.notes],
            "likely": list(self.likely),
        }


_ANSWERS: dict[int | str, dict[str, Any]] = {
    200: {"model": PhotosAnswer, "description": "Each photo with its verdict"},
    202: {"model": PhotosAnswer, "description": "All are kept, and at least one waits for its verdict"},
    422: {"model": PhotosAnswer, "description": "None was kept"},
}
for _answer in _ANSWERS.values():
    _answer["content"] = {"text/html": {"schema": {"type": "string"}}}


@router.post("/photos", responses=_ANSWERS)
@least("record")
async def add_photos(
    request: Request,
    shop: ShopDep,
    photos: Annotated[list[UploadFile], File()] = [],  # noqa: B006 - only read
    mold: Annotated[str | None, Form(examples=["oak-leaf"])] = None,
    pour_id: Annotated[int | None, Form(examples=[12])] = None,
    demolded_at: Annotated[datetime | None, Form(examples=["2026-05-05T17:00:00+02:00"])] = None,
    piece_id: Annotated[int | None, Form()] = None,
    view: Annotated[str | None, Form()] = None,
    photo_key: Annotated[str | None, Form(pattern=_KEY)] = None,
    piece_key: Annotated[str | None, Form(pattern=_KEY)] = None,
    taken_by: Annotated[str | None, Form(max_length=MAX_NAME_LENGTH)] = None,
) -> Response:
    """Keep the photos of a form, to be inspected; one that cannot be used does not stop the others.

    Each is on disk and in the log when this answers. Where its verdict takes longer, its outcome is `kept`, and the
    address under `verdict` tells it later. Without a mold each photo is recognised. A program that sends a photo again
    while it does not know whether the first try arrived gives both times the same `photo_key`; photos of one piece
    share a `piece_key`. Photos stand under the name of whoever sends them: with `taken_by` they are refused where
    somebody of another name is signed in.
    """
    settings: Settings = request.app.state.settings
    inspecting: Inspecting = request.app.state.inspecting

    def keep(upload: UploadFile) -> KeptNow | AddedPhoto:
        name = _file_name(upload)
        try:
            _check_size(upload, name, settings.max_photo_bytes)
            return shop.queue.keep(
                upload.file.read(),
                name=name,
                mold=mold,
                pour_id=pour_id,
                demolded_at=demolded_at,
                piece_id=piece_id,
                view=view,
                sending=sending,
            )
        except InspectorError as error:
            return AddedPhoto(name, "could not be used", str(error), None, None, False, ())

    # A browser sends one nameless empty file for a field in which nothing was chosen.
    chosen = [upload for upload in photos if upload.filename or upload.size]
    if not chosen:
        raise InputError(tr("No photo was chosen. Go back, choose or take at least one, and send it again."))
    caller = caller_of(request)
    if taken_by and caller.kind == "person" and caller.name != taken_by:
        sentence = tr("%(name)s took this photo, and %(other)s is signed in.", name=taken_by, other=caller.name)
        raise HTTPException(409, sentence)
    sending = None
    if photo_key is not None:
        if len(chosen) > 1:
            raise InputError(tr("%(count)s photos were sent under one key. Send each by itself.", count=len(chosen)))
        sending = PhotoSending(photo_key=photo_key, piece_key=piece_key or photo_key)
    kept = [await to_thread.run_sync(keep, upload, limiter=request.app.state.keeping) for upload in chosen]
    await run_in_threadpool(inspecting.wake)
    await _wait_for_verdicts(
        shop,
        inspecting,
        [one.photo_id for one in kept if isinstance(one, KeptNow)],
        within_s=_VERDICT_WITHIN_S,
        most_before=_WAITS_BEHIND,
    )
    added = await run_in_threadpool(lambda: [_told(shop, one) if isinstance(one, KeptNow) else one for one in kept])
    waits = any(photo.outcome == "kept" for photo in added)
    kept_any = waits or any(photo.piece_id is not None for photo in added)
    status = (202 if waits else 200) if kept_any else 422
    if wants_json(request):
        failure = {} if kept_any else {"error": {"message": added[0].message}}
        return JSONResponse({"photos": [photo.as_json() for photo in added], **failure}, status_code=status)
    return render(request, "added.html", {"added": added}, status=status)


@router.get("/photos/{photo_id}/verdict", response_class=JSONResponse, responses={200: {"model": PhotoAnswer}})
@least("see")
async def tell_verdict(
    request: Request, shop: ShopDep, photo_id: Id, within_s: Annotated[float, Query(ge=0, le=_VERDICT_WITHIN_S)] = 0
) -> dict[str, Any]:
    """Tell what became of a photo that was kept, as the answer to sending it would have.

    While there is no verdict the answer is held back, though not longer than `within_s` seconds.
    """

    def tell() -> dict[str, Any]:
        awaiting = shop.queue.find(photo_id)  # before its piece is looked up: it may get one at this moment
        photo = find_photo(shop, photo_id)
        if photo.piece_id is None and awaiting is None:
            raise HTTPException(404, tr("Photo %(id)s is of no piece. Look at the pieces waiting.", id=photo_id))
        return _told(shop, KeptNow(photo_id, photo.piece_id, already_logged=False, notes=())).as_json()

    if within_s:
        await _wait_for_verdicts(shop, request.app.state.inspecting, [photo_id], within_s=within_s)
    return await run_in_threadpool(tell)


@router.get("/photos/{photo_id}/{size_px:int}.jpg")
@least("see")
def show_photo(request: Request, shop: ShopDep, photo_id: Id, size_px: int) -> Response:
    """A photo, upright, with its longest side no longer than one of the sizes kept."""
    photo = find_photo(shop, photo_id)
    _check_offered(size_px)
    name = f"{photo.sha256}-{size_px}.jpg"
    return picture_response(request, name, lambda: shop.photo_picture(photo_id, max_side_px=size_px).data)


@router.get("/photos/{photo_id}/full.jpg")
@least("see")
def show_full_photo(request: Request, shop: ShopDep, photo_id: Id) -> Response:
    """A photo, upright, with every pixel that it has: what a browser can show of any format."""
    photo = find_photo(shop, photo_id)
    return picture_response(request, f"{photo.sha256}-full.jpg", lambda: shop.photo_picture(photo_id).data)


@router.get("/photos/{photo_id}/reference-full.jpg")
@least("see")
def show_full_reference(request: Request, shop: ShopDep, photo_id: Id) -> Response:
    """The nearest good piece laid over a photo, with as many pixels as the photo has."""
    return _laid_over(request, shop, photo_id, what="reference", size_px=None)


@router.get("/photos/{photo_id}/reference-{size_px:int}.jpg")
@least("see")
def show_reference(request: Request, shop: ShopDep, photo_id: Id, size_px: int) -> Response:
    """The nearest good piece laid over a photo: same size, same place."""
    _check_offered(size_px)
    return _laid_over(request, shop, photo_id, what="reference", size_px=size_px)


@router.get("/photos/{photo_id}/difference-{size_px:int}.jpg")
@least("see")
def show_difference(request: Request, shop: ShopDep, photo_id: Id, size_px: int) -> Response:
    """Where a photo differs from the good piece laid over it: same size, same place."""
    _check_offered(size_px)
    return _laid_over(request, shop, photo_id, what="difference", size_px=size_px)


@router.get("/photos/{photo_id}/original")
@least("record")
def download_original(shop: ShopDep, photo_id: Id) -> Response:
    """The photo's file, byte for byte as it came in, to be saved."""
    photo = find_photo(shop, photo_id)
    file = shop.photo_file(photo_id)
    headers = {
        "Content-Disposition": f"attachment; filename*=UTF-8''{quote(photo.name, safe='')}",
        "Cache-Control": "private, no-cache",
    }
    return Response(file.data, media_type=file.media_type, headers=headers)


def _laid_over(
    request: Request,
    shop: Workshop,
    photo_id: int,
    *,
    what: Literal["reference", "difference"],
    size_px: int | None,
) -> Response:
    photo = find_photo(shop, photo_id)
    inspection = None
    if photo.piece_id is not None:
        inspection = find_inspection(find_piece(shop, photo.piece_id), photo_id)
    if inspection is None or inspection.photo_from_reference is None:
        raise _no_reference(photo_id)

    def make() -> bytes:
        if what == "difference" and size_px is not None:
            picture = shop.difference_in_photo(photo_id, max_side_px=size_px)
        else:
            picture = shop.reference_in_photo(photo_id, max_side_px=size_px)
        if picture is None:
            raise _no_reference(photo_id)
        return picture.data

    return picture_response(request, f"{photo.sha256}-{what}-{inspection.id}-{size_px or 'full'}.jpg", make)


def _check_offered(size_px: int) -> None:
    if size_px not in SIZES_PX:
        offered = ", ".join(str(size) for size in SIZES_PX)
        raise HTTPException(
            404,
            tr(
                "Photos are not kept at %(size)s pixels. Ask for one of %(offered)s, full or the original.",
                size=size_px,
                offered=offered,
            ),
        )


def _no_reference(photo_id: int) -> HTTPException:
    return HTTPException(404, tr("No reference could be laid over photo %(id)s. Look at the photo alone.", id=photo_id))


def _check_size(upload: UploadFile, name: str, max_bytes: int) -> None:
    size_bytes = upload.size or 0
    if size_bytes > max_bytes:
        raise InputError(
            tr(
                "Photo %(name)s is %(size)s; the largest that is taken is %(most)s. Send it smaller, as a JPEG for "
                "instance.",
                name=name,
                size=words.file_size(size_bytes),
                most=words.file_size(max_bytes),
            )
        )


def _file_name(upload: UploadFile) -> str:
    """The photo's own name, without the folders that some browsers and hostile programs send along."""
    sent = PureWindowsPath(PurePosixPath(upload.filename or "").name).name
    return cleaned_name(sent, max_length=_NAME_LENGTH) or "photo"


async def _wait_for_verdicts(
    shop: Workshop,
    inspecting: Inspecting,
    photo_ids: Sequence[int],
    *,
    within_s: float,
    most_before: float = math.inf,
) -> None:
    """Wait until photos are inspected, though not long, and not where many come before them."""
    asked = {photo_id: wrap_future(inspecting.finished(photo_id)) for photo_id in photo_ids}
    try:
        awaiting = await run_in_threadpool(lambda: [shop.queue.find(photo_id) for photo_id in photo_ids])
        waits = [item for item in awaiting if item is not None and item.refused is None]
        if waits and waits[0].before < most_before:
            await wait([asked[item.photo.id] for item in waits], timeout=within_s)
    finally:
        for future in asked.values():
            future.cancel()


def _told(shop: Workshop, kept: KeptNow) -> AddedPhoto:
    awaiting = shop.queue.find(kept.photo_id)
    photo = shop.photo(kept.photo_id)
    if awaiting is None and photo.piece_id is not None:
        return _inspected(photo, shop.piece(photo.piece_id), kept)
    outcome: Outcome = "could not be used"
    message = tr("Photo %(name)s is asked for no more. Take it again.", name=photo.name)
    likely: tuple[str, ...] = ()
    if awaiting is not None and awaiting.refused is not None:
        message, likely = awaiting.refused, awaiting.likely
    elif awaiting is not None:
        outcome, message = "kept", words.place_in_queue(awaiting.before)
    return AddedPhoto(photo.name, outcome, message, photo.piece_id, photo.id, kept.already_logged, kept.notes, likely)


def _inspected(photo: LoggedPhoto, detail: PieceDetail, kept: KeptNow) -> AddedPhoto:
    inspection = find_inspection(detail, photo.id)
    outcome: Outcome
    if inspection is None or inspection.status == "unusable":
        reason = None if inspection is None else inspection.reason
        outcome, message = "could not be used", reason or tr("It was kept, but could not be inspected. Take it again.")
    elif not inspection.findings:
        outcome, message = "clear", words.flagged(())
    else:
        outcome, message = "flagged", words.flagged(finding.kind for finding in inspection.findings)
    notes = list(kept.notes)
    if detail.piece.demolded_at is None:
        notes.append(tr("The photo tells no time, so the demold age is unknown. Give the demolding time yourself."))
    if (doubt := doubt_age(detail.piece)) is not None:
        notes.append(doubt)
    notes += [
        tr("For the next photo: %(advice)s", advice=told(warning))
        for warning in (() if inspection is None else inspection.warnings)
    ]
    return AddedPhoto(photo.name, outcome, message, detail.piece.id, photo.id, kept.already_logged, tuple(notes))
