"""Purity by mode group: the table, and a dot for each mask."""

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np

from maskforge.launch.basis import Counted, groups_of
from maskforge.launch.prediction import insertion_loss_db, unwanted_db
from maskforge.launch.targets import Target
from maskforge.sets.manifest import Record

WIDTH, HEIGHT = 640.0, 190.0
"""Of the drawing's axes."""

HIGHEST = 60.0
"""dB: what is purer lies on the upper edge; no bench of real parts keeps it."""

OWN_POWER = 1e-9
"""Amplitude of a target in a mode from which on the mode's group is one of its own."""


@dataclass(frozen=True)
class GroupRow:
    """A group and the worst and median of its masks; losses in dB, the rest shares."""

    groups: tuple[int, ...]
    count: int
    purity: tuple[float, float]
    group_purity: tuple[float, float]
    loss: tuple[float, float]
    missed: int


@dataclass(frozen=True)
class Dot:
    """A mask in the drawing."""

    x: float
    y: float
    index: int
    reached: bool


@dataclass(frozen=True)
class Strip:
    """A drawing of dots over groups: `columns` (middle, name), `ticks` (y, dB), `asked` y."""

    columns: tuple[tuple[float, str], ...]
    ticks: tuple[tuple[float, str], ...]
    dots: tuple[Dot, ...]
    asked: float


def groups_in(ends: Sequence[Counted], target: Target) -> tuple[int, ...]:
    """The groups of the modes, or outputs, that a target is made of, ascending."""
    own = groups_of(ends)[np.abs(target.vector) > OWN_POWER]
    return tuple(sorted({int(group) for group in own}))


def name_of(groups: tuple[int, ...]) -> str:
    """ "3", or "1 + 3" for a superposition of several groups; "?" where none is known."""
    return " + ".join(str(group) for group in groups) or "?"


def group_rows(masks: Sequence[Record], groups: Sequence[tuple[int, ...]]) -> list[GroupRow]:
    """A row for each group, or each set of groups, ascending."""
    rows = []
    for each in sorted(set(groups)):
        own = [mask for mask, its in zip(masks, groups, strict=True) if its == each]
        purity = [mask.purity for mask in own]
        shared = [mask.group_purity for mask in own]
        loss = [insertion_loss_db(mask.efficiency) for mask in own]
        rows.append(
            GroupRow(
                each,
                len(own),
                (min(purity), median(purity)),
                (min(shared), median(shared)),
                (max(loss), median(loss)),
                sum(not mask.reached for mask in own),
            )
        )
    return rows


def strip_of(masks: Sequence[Record], groups: Sequence[tuple[int, ...]], asked: float) -> Strip:
    """The drawing; `asked`: the purity asked for."""
    kinds = sorted(set(groups))
    step = WIDTH / len(kinds)
    levels = [unwanted_db(mask.purity) for mask in masks]
    asked_db = unwanted_db(asked)
    low = min([*levels, asked_db])
    least = 10.0 * np.floor((max(low, -HIGHEST) - 1) / 10)
    least = float(min(least, HIGHEST - 20))

    def height(decibel: float) -> float:
        return HEIGHT * (HIGHEST - float(np.clip(decibel, least, HIGHEST))) / (HIGHEST - least)

    dots = []
    for at, kind in enumerate(kinds):
        own = [index for index, its in enumerate(groups) if its == kind]
        spread = 0.76 * step / max(len(own) - 1, 1)
        for place, index in enumerate(own):
            # side by side in play order
            x = (at + 0.5) * step + (place - (len(own) - 1) / 2) * min(spread, 9.0)
            mask = masks[index]
            dots.append(Dot(x, height(levels[index]), index, mask.reached))
    marks = np.arange(least, HIGHEST + 1, 10.0 if HIGHEST - least <= 80 else 20.0)
    return Strip(
        columns=tuple(((at + 0.5) * step, name_of(kind)) for at, kind in enumerate(kinds)),
        ticks=tuple((height(mark), f"{mark:g}") for mark in marks),
        dots=tuple(sorted(dots, key=lambda dot: dot.index)),
        asked=height(asked_db),
    )
