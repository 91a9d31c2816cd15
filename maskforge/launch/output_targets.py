"""Targets at a device's outputs: single ones, sums of them, and its channels of least loss."""

import re
from collections.abc import Mapping, Sequence

import numpy as np

from maskforge.base.errors import BenchError
from maskforge.base.wording import nearest, shown, some_of
from maskforge.launch.passage import Complex, Passage
from maskforge.launch.targets import Target

CHANNEL = re.compile(r"channel ([1-9]\d{0,5})")


def output_targets(
    passage: Passage,
    labels: Sequence[str] | None,
    weights: Mapping[str, Mapping[str, complex]],
    purity: float,
) -> tuple[Target, ...]:
    """The targets of labels in their order; None: all outputs, then all sums of them.

    A label is an output's name, that of a sum of `weights`, or "channel 1": what the right singular
    vector of the largest singular value gives.  Raises BenchError for any other label, and where no
    launch gives a target as pure as `purity`.
    """
    names = [one.name for one in passage.outputs]
    for name in weights:
        if name in names or CHANNEL.fullmatch(name):
            raise BenchError(
                f"the superposition {shown(name)} has the name of an output or channel"
            )
    found = []
    for label in [*names, *weights] if labels is None else labels:
        vector = _vector(passage, names, weights, label)
        reach = passage.reach(vector)
        if reach < purity:
            raise BenchError(
                f"{shown(label)}: no launch gives it purer than {100 * reach:.4g} %, asked are "
                f"{100 * purity:.10g} %; {_ranks(passage)}"
            )
        found.append(Target(label, 0.0, vector))
    return tuple(found)


def _vector(
    passage: Passage,
    names: Sequence[str],
    weights: Mapping[str, Mapping[str, complex]],
    label: str,
) -> Complex:
    """The unit vector (J,) of a label."""
    vector: Complex = np.zeros(len(names), dtype=complex)
    if label in names:
        vector[names.index(label)] = 1.0
        return vector
    if label in weights:
        for name, weight in weights[label].items():
            if name not in names:
                raise BenchError(f"{label}: {_unknown(name, names)}")
            vector[names.index(name)] = weight
        return np.asarray(vector / np.linalg.norm(vector))
    match = CHANNEL.fullmatch(label)
    if match is None:
        raise BenchError(_unknown(label, [*names, *weights, "channel 1"]))
    number = int(match[1])
    if number > passage.rank:
        raise BenchError(f"{shown(label)} cannot be reached: {_ranks(passage)}")
    return passage.channel(number)


def _unknown(name: str, known: Sequence[str]) -> str:
    near = nearest(name, known)
    hint = f'; did you mean "{near}"?' if near else ""
    return f"{shown(name)} is no output of the device, which has {some_of(known)}{hint}"


def _ranks(passage: Passage) -> str:
    """Which channels there are, by their singular values."""
    sizes, rank = passage.singular_values, passage.rank
    inputs = passage.matrix.shape[1]
    ends = f"from {sizes[0]:.3g} to {sizes[rank - 1]:.3g}"
    more = f"; the next one is {sizes[rank]:.2g}" if rank < len(sizes) else ""
    return (
        f"of {len(passage.outputs)} outputs the device reaches {rank} channels from {inputs} "
        f"modes, with singular values {ends}{more}"
    )
