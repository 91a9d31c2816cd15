"""The proofs that a set carries, checked with nothing but the file, the set and the bench's arrays.

The bound is recomputed by direct sums: no transform, no back-propagation, no convex hull of the
package.  Weak duality: Boyd and Vandenberghe, Convex Optimization, sec. 5.1.
"""

import json
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from maskforge import bench as benches
from maskforge.bench import Bench
from maskforge.design.problem import Certificate
from maskforge.handoff import OWN, Head, write_set
from maskforge.launch import Launch
from maskforge.modulator import Alphabet
from maskforge.optics import fourier_rows
from maskforge.run import Finished, Prepared, finished_masks, prepared

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
}


def small(alphabet: str, place: str, purity: float = 0.99) -> Bench:
    """Six modes, 64 x 64 pixels, light and pixels such that the mask has room."""
    return benches.from_dict(
        {
            "light": {"wavelength_nm": 1310.0, "waist_mm": 0.8},
            "modulator": {"pixels": [64, 64], "pitch_um": 40.0, **ALPHABETS[alphabet]},
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
    for layer in launch.layers:
        for row, light in enumerate(layer.light):
            along_y = np.tensordot(kernel * layer.field, rows_y[:, row], axes=(1, 0))
            out[:, row] += -1j * (along_y @ rows_x) * light
    return out.reshape(len(kernel), -1)


def direct_bound(launch: Launch, alphabet: Alphabet, multipliers: Complex) -> float:
    """F^2 by the docstring of handoff.certificate, every state tried on every pixel."""
    v = multipliers @ np.conj(pixel_weights(launch))
    best = np.full(v.shape, -np.inf)
    for state in alphabet.values:
        best = np.maximum(best, np.real(np.conj(v) * state))
    whole = float(np.real(np.sum(np.conj(multipliers) * launch.gaps))) + float(np.sum(best))
    return max(whole, 0.0) ** 2


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("alphabet", ALPHABETS)
def test_the_bound_follows_from_the_file(tmp_path: Path, alphabet: str, place: str) -> None:
    """Side condition and bound; the efficiency of no mask is above it."""
    whole = made(alphabet, place)
    file = whole.written(tmp_path / "set")
    records = json.loads((tmp_path / "set/manifest.json").read_text("utf-8"))["masks"]
    launch = whole.ready.launch
    for record, mu, t, purity in zip(
        records, file["multipliers"], file["targets"], file["purity"], strict=True
    ):
        assert np.linalg.norm(t) == pytest.approx(1, abs=1e-12)
        kappa = np.sqrt(1 / purity - 1)
        along = np.sum(np.conj(t) * mu)
        nu = (abs(along) - 1) / kappa
        assert np.linalg.norm(mu - along * t) <= nu * (1 + 1e-9) + 1e-12
        assert direct_bound(launch, launch.modulator.alphabet, mu) == pytest.approx(
            record["bound"], rel=1e-9, abs=1e-15
        )
        if record["purity"] >= purity:
            # sums over all pixels, equal but for rounding where the simple mask is enough
            assert record["efficiency"] <= record["bound"] * (1 + 1e-9)


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
    field = done.design.certificate.multipliers @ np.conj(weights)
    noise = np.random.default_rng(7)
    found: list[float] = []
    for _ in range(3000):
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


def test_masks_without_a_proof_have_no_numbers(tmp_path: Path) -> None:
    """A set may mix designs; the file has a row for every mask, in play order."""
    whole = made("binary", "carrier")
    first, second, third = whole.masks
    bare = replace(second, design=replace(second.design, certificate=None, bound=None))
    mixed = replace(whole, masks=(first, bare, third))
    file = mixed.written(tmp_path / "set")
    assert {name: array.dtype.str for name, array in file.items()} == {
        "multipliers": "<c16",
        "purity": "<f8",
        "targets": "<c16",
    }
    assert file["multipliers"].shape == file["targets"].shape == (3, 6)
    assert np.isnan(file["multipliers"][1]).all()
    np.testing.assert_array_equal(np.isnan(file["purity"]), [False, True, False])
    for index, mask in enumerate(mixed.masks):
        np.testing.assert_array_equal(file["targets"][index], mask.target.vector)
        if mask.design.certificate is not None:
            multipliers = mask.design.certificate.multipliers
            np.testing.assert_array_equal(file["multipliers"][index], multipliers)


def test_the_purity_is_that_of_the_proof(tmp_path: Path) -> None:
    """Where the asked purity is out of reach the bound holds for a lower one."""
    whole = made("binary", "carrier")
    proof = whole.masks[0].design.certificate
    assert proof is not None
    lower = Certificate(proof.target, 0.75, proof.multipliers)
    changed = replace(whole.masks[0], design=replace(whole.masks[0].design, certificate=lower))
    file = replace(whole, masks=(changed,)).written(tmp_path / "set")
    np.testing.assert_array_equal(file["purity"], [0.75])


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
