"""The bring-up's small bench has one fibre: its modes are solved once."""

from collections.abc import Iterator
from functools import lru_cache

import pytest

from maskforge.align import scene
from maskforge.bench import Bench
from maskforge.bench.ready import guided_basis
from maskforge.bench.sections import FiberSection
from maskforge.launch.basis import Basis


@pytest.fixture(scope="session", autouse=True)
def _one_fibre() -> Iterator[None]:
    benches: dict[FiberSection, Bench] = {}

    @lru_cache(maxsize=8)
    def solved(part: FiberSection, wavelength_nm: float) -> Basis:
        return guided_basis(benches[part])

    def remembered(bench: Bench) -> Basis:
        benches[bench.fiber] = bench
        return solved(bench.fiber, bench.light.wavelength_nm)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(scene, "guided_basis", remembered)
        yield
