"""The launch taken out of the readings: what each mode or group passes to each port by itself.

A mask launches more than its target, and the set says what.  With c the couplings of a mask,

    power at a port = beam * sum over labels of c_label^H R_label c_label,

R_label the label's matrix at that port, a transmission where its fields pass alike.  What several
labels do together the readings do not tell: it is drawn for an assumed mixing (`together`), weighs
the masks and widens what is stated.  The unknowns are not negative, and found by weighted
non-negative least squares (Lawson and Hanson, Solving Least Squares Problems, 1974, ch. 23).  A
real positive matrix R is made of lobes v v^T at some angles with weights that are not negative, so
that it is no special case.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from maskforge.base.errors import BenchError, ConvergenceError
from maskforge.launch.light import Complex, Real
from maskforge.sweep.launched import Label, Launched
from maskforge.sweep.passes import Blocks
from maskforge.sweep.together import Mixing, Together

WAYS = ("group", "label", "mode")

LOBES = 6
"""Angles over half a turn of 2 l theta that a label's matrix is made of: a dependence of up to
cos(30 deg) = 87 % at any angle."""

RESOLVED = 3
"""Orientations of a label from which on its matrix is solved for."""

TRUST = 0.01
"""Relative standard deviation of a predicted power; common practice, no source."""

FEWEST_BLOCKS = 5
"""Stretches of passes from which on a bootstrap draws from them; of fewer, from the residuals."""

DRAWS, SEED = 200, 0

ITERATIONS = 20
"""Steps of the solver for each unknown, before it is given up."""


@dataclass(frozen=True, eq=False)
class DeviceModel:
    """`design` (masks, columns): launched power in each column as a share of the beam; the
    transmission of unknown n is the sum of its columns' weights times their `part` (columns,).

    `owner` (columns,): the unknown of each.  For each unknown: `names`, `labels` ("" where it is a
    group), `groups`, `modes`, how many it stands for, `aimed`, whether the set has targets of it.
    `own` (K,): the unknown of each mode.
    """

    design: Real
    owner: NDArray[np.intp]
    part: Real
    names: tuple[str, ...]
    labels: tuple[str, ...]
    groups: NDArray[np.intp]
    modes: NDArray[np.intp]
    aimed: NDArray[np.bool_]
    coherent: bool
    own: NDArray[np.intp]
    together: Together | None


@dataclass(frozen=True, eq=False)
class SolvedDevice:
    """`transmission` (unknowns, ports) as a share of what is launched, `draws` (draws, unknowns,
    ports) of the bootstrap, none where the readings leave no residuals; `residual` (ports,): root
    mean square misfit relative to the mean power."""

    transmission: Real
    draws: Real
    residual: Real


def way_for(launched: Launched) -> str:
    """The finest of WAYS but "mode" that the set's targets resolve."""
    known = {label.name for label in launched.labels}
    lacking = any(mode.label not in known for mode in launched.basis)
    return "group" if lacking else "label"


def model_of(launched: Launched, way: str) -> DeviceModel:
    """The unknowns of one of WAYS.

    "label": the matrix of each label that the set has in RESOLVED orientations, else one number
    for its fields; "mode": a number each; "group": a number a group.
    """
    powers = np.abs(launched.couplings) ** 2
    turned = {x.name for x in launched.labels if x.l and len(x.masks) >= RESOLVED}
    columns: list[Real] = []
    owner: list[int] = []
    part: list[float] = []
    names: list[str] = []
    labels, groups, modes, aimed = [], [], [], []
    targets = {label.name for label in launched.labels}
    aims = set(launched.groups)
    coherent = False
    of_mode = np.zeros(len(launched.basis), dtype=np.intp)
    for name, group, places in _unknowns(launched, way):
        of_mode[list(places)] = len(names)
        own = [powers[:, list(places)].sum(axis=1)]
        share = 1.0
        if way == "label" and name in turned and len(places) == 2:
            own = list(_lobes(launched.couplings[:, list(places)]).T)
            share, coherent = 0.5, True
        owner += [len(names)] * len(own)
        part += [share] * len(own)
        columns += own
        names.append(name)
        groups.append(group)
        modes.append(len(places))
        # a target that is no LP mode aims at its group as a whole
        label = launched.basis[places[0]].label
        plain = way == "group" or not (targets & {mode.label for mode in launched.basis})
        labels.append("" if way == "group" else label)
        aimed.append(group in aims if plain else label in targets)
    return DeviceModel(
        design=np.stack(columns, axis=1),
        owner=np.array(owner),
        part=np.array(part),
        names=tuple(names),
        labels=tuple(labels),
        groups=np.array(groups),
        modes=np.array(modes),
        aimed=np.array(aimed),
        coherent=coherent,
        own=of_mode,
        together=_together(launched),
    )


def _together(launched: Launched) -> Together:
    labels = [mode.label for mode in launched.basis]
    places = {name: at for at, name in enumerate(dict.fromkeys(labels))}
    groups = np.unique([mode.group for mode in launched.basis], return_inverse=True)[1]
    return Together(launched.couplings, np.array([places[name] for name in labels]), groups)


def _unknowns(launched: Launched, way: str) -> Iterator[tuple[str, int, tuple[int, ...]]]:
    """(name, group, places in the basis) of each."""
    basis = launched.basis
    names = {
        "group": [f"group {mode.group}" for mode in basis],
        "label": [mode.label for mode in basis],
        "mode": [
            mode.label if mode.part is None else f"{mode.label} {mode.part}" for mode in basis
        ],
    }[way]
    for name in dict.fromkeys(names):
        places = tuple(at for at, other in enumerate(names) if other == name)
        yield name, basis[places[0]].group, places


def _lobes(pair: Complex) -> Real:
    """Power (masks, LOBES) of couplings (masks, 2) in fields at evenly spaced angles."""
    angles = np.arange(LOBES) * np.pi / LOBES
    return np.asarray(np.abs(pair @ np.stack([np.cos(angles), np.sin(angles)])) ** 2)


# --- solved ----------------------------------------------------------------------------------


def deembedded(
    model: DeviceModel,
    blocks: Blocks,
    *,
    draws: int = DRAWS,
    seed: int = SEED,
    trust: float = TRUST,
    mixing: Mixing | None = None,
) -> tuple[SolvedDevice, Real]:
    """The transmissions, and mean powers (draws, masks, ports) that the bootstrap drew.

    `blocks` in units of the beam's power; `trust`: relative standard deviation of the predicted
    powers; `mixing`: what is assumed of what labels do together (None: nothing).  Both weigh the
    masks and are in the draws of the transmissions.  Masks that were not read are left out.
    Raises BenchError where none of what is aimed at was read.
    """
    power = blocks.means(np.ones((1, len(blocks.count))))[0]
    read = np.isfinite(power[:, 0])
    noise = _noise(blocks, power, trust)
    design = model.design[read]
    if not np.any(design):
        raise BenchError("no mask of what was read launches anything")
    chance = np.random.default_rng(seed)
    beside = np.zeros((draws, *power.shape))
    if mixing is not None and model.together is not None:
        first = _all_ports(design, power[read], noise[read])
        passed = _transmission(model, first)[model.own]
        beside = np.array(
            [model.together.drawn(passed, mixing, chance) for _ in range(draws)]
        ).reshape(beside.shape)
        # a mask that launches much beside its target tells less
        noise = np.hypot(noise, np.sqrt(np.mean(beside**2, axis=0)))
    weights = _all_ports(design, power[read], noise[read])
    fit = np.full_like(power, np.nan)
    fit[read] = design @ weights
    drawn = _drawn(blocks, power, fit, noise, (draws, np.linalg.matrix_rank(design)), chance)
    # what the readings themselves cannot tell: how far the launch is as predicted
    drawn = drawn * (1 + trust * chance.standard_normal(drawn.shape))
    found = np.array(
        [
            _transmission(model, _all_ports(design, (one + more)[read], noise[read]))
            for one, more in zip(drawn, beside, strict=False)
        ]
    ).reshape(len(drawn), len(model.names), power.shape[1])
    misfit = np.sqrt(np.nanmean((power - fit) ** 2, axis=0))
    mean = np.nanmean(power, axis=0)
    solved = SolvedDevice(
        transmission=_transmission(model, weights),
        draws=found,
        residual=np.divide(misfit, mean, out=np.zeros_like(mean), where=mean > 0),
    )
    return solved, drawn


def _all_ports(design: Real, power: Real, noise: Real) -> Real:
    """Weights (columns, ports) of powers (masks, ports)."""
    each = [_solution(design, power[:, k], noise[:, k]) for k in range(power.shape[1])]
    return np.stack(each, axis=1)


def _noise(blocks: Blocks, power: Real, trust: float) -> Real:
    """Standard deviation (masks, ports) of the mean powers, with that of the prediction in it."""
    with np.errstate(invalid="ignore", divide="ignore"):
        each = blocks.total / blocks.count[..., None]
        seen = np.sum(blocks.count > 0, axis=0)[:, None]
        scatter = np.nansum((each - power) ** 2, axis=0) / (seen - 1) / seen
    known = np.where(seen > 1, scatter, 0.0)
    most = np.nanmax(power, axis=0)
    # a port that reads 0 throughout still needs a weight
    floor = np.where(most > 0, 1e-6 * most, 1.0)
    return np.asarray(np.sqrt(known + (trust * power) ** 2 + floor**2))


def _solution(design: Real, power: Real, noise: Real) -> Real:
    """Weights (columns,) from 0."""
    # columns of one size: the solver decides by the size of their gradients
    scaled = design / noise[:, None]
    size = np.linalg.norm(scaled, axis=0)
    size[size == 0] = 1.0
    try:
        found, _ = nnls(scaled / size, power / noise, maxiter=ITERATIONS * design.shape[1])
    except RuntimeError:
        raise ConvergenceError(
            "the non-negative least squares did not converge; --by group has fewer unknowns"
        ) from None
    return np.asarray(found / size)


def _transmission(model: DeviceModel, weights: Real) -> Real:
    """(unknowns, ports) of weights (columns, ports)."""
    found: Real = np.zeros((len(model.names), weights.shape[1]))
    np.add.at(found, model.owner, model.part[:, None] * weights)
    return found


def _drawn(
    blocks: Blocks,
    power: Real,
    fit: Real,
    noise: Real,
    size: tuple[int, int],
    chance: np.random.Generator,
) -> Real:
    """Mean powers (draws, masks, ports) of stretches of passes drawn with replacement, or, where
    those are few, of the fit with its residuals drawn so.

    Efron, Ann. Stat. 7, 1 (1979); `size`: (draws, unknowns that the fit has used up).
    """
    draws, used = size
    count = len(blocks.count)
    if count >= FEWEST_BLOCKS:
        weights = chance.multinomial(count, np.full(count, 1 / count), size=draws)
        means = blocks.means(weights.astype(float))
        return np.where(np.isfinite(means), means, power)
    read = np.flatnonzero(np.isfinite(power[:, 0]))
    free = len(read) - used
    if free < 1:
        return np.empty((0, *power.shape))
    rest = ((power - fit) / noise)[read] * np.sqrt(len(read) / free)
    picks = chance.integers(len(read), size=(draws, len(read)))
    drawn = np.full((draws, *power.shape), np.nan)
    drawn[:, read] = fit[read] + noise[read] * rest[picks]
    return drawn


def group_transmission(
    values: Real, groups: NDArray[np.intp], modes: NDArray[np.intp], wanted: Sequence[int]
) -> Real:
    """Mean over each wanted group's entries of axis -2, weighted by how many modes they stand for;
    `values` (..., entries, ports) gives (..., groups, ports)."""
    parts = []
    for group in wanted:
        own = groups == group
        share = modes[own] / modes[own].sum()
        parts.append(np.tensordot(values[..., own, :], share, axes=(-2, 0)))
    return np.stack(parts, axis=-2)


def raw_transmission(power: Real, labels: Sequence[Label], efficiency: Real) -> Real:
    """Power (..., masks, ports) over what each mask launches into its target, averaged over the
    orientations of each label that were read: (..., labels, ports)."""
    each = power / efficiency[:, None]
    return np.stack([np.nanmean(each[..., label.masks, :], axis=-2) for label in labels], axis=-2)
