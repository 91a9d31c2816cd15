"""A set of masks as files: the stack, the manifest, the tables and the couplings.

masks.tif     one page a mask in play order, a pixel being the grey value that the panel gets
manifest.json the bench written out, the guided modes, and of every mask what it launches
coupling.csv  launched power of every mask in every guided mode, as a share of the incident beam
coupling.npz  the complex couplings (masks, modes), key `couplings`; behind a device also `outputs`
output.csv    behind a device: what arrives of every mask in every output, as coupling.csv
masks.csv     the manifest's table of masks
certificate.npz  where masks have a proven bound: the proofs, see `certificate`
inputs/       the data files of the bench, where it has some
robust.npz    of masks for several scenarios: the proofs of their own bounds, see `robust_proofs`
SHA256SUMS    the digests of all of them, see `digests`

Masks and pages count from 0.  The same masks on the same bench give the same bytes.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from maskforge import bench as benches
from maskforge.base.csv_text import finite
from maskforge.base.files import telling
from maskforge.bench import Safety
from maskforge.bench.ready import Prepared
from maskforge.launch.basis import Basis
from maskforge.launch.modulator import Complex, Modulator
from maskforge.launch.panel import rendered
from maskforge.launch.passage import Output, Passage
from maskforge.launch.prediction import unwanted_db
from maskforge.methods.problem import NEAR_PHASES, Robust, gap_of
from maskforge.sets.certificate import Proven, certificate, proofs_of
from maskforge.sets.designing import Finished
from maskforge.sets.digests import write_sums
from maskforge.sets.inputs import Input, bench_with, inputs_of
from maskforge.sets.manifest import (
    LaunchFigures,
    PurityBand,
    Record,
    RobustFigures,
    ScenarioFigures,
    coupling_text,
    launch_figures,
    manifest_text,
    output_text,
    purity_bands,
)
from maskforge.sets.mask_columns import records_text
from maskforge.sets.names import (
    CERTIFICATE,
    COUPLINGS,
    INPUTS,
    MANIFEST,
    OUTPUTS,
    ROBUST,
    STACK,
)
from maskforge.sets.robust_proofs import proof_arrays
from maskforge.sets.stack import Over, Page, Picture, page_of, pixel_hash, stack


@dataclass(frozen=True, eq=False)
class Head:
    """What the masks of a set share.

    `out`: the folder where the set will lie, for error lines.  `bench`: written out and ready for
    JSON, its paths starting at `out`.  `count`: how many masks will come.  `name`: of the bench.
    `inputs`: its data files, which `bench` names as they will lie in the set.  `safety`: its power
    figures.
    """

    out: Path
    bench: Mapping[str, Any]
    modulator: Modulator
    basis: Basis
    count: int
    name: str | None = None
    inputs: tuple[Input, ...] = ()
    safety: Safety | None = None
    passage: Passage | None = None
    """The bench's device."""


def head_of(ready: Prepared, out: Path) -> Head:
    """The head of a prepared bench's set that will lie in `out`.

    Raises BenchError where a data file of the bench is gone or was changed since it was read.
    """
    inputs = inputs_of(ready.bench)
    return Head(
        out=out,
        bench=bench_with(ready.bench, inputs, out.resolve()),
        modulator=ready.launch.modulator,
        basis=ready.launch.basis,
        count=len(ready.targets),
        name=ready.bench.name,
        inputs=inputs,
        safety=benches.safety(ready.bench),
        passage=ready.launch.setup.passage,
    )


@dataclass(frozen=True, eq=False)
class Leaf:
    """What goes into a set's files of one mask."""

    record: Record
    page: Page
    couplings: Complex
    proven: Proven
    robust: Robust | None
    aim: float
    """The purity that it was designed for, by a device's matrix as measured."""


def leaf_of(modulator: Modulator, mask: Finished, over: Over = map) -> Leaf:
    """The leaf of a finished mask; `over` as of `page_of`."""
    picture = rendered(modulator, mask.design.states)
    return Leaf(
        record=record_of(mask, picture),
        page=page_of(picture, over),
        couplings=mask.prediction.couplings,
        proven=proofs_of(mask.target, mask.design),
        robust=mask.design.robust,
        aim=math.nan if mask.design.aim is None else mask.design.aim,
    )


def write_set(folder: Path, head: Head, masks: Iterable[Finished]) -> tuple[Record, ...]:
    """Writes a set into an empty `files`, each mask as it comes, in play order.

    Only records, couplings and certificates stay in memory.  Raises OutputError where a file
    cannot be written, and whatever `masks` raises.
    """
    return write_leaves(folder, head, (leaf_of(head.modulator, mask) for mask in masks))


def write_leaves(folder: Path, head: Head, leaves: Iterable[Leaf]) -> tuple[Record, ...]:
    """The same from what was made ready for the files."""
    records: list[Record] = []
    couplings: list[Complex] = []
    proven: list[Proven] = []
    robust: list[tuple[int, Robust]] = []
    aims: list[float] = []
    rows, columns = head.modulator.panel
    size = head.count * rows * columns * head.modulator.alphabet.bits // 8
    with stack(folder / STACK, size, head.out / STACK) as append:
        for leaf in leaves:
            append(leaf.page, leaf.record.name)
            records.append(leaf.record)
            if leaf.robust is not None:
                robust.append((leaf.record.index, leaf.robust))
            couplings.append(leaf.couplings)
            proven.append(leaf.proven)
            aims.append(leaf.aim)
    table = np.array(couplings).reshape(len(records), len(head.basis))
    arrays, passage = {"couplings": table}, head.passage
    outputs: Sequence[Output] = ()
    launches: Sequence[LaunchFigures] = ()
    bands: Sequence[PurityBand] = ()
    if passage is not None:
        outputs, arrays["outputs"] = passage.outputs, passage.through(table)
        targets = [target for target, _ in proven]
        launches = launch_figures(passage, targets, table)
        bands = purity_bands(passage, targets, table, aims)
    texts = {
        MANIFEST: manifest_text(
            head.bench,
            head.basis,
            records,
            [_robust_figures(*one) for one in robust],
            head.name,
            head.safety,
            outputs=outputs,
            launches=launches,
            bands=bands,
        ),
        "masks.csv": records_text(records),
        "coupling.csv": coupling_text(head.basis, records, table),
    }
    if passage is not None:
        texts[OUTPUTS] = output_text(outputs, records, arrays["outputs"])
    for one in head.inputs:
        with telling(head.out / one.name):
            (folder / INPUTS).mkdir(exist_ok=True)
            (folder / one.name).write_bytes(one.content)
    for file, text in texts.items():
        with telling(head.out / file):
            (folder / file).write_text(text, encoding="utf-8", newline="")
    with telling(head.out / COUPLINGS):
        np.savez(folder / COUPLINGS, **arrays)  # type: ignore[arg-type]
    if any(proofs for _, proofs in proven):
        with telling(head.out / CERTIFICATE):
            np.savez(folder / CERTIFICATE, **certificate(proven))
    if robust:
        with telling(head.out / ROBUST):
            np.savez(folder / ROBUST, **proof_arrays(robust))  # type: ignore[arg-type]
    write_sums(folder, head.out)
    return tuple(records)


def record_of(mask: Finished, picture: Picture) -> Record:
    """The figures of a finished mask, which the panel gets as `picture`."""
    found, made = mask.prediction, mask.design
    return Record(
        index=mask.index,
        page=mask.index,
        target=mask.target.name,
        orientation_deg=float(mask.target.orientation),
        method=made.method,
        purity=float(found.purity),
        group_purity=float(found.group_purity),
        efficiency=float(found.efficiency),
        bound=finite(made.bound),
        bound_purity=None if made.certificate is None else float(made.certificate.purity),
        gap=gap_of(found.efficiency, made.bound),
        bound_asked=finite(made.bound_asked),
        unwanted_db=finite(unwanted_db(found.purity)),
        sha256=pixel_hash(picture),
        reached=bool(made.reached),
        status=made.status,
    )


def _robust_figures(index: int, known: Robust) -> RobustFigures:
    """The figures over its scenarios of the mask `index`."""
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
