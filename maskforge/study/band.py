"""What the masks of a finished set launch over a band of wavelengths."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from threadpoolctl import threadpool_limits

from maskforge.bench import Bench
from maskforge.bench.elsewhere import not_guided
from maskforge.sets.manifest import Record
from maskforge.sets.reading import WrittenSet
from maskforge.sets.rebuilding import bench_of
from maskforge.study.replay import Replay, replayed_at


@dataclass(frozen=True)
class Seen:
    """A mask at a wavelength in nm: purity and efficiency as `prediction.judged` has them."""

    mask: Record
    wavelength_nm: float
    purity: float
    efficiency: float


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
