"""maskforge compare: the table, what it concludes, its files, and what it refuses."""

import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from maskforge import bench as benches
from maskforge.cli import compare as command
from maskforge.launch.prediction import insertion_loss_db, unwanted_db
from maskforge.sets.reading import read_set
from maskforge.study import comparison
from maskforge.study.comparison import ComparedMask
from tests.commands import SIX_MODES, changed, ran, toml_text


def toml(name: str, **changes: dict[str, Any]) -> str:
    Path(name).write_text(toml_text(changed(SIX_MODES, **changes)))
    return name


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def expected(*names: str, methods: Sequence[str] = ("simple", "dual")) -> list[ComparedMask]:
    ready = comparison.entrants([benches.load(name) for name in names])
    return [e for target in comparison.compared(ready, methods) for e in target]


def test_the_table_and_the_csv_have_the_numbers(capsys: pytest.CaptureFixture[str]) -> None:
    """Printed rounded, written in full; the bench is a column only where there are several."""
    toml("a.toml")
    code, out, error = ran(
        capsys, "compare", "a.toml", "--methods", "simple,dual", "--csv", "a.csv"
    )
    assert (code, error) == (0, "")
    entries = expected("a.toml")
    lines = [line.split() for line in out.splitlines()[3 : 3 + len(entries)]]
    with Path("a.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0]) == [column.name for column in command.IN_FILE]
    for words, row, entry in zip(lines, rows, entries, strict=True):
        assert words[:2] == [entry.target.name, entry.mask.method]
        assert float(words[2]) == pytest.approx(100 * entry.mask.purity, abs=0.501e-4)
        assert float(words[3]) == pytest.approx(100 * entry.mask.group_purity, abs=0.501e-4)
        if words[4] == ">150":
            assert unwanted_db(entry.mask.purity) > 150
        else:
            assert float(words[4]) == pytest.approx(unwanted_db(entry.mask.purity), abs=0.501e-2)
        loss = insertion_loss_db(entry.mask.efficiency)
        assert float(words[5]) == pytest.approx(loss, abs=0.501e-3)
        assert (words[6] == "-") == (entry.mask.gap is None)
        if entry.mask.gap is not None:
            assert float(words[6]) == pytest.approx(100 * entry.mask.gap, abs=0.501e-4)
        assert (words[-1] == "!") == (entry.mask.purity < 0.99)
        assert (row["bench"], row["target"], row["method"]) == ("a", *words[:2])
        assert float(row["purity"]) == entry.mask.purity
        assert float(row["efficiency"]) == entry.mask.efficiency
        assert float(row["loss_db"]) == loss
        assert float(row["bound"]) == entry.mask.bound
        assert (float(row["gap"]) if row["gap"] else None) == entry.mask.gap
        assert float(row["orientation_deg"]) == 0.0
        assert row["reached"] == ("yes" if entry.mask.reached else "no")


def test_several_benches_side_by_side(capsys: pytest.CaptureFixture[str]) -> None:
    """The first column is then the bench; each method is summed up on each."""
    toml("a.toml")
    toml("b.toml", design={"purity": 0.6}, targets={"labels": ["LP11", "LP21"]})
    code, out, error = ran(capsys, "compare", "a.toml", "b.toml", "--methods", "simple")
    assert (code, error) == (0, "")
    lines = out.splitlines()
    names = [line.split()[:3] for line in lines[3:9]]
    assert names == [
        *(["a", label, "simple"] for label in ("LP01", "LP11", "LP02", "LP21")),
        *(["b", label, "simple"] for label in ("LP11", "LP21")),
    ]
    assert "less pure than the asked 99 % or 60 %" in out
    verdict = lines[lines.index("simple is enough") + 1 :]
    assert verdict[0].startswith("  on a for 2 of 4 targets (LP11, LP21): the least pure is LP01 ")
    assert verdict[0].endswith(" % instead of 99 %")
    assert verdict[1] == "  on b for both targets: 60 % and more"


def test_the_verdict_follows_the_numbers(capsys: pytest.CaptureFixture[str]) -> None:
    """The same masks judged by other purities are told as enough, for some, or for none."""
    toml("a.toml")
    entries = [e for e in expected("a.toml") if e.mask.method == "simple"]

    def verdict(asked: float, *left_out: str) -> str:
        some = [replace(e, asked=asked) for e in entries if e.target.name not in left_out]
        standing = comparison.standings(some)
        command._print_standings(standing)
        return capsys.readouterr().out.splitlines()[-1]

    purities = {e.target.name: e.mask.purity for e in entries}
    worst = min(purities, key=lambda name: purities[name])
    assert verdict(0.5001).endswith("on a for all 4 targets: 50.01 % and more")
    pure = [name for name, purity in purities.items() if purity >= 0.95]
    text = f"on a for {len(pure)} of 4 targets ({', '.join(pure)}): the least pure is {worst} with "
    assert verdict(0.95).strip().startswith(text)
    assert f" {100 * purities[worst]:.4f} % instead of 95 %" in verdict(0.95)
    assert "on a for none of 2 targets: the least pure" in verdict(0.99, "LP11", "LP21")
    assert verdict(0.6, "LP11", "LP21").endswith("on a for both targets: 60 % and more")
    assert verdict(0.6, "LP11", "LP21", "LP02").endswith("for the only target: 60 % and more")


def test_a_gap_of_rounding_is_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    toml("a.toml")
    (entry, *_) = expected("a.toml", methods=("dual",))
    command._print_entries([replace(entry, mask=replace(entry.mask, gap=-1e-13, purity=1.0))])
    row = capsys.readouterr().out.splitlines()[3].split()
    assert row[2:7] == [
        "100.0000",
        f"{100 * entry.mask.group_purity:.4f}",
        ">150",
        row[5],
        "0.0000",
    ]


# --- the figure ------------------------------------------------------------------------------


@pytest.mark.long
def test_the_figure_has_room_for_some(capsys: pytest.CaptureFixture[str]) -> None:
    """Of four targets on each of two benches three: the first, one between and the last."""
    for name in ("a.toml", "b.toml"):
        toml(name)
    methods = ("--methods", "simple,ifta,dual")
    code, out, error = ran(capsys, "compare", "a.toml", "b.toml", *methods, "--figure", "f.png")
    assert (code, error) == (0, "")
    told = "The figure has room for LP01, LP02, LP21 of a; LP01, LP02, LP21 of b: --labels chooses"
    assert told in out
    with Image.open("f.png") as image:
        assert max(image.size) > 1000
    code, out, error = ran(
        capsys, "compare", "a.toml", "--labels", "LP11", "--methods", "dual", "--figure", "f.svg"
    )
    assert (code, error) == (0, "")
    assert "room" not in out
    assert Path("f.svg").read_text().count("<image") >= 4


# --- what is refused -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (["--methods", "best"], "--methods = best: must be of simple, ifta, dual"),
        (["--methods", ","], "--methods: at least one of simple, ifta, dual"),
        (["--figure", "f.bmp"], "--figure = f.bmp: the name must end in .png or .svg or .pdf"),
        (["--figure", "no/f.png"], "no/f.png: cannot be written (No such file or directory)"),
        (["--csv", "."], ".: cannot be written (Is a directory)"),
        (["--csv", "f.png", "--figure", "./f.png"], "--csv, --figure = f.png: must be different"),
        (["--jobs", "0"], "--jobs = 0: must be a whole number from 1"),
        (["--labels", "LP99"], 'a.toml: [targets] labels = ["LP99"]: no guided mode LP99'),
        (["--labels", ""], "a.toml: [targets] labels = []: must be"),
        (["./a.toml"], "./a.toml: given twice; each bench is compared once"),
        (["none.toml"], "none.toml: no such file"),
    ],
)
def test_bad_input(capsys: pytest.CaptureFixture[str], words: list[str], line: str) -> None:
    """One line, and nothing is written."""
    toml("a.toml")
    code, out, error = ran(capsys, "compare", "a.toml", *words)
    assert (code, out) == (2, "")
    assert error.startswith(f"error: {line}")
    assert error.count("\n") == 1
    assert [path.name for path in Path().iterdir()] == ["a.toml"]


def test_a_label_that_one_of_the_fibres_lacks(capsys: pytest.CaptureFixture[str]) -> None:
    """What both have is compared, what one has is there and listed; a bench with none is told."""
    toml("a.toml")
    toml("b.toml", fiber={"preset": "gi50"})
    words = ("compare", "b.toml", "a.toml", "--methods", "simple", "--labels")
    code, out, _ = ran(capsys, *words, "LP31,LP01")
    assert code == 0
    rows = [line.split()[:2] for line in out.splitlines()[3:6]]
    assert rows == [["b", "LP31"], ["b", "LP01"], ["a", "LP01"]]
    assert "\nnot on every bench: LP31 on b\n" in out
    code, out, error = ran(capsys, *words, "LP31")
    assert (code, out) == (2, "")
    assert re.match(r"error: a\.toml: .*no guided mode LP31; the basis holds LP01, LP11,", error)
    code, _, error = ran(capsys, *words, "LP01,LP99")
    assert code == 2
    assert re.match(r'error: b\.toml: .*\["LP01", "LP99"\]: no guided mode LP99', error)


def test_two_sets_are_compared_as_they_stand(capsys: pytest.CaptureFixture[str]) -> None:
    """Targets that both have with the manifests' numbers, what one has, and the changed keys."""
    toml("a.toml")
    toml("b.toml", light={"waist_mm": 1.2}, design={"method": "simple"})
    assert ran(capsys, "design a.toml --out a")[0] in (0, 1)
    assert ran(capsys, "design b.toml --out b --labels LP01,LP11 --orientations 4")[0] in (0, 1)
    code, out, error = ran(capsys, "compare a b --csv c.csv")
    assert (code, error) == (0, "")
    one, two = (read_set(Path(name)).masks for name in "ab")
    with Path("c.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(row["target"], row["orientation_deg"]) for row in rows] == [
        ("LP01", "0.0"), ("LP11", "0.0"), ("LP11", "90.0")
    ]  # fmt: skip
    for row in rows:
        for which, masks in (("first", one), ("second", two)):
            angle = float(row["orientation_deg"])
            (mask,) = [m for m in masks if (m.target, m.orientation_deg) == (row["target"], angle)]
            assert float(row[f"purity_{which}"]) == mask.purity
            assert row[f"method_{which}"] == mask.method
    assert "3 targets in both: 0 with the same pixels; " in out
    assert "\nonly in the first: LP02 0 deg, LP21 0 deg, LP21 45 deg\n" in out
    assert "\nonly in the second: LP11 45 deg, LP11 135 deg\n" in out
    told = out.partition("what the benches have different:\n")[2].partition("\n\n")[0]
    assert told.splitlines() == [
        "  [light] waist_mm: 1.16 -> 1.2",
        '  [targets] labels: "all" -> ["LP01", "LP11"]',
        "  [targets] orientations: 2 -> 4",
        '  [design] method: "dual" -> "simple"',
    ]
    same = ran(capsys, "compare a a")[1]
    assert "6 targets in both: 6 with the same pixels; 0 purer in the second, 0 less pure" in same
    assert "\nthe benches are the same\n" in same
    for words, line in (
        ("a a.toml", "a.toml: is no set, a is one; compare two sets, or benches"),
        ("a b a", "3 sets: two are compared"),
        ("a b --labels LP01", "--labels = LP01: goes with benches, not with finished sets"),
        ("a b --methods dual", "--methods = dual: goes with benches, not with finished sets"),
        ("a b --device cpu", "--device = cpu: goes with benches, not with finished sets"),
    ):
        assert ran(capsys, f"compare {words}") == (2, "", f"error: {line}\n")


def test_no_bench(capsys: pytest.CaptureFixture[str]) -> None:
    code, _, error = ran(capsys, "compare")
    assert code == 2
    assert "BENCH" in error


def test_interrupted(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    toml("a.toml")

    def stopped(*_: object) -> Iterator[tuple[ComparedMask, ...]]:
        raise KeyboardInterrupt
        yield ()

    monkeypatch.setattr(comparison, "compared", stopped)
    found = ran(capsys, "compare", "a.toml", "--csv", "a.csv", "--figure", "a.png")
    assert found == (130, "", "interrupted; nothing is written\n")
    assert [path.name for path in Path().iterdir()] == ["a.toml"]
