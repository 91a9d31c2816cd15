"""Whether a manifest says all that it has to: its bench written out, and what made it."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import asdict
from typing import Any

from maskforge import bench as benches
from maskforge.base.wording import shown, some_of
from maskforge.bench import Bench
from maskforge.sets.names import MANIFEST
from maskforge.sets.reading import WrittenSet

MAKERS = ("maskforge", "python", "numpy", "scipy")
"""What made a set, by `manifest_text`."""

ROUNDED = 1e-9
"""Of a number: how far one that follows from other keys may be off."""


def key_problems(written: WrittenSet, bench: Bench) -> Iterator[str]:
    """Keys of the manifest's bench that are not as the bench, read and written again, has them.

    The glass's indices are for `claims`.
    """
    whole = benches.resolved(bench, start=written.folder)
    for section, keys in whole.items():
        stated = written.bench.get(section)
        stated = stated if isinstance(stated, Mapping) else {}
        missing = [key for key in keys if key not in stated]
        if missing:
            yield f"{MANIFEST}: bench [{section}]: keys are missing: {some_of(missing)}"
        for key, value in keys.items():
            if key in stated and not key.endswith("_index") and not _same(stated[key], value):
                yield (
                    f"{MANIFEST}: bench [{section}] {key} = {shown(stated[key])}, written out it "
                    f"is {shown(value)}"
                )
    made = written.made_with
    if not isinstance(made, Mapping) or not all(isinstance(made.get(key), str) for key in MAKERS):
        yield f"{MANIFEST}: made_with: must have the versions of {', '.join(MAKERS)}"


def safety_problems(written: WrittenSet, bench: Bench) -> Iterator[str]:
    """Power figures of the manifest that its bench does not give, or that are missing."""
    found = benches.safety(bench)
    if written.safety is None:
        if found is not None:
            power = found.power_mw
            yield f"{MANIFEST}: safety: is missing, and the bench says power_mw = {power:g}"
        return
    if found is None:
        yield f"{MANIFEST}: safety: is there, and the bench says no power_mw"
        return
    for key, value in asdict(found).items():
        stated = getattr(written.safety, key)
        if not _same(stated, value):
            yield (
                f"{MANIFEST}: safety {key} = {shown(stated)}, the bench gives {shown(value)}: one "
                "of them was edited after the set was written"
            )


def _same(stated: Any, value: Any) -> bool:
    if isinstance(stated, float) and isinstance(value, float):
        return math.isclose(stated, value, rel_tol=ROUNDED)
    return bool(stated == value)
