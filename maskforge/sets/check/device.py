"""What a set says of the device behind its fibre, held against its bench and its couplings."""

from collections.abc import Iterator
from dataclasses import asdict, replace

import numpy as np

from maskforge.base.errors import BenchError
from maskforge.base.wording import shown
from maskforge.launch.passage import Passage
from maskforge.methods.at_edge import EDGE
from maskforge.sets.check.claims import Claims, Complaint
from maskforge.sets.manifest import (
    LaunchFigures,
    PurityBand,
    Record,
    launch_figures,
    purity_bands,
)
from maskforge.sets.names import COUPLINGS, MANIFEST
from maskforge.sets.reading import couplings_of

SAME = 1e-9
"""How far a coupling, and a figure of the launch, may be off."""


def device_problems(claims: Claims) -> Iterator[Complaint]:
    """Outputs that are not the device's, and what arrives there, or is launched, otherwise."""
    written, passage = claims.written, claims.launch.setup.passage
    if list(written.outputs) != claims.outputs:
        told, own = shown(list(written.outputs)), shown(claims.outputs)
        yield Complaint(None, f"{MANIFEST}: outputs = {told}, the bench's device has {own}")
        return
    if passage is None:
        if written.launches:
            yield Complaint(None, f"{MANIFEST}: launches: are there, and the bench has no device")
        return
    if len(written.launches) != len(written.masks):
        yield Complaint(None, f"{MANIFEST}: launches: must have an object for each mask")
        return
    if bool(written.bands) != (passage.errors is not None):
        told = "are not there, and" if passage.errors is not None else "are there, and no entry of"
        yield Complaint(
            None, f"{MANIFEST}: purity_bands: {told} the device's matrix has standard errors"
        )
        return
    if claims.couplings is None or not claims.same_modes:
        return
    try:
        stated = couplings_of(written, "outputs")
    except BenchError as error:
        yield Complaint(None, str(error))
        return
    found = passage.through(claims.couplings)
    for at, mask in enumerate(written.masks):
        distance = np.abs(stated[at] - found[at])
        worst = int(np.argmax(distance))
        if not distance[worst] <= SAME:
            yield Complaint(
                mask,
                f"outputs in {COUPLINGS} have {stated[at, worst]:.6g} of "
                f"{passage.outputs[worst].name}, its couplings through the device's matrix "
                f"{found[at, worst]:.6g}",
            )
        yield from _figures_off(claims, passage, at)


def _figures_off(claims: Claims, passage: Passage, at: int) -> Iterator[Complaint]:
    """The launch's own figures of a mask and its band, where they are not those of its
    couplings."""
    written, mask = claims.written, claims.written.masks[at]
    target = claims.targets.get((mask.target, mask.orientation_deg))
    if target is None or claims.couplings is None:
        return
    one = claims.couplings[at : at + 1]
    with np.errstate(all="ignore"):  # a damaged file may hold any number
        (own,) = launch_figures(passage, [target], one)
        yield from _off(mask, "launches", written.launches[at], own)
        if written.bands:
            stated = written.bands[at]
            yield from _aim_off(claims, mask, stated.designed_for)
            (band,) = purity_bands(passage, [target], one, [stated.designed_for])
            yield from _off(mask, "purity_bands", stated, band)


def _aim_off(claims: Claims, mask: Record, aim: float) -> Iterator[Complaint]:
    """A purity that is said to be designed for, where it is not what the bench asks for: that
    itself, or more of it where the errors of the matrix count."""
    asked, raised = claims.bench.design.purity, claims.bench.device.purity_at in EDGE
    if not asked - SAME <= aim < (1 if raised else asked + SAME):
        yield Complaint(
            mask,
            f"purity_bands designed_for {aim:.12g} in {MANIFEST}, the bench asks for {asked:.12g}",
        )


def _off(
    mask: Record, what: str, stated: LaunchFigures | PurityBand, own: LaunchFigures | PurityBand
) -> Iterator[Complaint]:
    for key, value in asdict(replace(own, index=mask.index)).items():
        told = getattr(stated, key)
        if not abs(told - value) <= SAME:
            yield Complaint(
                mask, f"{what} {key} {told:.12g} in {MANIFEST}, {value:.12g} by {COUPLINGS}"
            )
