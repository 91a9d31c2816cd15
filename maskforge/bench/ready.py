"""A bench made ready: its modes, its launches and its targets."""

import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cached_property

from threadpoolctl import threadpool_limits

from maskforge import bench as benches
from maskforge.base.device import CPU, device_of, may_be_cuda
from maskforge.base.errors import BenchError
from maskforge.base.wording import one_line
from maskforge.bench import Bench
from maskforge.bench.elsewhere import scenarios
from maskforge.fiber.modes import RadialMode, first_groups, solve
from maskforge.launch.basis import Basis, basis_of, polarised
from maskforge.launch.couplings import Launch, Scenario, on_device, prepare
from maskforge.launch.setup import Setup
from maskforge.launch.targets import Target

BESIDE_A_GPU = 8
"""Threads that prepare scenarios: cores are free there, since one alone tells a GPU what to do."""


@dataclass(frozen=True, eq=False)
class Prepared:
    """A bench with everything that its masks share, and what is to be launched in play order."""

    bench: Bench
    launch: Launch
    targets: tuple[Target, ...]

    @cached_property
    def helps(self) -> dict[str, str]:
        """Of labels that fall short: what would help, see `remedies`."""
        return {}

    @cached_property
    def others(self) -> tuple[Scenario, ...]:
        """Beside the launch itself, what a robust bench's masks are designed for; on its device."""
        device = self.launch.setup.device
        found = scenarios(self.bench, threads=1 if device == CPU else BESIDE_A_GPU)
        return tuple(replace(one, launch=on_device(one.launch, device)) for one in found)


def guided_modes(
    bench: Bench,
    groups: int | None = None,
    told: Callable[[RadialMode], object] | None = None,
) -> Sequence[RadialMode]:
    """The modes that a bench's fibre guides, of its first `groups`; BenchError for none.

    `told` gets every label as it is found.
    """
    guide = benches.fiber(bench)
    with _named(bench):
        return solve(guide, groups=groups, told=told)


def counted_modes(bench: Bench, every: Sequence[RadialMode]) -> Sequence[RadialMode]:
    """Of all guided modes those that a bench counts; BenchError where it asks for more groups."""
    if bench.fiber.groups is None:
        return every
    with _named(bench):
        return first_groups(every, bench.fiber.groups)


@contextmanager
def _named(bench: Bench) -> Iterator[None]:
    try:
        yield
    except BenchError as error:
        text = str(error).removeprefix("fiber: ")
        raise BenchError(one_line(f"{bench.source}: [fiber] {text}")) from None


def guided_basis(bench: Bench) -> Basis:
    """The guided modes that a bench counts, of both polarisations where it has two; BenchError
    where there is none."""
    basis = basis_of(guided_modes(bench, bench.fiber.groups))
    return polarised(basis) if bench.device.is_polarised else basis


@dataclass(frozen=True, eq=False)
class Outline:
    """What is known of a bench before its light is worked out: what is to be launched, with what,
    and on which device."""

    bench: Bench
    setup: Setup
    targets: tuple[Target, ...]

    @property
    def pixels(self) -> int:
        """Of a mask."""
        return math.prod(self.setup.modulator.shape)


def outlined(bench: Bench, device: str = "cpu") -> Outline:
    """Solves the fibre; raises as `prepared`."""
    with threadpool_limits(1):
        ahead = _made_ahead(bench)
        if ahead is None:
            basis = guided_basis(bench)
            targets, setup = benches.targets(bench, basis), benches.setup(bench, basis)
        else:
            launch, same = ahead.launch, ahead.bench.targets == bench.targets
            targets = ahead.targets if same else benches.targets(bench, launch.basis)
            setup = launch.setup
        there = device_of(device, math.prod(setup.modulator.shape), len(targets))
    return Outline(bench, replace(setup, device=there), targets)


def prepared(bench: Bench, device: str = "cpu") -> Prepared:
    """Solves the fibre and prepares light, panel and lens; BenchError where they do not fit.

    The pixels' arrays lie on the `device` of that name, see `device.device_of`, which raises
    BadValueError.

    On one thread, as the masks: the modes' last digits could depend on their number.
    """
    return prepared_from(outlined(bench, device))


def prepared_from(outline: Outline) -> Prepared:
    """The same from an outline."""
    bench, there = outline.bench, outline.setup.device
    if len(outline.targets) == 1:
        # for one mask no other process is started: what begins here is worked with here
        there.begin()
    with threadpool_limits(1):
        ahead = _made_ahead(bench)
        if ahead is None:
            launch = prepare(outline.setup)
        else:
            # on the host the very one, which has more that was worked out ahead
            launch = ahead.launch if there == CPU else on_device(ahead.launch, there)
    return Prepared(bench, launch, outline.targets)


_ahead: list[Prepared] = []
"""What was made ready before it was asked for."""


def prepare_ahead(bench: Bench, device: str) -> None:
    """Makes a bench ready for later calls of `prepared`, here and in copies of this process; the
    device is left alone, since those could not work with it any more."""
    ready = prepared(bench)
    _ahead[:] = [ready]
    launch = ready.launch
    # every search asks for it, and what finds it takes long to load
    _ = launch.modulator.alphabet.hull
    if may_be_cuda(device, launch.incident.size, len(ready.targets)):
        return
    # what the first mask would begin with, and other commands need not load
    from maskforge.launch.symmetry import symmetries
    from maskforge.methods.blocks import model_of

    symmetries(launch)
    if bench.design.method == "dual":
        model_of(launch)


def _made_ahead(bench: Bench) -> Prepared | None:
    """What was made ready ahead of a bench that has no more than other targets."""
    for one in _ahead:
        if bench.model_copy(update={"targets": one.bench.targets}) == one.bench:
            return one
    return None
