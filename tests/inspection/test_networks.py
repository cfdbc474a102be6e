import shutil
from pathlib import Path

import cv2
import numpy as np
import onnx
import pytest
from onnx.reference import ReferenceEvaluator

from inspector.inspection.networks import (
    CLASSIC_FAULT,
    FAULT,
    FOLDER,
    PIECE_FINDER,
    SHIPPED,
    SURFACE_MATCHER,
    read_shipped,
)

COMPARING = ("surface_encoder.onnx", "damage_judge.onnx")
FILES = ("piece_finder.onnx", "surface_matcher.onnx", *COMPARING)


@pytest.fixture
def folder(tmp_path):
    for name in (*FILES, "networks.sha256"):
        shutil.copy(FOLDER / name, tmp_path)
    return tmp_path


def test_what_is_shipped_is_whole_and_small():
    assert FAULT is CLASSIC_FAULT is None
    assert SHIPPED is not None
    assert PIECE_FINDER is not None
    assert SURFACE_MATCHER is not None
    assert sum((FOLDER / name).stat().st_size for name in FILES) < 10_000_000


def test_whole_files_are_taken_as_they_are(folder):
    shipped = read_shipped(folder)
    assert shipped.fault is None
    assert shipped.networks == SHIPPED
    assert shipped.piece_finder == PIECE_FINDER
    assert shipped.surface_matcher == SURFACE_MATCHER


@pytest.mark.parametrize("spoil", [Path.unlink, lambda path: path.write_bytes(path.read_bytes()[:-1] + b"\0")])
@pytest.mark.parametrize("name", FILES)
def test_a_file_that_is_missing_or_damaged_is_named_and_left_out(folder, name, spoil):
    spoil(folder / name)
    shipped = read_shipped(folder)
    assert name in shipped.fault
    assert "Install Inspector again" in shipped.fault
    assert all(other not in shipped.fault for other in FILES if other != name)
    assert (shipped.piece_finder is None) == (name == "piece_finder.onnx")
    assert (shipped.surface_matcher is None) == (name == "surface_matcher.onnx")
    assert (shipped.networks is None) == (name in COMPARING)
    # The classic comparison looks for the piece and lays it over its references by the other two.
    assert shipped.classic_fault == (None if name in COMPARING else shipped.fault)


def test_without_digests_nothing_is_trusted(folder):
    (folder / "networks.sha256").unlink()
    shipped = read_shipped(folder)
    assert shipped.networks is shipped.surface_matcher is shipped.piece_finder is None
    assert all(name in shipped.fault for name in FILES)


def weights_of(data):
    return sum(int(np.prod(tensor.dims)) for tensor in onnx.load_from_string(data).graph.initializer)


def test_there_are_at_most_two_million_weights():
    assert sum(weights_of((FOLDER / name).read_bytes()) for name in FILES) < 2_000_000


def answer(data, inputs):
    net = cv2.dnn.readNetFromONNX(np.frombuffer(data, dtype=np.uint8))
    for name, value in inputs.items():
        net.setInput(value, name)
    return net.forward()


def drawn(*shape, seed=0):
    """Smooth values of about the size that the networks are given."""
    rng = np.random.default_rng(seed)
    noise = rng.normal(0, 3, shape).astype(np.float32)
    return np.stack([[cv2.GaussianBlur(plane, (0, 0), 1.5) for plane in noise[0]]])


# The evaluator of the ONNX standard, in NumPy: what each operator means (https://onnx.ai/onnx/api/reference.html).
@pytest.mark.parametrize(
    ("data", "inputs"),
    [
        (PIECE_FINDER, {"cues": drawn(1, 6, 64, 96)}),
        (SURFACE_MATCHER, {"surface": drawn(1, 2, 40, 56)}),
        (SHIPPED.surface_encoder, {"surface": drawn(1, 3, 48, 64)}),
        (
            SHIPPED.damage_judge,
            {
                "surface": drawn(1, 3, 48, 64),
                "mean": drawn(1, 24, 24, 32, seed=1),
                "highest": drawn(1, 24, 24, 32, seed=1) + 1,
                "lowest": drawn(1, 24, 24, 32, seed=1) - 1,
                "around": np.abs(drawn(1, 4, 24, 32, seed=2)),
            },
        ),
    ],
    ids=FILES,
)
def test_opencv_answers_as_the_standard_has_it(data, inputs):
    names = [one.name for one in onnx.load_from_string(data).graph.input]
    inputs = dict(zip(names, inputs.values(), strict=True)) if len(names) == 1 else inputs
    expected = ReferenceEvaluator(onnx.load_from_string(data)).run(None, inputs)[0]
    assert np.ptp(expected) > 1
    np.testing.assert_allclose(answer(data, inputs), expected, rtol=0, atol=1e-3)
