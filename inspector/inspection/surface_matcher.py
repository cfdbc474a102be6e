"""The network that surfaces are matched by (``aligning.likeness``); it lies beside this file."""

from importlib.resources import files

__all__ = ["SURFACE_MATCHER"]

SURFACE_MATCHER = files("inspector.inspection").joinpath("surface_matcher.onnx").read_bytes()
