"""A step's folder as it was read: what its pages show, and the pages themselves."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from maskforge.align.scene import Detector
from maskforge.align.step import Step, Values
from maskforge.base.errors import BenchError
from maskforge.bench import Bench
from maskforge.launch.panel import Picture
from maskforge.sets.reading import stack_pages
from maskforge.sets.stack import pixel_hash

PICTURES, HEADER = "stack.tif", "bringup.json"


@dataclass(frozen=True, eq=False)
class Stack:
    """A step's folder read back.

    `frames`: what each page shows; `hashes`: of its pixels; `order`: the pages as the play list
    shows them, one every `seconds`.
    """

    folder: Path
    step: Step
    bench: Bench
    detector: Detector
    frames: tuple[Values, ...]
    hashes: tuple[str, ...]
    order: tuple[int, ...]
    seconds: float


def pictures(stack: Stack) -> Iterator[Picture]:
    """The pages one at a time; BenchError where they are not the ones that the header tells of."""
    path, count = stack.folder / PICTURES, 0
    for picture in stack_pages(path):
        if count == len(stack.hashes):
            raise BenchError(f"{path}: more pages than the {count} frames of {HEADER}")
        if pixel_hash(picture) != stack.hashes[count]:
            raise BenchError(f"{path}: page {count} is not the picture that {HEADER} tells of")
        yield picture
        count += 1
    if count < len(stack.hashes):
        raise BenchError(f"{path}: {count} pages, {HEADER} tells of {len(stack.hashes)}")
