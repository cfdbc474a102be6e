"""How the networks were fitted, tried in the small on a CPU; PyTorch is no package of the tests (extra `train`)."""

import pickle

import cv2
import numpy as np
import pytest

from tests.benchmarks.aligned_mold import LEAST_ODDS, ODDS_LEVELS, AlignedMold, AlignedPhoto, exact, lossy

torch = pytest.importorskip("torch", reason="fitting networks needs PyTorch (pip install --editable '.[train]')")

from tests.benchmarks import ablation  # noqa: E402 - it needs PyTorch
from tests.benchmarks.fit_damage_map import Fitting, examples_of, write_networks  # noqa: E402 - it needs PyTorch

SIDE = 192


@pytest.fixture(scope="module")
def layers(tmp_path_factory):
    mask = np.zeros((SIDE, SIDE), dtype=np.uint8)
    cv2.circle(mask, (SIDE // 2, SIDE // 2), 80, 255, -1)

    def gray(seed):
        rng = np.random.default_rng(seed)
        rough = cv2.GaussianBlur(rng.normal(0, 60, mask.shape), (0, 0), 4)
        return np.clip(np.where(mask > 0, 130, 220) + rough, 0, 255).astype(np.uint8)

    def photo(seed):
        image, defects = gray(seed), np.zeros_like(mask)
        cv2.circle(image, (90, 80), 9, 40, -1)
        cv2.circle(defects, (90, 80), 9, 1, -1)
        odds = np.where(mask > 0, 5 - LEAST_ODDS, 0) * ODDS_LEVELS
        valid = np.full_like(mask, 255)
        kept = (exact(one) for one in (valid, np.clip(odds, 0, 255).astype(np.uint8), defects))
        return AlignedPhoto(f"photo-{seed}", lossy(image), *kept, ("chip",))

    mold = AlignedMold("disc", exact(mask), tuple(lossy(gray(k)) for k in range(3)), (photo(10), photo(11)))
    folder = tmp_path_factory.mktemp("layers")
    (folder / "drawn__disc.pickle").write_bytes(pickle.dumps(mold))
    return folder


@pytest.fixture(scope="module")
def examples(layers):
    return examples_of(layers / "drawn__disc.pickle", copies=1)


def fitted(examples, kept, *, minutes=(9.0,)):
    for some in minutes:
        fitting = Fitting(steps=4, seed=3, device="cpu")
        if kept.exists():
            fitting.go_on(kept)
        done = fitting.run(examples, kept=kept, minutes=some)
    return fitting, done


def test_what_was_cut_short_goes_on_to_the_same_networks(examples, tmp_path, monkeypatch):
    whole, done = fitted(examples, tmp_path / "whole.pt")
    assert done
    ticks = iter([0.0, 1.0, 1.0, 9999.0, *[0.0] * 9])  # two steps, then the time is over
    monkeypatch.setattr("tests.benchmarks.fit_damage_map.time.monotonic", lambda: next(ticks))
    _, done = fitted(examples, tmp_path / "cut.pt", minutes=(1.0,))
    assert not done
    monkeypatch.undo()
    gone_on, done = fitted(examples, tmp_path / "cut.pt")
    assert done
    assert gone_on.losses == whole.losses
    for one, other in zip(gone_on.judge.state_dict().values(), whole.judge.state_dict().values(), strict=True):
        assert torch.equal(one, other)


def test_another_seed_does_not_go_on_with_what_was_kept(examples, tmp_path):
    fitted(examples, tmp_path / "kept.pt")
    with pytest.raises(SystemExit, match="another seed"):
        Fitting(steps=4, seed=4, device="cpu").go_on(tmp_path / "kept.pt")


@pytest.mark.filterwarnings("ignore::DeprecationWarning")  # of the older way to write ONNX
def test_opencv_answers_as_pytorch_does(examples, tmp_path):
    judge = fitted(examples, tmp_path / "kept.pt")[0].judge.float().eval()
    write_networks(judge, tmp_path)
    net = cv2.dnn.readNetFromONNX(str(tmp_path / "damage_judge.onnx"))
    given = [torch.randn(1, 3, 48, 64), *(torch.randn(1, 24, 24, 32) for _ in range(3)), torch.rand(1, 4, 24, 32)]
    for name, value in zip(("surface", "mean", "highest", "lowest", "around"), given, strict=True):
        net.setInput(value.numpy(), name)
    with torch.no_grad():
        expected = judge(*given).numpy()
    np.testing.assert_allclose(net.forward(), expected, rtol=0, atol=1e-3)


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_fits_that_go_without_something_are_told_beside_what_ships(layers, tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(ablation, "STEPS", 2)
    ablation.fit(layers, tmp_path, ["nothing painted", "one reference"], [0, 1], workers=1, minutes=9.0)
    assert "nothing painted: 2 examples" in capsys.readouterr().out  # two photos, and no copy
    ablation.look(layers, tmp_path, workers=1)
    told = capsys.readouterr().out.splitlines()
    assert [line.split("|")[1].strip() for line in told[1:]] == ["nothing painted", "one reference", "ships"]
    # Two dark spots 4.5 mm wide; with no good piece to be wrong about, no limit hides what ships finds.
    assert told[-1].split("|")[4].strip() == "2 of 2"
    assert [line.split("|")[2].strip() for line in told[1:]] == ["2", "2", "1"]
