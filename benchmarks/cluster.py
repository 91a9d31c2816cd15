"""What a scheduler and a disk can do, with tasks of the measured sizes that compute nothing.

    python benchmarks/cluster.py [--tasks 50000] [--workers 200] [--seconds 0.05] [--disk FOLDER]

A scheduler and workers of Dask run in processes here: `--workers` of them over `--processes`
processes.  A task sleeps and gives back as many bytes as a chain of masks does, through the very
function that `design --cluster` uses (`cluster.workers`).  A sleep is far shorter than a chain's
design, so that the scheduler, and not the workers, is what limits: the rate is its own.  Then a
set's pages are written and synchronised over and over, which is the disk's rate.
"""

import argparse
import logging
import os
import pickle
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import nullcontext
from functools import partial
from multiprocessing import get_context
from pathlib import Path

from maskforge.base import cluster
from maskforge.base.cluster import Cluster, worker_count, workers
from maskforge.base.crew import in_order
from maskforge.base.errors import ClusterError

PORT = 18786

QUIET = {
    "DASK_DISTRIBUTED__WORKER__PROFILE__ENABLED": "False",
    "DASK_DISTRIBUTED__ADMIN__SYSTEM_MONITOR__INTERVAL": "30s",
}
"""Dask's look at itself: of hundreds of workers on a few cores it would take all of their time."""


def sleeping(seconds: float, size: int) -> "Callable[[int], tuple[int, bytes]]":
    """What a worker does with a task."""
    content = os.urandom(size)

    def work(place: int) -> tuple[int, bytes]:
        time.sleep(seconds)
        return place, content

    return work


def crew(address: str, count: int) -> None:
    """Workers of one thread each, in this process."""
    import asyncio

    from distributed import Worker

    logging.disable(logging.CRITICAL)
    # many workers share this process, where a real one has it to itself and takes its tasks in turn
    cluster._one = nullcontext()
    cluster.threadpool_limits = nullcontext

    async def run() -> None:
        workers = [
            await Worker(address, nthreads=1, dashboard=False, memory_limit=0) for _ in range(count)
        ]
        await asyncio.gather(*(one.finished() for one in workers))

    asyncio.run(run())


def workers_at(address: str) -> int:
    try:
        return worker_count(Cluster(address))
    except ClusterError:
        return 0


def cpu_of(process: int) -> float:
    """Seconds of CPU time that a process has taken."""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def memory_of(process: int) -> float:
    """Its largest memory in MiB."""
    for line in Path(f"/proc/{process}/status").read_text().splitlines():
        if line.startswith("VmHWM"):
            return int(line.split()[1]) / 1024
    return 0.0


def scheduled(args: argparse.Namespace) -> None:
    os.environ.update(QUIET)
    address = f"tcp://127.0.0.1:{PORT}"
    command = ["--host", "127.0.0.1", "--port", str(PORT), "--no-dashboard"]
    scheduler = subprocess.Popen(
        [sys.executable, "-m", "distributed.cli.dask_scheduler", *command],
        stderr=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
    )
    context = get_context("spawn")
    share = args.workers // args.processes
    crews = [context.Process(target=crew, args=(address, share)) for _ in range(args.processes)]
    try:
        for one in crews:
            one.start()
        deadline = time.monotonic() + 180
        while workers_at(address) < share * args.processes:
            if time.monotonic() > deadline:
                raise SystemExit("the workers did not start")
            time.sleep(1)
        before = cpu_of(scheduler.pid), sum(cpu_of(one.pid) for one in crews)
        own, began = resource.getrusage(resource.RUSAGE_SELF), time.perf_counter()
        start = partial(sleeping, args.seconds, args.size)
        results = in_order(workers(Cluster(address), start), range(args.tasks))
        for at, (place, content) in enumerate(results):
            assert (place, len(content)) == (at, args.size)
        wall = time.perf_counter() - began
        used = cpu_of(scheduler.pid) - before[0]
        theirs = sum(cpu_of(one.pid) for one in crews) - before[1]
        mine = resource.getrusage(resource.RUSAGE_SELF)
        client = mine.ru_utime + mine.ru_stime - own.ru_utime - own.ru_stime
        print(f"{args.tasks} tasks of {args.seconds} s and {args.size} bytes")
        print(f"{share * args.processes} workers in {args.processes} processes")
        print(f"wall {wall:.1f} s, {args.tasks / wall:.0f} tasks a second")
        for who, seconds in (("scheduler", used), ("client", client), ("workers", theirs)):
            print(f"{who}: {1e3 * seconds / args.tasks:.3f} ms of CPU time a task")
        print(f"scheduler: at most {memory_of(scheduler.pid):.0f} MiB")
        print(f"bytes of a task sent: {len(pickle.dumps(range(12)))}, given back: {args.size}")
    finally:
        for one in crews:
            one.kill()
        scheduler.kill()


def disk_rate(folder: Path, size: int) -> None:
    """Files of a set's size, written and synchronised."""
    content, count = os.urandom(size), 20
    with tempfile.TemporaryDirectory(dir=folder) as place:
        began = time.perf_counter()
        for at in range(count):
            with (Path(place) / str(at)).open("wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
        wall = time.perf_counter() - began
    print(f"disk: {count} files of {size} bytes, {count * size / wall / 2**20:.0f} MiB a second")


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--tasks", type=int, default=50_000)
    parser.add_argument("--workers", type=int, default=200)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--seconds", type=float, default=0.05)
    parser.add_argument("--size", type=int, default=200_000, help="bytes that a task gives back")
    parser.add_argument("--disk", type=Path, default=Path("."))
    args = parser.parse_args()
    scheduled(args)
    disk_rate(args.disk, 20 * 2**20)


if __name__ == "__main__":
    main()
