"""A finished set, opened: for scripts."""

import os
from pathlib import Path

from maskforge import bench as benches
from maskforge.base.arguments import path_of
from maskforge.bench import Bench
from maskforge.bench.given import bench_given
from maskforge.sets.reading import WrittenSet, read_set

Folder = str | os.PathLike[str] | WrittenSet


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
