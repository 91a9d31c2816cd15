"""For scripts and notebooks: a bench loaded, its masks designed, looked at and written.

import maskforge as mf

bench = mf.load("gi50-1550")
result = mf.design(bench, labels=["LP21"])
result.masks[0].purity
result.write("out/lp21")
"""

import warnings
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from inspect import signature
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from maskforge import bench as benches
from maskforge.base.arguments import number, word
from maskforge.base.errors import BenchError, PurityError, PurityWarning
from maskforge.base.files import replacing
from maskforge.base.ranges import BadValueError
from maskforge.base.wording import listed
from maskforge.bench import Bench
from maskforge.bench.given import bench_given
from maskforge.bench.ready import Prepared, guided_modes, prepared
from maskforge.fiber.modes import RadialMode
from maskforge.launch.apertures import parted
from maskforge.launch.basis import POLARISATIONS, mode_name
from maskforge.launch.couplings import Launch, facet_field, launch_target
from maskforge.launch.fourier import axis
from maskforge.launch.light import Real
from maskforge.launch.modulator import Complex, Levels, emitted
from maskforge.launch.noise_budget import Budget, budget_of, ledger_of
from maskforge.launch.panel import Picture, rendered
from maskforge.launch.prediction import unwanted_db
from maskforge.report.views import LaunchMatrix, MaskSet, SweepAnswer, ToleranceCurves
from maskforge.sets.designing import Finished, finished_masks, processes_for
from maskforge.sets.manifest import (
    LaunchFigures,
    PurityBand,
    Record,
    launch_figures,
    purity_bands,
)
from maskforge.sets.names import SET
from maskforge.sets.opened import opened
from maskforge.sets.writing import head_of, record_of, write_set
from maskforge.study import questions
from maskforge.study.tolerance.one_error import LIMIT
from maskforge.sweep import questions as sweep_questions

VIEW, SAMPLES = 2.5, 161
"""Half width of a facet picture in core radii, and its samples along a side."""


class FacetField(NamedTuple):
    """A field on the facet: `field` (n, n) in 1/m, y up, and `u` (n,), its samples along x and y
    in m from the fibre's axis."""

    field: Complex
    u: Real


@dataclass(frozen=True, eq=False)
class Mask:
    """One designed mask; figures as in the README's conventions, powers as shares of the beam."""

    found: Finished = field(repr=False)
    launch: Launch = field(repr=False)

    def __repr__(self) -> str:
        return f"<Mask {self.name}: purity {self.purity:.6f}, loss {self.loss_db:.3f} dB>"

    def _repr_html_(self) -> str:
        # the plotting library takes longer to load than a small bench to design
        from maskforge.report.notebook import mask_html

        return mask_html(self.record, self.phase, self.facet()[0])

    @cached_property
    def record(self) -> Record:
        """What a set's manifest says of the mask."""
        return record_of(self.found, self.picture)

    @property
    def name(self) -> str:
        """ "LP21 30 deg"."""
        return self.record.name

    @property
    def label(self) -> str:
        return self.record.target

    @property
    def orientation(self) -> float:
        """Degrees, counter-clockwise from +x."""
        return self.record.orientation_deg

    @property
    def purity(self) -> float:
        return self.record.purity

    @property
    def group_purity(self) -> float:
        return self.record.group_purity

    @property
    def efficiency(self) -> float:
        return self.record.efficiency

    @property
    def loss_db(self) -> float:
        """Insertion loss."""
        return self.record.loss_db

    @property
    def unwanted_db(self) -> float:
        """Unwanted power in dB below the target."""
        return unwanted_db(self.purity)

    @property
    def bound(self) -> float | None:
        """No mask of this modulator launches more at `bound_purity`; None: not known."""
        return self.record.bound

    @property
    def bound_purity(self) -> float | None:
        """The purity at which `bound` holds: the asked one, or what was designed for instead."""
        return self.record.bound_purity

    @property
    def bound_asked(self) -> float | None:
        """The same at the asked purity where that was lowered, else None; 0: none is so pure."""
        return self.record.bound_asked

    @property
    def gap(self) -> float | None:
        """1 - efficiency/bound."""
        return self.record.gap

    @property
    def reached(self) -> bool:
        """Whether the asked purity was got; `status` says how it ended."""
        return self.record.reached

    @property
    def status(self) -> str:
        return self.record.status

    @property
    def couplings(self) -> Complex:
        """Complex amplitudes (K,) in the guided modes, in the order of `Result.modes`."""
        return self.found.prediction.couplings

    @property
    def outputs(self) -> Complex | None:
        """Complex amplitudes (J,) at the outputs of the bench's device, in the order of
        `Result.outputs`; None without one.  Purity, efficiency, bound and gap are those there."""
        return self.found.prediction.outputs

    @cached_property
    def own_launch(self) -> LaunchFigures | None:
        """The launch's own figures where the bench has a device; None without one."""
        passage = self.launch.setup.passage
        if passage is None:
            return None
        (figures,) = launch_figures(passage, [self.found.target], self.couplings[None])
        return replace(figures, index=self.found.index)

    @cached_property
    def purity_band(self) -> PurityBand | None:
        """How sure the purity is where the device's matrix has standard errors, else None."""
        passage = self.launch.setup.passage
        if passage is None or passage.errors is None:
            return None
        aim = self.found.design.aim
        assert aim is not None
        (band,) = purity_bands(passage, [self.found.target], self.couplings[None], [aim])
        return replace(band, index=self.found.index)

    @cached_property
    def budget(self) -> Budget:
        """Where all of the beam's power goes, in shares whose sum is 1; behind a device the target
        is the launch that gives it."""
        target = launch_target(self.launch, self.found.target)
        return budget_of(ledger_of(self.launch), target, self.factors, self.couplings)

    @property
    def states(self) -> Levels:
        """Indices (rows, columns) into the modulator's alphabet, y up."""
        return self.found.design.states

    @cached_property
    def factors(self) -> Complex:
        """What the pixels do to the light (rows, columns), y up."""
        return np.asarray(emitted(self.launch.modulator, self.states))

    @property
    def phase(self) -> Real:
        """Phase of the pixels (rows, columns) in rad, y up."""
        return np.angle(self.factors)

    @property
    def picture(self) -> Picture:
        """What the panel gets: grey values (rows, columns), row 0 on top."""
        return rendered(self.launch.modulator, self.states)

    def facet(self, polarisation: str = POLARISATIONS[0]) -> FacetField:
        """The field on the facet, VIEW core radii to either side of the fibre's axis.

        `polarisation`: of a bench with an aperture for each; all light of others counts as "x".
        """
        launch = self.launch
        known = POLARISATIONS[: len(launch.apertures)]
        place = known.index(word("polarisation", polarisation, known))
        u = axis(SAMPLES, 2 * VIEW * launch.core_radius / (SAMPLES - 1))
        own = parted(self.factors, len(known))[place]
        field = facet_field(launch.apertures[place], own, u, u)
        if launch.halves:
            field = launch.setup.halves[place].amplitude * field
        return FacetField(field, u)


@dataclass(frozen=True, eq=False)
class Result:
    """The masks of a bench in play order, and what they share."""

    ready: Prepared = field(repr=False)
    masks: tuple[Mask, ...]

    @property
    def bench(self) -> Bench:
        return self.ready.bench

    @property
    def launch(self) -> Launch:
        return self.ready.launch

    @property
    def modes(self) -> tuple[str, ...]:
        """Names of the guided modes, as in "LP21 cos"."""
        return tuple(mode_name(mode) for mode in self.launch.basis)

    @property
    def outputs(self) -> tuple[str, ...]:
        """Names of the device's outputs; none without one."""
        passage = self.launch.setup.passage
        return () if passage is None else tuple(one.name for one in passage.outputs)

    @property
    def couplings(self) -> Complex:
        """Complex couplings (masks, K)."""
        return np.array([mask.couplings for mask in self.masks])

    @property
    def matrix(self) -> NDArray[np.float64]:
        """Launched power (masks, K) as a share of the beam."""
        return np.abs(self.couplings) ** 2

    @property
    def launch_matrix(self) -> LaunchMatrix:
        """The same with names, which shows itself in a notebook."""
        return LaunchMatrix(self.matrix, tuple(mask.name for mask in self.masks), self.modes)

    def __len__(self) -> int:
        return len(self.masks)

    def __iter__(self) -> Iterator[Mask]:
        return iter(self.masks)

    def _repr_html_(self) -> str:
        from maskforge.report.notebook import table_html

        return table_html([mask.record for mask in self.masks])

    def write(self, folder: str | Path) -> Path:
        """Writes the masks as a set, as `maskforge design` does; OutputError where it cannot."""
        out = Path(folder)
        with replacing(out, SET) as temporary:
            write_set(temporary, head_of(self.ready, out), [mask.found for mask in self.masks])
        return out


def read(folder: str | Path) -> MaskSet:
    """The finished set in a folder; BenchError, one line, where there is none."""
    return MaskSet(opened(folder))


def tolerance(
    source: "str | Path | Bench | Result | MaskSet",
    *,
    limit: float = LIMIT,
    deviations: Mapping[str, float] | None = None,
    draws: int | None = None,
    seed: int = 0,
    jobs: int = 1,
    device: str = "auto",
) -> ToleranceCurves:
    """What errors cost a set, a `Result`, or a bench's masks; see `study.questions.tolerance`.

    `limit`: the loss of purity that errors are measured by; `deviations`: standard deviations, as
    {"fiber_offset_um": 0.3}, all drawn at once too, `draws` (a power of 2) times.
    """

    def asked(what: object) -> ToleranceCurves:
        found = questions.tolerance(
            what,  # type: ignore[arg-type]
            limit=limit,
            deviations=deviations,
            draws=draws,
            seed=seed,
            jobs=jobs,
            device=device,
        )
        return ToleranceCurves(**vars(found))

    if not isinstance(source, Result):
        return asked(source)
    with TemporaryDirectory(prefix="maskforge-", ignore_cleanup_errors=True) as folder:
        return asked(source.write(Path(folder) / "set"))


def answer(source: "str | Path | MaskSet", readings: str | Path, **question: object) -> SweepAnswer:
    """What a device does to each label and mode group, from a sweep's readings.

    `question`: `playlist`, `isolation_db`, `by`, `beam_mw`, `per_launched`, `trust`, `mixing`,
    `draws`, `seed`, `strict`, as `maskforge readings sweep` has them (the last shares of 1).
    """
    known = signature(sweep_questions.answer).parameters
    for name in question:
        if name not in known:
            raise BenchError(f"{name}: no such word; there are {', '.join(list(known)[2:])}")
    found = sweep_questions.answer(source, readings, **question)  # type: ignore[arg-type]
    return SweepAnswer(**vars(found))


def load(bench: str | Path) -> Bench:
    """The bench of a preset's name or of a TOML file; BenchError, one line, where it is none."""
    return bench_given(bench)


def modes(bench: Bench | str | Path) -> tuple[RadialMode, ...]:
    """The guided modes of a bench's fibre with their figures (n_eff, delay, areas)."""
    loaded = bench_given(bench)
    return tuple(guided_modes(loaded, loaded.fiber.groups))


def design(
    bench: Bench | str | Path,
    *,
    labels: Sequence[str] | None = None,
    orientations: int | None = None,
    method: str | None = None,
    purity: float | None = None,
    jobs: int = 1,
    device: str = "auto",
    strict: bool = False,
) -> Result:
    """Designs a bench's masks; what is given replaces the bench's own.

    `jobs`: processes; a script that asks for more than one needs `if __name__ == "__main__":`.
    `device`: where pixels are worked on, `cpu`, `cuda` (a GPU) or `auto`: cuda for large masks.
    Raises BenchError, one line, for what cannot be used.  Where masks are less pure than asked it
    warns (PurityWarning); with `strict` it raises PurityError, whose `result` has them all.
    """
    crew = int(number("jobs", jobs, questions.JOBS))
    given = benches.override(
        bench_given(bench), method=method, labels=labels, orientations=orientations, purity=purity
    )
    try:
        ready = prepared(given, device)
    except BadValueError as problem:
        raise BenchError(f"{problem.key} = {problem.value}: {problem.text}") from None
    most = processes_for(len(ready.targets), pixels=ready.launch.incident.size)
    found = finished_masks(ready, jobs=min(crew, most))
    result = Result(ready, tuple(Mask(mask, ready.launch) for mask in found))
    short = [mask.name for mask in result.masks if not mask.reached]
    if short:
        told = f"less pure than {given.design.purity:g}: {listed(short)}"
        if strict:
            raise PurityError(told, result)
        warnings.warn(told, PurityWarning, stacklevel=2)
    return result
