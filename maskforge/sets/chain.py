"""The masks of a chain: orientations of one label, each of which starts from an earlier one."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

from maskforge.bench.ready import Prepared
from maskforge.launch.light import Complex
from maskforge.launch.symmetry import Turn, images, turn_to
from maskforge.launch.targets import Target
from maskforge.methods.at_edge import EDGE, design_at_edge
from maskforge.methods.by_name import design
from maskforge.methods.problem import Design, Problem, Settings
from maskforge.methods.turned_design import turned
from maskforge.sets.designing import Finished, Keep, turns_of
from maskforge.sets.remedies import remedies


def kept(ready: Prepared, chain: range, keep: Keep | None) -> Iterator[Finished]:
    """The masks of a chain as they get done, handed to `keep` when the last one is."""
    if keep is None:
        yield from _chained(ready, chain)
        return
    made = []
    for mask in _chained(ready, chain):
        made.append(mask)
        if len(made) == len(chain):
            keep(chain, made)
        yield mask


def _chained(ready: Prepared, chain: range) -> Iterator[Finished]:
    part, launch = ready.bench.design, ready.launch
    settings = Settings(
        window_factor=part.window_factor,
        iterations=part.iterations,
        amplitude=part.amplitude,
        start=part.start,
        seed=part.seed,
        on_shortfall=part.on_shortfall,
    )
    turns = turns_of(ready)
    sources: list[tuple[Design, Complex]] = []
    made: Design | None = None
    for index in chain:
        target = ready.targets[index]
        problem = Problem(launch, target, part.purity, ready.others)
        done = _image(problem, turns, sources)
        if done is None:
            made = _design(ready, problem, settings, made)
            done = made = _advised(ready, made, target)
            sources.append((made, images(launch.basis, turns, target)))
        yield Finished(index, target, done)


def _design(
    ready: Prepared, problem: Problem, settings: Settings, previous: Design | None
) -> Design:
    """By the bench's method, for the purity that it asks for."""
    method, edge = ready.bench.design.method, ready.bench.device.purity_at
    if edge in EDGE:
        return design_at_edge(problem, method, edge, settings=settings, previous=previous)
    return design(problem, method, settings=settings, previous=previous)


def _advised(ready: Prepared, made: Design, target: Target) -> Design:
    """A design whose purity was lowered, with what would help in its status.

    Of the label's first orientation, so that all of a label say the same.
    """
    if made.bound_asked is None or ready.others:
        return made
    if target.name not in ready.helps:
        first = next(one for one in ready.targets if one.name == target.name)
        ready.helps[target.name] = remedies(ready.bench, ready.launch, first)
    return replace(made, status=made.status + ready.helps[target.name])


def _image(
    problem: Problem, turns: tuple[Turn, ...], sources: Sequence[tuple[Design, Complex]]
) -> Design | None:
    """The first of the designs that can be turned to be the problem's, turned; None without."""
    for made, vectors in sources:
        turn = turn_to(turns, vectors, problem.target)
        found = None if turn is None else turned(problem, made, turn)
        if found is not None:
            return found
    return None
