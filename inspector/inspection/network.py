"""A small convolutional network: how it is written down, and how it answers.

Nothing is trained here. Layers at each place by itself come first; then blocks that look around, ever farther, and add
what they see (He et al. 2016); a last layer gives the log odds. Several networks are averaged.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Block", "Layer", "Network", "network_as_json", "network_from_json", "probabilities", "read_networks"]

# Values further from what was seen in training than this many standard deviations say no more.
FARTHEST = 6.0


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """At each place: outputs = inputs @ weight + bias."""

    weight: NDArray[np.float32]  # (inputs, outputs)
    bias: NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Three by three places, ``spacing`` apart: x + ReLU(sum of neighbours @ weight + bias)."""

    weight: NDArray[np.float32]  # (3, 3, channels, channels), rows first
    bias: NDArray[np.float32]
    spacing: int


@dataclass(frozen=True, slots=True, eq=False)
class Network:
    """Centre and scale of the inputs, layers with ReLU, blocks, and a last layer without."""

    centre: NDArray[np.float32]
    scale: NDArray[np.float32]
    layers: tuple[Layer, ...]
    blocks: tuple[Block, ...]
    last: Layer


def probabilities(networks: Sequence[Network], inputs: NDArray[np.float32]) -> NDArray[np.float32]:
    """Mean answer of several networks.

    Parameters
    ----------
    networks : sequence of Network
    inputs : ndarray, shape (h, w, n)

    Returns
    -------
    ndarray, shape (h, w), float32
        From 0 to 1; the mean is taken over the log odds.
    """
    odds = np.zeros(inputs.shape[:2], dtype=np.float32)
    for network in networks:
        x = np.clip((inputs - network.centre) / network.scale, -FARTHEST, FARTHEST)
        for layer in network.layers:
            x = np.maximum(x @ layer.weight + layer.bias, 0)
        for block in network.blocks:
            x = x + np.maximum(_around(x, block), 0)
        odds += (x @ network.last.weight + network.last.bias)[..., 0] / len(networks)
    return np.asarray(1 / (1 + np.exp(-odds)), dtype=np.float32)


def _around(x: NDArray[np.float32], block: Block) -> NDArray[np.float32]:
    """A block's convolution; beyond the edge there is nothing."""
    height, width, _ = x.shape
    d = block.spacing
    padded = np.pad(x, ((d, d), (d, d), (0, 0)))
    total = np.broadcast_to(block.bias, x.shape).copy()
    for row in range(3):
        for column in range(3):
            total += padded[row * d : row * d + height, column * d : column * d + width] @ block.weight[row, column]
    return total


def network_as_json(network: Network) -> dict[str, Any]:
    """A network as lists, five digits each."""
    return {
        "centre": _listed(network.centre),
        "scale": _listed(network.scale),
        "layers": [{"weight": _listed(layer.weight), "bias": _listed(layer.bias)} for layer in network.layers],
        "blocks": [
            {"weight": _listed(block.weight), "bias": _listed(block.bias), "spacing": block.spacing}
            for block in network.blocks
        ],
        "last": {"weight": _listed(network.last.weight), "bias": _listed(network.last.bias)},
    }


def network_from_json(content: dict[str, Any]) -> Network:
    """The inverse of ``network_as_json``."""
    return Network(
        centre=_array(content["centre"]),
        scale=_array(content["scale"]),
        layers=tuple(Layer(_array(layer["weight"]), _array(layer["bias"])) for layer in content["layers"]),
        blocks=tuple(
            Block(_array(block["weight"]), _array(block["bias"]), int(block["spacing"])) for block in content["blocks"]
        ),
        last=Layer(_array(content["last"]["weight"]), _array(content["last"]["bias"])),
    )


def read_networks(text: str) -> tuple[Network, ...]:
    """Networks from a JSON list of them."""
    return tuple(network_from_json(content) for content in json.loads(text))


def _listed(array: NDArray[np.float32]) -> Any:
    return [_listed(row) for row in array] if array.ndim > 1 else [float(f"{value:.5g}") for value in array]


def _array(values: Any) -> NDArray[np.float32]:
    return np.array(values, dtype=np.float32)
