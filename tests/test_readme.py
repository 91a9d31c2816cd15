"""README and its tables say what is so: commands, bench file, files.  Common practice, no source"""

import re
import shlex
import tomllib
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic import BaseModel
from typer.testing import CliRunner

from maskforge import bench as benches
from maskforge.base.ranges import Choice, Pair, Range
from maskforge.bench.sections import SECTIONS, Superposition
from maskforge.cli import main as cli
from maskforge.cli.command_list import COMMANDS, GROUPS
from maskforge.sets.manifest import Record
from maskforge.study.tolerance.all_errors import known_keys

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text("utf-8")
BENCH_FILE = (ROOT / "docs" / "bench-file.md").read_text("utf-8")
FIGURES = (ROOT / "docs" / "figures.md").read_text("utf-8")
OPTIONS_PAGE = (ROOT / "docs" / "commands.md").read_text("utf-8")

TABLES: dict[str, type[BaseModel]] = {**SECTIONS, "superpositions": Superposition}
"""What the tables of the bench file describe."""


def code_blocks(language: str = "") -> list[str]:
    """Texts of the code blocks that are marked with this language, or with none."""
    found = re.findall(r"^```(\w*)\n(.*?)^```$", README, flags=re.DOTALL | re.MULTILINE)
    return [text for marked, text in found if marked == language]


def part(heading: str, page: str = README) -> str:
    """The text below a heading, up to the next one of any level."""
    found = re.search(rf"^#+ {re.escape(heading)}\n(.*?)(?=^#+ |\Z)", page, re.DOTALL | re.M)
    assert found is not None, heading
    return found[1]


def rows(text: str) -> list[list[str]]:
    """Cells of the table rows that begin with a name in backticks."""
    lines = [line for line in text.splitlines() if line.startswith("| `")]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]


# --- commands --------------------------------------------------------------------------------


def commands() -> list[list[str]]:
    """Arguments of every maskforge command in the code blocks."""
    pieces = [p for block in code_blocks() for line in block.splitlines() for p in line.split("&&")]
    found = [p for p in pieces if re.match(r"\s*(\S*/)?maskforge\s", p)]
    return [shlex.split(re.split(r"[>|]", piece)[0])[1:] for piece in found]


def help_of(*command: str) -> str:
    found = CliRunner().invoke(cli.app_for(command), [*command, "--help"], env={"COLUMNS": "200"})
    assert found.exit_code == 0, (command, found.output)
    return found.output


def options_of(*command: str) -> set[str]:
    return set(re.findall(r"^ +(?:-\w, )?(--[a-z-]+)", help_of(*command), flags=re.M))


def test_the_two_first_commands() -> None:
    """The second one stands word for word in what checks the project."""
    blocks = code_blocks()
    start = "python3 -m venv .venv && .venv/bin/pip install "
    assert blocks[0] == f"{start}. && .venv/bin/maskforge design few-mode-1310\n"
    assert blocks[1] == f"{start}-e '.[test]' && .venv/bin/python -m pytest\n"
    assert blocks[1].strip() in (ROOT / ".ci" / "run").read_text("utf-8").splitlines()


def test_the_commands_of_the_code_blocks_exist() -> None:
    known = {name for kind, name, _ in benches.preset_names()}
    assert len(commands()) >= 4
    for words in commands():
        own = words[:1] if not words[0].startswith("-") else []
        assert set(own) <= set(COMMANDS), words
        given = {word.partition("=")[0] for word in words if word.startswith("--")}
        assert given <= options_of(*own), words
        if own and len(words) > 1 and not words[1].startswith("-"):
            assert words[1] in known or words[1].endswith(".toml"), words


def test_every_command_and_option_is_described() -> None:
    for name in (name for own in GROUPS.values() for name in own):
        assert f"`maskforge {name}" in README
        first, _, second = name.partition(" ")
        told = OPTIONS_PAGE.partition(f"\n## {first}\n")[2].partition("\n## ")[0] or README
        if second:
            told = told.partition(f"`maskforge {name} ")[2]
        for option in options_of(*name.split()) - {"--help"}:
            assert re.search(rf"`(maskforge )?{option}\b", told), (name, option)
    for option in options_of():
        assert f"`maskforge {option}`" in README


def test_the_table_of_commands_has_the_order_of_the_help() -> None:
    listed = re.findall(r"^\| `maskforge ([a-z][a-z-]*(?: fit| sweep)?)\b", part("Commands"), re.M)
    assert listed == [name for own in GROUPS.values() for name in own]


def test_every_deviation_is_described() -> None:
    """Key, unit and largest value, in the order in which they are drawn."""
    table = rows(part("Deviations", OPTIONS_PAGE))
    causes = {key: own[0] for key, own in known_keys().items()}
    assert [row[:3] for row in table] == [
        [f"`{key}`", cause.unit, f"{cause.most:g}"] for key, cause in causes.items()
    ]


# --- the bench file --------------------------------------------------------------------------


def described() -> dict[str, dict[str, list[str]]]:
    """[unit, range, default, meaning] of every key, by section."""
    texts = {name: part(f"[{name}]", BENCH_FILE) for name in SECTIONS}
    texts["targets"], texts["superpositions"] = texts["targets"].split(
        "Each entry of `superpositions`:"
    )
    return {name: {r[0].strip("`"): r[1:] for r in rows(text)} for name, text in texts.items()}


def keys() -> list[tuple[str, str]]:
    return [(name, key) for name, model in TABLES.items() for key in model.model_fields]


def rule_of(annotation: Any, metadata: Iterator[Any]) -> Any:
    """The Range, Pair or Choice of a field, None where it has another validator."""
    for item in metadata:
        if isinstance(getattr(item, "func", None), Range | Pair | Choice):
            return item.func
    for inner in get_args(annotation):
        found = rule_of(inner, iter(getattr(inner, "__metadata__", ())))
        if found is not None:
            return found
    return None


def written(rule: Range | Pair | Choice) -> str:
    if isinstance(rule, Choice):
        return ", ".join(f'"{word}"' for word in rule.words)
    if isinstance(rule, Pair):
        return f"[{rule.first}, {rule.second}], each {written(rule.each)}"
    low, high = (str(int(x)) if rule.whole else f"{x:g}" for x in (rule.low, rule.high))
    span = f"between {low} and {high}" if rule.open else f"{low} to {high}"
    return span + (", whole" if rule.whole else "")


def test_every_key_is_described_and_no_other() -> None:
    found = {name: list(entries) for name, entries in described().items()}
    assert found == {name: list(model.model_fields) for name, model in TABLES.items()}
    assert all(len(row) == 4 for entries in described().values() for row in entries.values())


@pytest.mark.parametrize(("section", "key"), keys())
def test_units_ranges_and_defaults(section: str, key: str) -> None:
    field = TABLES[section].model_fields[key]
    unit, span, default, _ = described()[section][key]
    rule = rule_of(field.annotation, iter(field.metadata))
    if rule is not None:
        assert span == written(rule)
        each = rule.each if isinstance(rule, Pair) else rule
        assert unit == getattr(each, "unit", "")
    if field.is_required():
        assert default == ("as `pixels`" if key == "panel" else "must")
    elif isinstance(field.default, str):
        assert default == f'"{field.default}"'
    elif isinstance(field.default, int | float):
        assert default == f"{field.default:.10g}"


def test_defaults_that_depend_on_other_keys() -> None:
    text = described()
    other: dict[str, Any] = {
        "light": {"wavelength_nm": 1550.0, "waist_mm": 1.0},
        "lens": {"focal_length_mm": 16.0},
        "fiber": {"profile": "power-law", "core_radius_um": 25.0, "na": 0.2},
    }
    panel = {"pixels": [512, 512], "pitch_um": 15.0}
    binary, levels = (
        benches.from_dict(other | {"modulator": panel | {"alphabet": word}}, word)
        for word in ("binary", "levels")
    )
    assert text["modulator"]["phase_step_deg"][2] == f"{binary.modulator.phase_step_deg:g}"
    assert text["modulator"]["levels"][2] == f"{levels.modulator.levels}"
    assert text["modulator"]["depth_deg"][2] == f"{levels.modulator.depth_deg:g}"
    assert text["fiber"]["alpha"][2] == f"{binary.fiber.alpha:g} (power-law)"
    assert text["fiber"]["glass"][2] == f'"{binary.fiber.glass}" without `cladding_index`'
    assert text["targets"]["orientations"][2] == f"{binary.targets.orientations}"


def test_every_preset_is_listed() -> None:
    listed = re.findall(r"^\| (bench|fiber|modulator) \| `([^`]+)`", part("Presets"), flags=re.M)
    assert listed == [(kind, name) for kind, name, _ in benches.preset_names()]


# --- what comes out --------------------------------------------------------------------------


def table_shown(command: str) -> list[str]:
    """Lines of the table of masks that stands next below a code block with this command."""
    blocks = code_blocks()
    place = next(i for i, block in enumerate(blocks) if block.endswith(command))
    return next(block for block in blocks[place:] if "insertion" in block).splitlines()


@pytest.mark.parametrize(
    "name", ["few-mode-1310", pytest.param("mine.toml", marks=pytest.mark.long)]
)
def test_what_a_design_prints_and_writes(
    name: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The same masks, as pure, and the loss to 0.05 dB: rounding differs between machines."""
    monkeypatch.chdir(tmp_path)
    (bench,) = code_blocks("toml")
    Path("mine.toml").write_text(bench, "utf-8")
    assert cli.main(["design", name]) == 0
    printed = [line.rstrip() for line in capsys.readouterr().out.splitlines()]
    shown = table_shown(f"maskforge design {name}\n")
    assert printed[:2] == shown[:2]
    assert printed[len(shown)] == ""
    asked = 100 * benches.load(name).design.purity
    for line, row in zip(printed[3 : len(shown)], shown[3:], strict=True):
        made, said = line.split(), row.split()
        assert made[:3] == said[:3]
        assert (len(made), len(said)) == (7, 7)
        assert min(float(made[3]), float(said[3])) >= asked
        assert float(made[5]) == pytest.approx(float(said[5]), abs=0.05)
    files = {path.name for path in (Path("out") / name.removesuffix(".toml")).iterdir()}
    assert files == {row[0].strip("`") for row in rows(part("What comes out"))}


def test_the_columns_of_the_table_of_masks() -> None:
    listed = [row[0].strip("`") for row in rows(part("The columns of `masks.csv`", FIGURES))]
    assert listed == [field.name for field in fields(Record)]


def test_the_bench_shown_is_toml() -> None:
    (bench,) = code_blocks("toml")
    # [device] is for benches that have one
    assert set(tomllib.loads(bench)) == set(SECTIONS) - {"device"}
