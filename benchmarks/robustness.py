"""What a robust design costs in light, and what it buys when the fibre moves.

Each target is designed once for the fibre in its place and once for a box of fibre offsets, asked
for the same purity; then the fibre is put at random places, the same for both, and every launch is
predicted by the full model.

    python benchmarks/robustness.py

prints a line a target: bounds, purity in the worst corner of the box and in the median of the
random places.  The nominal bound is of the efficiency, the robust one of the squared mean
amplitude over the box.  All numbers are those of one run.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from maskforge import bench as benches
from maskforge.bench.ready import prepared
from maskforge.launch.couplings import Launch, moved, predict
from maskforge.launch.modulator import emitted
from maskforge.launch.targets import Target
from maskforge.methods.problem import Design
from maskforge.sets.designing import finished_masks

PLACES, DEVIATION_UM = 200, 0.3
"""Random places of the fibre, and their standard deviation along each axis."""

CASES: tuple[tuple[str, str, float, float], ...] = (
    ("few-mode-1310", "LP11", 0.98, 0.5),
    ("few-mode-1310", "LP02", 0.98, 0.5),
    ("gi50-1550", "LP21", 0.99, 0.2),
    ("gi50-1550", "LP33", 0.99, 0.2),
)
"""Preset, label, purity asked, half width of the box in um."""


@dataclass(frozen=True, eq=False)
class Made:
    """A mask, its target, and the launch it was designed for."""

    launch: Launch
    target: Target
    design: Design

    def purity_at(self, x_um: float, y_um: float) -> float:
        there = moved(self.launch, x_um * 1e-6, y_um * 1e-6)
        factors = emitted(there.modulator, self.design.states)
        return predict(there, self.target, factors).purity


def made(preset: str, label: str, purity: float, box_um: float) -> Made:
    whole: Mapping[str, Any] = benches.resolved(benches.load(preset, labels=[label]))
    keys = {**whole["design"], "purity": purity, "fiber_offset_um": [box_um, box_um]}
    bench = benches.from_dict({**whole, "design": keys}, preset)
    ready = prepared(benches.override(bench, orientations=1))
    (mask,) = finished_masks(ready)
    return Made(ready.launch, mask.target, mask.design)


def main() -> None:
    places = DEVIATION_UM * np.random.default_rng(0).normal(size=(PLACES, 2))
    print(
        f"{PLACES} random places of the fibre, {DEVIATION_UM:g} um rms along each axis\n"
        "bench          target  asked    box um  design   bound %  worst corner %  median %  5 %"
    )
    for preset, label, purity, box in CASES:
        for name, half in (("nominal", 0.0), ("robust", box)):
            one = made(preset, label, purity, half)
            known = one.design.robust
            bound = known.bound if known is not None else one.design.bound
            corners = [one.purity_at(x, y) for x in (-box, box) for y in (-box, box)]
            found = [one.purity_at(x, y) for x, y in places]
            print(
                f"{preset:<14} {label:<7} {purity:<8g} {box:<7g} {name:<8} "
                f"{100 * (bound or 0.0):7.2f} {100 * min(corners):15.3f} "
                f"{100 * np.median(found):9.3f} {100 * np.quantile(found, 0.05):7.3f}"
            )


if __name__ == "__main__":
    main()
