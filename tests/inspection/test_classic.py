"""Comparing without what was learned: by choice, and where the files of the networks are missing."""

import cv2
import pytest

from inspector.imaging.reading import read_photo
from inspector.inspection import inspect_photo, model, view
from inspector.inspection.engine import CLASSIC, ENGINE
from tests.benchmarks.bench_folder import model_of
from tests.benchmarks.judging import judge_photo
from tests.inspection.test_sample_photos import ROOT, TRUTH


def no_network(*_):
    raise AssertionError("a network was asked")


@pytest.fixture(scope="module")
def bird():
    """A model of the wading bird, for which no network was asked at all."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(cv2.dnn, "readNetFromONNX", no_network)
        patch.setattr(model, "SURFACE_MATCHER", None)
        patch.setattr(view, "PIECE_FINDER", None)
        yield model_of(ROOT / "reference_shapes" / "wading-bird", networks=None)


def inspected(bird, name):
    return inspect_photo(read_photo((ROOT / "sample_images" / name).read_bytes(), name=name), bird)


def test_references_agree_without_networks(bird):
    assert bird.left_out == ()
    assert bird.normal_surface is None


@pytest.mark.parametrize(
    ("name", "kind"), [("wading-bird-05.jpg", "missing feature"), ("wading-bird-04.jpg", "hairline crack")]
)
def test_a_clear_loss_and_a_wide_crack_are_found_without_networks(bird, name, kind):
    inspection = inspected(bird, name)
    assert inspection.status == "inspected"
    judged = judge_photo(TRUTH[name], inspection.as_json(), folder_photo=name)
    (row,) = [defect for defect in judged["defects"] if defect["kind"] == kind]
    assert row["hit"]
    assert row["kind_right"]


def test_the_engine_is_chosen_where_references_are_combined(bird):
    assert CLASSIC.version != ENGINE.version
    with pytest.raises(AssertionError, match="a network was asked"):
        ENGINE.combine(bird.references[:1])
    assert CLASSIC.combine(bird.references[:1]).normal_surface is None
