"""The finished masks of a chain as bytes, and back as they were, to the last bit."""

import io
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskforge.design import Design
from maskforge.design.problem import Certificate, Robust
from maskforge.fields import Target
from maskforge.launch import Prediction
from maskforge.modulator import Levels
from maskforge.run import Finished

Facts = dict[str, Any]


def packed(masks: Sequence[Finished]) -> bytes:
    """An npz archive: arrays with a row a mask, the states' `shape`, and `facts` as JSON text."""
    designs = [mask.design for mask in masks]
    proofs = [made.certificate for made in designs]
    unproven = np.zeros(len(masks[0].prediction.couplings), dtype=complex)
    pack = _packing(max(int(made.states.max()) for made in designs))
    out = io.BytesIO()
    np.savez(
        out,
        shape=designs[0].states.shape,
        states=np.array([pack(made.states) for made in designs]),
        couplings=np.array([mask.prediction.couplings for mask in masks]),
        multipliers=np.array([unproven if one is None else one.multipliers for one in proofs]),
        facts=np.frombuffer(json.dumps([_facts(mask) for mask in masks]).encode(), np.uint8),
    )
    return out.getvalue()


def unpacked(content: bytes, chain: range, targets: Sequence[Target]) -> Iterator[Finished]:
    """The masks of a chain, one at a time; `targets` of the whole set, in play order."""
    with np.load(io.BytesIO(content), allow_pickle=False) as archive:
        arrays: Mapping[str, NDArray[Any]] = dict(archive)
    every = json.loads(arrays["facts"].tobytes())
    shape = tuple(arrays["shape"])
    for place, index in enumerate(chain):
        facts, target = every[place], targets[index]
        proof = facts.pop("proof_purity")
        prediction = Prediction(arrays["couplings"][place], *facts.pop("figures"))
        robust = facts.pop("robust")
        design = Design(
            states=_unpacked_states(arrays["states"][place], shape),
            prediction=prediction,
            certificate=None
            if proof is None
            else Certificate(target, proof, arrays["multipliers"][place]),
            robust=None if robust is None else _robust(robust),
            **facts,
        )
        yield Finished(index, target, design, prediction)


def _facts(mask: Finished) -> Facts:
    """What is not an array of the chain; JSON keeps every digit of a float."""
    made, found = mask.design, mask.prediction
    return {
        "method": made.method,
        "reached": bool(made.reached),
        "status": made.status,
        "bound": None if made.bound is None else float(made.bound),
        "figures": [float(x) for x in (found.purity, found.group_purity, found.efficiency)],
        "proof_purity": None if made.certificate is None else float(made.certificate.purity),
        "robust": None if made.robust is None else _robust_facts(made.robust),
    }


def _robust_facts(robust: Robust) -> Facts:
    facts = {field.name: getattr(robust, field.name) for field in fields(Robust)}
    # a scenario's basis has a length of its own
    facts["multipliers"] = [[one.real.tolist(), one.imag.tolist()] for one in robust.multipliers]
    return facts


def _robust(facts: Facts) -> Robust:
    known: Facts = {
        key: tuple(value) if isinstance(value, list) else value for key, value in facts.items()
    }
    known["multipliers"] = tuple(_complex(*parts) for parts in facts["multipliers"])
    return Robust(**known)


def _complex(real: list[float], imaginary: list[float]) -> NDArray[np.complex128]:
    # a sum would make +0 of the real part's -0
    out = np.empty(len(real), dtype=complex)
    out.real, out.imag = real, imaginary
    return out


def _packing(largest: int) -> Callable[[Levels], NDArray[Any]]:
    """How states up to this one are stored: eight to a byte where there are two of them."""
    if largest < 2:
        return lambda states: np.packbits(states.astype(bool))
    kind = np.uint8 if largest < 256 else np.uint16
    return lambda states: states.astype(kind)


def _unpacked_states(stored: NDArray[Any], shape: tuple[int, ...]) -> Levels:
    if stored.ndim == 1:
        stored = np.unpackbits(stored, count=int(np.prod(shape))).reshape(shape)
    return stored.astype(np.uint16)
