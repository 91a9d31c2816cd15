"""What lies beside the stack: the manifest and the table of couplings."""

import json
import platform
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskforge.base.csv_text import csv_text
from maskforge.base.program import libraries
from maskforge.base.version import VERSION as RELEASE
from maskforge.bench import Safety
from maskforge.launch.basis import Basis, mode_name
from maskforge.launch.passage import Complex, Output, Passage
from maskforge.launch.prediction import insertion_loss_db
from maskforge.launch.purity_band import band_of
from maskforge.launch.targets import Target, described
from maskforge.sets.names import FORMAT, VERSION


@dataclass(frozen=True)
class Record:
    """A finished mask in figures, as the manifest has it, keys in this order.

    None (null, an empty cell): not known.  `index` and `page` count from 0; `bound` and `gap` go
    with a design that proves a bound, for masks at least `bound_purity` pure.  Where that is lower
    than what was asked, `bound_asked` is the bound of the efficiency at the asked purity; 0: no
    mask of this modulator is so pure.  `unwanted_db` is None where it is not finite.  `sha256`: see
    `stack.pixel_hash`.  `reached`: whether the mask is as pure as asked; `status`: how its design
    ended.
    """

    index: int
    page: int
    target: str
    orientation_deg: float
    method: str
    purity: float
    group_purity: float
    efficiency: float
    bound: float | None
    bound_purity: float | None
    gap: float | None
    bound_asked: float | None
    unwanted_db: float | None
    sha256: str
    reached: bool
    status: str

    @property
    def name(self) -> str:
        """ "LP21 30 deg"."""
        return described(self.target, self.orientation_deg)

    @property
    def loss_db(self) -> float:
        """Insertion loss; infinite where nothing is launched."""
        return insertion_loss_db(self.efficiency)


@dataclass(frozen=True)
class ScenarioFigures:
    """A mask in one scenario; `purity_before`: of the mask for the nominal scenario alone."""

    name: str
    purity: float
    efficiency: float
    purity_before: float


@dataclass(frozen=True)
class RobustFigures:
    """A mask over several scenarios: what the manifest's `robust` has of the mask `index`.

    `mean`, the bounds and their gaps: see `problem.Robust`; `bound_near` is for masks with phases
    within `near_deg` of this one's.
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


@dataclass(frozen=True)
class LaunchFigures:
    """The launch's own figures of the mask `index`, whose record has those of a device's outputs.

    `purity`, `efficiency`: of the launch of least power that gives the target, over the guided
    modes; `guided`: share of the beam in all of these, of which the share `passed` arrives.
    """

    index: int
    purity: float
    efficiency: float
    guided: float
    passed: float


@dataclass(frozen=True)
class PurityBand:
    """How sure the purity of the mask `index` is where a device's matrix has standard errors: its
    5 %, 50 % and 95 % percentiles (see `purity_band`).

    `designed_for`: the purity by the matrix as measured that was aimed at, so that the band is
    where it is asked to be.
    """

    index: int
    low: float
    median: float
    high: float
    designed_for: float


def purity_bands(
    passage: Passage,
    targets: Sequence[Target],
    couplings: Complex,
    designed_for: Sequence[float],
) -> tuple[PurityBand, ...]:
    """Of masks in play order, as `launch_figures`; none where the matrix has no errors."""
    if passage.errors is None:
        return ()
    each = zip(targets, couplings, designed_for, strict=True)
    return tuple(
        PurityBand(index, *band_of(passage, target.vector, own), aim)
        for index, (target, own, aim) in enumerate(each)
    )


def launch_figures(
    passage: Passage, targets: Sequence[Target], couplings: Complex
) -> tuple[LaunchFigures, ...]:
    """Of masks in play order, whose couplings (masks, K) are into the guided modes."""
    found = []
    for index, (target, own) in enumerate(zip(targets, couplings, strict=True)):
        guided = float(np.sum(np.abs(own) ** 2))
        wanted = float(np.abs(np.vdot(passage.launch_for(target.vector), own)) ** 2)
        purity = wanted / guided if guided else 0.0
        found.append(LaunchFigures(index, purity, wanted, guided, passage.passed(own)))
    return tuple(found)


def manifest_text(
    bench: Mapping[str, Any],
    basis: Basis,
    records: Sequence[Record],
    robust: Sequence[RobustFigures] = (),
    name: str | None = None,
    safety: Safety | None = None,
    *,
    outputs: Sequence[Output] = (),
    launches: Sequence[LaunchFigures] = (),
    bands: Sequence[PurityBand] = (),
) -> str:
    """The manifest of a set as JSON text; `bench` is written out and its paths start at the set.

    `robust`: of the masks for several scenarios.  `name`: what the bench is called.  `safety`: of a
    bench that says its power.  `outputs`, `launches`, `bands`: of a bench with a device.
    """
    content = {
        "format": FORMAT,
        "version": VERSION,
        **({} if name is None else {"name": name}),
        "bench": bench,
        **({} if safety is None else {"safety": asdict(safety)}),
        "modes": [
            {
                "index": mode.index,
                "label": mode.label,
                "l": mode.l,
                "p": mode.p,
                "part": mode.part,
                "group": mode.group,
                "n_eff": float(mode.n_eff),
                **({} if mode.polarisation is None else {"polarisation": mode.polarisation}),
            }
            for mode in basis
        ],
        **({"outputs": output_entries(outputs)} if outputs else {}),
        "masks": [asdict(record) for record in records],
        **({"launches": [asdict(one) for one in launches]} if launches else {}),
        **({"purity_bands": [asdict(one) for one in bands]} if bands else {}),
        **({"robust": [asdict(one) for one in robust]} if robust else {}),
        "made_with": {
            "maskforge": RELEASE,
            "python": platform.python_version(),
            **libraries(),
        },
    }
    return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def output_entries(outputs: Sequence[Output]) -> list[dict[str, object]]:
    """What the manifest has of a device's outputs."""
    return [
        {"index": index, "name": one.name, "group": one.group} for index, one in enumerate(outputs)
    ]


def coupling_text(
    basis: Basis, records: Sequence[Record], couplings: NDArray[np.complex128]
) -> str:
    """Launched power as a share of the incident beam: a row a mask, a column a mode, as CSV."""
    return _power_text([mode_name(mode) for mode in basis], records, couplings)


def output_text(
    outputs: Sequence[Output], records: Sequence[Record], couplings: NDArray[np.complex128]
) -> str:
    """The same of what arrives in a device's outputs."""
    return _power_text([one.name for one in outputs], records, couplings)


def _power_text(
    names: Sequence[str], records: Sequence[Record], couplings: NDArray[np.complex128]
) -> str:
    header = ["mask", "target", "orientation_deg", *names]
    powers = (np.abs(couplings) ** 2).tolist()
    rows = [
        [record.index, record.target, record.orientation_deg, *shares]
        for record, shares in zip(records, powers, strict=True)
    ]
    return csv_text(header, rows)
