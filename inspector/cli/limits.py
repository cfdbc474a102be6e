"""`inspector limits`: from which size on damage is found in a workshop's own photos."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any, Literal

import typer
from rich.console import Console
from rich.table import Table

from inspector.cli.failing import WrongUsageError
from inspector.cli.options import DatabaseOption, DataOption, EngineOption, JsonFlag, SiteOption
from inspector.cli.progress import progress
from inspector.cli.surroundings import choose_engine, open_workshop
from inspector.cli.words import count_words
from inspector.errors import InspectorError
from inspector.inspection.limits import DetectionLimit, DetectionLimits, PlantedPlace
from inspector.workshop import limits_picture

__all__ = ["limits"]

# Two chips and two cracks a photo: 60 of each, as the handbook asks for.
_PHOTOS = 30
_FEWEST_PHOTOS = 10
_PICTURES: dict[str, Literal["svg", "png"]] = {".svg": "svg", ".png": "png"}
_PLACES: dict[PlantedPlace, str] = {"outline": "at the outline", "surface": "on the surface"}


def limits(
    context: typer.Context,
    mold: Annotated[str, typer.Option("--mold", metavar="NAME", help="The mold whose good pieces are used.")],
    view: Annotated[
        str | None, typer.Option("--view", metavar="VIEW", help="Camera side. Default: the only one of the mold.")
    ] = None,
    photos: Annotated[
        int,
        typer.Option("--photos", min=_FEWEST_PHOTOS, metavar="N", help="Photos to make and inspect; more are surer."),
    ] = _PHOTOS,
    seed: Annotated[int, typer.Option("--seed", min=0, metavar="N", help="Another seed, another try.")] = 1,
    picture: Annotated[
        Path | None,
        typer.Option(
            "--picture", metavar="FILE", help="Draw what was found and missed, and the curves: FILE.svg or FILE.png."
        ),
    ] = None,
    as_json: JsonFlag = False,
    engine: EngineOption = None,
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """Find out what your photo corner can see: from which size on chips and cracks are found.

    Chips and cracks of known sizes are painted into copies of the mold's reference photos, and of the newest photos of
    pieces that were passed as good; each copy is inspected against references other than itself. Half of the chips take
    a part of the outline away. Reported is the detection limit a90/95, the size that is found with 90 % probability at
    95 % confidence (hit/miss analysis of MIL-HDBK-1823A), and what would improve it. Nothing is logged. It takes a
    minute or two.

    Example: inspector limits --mold oak-leaf --picture oak-leaf.svg
    """
    if picture is not None:
        if picture.suffix.lower() not in _PICTURES:
            raise WrongUsageError(f"A picture {picture} cannot be drawn. Give its file the ending .svg or .png.")
        _try_to_write(picture)
    with open_workshop(context, data, database, site, engine=choose_engine(context, engine)) as workshop:
        try:
            views = workshop.mold(mold).mold.views
        except InspectorError as error:
            raise WrongUsageError(str(error)) from error
        if view is None and len(views) > 1:
            raise WrongUsageError(f"Mold {mold} has several views ({', '.join(views)}). Choose one with --view.")
        chosen = view or views[0]
        with progress("Planting and inspecting", total=photos) as advance:
            measured = workshop.measure_limits(mold, view=chosen, photos=photos, seed=seed, advance=advance)
    if picture is not None:
        _write_picture(picture, mold, chosen, measured)
    if as_json:
        typer.echo(json.dumps(_as_object(mold, chosen, seed, measured), indent=2))
        return
    _show(mold, chosen, measured)
    if picture is not None:
        typer.echo(f"Written: {picture}")


def _try_to_write(path: Path) -> None:
    """Told before anything is measured, which takes minutes; what the file holds stays."""
    with _told_where(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        is_new = not path.exists()
        path.open("ab").close()
        if is_new:
            path.unlink()


def _write_picture(path: Path, mold: str, view: str, measured: DetectionLimits) -> None:
    drawn = limits_picture(measured, title=f"{mold}, {view}", file_format=_PICTURES[path.suffix.lower()])
    with _told_where(path):
        path.write_bytes(drawn)


@contextmanager
def _told_where(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise InspectorError(f"The picture could not be written to {path}: {error.strerror or error}.") from error


def _show(mold: str, view: str, measured: DetectionLimits) -> None:
    typer.echo(f"{mold}, {view}: {count_words(measured.inspected, 'photo')} with planted damage inspected")
    if measured.refused:
        typer.echo(f"{count_words(measured.refused, 'photo')} more were refused as unusable and count for nothing.")
    passed = sum(photo.passed for photo in measured.photos)
    typer.echo(
        f"Planted into {count_words(len(measured.photos) - passed, 'reference')} and "
        f"{count_words(passed, 'photo')} of pieces passed as good."
    )
    if measured.without_scale:
        typer.echo(
            f"{count_words(measured.without_scale, 'photo')} of passed pieces left out: without the mat in the photo "
            "sizes are not known."
        )
    for limit in (measured.chips, measured.cracks):
        typer.echo(_in_words(limit))
        table = Table(f"{_measure(limit)}, mm", "planted", "found", "share", "curve at the lower end")
        points: list[float | None] = [chance for _, chance in limit.curve_points] or [None] * len(limit.classes)
        for size, probability in zip(limit.classes, points, strict=False):
            table.add_row(
                f"{size.low_mm:.2f} to {size.high_mm:.2f}",
                str(size.planted),
                str(size.found),
                f"{size.found / size.planted:.0%}" if size.planted else "",
                "" if probability is None else f"{probability:.0%}",
            )
        Console().print(table)
    typer.echo(f"False findings on the untouched photos: {measured.false_findings:.2f} a photo.")
    typer.echo("What would improve it:")
    for advice in measured.advice:
        typer.echo(f"  {advice}")


def _in_words(limit: DetectionLimit) -> str:
    """The limit in a sentence, whether it was reached or not."""
    what = {"chip": "Chips", "hairline crack": "Hairline cracks"}[limit.kind]
    tried = f"{limit.smallest_mm:.2f} to {limit.largest_mm:.2f} mm"
    head = f"{what}: {limit.found} of {limit.planted} found{_by_place(limit)}."
    if limit.planted and limit.found == limit.planted:
        return f"{head} All were found, so the detection limit lies below the sizes tried ({tried})."
    if (reached := limit.reached_mm) is not None:
        return f"{head} Detection limit a90/95: {_measure(limit)} {reached:.2f} mm."
    if limit.curve is not None and limit.curve.a90 <= limit.largest_mm:
        return (
            f"{head} The detection limit is not reached within the sizes tried ({tried}): 90 % are found from "
            f"{limit.curve.a90:.2f} mm on, but 95 % confidence in that needs larger ones, or more photos (--photos)."
        )
    return f"{head} The detection limit is not reached within the sizes tried ({tried})."


def _by_place(limit: DetectionLimit) -> str:
    """Where chips were found: at the outline, or on the surface; nothing for cracks."""
    if limit.kind != "chip":
        return ""
    counts = [
        f"{sum(defect.found for defect in limit.at(place))} of {len(limit.at(place))} {words}"
        for place, words in _PLACES.items()
    ]
    return f" ({', '.join(counts)})"


def _measure(limit: DetectionLimit) -> str:
    return "width" if limit.kind == "hairline crack" else "largest extent"


def _as_object(mold: str, view: str, seed: int, measured: DetectionLimits) -> dict[str, Any]:
    return {
        "mold": mold,
        "view": view,
        "seed": seed,
        "photos_inspected": measured.inspected,
        "photos_refused": measured.refused,
        "photos_without_scale": measured.without_scale,
        "false_findings_per_photo": round(measured.false_findings, 3),
        "limits": [_limit_object(limit) for limit in (measured.chips, measured.cracks)],
        "photos": [
            {
                "photo": photo.photo,
                "of": "passed piece" if photo.passed else "reference",
                "px_per_mm": round(photo.px_per_mm, 3),
                "blur_px": round(photo.blur_px, 2),
                "brightness": round(photo.brightness, 1),
                "burnt_out": round(photo.burnt_out, 3),
                "zoom": None if photo.zoom is None else round(photo.zoom, 2),
                "shadow_light": None if photo.shadow_light is None else round(photo.shadow_light, 3),
            }
            for photo in measured.photos
        ],
        "advice": list(measured.advice),
    }


def _limit_object(limit: DetectionLimit) -> dict[str, Any]:
    curve = limit.curve
    return {
        "kind": limit.kind,
        "size": _measure(limit),
        "planted": limit.planted,
        "found": limit.found,
        "smallest_mm": round(limit.smallest_mm, 3),
        "largest_mm": round(limit.largest_mm, 3),
        "a50_mm": None if curve is None else round(curve.a50, 3),
        "a90_mm": None if curve is None else round(curve.a90, 3),
        "a90_95_mm": None if limit.reached_mm is None else round(limit.reached_mm, 3),
        "in_words": _in_words(limit),
        "classes": [
            {
                "from_mm": round(size.low_mm, 3),
                "to_mm": round(size.high_mm, 3),
                "planted": size.planted,
                "found": size.found,
            }
            for size in limit.classes
        ],
        "places": [
            {"place": place, "planted": len(limit.at(place)), "found": sum(one.found for one in limit.at(place))}
            for place in _PLACES
            if limit.at(place)
        ],
        "curve": [{"size_mm": round(size, 3), "probability": round(chance, 4)} for size, chance in limit.curve_points],
    }
