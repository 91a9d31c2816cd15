"""Random benches over all keys: no crash, no bound beaten by a search that shares nothing with it.

The benches, the attack and what is counted are those of `benchmarks/zoo.py`, here on small ones.
"""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ZOO = Path(__file__).parents[2] / "benchmarks" / "zoo.py"
BENCHES = 10


@pytest.mark.long
@pytest.mark.parametrize(
    ("seed", "count", "more"),
    [(300, BENCHES, []), (308, 2, ["--behind"])],
    ids=["launches", "behind devices"],
)
def test_a_zoo_of_small_benches(tmp_path: Path, seed: int, count: int, more: list[str]) -> None:
    out = tmp_path / "zoo.jsonl"
    options = {"seed": seed, "benches": count, "jobs": 1, "attacks": 1, "redesigned": 0}
    words = [word for key, value in options.items() for word in (f"--{key}", str(value))]
    command = [sys.executable, str(ZOO), "--small", "--effort", "0.03", "--out", str(out)]
    command += [*words, *more]
    run = subprocess.run(
        command,
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
    )
    assert run.returncode == 0, run.stdout + run.stderr
    records = [json.loads(line) for line in out.read_text(encoding="utf-8").splitlines()]
    assert len(records) == count
    assert not any(record["crashes"] or record["warnings"] for record in records)
    for record in records:
        if record["robust"] or record["crosstalk"]:
            continue
        for mask in record["masks"]:
            # at the purity that the bound holds for, which the mask has
            assert mask["bound_purity"] <= mask["purity"]
            assert -1e-9 <= mask["gap"] < 0.05, (record["bench"], mask)
