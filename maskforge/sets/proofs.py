"""certificate.npz read back: whether it has the form of proofs, row by row."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskforge.base.errors import BenchError
from maskforge.base.npz import read_arrays
from maskforge.launch.modulator import Complex
from maskforge.launch.targets import Target
from maskforge.methods.cover import STEPS
from maskforge.methods.problem import Certificate
from maskforge.sets.names import CERTIFICATE
from maskforge.sets.reading import WrittenSet

SIZES = (1e-3, 1e12)
"""What the largest entry of multipliers may be.  Their scale is free, but rounding, underflow and
overflow of very small or large ones would be taken for a bound; a design's <t, mu> is 1 or more."""

PURITY = 1e-12
"""How far a purity may be from the one that is meant."""

WORDS: Mapping[str, str] = {"c": "complex numbers", "f": "real numbers", "i": "whole numbers"}

Kinds = Mapping[str, tuple[str, tuple[int | None, ...]]]
"""Names of arrays, each of a kind (`c` complex, `f` real, `i` whole) and a shape; None: any."""


@dataclass(frozen=True, eq=False)
class Proofs:
    """Arrays of certificate.npz, as `certificate` describes them, sorted by mask and purity."""

    multipliers: Complex
    mask: NDArray[np.int64]
    purity: NDArray[np.float64]
    spans: NDArray[np.int64]
    targets: Complex

    def rows(self, at: int) -> NDArray[np.intp]:
        """The rows of a mask."""
        return np.flatnonzero(self.mask == at)

    def covers(self, target: Target, at: int) -> tuple[Certificate, ...]:
        """The proofs of a mask, which is for `target`, by purity."""
        rows = self.rows(at)
        own = [(purity, rows[self.purity[rows] == purity]) for purity in self._purities(at)]
        return tuple(
            Certificate(target, purity, self.multipliers[each], self.spans[each])
            for purity, each in own
        )

    def _purities(self, at: int) -> list[float]:
        return sorted(set(self.purity[self.rows(at)].tolist()))


def read_proofs(written: WrittenSet) -> Proofs | None:
    """The proofs of a set, None where it has none; BenchError, one line, where they are none."""
    path = written.folder / CERTIFICATE
    unbounded = all(mask.bound is None and mask.bound_asked is None for mask in written.masks)
    if not path.exists() and unbounded:
        return None
    count, ends = len(written.masks), len(written.outputs or written.modes)
    found = arrays(
        path,
        {
            "multipliers": ("c", (None, ends)),
            "mask": ("i", (None,)),
            "purity": ("f", (None,)),
            "spans": ("i", (None, 2)),
            "targets": ("c", (count, ends)),
        },
    )
    multipliers, mask, purity, spans, targets = found.values()
    if not len(multipliers) == len(mask) == len(purity) == len(spans):
        lengths = ", ".join(f"{len(found[k])} {k}" for k in found if k != "targets")
        raise BenchError(f"{path}: {lengths}: must be as many, a row each")
    proofs = Proofs(
        multipliers.astype(np.complex128, copy=False),
        mask.astype(np.int64),
        purity.astype(np.float64),
        spans.astype(np.int64),
        targets.astype(np.complex128, copy=False),
    )
    _check_order(path, proofs, count)
    return proofs


def _check_order(path: Path, proofs: Proofs, count: int) -> None:
    """BenchError where rows are of no mask, or not in their order."""
    outside = np.flatnonzero((proofs.mask < 0) | (proofs.mask >= count))
    if outside.size:
        row = int(outside[0])
        raise BenchError(
            f"{path}: mask[{row}] = {proofs.mask[row]}: must be a mask's number, 0 to {count - 1}"
        )
    places, purities = np.diff(proofs.mask), np.diff(proofs.purity)
    wrong = np.flatnonzero((places < 0) | ((places == 0) & (purities < 0)))
    if wrong.size:
        raise BenchError(f"{path}: row {wrong[0] + 1}: rows must be sorted by mask, then by purity")


def row_faults(proofs: Proofs, at: int, asked: float) -> Iterator[str]:
    """Why the rows of a mask cannot be proofs, before any bound is computed; `asked` purity."""
    rows = proofs.rows(at)
    purity, spans = proofs.purity[rows], proofs.spans[rows]
    yield from size_faults(proofs.multipliers[rows], CERTIFICATE)
    low = purity[~((purity > 0) & (purity <= asked + PURITY))]
    if low.size:
        yield (
            f"purity {low[0]:.12g} in {CERTIFICATE}: must be above 0 and at most {asked:.12g}, "
            "which the bench asks for"
        )
    first, last = spans.T
    wrong = spans[~((first >= 0) & (first < STEPS) & (first < last) & (last - first <= STEPS))]
    if len(wrong):
        yield (
            f"spans in {CERTIFICATE} go from {wrong[0, 0]} to {wrong[0, 1]}: must go forward, by "
            f"at most {STEPS} steps, from 0 to {STEPS - 1}"
        )


def size_faults(multipliers: Complex, file: str) -> Iterator[str]:
    """Why rows of multipliers (rows, K) of a file are no numbers to reckon with."""
    sizes = np.max(np.abs(multipliers), axis=1, initial=0.0)
    if not np.all(np.isfinite(sizes)):
        yield f"multipliers in {file} are not finite numbers"
    elif not np.all((sizes >= SIZES[0]) & (sizes <= SIZES[1])):
        worst = sizes[np.argmax(np.abs(np.log(np.maximum(sizes, 1e-300))))]
        yield (
            f"multipliers in {file} are up to {worst:.3g}: must be between {SIZES[0]:g} and "
            f"{SIZES[1]:g}"
        )


def left_out(cover: Certificate) -> str:
    """The first phases that no span of a cover speaks for, in words; empty where there are none."""
    seen = np.zeros(STEPS, dtype=bool)
    for first, last in cover.spans:
        seen[np.arange(first, last) % STEPS] = True
    if np.all(seen):
        return ""
    first = int(np.argmin(seen))
    after = int(np.argmax(seen[first:])) or STEPS - first
    degrees = 360 / STEPS
    return f"{first * degrees:.2f} to {(first + after) * degrees:.2f} deg"


def arrays(path: Path, wanted: Kinds) -> dict[str, NDArray[np.number]]:
    """Arrays of a npz file by name; BenchError where one is not there or not of its kind."""

    def check(name: str, dtype: np.dtype[Any], found: tuple[int, ...]) -> None:
        kind, shape = wanted[name]
        if dtype.kind != kind or not _fits(found, shape):
            sizes = ", ".join("any" if size is None else str(size) for size in shape)
            raise BenchError(
                f"{path}: {name} is {dtype} of shape {found}: must be {WORDS[kind]} "
                f"of shape ({sizes}{',' if len(shape) == 1 else ''}), as the manifest has masks "
                "and modes"
            )

    return read_arrays(path, wanted, check)


def _fits(shape: tuple[int, ...], wanted: tuple[int | None, ...]) -> bool:
    return len(shape) == len(wanted) and all(
        size in (None, got) for got, size in zip(shape, wanted, strict=True)
    )
