"""Thin parts of the demo molds, against the features that the generator of their photos named."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from inspector.inspection.proposing import propose_features
from tests.benchmarks.bench_folder import model_of

MOLDS = Path(__file__).parents[2] / "reference_shapes"


@pytest.fixture(scope="module")
def bird():
    return model_of(MOLDS / "wading-bird")


def test_the_birds_bill_and_legs_are_proposed(bird):
    proposals = propose_features(bird)
    named = {proposal.named: proposal for proposal in proposals if proposal.named is not None}
    assert {"bill", "left leg", "right leg"} <= set(named)
    # Its size as the generator drew it into `mold.toml`.
    bill = next(feature for ref in bird.references for feature in ref.features if feature.name == "bill")
    scale = next(reference.px_per_mm for reference in bird.references if reference.features)
    long_mm, wide_mm = sorted(cv2.minAreaRect(bill.polygon_xy.astype(np.float32))[1], reverse=True) / np.array(scale)
    assert named["bill"].length_mm == pytest.approx(long_mm, rel=0.25)
    assert 0.3 * wide_mm < named["bill"].thickness_mm < wide_mm
    assert len(proposals) <= 8


def test_no_proposal_takes_in_the_birds_body(bird):
    # The body is the thickest part: its middle is the deepest place of the mask.
    row, column = np.unravel_index(int(np.argmax(bird.inside_mm)), bird.mask.shape)
    first = bird.references[0].view.frame
    place = np.array([[[column + bird.box[0], row + bird.box[1]]]], dtype=float)
    (x, y) = cv2.perspectiveTransform(place, first.photo_from_frame)[0, 0]
    for proposal in propose_features(bird):
        assert proposal.reference == bird.references[0].name
        assert cv2.pointPolygonTest(proposal.polygon_xy.astype(np.float32), (float(x), float(y)), False) < 0


def test_every_petal_tip_of_the_finial_is_proposed():
    proposals = propose_features(model_of(MOLDS / "petal-finial"))
    petals = {"outer left petal", "outer right petal", "left petal", "right petal", "middle petal"}
    assert petals <= {proposal.named for proposal in proposals}
