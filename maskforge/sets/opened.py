"""A finished set, opened and checked: what `maskforge check` does, for scripts."""

import os
from dataclasses import dataclass
from pathlib import Path

from threadpoolctl import threadpool_limits

from maskforge import bench as benches
from maskforge.base.arguments import path_of
from maskforge.bench import Bench
from maskforge.bench.given import bench_given
from maskforge.sets.check.check import checked, page_texts
from maskforge.sets.reading import WrittenSet, pages, read_set

Folder = str | os.PathLike[str] | WrittenSet


@dataclass(frozen=True)
class Checked:
    """What a check found: `problems` in lines, and the largest deviations of what was computed
    again: of a coupling, of a figure, of a bound."""

    problems: tuple[str, ...]
    couplings: float
    figures: float
    bounds: float

    @property
    def agrees(self) -> bool:
        return not self.problems


def opened(folder: Folder) -> WrittenSet:
    """The set in a folder; BenchError, one line, where there is none."""
    return folder if isinstance(folder, WrittenSet) else read_set(path_of("folder", folder))


def set_or_bench(source: object) -> WrittenSet | Bench:
    """The finished set where a source is one, or a folder that has no preset's name; else the bench
    that it is, or names.  Raises BenchError."""
    if isinstance(source, WrittenSet):
        return source
    if isinstance(source, str | os.PathLike) and "\0" not in os.fspath(source):
        presets = [name for kind, name, _ in benches.preset_names() if kind == "bench"]
        if os.fspath(source) not in presets and Path(source).is_dir():
            return read_set(Path(source))
    return bench_given(source)


def check(folder: Folder) -> Checked:
    """Checks a finished set from its files alone, as `maskforge check` does but for the page.

    Raises BenchError, one line, where the folder holds no set.
    """
    written = opened(folder)
    problems: list[str] = []
    most = [0.0, 0.0, 0.0]
    with threadpool_limits(1):
        for finding in checked(written, pages(written), page_texts(written.stack)):
            problems += [one.line for one in finding.problems]
            off = finding.deviations
            each = (off.couplings, off.figures, off.bounds)
            most = [max(one, other) for one, other in zip(most, each, strict=True)]
    return Checked(tuple(problems), *most)
