"""Purity against efficiency: what any mask could launch, and what a designed one does.

Behind a device both are those of what arrives at its outputs, by its matrix as measured.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from threadpoolctl import threadpool_limits

from maskforge import bench as benches
from maskforge.base.ranges import BadValueError, Range
from maskforge.bench import Bench
from maskforge.launch.basis import Basis
from maskforge.launch.couplings import Launch, with_alphabet
from maskforge.launch.modulator import CONTINUOUS_LEVELS, Alphabet, binary, continuous, levels
from maskforge.launch.targets import Target, lp_target
from maskforge.methods.by_name import design
from maskforge.methods.problem import Problem
from maskforge.methods.quick_bound import bound_asked

PURITY = Range(0.5, 1, open=True)
"""What may be asked for."""

PURITIES = (0.8, 0.9, 0.99, 0.999, 0.9999, 0.99999)
WORDS = ("binary", "4", "16", "256", "continuous", "own")
"""What is compared unless something else is asked for."""


@dataclass(frozen=True, eq=False)
class AlphabetChoice:
    """An alphabet under the name that tables and figures give it."""

    name: str
    alphabet: Alphabet


@dataclass(frozen=True)
class Point:
    """One alphabet at one asked purity; words as in DESIGN's list, powers as shares.

    `bound` is proven for masks at least `bound_purity` pure: the asked purity, or what can be had
    where that is out of reach.  `bound_asked` is that at the asked one; 0: no mask is so pure.
    `purity` and `efficiency` are those of the designed mask, predicted in full; `reached` and
    `status` are its design's.
    """

    alphabet: str
    asked: float
    bound: float
    bound_purity: float
    bound_asked: float
    purity: float
    efficiency: float
    reached: bool
    status: str

    @property
    def lowered(self) -> bool:
        """The bound holds for a lower purity than was asked."""
        return self.bound_purity < self.asked

    @property
    def gap(self) -> float | None:
        """1 - efficiency/bound; None where nothing can be launched."""
        return 1 - self.efficiency / self.bound if self.bound > 0 else None


def target_of(bench: Bench, basis: Basis, label: str, orientation: float = 0.0) -> Target:
    """The target of a label in the bench's family; `orientation` in degrees, for LP modes only.

    Raises BenchError where the family or the basis has no such label, BadValueError where it cannot
    be turned so.
    """
    part = bench.targets
    if not -360 <= orientation <= 360:
        raise BadValueError(
            "must be a number from -360 to 360 deg", "orientation", f"{orientation:g}"
        )
    if part.family != "lp" and orientation:
        raise BadValueError(
            f'only LP modes are turned, {bench.source} has [targets] family = "{part.family}"',
            "orientation",
            f"{orientation:g}",
        )
    one = benches.override(bench, labels=[label], orientations=1 if part.family == "lp" else None)
    (target,) = benches.targets(one, basis)
    if part.family == "lp" and orientation:
        return lp_target(basis, label, orientation)
    return target


def choices_of(words: Iterable[str], own: Alphabet) -> tuple[AlphabetChoice, ...]:
    """Alphabets by their words; `own` is the bench's.  One that is asked for twice is kept once.

    Raises BadValueError, with the key "alphabets", for another word.
    """
    found: list[AlphabetChoice] = []
    for word in words:
        new = AlphabetChoice(_shown(word), own if word == "own" else _alphabet(word))
        place = next((k for k, old in enumerate(found) if _same(old.alphabet, new.alphabet)), None)
        if place is None:
            found.append(new)
        elif word == "own":
            found[place] = AlphabetChoice(f"{found[place].name} (own)", own)
        elif found[place].name == "own":
            found[place] = AlphabetChoice(f"{new.name} (own)", own)
    return tuple(found)


def _shown(word: str) -> str:
    return f"{int(word)} levels" if word.isdecimal() else word


def _alphabet(word: str) -> Alphabet:
    if word == "binary":
        return binary()
    if word == "continuous":
        return continuous()
    if not (word.isascii() and word.isdecimal() and 2 <= int(word[:9]) <= CONTINUOUS_LEVELS):
        rule = f"binary, continuous, own or a number of levels from 2 to {CONTINUOUS_LEVELS}"
        raise BadValueError(f"must be {rule}", "alphabets", word)
    return levels(int(word))


def _same(one: Alphabet, other: Alphabet) -> bool:
    """Whether two alphabets do the same to the light, whatever their grey values."""
    return one.size == other.size and np.allclose(one.values, other.values, rtol=0, atol=1e-12)


def points(
    launch: Launch, target: Target, choices: Sequence[AlphabetChoice], purities: Sequence[float]
) -> tuple[Point, ...]:
    """Every alphabet at every purity (shares), in this order; see `walked`."""
    return tuple(walked(launch, target, choices, purities))


def walked(
    launch: Launch, target: Target, choices: Sequence[AlphabetChoice], purities: Sequence[float]
) -> Iterator[Point]:
    """The points as they get done, designed by `dual` on the launch's bench.

    On one thread, as sets are: the result of a threaded product could depend on their number.
    """
    with threadpool_limits(1):
        for choice in choices:
            changed = with_alphabet(launch, choice.alphabet)
            for purity in purities:
                yield _point(changed, target, choice.name, purity)


def _point(launch: Launch, target: Target, name: str, purity: float) -> Point:
    problem = Problem(launch, target, purity)
    made = design(problem, "dual")
    assert made.bound is not None
    assert made.certificate is not None
    found = made.prediction
    return Point(
        alphabet=name,
        asked=purity,
        bound=made.bound,
        bound_purity=made.certificate.purity,
        bound_asked=bound_asked(problem, made),
        purity=found.purity,
        efficiency=found.efficiency,
        reached=made.reached,
        status=made.status,
    )
