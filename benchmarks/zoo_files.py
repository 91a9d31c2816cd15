"""What random benches are drawn with, and the data files that they name (see `zoo_benches`)."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import tifffile

Keys = dict[str, Any]
Random = np.random.Generator


@dataclass(frozen=True)
class Draw:
    """What the parts of a bench are drawn with; data files go into `files`."""

    rng: Random
    folder: Path
    small: bool

    def chance(self, share: float) -> bool:
        return bool(self.rng.random() < share)

    def within(self, low: float, high: float, digits: int = 4) -> float:
        return round(float(self.rng.uniform(low, high)), digits)

    def between(self, low: float, high: float) -> float:
        """Of even logarithm."""
        return float(np.exp(self.rng.uniform(np.log(low), np.log(high))))

    def one_of(self, items: Sequence[Any], weights: Sequence[float] | None = None) -> Any:
        share = None if weights is None else np.array(weights) / sum(weights)
        return items[int(self.rng.choice(len(items), p=share))]


def index_table(draw: Draw, radius: float, na: float, alpha: float) -> str:
    """A measured profile: a power law with a dip on the axis and a little noise."""
    r = np.linspace(0, 1.1 * radius, int(draw.rng.integers(12, 60)))
    shape = np.maximum(1 - (r / radius) ** alpha, 0)
    dip = 1 - draw.within(0, 0.3) * np.exp(-((r / (0.1 * radius)) ** 2))
    shape = shape * dip * (1 + 0.01 * draw.rng.normal(size=r.size))
    index = np.sqrt(1.4470**2 + na**2 * shape)
    return _csv(draw, "index.csv", "r_um,n", np.column_stack([r, index]), "%.7f")


def _csv(draw: Draw, name: str, header: str, rows: Any, form: str = "%.6g") -> str:
    np.savetxt(draw.folder / name, rows, form, ",", header=header, comments="")
    return name


def grey_table(draw: Draw) -> str:
    """A measured panel: phase by a bent line, amplitude dropping where the phase is half way."""
    count = draw.one_of((2, int(draw.rng.integers(4, 33)), 256), (1, 4, 1))
    drive = np.arange(count) / max(count - 1, 1)
    phase = draw.within(150, 390) * drive ** draw.within(0.7, 1.4)
    greys = np.rint(drive * 255)
    if draw.chance(0.3):
        return _csv(draw, "grey.csv", "grey,phase_deg", np.column_stack([greys, phase]))
    amplitude = 1 - draw.within(0, 0.4) * np.sin(np.pi * drive) ** 2 - draw.within(0, 0.15) * drive
    rows = np.column_stack([greys, phase, amplitude])
    return _csv(draw, "grey.csv", "grey,phase_deg,amplitude", rows)


def flatness(draw: Draw, rows: int, columns: int) -> str:
    x, y = np.linspace(-1, 1, columns), np.linspace(-1, 1, rows)[:, None]
    weights = draw.rng.normal(size=5)
    map_ = weights[0] * x * x + weights[1] * y * y + weights[2] * x * y
    map_ = map_ + weights[3] * x**3 + weights[4] * np.cos(3 * x + 2 * y)
    map_ = map_ * draw.within(0.03, 0.4) / np.max(np.abs(map_))
    if draw.chance(0.3):
        np.savetxt(draw.folder / "flatness.csv", map_, "%.5f", ",")
        return "flatness.csv"
    tifffile.imwrite(draw.folder / "flatness.tif", map_.astype(np.float32))
    return "flatness.tif"


def beam_image(draw: Draw, waist: float) -> Keys:
    """A camera's picture of a beam that is not quite a Gaussian."""
    step = waist / draw.within(12, 30)
    count = int(np.ceil(5 * waist / step))
    z = (np.arange(count) - (count - 1) / 2) * step / waist
    x, y = z * draw.within(0.9, 1.1), z[:, None]
    beam = np.exp(-2 * (x**2 + y**2)) * (1 + 0.15 * np.sin(draw.within(2, 6) * x + y))
    beam = np.maximum(beam + 0.003 * draw.rng.normal(size=beam.shape), 0)
    tifffile.imwrite(draw.folder / "beam.tif", np.rint(4095 * beam / beam.max()).astype(np.uint16))
    return {"image": "beam.tif", "image_pixel_um": round(1e3 * step, 3)}
