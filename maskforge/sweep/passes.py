"""The readings of a sweep, gathered into passes, with the drift of the light taken out."""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from maskforge.base.errors import BenchError
from maskforge.base.safety import MARK
from maskforge.base.wording import one_line
from maskforge.launch.light import Real
from maskforge.sweep.readings import NAMED, Chunk, Lookups, chunks, opened

MOST_BAD = 0.1
"""Share of bad rows from which on a table is no table of readings."""

BAD_AT_ONCE = 50_000
"""Bad rows after which a table is given up before its end, where they are too many so far."""

MOST_BLOCKS = 100
"""Stretches of passes that a bootstrap draws from."""

Index = NDArray[np.int32]


@dataclass(frozen=True, eq=False)
class SweepReadings:
    """The good rows: `time` (n,) in s, `mask` and `run` (n,), the mask's index and the number of
    the pass, `power` (n, ports) in mW.

    `rows`: how many there were, `bad` how many of them could not be used, `named` the first few in
    words.  `ignored`: columns of no use here.  `against`: what the drift of the light was divided
    out with, "" where it was not.  `invented`: the file says that it is simulated.
    """

    path: Path
    ports: tuple[str, ...]
    time: Real
    mask: Index
    run: Index
    power: Real
    rows: int
    bad: int
    named: tuple[str, ...]
    ignored: tuple[str, ...]
    against: str
    invented: bool

    @property
    def passes(self) -> int:
        return int(self.run[-1]) + 1


def read_sweep(
    path: Path, lookups: Lookups, references: Sequence[int] = (), *, strict: bool = False
) -> SweepReadings:
    """The readings of a sweep; `references` are masks shown in between to follow the light.

    The power is divided by that of the reference column (relative to its mean) where there is one,
    and by that of the reference masks, summed over the ports and interpolated in time.  Raises
    BenchError where the table cannot be read, where more than MOST_BAD of its rows are bad, or, if
    `strict`, where one is.
    """
    parts: list[Chunk] = []
    bad = 0
    named: tuple[str, ...] = ()
    with opened(path, list(lookups)) as source:
        for chunk in chunks(source, lookups):
            bad += chunk.bad
            named = (named + chunk.named)[:NAMED]
            if strict and bad:
                raise BenchError(one_line(f"{path}: {named[0]}"))
            parts.append(chunk)
            if bad > BAD_AT_ONCE:
                _check(path, bad + sum(part.time.size for part in parts), bad, named)
        header, comments = source.header, source.comments
    rows = bad + sum(part.time.size for part in parts)
    _check(path, rows, bad, named)
    time, mask, power = (
        np.concatenate([getattr(part, name) for part in parts])
        for name in ("time", "mask", "power")
    )
    against = []
    if header.monitored:
        monitor = np.concatenate([x.reference for x in parts if x.reference is not None])
        power *= (monitor.mean() / monitor)[:, None]
        against.append(header.names[-1])
    shown = np.isin(mask, list(references))
    if _flattened(time, power, shown):
        against.append("the reference masks")
    return SweepReadings(
        path=path,
        ports=header.ports,
        time=time,
        mask=mask,
        run=pass_numbers(mask, shown),
        power=power,
        rows=rows,
        bad=bad,
        named=named,
        ignored=header.ignored,
        against=" and ".join(against),
        invented=any(f"# {comment}".startswith(MARK) for comment in comments),
    )


def _check(path: Path, rows: int, bad: int, named: tuple[str, ...]) -> None:
    """BenchError where too many rows are bad, or there is none."""
    if bad > MOST_BAD * rows:
        raise BenchError(
            one_line(
                f"{path}: {bad} of {rows} rows cannot be used, at most {100 * MOST_BAD:g} % may be "
                f"bad: {'; '.join(named)}"
            )
        )
    if not rows:
        raise BenchError(one_line(f"{path}: holds no readings"))


def pass_numbers(mask: Index, reference: NDArray[np.bool_]) -> Index:
    """Numbers (n,) of the passes from 0: a mask seen again starts the next one.

    Masks may be missing.  Those that are references say nothing of where a pass ends.
    """
    order = np.argsort(mask, kind="stable")
    again = mask[order[1:]] == mask[order[:-1]]
    before = np.full(mask.size, -1)
    before[order[1:][again]] = order[:-1][again]
    before[reference] = -1
    # a pass that starts at s ends where a mask comes that was seen at s or later
    latest = np.maximum.accumulate(before).tolist()
    starts = []
    start = 0
    while (start := bisect_left(latest, start, lo=start)) < mask.size:
        starts.append(start)
    numbers = np.zeros(mask.size, dtype=np.int32)
    numbers[starts] = 1
    return np.cumsum(numbers, dtype=np.int32)


def _flattened(time: Real, power: Real, shown: NDArray[np.bool_]) -> bool:
    """Divides the power by that of the references, interpolated; whether there are any."""
    level = power[shown].sum(axis=1)
    lit = level > 0
    if np.count_nonzero(lit) < 2:
        return False
    power *= (level[lit].mean() / np.interp(time, time[shown][lit], level[lit]))[:, None]
    return True


@dataclass(frozen=True, eq=False)
class Blocks:
    """Sums over stretches of passes: `total` (blocks, masks, ports) of power, `count` (blocks,
    masks) of readings."""

    total: Real
    count: Real

    def means(self, weights: Real) -> Real:
        """Mean powers (draws, masks, ports), the blocks counted `weights` (draws, blocks) times.

        NaN where a mask has no reading in a draw.
        """
        counts = weights @ self.count
        totals = np.tensordot(weights, self.total, axes=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(totals / counts[..., None])


def blocks_of(readings: SweepReadings, masks: int) -> Blocks:
    """The readings summed over at most MOST_BLOCKS stretches of equally many passes."""
    blocks = min(readings.passes, MOST_BLOCKS)
    block = readings.run.astype(np.intp) * blocks // readings.passes
    cell = block * masks + readings.mask
    size = blocks * masks
    total: Real = np.stack(
        [np.bincount(cell, column, size).astype(float) for column in readings.power.T], axis=-1
    )
    return Blocks(
        total.reshape(blocks, masks, -1),
        np.bincount(cell, minlength=size).reshape(blocks, masks).astype(float),
    )
