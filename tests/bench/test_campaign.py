"""Which benches a campaign has, what varies in them, and what their sets' folders are called."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from maskforge import bench as benches
from maskforge.base.errors import BenchError
from maskforge.bench.campaign import LONGEST_NAME, campaign_of, varied
from maskforge.bench.edit import toml_value
from maskforge.bench.sections import SECTIONS
from maskforge.sets.campaign import SET_NAME
from tests.commands import SMALL, changed, toml_text

KEYS = [(section, key) for section, model in SECTIONS.items() for key in model.model_fields]

SCALARS = st.one_of(
    st.booleans(),
    st.integers(-(2**40), 2**40),
    st.floats(allow_nan=False, allow_infinity=False),
    st.text(st.characters(categories=("L", "N", "P", "Zs")), min_size=1),
)
VALUES = st.one_of(SCALARS, st.lists(st.integers(0, 99), min_size=1, max_size=3))


@given(st.sampled_from(KEYS), st.lists(VALUES, min_size=1, max_size=4, unique_by=repr))
def test_values_are_read_as_the_bench_file_reads_them(
    place: tuple[str, str], values: list[object]
) -> None:
    """Commas in lists and in quotes part nothing."""
    values = [value for value in values if value != ""] or [1]
    found = varied(f"{'.'.join(place)}={','.join(map(toml_value, values))}")
    assert found.name == ".".join(place)
    assert list(map(repr, found.values)) == list(map(repr, values))


def test_a_word_needs_no_quotes() -> None:
    assert varied("fiber.table=one.csv, two.csv").values == ("one.csv", "two.csv")
    assert varied("design.method=dual,ifta").values == ("dual", "ifta")


@given(
    st.lists(st.text(min_size=1, max_size=200), min_size=1, max_size=6, unique=True),
    st.integers(1, 3),
)
def test_every_set_has_a_folder_of_its_own(words: list[str], more: int) -> None:
    """On systems that tell no capitals apart too, whatever is varied."""
    text = ",".join(map(toml_value, words))
    waists = ",".join(str(k) for k in range(1, more + 1))
    found = campaign_of(["few-mode-1310"], [f"light.image={text}", f"light.waist_mm={waists}"], {})
    names = [one.name for one in found.members]
    assert len({name.casefold() for name in names}) == len(names) == more * len(words)
    assert all(SET_NAME.fullmatch(name) and len(name) < LONGEST_NAME + 8 for name in names)


def test_all_combinations_the_last_key_fastest() -> None:
    vary = ["light.wavelength_nm=1310,1320", "targets.orientations=2,3"]
    found = campaign_of(["few-mode-1310"], vary, {("design", "method"): "simple"})
    loaded = [one.loaded() for one in found.members]
    assert [(one.light.wavelength_nm, one.targets.orientations) for one in loaded] == [
        (1310.0, 2),
        (1310.0, 3),
        (1320.0, 2),
        (1320.0, 3),
    ]
    assert {one.design.method for one in loaded} == {"simple"}
    assert found.members[1].name == "wavelength_nm=1310_orientations=3"
    assert found.name == "few-mode-1310-by-wavelength_nm-orientations"


def test_a_folder_of_benches_each_with_its_own_profile(tmp_path: Path) -> None:
    """Fibres measured one by one: paths start at the bench file."""
    for k in (1, 2):
        bent = 1.4645 - 0.0005 * k
        (tmp_path / f"n{k}.csv").write_text(f"0,1.4650\n4,{bent}\n8,1.4440\n", "utf-8")
        keys = changed({**SMALL, "fiber": {"profile": "table", "table": f"n{k}.csv"}})
        keys["fiber"]["cladding_index"] = 1.444
        (tmp_path / f"fibre{k}.toml").write_text(toml_text(keys), "utf-8")
    found = campaign_of([str(tmp_path)], [], {})
    assert [one.name for one in found.members] == ["fibre1", "fibre2"]
    tables = [one.loaded().fiber.table for one in found.members]
    assert [table.data[1, 1] for table in tables if table is not None] == [1.464, 1.4635]
    keys = campaign_of([str(tmp_path / "fibre1.toml")], ["fiber.table=n1.csv,n2.csv"], {})
    assert [one.name for one in keys.members] == ["table=n1", "table=n2"]
    varied_tables = [one.loaded().fiber.table for one in keys.members]
    assert varied_tables == tables


def test_what_is_varied_names_the_bench_in_errors() -> None:
    found = campaign_of(["few-mode-1310"], ["light.wavelength_nm=1310,131"], {})
    line = r"few-mode-1310 with light.wavelength_nm=131: \[light\] wavelength_nm = 131: must be"
    with pytest.raises(BenchError, match=line):
        found.members[1].loaded()
    assert found.members[0].loaded().light == benches.load("few-mode-1310").light


@pytest.mark.parametrize(
    ("names", "vary", "line"),
    [
        (["few-mode-1310"], ["light.wavelength_nm"], "must be SECTION.KEY=VALUE"),
        (["few-mode-1310"], ["lihgt.waist_mm=1"], "did you mean light"),
        (["few-mode-1310"], ["light.waist=1"], "did you mean waist_mm"),
        (["few-mode-1310"], ["light.waist_mm=1,,2"], "a value is missing"),
        (["few-mode-1310"], ["light.waist_mm=1,1"], "1 is given twice"),
        (["few-mode-1310"], ["light.waist_mm=1", "light.waist_mm=2"], "given twice; its values"),
        (["few-mode-1310"], ["targets.orientations=1,2"], "is given by --orientations too"),
        (["few-mode-1310", "few-mode-1310"], [], "given twice"),
        (["few-mode-1310", "no-such-bench"], [], "no preset"),
        (
            ["few-mode-1310"],
            [f"light.waist_mm={','.join(map(str, range(1, 102)))}", "targets.orientations=1"],
            "is given by",
        ),
    ],
)
def test_what_is_no_campaign_is_told(names: list[str], vary: list[str], line: str) -> None:
    with pytest.raises(BenchError, match=line):
        campaign_of(names, vary, {("targets", "orientations"): 2})


def test_too_many_sets_are_a_slip() -> None:
    values = ",".join(map(str, range(1, 102)))
    vary = [f"light.waist_mm={values}", f"lens.focal_length_mm={values}"]
    with pytest.raises(BenchError, match="10201 sets: a campaign has at most 10000"):
        campaign_of(["few-mode-1310"], vary, {})
