"""Two finished sets side by side: target by target, and what changed in the bench between them."""

from collections.abc import Sequence
from dataclasses import dataclass

from maskforge.base.errors import BenchError
from maskforge.base.wording import one_line
from maskforge.bench.differences import Difference, differences
from maskforge.sets.manifest import Record
from maskforge.sets.reading import WrittenSet
from maskforge.sets.rebuilding import bench_of


@dataclass(frozen=True)
class MaskPair:
    """The masks of one target and orientation in both sets, as their manifests have them."""

    one: Record
    other: Record

    @property
    def purity_change(self) -> float:
        """Of the second against the first, a share."""
        return self.other.purity - self.one.purity

    @property
    def loss_change(self) -> float:
        """Insertion loss of the second less that of the first, dB."""
        return self.other.loss_db - self.one.loss_db

    @property
    def same_pixels(self) -> bool:
        """Whether the panel gets the same picture."""
        return self.one.sha256 == self.other.sha256


@dataclass(frozen=True)
class SetComparison:
    """`pairs` in the first set's play order; masks that only one set has; what the benches have
    different, in the order of the bench file."""

    pairs: tuple[MaskPair, ...]
    only_one: tuple[Record, ...]
    only_other: tuple[Record, ...]
    bench: tuple[Difference, ...]


def sets_compared(one: WrittenSet, other: WrittenSet) -> SetComparison:
    """Masks are matched by target and orientation, whatever made them.

    Raises BenchError where a set's bench cannot be built, or only one of them has a device.
    """
    if bool(one.outputs) != bool(other.outputs):
        behind, plain = (one, other) if one.outputs else (other, one)
        raise BenchError(
            one_line(
                f"{behind.folder}: its figures are those at the outputs of a device, those of "
                f"{plain.folder} are of launches: they do not compare"
            )
        )
    first, second = _by_target(one.masks), _by_target(other.masks)
    return SetComparison(
        pairs=tuple(MaskPair(first[key], second[key]) for key in first if key in second),
        only_one=tuple(first[key] for key in first if key not in second),
        only_other=tuple(second[key] for key in second if key not in first),
        bench=tuple(differences(bench_of(one), bench_of(other))),
    )


def _by_target(masks: Sequence[Record]) -> dict[tuple[str, float], Record]:
    # orientations are multiples of 180/(l n) deg, which may come from another sum
    return {(mask.target, round(mask.orientation_deg, 6)): mask for mask in masks}
