"""A step's folder: the pictures, what they are, when they are shown, and what to watch.

stack.tif      one page a frame, the whole panel
bringup.json   the step, the bench, the detector, and of every page what it shows
playlist.csv   which page is shown when
WATCH.txt      what to watch and to do
"""

import json
import textwrap
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from maskforge import bench as benches
from maskforge.align.catalogue import step_of
from maskforge.align.readings import DARK
from maskforge.align.scene import Detector, Scene
from maskforge.align.stack import HEADER, PICTURES, Stack
from maskforge.align.step import Shots, Step, Values, micrometres
from maskforge.base.csv_text import csv_text
from maskforge.base.errors import BenchError
from maskforge.base.files import Kind, replacing, telling
from maskforge.base.ranges import BadValueError
from maskforge.base.safety import CAUTION
from maskforge.base.version import VERSION as RELEASE
from maskforge.base.wording import one_line, shown
from maskforge.playing.playlist import Timing
from maskforge.sets.names import is_manifest
from maskforge.sets.reading import read_header
from maskforge.sets.stack import page_of, pixel_hash, stack

FORMAT, VERSION = "maskforge-bringup", 1
PLAYLIST, WATCH = "playlist.csv", "WATCH.txt"
OWN = frozenset({PICTURES, HEADER, PLAYLIST, WATCH})

LENGTHS = ("order_x_um", "order_y_um", "aside_x_um", "aside_y_um", "radius_um")
"""Of a detector."""

PASSES = 3
MOST_READINGS = 100_000
"""Times that each frame is shown: a median of three outlives a wild one."""

EVERY = 10
"""Frames between two looks at the reference."""

TEXT_WIDTH = 96

SEED = 0
"""Frames come by chance, so that drift does not pass for a slope; always by the same chance."""


KIND = Kind("stack", lambda folder: is_manifest(folder / HEADER, FORMAT), lambda folder: OWN)


# --- written ---------------------------------------------------------------------------------


def write_stack(
    out: Path, scene: Scene, step: Step, shots: Shots, timing: Timing, passes: int = PASSES
) -> int:
    """Writes a step's folder, whole or not at all; how many readings its play list takes.

    Raises OutputError where it cannot be written, BadValueError for too many readings.
    """
    count = len(shots.frames) * passes
    if count > MOST_READINGS:
        text = f"makes {count} readings, more than {MOST_READINGS}"
        raise BadValueError(text, "passes", passes)
    order = played(len(shots.frames), passes)
    bench = benches.resolved(scene.bench, start=out.resolve())
    with replacing(out, KIND) as folder:
        hashes = _write_pictures(folder, out, scene, shots)
        texts = {
            HEADER: _header_text(bench, step, shots, hashes, order, float(timing.step)),
            PLAYLIST: _playlist_text(shots, order, timing),
            WATCH: watch_text(step, shots, timing, len(order), benches.power_warning(scene.bench)),
        }
        for name, text in texts.items():
            with telling(out / name):
                (folder / name).write_text(text, encoding="utf-8", newline="")
    return len(order)


def _write_pictures(folder: Path, out: Path, scene: Scene, shots: Shots) -> list[str]:
    rows, columns = scene.whole.shape
    size = len(shots.frames) * rows * columns * scene.whole.alphabet.bits // 8
    hashes = []
    with stack(folder / PICTURES, size, out / PICTURES) as append:
        for values in shots.frames:
            picture = shots.picture(values)
            append(page_of(picture), described(values))
            hashes.append(pixel_hash(picture))
    return hashes


def described(values: Values) -> str:
    """ "x_um 3, y_um 0"; "reference" where it shows none of its values."""
    told = [
        f"{key} {value:g}" if isinstance(value, float) else f"{key} {value}"
        for key, value in values.items()
        if value is not None
    ]
    return ", ".join(told) or "reference"


def played(frames: int, passes: int) -> list[int]:
    """Pages in the order of showing: by chance, each pass anew, page 0 again and again."""
    chance = np.random.default_rng(SEED)
    order = [int(page) for _ in range(passes) for page in chance.permutation(frames)]
    out = []
    for place, page in enumerate(order):
        if place % EVERY == 0:
            out.append(0)
        out.append(page)
    return [*out, 0]


def _header_text(
    bench: Mapping[str, Any],
    step: Step,
    shots: Shots,
    hashes: Sequence[str],
    order: Sequence[int],
    seconds: float,
) -> str:
    content = {
        "format": FORMAT,
        "version": VERSION,
        "step": step.name,
        "purpose": step.purpose,
        "bench": bench,
        "detector": _detector_entry(shots.detector),
        "played": {"pages": list(order), "seconds_a_step": seconds},
        "frames": [
            {"page": page, **values, "sha256": digest}
            for page, (values, digest) in enumerate(zip(shots.frames, hashes, strict=True))
        ],
        "made_with": {"maskforge": RELEASE},
    }
    return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _detector_entry(detector: Detector) -> dict[str, object]:
    lengths = (*detector.order, *detector.aside, detector.radius)
    return {"kind": detector.kind} | {
        key: micrometres(value) for key, value in zip(LENGTHS, lengths, strict=True)
    }


def _playlist_text(shots: Shots, order: Sequence[int], timing: Timing) -> str:
    keys = list(shots.frames[0])
    rows = [
        [
            step,
            float(step * timing.step),
            timing.dwell_ms,
            PICTURES,
            page,
            *(shots.frames[page][key] for key in keys),
        ]
        for step, page in enumerate(order)
    ]
    return csv_text(["step", "time_s", "dwell_ms", "file", "page", *keys], rows)


def watch_text(
    step: Step, shots: Shots, timing: Timing, readings: int, warning: str | None = None
) -> str:
    """What to watch and do, for the person at the bench; `warning`: of too much power."""
    x, y = (micrometres(z) * 1e-3 for z in shots.detector.place)
    where = f"x = {x:.5g} mm, y = {y:.5g} mm from the zero order (x and y as on the panel)"
    if shots.detector.kind == "fiber":
        detector = f"the power through the fibre, its core nominally at {where}."
    else:
        radius = micrometres(shots.detector.radius)
        detector = f"the power through a hole of {radius:.4g} um radius at {where}."
    seconds = readings * float(timing.step)
    parts = [
        f"{step.name}: {step.purpose}",
        f"Detector: {detector}",
        *shots.watch,
        f"Readings: play {PLAYLIST} ({readings} readings, {seconds:.4g} s) and write a CSV file "
        "with the columns time_s, page, power_mw (or power_dbm), a row a reading; columns beyond "
        "these do no harm. Frames come by chance, with page 0 in between, so that drift can be "
        f"told from the scan. Before and after, take some readings with the beam blocked: page = "
        f"{DARK}.",
        "Then: maskforge readings fit <this folder> readings.csv",
        f"Next: {step.after}",
        CAUTION,
        *(() if warning is None else (f"Warning: {warning}",)),
    ]
    lines = (line for part in parts for line in [*part.split("\n"), ""])
    filled = [textwrap.fill(line, TEXT_WIDTH) if line else "" for line in lines]
    return "\n".join(filled)


# --- read back -------------------------------------------------------------------------------


def read_stack(folder: Path) -> Stack:
    """The stack in a folder; BenchError, one line with file and key, where there is none."""
    path = folder / HEADER
    content = _content(folder)
    frames: list[Values] = []
    hashes: list[str] = []
    for page, entry in enumerate(content["frames"]):
        values, digest = _frame(f"{path}: frames[{page}]", page, entry)
        if frames and values.keys() != frames[0].keys():
            raise BenchError(f"{path}: frames[{page}]: must have the keys of frames[0]")
        frames.append(values)
        hashes.append(digest)
    if not frames:
        raise BenchError(f"{path}: frames: holds no frame")
    try:
        step = step_of(content["step"])
    except BadValueError as problem:
        raise BenchError(f"{path}: step = {problem.value}: {problem.text}") from None
    return Stack(
        folder=folder,
        step=step,
        bench=benches.from_written(content["bench"], str(path), folder),
        detector=_detector(path, content["detector"]),
        frames=tuple(frames),
        hashes=tuple(hashes),
        order=_order(path, content["played"].get("pages"), len(frames)),
        seconds=_seconds(path, content["played"].get("seconds_a_step")),
    )


def _content(folder: Path) -> dict[str, Any]:
    path = folder / HEADER
    content = read_header(path, "a bring-up stack", FORMAT, VERSION)
    for key, kind, word in (
        ("step", str, "text"),
        ("bench", dict, "an object"),
        ("detector", dict, "an object"),
        ("played", dict, "an object"),
        ("frames", list, "an array"),
    ):
        if not isinstance(content.get(key), kind):
            raise BenchError(f"{path}: {key}: must be {word}")
    return content


def _number(where: str, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < 1e12:
        raise BenchError(one_line(f"{where} = {shown(value)}: must be a finite number"))
    return float(value)


def _order(path: Path, pages: object, frames: int) -> tuple[int, ...]:
    if not isinstance(pages, list) or not all(
        type(page) is int and 0 <= page < frames for page in pages
    ):
        raise BenchError(f"{path}: played pages: must be an array of pages from 0 to {frames - 1}")
    return tuple(pages)


def _seconds(path: Path, value: object) -> float:
    seconds = _number(f"{path}: played seconds_a_step", value)
    if seconds <= 0:
        raise BenchError(f"{path}: played seconds_a_step = {seconds:g}: must be above 0 s")
    return seconds


def _detector(path: Path, entry: Mapping[str, object]) -> Detector:
    kind = entry.get("kind")
    if kind not in ("fiber", "pinhole"):
        raise BenchError(
            one_line(f'{path}: detector kind = {shown(kind)}: must be "fiber" or "pinhole"')
        )
    x, y, across, up, radius = (
        _number(f"{path}: detector {key}", entry.get(key)) * 1e-6 for key in LENGTHS
    )
    if kind == "pinhole" and radius <= 0:
        raise BenchError(f"{path}: detector radius_um: must be above 0 um for a pinhole")
    return Detector(str(kind), (x, y), radius, (across, up))


def _frame(where: str, page: int, entry: object) -> tuple[Values, str]:
    if not isinstance(entry, dict):
        raise BenchError(one_line(f"{where} = {shown(entry)}: must be an object"))
    if entry.get("page") != page:
        raise BenchError(f"{where} page = {shown(entry.get('page'))}: must be {page}")
    digest = entry.get("sha256")
    if not isinstance(digest, str):
        raise BenchError(f"{where} sha256: must be text")
    values = {key: value for key, value in entry.items() if key not in ("page", "sha256")}
    for key, value in values.items():
        if value is not None and not isinstance(value, str):
            _number(f"{where} {key}", value)
    return values, digest
