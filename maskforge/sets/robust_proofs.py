"""The proofs of robust designs, `robust.npz`: anyone can compute the bounds of the means again.

rows, one for the multipliers of one scenario:
`multipliers` [row, mode] complex128, zeros beyond the scenario's own modes; `purity` [row] for
which they hold; `mask`, `scenario` [row]; `asked` [row]: 1 where the proof is of the purity that
was asked for and not had; `alone` [row]: 0 for multipliers that go with those of the other
scenarios, 1 for proofs of one scenario by itself, with `spans` [row, 2] as in certificate.npz.

sectors, one for a range of the common phase (see `methods.phases_of_scenarios`):
`sectors` [sector, 2], rad; `weights` [sector, n + 3]; `sector_mask`, `sector_asked` [sector].
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskforge.base.errors import BenchError
from maskforge.base.npz import read_arrays
from maskforge.launch.modulator import Complex
from maskforge.methods.problem import Alone, Joint, Robust

Arrays = Mapping[str, NDArray[Any]]

KINDS: Mapping[str, tuple[str, int]] = {
    "multipliers": ("c", 2),
    "purity": ("f", 1),
    "mask": ("i", 1),
    "scenario": ("i", 1),
    "asked": ("i", 1),
    "alone": ("i", 1),
    "spans": ("i", 2),
    "sectors": ("f", 2),
    "weights": ("f", 2),
    "sector_mask": ("i", 1),
    "sector_asked": ("i", 1),
}
"""Kind and number of axes of every array."""


# --- robust.npz ------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Row:
    mask: int
    scenario: int
    asked: int
    alone: int
    purity: float
    multipliers: Complex
    span: tuple[int, int] = (0, 0)


def proof_arrays(masks: Sequence[tuple[int, Robust]]) -> dict[str, NDArray[Any]]:
    """The arrays of robust.npz, of masks by their number."""
    rows: list[_Row] = []
    sectors: list[tuple[int, int, NDArray[np.float64], NDArray[np.float64]]] = []
    for mask, known in masks:
        for asked, proof in enumerate((known.proof, known.asked)):
            if proof is not None:
                rows += _rows(mask, asked, proof)
                pairs = zip(proof.sectors, proof.weights, strict=True)
                sectors += [(mask, asked, sector, weights) for sector, weights in pairs]
    count = len(masks[0][1].scenarios)
    whole = np.zeros((len(rows), max(row.multipliers.size for row in rows)), dtype=np.complex128)
    for place, row in enumerate(rows):
        whole[place, : row.multipliers.size] = row.multipliers
    return {
        "multipliers": whole,
        "purity": np.array([row.purity for row in rows], dtype=float),
        "mask": np.array([row.mask for row in rows], dtype=np.int64),
        "scenario": np.array([row.scenario for row in rows], dtype=np.int64),
        "asked": np.array([row.asked for row in rows], dtype=np.int64),
        "alone": np.array([row.alone for row in rows], dtype=np.int64),
        "spans": np.array([row.span for row in rows], dtype=np.int64).reshape(-1, 2),
        "sectors": np.array([one[2] for one in sectors], dtype=float).reshape(-1, 2),
        "weights": np.array([one[3] for one in sectors], dtype=float).reshape(-1, count + 3),
        "sector_mask": np.array([one[0] for one in sectors], dtype=np.int64),
        "sector_asked": np.array([one[1] for one in sectors], dtype=np.int64),
    }


def _rows(mask: int, asked: int, proof: Joint) -> Iterator[_Row]:
    for scenario, one in enumerate(proof.multipliers):
        yield _Row(mask, scenario, asked, 0, proof.purity, one)
    for scenario, alone in enumerate(proof.alone):
        for multipliers, span in zip(alone.multipliers, alone.spans.tolist(), strict=True):
            yield _Row(mask, scenario, asked, 1, alone.purity, multipliers, tuple(span))


def read_proofs(path: Path) -> dict[str, NDArray[Any]]:
    """The arrays of a robust.npz; BenchError, one line, where it is none."""

    def check(name: str, dtype: np.dtype[Any], shape: tuple[int, ...]) -> None:
        kind, axes = KINDS[name]
        if dtype.kind != kind or len(shape) != axes:
            raise BenchError(f"{path}: {name} is {dtype} of shape {shape}")

    found = read_arrays(path, KINDS, check)
    for name, array in found.items():
        rows = found["sectors" if name == "weights" or "sector" in name else "multipliers"]
        pair = name in ("spans", "sectors")
        if len(array) != len(rows) or (pair and array.shape[1] != 2):
            raise BenchError(f"{path}: {name} is {array.dtype} of shape {array.shape}")
    return found


def proofs_of(arrays: Arrays, mask: int, sizes: Sequence[int]) -> tuple[Joint | None, Joint | None]:
    """(the proof of a mask, that of the purity asked for); None: there is none, or parts lack.

    `sizes`: how many modes every scenario has.
    """
    first, second = (_proof_of(arrays, mask, asked, sizes) for asked in (0, 1))
    return first, second


def _proof_of(arrays: Arrays, mask: int, asked: int, sizes: Sequence[int]) -> Joint | None:
    widest = arrays["multipliers"].shape[1]
    if widest < max(sizes) or arrays["weights"].shape[1] != len(sizes) + 3:
        return None
    own = (arrays["mask"] == mask) & (arrays["asked"] == asked)
    multipliers: list[Complex] = []
    alone: list[Alone] = []
    purity = np.nan
    for scenario, size in enumerate(sizes):
        here = own & (arrays["scenario"] == scenario)
        (whole,) = np.nonzero(here & (arrays["alone"] == 0))
        (parts,) = np.nonzero(here & (arrays["alone"] == 1))
        if whole.size != 1:
            return None
        here_purity = float(arrays["purity"][whole[0]])
        if scenario and here_purity != purity:
            return None
        purity = here_purity
        multipliers.append(arrays["multipliers"][whole[0], :size].astype(complex))
        if parts.size:
            # the lowest claims least: proofs at one purity hold at higher ones
            least = float(arrays["purity"][parts].min())
            rows = arrays["multipliers"][parts, :size].astype(complex)
            alone.append(Alone(least, rows, arrays["spans"][parts].astype(np.int64)))
    at = (arrays["sector_mask"] == mask) & (arrays["sector_asked"] == asked)
    sectors, weights = arrays["sectors"][at].astype(float), arrays["weights"][at].astype(float)
    return Joint(purity, tuple(multipliers), sectors, weights, tuple(alone))


# --- chains of a run that goes on --------------------------------------------------------------


def robust_facts(known: Robust) -> dict[str, Any]:
    """A robust design's facts for JSON, which keeps every digit of a float."""
    arrays = proof_arrays([(0, known)])
    return {
        "scenarios": list(known.scenarios),
        "sizes": [one.size for one in known.multipliers],
        "purities": [float(x) for x in known.purities],
        "efficiencies": [float(x) for x in known.efficiencies],
        "before": [float(x) for x in known.before],
        "bound": None if known.bound is None else float(known.bound),
        "bound_near": None if known.bound_near is None else float(known.bound_near),
        "bound_asked": None if known.bound_asked is None else float(known.bound_asked),
        "proofs": {
            name: array.view(float).tolist() if array.dtype.kind == "c" else array.tolist()
            for name, array in arrays.items()
        },
    }


def robust_of(facts: Mapping[str, Any]) -> Robust:
    """A robust design from its facts, to the last bit."""
    arrays: dict[str, NDArray[Any]] = {}
    for name, (kind, axes) in KINDS.items():
        values = facts["proofs"][name]
        if kind == "i":
            arrays[name] = np.array(values, dtype=np.int64)
        else:
            arrays[name] = np.array(values, dtype=float)
        if kind == "c":
            arrays[name] = arrays[name].view(complex)
        if axes == 2 and len(values) == 0:
            width = len(facts["scenarios"]) + 3 if name == "weights" else 2
            arrays[name] = arrays[name].reshape(0, width)
    proof, asked = proofs_of(arrays, 0, facts["sizes"])
    assert proof is not None
    return Robust(
        scenarios=tuple(facts["scenarios"]),
        purities=tuple(facts["purities"]),
        efficiencies=tuple(facts["efficiencies"]),
        before=tuple(facts["before"]),
        bound=facts["bound"],
        bound_near=facts["bound_near"],
        proof=proof,
        bound_asked=facts["bound_asked"],
        asked=asked,
    )
