"""Mask designs behind one signature: a problem and settings in, a mask and what is known out."""

from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import replace
from threading import Thread

import numpy as np

from maskforge.base.device import CPU
from maskforge.base.errors import BenchError
from maskforge.launch.couplings import Launch, predict
from maskforge.launch.fourier import Dense
from maskforge.launch.modulator import emitted
from maskforge.launch.transform import transform
from maskforge.methods import blocks, single_pixels
from maskforge.methods.draft import drafted
from maskforge.methods.dual import dual
from maskforge.methods.ifta import ifta
from maskforge.methods.problem import Design, Problem, Settings
from maskforge.methods.robust import robust
from maskforge.methods.simple import simple

METHODS: Mapping[str, Callable[[Problem, Settings, Design | None], Design]] = {
    "simple": simple,
    "ifta": ifta,
    "dual": dual,
}


def design(
    problem: Problem,
    method: str,
    *,
    settings: Settings | None = None,
    previous: Design | None = None,
) -> Design:
    """The mask of a problem by one of METHODS; BenchError for another name, or scenarios in vain.

    `previous`, of another orientation of the same label, may be a start.
    """
    if method not in METHODS:
        raise BenchError(f"method = {method}: one of {', '.join(METHODS)}")
    made = METHODS[method]
    if problem.others:
        if made is not dual:
            raise BenchError(f"method = {method}: several scenarios take dual")
        made = robust
    device = problem.launch.setup.device
    found = device.holding(lambda: made(problem, settings or Settings(), previous))
    return _with_launch(problem, found)


def begin_with(launch: Launch, method: str) -> None:
    """Does the host's part of what masks on a GPU share, while that begins."""
    if method != "dual" or launch.setup.device == CPU:
        return
    for one in launch.apertures:
        blocks.begin(one)
        Thread(target=_transform, args=(one, drafted(one)[0].u.size), daemon=True).start()
        single_pixels.radial_of(one)


def _transform(launch: Launch, samples: int) -> None:
    """Loads the products of a mask's size on its device, in the full model and in the draft.

    Whatever is wrong with it is told where it is worked on.
    """
    put, shape = launch.setup.device.put, launch.modulator.shape
    with suppress(Exception):
        for count, kind in ((launch.u.size, np.complex128), (samples, np.complex64)):
            over_y, over_x = (Dense(put(np.zeros((count, size), kind))) for size in shape)
            there = transform(put(np.zeros(shape, kind)), over_y, over_x)
            transform(there, over_y.adjoint, over_x.adjoint)


def _with_launch(problem: Problem, made: Design) -> Design:
    """The design with the launch's own couplings too, where a device lies behind it."""
    launch = problem.launch
    if launch.setup.passage is None:
        return made
    factors = emitted(launch.modulator, made.states)
    found = predict(launch, problem.target, factors)
    return replace(made, prediction=found, aim=problem.purity)
