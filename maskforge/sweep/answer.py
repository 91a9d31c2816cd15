"""The answer of a sweep: the labels at the ports, the launch taken out, what the device does."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from maskforge.base.errors import BenchError
from maskforge.base.wording import one_line
from maskforge.launch.light import Real
from maskforge.sweep.deembed import (
    DRAWS,
    SEED,
    TRUST,
    DeviceModel,
    SolvedDevice,
    deembedded,
    group_transmission,
    model_of,
    raw_transmission,
    way_for,
)
from maskforge.sweep.groups import (
    GroupPair,
    RollOff,
    group_delays,
    guard_band,
    isolations,
    pairs_of,
    roll_off,
)
from maskforge.sweep.labels import Figures, courses_of, decibel, figures_of
from maskforge.sweep.launched import Launched
from maskforge.sweep.passes import SweepReadings, blocks_of
from maskforge.sweep.together import Mixing

ISOLATION_DB = 20.0

BAND = (2.5, 97.5)
"""Per cent: the 95 % interval that a bootstrap's draws are told by."""


@dataclass(frozen=True)
class Question:
    """What is asked of a sweep.

    `isolation` in dB that two channels need; `way` of de-embedding, one of deembed.WAYS, None: what
    the set resolves; `beam_mw`: power of the beam before the modulator, None: the bench's, or
    unknown; `per_launched`: powers of labels as shares of what is launched, else in mW; `trust`:
    relative standard deviation of the predicted powers; `mixing`: what is assumed of what labels
    do together.
    """

    isolation: float = ISOLATION_DB
    way: str | None = None
    beam_mw: float | None = None
    per_launched: bool = True
    draws: int = DRAWS
    seed: int = SEED
    trust: float = TRUST
    mixing: Mixing = field(default_factory=Mixing)


@dataclass(frozen=True, eq=False)
class AnswerSide:
    """Raw or corrected: `share` (groups, ports) that arrives of what is launched, `draws` (draws,
    groups, ports) of the bootstrap, none where there is none."""

    share: Real
    draws: Real

    @property
    def level(self) -> Real:
        """(groups, ports) in dB."""
        return decibel(self.share)

    @property
    def isolation(self) -> Real:
        """Each group's port over the next strongest (groups,) in dB."""
        return isolations(self.share, self.own)

    @property
    def own(self) -> NDArray[np.intp]:
        """The port (groups,) that gets most of each group."""
        return np.asarray(np.argmax(self.share, axis=-1))

    def unsure(self) -> NDArray[np.intp]:
        """Places of the groups whose isolation is no larger than half its interval."""
        band = self.band(isolation=True)
        if band is None:
            return np.zeros(0, dtype=np.intp)
        with np.errstate(invalid="ignore"):
            half = (band[1] - band[0]) / 2
        return np.flatnonzero(~(half < np.abs(self.isolation)) & np.isfinite(self.isolation))

    def band(self, *, isolation: bool = False) -> Real | None:
        """Low and high end (2, groups, ports), or (2, groups) of the isolation, in dB; or None."""
        if not len(self.draws):
            return None
        values = isolations(self.draws, self.own) if isolation else decibel(self.draws)
        return np.asarray(np.percentile(values, BAND, axis=0, method="nearest"))


@dataclass(frozen=True, eq=False)
class Answer:
    """A sweep's answer; ports and groups by their places in `ports` and `groups`.

    `absolute`: the beam's power was known; else transmissions are relative to the best group's
    total.  `delays` (groups,) in s/m.  `pairs`, best first, and `guard` are those of `corrected`.
    """

    question: Question
    readings: SweepReadings
    launched: Launched
    ports: tuple[str, ...]
    labels: tuple[Figures, ...]
    groups: tuple[int, ...]
    raw: AnswerSide
    corrected: AnswerSide
    model: DeviceModel
    solved: SolvedDevice
    absolute: bool
    way: str
    roll_offs: tuple[RollOff, ...]
    guard: tuple[int, ...]
    pairs: tuple[GroupPair, ...]
    delays: Real


def answered(readings: SweepReadings, launched: Launched, question: Question) -> Answer:
    """The answer; BenchError where the readings hold none."""
    launched = _read(readings, launched)
    beam = question.beam_mw or launched.power_mw
    masks = len(launched.efficiency)
    blocks = blocks_of(readings, masks)
    way = question.way or way_for(launched)
    model = model_of(launched, way)
    watts = beam or 1.0
    scaled = replace(blocks, total=blocks.total / watts)
    solved, drawn = deembedded(
        model,
        scaled,
        draws=question.draws,
        seed=question.seed,
        trust=question.trust,
        mixing=question.mixing,
    )
    groups = tuple(sorted({int(g) for g in model.groups[model.aimed]}))
    power = scaled.means(np.ones((1, len(blocks.count))))[0]
    raw = AnswerSide(_raw(power, launched, groups), _raw(drawn, launched, groups))
    corrected = AnswerSide(
        _corrected(solved.transmission, model, groups), _corrected(solved.draws, model, groups)
    )
    unit = 1.0
    if beam is None:
        unit = float(corrected.share.sum(axis=1).max()) or 1.0
        raw, corrected = (AnswerSide(x.share / unit, x.draws / unit) for x in (raw, corrected))
        solved = replace(solved, transmission=solved.transmission / unit, draws=solved.draws / unit)
    scale = launched.efficiency * watts * unit if question.per_launched else np.ones(masks)
    labels = [figures_of(c) for c in courses_of(readings, launched.labels, scale) if c.time.size]
    delays = group_delays(launched.basis, groups)
    return Answer(
        question=question,
        readings=readings,
        launched=launched,
        ports=readings.ports,
        labels=tuple(labels),
        groups=groups,
        raw=raw,
        corrected=corrected,
        model=model,
        solved=solved,
        absolute=beam is not None,
        way=way,
        roll_offs=tuple(roll_off(groups, level) for level in corrected.level.T),
        guard=guard_band(groups, corrected.isolation, question.isolation),
        pairs=pairs_of(groups, corrected.level, delays, question.isolation),
        delays=delays,
    )


def _read(readings: SweepReadings, launched: Launched) -> Launched:
    """The launches with those labels alone of which a mask was read."""
    seen = set(np.unique(readings.mask).tolist())
    labels = tuple(label for label in launched.labels if seen & set(label.masks.tolist()))
    if not labels:
        raise BenchError(one_line(f"{readings.path}: holds no reading of a mask"))
    if not np.any(readings.power):
        raise BenchError(one_line(f"{readings.path}: every power is 0"))
    return replace(launched, labels=labels)


def _raw(power: Real, launched: Launched, groups: Sequence[int]) -> Real:
    labels = launched.labels
    each = raw_transmission(power, labels, launched.efficiency)
    of: NDArray[np.intp] = np.array([label.group for label in labels])
    modes: NDArray[np.intp] = np.array([label.modes for label in labels])
    return group_transmission(each, of, modes, groups)


def _corrected(values: Real, model: DeviceModel, groups: Sequence[int]) -> Real:
    return group_transmission(
        values[..., model.aimed, :], model.groups[model.aimed], model.modes[model.aimed], groups
    )
