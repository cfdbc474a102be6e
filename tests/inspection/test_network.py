import numpy as np
import pytest
from scipy.signal import correlate

from inspector.inspection.damage_map import MEASURES, shipped_networks
from inspector.inspection.network import (
    Block,
    Layer,
    Network,
    network_as_json,
    network_from_json,
    probabilities,
)


def network(seed=0, spacings=(1, 2)):
    rng = np.random.default_rng(seed)

    def some(*shape):
        return rng.normal(0, 0.5, shape).astype(np.float32)

    return Network(
        centre=some(5),
        scale=np.abs(some(5)) + 0.5,
        layers=(Layer(some(5, 6), some(6)), Layer(some(6, 4), some(4))),
        blocks=tuple(Block(some(3, 3, 4, 4), some(4), spacing) for spacing in spacings),
        last=Layer(some(4, 1), some(1)),
    )


INPUTS = np.random.default_rng(7).normal(0, 1, (11, 9, 5)).astype(np.float32)


def by_reference(one, inputs):
    """The same by SciPy's correlation, channel by channel, with the kernel spread out."""
    x = np.clip((inputs - one.centre) / one.scale, -6, 6)
    for layer in one.layers:
        x = np.maximum(np.einsum("hwi,io->hwo", x, layer.weight) + layer.bias, 0)
    for block in one.blocks:
        side = 2 * block.spacing + 1
        seen = np.zeros_like(x)
        for target in range(x.shape[2]):
            for source in range(x.shape[2]):
                kernel = np.zeros((side, side))
                kernel[:: block.spacing, :: block.spacing] = block.weight[:, :, source, target]
                seen[..., target] += correlate(x[..., source], kernel, mode="same", method="direct")
        x = x + np.maximum(seen + block.bias, 0)
    odds = (x @ one.last.weight + one.last.bias)[..., 0]
    return 1 / (1 + np.exp(-odds))


@pytest.mark.parametrize("spacings", [(), (1,), (1, 2), (3,)])
def test_it_answers_as_scipys_correlation_does(spacings):
    one = network(spacings=spacings)
    assert probabilities([one], INPUTS) == pytest.approx(by_reference(one, INPUTS), abs=1e-4)


def test_several_are_averaged_over_their_log_odds():
    def odds(probability):
        return np.log(probability / (1 - probability))

    both = odds(probabilities([network(0), network(1)], INPUTS))
    apart = [odds(probabilities([network(seed)], INPUTS)) for seed in (0, 1)]
    assert both == pytest.approx(np.mean(apart, axis=0), abs=1e-3)


def test_written_down_and_read_again_it_answers_the_same():
    one = network()
    again = network_from_json(network_as_json(one))
    assert probabilities([again], INPUTS) == pytest.approx(probabilities([one], INPUTS), abs=1e-3)


def test_what_lies_far_outside_the_training_says_no_more():
    one = network(spacings=())
    far, farther = np.full((1, 1, 5), 1e3, np.float32), np.full((1, 1, 5), 1e6, np.float32)
    assert probabilities([one], far) == pytest.approx(probabilities([one], farther))


def test_the_shipped_networks_take_every_measure():
    for one in shipped_networks():
        assert one.centre.shape == one.scale.shape == (len(MEASURES),)
        assert np.all(one.scale > 0)
