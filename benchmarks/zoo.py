"""A zoo of random benches that attacks the certified design and the bounds that it proves.

    python benchmarks/zoo.py [--seed S] [--benches N] [--jobs J] [--small] [--known] [--out FILE]

designs the benches of the seeds S to S + N - 1 (`zoo_benches`), or the ones on which the design
once failed (`zoo_known`), looks for what is wrong with the masks (`zoo_worker`), and tries to beat
their bounds (`zoo_attack`); with `--behind` behind random devices.  A line a bench as it is done,
then a table; `--out` gets the records as JSON, a line each.  `--write FOLDER` only writes the bench
files.  The exit code is 1 where a bench crashed or a bound was beaten.

What a line may say: CRASH and WARNINGS of the package; BEATEN, a mask above its bound; RELAXED,
only a relaxed mask above it; REACHABLE, the asked purity found where the design fell short; BETTER,
more light at the same purity than the mask has; EASIER, what is odd about masks asked to be less
pure; and the flags of `zoo_worker`.
"""

import argparse
import json
import multiprocessing
import os
import signal
import sys
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from zoo_benches import drawn, loaded
from zoo_known import KNOWN
from zoo_worker import BEATEN, Record, Task, examined

STEPS = 4
"""Steps of a bench that may each take the time limit, before its process is ended from outside."""

LOOSE = 1e-5
"""Of a bound: a relaxed mask above it by more shows that it does not hold for them."""

BETTER = 0.01
"""More light than a mask's at its purity by this share is worth telling."""

NARROW, WIDE = 0.01, 0.03
"""Gaps that are good, and that are not."""


# --- running ---------------------------------------------------------------------------------


class Lane:
    """One process at a time, started anew after a crash or where a bench hangs."""

    def __init__(self) -> None:
        self.pool: ProcessPoolExecutor | None = None
        self.process = 0

    def run(self, task: Task) -> Record:
        if self.pool is None:
            context = multiprocessing.get_context("spawn")
            self.pool = ProcessPoolExecutor(1, mp_context=context)
            self.process = self.pool.submit(os.getpid).result()
        limit = task.timeout * (STEPS + 2 * task.attacks + 2 * task.redesigned)
        try:
            return self.pool.submit(examined, task).result(timeout=limit)
        except TimeoutError:
            reason = f"hung for {limit:g} s"
        except BrokenProcessPool:
            reason = "its process died"
        self.close()
        return {"bench": task.name, "masks": [], "crashes": [reason], "warnings": []}

    def close(self) -> None:
        if self.pool is None:
            return
        with suppress(ProcessLookupError):
            os.kill(self.process, signal.SIGKILL)
        self.pool.shutdown(cancel_futures=True)
        self.pool = None


def run_all(tasks: Sequence[Task], jobs: int) -> Iterator[Record]:
    """Records of the tasks as they get done."""
    lanes = [Lane() for _ in range(jobs)]
    free = list(lanes)

    def run(task: Task) -> Record:
        lane = free.pop()
        try:
            return lane.run(task)
        finally:
            free.append(lane)

    with ThreadPoolExecutor(jobs) as threads:
        try:
            for done in as_completed([threads.submit(run, task) for task in tasks]):
                yield done.result()
        finally:
            threads.shutdown(cancel_futures=True, wait=False)
            for lane in lanes:
                lane.close()


# --- printing --------------------------------------------------------------------------------


def attacks_of(records: Iterable[Record]) -> Iterator[tuple[Record, Record, Record]]:
    """(bench, mask, attack) of all."""
    for record in records:
        for mask in record["masks"]:
            for attack in mask.get("attacks", []):
                yield record, mask, attack


def excess(attack: Record) -> float | None:
    """Share by which the best mask found lies above the bound."""
    if not attack["bound"] or attack["efficiency"] is None:
        return None
    return float(attack["efficiency"] / attack["bound"] - 1)


def is_beaten(attack: Record, tolerance: float = BEATEN) -> bool:
    if attack["bound"] is None or attack["efficiency"] is None:
        return False
    return bool(attack["efficiency"] > attack["bound"] * (1 + tolerance))


def problems(record: Record) -> list[str]:
    """One bench's problems, each once with how often it is met."""
    found: list[str] = [f"CRASH {text}" for text in record["crashes"]]
    if record["warnings"]:
        found.append(f"WARNINGS {len(record['warnings'])} such as {record['warnings'][0]}")
    for mask in record["masks"]:
        found += [f"{flag.upper()}" for flag in mask["flags"]]
        found += [f"EASIER {flag}" for easier in mask.get("easier", []) for flag in easier["flags"]]
    for one in attacks_of([record]):
        found += attack_texts(*one)
    counted = {text: found.count(text) for text in found}
    return [text if n == 1 else f"{text} ({n} x)" for text, n in counted.items()]


def is_reachable(record: Record, mask: Record, attack: Record) -> bool | None:
    """Whether the asked purity is found after all; None where that is not the question."""
    if mask["reached"] or attack["purity"] < record["asked"]:
        return None
    return attack["efficiency"] is not None


def more_light(record: Record, mask: Record, attack: Record) -> float | None:
    """Share of light found beyond the mask's; None where the two cannot be compared."""
    best = attack["efficiency"]
    if best is None or record["robust"] or mask["purity"] < attack["purity"]:
        return None
    return float(best / mask["efficiency"] - 1)


def attack_texts(record: Record, mask: Record, attack: Record) -> Iterator[str]:
    """What an attack shows that should not be."""
    above, best = excess(attack), attack["efficiency"]
    more = more_light(record, mask, attack)
    if is_beaten(attack):
        yield f"BEATEN by {100 * (np.inf if above is None else above):.3f} %"
    elif is_beaten({**attack, "efficiency": attack["relaxed"]}, LOOSE):
        yield f"RELAXED above the bound by {100 * (attack['relaxed'] / attack['bound'] - 1):.3f} %"
    if is_reachable(record, mask, attack):
        has = f"{mask['purity']:.5f} at {100 * mask['efficiency']:.2f} %"
        yield f"REACHABLE {attack['purity']:g} at {100 * best:.2f} %, has {has}"
    elif more is not None and more > BETTER:
        yield f"BETTER by {100 * more:.1f} % at {attack['purity']:.5f}"


def line_of(record: Record) -> str:
    masks = record["masks"]
    gaps = [mask["gap"] for mask in masks if mask["gap"] is not None]
    head = f"{record['bench']:>6}  "
    if "modes" in record:
        rows, columns = record["shape"]
        gap = f"gap {100 * max(gaps):7.3f} %" if gaps else "gap       -  "
        head += (
            f"{record['modes']:3d} modes {columns:3d} x {rows:3d} "
            f"{record['alphabet'][:6]:<6} {record['states']:5d} {record['asked']:<6g} "
            f"{sum(mask['reached'] for mask in masks):2d}/{record['expected']:<2d} {gap} "
            f"{record.get('seconds', np.nan):6.1f} s  "
        )
    return head + "; ".join(problems(record))


def shares_of(gaps: Sequence[float]) -> str:
    if not gaps:
        return "-"
    good, bad = np.mean(np.array(gaps) < NARROW), np.mean(np.array(gaps) > WIDE)
    return f"{100 * good:.1f} %, {100 * bad:.1f} % of {len(gaps)}"


def spread_of(values: Sequence[float], scale: float = 100.0) -> str:
    """Median, 90 %, 99 % and maximum; in per cent."""
    if not values:
        return "-"
    marks = (*np.quantile(values, (0.5, 0.9, 0.99)), max(values))
    unit = " %" if scale == 100.0 else ""
    return " / ".join(f"{scale * mark:.3f}" for mark in marks) + unit


def table_of(records: Sequence[Record]) -> str:
    rows = {**set_rows(records), **attack_rows(records), **gap_rows(records)}
    width = max(map(len, rows))
    return "\n".join(f"{name:<{width}}  {value}" for name, value in rows.items())


def set_rows(records: Sequence[Record]) -> dict[str, Any]:
    masks = [mask for record in records for mask in record["masks"]]
    refused = sum(len(record.get("refused", ())) for record in records)
    unbound = [r["crosstalk"] for r in records for m in r["masks"] if m["bound"] is None]
    return {
        "benches": f"{len(records)}, and {refused} refused draws",
        "masks": f"{len(masks)}, {sum(m['reached'] for m in masks)} as pure as asked",
        "crashes": sum(len(r["crashes"]) for r in records),
        "benches with warnings": sum(bool(r["warnings"]) for r in records),
        "flags": _counted(flag for m in masks for flag in m["flags"]),
        "no bound": f"{unbound.count(False)} masks; with crosstalk {unbound.count(True)}",
    }


def attack_rows(records: Sequence[Record]) -> dict[str, Any]:
    every = list(attacks_of(records))
    against = [(a, excess(a)) for _, _, a in every if a["bound"] is not None]
    above = [share for a, share in against if is_beaten(a) and share is not None]
    below = [-share for a, share in against if not is_beaten(a) and share is not None]
    texts = [text for one in every for text in attack_texts(*one)]
    asked = [found for one in every if (found := is_reachable(*one)) is not None]
    more = [share for one in every if (share := more_light(*one)) is not None]
    return {
        "bounds beaten": f"{sum(is_beaten(a) for a, _ in against)} of {len(against)} attacked",
        "  by": spread_of(above),
        "  by a relaxed mask only": sum(text.startswith("RELAXED") for text in texts),
        "  the others hold by": spread_of(below),
        "light found beyond the masks'": spread_of(more),
        "asked purity found after all": f"{sum(asked)} of {len(asked)} attacked that fall short",
        "seconds of an attack": spread_of([a["seconds"] for _, _, a in every], 1),
    }


def gap_rows(records: Sequence[Record]) -> dict[str, Any]:
    masks = [mask for record in records for mask in record["masks"]]
    # a robust mask's gap holds what its robustness costs, one with crosstalk another panel's bound
    plain = [m for r in records if not r.get("robust") and not r["crosstalk"] for m in r["masks"]]
    blurred = [m for r in records if not r.get("robust") and r["crosstalk"] for m in r["masks"]]
    gaps = [m["gap"] for m in plain if m["reached"] and m["gap"] is not None]
    own = [m["own_gap"] for m in plain if m.get("own_gap") is not None]
    disc = [m["gap"] for m in blurred if m["gap"] is not None]
    easier = [e for m in masks for e in m.get("easier", [])]
    timed = [r for r in records if r.get("seconds_plain")]
    ratios = [r["seconds"] / r["seconds_plain"] for r in timed]
    designs = [r["seconds_design"] / r["seconds_design_plain"] for r in timed]
    return {
        "gaps of reached masks": spread_of(gaps),
        "  below 1 %, above 3 %": shares_of(gaps),
        "gaps of the others, at their own purity": spread_of(own),
        "  below 1 %, above 3 % ": shares_of(own),
        "gaps with crosstalk, to the disc's bound": spread_of(disc),
        "odd at a lower purity": f"{_counted(f for e in easier for f in e['flags'])}; "
        f"{len(easier)} redesigned",
        "set's time against that at 0.9": spread_of(ratios, 1),
        "  of its designs alone": spread_of(designs, 1),
    }


def _counted(found: Iterable[str]) -> str:
    every = list(found)
    return ", ".join(f"{text}: {every.count(text)}" for text in sorted(set(every))) or "none"


# --- main ------------------------------------------------------------------------------------


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--seed", type=int, default=0, help="of the first bench")
    parser.add_argument("--benches", type=int, default=10)
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    parser.add_argument("--small", action="store_true", help="few modes, pixels and masks")
    parser.add_argument("--behind", action="store_true", help="targets behind a random device")
    parser.add_argument("--known", nargs="?", const="".join(KNOWN), metavar="LETTERS")
    parser.add_argument("--effort", type=float, default=1.0, help="of an attack; 0: none")
    parser.add_argument("--attacks", type=int, default=2, help="masks of a bench to attack")
    parser.add_argument("--redesigned", type=int, default=1, help="masks asked to be less pure")
    parser.add_argument("--timeout", type=float, default=600.0, help="seconds for each step")
    parser.add_argument("--out", type=Path, help="file for the records")
    parser.add_argument("--write", type=Path, metavar="FOLDER", help="only write the bench files")
    return parser.parse_args()


def written(tasks: Sequence[Task], folder: Path) -> None:
    for task in tasks:
        place = folder / task.name
        place.mkdir(parents=True, exist_ok=True)
        if task.name in KNOWN:
            loaded(KNOWN[task.name], place, f"known-{task.name}")
        else:
            drawn(int(task.name), place, task.small, behind=task.behind)


def main() -> int:
    chosen = arguments()
    names = chosen.known or [str(chosen.seed + k) for k in range(chosen.benches)]
    attacks = chosen.attacks if chosen.effort > 0 else 0
    plain = Task(
        "",
        chosen.small,
        chosen.behind,
        chosen.effort,
        attacks,
        chosen.redesigned,
        chosen.timeout,
    )
    tasks = [replace(plain, name=name) for name in names]
    if chosen.write:
        written(tasks, chosen.write)
        return 0
    records: list[dict[str, Any]] = []
    for record in run_all(tasks, chosen.jobs):
        records.append(record)
        print(line_of(record), flush=True)
        if chosen.out:
            with chosen.out.open("a", encoding="utf-8") as file:
                file.write(json.dumps(record) + "\n")
    print("\n" + table_of(records))
    beaten = any(is_beaten(attack) for _, _, attack in attacks_of(records))
    return int(beaten or any(record["crashes"] for record in records))


if __name__ == "__main__":
    sys.exit(main())
