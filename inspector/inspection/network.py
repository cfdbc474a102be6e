"""A small feed-forward network: how it is written down, and how it answers.

Nothing is trained here. Several networks that started from different random weights are averaged.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Network", "network_as_json", "network_from_json", "probabilities", "shipped_networks"]

# Values further from what was seen in training than this many standard deviations say no more.
FARTHEST = 6.0


@dataclass(frozen=True, slots=True, eq=False)
class Network:
    """Centre and scale of the inputs, then layers of weights (inputs, outputs) and biases; ReLU between."""

    centre: NDArray[np.float32]
    scale: NDArray[np.float32]
    weights: tuple[NDArray[np.float32], ...]
    biases: tuple[NDArray[np.float32], ...]


def probabilities(networks: Sequence[Network], inputs: NDArray[np.float32]) -> NDArray[np.float32]:
    """Mean answer of several networks.

    Parameters
    ----------
    networks : sequence of Network
    inputs : ndarray, shape (n, inputs)

    Returns
    -------
    ndarray, shape (n,), float32
        From 0 to 1; the mean is taken over the log odds.
    """
    odds = np.zeros(len(inputs), dtype=np.float32)
    for network in networks:
        x = np.clip((inputs - network.centre) / network.scale, -FARTHEST, FARTHEST)
        for k, (weight, bias) in enumerate(zip(network.weights, network.biases, strict=True)):
            x = x @ weight + bias
            if k + 1 < len(network.weights):
                x = np.maximum(x, 0)
        odds += x[:, 0] / len(networks)
    return np.asarray(1 / (1 + np.exp(-odds)), dtype=np.float32)


def network_as_json(network: Network) -> dict[str, Any]:
    """A network as lists, five digits each."""

    def listed(array: NDArray[np.float32]) -> Any:
        return [listed(row) for row in array] if array.ndim > 1 else [float(f"{value:.5g}") for value in array]

    return {
        "centre": listed(network.centre),
        "scale": listed(network.scale),
        "weights": [listed(weight) for weight in network.weights],
        "biases": [listed(bias) for bias in network.biases],
    }


def network_from_json(content: dict[str, Any]) -> Network:
    """The inverse of ``network_as_json``."""
    return Network(
        centre=np.array(content["centre"], dtype=np.float32),
        scale=np.array(content["scale"], dtype=np.float32),
        weights=tuple(np.array(weight, dtype=np.float32) for weight in content["weights"]),
        biases=tuple(np.array(bias, dtype=np.float32) for bias in content["biases"]),
    )


@lru_cache(maxsize=1)
def shipped_networks() -> tuple[Network, ...]:
    """The networks of the damage map that come with the program: a constant, kept as data."""
    text = files("inspector.inspection").joinpath("damage_map.json").read_text(encoding="utf-8")
    return tuple(network_from_json(content) for content in json.loads(text))
