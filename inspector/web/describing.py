"""The description of the HTTP interface for other programs (OpenAPI), served at `/openapi.json`.

Pages are for people; what programs use answers JSON to those that ask for it, in the shapes below. Every failure has
one shape, whatever the address. Whoever may look may read the description.
"""

from typing import Any, Literal

from fastapi import FastAPI
from pydantic import BaseModel, ConfigDict, Field

from inspector.web.callers import SESSION_COOKIE

__all__ = ["FailureAnswer", "HealthAnswer", "LabelsAnswer", "PhotoAnswer", "PhotosAnswer", "PosesAnswer", "describe"]


class PhotoAnswer(BaseModel):
    """What became of one photo that was sent."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "name": "leaf.jpg",
                    "outcome": "flagged",
                    "message": "1 missing feature, 2 chips",
                    "piece": "/pieces/17",
                    "picture": "/photos/31/400.jpg",
                    "verdict": "/photos/31/verdict",
                    "already_logged": False,
                    "notes": [],
                    "likely": [],
                },
                {
                    "name": "leaf.jpg",
                    "outcome": "kept",
                    "message": "Busy: 3 before yours",
                    "piece": "/pieces/18",
                    "picture": "/photos/32/400.jpg",
                    "verdict": "/photos/32/verdict",
                    "already_logged": False,
                    "notes": [],
                    "likely": [],
                },
            ]
        }
    )

    name: str
    outcome: Literal["clear", "flagged", "could not be used", "kept"] = Field(
        description="`kept`: it is in the log, and its verdict is asked for at the address under `verdict`."
    )
    message: str = Field(description="What was flagged, what was wrong and what to do, or how many come before it.")
    piece: str | None = Field(description="Address of its piece; null where there is none, or none yet.")
    picture: str | None
    verdict: str | None = Field(description="Address that tells later what became of it; null where it was not kept.")
    already_logged: bool = Field(description="The same photo, byte for byte, was in the log before.")
    notes: list[str]
    likely: list[str] = Field(description="Molds that it may show, where a person has to say which.")


class FailedBecause(BaseModel):
    """What could not be done, and what to do."""

    message: str


class FailureAnswer(BaseModel):
    """What every failure is answered with."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"error": {"message": "There is no pour 9. Choose one of those listed."}}]}
    )

    error: FailedBecause


class PhotosAnswer(BaseModel):
    """What became of the photos of a form, in the order in which they were sent."""

    photos: list[PhotoAnswer]
    error: FailedBecause | None = Field(default=None, description="Only where none of them was kept.")


class Pose(BaseModel):
    """How the good piece of one view lies in its photo."""

    view: str
    width_px: int
    height_px: int
    polygon: list[tuple[float, float]] = Field(description="Pixels of that photo, from its top left.")


class PosesAnswer(BaseModel):
    """Outlines of a mold's good pieces, one a view."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "poses": [
                        {
                            "view": "front",
                            "width_px": 640,
                            "height_px": 480,
                            "polygon": [[90, 80], [510, 80], [300, 410]],
                        }
                    ]
                }
            ]
        }
    )

    poses: list[Pose]


class LabelsAnswer(BaseModel):
    """What the QR codes in a photo say."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"labels": ["https://shop.example/photograph?mold=oak-leaf"]}]}
    )

    labels: list[str]


class HealthAnswer(BaseModel):
    """Whether the log can be read and the disk has room."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"status": "well", "troubles": []}]})

    status: Literal["well", "in trouble"]
    troubles: list[str]


# https://spec.openapis.org/oas/v3.1.0#security-scheme-object
_WAYS_IN = {
    "token": {
        "type": "http",
        "scheme": "bearer",
        "description": "For programs: a token that somebody made under Accounts. It may do what its role says.",
    },
    "session": {
        "type": "apiKey",
        "in": "cookie",
        "name": SESSION_COOKIE,
        "description": f"For people who signed in, in their browser; under TLS its name is `__Host-{SESSION_COOKIE}`.",
    },
}
# One of them on the network; the first, which asks for nothing, at the machine itself.
_ONE_WAY_IN: list[dict[str, list[str]]] = [{}, {"token": []}, {"session": []}]


def describe(app: FastAPI) -> None:
    """Have the application describe who may ask, and failures as they are answered: in one shape, page or JSON."""
    generate = app.openapi

    def described() -> dict[str, Any]:
        if app.openapi_schema is not None:
            return app.openapi_schema
        description = generate()
        schemas = description["components"]["schemas"]
        for unused in ("HTTPValidationError", "ValidationError"):
            schemas.pop(unused, None)
        schemas["FailedBecause"] = FailedBecause.model_json_schema()
        schemas["FailureAnswer"] = FailureAnswer.model_json_schema(ref_template="#/components/schemas/{model}")
        schemas["FailureAnswer"].pop("$defs")
        description["components"]["securitySchemes"] = _WAYS_IN
        description["security"] = _ONE_WAY_IN
        failure = {
            "description": "What could not be done, and what to do",
            "content": {
                "application/json": {"schema": {"$ref": "#/components/schemas/FailureAnswer"}},
                "text/html": {"schema": {"type": "string"}},
            },
        }
        for methods in description["paths"].values():
            for operation in methods.values():
                if "PhotosAnswer" not in str(operation["responses"].get("422", "")):
                    operation["responses"].pop("422", None)
                operation["responses"]["4XX"] = failure
        app.openapi_schema = description
        return description

    app.openapi = described  # type: ignore[method-assign]
