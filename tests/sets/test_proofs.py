"""Proofs that `check` must not believe: whatever is forged in them or in their bounds is told.

Common practice, no source; that the good ones are proofs is the matter of test_certificate.
"""

import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from spoiling import SMALL, Check, edit, lines_of, mask_start

from maskforge import bench as benches
from maskforge.bench.ready import Prepared, prepared
from maskforge.launch.couplings import Launch
from maskforge.launch.targets import Target
from maskforge.methods.cover import STEPS, certified_bound
from maskforge.methods.problem import Certificate
from maskforge.sets.designing import Finished, finished_masks
from maskforge.sets.digests import write_sums
from maskforge.sets.writing import Head, write_set

Arrays = dict[str, NDArray[Any]]

EDITED = 2
"""The mask whose proof is changed, LP01: its multipliers are not the target alone."""


def bench(**changes: dict[str, Any]) -> Prepared:
    keys = {name: part | changes.get(name, {}) for name, part in SMALL.items()}
    return prepared(benches.from_dict(keys, "small"))


def put(folder: Path, ready: Prepared, masks: list[Finished]) -> Path:
    folder.mkdir()
    resolved = benches.resolved(ready.bench, start=folder)
    launch = ready.launch
    write_set(folder, Head(folder, resolved, launch.modulator, launch.basis, len(masks)), masks)
    return folder


@pytest.fixture(scope="module")
def lowered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Masks designed for 0.9 where 0.99 was asked, with the proofs of both."""
    asked, lower = bench(), bench(design={"purity": 0.9})
    masks = [
        replace(
            low,
            design=replace(
                low.design,
                reached=low.prediction.purity >= 0.99,
                asked=0.99,
                excluded=high.design.certificate,
                bound_asked=high.design.bound,
            ),
        )
        for low, high in zip(finished_masks(lower), finished_masks(asked), strict=True)
    ]
    return put(tmp_path_factory.mktemp("lowered") / "set", asked, masks)


@pytest.fixture
def spoilt_lowered(lowered: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(lowered, tmp_path / "set"))


def forge(folder: Path, change: Callable[[Arrays], object]) -> None:
    """Changes the arrays of certificate.npz."""
    with np.load(folder / "certificate.npz") as file:
        arrays = {each: file[each] for each in file.files}
    change(arrays)
    np.savez(folder / "certificate.npz", **arrays)
    write_sums(folder, folder)


def at(arrays: Arrays, mask: int = EDITED) -> int:
    """The first row of a mask."""
    return int(np.argmax(arrays["mask"] == mask))


def setting(key: str, value: complex, *, every: bool = False) -> Callable[[Arrays], None]:
    """Puts a value into an array of the first row of the mask, first column or all of them."""

    def change(arrays: Arrays) -> None:
        row = EDITED if key == "targets" else at(arrays)
        arrays[key][(row, 0) if arrays[key].ndim == 2 and not every else row] = value

    return change


def scaling(factor: float) -> Callable[[Arrays], None]:
    def change(arrays: Arrays) -> None:
        arrays["multipliers"][at(arrays)] *= factor

    return change


def orthogonal(arrays: Arrays) -> None:
    """z alone: of light that is pure it says nothing."""
    target, row = arrays["targets"][EDITED], at(arrays)
    mu = np.ones(target.size, complex)
    arrays["multipliers"][row] = mu - target * np.vdot(target, mu)


def swapped(*keys: str) -> Callable[[Arrays], None]:
    """Rows of two masks in each other's place."""

    def change(arrays: Arrays) -> None:
        rows = [at(arrays), at(arrays, 3)]
        for key in keys:
            arrays[key][rows] = arrays[key][rows[::-1]]

    return change


BELIEF = "the manifest's gap agrees with its bound: certificate.npz was changed"

SINGLE: dict[str, tuple[Callable[[Arrays], object], str]] = {
    "another number": (setting("multipliers", 0.9), "by certificate.npz"),
    "not a number": (
        setting("multipliers", np.nan),
        "multipliers in certificate.npz are not finite numbers",
    ),
    "infinite": (
        setting("multipliers", complex(0, -np.inf)),
        "multipliers in certificate.npz are not finite numbers",
    ),
    "overflow": (
        setting("multipliers", 1e308),
        "multipliers in certificate.npz are up to 1e+308: must be between 0.001 and 1e+12",
    ),
    "squares overflow": (setting("multipliers", 1e200), "are up to 1e+200: must be between"),
    "all overflow": (scaling(1e307), "must be between 0.001 and 1e+12"),
    "underflow": (scaling(1e-320), "must be between 0.001 and 1e+12"),
    "lost in rounding": (scaling(1e-16), "must be between 0.001 and 1e+12"),
    "zero": (scaling(0.0), "are up to 0: must be between 0.001 and 1e+12"),
    "only z": (orthogonal, "multipliers in certificate.npz prove nothing, for bound"),
    "conjugate": (
        lambda a: a["multipliers"].__setitem__(at(a), -np.conj(a["multipliers"][at(a)]) * 1j),
        "by certificate.npz",
    ),
    "another target": (
        setting("targets", 0.9),
        "targets in certificate.npz are not the vector of LP01",
    ),
    "no target": (
        setting("targets", np.nan),
        "targets in certificate.npz are not the vector of LP01",
    ),
    "more than asked": (
        setting("purity", 0.9999),
        "purity 0.9999 in certificate.npz: must be above 0 and at most 0.99, which the bench asks",
    ),
    "purity of nothing": (setting("purity", np.nan), "purity nan in certificate.npz: must be"),
    "below zero": (setting("purity", -0.5), "purity -0.5 in certificate.npz: must be above 0"),
    "a hole": (
        lambda a: a["spans"].__setitem__((at(a), 1), a["spans"][at(a), 1] - 3),
        "spans in certificate.npz leave out the phases ",
    ),
    "an empty span": (setting("spans", 0, every=True), "spans in certificate.npz go from 0 to 0"),
    "a span too long": (
        lambda a: a["spans"].__setitem__(at(a), [5, 5 + STEPS + 1]),
        "spans in certificate.npz go from 5 to 7206: must go forward, by at most 7200 steps",
    ),
    "a span far away": (
        lambda a: a["spans"].__setitem__(at(a), [2**62, 2**63 - 1]),
        "spans in certificate.npz go from 4611686018427387904 to 9223372036854775807",
    ),
    "other rows": (swapped("multipliers"), "prove nothing, for bound"),
}


@pytest.mark.parametrize("kind", SINGLE)
def test_a_forged_proof(spoilt: Path, check: Check, kind: str) -> None:
    """One line, with the cause; the other masks' bounds are checked all the same."""
    change, words = SINGLE[kind]
    forge(spoilt, change)
    code, output = check(spoilt)
    (line,) = lines_of(output, mask_start(EDITED))[:1]
    assert code == 1
    assert words in line
    assert line.endswith(BELIEF)
    count = 2 if kind == "other rows" else 1
    assert f"! {count} of 5 masks disagree" in output


WHOLE: dict[str, tuple[Callable[[Arrays], object], str]] = {
    "no mask": (setting("mask", 7), "mask[2] = 7: must be a mask's number, 0 to 4"),
    "masks swapped": (swapped("mask"), "rows must be sorted by mask, then by purity"),
    "fewer purities": (
        lambda a: a.update(purity=a["purity"][:-1]),
        "5 multipliers, 5 mask, 4 purity, 5 spans: must be as many, a row each",
    ),
    "real spans": (
        lambda a: a.update(spans=a["spans"].astype(float)),
        "spans is float64 of shape (5, 2): must be whole numbers of shape (any, 2)",
    ),
    "real multipliers": (
        lambda a: a.update(multipliers=a["multipliers"].real),
        "multipliers is float64 of shape (5, 6): must be complex numbers of shape (any, 6)",
    ),
    "a mode less": (
        lambda a: a.update(multipliers=a["multipliers"][:, :-1]),
        "multipliers is complex128 of shape (5, 5): must be complex numbers of shape (any, 6)",
    ),
    "one number": (
        lambda a: a.update(mask=np.array(3)),
        "mask is int64 of shape (): must be whole numbers of shape (any,)",
    ),
    "no spans": (lambda a: a.pop("spans"), "holds no array spans"),
}


@pytest.mark.parametrize("kind", WHOLE)
def test_a_file_that_is_no_proof(spoilt: Path, check: Check, kind: str) -> None:
    """One line of the set; the rest agrees."""
    change, words = WHOLE[kind]
    forge(spoilt, change)
    code, output = check(spoilt)
    first, second, *_ = output.splitlines()
    assert code == 1
    assert first.startswith(f"{spoilt}/certificate.npz: ")
    assert words in first
    assert second == "! 5 masks: what the files say of the whole set disagrees"


def test_a_proof_at_another_purity(spoilt: Path, check: Check) -> None:
    """Neither file says which is right; with both changed it is kappa that is wrong."""
    forge(spoilt, setting("purity", 0.95))
    code, output = check(spoilt)
    assert code == 1
    first, second = lines_of(output, mask_start(EDITED))
    assert " at purity 0.99 and certificate.npz no proof" in first
    assert second.endswith("has no bound at purity 0.95 and certificate.npz a proof")
    edit(spoilt, lambda content: content["masks"][EDITED].update(bound_purity=0.95))
    code, output = check(spoilt)
    line = lines_of(output, mask_start(EDITED))[-1]
    assert code == 1
    assert " in manifest.json, " in line
    assert "by certificate.npz" in line


def test_the_scale_of_multipliers_is_free(spoilt: Path, check: Check) -> None:
    forge(spoilt, scaling(8.0))
    assert check(spoilt)[0] == 0


def test_a_proof_of_nothing_with_a_bound_that_suits_it(spoilt: Path, check: Check) -> None:
    """A bound below what the mask launches, whatever is said to prove it."""
    forge(spoilt, scaling(1e-16))

    def change(content: dict[str, Any]) -> None:
        content["masks"][EDITED]["bound"] = 0.0

    edit(spoilt, change)
    code, output = check(spoilt)
    assert code == 1
    assert "must be between 0.001 and 1e+12" in output


# --- two purities ----------------------------------------------------------------------------


def test_a_lowered_set_agrees(lowered: Path, check: Check) -> None:
    code, output = check(lowered)
    assert code == 0
    assert output.startswith("5 masks: pages, checksums, tables, couplings, bounds agree\n")


def second(arrays: Arrays) -> int:
    """The row of the asked purity."""
    return int(np.flatnonzero((arrays["mask"] == EDITED) & (arrays["purity"] == 0.99))[0])


def without(arrays: Arrays) -> None:
    keep = np.arange(len(arrays["mask"])) != second(arrays)
    arrays.update({key: arrays[key][keep] for key in arrays if key != "targets"})


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (
            lambda a: a["multipliers"].__setitem__((second(a), 0), 0.9),
            "bound_asked ",
        ),
        (lambda a: a["multipliers"].__setitem__((second(a), 0), np.nan), "not finite numbers"),
        (lambda a: a["spans"].__setitem__((second(a), 0), 1), "leave out the phases 0.00 to 0.05"),
        (without, "has a bound_asked of "),
    ],
)
def test_a_forged_proof_of_the_asked_purity(
    spoilt_lowered: Path, check: Check, change: Callable[[Arrays], object], words: str
) -> None:
    forge(spoilt_lowered, change)
    code, output = check(spoilt_lowered)
    (line,) = lines_of(output, mask_start(EDITED))
    assert code == 1
    assert words in line
    assert "! 1 of 5 masks disagree" in output


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"bound_asked": 0.0}, "bound_asked 0 in manifest.json, 0."),
        ({"bound_asked": None}, "has no bound at purity 0.99 and certificate.npz a proof"),
        ({"bound_purity": 0.99}, ", where bound is for that purity"),
        ({"bound_purity": None}, "and bound_purity null in manifest.json: both or none"),
        ({"bound_purity": 1.5}, "bound_purity 1.5 in manifest.json, the bench asks for 0.99"),
        ({"bound": None}, "has no bound at purity 0.9 and certificate.npz a proof"),
        ({"reached": True}, "reached in manifest.json, with a purity of "),
    ],
)
def test_an_edited_bound(
    spoilt_lowered: Path, check: Check, changes: dict[str, Any], words: str
) -> None:
    edit(spoilt_lowered, lambda content: content["masks"][EDITED].update(changes))
    code, output = check(spoilt_lowered)
    assert code == 1
    assert any(words in line for line in lines_of(output, mask_start(EDITED))), output


# --- a purity that no mask has ---------------------------------------------------------------

DIM: dict[str, dict[str, Any]] = {
    "modulator": {"fill_factor": 0.2, "gap_reflectance": 1.0},
    "targets": {"labels": ["LP11"], "orientations": 1},
    "design": {"method": "simple", "carrier_period_px": 0.0},
}
"""Light of the gaps on the core, stronger than what the pixels can do about it."""


def exclusion(launch: Launch, target: Target, share: float, count: int = 36) -> Certificate:
    """Multipliers by hand: at every phase, the target less `share` of where the gaps' light is."""
    fixed = launch.gaps / np.linalg.norm(launch.gaps)
    width = STEPS // count
    firsts = width * np.arange(count) - width // 2
    phases = 2 * np.pi * np.arange(count) / count
    multipliers = np.exp(1j * phases)[:, None] * target.vector - share * fixed
    spans = np.stack([firsts, firsts + width], axis=1) + STEPS * (firsts < 0)[:, None]
    return Certificate(target, 0.99, multipliers, spans)


def excluded(share: float) -> tuple[Prepared, Finished]:
    ready = bench(**DIM)
    (mask,) = finished_masks(ready)
    proof = exclusion(ready.launch, mask.target, share)
    return ready, replace(mask, design=replace(mask.design, excluded=proof, bound_asked=0.0))


def test_that_no_mask_is_so_pure_is_proven(tmp_path: Path, check: Check) -> None:
    ready, mask = excluded(4.0)
    assert mask.design.excluded is not None
    assert certified_bound(ready.launch, mask.design.excluded) < 0
    code, output = check(put(tmp_path / "set", ready, [mask]))
    assert code == 0
    assert output.startswith("1 mask: pages, checksums, tables, couplings, bounds agree\n")


def test_that_no_mask_is_so_pure_is_not_proven(tmp_path: Path, check: Check) -> None:
    """Multipliers that leave some room."""
    ready, mask = excluded(0.05)
    code, output = check(put(tmp_path / "set", ready, [mask]))
    assert code == 1
    assert "bound_asked 0 in manifest.json, " in output
