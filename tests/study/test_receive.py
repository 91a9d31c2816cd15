"""Masks as receivers: reciprocity by light that really goes backwards, and the figures by hand."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from maskforge.launch.couplings import couplings
from maskforge.launch.modulator import Carrier, emitted, levels
from maskforge.launch.passage import Output, Passage
from maskforge.launch.targets import Target
from maskforge.sets.manifest import Record
from maskforge.study.receive import ends_of, received
from tests.benches import MASK_WAIST, SCALE, beam, in_squares, on_parabola
from tests.commands import SIX_MODES, changed, ran, toml_text

FILL = 0.9


def record(target: str = "LP01") -> Record:
    return Record(
        0, 0, target, 0.0, "dual", 1, 1, 1, None, None, None, None, None, "", True, "done"
    )


def test_light_backwards_gives_the_launch_matrix_transposed() -> None:
    """A mode's field through the lens onto the mask, there the states, and its overlap with the
    beam on every pixel (Gauss nodes): nothing of the package's way forwards."""
    count, pitch, waist = 32, MASK_WAIST / 5, 1.5 * MASK_WAIST
    launch = on_parabola(
        beam(1.5),
        shape=(count, count),
        pitch=pitch,
        alphabet=levels(8),
        carrier=Carrier(4.0, 0.5),
        fill_factor=FILL,
    )
    states = np.random.default_rng(1).integers(8, size=(count, count)).astype(np.uint16)
    factors = emitted(launch.modulator, states)
    forwards = couplings(launch, factors)
    far = max(mode.radial.field.radius_enclosing(1e-15) for mode in launch.basis)
    u = np.linspace(-far, far, 161)
    r, theta = np.hypot(u, u[:, None]), np.arctan2(u[:, None], u)
    x, dx = in_squares(count, pitch, pitch * math.sqrt(FILL))
    light = math.sqrt(2 / math.pi) / waist * np.exp(-(x**2 + x[:, None] ** 2) / waist**2)
    shown = np.kron(factors, np.ones((x.size // count, x.size // count)))
    to_x, to_y = (
        np.exp(-2j * math.pi / SCALE * np.outer(x, u + middle)) for middle in launch.centre
    )
    for mode in launch.basis:
        turn = {None: math.sqrt(0.5), "cos": np.cos(mode.l * theta), "sin": np.sin(mode.l * theta)}
        field = mode.radial.field(r) * turn[mode.part] / math.sqrt(math.pi)
        arrives = (u[1] - u[0]) ** 2 / (1j * SCALE) * (to_y @ field @ to_x.T)
        got = np.sum(arrives * shown * light * dx * dx[:, None])
        assert got == pytest.approx(forwards[mode.index], abs=2e-6)


def test_figures_by_hand() -> None:
    target = Target("LP11", 90.0, np.array([0, 0, 1], dtype=complex))
    found = received(record("LP11"), target, np.array([0.1, 0.02, 0.8j]), ["LP01", "a", "b"])
    assert found.own == pytest.approx(0.64)
    assert found.loss_db == pytest.approx(-10 * math.log10(0.64))
    assert found.worst == "LP01"
    assert found.crosstalk_db == pytest.approx(10 * math.log10(0.01 / 0.64))
    assert found.all_crosstalk_db == pytest.approx(10 * math.log10(0.0104 / 0.64))
    assert found.powers == pytest.approx((0.01, 0.0004, 0.64))


def test_the_own_modes_in_another_sum_are_told_apart() -> None:
    both = Target("mix", 0.0, np.array([1, 1j, 0]) / math.sqrt(2))
    # half in the target, as much in the sum that is orthogonal to it
    found = received(record("mix"), both, np.array([0.5, 0, 0.1], dtype=complex), ["a", "b", "c"])
    assert found.own == pytest.approx(0.125)
    assert found.worst == "mix otherwise"
    assert found.worst_power == pytest.approx(0.125)
    assert found.others == pytest.approx(0.135)
    # light in the target's complex conjugate is what it gets most of
    conjugate = np.conj(both.vector)
    launched = 0.7 * both.vector
    assert abs(launched @ conjugate) ** 2 == pytest.approx(0.49)
    assert received(record(), both, launched, ["a", "b", "c"]).own == pytest.approx(0.49)


def test_a_mask_without_light() -> None:
    target = Target("LP01", 0.0, np.array([1, 0], dtype=complex))
    found = received(record(), target, np.zeros(2, dtype=complex), ["a", "b"])
    assert math.isinf(found.loss_db)
    assert found.others == 0


def test_behind_a_device_light_enters_its_outputs() -> None:
    passage = Passage((Output("a", 1), Output("b", 2)), np.eye(2, 6, dtype=complex))
    launch = on_parabola(beam(1.5), shape=(16, 16))
    assert ends_of(launch.basis, passage) == ("a", "b")
    assert ends_of(launch.basis, None)[:2] == ("LP01", "LP11 cos")


@pytest.mark.long
@pytest.mark.parametrize("labels", [["LP01", "LP11"], ["LP01", "LP11", "LP21"]])
def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str], labels: list[str]) -> None:
    """A row of the CSV file is the mask's row of coupling.csv."""
    keys = changed(
        SIX_MODES,
        targets={"labels": labels, "orientations": 2 if len(labels) == 2 else 5},
        design={"method": "simple"},
    )
    (tmp_path / "b.toml").write_text(toml_text(keys), "utf-8")
    folder, table = tmp_path / "set", tmp_path / "r.csv"
    ran(capsys, "design", tmp_path / "b.toml", "--out", folder)
    code, out, err = ran(capsys, "predict", folder, "--receive", "--csv", table)
    assert (code, err) == (0, "")
    assert ("most behind" in out) == (len(labels) == 3)
    assert "all others" in out
    powers = list(csv.DictReader((folder / "coupling.csv").read_text("utf-8").splitlines()))
    for row, own in zip(csv.DictReader(table.read_text("utf-8").splitlines()), powers, strict=True):
        for name in ("LP01", "LP11 cos", "LP21 sin", "LP02"):
            assert float(row[f"from {name}"]) == pytest.approx(float(own[name]), rel=1e-9)
    code, _, err = ran(capsys, "predict", folder, "--receive", "--budget")
    assert code == 2
    assert err == "error: --budget: goes without --receive, which is about light from the fibre\n"
