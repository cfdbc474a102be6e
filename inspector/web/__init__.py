"""The workshop's pages: add photos, review what was flagged, say what becomes of a piece."""

from inspector.web.app import create_app

__all__ = ["create_app"]
