"""What plan, tradeoff and compare say of a bench with a device: all of the outputs."""

import csv
import re
from pathlib import Path

import numpy as np
import pytest

import maskforge as mf
from maskforge.base.errors import BenchError
from maskforge.bench import from_dict, resolved
from maskforge.bench.elsewhere import without_device
from tests.bench.test_device_matrix import NAMES, bench_at, npz, random_matrix
from tests.commands import ran

SINGLE = [
    {"name": one, "weights": {mode: [1.0, 0.0]}} for one, mode in zip("abc", NAMES, strict=True)
]
"""The guided modes, one by one, as superpositions."""


def test_a_device_that_mixes_nothing_leaves_plan_and_tradeoff_the_launches(
    tmp_path: Path,
) -> None:
    # of an output alone the phase of its amplitude does not count
    npz(tmp_path / "M.npz", np.diag(np.exp([0.4j, -2.0j, 3.0j])))
    behind = bench_at(tmp_path)
    keys = {section: one for section, one in resolved(behind).items() if section != "device"}
    plain = from_dict(
        {**keys, "targets": {"family": "superposition", "superpositions": SINGLE}}, "plain"
    )
    here, there = (mf.plan(one, focal_mm=[6.0], waist_mm=[0.9]) for one in (behind, plain))
    for one, other in zip(here.choice().bounds, there.choice().bounds, strict=True):
        # a device need not have the symmetry that leaves fewer unknowns
        assert one[1] == pytest.approx(other[1], rel=0.005)
    (made,), (known,) = (
        mf.tradeoff(given, label, purities=[0.99], alphabets=["4"])
        for given, label in ((behind, "LP11 sin"), (plain, "c"))
    )
    assert made.purity >= 0.99
    assert made.bound == pytest.approx(known.bound, rel=0.002)
    assert made.efficiency == pytest.approx(known.efficiency, rel=0.01)


@pytest.mark.long
def test_what_a_device_loses_is_a_factor_of_the_plan_that_no_mask_beats(tmp_path: Path) -> None:
    matrix, bounds = random_matrix(4, 3), []
    for scale in (1.0, 0.5):
        npz(tmp_path / "M.npz", scale * matrix, output=["a", "b", "c", "d"])
        bench = bench_at(tmp_path, targets='family = "output"\nlabels = ["channel 1", "channel 3"]')
        plan = mf.plan(bench, focal_mm=[8.0], waist_mm=[1.1])
        bounds.append(dict(plan.choice().bounds))
    # amplitudes are linear in M
    for label, bound in bounds[0].items():
        assert bounds[1][label] == pytest.approx(bound / 4, rel=0.005)
    pure = [one for one in mf.compare(bench, methods=["simple", "dual"]) if one.mask.purity >= 0.98]
    assert {one.target.name for one in pure} == set(bounds[1])
    for one in pure:
        assert one.mask.efficiency <= bounds[1][one.target.name]


@pytest.mark.long
def test_benches_are_compared_at_the_same_outputs_only(tmp_path: Path) -> None:
    files = {"one": list(NAMES), "turned": list(NAMES[::-1]), "other": ["a", "b", "c"]}
    benches = {}
    for name, outputs in files.items():
        (tmp_path / name).mkdir()
        npz(tmp_path / name / "M.npz", output=outputs)
        benches[name] = bench_at(tmp_path / name)
    found = mf.compare(benches["one"], benches["turned"], methods=["simple"], labels=["LP01"])
    assert len(found) == 2
    told = "figures at the outputs a, b, c do not compare with those of the outputs LP01, LP11 cos"
    with pytest.raises(BenchError, match=told):
        mf.compare(benches["one"], benches["other"], methods=["simple"])
    keys = resolved(without_device(benches["one"]))
    keys["targets"] = {"family": "lp"}
    plain = from_dict(keys, "plain")
    with pytest.raises(BenchError, match="do not compare with those of launches on plain"):
        mf.compare(plain, benches["one"], methods=["simple"])


@pytest.mark.long
def test_a_campaign_says_of_each_set_whose_figures_they_are(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    npz(tmp_path / "M.npz")
    bench_at(tmp_path, targets='family = "output"\nlabels = ["LP11 cos"]')
    text = (tmp_path / "b.toml").read_text("utf-8")
    text = re.sub(r"\[device\]\nmatrix = .*\n", "", text.replace('"output"', '"lp"'))
    (tmp_path / "plain.toml").write_text(text.replace("LP11 cos", "LP11"), "utf-8")
    names = tmp_path / "b.toml", tmp_path / "plain.toml"
    code, out, err = ran(capsys, "design", *names, "--out", tmp_path / "all")
    assert (code, err) == (0, "")
    assert re.search(r"\n *b +1 +output +9", out)
    assert re.search(r"\n *plain +\d+ +launch +9", out)
    rows = list(csv.DictReader((tmp_path / "all/index.csv").read_text("utf-8").splitlines()))
    assert {row["set"]: row["figures_of"] for row in rows} == {"b": "output", "plain": "launch"}
    assert ">output<" in (tmp_path / "all/index.html").read_text("utf-8")
