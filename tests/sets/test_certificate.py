"""The proofs that a set carries, checked with nothing but the file, the set and the bench's arrays.

The bound is recomputed by direct sums: no transform, no back-propagation, no convex hull of the
package; and by the program of docs/proof.md.  Weak duality: Boyd and Vandenberghe, Convex
Optimization, sec. 5.1.
"""

import json
import re
import subprocess
import sys
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from maskforge import bench as benches
from maskforge.bench import Bench
from maskforge.bench.ready import Prepared, prepared
from maskforge.launch.couplings import Launch
from maskforge.launch.fourier import fourier_rows
from maskforge.methods.cover import STEPS, certified_bound, proof_of
from maskforge.sets.designing import Finished, finished_masks
from maskforge.sets.names import OWN
from maskforge.sets.writing import Head, write_set

Complex = NDArray[np.complex128]

PLACES: dict[str, dict[str, Any]] = {
    "on the axis": {"carrier_period_px": 0.0},
    "carrier": {"carrier_period_px": 6.0, "carrier_angle_deg": 30.0},
}

ALPHABETS: dict[str, dict[str, Any]] = {
    "binary": {"alphabet": "binary"},
    "three": {"alphabet": "levels", "levels": 3},
    "gaps": {
        "alphabet": "levels",
        "levels": 8,
        "depth_deg": 300.0,
        "fill_factor": 0.8,
        "gap_reflectance": 0.5,
    },
    "uneven": {"alphabet": "binary", "phase_step_deg": 150.0},
}

BLURRED = {"blurred": {"alphabet": "levels", "levels": 4, "crosstalk_px": 0.4}}


def small(alphabet: str, place: str, purity: float = 0.99) -> Bench:
    """Six modes, 64 x 64 pixels, light and pixels such that the mask has room."""
    return benches.from_dict(
        {
            "light": {"wavelength_nm": 1310.0, "waist_mm": 0.8},
            "modulator": {"pixels": [64, 64], "pitch_um": 40.0, **(ALPHABETS | BLURRED)[alphabet]},
            "lens": {"focal_length_mm": 8.0},
            "fiber": {"preset": "six-mode-graded"},
            "targets": {"labels": ["LP21", "LP01"], "orientations": 2},
            "design": {"method": "dual", "purity": purity, **PLACES[place]},
        },
        "small",
    )


@dataclass(frozen=True, eq=False)
class Made:
    ready: Prepared
    masks: tuple[Finished, ...]

    def written(self, folder: Path) -> dict[str, NDArray[Any]]:
        """The certificate's arrays after a set was written."""
        folder.mkdir()
        launch = self.ready.launch
        resolved = benches.resolved(self.ready.bench, start=folder)
        head = Head(folder, resolved, launch.modulator, launch.basis, len(self.masks))
        write_set(folder, head, self.masks)
        with np.load(folder / "certificate.npz") as file:
            return {name: file[name] for name in file.files}


@cache
def made(alphabet: str, place: str, purity: float = 0.99) -> Made:
    ready = prepared(small(alphabet, place, purity))
    return Made(ready, tuple(finished_masks(ready)))


def pixel_weights(launch: Launch) -> Complex:
    """w a (K, pixels) with c = gaps + (w a) . s, pixel after pixel by its definition."""
    kernel = launch.kernel.reshape(-1, launch.v.size, launch.u.size)
    nearer = launch.beam.nearer
    rows_y = fourier_rows(launch.y * nearer[1], launch.v, launch.scale)
    rows_x = fourier_rows(launch.x * nearer[0], launch.u, launch.scale)
    out = np.zeros((len(kernel), *launch.incident.shape), complex)
    for layer in launch.facet.layers:
        for row, light in enumerate(layer.light):
            along_y = np.tensordot(kernel * layer.field, rows_y[:, row], axes=(1, 0))
            out[:, row] += -1j * (along_y @ rows_x) * light
    return out.reshape(len(kernel), -1)


def direct_limit(
    launch: Launch, light: Complex, row: dict[str, Any], target: Complex, step: int
) -> float:
    """The limit of |<t, c>| that a row proves for a step of phases, by `writing.certificate`.

    `light` (K, pixels) is w a.  Every state is tried on every pixel, as it is and turned.
    """
    width, mu = 2 * np.pi / STEPS, row["multipliers"]
    along = np.sum(np.conj(target) * mu)
    lost = np.sqrt(1 / row["purity"] - 1) * np.linalg.norm(mu - along * target)
    place = np.mod(np.angle(along), 2 * np.pi) / width
    away = max(abs((end - place + STEPS / 2) % STEPS - STEPS / 2) for end in (step, step + 1))
    limits = [np.inf]
    for turn, angle in ((step - np.floor(place + 1e-6), 2.0), (0.0, away)):
        turned = mu * np.exp(1j * width * turn)
        scores = np.real((np.conj(turned) @ light)[:, None] * launch.modulator.alphabet.values)
        whole = float(np.sum(np.max(scores, axis=1)) + np.real(np.vdot(turned, launch.gaps)))
        scale = abs(along) * np.cos(width * angle) - lost
        limits += [whole / scale] if scale > 0 else []
    return min(limits)


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("alphabet", ALPHABETS)
def test_the_bound_follows_from_the_file(tmp_path: Path, alphabet: str, place: str) -> None:
    """At some 60 phases of every mask, and where it is highest; no mask's efficiency is above it.

    The file's bound is larger by what the split of each v costs, 1e-7.
    """
    whole = made(alphabet, place)
    file = whole.written(tmp_path / "set")
    records = json.loads((tmp_path / "set/manifest.json").read_text("utf-8"))["masks"]
    launch = whole.ready.launch
    light = pixel_weights(launch)
    for index, (record, mask) in enumerate(zip(records, whole.masks, strict=True)):
        target = file["targets"][index]
        assert np.linalg.norm(target) == pytest.approx(1, abs=1e-12)
        purities = {record["bound_purity"]: record["bound"]}
        if record["bound_asked"] is not None:
            purities[0.99] = record["bound_asked"]
        of_mask = file["mask"] == index
        assert {*file["purity"][of_mask]} == {*purities}
        for purity, bound in purities.items():
            covered, highest = np.zeros(STEPS, dtype=int), -np.inf
            for at in np.flatnonzero(of_mask & (file["purity"] == purity)):
                row = {name: file[name][at] for name in ("multipliers", "purity", "spans")}
                steps = np.arange(*row["spans"])
                covered[steps % STEPS] += 1
                proof = proof_of(launch, mask.target, purity, row["multipliers"])
                worst = steps[np.argmax(proof.limits[steps % STEPS])]
                for step in {*steps[::120].tolist(), int(worst)}:
                    found = direct_limit(launch, light, row, target, step)
                    assert found <= np.sqrt(bound) * (1 + 1e-9)
                    highest = max(highest, found)
            np.testing.assert_array_equal(covered, 1)
            assert max(highest, 0.0) ** 2 == pytest.approx(bound, rel=1e-6)
            if record["purity"] >= purity:
                assert record["efficiency"] <= bound * (1 + 1e-9)


def lowered(asked: float, purity: float) -> Made:
    """Masks designed at a lower purity than the bench asks for, with proofs at both."""
    high, low = made("three", "carrier", asked), made("three", "carrier", purity)
    masks = [
        replace(
            one,
            design=replace(
                one.design,
                asked=asked,
                reached=False,
                excluded=other.design.certificate,
                bound_asked=other.design.bound,
            ),
        )
        for one, other in zip(low.masks, high.masks, strict=True)
    ]
    return Made(high.ready, tuple(masks))


@pytest.mark.long
def test_the_program_of_the_page_finds_the_bounds(tmp_path: Path) -> None:
    """As it stands, in a Python of its own: every bound of a set, with light of the gaps, of states
    at uneven phases, with crosstalk, and of two purities."""
    page = Path(__file__).parents[2] / "docs" / "proof.md"
    programs = re.findall(r"```python\n(.*?)```", page.read_text("utf-8"), re.S)
    (program,) = [text for text in programs if "certificate.npz" in text]
    (tmp_path / "prove.py").write_text(program, "utf-8")
    blurred = prepared(small("blurred", "carrier"))
    sets = {
        "gaps": made("gaps", "on the axis"),
        "uneven": made("uneven", "on the axis"),
        "blurred": Made(blurred, tuple(finished_masks(blurred))),
        "lowered": lowered(0.99, 0.9),
    }
    for name, whole in sets.items():
        whole.written(tmp_path / name)
        done = subprocess.run(
            [sys.executable, "prove.py", name],
            cwd=tmp_path,
            capture_output=True,
            text=True,
            check=True,
        )
        lines = [line.split() for line in done.stdout.splitlines()]
        designs = [mask.design for mask in whole.masks]
        assert len(lines) == sum(1 if one.bound_asked is None else 2 for one in designs)
        for line in lines:
            proven, told = map(float, line[3:])
            assert proven == pytest.approx(told, rel=1e-6), (name, line)


def test_the_direct_sums_are_the_launch() -> None:
    """What the test checks with gives the couplings that the set says."""
    whole = made("gaps", "carrier")
    launch = whole.ready.launch
    values = launch.modulator.alphabet.values
    weights = pixel_weights(launch)
    for mask in whole.masks:
        factors = values[mask.design.states].ravel()
        np.testing.assert_allclose(
            launch.gaps + weights @ factors, mask.prediction.couplings, atol=1e-12
        )


def own_multipliers(mask: Finished) -> NDArray[np.complex128]:
    """Those of the certificate that speak for the mask's own overall phase."""
    certificate = mask.design.certificate
    assert certificate is not None
    phase = np.angle(np.vdot(mask.target.vector, mask.prediction.couplings)) % (2 * np.pi)
    step = int(phase / (2 * np.pi) * STEPS)
    inside = [(step - a) % STEPS < b - a for a, b in certificate.spans]
    return np.asarray(certificate.multipliers[inside.index(True)])


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("alphabet", ALPHABETS)
def test_no_random_mask_is_above_the_bound(alphabet: str, place: str) -> None:
    """200 masks with the purity: the certificate's field at any overall phase, noise added.

    A mask of noise alone has no purity; these have, and the best of them come close to the bound.
    """
    whole = made(alphabet, place, 0.9)
    launch, done = whole.ready.launch, whole.masks[0]
    assert done.design.certificate is not None
    assert done.design.bound is not None
    weights, values = pixel_weights(launch), launch.modulator.alphabet.values
    field = own_multipliers(done) @ np.conj(weights)
    noise = np.random.default_rng(7)
    found: list[float] = []
    for _ in range(5000):
        turned = field * np.exp(2j * np.pi * noise.random())
        rough = noise.normal(size=field.size) + 1j * noise.normal(size=field.size)
        turned += noise.random() * np.mean(np.abs(field)) * rough
        scores = np.real(np.conj(turned)[:, None] * values)
        couplings = launch.gaps + weights @ values[np.argmax(scores, axis=1)]
        wanted = abs(np.vdot(done.target.vector, couplings)) ** 2
        if wanted >= done.design.certificate.purity * np.sum(np.abs(couplings) ** 2):
            found.append(wanted)
        if len(found) == 200:
            break
    assert len(found) == 200
    assert max(found) <= done.design.bound
    assert max(found) > 0.9 * done.design.bound


def test_masks_without_a_proof_have_no_rows(tmp_path: Path) -> None:
    """A set may mix designs; the targets have a row for every mask, in play order."""
    whole = made("three", "on the axis")
    first, second, third = whole.masks
    bare = replace(second, design=replace(second.design, certificate=None, bound=None))
    mixed = replace(whole, masks=(first, bare, third))
    file = mixed.written(tmp_path / "set")
    assert {name: array.dtype.str for name, array in file.items()} == {
        "multipliers": "<c16",
        "mask": "<i8",
        "purity": "<f8",
        "spans": "<i8",
        "targets": "<c16",
    }
    proofs = [first.design.certificate, third.design.certificate]
    assert None not in proofs
    counts = [len(proof.multipliers) for proof in proofs if proof is not None]
    assert counts[0] > 1
    np.testing.assert_array_equal(file["mask"], np.repeat([0, 2], counts))
    for key in ("multipliers", "spans"):
        expected = np.concatenate([getattr(proof, key) for proof in proofs])
        np.testing.assert_array_equal(file[key], expected)
    np.testing.assert_array_equal(file["targets"], [mask.target.vector for mask in mixed.masks])
    records = json.loads((tmp_path / "set/manifest.json").read_text("utf-8"))["masks"]
    assert [record["bound_purity"] for record in records] == [0.99, None, 0.99]
    assert [record["bound_asked"] for record in records] == [None] * 3


def test_a_lowered_purity_keeps_the_proof_of_the_asked_one(tmp_path: Path) -> None:
    """Rows by mask, then by purity; each purity has its own bound in the manifest."""
    whole = lowered(0.99, 0.9)
    file = whole.written(tmp_path / "set")
    records = json.loads((tmp_path / "set/manifest.json").read_text("utf-8"))["masks"]
    for index, (record, mask) in enumerate(zip(records, whole.masks, strict=True)):
        low, high = mask.design.certificate, mask.design.excluded
        assert low is not None
        assert high is not None
        rows = file["mask"] == index
        counts = [len(low.multipliers), len(high.multipliers)]
        np.testing.assert_array_equal(file["purity"][rows], np.repeat([0.9, 0.99], counts))
        assert (record["bound_purity"], record["bound"]) == (0.9, mask.design.bound)
        assert record["bound_asked"] == mask.design.bound_asked
        assert record["gap"] == 1 - record["efficiency"] / record["bound"]
        for proof, key in ((low, "bound"), (high, "bound_asked")):
            own = rows & (file["purity"] == proof.purity)
            read = replace(proof, multipliers=file["multipliers"][own], spans=file["spans"][own])
            assert max(certified_bound(whole.ready.launch, read), 0.0) ** 2 == record[key]


def test_no_proof_no_file(tmp_path: Path) -> None:
    """Common practice, no source."""
    whole = made("binary", "carrier")
    plain = replace(
        whole.masks[0], design=replace(whole.masks[0].design, method="simple", certificate=None)
    )
    with pytest.raises(FileNotFoundError):
        replace(whole, masks=(plain,)).written(tmp_path / "set")
    assert (tmp_path / "set/manifest.json").is_file()
    assert "certificate.npz" in OWN


def test_the_same_proofs_give_the_same_bytes(tmp_path: Path) -> None:
    """Common practice (reproducible output), no source."""
    for name in ("one", "two"):
        made("binary", "carrier").written(tmp_path / name)
    one, two = ((tmp_path / name / "certificate.npz").read_bytes() for name in ("one", "two"))
    assert one == two
