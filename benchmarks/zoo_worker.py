"""What is done with one bench of the zoo: designed, checked, attacked; all of it as plain data."""

import signal
import tempfile
import time
import traceback
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits
from zoo_attack import attacked
from zoo_benches import drawn, loaded
from zoo_known import KNOWN

from maskforge import bench as benches
from maskforge.bench.ready import Prepared, prepared
from maskforge.fiber.modes import remembered
from maskforge.launch.couplings import predict
from maskforge.launch.modulator import emitted
from maskforge.methods.by_name import design
from maskforge.methods.problem import Design, Problem
from maskforge.report.page.set_page import page_of_set
from maskforge.sets.designing import Finished, finished_masks
from maskforge.sets.reading import read_set
from maskforge.sets.writing import head_of, write_set

Record = dict[str, Any]

BEATEN = 1e-9
"""Of the bound: what a mask may lie above it by rounding."""

EXACT = 1e-9
"""Of a reported figure against the full model's for the mask's states."""

EASIER = (1.1, 2.0)
"""Times 1 - P that is asked for again: a tenth less pure, and half as pure."""

JUMP = 1.25
"""More light than this for a tenth less purity means that the purer mask was not the best."""

LESS = 5e-3
"""Of the efficiency: less light than this at a lower purity is the search's noise."""

SAME_PURITY = 1e-5

PLAIN_PURITY = 0.9
"""Against the time at this purity the time of a set is held (of the processor, in one process)."""


@dataclass(frozen=True)
class Task:
    """A bench by its seed, or by the letter of a known one, and what to do with its masks."""

    name: str
    small: bool
    behind: bool
    effort: float
    attacks: int
    redesigned: int
    timeout: float


class TimeoutReachedError(Exception):
    """Raised inside a step that has run for too long."""


@contextmanager
def limited(seconds: float) -> Iterator[None]:
    """Raises TimeoutReachedError in the block after so many seconds, where Python gets to it."""

    def expired(*_: object) -> None:
        raise TimeoutReachedError(f"more than {seconds:g} s")

    before = signal.signal(signal.SIGALRM, expired)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def examined(task: Task) -> Record:
    """Everything about one bench; a crash is recorded with what was found before it."""
    record: Record = {"bench": task.name, "masks": [], "crashes": [], "warnings": []}
    with (
        tempfile.TemporaryDirectory() as folder,
        threadpool_limits(1),
        warnings.catch_warnings(record=True) as caught,
    ):
        warnings.simplefilter("always")
        _guarded(record, "design", task.timeout, lambda: _designed(task, Path(folder), record))
        made = record.pop("made", None)
        record["warnings"] = sorted({f"{w.category.__name__}: {w.message}" for w in caught})
    if made is not None:
        with threadpool_limits(1), warnings.catch_warnings():
            warnings.simplefilter("ignore")
            _pursued(task, record, *made)
    return record


def _guarded(record: Record, step: str, seconds: float, work: Callable[[], None]) -> None:
    try:
        with limited(seconds):
            work()
    except Exception as error:  # whatever it is, it is what the zoo looks for
        frames = traceback.extract_tb(error.__traceback__)
        ours = [frame for frame in frames if "site-packages" not in frame.filename]
        place = f"{Path(ours[-1].filename).name}:{ours[-1].lineno}"
        record["crashes"].append(f"{step}: {type(error).__name__}: {error} ({place})"[:300])


# --- the set ---------------------------------------------------------------------------------


def ready_of(task: Task, folder: Path) -> tuple[Prepared, list[str]]:
    """The bench ready to design, and why earlier draws of the seed were given up."""
    if task.name in KNOWN:
        return prepared(loaded(KNOWN[task.name], folder, f"known-{task.name}")), []
    found = drawn(int(task.name), folder, task.small, behind=task.behind)
    return found.ready, list(found.refused)


def _designed(task: Task, folder: Path, record: Record) -> None:
    ready, refused = ready_of(task, folder)
    launch, part = ready.launch, ready.bench.design
    record |= {
        "refused": refused,
        "modes": len(launch.basis),
        "shape": list(launch.modulator.shape),
        "alphabet": ready.bench.modulator.alphabet,
        "states": launch.modulator.alphabet.size,
        "family": ready.bench.targets.family,
        "asked": part.purity,
        "robust": bool(ready.others),
        "crosstalk": launch.modulator.crosstalk > 0,
        "expected": len(ready.targets),
    }
    made: list[Finished] = []
    record["made"] = ready, made

    def seen(mask: Finished) -> None:
        made.append(mask)
        record["masks"].append(_mask_record(ready, mask))

    record["seconds"], record["seconds_design"] = _timed(ready.bench, folder / "set", seen)
    easy = benches.override(ready.bench, purity=PLAIN_PURITY)
    record["seconds_plain"], record["seconds_design_plain"] = _timed(easy, folder / "easy")


def _timed(
    bench: benches.Bench, out: Path, seen: Callable[[Finished], None] = lambda mask: None
) -> tuple[float, float]:
    """Seconds of a set, prepared, designed and written with its page, and of the designs alone."""
    # as in a process of its own
    remembered.cache_clear()
    start = time.process_time()
    ready = prepared(bench)
    designing = 0.0

    def designed() -> Iterator[Finished]:
        nonlocal designing
        masks = finished_masks(ready, jobs=1)
        while True:
            before = time.process_time()
            mask = next(masks, None)
            designing += time.process_time() - before
            if mask is None:
                return
            seen(mask)
            yield mask

    out.mkdir()
    write_set(out, head_of(ready, out), designed())
    page_of_set(read_set(out), ready)
    return time.process_time() - start, designing


def _mask_record(ready: Prepared, mask: Finished) -> Record:
    made, found = mask.design, mask.prediction
    purity = made.certificate.purity if made.certificate is not None else None
    return {
        "target": mask.target.name,
        "orientation": mask.target.orientation,
        "reached": made.reached,
        "status": made.status,
        "purity": found.purity,
        "efficiency": found.efficiency,
        "bound": made.bound,
        "bound_purity": purity,
        "gap": _gap(found.efficiency, made.bound),
        "flags": _flags(ready, mask, purity),
    }


def _gap(efficiency: float, bound: float | None) -> float | None:
    return 1 - efficiency / bound if bound else None


def _flags(ready: Prepared, mask: Finished, bound_purity: float | None) -> list[str]:
    """What is wrong with a mask that can be told from itself."""
    made, found, asked = mask.design, mask.prediction, ready.bench.design.purity
    launch = ready.launch
    size = launch.modulator.alphabet.size
    if made.states.shape != launch.modulator.states_shape or int(made.states.max()) >= size:
        return ["states out of range"]
    true = predict(launch, mask.target, emitted(launch.modulator, made.states))
    pure = found.purity >= asked * (1 - 1e-12)
    bound, holds_at = made.bound, bound_purity
    proven = bound is not None and holds_at is not None and found.purity >= holds_at
    checks = {
        "figures are not the states'": abs(true.purity - found.purity) > EXACT
        or abs(true.efficiency - found.efficiency) > EXACT,
        "figures are not finite": not np.isfinite(found.purity + found.efficiency),
        "reached without the purity": made.reached and not pure,
        "the purity, but not reached": pure and not made.reached and not ready.others,
        "no bound": bound is None and launch.modulator.crosstalk == 0,
        "a bound of 0, or above 1": bound is not None and not 0 < bound <= 1 + BEATEN,
        "above its own bound": proven and found.efficiency > (bound or 0) * (1 + BEATEN),
    }
    return [name for name, wrong in checks.items() if wrong]


# --- beyond the set --------------------------------------------------------------------------


def _pursued(task: Task, record: Record, ready: Prepared, made: list[Finished]) -> None:
    """Attacks and redesigns some of the masks, the same for the same task."""
    order = np.random.default_rng([7, len(made)]).permutation(len(made))
    for place, index in enumerate(order):
        mask, known = made[index], record["masks"][index]
        step = f"{mask.target.name} {mask.target.orientation:g}"

        def fallen_short(mask: Finished = mask, known: Record = known) -> None:
            known["own_gap"] = _own_gap(ready, mask)

        def redesign(mask: Finished = mask, known: Record = known) -> None:
            known["easier"] = list(_easier(ready, mask))

        def attack(mask: Finished = mask, known: Record = known) -> None:
            known["attacks"] = []
            for found in _attacks(task, ready, mask):
                known["attacks"].append(found)

        if not known["reached"] and not ready.others:
            _guarded(record, f"own gap of {step}", task.timeout, fallen_short)
        if place < task.redesigned:
            _guarded(record, f"redesign of {step}", task.timeout, redesign)
        # crosstalk is no linear matter, and nothing is proven there
        if place < task.attacks and not record["crosstalk"]:
            _guarded(record, f"attack on {step}", task.timeout, attack)


def _again(ready: Prepared, mask: Finished, purity: float) -> Design:
    problem = Problem(ready.launch, mask.target, purity, ready.others)
    return design(problem, ready.bench.design.method)


def _own_gap(ready: Prepared, mask: Finished) -> float | None:
    """Gap of a mask that fell short, by the least bound that holds at the purity that it has."""
    proof, purity = mask.design.certificate, mask.prediction.purity
    if proof is None or not 0.5 < purity < 1:
        return None
    # a bound for a little less purity is a bound for this one as well
    bounds = [mask.design.bound] if proof.purity <= purity else []
    if not purity * (1 - 1e-3) < proof.purity <= purity:
        again = _again(ready, mask, purity)
        if again.certificate is not None and again.certificate.purity <= purity:
            bounds.append(again.bound)
    known = [bound for bound in bounds if bound]
    return _gap(mask.prediction.efficiency, min(known)) if known else None


def _easier(ready: Prepared, mask: Finished) -> Iterator[Record]:
    """Masks asked to be less pure than this one is, and what is odd about them.

    Of several scenarios by the purity in the worst of them, and the mean light.
    """
    had, lit = _figures(mask.design)
    for times in EASIER:
        asked = 1 - times * (1 - had)
        if not 0.5 < asked < 1:
            continue
        purity, light = _figures(_again(ready, mask, asked))
        ratio = light / max(lit, 1e-300)
        odd = {
            "jumps": times == EASIER[0] and ratio > JUMP,
            "less light": ratio < 1 - LESS,
            "worse in both": ratio < 1 - BEATEN and purity < had,
        }
        yield {
            "times": times,
            "asked": asked,
            "purity": purity,
            "ratio": ratio,
            "flags": [name for name, wrong in odd.items() if wrong],
        }


def _figures(design: Design) -> tuple[float, float]:
    """(purity, efficiency) of a mask."""
    if design.robust is None:
        return design.prediction.purity, design.prediction.efficiency
    efficiencies = design.robust.efficiencies
    return design.robust.worst[1], sum(efficiencies) / len(efficiencies)


def _attacks(task: Task, ready: Prepared, mask: Finished) -> Iterator[Record]:
    """Attacks on the bound; where a mask falls short, also at the asked purity and at its own."""
    proof, bound = mask.design.certificate, mask.design.bound
    own, asked = mask.prediction.purity, ready.bench.design.purity
    wanted: list[tuple[str, float, float | None]] = []
    if proof is not None and bound is not None:
        wanted.append(("bound", proof.purity, bound))
    if not mask.design.reached and not ready.others:
        wanted += [("asked", asked, None), ("own", own, None)]
    tried: list[float] = []
    for kind, purity, above in wanted:
        # a bound for a little less purity serves for the mask's own
        if any(0 <= purity - other < SAME_PURITY for other in tried) or not 0.5 < purity < 1:
            continue
        tried.append(purity)
        problem = Problem(ready.launch, mask.target, purity)
        found = attacked(problem, task.effort, bound=above, start=mask.design)
        yield {"kind": kind, **vars(found)}
