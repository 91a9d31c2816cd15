"""The finished masks of a chain as bytes, and back as they were, to the last bit."""

import io
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskforge.launch.modulator import Levels
from maskforge.launch.prediction import Prediction
from maskforge.launch.targets import Target
from maskforge.methods.problem import Certificate, Design
from maskforge.sets.designing import Finished
from maskforge.sets.robust_proofs import robust_facts, robust_of

Facts = dict[str, Any]


def packed(masks: Sequence[Finished]) -> bytes:
    """An npz archive: arrays with a row a mask, `multipliers` and `spans` of one proof after the
    other, the states' `shape`, and `facts` as JSON text."""
    designs = [mask.design for mask in masks]
    covers = [one for made in designs for one in _covers(made)]
    width = len(masks[0].target.vector)
    outputs = [mask.prediction.outputs for mask in masks if mask.prediction.outputs is not None]
    pack = _packing(max(int(made.states.max()) for made in designs))
    out = io.BytesIO()
    np.savez(
        out,
        shape=designs[0].states.shape,
        states=np.array([pack(made.states) for made in designs]),
        couplings=np.array([mask.prediction.couplings for mask in masks]),
        **({"outputs": np.array(outputs)} if outputs else {}),  # type: ignore[arg-type]
        multipliers=_stacked([one.multipliers for one in covers], width, complex),
        spans=_stacked([one.spans for one in covers], 2, np.int64),
        facts=np.frombuffer(json.dumps([_facts(mask) for mask in masks]).encode(), np.uint8),
    )
    return out.getvalue()


def unpacked(content: bytes, chain: range, targets: Sequence[Target]) -> Iterator[Finished]:
    """The masks of a chain, one at a time; `targets` of the whole set, in play order."""
    with np.load(io.BytesIO(content), allow_pickle=False) as archive:
        arrays: Mapping[str, NDArray[Any]] = dict(archive)
    every = json.loads(arrays["facts"].tobytes())
    shape, rows = tuple(arrays["shape"]), 0
    for place, index in enumerate(chain):
        facts, target = every[place], targets[index]
        proofs: list[Certificate | None] = []
        for proof in (facts.pop("certificate"), facts.pop("excluded")):
            own = slice(rows, rows + (0 if proof is None else proof["rows"]))
            proofs.append(None if proof is None else _proof(target, proof["purity"], arrays, own))
            rows = own.stop
        outputs = arrays["outputs"][place] if "outputs" in arrays else None
        purity, group_purity, light = facts.pop("figures")
        prediction = Prediction(arrays["couplings"][place], purity, group_purity, light, outputs)
        robust = facts.pop("robust")
        design = Design(
            states=_unpacked_states(arrays["states"][place], shape),
            prediction=prediction,
            certificate=proofs[0],
            excluded=proofs[1],
            robust=None if robust is None else robust_of(robust),
            **facts,
        )
        yield Finished(index, target, design)


def _covers(made: Design) -> list[Certificate]:
    """The proofs of a design, in the order in which their rows are kept."""
    return [one for one in (made.certificate, made.excluded) if one is not None]


def _stacked(parts: Sequence[NDArray[Any]], width: int, kind: type) -> NDArray[Any]:
    return np.concatenate([np.empty((0, width), dtype=kind), *parts])


def _proof(
    target: Target, purity: float, arrays: Mapping[str, NDArray[Any]], own: slice
) -> Certificate:
    return Certificate(target, purity, arrays["multipliers"][own], arrays["spans"][own])


def _proof_facts(proof: Certificate | None) -> Facts | None:
    if proof is None:
        return None
    return {"purity": float(proof.purity), "rows": len(proof.multipliers)}


def _number(value: float | None) -> float | None:
    return None if value is None else float(value)


def _facts(mask: Finished) -> Facts:
    """What is not an array of the chain; JSON keeps every digit of a float."""
    made, found = mask.design, mask.prediction
    return {
        "method": made.method,
        "reached": bool(made.reached),
        "status": made.status,
        "bound": _number(made.bound),
        "asked": _number(made.asked),
        "aim": _number(made.aim),
        "bound_asked": _number(made.bound_asked),
        "figures": [float(x) for x in (found.purity, found.group_purity, found.efficiency)],
        "certificate": _proof_facts(made.certificate),
        "excluded": _proof_facts(made.excluded),
        "robust": None if made.robust is None else robust_facts(made.robust),
    }


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
