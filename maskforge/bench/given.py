"""What a script gives for a bench."""

from pathlib import Path

from maskforge import bench as benches
from maskforge.base.errors import BenchError
from maskforge.base.wording import one_line, shown
from maskforge.bench import Bench


def bench_given(bench: object) -> Bench:
    """A bench, or the one of a preset's name or a path; BenchError for anything else."""
    if isinstance(bench, Bench):
        return bench
    if not isinstance(bench, str | Path):
        raise BenchError(one_line(f"bench = {shown(bench)}: must be a preset's name, or a path"))
    return benches.load(bench)
