"""A play list: which frame the bench shows when, in which order, with which references.

`entries` makes the steps and is pure; `playlist_file` writes and reads them as files.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from difflib import get_close_matches
from fractions import Fraction
from itertools import islice, pairwise
from typing import Annotated

import numpy as np
from pydantic import PlainValidator

from maskforge.base.ranges import BadValueError, Choice, Range, Text
from maskforge.base.wording import SHOWN_NAMES, some_of

ORDERS = ("mode", "orientation", "shuffled")
"""All orientations of a label, then the next label; all labels in their first orientation, then in
their second; by chance, so that drift does not pass for a modal effect."""

DWELL_MS, SETTLE_MS = 20.0, 10.0
"""Defaults; common practice, no source: a detector's integration, and liquid crystal at rest."""

SEED = 0

MOST_STEPS = 100_000
"""A file of some 28 MB; whoever needs more plays a list several times."""

SAME_DEG = 0.01
"""Two orientations of a label are further apart than twice this up to l = 25, and what a table of
six digits shows is nearer than this to what it stands for."""

ANGLE = Range(-3600, 3600, "deg")

TIMES: Mapping[str, Range] = {
    "dwell_ms": Range(0.01, 1e6, "ms"),
    "settle_ms": Range(0, 1e6, "ms"),
    "frame_rate_hz": Range(0.1, 1e6, "Hz"),
}
"""What the keys of `Timing` may hold; a frame rate may also be None."""


@dataclass(frozen=True)
class Timing:
    """How long a step takes.  Raises BadValueError, which names the key.

    `dwell_ms`: how long the detector integrates; `settle_ms`: how long the modulator settles
    before the light counts.  With `frame_rate_hz` frames change at multiples of its period only.
    """

    dwell_ms: float = DWELL_MS
    settle_ms: float = SETTLE_MS
    frame_rate_hz: float | None = None

    def __post_init__(self) -> None:
        for key, value in asdict(self).items():
            if value is None and key == "frame_rate_hz":
                continue
            try:
                TIMES[key](value)
            except BadValueError as problem:
                raise BadValueError(problem.text, key, value) from None

    @property
    def periods(self) -> int | None:
        """Frame periods that a step takes; None without a frame rate."""
        if self.frame_rate_hz is None:
            return None
        return math.ceil(self._needed * _decimal(self.frame_rate_hz))

    @property
    def step(self) -> Fraction:
        """Seconds from one step to the next, exact: rounding must not cost a frame."""
        if self.periods is None or self.frame_rate_hz is None:
            return self._needed
        return self.periods / _decimal(self.frame_rate_hz)

    @property
    def _needed(self) -> Fraction:
        return (_decimal(self.settle_ms) + _decimal(self.dwell_ms)) / 1000


def _decimal(value: float) -> Fraction:
    """The number that was written: 0.1 is a tenth."""
    return Fraction(str(value))


def _share(value: object) -> float:
    if isinstance(value, float) and 1 < value < 1 + 1e-9:
        return value  # rounding may leave a pure mask a few digits above
    return Range(0, 1)(value)


def _flag(value: object) -> bool:
    if not isinstance(value, bool):
        raise BadValueError("must be true or false")
    return value


Name = Annotated[str, PlainValidator(Text(255))]
Number = Annotated[int, PlainValidator(Range(0, 10**9, whole=True))]
Plane = Annotated[int, PlainValidator(Range(0, 23, whole=True))]
Angle = Annotated[float, PlainValidator(ANGLE)]
Share = Annotated[float, PlainValidator(_share)]
Seconds = Annotated[float, PlainValidator(Range(0, 1e12, "s"))]
DwellTime = Annotated[float, PlainValidator(TIMES["dwell_ms"])]


@dataclass(frozen=True)
class PlayedFrame:
    """What the modulator can be told to show: a page of a file, or a plane of a colour picture.

    `page` is None where the file has none, `plane` (0 to 23, a bit of an RGB pixel) None where a
    pixel belongs to one mask.  `mask`: the index in the set or the pack; purity and efficiency are
    shares.
    """

    file: Name
    page: Number | None
    plane: Plane | None
    mask: Number
    target: Name
    orientation_deg: Angle
    purity: Share
    efficiency: Share

    @property
    def name(self) -> str:
        """As an option takes it: "LP11@15"."""
        return f"{self.target}@{self.orientation_deg:g}"


@dataclass(frozen=True)
class _Step:
    """When a frame is shown: the columns before its own."""

    step: Number
    time_s: Seconds
    dwell_ms: DwellTime


@dataclass(frozen=True)
class PlayedMask(PlayedFrame, _Step):
    """One step of a play list: its frame is shown at `time_s` from the start, until the next one.

    The light counts for `dwell_ms`, once the modulator has settled.
    """

    reference: Annotated[bool, PlainValidator(_flag)]


# --- what is shown when ----------------------------------------------------------------------


def entries(
    masks: Sequence[PlayedFrame],
    order: str,
    seed: int | None,
    repeat: int,
    reference: PlayedFrame | None,
    every: int | None,
    timing: Timing,
) -> tuple[PlayedMask, ...]:
    """The steps that show every mask `repeat` times, in one of ORDERS.

    `seed` starts the shuffling; each pass is shuffled anew.  `reference` is shown first, last and
    after every `every` frames of the masks (None: first and last only).  Raises BadValueError,
    which names the key, where an order is not known, shuffling lacks a seed, or there are more
    than MOST_STEPS steps.
    """
    try:
        Choice(ORDERS)(order)
    except BadValueError as problem:
        raise BadValueError(problem.text, "order", order) from None
    if order == "shuffled" and seed is None:
        raise BadValueError("must be a whole number where the order is shuffled", "seed")
    shown = _referenced(_passes(masks, order, seed, repeat), reference, every)
    sequence = list(islice(shown, MOST_STEPS + 1))
    if len(sequence) > MOST_STEPS:
        raise BadValueError(
            f"makes more than {MOST_STEPS} steps; play a shorter list several times",
            "repeat",
            repeat,
        )
    length = timing.step
    return tuple(
        PlayedMask(
            step=step,
            time_s=float(step * length),
            dwell_ms=float(timing.dwell_ms),
            **vars(frame),
            reference=marked,
        )
        for step, (frame, marked) in enumerate(sequence)
    )


def longest_between_references(steps: Sequence[PlayedMask]) -> float | None:
    """Seconds from one reference to the next, at most; None where there are none."""
    times = [entry.time_s for entry in steps if entry.reference]
    return max((later - one for one, later in pairwise(times)), default=None)


def _passes(
    masks: Sequence[PlayedFrame], order: str, seed: int | None, repeat: int
) -> Iterator[PlayedFrame]:
    noise = np.random.default_rng(seed)
    ordered = _by_label(masks, interleaved=order == "orientation")
    for _ in range(repeat):
        if order == "shuffled":
            yield from (masks[place] for place in noise.permutation(len(masks)))
        else:
            yield from ordered


def _by_label(masks: Sequence[PlayedFrame], *, interleaved: bool) -> list[PlayedFrame]:
    """Label after label; interleaved: the first of every label, then the second of every label."""
    labels: dict[str, list[PlayedFrame]] = {}
    for mask in masks:
        labels.setdefault(mask.target, []).append(mask)
    if not interleaved:
        return [mask for own in labels.values() for mask in own]
    most = max(map(len, labels.values()), default=0)
    return [own[k] for k in range(most) for own in labels.values() if k < len(own)]


def _referenced(
    sequence: Iterator[PlayedFrame], reference: PlayedFrame | None, every: int | None
) -> Iterator[tuple[PlayedFrame, bool]]:
    """The frames, and whether each is a reference."""
    if reference is None:
        yield from ((frame, False) for frame in sequence)
        return
    yield reference, True
    for place, frame in enumerate(sequence):
        if every is not None and place and place % every == 0:
            yield reference, True
        yield frame, False
    yield reference, True


# --- the reference ---------------------------------------------------------------------------


def reference_of(masks: Sequence[PlayedFrame], text: str) -> PlayedFrame:
    """The one mask of a label, "LP01", or of a label and an orientation in degrees, "LP11@15".

    Raises BadValueError, which names masks that are near, where there is none or several.
    """
    found = [mask for mask in masks if mask.target == text]
    label, _, angle = text.rpartition("@")
    if not found and label:
        found = _turned([mask for mask in masks if mask.target == label], angle, text)
    if len(found) == 1:
        return found[0]
    if found:
        names = some_of([mask.name for mask in found])
        raise BadValueError(f"{len(found)} masks; say which, as in {names}", "reference", text)
    labels = list(dict.fromkeys(mask.target for mask in masks))
    near = get_close_matches(label or text, labels, n=SHOWN_NAMES, cutoff=0.4) or labels
    raise BadValueError(f"no mask of this label; near it: {some_of(near)}", "reference", text)


def _turned(own: Sequence[PlayedFrame], angle: str, text: str) -> list[PlayedFrame]:
    """Those of a label's masks at an orientation; BadValueError where there are others only."""
    if not own:
        return []
    try:
        wanted = ANGLE(float(angle))
    except ValueError:
        raise BadValueError(
            f"the orientation {ANGLE.phrase()}, as in {own[0].name}", "reference", text
        ) from None
    found = [mask for mask in own if abs(mask.orientation_deg - wanted) < SAME_DEG]
    if not found:
        near = sorted(own, key=lambda mask: abs(mask.orientation_deg - wanted))
        names = some_of([mask.name for mask in near])
        raise BadValueError(f"no mask of this orientation; near it: {names}", "reference", text)
    return found
