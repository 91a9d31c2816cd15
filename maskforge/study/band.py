"""What the masks of a finished set launch over a band of wavelengths."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from threadpoolctl import threadpool_limits

from maskforge.base.errors import BenchError
from maskforge.base.ranges import BadValueError, Range
from maskforge.bench import Bench
from maskforge.bench.elsewhere import at_wavelength
from maskforge.bench.ready import prepared
from maskforge.launch.couplings import Launch, couplings, judged
from maskforge.launch.modulator import emitted
from maskforge.launch.panel import states_of
from maskforge.launch.targets import Target, transferred
from maskforge.sets.manifest import Record
from maskforge.sets.reading import WrittenSet, checked_pages
from maskforge.sets.rebuilding import bench_of, targets_in

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

    The fibre stays where it is aligned at the bench's own wavelength, or, to `realign`, follows the
    carrier's order.  Raises BenchError where the set cannot be read, or the fibre does not guide
    there what it guides at the bench's own wavelength.
    """
    with threadpool_limits(1):
        bench = bench_of(written)
        own = prepared(bench).launch
        targets = targets_in(bench, own.basis)
        for nm in wavelengths:
            yield list(_seen(written, own, targets, (bench, nm, realign)))


def _seen(
    written: WrittenSet,
    own: Launch,
    targets: Mapping[tuple[str, float], Target],
    light: tuple[Bench, float, bool],
) -> Iterator[Seen]:
    bench, nm, realign = light
    launch = at_wavelength(bench, nm, realign=realign)
    for mask, picture in zip(written.masks, checked_pages(written), strict=True):
        target = targets.get((mask.target, mask.orientation_deg))
        if target is None:
            raise BenchError(
                f"{bench.source}: masks[{mask.index}]: the bench has no target {mask.target} at "
                f"{mask.orientation_deg:g} deg"
            )
        there = Target(
            target.name,
            target.orientation,
            transferred(target.vector, own.basis, launch.basis),
        )
        factors = emitted(launch.modulator, states_of(own.modulator, picture))
        found = judged(launch.basis, there, couplings(launch, factors))
        yield Seen(mask, nm, found.purity, found.efficiency)


def worst_of(seen: Sequence[Seen]) -> dict[str, Seen]:
    """The least pure mask of every label."""
    found: dict[str, Seen] = {}
    for one in seen:
        name = one.mask.target
        if name not in found or one.purity < found[name].purity:
            found[name] = one
    return found
