"""A fitted network that looks at whole pictures, as the file that ships."""

from __future__ import annotations

from pathlib import Path

import torch
from torch import nn


def write_onnx(network: nn.Module, file: Path, *, channels: int, side: int, given: str, answer: str) -> None:
    """Write a network in ONNX form, for pictures of any size.

    Parameters
    ----------
    network : nn.Module
        From one picture (1, channels, h, w) to another.
    file : Path
    channels, side : int
        Of a picture that it can answer.
    given, answer : str
        What the file calls the two.
    """
    file.parent.mkdir(parents=True, exist_ok=True)
    any_size = {2: "height", 3: "width"}
    torch.onnx.export(
        network.cpu(),
        (torch.zeros(1, channels, side, side),),
        file,
        input_names=[given],
        output_names=[answer],
        dynamic_axes=dict.fromkeys((given, answer), any_size),
        opset_version=13,
        dynamo=False,
    )
