"""Render sample photos of ornamental concrete pieces with exact ground truth."""
