"""In which keys two benches differ."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from maskforge.bench import Bench, resolved
from maskforge.bench.files import files_in
from maskforge.bench.sections import SECTIONS

FOLLOWING = ("core_index", "cladding_index")
"""Keys that are written out where they follow from others: they count where both give them."""


@dataclass(frozen=True)
class Difference:
    """A key in which two benches differ, and what each has written out; None: nothing.

    Of data files that is the path: `content` tells whether what is in them differs.
    """

    section: str
    key: str
    values: tuple[object, object]
    content: bool

    @property
    def name(self) -> str:
        """ "[light] waist_mm"."""
        return f"[{self.section}] {self.key}"


def differences(one: Bench, other: Bench) -> Iterator[Difference]:
    """In the order of the bench file; of data files what is in them counts, not the path."""
    both = one, other
    written = [resolved(each) for each in both]
    for section, model in SECTIONS.items():
        for key in model.model_fields:
            own = [getattr(getattr(each, section), key) for each in both]
            if key in FOLLOWING and None in own:
                continue
            values = [_rounded(text.get(section, {}).get(key)) for text in written]
            files = [
                [(one.names, one.data.tolist()) for one in found]
                for found in map(files_in, own)
                if found
            ]
            differs = files[0] != files[-1] if len(files) == len(both) else values[0] != values[1]
            if differs:
                yield Difference(section, key, (values[0], values[1]), len(files) == len(both))


def _rounded(value: Any) -> object:
    """A sum of squares may come back with another last digit."""
    if isinstance(value, float):
        return round(value, 12)
    if isinstance(value, Mapping):
        return {key: _rounded(each) for key, each in value.items()}
    return value
