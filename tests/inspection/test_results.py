import json

import numpy as np
import pytest

from inspector.inspection import KINDS, Finding, Inspection

SQUARE = np.array([[10.0, 20.0], [30.04, 20.0], [30.04, 40.0], [10.0, 40.0]])


def finding(**changes):
    facts = {
        "kind": "chip",
        "polygon_xy": SQUARE,
        "confidence": 0.93214,
        "area_mm2": 14.2037,
        "length_mm": 6.1049,
        "width_mm": 3.0,
        "depth_mm": None,
        "feature": None,
    }
    return Finding(**(facts | changes))


def inspection(*findings, **changes):
    facts = {
        "photo": "b.jpg",
        "status": "inspected",
        "reason": None,
        "score": 0.93214,
        "px_per_mm": 5.10049,
        "reference": "r2.jpg",
        "seconds": 0.61049,
        "findings": findings,
    }
    return Inspection(**(facts | changes))


def test_the_json_is_the_one_that_others_rely_on():
    # Field for field the format promised to those who read it; sizes rounded, points [x, y].
    assert inspection(finding(feature="bill")).as_json() == {
        "photo": "b.jpg",
        "status": "inspected",
        "reason": None,
        "score": 0.932,
        "px_per_mm": 5.1,
        "reference": "r2.jpg",
        "seconds": 0.61,
        "findings": [
            {
                "kind": "chip",
                "polygon": [[10.0, 20.0], [30.0, 20.0], [30.0, 40.0], [10.0, 40.0]],
                "confidence": 0.932,
                "area_mm2": 14.2,
                "length_mm": 6.1,
                "width_mm": 3.0,
                "depth_mm": None,
                "feature": "bill",
            }
        ],
    }


def test_what_reviewers_said_adds_nothing_to_the_json():
    taught = finding(confidence_alone=0.99, dismissed_on=3, on_references=(("r1.jpg", np.zeros((3, 2))),))
    assert taught.as_json() == finding().as_json()
    seen = inspection(findings=(), not_counted=(taught,))
    assert seen.as_json() == inspection(findings=()).as_json()


def test_how_a_crack_winds_is_told_in_rows_and_adds_nothing_to_the_json():
    winding = finding(kind="hairline crack", tortuosity=1.2345)
    assert winding.as_json() == finding(kind="hairline crack").as_json()
    assert [row["tortuosity"] for row in inspection(winding, finding()).as_rows()] == [1.23, None]


def test_the_fields_keep_their_order():
    content = inspection(finding()).as_json()
    assert list(content) == ["photo", "status", "reason", "score", "px_per_mm", "reference", "seconds", "findings"]
    assert list(content["findings"][0]) == [
        "kind", "polygon", "confidence", "area_mm2", "length_mm", "width_mm", "depth_mm", "feature",
    ]  # fmt: skip


def test_the_json_is_plain_json():
    whole = inspection(finding(confidence=np.float64(0.5), area_mm2=np.float32(3.5)), score=np.float64(0.5))
    assert json.loads(json.dumps(whole.as_json(), allow_nan=False)) == whole.as_json()


def test_without_scale_sizes_are_null():
    content = inspection(finding(area_mm2=None, length_mm=None, width_mm=None), px_per_mm=None).as_json()
    assert content["px_per_mm"] is None
    assert {content["findings"][0][key] for key in ("area_mm2", "length_mm", "width_mm", "depth_mm")} == {None}


def test_an_unusable_photo_says_why_and_flags_nothing():
    content = inspection(status="unusable", reason="b.jpg is too dark.", score=0.0, reference=None).as_json()
    assert (content["status"], content["reason"], content["findings"]) == ("unusable", "b.jpg is too dark.", [])


def test_rows_are_one_a_finding_and_flat():
    rows = inspection(finding(), finding(kind="hairline crack", width_mm=0.41)).as_rows()
    assert [row["kind"] for row in rows] == ["chip", "hairline crack"]
    for row in rows:
        assert row["photo"] == "b.jpg"
        assert row["reference"] == "r2.jpg"
        assert not any(isinstance(value, dict) for value in row.values())
    assert inspection().as_rows() == []


def test_the_kinds_are_those_of_the_trade():
    assert KINDS == ("missing feature", "chip", "hairline crack", "surface void", "excess")


def test_results_cannot_be_changed_afterwards():
    with pytest.raises(AttributeError):
        inspection().score = 1.0
    with pytest.raises(AttributeError):
        finding().kind = "excess"
