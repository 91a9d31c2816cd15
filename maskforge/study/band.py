"""What the masks of a finished set launch over a band of wavelengths."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from threadpoolctl import threadpool_limits

from maskforge.base.errors import BenchError
from maskforge.base.ranges import BadValueError, Range
from maskforge.bench import Bench
from maskforge.bench.elsewhere import not_guided
from maskforge.sets.manifest import Record
from maskforge.sets.reading import WrittenSet
from maskforge.sets.rebuilding import bench_of
from maskforge.study.replay import Replay, replayed_at

WAVELENGTH, COUNT = Range(200, 3000, "nm"), Range(2, 1000, "wavelengths", whole=True)


@dataclass(frozen=True)
class Seen:
    """A mask at a wavelength in nm: purity and efficiency as in DESIGN's word list."""

    mask: Record
    wavelength_nm: float
    purity: float
    efficiency: float


def wavelengths_of(text: str) -> tuple[float, ...]:
    """Wavelengths in nm of FIRST:LAST:COUNT, evenly spaced; BenchError names --wavelengths."""
    rule = "must be FIRST:LAST:COUNT in nm, as in 1530:1565:8"
    words = text.split(":")
    try:
        if len(words) != 3:
            raise ValueError
        first, last = (WAVELENGTH(float(word)) for word in words[:2])
        count = int(COUNT(int(words[2])))
    except BadValueError as problem:
        raise BenchError(f"--wavelengths = {text}: {problem.text}; {rule}") from None
    except ValueError:
        raise BenchError(f"--wavelengths = {text}: {rule}") from None
    if not first < last:
        raise BenchError(f"--wavelengths = {text}: {rule}, FIRST below LAST")
    return tuple(float(nm) for nm in np.linspace(first, last, count))


def seen_over(
    written: WrittenSet, wavelengths: Iterable[float], *, realign: bool = False
) -> Iterator[list[Seen]]:
    """Of each wavelength in nm every mask in play order, by the full model.

    What moves, or not, is that of `replay.replayed_at`.  Raises BenchError where the set cannot be
    read, or the fibre does not guide a target there.
    """
    wanted = tuple(wavelengths)
    with threadpool_limits(1):
        bench = bench_of(written)
        for nm, replays in zip(wanted, replayed_at(written, wanted, realign=realign), strict=True):
            yield [_seen(bench, nm, one) for one in replays]


def _seen(bench: Bench, nm: float, replay: Replay) -> Seen:
    mask, found = replay.mask, replay.prediction
    if found is None:
        raise not_guided(bench, mask.target, nm)
    return Seen(mask, nm, found.purity, found.efficiency)


def worst_of(seen: Sequence[Seen]) -> dict[str, Seen]:
    """The least pure mask of every label."""
    found: dict[str, Seen] = {}
    for one in seen:
        name = one.mask.target
        if name not in found or one.purity < found[name].purity:
            found[name] = one
    return found
