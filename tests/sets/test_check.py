"""A set that proves itself: a good one passes, and every way to spoil it is told with its cause."""

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from spoiling import NAMES, Check, edit, edit_arrays, lines_of, mask_start, write

from maskforge.cli import main as cli
from maskforge.playing.packing import write_pack
from maskforge.sets.check.check import checked, page_texts
from maskforge.sets.digests import write_sums
from maskforge.sets.mask_columns import records_text
from maskforge.sets.reading import pages, read_set
from maskforge.sets.stack import page_of, pixel_hash, stack

Page = tuple[NDArray[Any], str]

SET_DISAGREES = "! 5 masks: what the files say of the whole set disagrees"


def repage(folder: Path, change: Callable[[list[Page]], Sequence[Page]]) -> None:
    """Writes the stack again with changed pages."""
    with tifffile.TiffFile(folder / "masks.tif") as file:
        found = [(page.asarray(), page.description) for page in file.pages]  # type: ignore[union-attr]
    with stack(folder / "masks.tif", 10**6, folder) as append:
        for picture, text in change(found):
            append(page_of(picture), text)
    write_sums(folder, folder)


# --- all is well -----------------------------------------------------------------------------


def test_a_good_set_agrees(good: Path, check: Check) -> None:
    """The deviations are those of sums in another order, if any."""
    code, output = check(good)
    first, second, _, last = output.splitlines()
    assert last.startswith("Next: ")
    assert (code, first) == (0, "5 masks: pages, checksums, tables, couplings, bounds agree")
    numbers = [float(word) for word in second.split() if word[0].isdigit()]
    assert len(numbers) == 3
    assert max(numbers) < 1e-12


@pytest.mark.parametrize(
    ("changes", "agree"),
    [
        ({"gap_reflectance": 0.5}, "couplings, bounds agree"),
        ({"crosstalk_px": 0.4}, "couplings, bounds agree"),
        ({"alphabet": "continuous", "levels": None}, "couplings, bounds agree"),
    ],
)
def test_other_good_sets(tmp_path: Path, check: Check, changes: dict[str, Any], agree: str) -> None:
    """With light of the gaps, with crosstalk, with 16 bits."""
    code, output = check(write(tmp_path / "set", modulator=changes))
    assert (code, output.splitlines()[0].rpartition("tables, ")[2]) == (0, agree)


def test_a_set_without_bounds(tmp_path: Path, check: Check) -> None:
    code, output = check(write(tmp_path / "set", design={"method": "simple"}))
    assert (code, output.splitlines()[0]) == (
        0,
        "5 masks: pages, checksums, tables, couplings agree",
    )


def test_pages_are_read_one_by_one(good: Path) -> None:
    """A finding a mask comes before the next page is asked for: nothing is kept."""
    written, asked = read_set(good), 0

    def counted() -> Any:
        nonlocal asked
        for picture in pages(written):
            asked += 1
            yield picture

    for finding in checked(written, counted(), page_texts(written.stack)):
        assert finding.problems == ()
        if finding.mask is not None:
            assert finding.mask.index == asked - 1
    assert asked == 5


# --- pages -----------------------------------------------------------------------------------


def test_pages_in_reversed_order(spoilt: Path, check: Check) -> None:
    repage(spoilt, lambda found: found[::-1])
    code, output = check(spoilt)
    assert code == 1
    assert output.startswith("the pages are in reversed order\n")
    for index in (0, 1, 3, 4):
        described, checksum = lines_of(output, mask_start(index))
        assert f'page {index} is described as "{NAMES[4 - index]}"' in described
        assert f"the page is that of mask {4 - index} ({NAMES[4 - index]})" in checksum
    assert not lines_of(output, mask_start(2))
    assert "! 4 of 5 masks disagree" in output


def test_pages_shifted_by_one(spoilt: Path, check: Check) -> None:
    """A page lost at the start and another one at the end: off by one."""
    repage(spoilt, lambda found: found[1:] + found[:1])
    code, output = check(spoilt)
    assert code == 1
    assert output.startswith("pages hold the mask 1 further on in the play order\n")


@pytest.mark.parametrize(
    ("words", "change"),
    [
        ("upside down", lambda page: page[::-1]),
        ("mirrored left to right", lambda page: page[:, ::-1]),
        ("turned by 180 deg", lambda page: page[::-1, ::-1]),
        ("transposed", lambda page: page.T),
        ("turned by 90 deg counter-clockwise", np.rot90),
        ("turned by 90 deg clockwise", lambda page: np.rot90(page, -1)),
        ("transposed about the other diagonal", lambda page: page[::-1, ::-1].T),
        ("wrong grey table, greys inverted", lambda page: 7 - page),
        ("wrong grey table, sign of the phase inverted", lambda page: -page % 8),
        ("wrong grey table, greys 0 to 252 instead of 0 to 7", lambda page: page * 36),
        ("with 16 bits", lambda page: page.astype(np.uint16)),
    ],
)
def test_a_panel_that_is_not_as_it_should_be(
    spoilt: Path, check: Check, words: str, change: Callable[[NDArray[Any]], NDArray[Any]]
) -> None:
    """Every turn and every change of the greys is found by undoing it, on every mask."""
    repage(spoilt, lambda found: [(change(page), text) for page, text in found])
    code, output = check(spoilt)
    assert code == 1
    for index in range(5):
        (line,) = lines_of(output, mask_start(index))
        assert line.endswith(f"likely cause: the page is its own, {words}")


def test_another_mask_upside_down(spoilt: Path, check: Check) -> None:
    """Two changes at once, of one page."""
    repage(spoilt, lambda found: [*found[:3], (found[0][0][::-1], found[3][1]), found[4]])
    code, output = check(spoilt)
    (line,) = lines_of(output, "mask ")
    assert code == 1
    assert line.startswith(mask_start(3))
    assert line.endswith("the page is that of mask 0 (LP21 0 deg), upside down")


def test_wrong_pages_with_checksums_of_their_own(spoilt: Path, check: Check) -> None:
    """Who writes new checksums with wrong pages is found out by the couplings."""
    repage(spoilt, lambda found: [(page[::-1], text) for page, text in found])
    hashes = [pixel_hash(page) for page in pages(read_set(spoilt))]

    def rehash(content: dict[str, Any]) -> None:
        for mask, digest in zip(content["masks"], hashes, strict=True):
            mask["sha256"] = digest

    edit(spoilt, rehash)
    code, output = check(spoilt)
    assert code == 1
    for index in range(5):
        line = next(line for line in lines_of(output, mask_start(index)) if "coupling to" in line)
        assert "likely cause" not in line
    assert "all checksums agree and no mask's couplings do" in output


def test_greys_of_no_state(spoilt: Path, check: Check) -> None:
    """One mask has a pixel with a grey that the bench's modulator does not know."""

    def change(found: list[Page]) -> list[Page]:
        found[1][0][30, 30] = 9
        return found

    repage(spoilt, change)
    code, output = check(spoilt)
    checksum, greys = lines_of(output, "mask ")
    assert code == 1
    assert checksum.startswith(mask_start(1) + "sha256 ")
    assert greys == (
        mask_start(1) + "page 1: 1 pixels of the mask have a grey that is no state's, such as 9; "
        "likely cause: wrong grey table: the bench's 8 states have greys from 0 to 7"
    )


def test_pixels_of_no_mask(spoilt: Path, check: Check) -> None:
    noise = np.random.default_rng(3).integers(0, 8, (72, 72)).astype(np.uint8)
    repage(spoilt, lambda found: [(noise, found[0][1]), *found[1:]])
    code, output = check(spoilt)
    (line,) = lines_of(output, "mask ")
    assert code == 1
    assert "none of the set's pages, nor one of them turned, mirrored or with other greys" in line


def test_the_panel_around_the_mask(spoilt: Path, check: Check) -> None:
    """It launches nothing in this model, but it is not what the set says."""

    def change(found: list[Page]) -> list[Page]:
        found[2][0][-1, 0] = 5
        return found

    repage(spoilt, change)
    code, output = check(spoilt)
    (line,) = lines_of(output, "mask ")
    assert code == 1
    assert line.endswith("likely cause: the panel around the mask was changed")


def test_a_panel_of_another_size(spoilt: Path, check: Check) -> None:
    repage(spoilt, lambda found: [(page[:60], text) for page, text in found])
    code, output = check(spoilt)
    assert code == 1
    assert "page 4: 72 x 60 pixels, the panel has 72 x 72" in output


def test_a_truncated_file(spoilt: Path, check: Check) -> None:
    """The first page that cannot be read is told, and which masks were not looked at."""
    whole = (spoilt / "masks.tif").read_bytes()
    (spoilt / "masks.tif").write_bytes(whole[: len(whole) // 2])
    code, output = check(spoilt)
    (line,) = lines_of(output, "mask ")
    assert code == 1
    assert line.startswith(mask_start(2))
    assert "page 2 cannot be read" in line
    assert "not checked: mask 3 (LP11 0 deg), mask 4 (LP11 90 deg)" in line
    assert line.endswith("the file is truncated or damaged")


@pytest.mark.parametrize("size", [0, 6, 100])
def test_a_file_with_nothing_to_read(spoilt: Path, check: Check, size: int) -> None:
    path = spoilt / "masks.tif"
    path.write_bytes(path.read_bytes()[:size])
    code, output = check(spoilt)
    assert (code, output.count("\n")) == (2, 1)
    assert output.startswith(f"error: {path}: page 0 cannot be read")


def test_pages_missing_and_to_spare(spoilt: Path, check: Check) -> None:
    repage(spoilt, lambda found: found[:-1])
    code, output = check(spoilt)
    assert code == 1
    assert "4 pages, manifest.json has 5 masks; likely cause: the file is cut" in output
    assert mask_start(4) + "there is no page 4" in output
    repage(spoilt, lambda found: [*found, *found])
    code, output = check(spoilt)
    assert code == 1
    assert "8 pages, manifest.json has 5 masks\n" in output


# --- the bench -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("section", "key", "value"),
    [
        ("light", "wavelength_nm", 1250.0),
        ("lens", "focal_length_mm", 8.7),
        ("light", "waist_mm", 0.72),
        ("fiber", "core_radius_um", 8.5),
    ],
)
def test_masks_of_another_bench(
    spoilt: Path, check: Check, section: str, key: str, value: float
) -> None:
    """All checksums agree and no coupling does."""
    edit(spoilt, lambda content: content["bench"][section].update({key: value}))
    code, output = check(spoilt)
    assert code == 1
    (line,) = lines_of(output, "all checksums agree and no mask's couplings do")
    assert line.endswith("the bench in the manifest does not belong to these pixels")
    if section != "fiber":
        for index in range(5):
            assert any("coupling to" in line for line in lines_of(output, mask_start(index)))
    if key == "wavelength_nm":
        # what follows from the glass gives the edit away as well
        assert len(lines_of(output, "manifest.json: bench [fiber] c")) == 2
        assert lines_of(output, "manifest.json: modes: n_eff of 6 of 6 disagree")


def test_a_bench_that_cannot_be_read(spoilt: Path, check: Check) -> None:
    edit(spoilt, lambda content: content["bench"].pop("light"))
    code, output = check(spoilt)
    assert code == 2
    assert output == (
        f"error: {spoilt}/manifest.json: bench: [light]: missing; a bench needs this section\n"
    )


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (
            lambda c: c["masks"][0].update(target="L" * 10**6),
            "...: must be text of at most 4096 characters",
        ),
        (lambda c: c["masks"][0].update(index=10**400), "...: must be a whole number"),
        (lambda c: c["masks"][0].update({"k" * 2000: 1}), "kkk...: no such key"),
        (lambda c: c["bench"]["light"].update({"k" * 2000: 1}), "kkk... = 1: no such key"),
        (
            lambda c: c["modes"][0].update(label="L" * 10**6),
            "...: must be an object with a label of at most 20 characters",
        ),
    ],
)
def test_a_manifest_beyond_all_measure(
    spoilt: Path, check: Check, change: Callable[[dict[str, Any]], object], words: str
) -> None:
    """One short line."""
    edit(spoilt, change)
    code, output = check(spoilt)
    assert (code, output.count("\n")) == (2, 1)
    assert words in output
    assert len(output) < 500


# --- numbers ---------------------------------------------------------------------------------


@pytest.mark.parametrize("key", ["purity", "group_purity", "efficiency"])
def test_an_edited_figure(spoilt: Path, check: Check, key: str) -> None:
    """By 3e-9, thrice what is allowed; the table and the pixels both know the true one."""

    def change(content: dict[str, Any]) -> None:
        content["masks"][1][key] -= 3e-9

    edit(spoilt, change)
    code, output = check(spoilt)
    table, figure, *_ = lines_of(output, "mask ")
    assert code == 1
    assert table.startswith(mask_start(1) + f"{key} ")
    assert "in masks.csv" in table
    assert figure.startswith(mask_start(1) + f"{key} ")
    assert figure.endswith("the couplings agree with the pixels: the manifest was changed")
    assert "! 1 of 5 masks disagree" in output
    assert "3.0e-09 of a figure" in output


@pytest.mark.parametrize("value", [0.3, float("nan"), float("inf"), 1e200])
def test_an_edited_coupling(spoilt: Path, check: Check, value: float) -> None:
    edit_arrays(spoilt, "coupling.npz", "couplings", (3, 1), value)
    code, output = check(spoilt)
    table, coupling = lines_of(output, "mask ")
    assert code == 1
    assert table.startswith(mask_start(3) + "LP11 cos ")
    assert coupling.startswith(mask_start(3) + f"coupling to LP11 cos {value:.6g}+0j")
    assert coupling.endswith("figures agree with the pixels: coupling.npz was changed")


def test_an_edited_table(spoilt: Path, check: Check) -> None:
    for name, old, line in (
        ("masks.csv", "LP01", 3),
        ("coupling.csv", ",90.0,", 5),
    ):
        rows = (spoilt / name).read_text("utf-8").splitlines()
        assert old in rows[line]
        rows[line] = rows[line].replace(old, "LP02" if old == "LP01" else ",80.0,")
        (spoilt / name).write_text("\n".join(rows), "utf-8")
    code, output = check(spoilt)
    assert code == 1
    assert lines_of(output, "mask ") == [
        mask_start(2) + 'target "LP02" in masks.csv, "LP01" in manifest.json',
        mask_start(4) + 'orientation_deg "80.0" in coupling.csv, "90.0" in manifest.json and '
        "coupling.npz",
    ]


def test_a_table_that_a_spreadsheet_saved(spoilt: Path, check: Check) -> None:
    """15 digits and another line end are the same numbers, in a file that is another."""
    path = spoilt / "coupling.csv"
    header, *rows = path.read_text("utf-8").splitlines()
    cells = [row.split(",") for row in rows]
    short = [[*row[:3], *(f"{float(cell):.15G}" for cell in row[3:])] for row in cells]
    path.write_text("\r\n".join([header, *(",".join(row) for row in short)]), "utf-8-sig")
    code, output = check(spoilt)
    assert code == 1
    assert output.startswith("coupling.csv: was damaged or changed after it was written: ")
    assert output.splitlines()[1] == SET_DISAGREES
    write_sums(spoilt, spoilt)
    assert check(spoilt)[0] == 0


@pytest.mark.parametrize("name", ["coupling.npz", "certificate.npz", "masks.csv", "coupling.csv"])
def test_a_file_that_is_gone_or_garbage(spoilt: Path, check: Check, name: str) -> None:
    """The rest is checked all the same."""
    (spoilt / name).write_bytes(b"\xff\x00garbage")
    code, output = check(spoilt)
    assert code == 1
    assert f"{name}: " in output.splitlines()[0]
    (spoilt / name).unlink()
    code, output = check(spoilt)
    assert code == 1
    assert f"{name}: " in output.splitlines()[0]
    assert SET_DISAGREES in output


def without_bounds(content: dict[str, Any]) -> None:
    for mask in content["masks"]:
        mask.update(bound=None, bound_purity=None, gap=None)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda c: c["modes"][3].update(n_eff=1.45), "modes: n_eff of 1 of 6 disagree"),
        (lambda c: c["modes"][3].update(group=4), "modes[3] group = 4, the bench's LP02 has 3"),
        (lambda c: c["modes"].insert(0, c["modes"].pop(1)), "not in the order of the bench's"),
        (lambda c: c["modes"].pop(), "lacks modes that its bench's fibre guides: LP21 sin"),
        (lambda c: c["masks"].pop(), "targets are missing: LP11 90 deg"),
        (lambda c: c["masks"].clear(), "targets are missing: LP21 0 deg"),
        (lambda c: c["masks"][1].update(page=0), "masks[1] page = 0: another mask has it too"),
        (lambda c: c["masks"][1].update(index=7), "masks[1] index = 7: must be 1"),
        (lambda c: c["masks"][1].update(target="LP77"), "has no such target"),
        (lambda c: c["masks"][1].update(orientation_deg=44.0), "has no such target"),
        (lambda c: c["masks"][1].update(bound=0.9), "bound 0.9 in manifest.json"),
        (
            lambda c: c["masks"][1].update(bound=None),
            "has no bound at purity 0.99 and certificate.npz a proof",
        ),
        (lambda c: c["masks"][1].update(sha256="00"), "the checksum was changed"),
        (lambda c: c["masks"][1].update(unwanted_db=None), "unwanted_db null in manifest.json"),
        (lambda c: c["masks"][1].update(purity=5.0), "purity 5 in manifest.json"),
        (lambda c: c["masks"][1].update(efficiency=1e300), "is above the bound"),
        (
            lambda c: c["masks"][1].update(reached=False),
            "not reached in manifest.json, with a purity of ",
        ),
        (
            lambda c: c["masks"][1].update(method="genie"),
            'method "genie" in manifest.json, the bench\'s is "dual"',
        ),
        (
            lambda c: c["bench"]["design"].update(purity=0.9999999),
            "reached in manifest.json, with a purity of ",
        ),
        (
            lambda c: c["bench"]["design"].update(purity=0.9900001),
            "bound_asked null in manifest.json, where bound is for a lower purity than the asked",
        ),
        (without_bounds, "where the method proves one for every mask"),
        (
            lambda c: c["bench"]["design"].update(fiber_offset_um=[1.0, 0.0]),
            "manifest.json: robust: has nothing of this mask",
        ),
        (
            lambda c: c["bench"]["light"].update(wavelength_nm=[1310.0, 1320.0]),
            "manifest.json: robust: has nothing of this mask",
        ),
        (
            lambda c: c["bench"]["light"].pop("offset_mm"),
            "manifest.json: bench [light]: keys are missing: offset_mm",
        ),
        (
            lambda c: c["bench"]["fiber"].pop("core_index"),
            "manifest.json: bench [fiber]: keys are missing: core_index",
        ),
        (lambda c: c["bench"].pop("design"), "manifest.json: bench [design]: keys are missing: "),
        (lambda c: c.pop("made_with"), "manifest.json: made_with: must have the versions of "),
        (lambda c: c["modes"][0].update(n_eff=10**400), "modes: n_eff of 1 of 6 disagree"),
        (
            lambda c: c["bench"]["fiber"].update(cladding_index=10**400),
            "bench [fiber] cladding_index = 1000",
        ),
        (lambda c: c["bench"]["fiber"].update(core_index=None), "core_index = null, its other"),
        (lambda c: c["bench"]["fiber"].update(core_index=1e29), "core_index = 1e+29, its other"),
        (lambda c: c["modes"][0].pop("part"), "manifest.json: modes[0]: its keys must be index, "),
    ],
)
def test_an_edited_manifest(
    spoilt: Path, check: Check, change: Callable[[dict[str, Any]], object], words: str
) -> None:
    edit(spoilt, change)
    code, output = check(spoilt)
    assert code == 1
    assert words in output


UNSEEN = {"seed", "iterations", "window_factor", "made_with"}
"""What nothing can be computed from, see docs/commands.md."""


def places_of(part: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Where a manifest has a number."""
    if isinstance(part, dict | list):
        for key, one in part.items() if isinstance(part, dict) else enumerate(part):
            yield from places_of(one, (*path, key))
    elif isinstance(part, int | float):
        yield path


@pytest.mark.long
def test_any_number_of_the_manifest_changed_by_a_hundredth(spoilt: Path, check: Check) -> None:
    """Of some at random: each is told by what is computed, not by its digest; flags turned over."""
    whole = (spoilt / "manifest.json").read_text("utf-8")
    places = [one for one in places_of(json.loads(whole)) if not UNSEEN & set(one)]
    for at in np.random.default_rng(3).choice(len(places), 12, replace=False):
        (spoilt / "manifest.json").write_text(whole, "utf-8")
        *path, last = places[at]

        def change(content: Any, path: list[Any] = path, last: Any = last) -> None:
            for key in path:
                content = content[key]
            value = content[last]
            content[last] = not value if isinstance(value, bool) else value * 1.01 or 0.01

        edit(spoilt, change)
        code, output = check(spoilt)
        assert code in (1, 2), places[at]
        assert "digest" not in output.splitlines()[0]


def test_power_figures(tmp_path: Path, check: Check) -> None:
    """The peak of the beam as it is told, and what an edit of each figure says.

    2 P/(pi w^2) is 1.989 mW/mm2 for 2 mW and 0.8 mm, half of it on the surface at 60 deg.
    """
    modulator = {"incidence_deg": 60.0, "damage_mw_per_mm2": 1.5}
    folder = write(
        tmp_path / "set", light={"power_mw": 2.0}, modulator=modulator, design={"method": "simple"}
    )
    found = read_set(folder).safety
    assert found is not None
    written = asdict(found)
    assert written["peak_mw_per_mm2"] == pytest.approx(4 / (np.pi * 0.8**2), rel=1e-12)
    code, output = check(folder)
    assert code == 0
    told = "2 mW, at its peak 1.99 mW/mm2 across the beam, 0.995 mW/mm2 on the surface; damage_mw"
    assert f"power on the modulator: {told}_per_mm2 = 1.5\n" in output
    assert "Warning: set: [light] power_mw = 2: the peak on the modulator is 1.99" in output
    for light, figures, wrong in (
        ({}, {"peak_mw_per_mm2": 1.0}, "safety peak_mw_per_mm2 = 1.0, the bench gives 1.98"),
        ({"power_mw": 0.02}, {}, "safety power_mw = 2.0, the bench gives 0.02"),
        ({"power_mw": None}, {}, "safety: is there, and the bench says no power_mw"),
    ):
        kept = {"power_mw": 2.0} | light
        edit(folder, lambda c, own=kept: c["bench"]["light"].update(own))
        edit(folder, lambda c, own=written | figures: c.update(safety=own))
        code, output = check(folder)
        assert code == 1
        assert f"manifest.json: {wrong}" in output
    edit(folder, lambda c: c["bench"]["light"].update(power_mw=2.0))
    edit(folder, lambda c: c["safety"].update(power_mw="2"))
    assert check(folder)[0] == 2
    edit(folder, lambda c: c.pop("safety"))
    code, output = check(folder)
    assert code == 1
    assert "manifest.json: safety: is missing, and the bench says power_mw = 2\n" in output


def test_a_set_without_its_proofs(spoilt: Path, check: Check) -> None:
    """All bounds, certificate.npz and its digest taken away."""
    (spoilt / "certificate.npz").unlink()
    edit(spoilt, without_bounds)
    (spoilt / "masks.csv").write_text(records_text(read_set(spoilt).masks), "utf-8", newline="")
    write_sums(spoilt, spoilt)
    code, output = check(spoilt)
    assert code == 1
    assert "certificate.npz" not in output
    assert output.count("bound null in manifest.json, where the method proves one") == 5
    assert "! 5 of 5 masks disagree" in output


def test_a_forged_page(spoilt: Path, check: Check) -> None:
    """Whose digest is its own; a page that `report` wrote agrees, whatever the set is called."""
    assert cli.main(["report", str(spoilt)]) == 0
    spoilt = spoilt.rename(spoilt.parent / "moved")
    assert check(spoilt)[0] == 0
    page = (spoilt / "report.html").read_text("utf-8")
    purity = page[page.index('data-name="purity %">') :][21:28]
    for old, new in (
        ('data-name="purity %">' + purity, 'data-name="purity %">99.9999'),
        ("LP21", "LP02"),
        ("</main>", "<p>The laser is off.</p></main>"),
        ("</html>", ""),
        ("</html>", "</html> 1"),
        (page, "<h1>All is well</h1>"),
    ):
        assert old in page
        (spoilt / "report.html").write_text(page.replace(old, new, 1), "utf-8")
        write_sums(spoilt, spoilt)
        code, output = check(spoilt)
        assert (code, output.count("\n")) == (1, 5)
        assert output.startswith("report.html: is not the page of this set: "), output


def test_a_folder_without_a_set(tmp_path: Path, check: Check) -> None:
    for folder in (tmp_path, tmp_path / "none"):
        code, output = check(folder)
        assert (code, output.count("\n")) == (2, 1)
        assert output.endswith("a set of masks is needed\n")


# --- packs -----------------------------------------------------------------------------------


def pack(folder: Path, of: Path, kind: str, beside: Path | None = None) -> Path:
    folder.mkdir()
    other = None if beside is None else read_set(beside)
    write_pack(folder, folder, read_set(of), kind, other=other)
    return folder


@pytest.mark.parametrize("kind", ["tiff", "png", "numpy"])
def test_a_pack_agrees_with_its_set(
    good: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], kind: str
) -> None:
    folder = pack(tmp_path / "pack", good, kind)
    assert cli.main(["check", str(folder), "--of", str(good)]) == 0
    expected = f"5 masks of {good}: pages, checksums, tables, couplings, bounds agree"
    assert capsys.readouterr().out.splitlines()[0] == expected


def test_a_pack_of_another_set(
    good: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = write(tmp_path / "other", design={"method": "simple"})
    folder = pack(tmp_path / "pack", other, "png")
    assert cli.main(["check", str(folder), "--of", str(good)]) == 1
    output = capsys.readouterr().out
    assert output.startswith("pack.json: made from a manifest.json with sha256 ")
    assert len(lines_of(output, mask_start(2))) == 3


def test_two_sets_on_one_panel(
    good: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each is found in the pack, and each is missed where another one was packed."""
    wide = {"panel": [140, 72], "at": [70, 4]}
    left = write(tmp_path / "left", modulator=wide | {"at": [2, 3]}, design={"method": "simple"})
    right = write(tmp_path / "right", modulator=wide, design={"method": "simple"})
    folder = pack(tmp_path / "pack", left, "png", beside=right)
    command = ["check", str(folder), "--of", str(left), "--beside"]
    assert cli.main([*command, str(right)]) == 0
    first, _, second, *_ = capsys.readouterr().out.splitlines()
    agree = "pages, checksums, tables, couplings agree"
    assert first == f"5 masks of {left}: {agree}"
    assert second == f"5 masks of {right}: {agree}"
    moved = write(
        tmp_path / "moved",
        modulator=wide,
        targets={"labels": ["LP11", "LP01", "LP21"]},
        design={"method": "simple"},
    )
    assert cli.main([*command, str(moved)]) == 1
    assert f"! 4 of 5 masks of {moved} disagree" in capsys.readouterr().out
    assert cli.main(command[:-1]) == 2
    assert "holds a second set; give it with --beside OTHER" in capsys.readouterr().err


def test_one_mask_beside_all(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    wide = {"panel": [140, 72], "at": [70, 4]}
    left = write(tmp_path / "left", modulator=wide | {"at": [2, 3]}, design={"method": "simple"})
    right = write(
        tmp_path / "right",
        modulator=wide,
        targets={"labels": ["LP01"]},
        design={"method": "simple"},
    )
    folder = pack(tmp_path / "pack", left, "numpy", beside=right)
    assert cli.main(["check", str(folder), "--of", str(left), "--beside", str(right)]) == 0
    assert f"1 mask of {right}: pages" in capsys.readouterr().out


def test_options_that_do_not_go_together(
    good: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = pack(tmp_path / "pack", good, "png")
    for arguments, words in (
        ([good, "--beside", good], "--beside"),
        ([folder], "give the set that it was made of with --of SET"),
        ([folder, "--of", good, "--beside", good], "the pack holds one set, no --beside"),
        ([good, "--of", good], "holds no pack.json"),
    ):
        assert cli.main(["check", *map(str, arguments)]) == 2
        found = capsys.readouterr()
        assert (found.out, found.err.count("\n")) == ("", 1)
        assert words in found.err
