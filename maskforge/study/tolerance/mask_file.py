"""Masks kept in a file while they are looked at many times, whichever way they came."""

import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryFile

import numpy as np
from numpy.typing import NDArray

from maskforge import bench as benches
from maskforge.base.errors import BenchError
from maskforge.base.files import telling
from maskforge.base.wording import one_line
from maskforge.bench import Bench
from maskforge.bench.elsewhere import refuse_second
from maskforge.bench.ready import guided_basis
from maskforge.launch.modulator import Modulator
from maskforge.launch.panel import states_of
from maskforge.launch.targets import Target, described
from maskforge.sets.reading import WrittenSet, checked_pages
from maskforge.sets.rebuilding import bench_of, targets_in

States = NDArray[np.unsignedinteger]

FILE = "states"


@dataclass(frozen=True)
class Store:
    """States of masks in a file: `shape` is (masks, rows, columns), `kind` one of numpy's."""

    path: Path
    shape: tuple[int, int, int]
    kind: str

    def opened(self) -> States:
        """The states (masks, rows, columns), y up, read from the file as they are looked at."""
        return np.memmap(self.path, dtype=self.kind, mode="r", shape=self.shape)

    def sent(self) -> "Sent":
        """The same for where the file is not."""
        return Sent(zlib.compress(self.path.read_bytes(), 1), self.shape, self.kind)


@dataclass(frozen=True, eq=False)
class Sent:
    """States of masks on their way to another machine: the bytes of the file, compressed."""

    content: bytes
    shape: tuple[int, int, int]
    kind: str

    def sent(self) -> "Sent":
        """Itself."""
        return self

    def opened(self) -> States:
        """As a `Store`'s, from a file that goes with the array."""
        with TemporaryFile() as file:
            file.write(zlib.decompress(self.content))
            file.flush()
            return np.memmap(file, dtype=self.kind, mode="r", shape=self.shape)


@dataclass(frozen=True, eq=False)
class Study:
    """A bench and its masks in play order: what each is for, and its states."""

    bench: Bench
    targets: tuple[Target, ...]
    store: Store | Sent

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(described(target.name, target.orientation) for target in self.targets)


def stored(
    folder: Path, bench: Bench, modulator: Modulator, masks: Iterable[tuple[Target, States]]
) -> Study:
    """Masks as a study, their states in a new file in `files`, one of them in memory at a time.

    Raises OutputError where the file cannot be written, BenchError for a bench with two apertures.
    """
    refuse_second(bench, "tolerance")
    kind = "uint8" if modulator.alphabet.size <= 2**8 else "uint16"
    targets, path = [], folder / FILE
    with telling(path), path.open("xb") as file:
        for target, states in masks:
            file.write(states.astype(kind).tobytes())
            targets.append(target)
    return Study(bench, tuple(targets), Store(path, (len(targets), *modulator.shape), kind))


def stored_set(folder: Path, written: WrittenSet) -> Study:
    """The masks of a finished set as a study, in its bench.

    Raises BenchError where pages, manifest and bench do not belong together.
    """
    bench = bench_of(written)
    modulator = benches.modulator(bench)
    return stored(folder, bench, modulator, _masks(written, bench, modulator))


def _masks(
    written: WrittenSet, bench: Bench, modulator: Modulator
) -> Iterator[tuple[Target, States]]:
    targets = targets_in(bench, guided_basis(bench))
    for mask, picture in zip(written.masks, checked_pages(written), strict=True):
        target = targets.get((mask.target, mask.orientation_deg))
        if target is None:
            raise BenchError(
                one_line(
                    f"{bench.source}: [targets] has no {mask.name}, which mask {mask.index} is for"
                )
            )
        try:
            yield target, states_of(modulator, picture)
        except BenchError as error:
            raise BenchError(
                one_line(f"{written.stack}: page {mask.page} ({mask.name}): {error}")
            ) from None
