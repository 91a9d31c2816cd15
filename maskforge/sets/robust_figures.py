"""What the manifest says of masks for several scenarios: `robust`, an entry a mask."""

from collections.abc import Iterator
from dataclasses import dataclass

from maskforge.base.errors import BenchError
from maskforge.methods.problem import NEAR_PHASES, Robust
from maskforge.sets.names import MANIFEST
from maskforge.sets.reading import WrittenSet, entry_of


@dataclass(frozen=True)
class ScenarioFigures:
    """A mask in one scenario; `purity_before`: of the mask for the nominal scenario alone."""

    name: str
    purity: float
    efficiency: float
    purity_before: float


@dataclass(frozen=True)
class RobustFigures:
    """The entry of the mask with this `index`, keys in this order; None (null): not known.

    `mean`, the bounds and their gaps: see `problem.Robust`, whose phases for `bound_near` are
    within `near_deg` of the mask's.
    """

    index: int
    scenarios: tuple[ScenarioFigures, ...]
    mean: float
    bound: float | None
    gap: float | None
    bound_purity: float
    bound_near: float | None
    gap_near: float | None
    near_deg: float
    bound_asked: float | None

    @property
    def worst(self) -> ScenarioFigures:
        """Where the mask is least pure."""
        return min(self.scenarios, key=lambda one: one.purity)


def robust_figures(index: int, known: Robust) -> RobustFigures:
    """The entry of a robust design."""
    each = zip(known.scenarios, known.purities, known.efficiencies, known.before, strict=True)
    return RobustFigures(
        index=index,
        scenarios=tuple(
            ScenarioFigures(name, float(purity), float(efficiency), float(before))
            for name, purity, efficiency, before in each
        ),
        mean=known.mean,
        bound=_number(known.bound),
        gap=_number(known.gap),
        bound_purity=float(known.bound_purity),
        bound_near=_number(known.bound_near),
        gap_near=_number(known.gap_near),
        near_deg=NEAR_PHASES,
        bound_asked=_number(known.bound_asked),
    )


def _number(value: float | None) -> float | None:
    return None if value is None else float(value)


def robust_in(written: WrittenSet) -> tuple[RobustFigures, ...]:
    """The entries of a set; BenchError, one line with file and key, where one is damaged."""
    return tuple(_entries(written))


def _entries(written: WrittenSet) -> Iterator[RobustFigures]:
    for at, one in enumerate(written.robust):
        where = f"{written.folder / MANIFEST}: robust[{at}]"
        listed = one.get("scenarios")
        if not isinstance(listed, list) or not listed:
            raise BenchError(f"{where} scenarios: must be a JSON array of objects")
        scenarios = tuple(
            entry_of(f"{where} scenarios[{k}]", each, ScenarioFigures)
            for k, each in enumerate(listed)
        )
        found = entry_of(where, one, RobustFigures, scenarios=scenarios)
        if not 0 <= found.index < len(written.masks):
            raise BenchError(f"{where} index = {found.index}: must be that of a mask")
        yield found
