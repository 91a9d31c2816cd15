"""What a set says of the device behind its fibre, held against its bench and its couplings."""

from collections.abc import Iterator
from dataclasses import asdict

import numpy as np

from maskforge.base.errors import BenchError
from maskforge.base.wording import shown
from maskforge.launch.passage import Passage
from maskforge.sets.check.claims import Claims, Complaint
from maskforge.sets.manifest import launch_figures
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
    """The launch's own figures of a mask, where they are not those of its couplings."""
    mask, stated = claims.written.masks[at], claims.written.launches[at]
    target = claims.targets.get((mask.target, mask.orientation_deg))
    if target is None or claims.couplings is None:
        return
    with np.errstate(all="ignore"):  # a damaged file may hold any number
        (own,) = launch_figures(passage, [target], claims.couplings[at : at + 1])
    if stated.index != mask.index:
        yield Complaint(mask, f"launches index {stated.index} in {MANIFEST}, must be {mask.index}")
    for key, value in asdict(own).items():
        told = getattr(stated, key)
        if key != "index" and not abs(told - value) <= SAME:
            yield Complaint(
                mask, f"launches {key} {told:.12g} in {MANIFEST}, {value:.12g} by {COUPLINGS}"
            )
