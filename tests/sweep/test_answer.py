"""Tables of readings, passes, labels over time, and what a device does to groups."""

import math
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from scipy import constants

from maskforge.base.errors import BenchError
from maskforge.sweep import groups, passes
from maskforge.sweep import labels as courses
from maskforge.sweep import readings as table
from maskforge.sweep.answer import Question, answered
from maskforge.sweep.launched import Launched
from maskforge.sweep.passes import blocks_of, pass_numbers, read_sweep
from maskforge.sweep.simulate import DeviceDisturbance, Splitter, splitter
from tests.benches import parabola
from tests.sweep.sweeps import diagonal, gathered, launches, readings

LOOKUPS = {"page": np.array([2, 0, 1, -1, 3])}
"""Pages 0, 1, 2 and 4 of a set of four masks, in another order."""

HEAD = "time_s,page,A_mw,B_dbm\n"
ROWS = [f"{0.5 * k:g},{page},{0.1 * k:g},{-k}\n" for k, page in enumerate([1, 2, 0, 4] * 6)]


def written(folder: Path, text: str) -> Path:
    path = folder / "readings.csv"
    path.write_text(text, "utf-8")
    return path


# --- the table -------------------------------------------------------------------------------


def test_a_table_in_milliwatts(tmp_path: Path) -> None:
    """-10 dBm are 0.1 mW."""
    found = read_sweep(written(tmp_path, HEAD + "".join(ROWS)), LOOKUPS)
    assert (found.ports, found.rows, found.bad, found.passes) == (("A", "B"), 24, 0, 6)
    assert found.mask[:4].tolist() == [0, 1, 2, 3]
    assert found.time[3] == 1.5
    np.testing.assert_allclose(found.power[10], [1.0, 0.1], rtol=1e-12)
    assert not found.invented


def same(one: object, other: object) -> bool:
    names = ("time", "mask", "run", "power")
    return all(np.array_equal(getattr(one, name), getattr(other, name)) for name in names)


@pytest.mark.parametrize(
    "change",
    [
        lambda text: "# a comment\n\n" + text.replace("\n", "\n# and another\n\n"),
        lambda text: text.replace("\n", "\r\n"),
        lambda text: "\ufeff" + text,
        lambda text: text[:-1],
        lambda text: text.replace(",", " , "),
        # quotes take the way row by row
        lambda text: text.replace("\n0.5,", '\n"0.5",'),
        lambda text: "".join(f"{line},warm\n" for line in text.splitlines()).replace(
            "warm", "lamp", 1
        ),
    ],
)
def test_the_same_readings_in_other_clothes(
    change: Callable[[str], str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = read_sweep(written(tmp_path, HEAD + "".join(ROWS)), LOOKUPS)
    path = written(tmp_path, change(HEAD + "".join(ROWS)))
    assert same(read_sweep(path, LOOKUPS), plain)
    # a few rows at a time
    monkeypatch.setattr(table, "CHUNK", 64)
    assert same(read_sweep(path, LOOKUPS), plain)


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        ("9.5,2,1", "has 3 cells, the header has 4"),
        ("9.5,2,1,2,3", "has 5 cells, the header has 4"),
        ("9.5,2,one,2", 'A_mw = "one": must be a number'),
        ("9.5,2,,2", 'A_mw = "": must be a number'),
        ("9.5,2,1_0,2", 'A_mw = "1_0": must be a number'),
        ("9.5,2,nan,2", "A_mw = nan: must be a number from 0 to 1e+06 mW"),
        ("inf,2,1,2", "time_s = inf: must be a number from -1e+12 to 1e+12 s"),
        ("9.5,2,-0.1,2", "A_mw = -0.1: must be a number from 0 to 1e+06 mW"),
        ("9.5,2,1,1000", "B_dbm = 1000: must be a number from -200 to 60 dBm"),
        ("9.5,7,1,2", "page = 7: must be a whole number from 0 to 4"),
        ("9.5,3,1,2", "page = 3: must be a whole number from 0 to 4"),
        ("9.5,-1,1,2", "page = -1: must be a whole number from 0 to 4"),
        ("9.5,1.5,1,2", "page = 1.5: must be a whole number from 0 to 4"),
        ("9.4,2,1,2", "time_s = 9.4: goes back; line 21 was at 9.5 s"),
    ],
)
@pytest.mark.parametrize("chunk", [2**20, 40])
def test_a_bad_row_is_named_by_its_line(
    row: str, reason: str, chunk: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(table, "CHUNK", chunk)
    path = written(tmp_path, HEAD + "".join([*ROWS[:20], row + "\n", *ROWS[20:]]))
    found = read_sweep(path, LOOKUPS)
    assert (found.rows, found.bad, found.named) == (25, 1, (f"line 22: {reason}",))
    assert same(found, read_sweep(written(tmp_path, HEAD + "".join(ROWS)), LOOKUPS))
    path = written(tmp_path, HEAD + "".join([*ROWS[:20], row + "\n", *ROWS[20:]]))
    with pytest.raises(BenchError) as problem:
        read_sweep(path, LOOKUPS, strict=True)
    assert str(problem.value) == f"{path}: line 22: {reason}"


def test_many_bad_rows_are_counted_and_more_than_a_tenth_are_too_many(tmp_path: Path) -> None:
    text = HEAD + "".join([*ROWS, "x,1,1,1\n", "99,9,1,1\n"])
    found = read_sweep(written(tmp_path, text), LOOKUPS)
    assert found.bad == 2
    path = written(tmp_path, text + "99,1,-1,1\n")
    with pytest.raises(BenchError) as problem:
        read_sweep(path, LOOKUPS)
    assert str(problem.value) == (
        f'{path}: 3 of 27 rows cannot be used, at most 10 % may be bad: line 26: time_s = "x": '
        "must be a number; line 27: page = 9: must be a whole number from 0 to 4; line 28: A_mw = "
        "-1: must be a number from 0 to 1e+06 mW"
    )


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("", "is empty; the first line must name the columns"),
        ("# only words\n", "is empty; the first line must name the columns"),
        (HEAD, "holds no readings"),
        ("time_s;page;A_mw\n1;2;3\n", "line 1: cells must be parted by commas"),
        ("time,page,A_mw\n", 'the header must have the column time_s; it has "time"'),
        ("time_s,A_mw\n", "the header must have the column page"),
        (
            "time_s,page,A\n",
            "the header names no port: each needs a column <port>_mw or <port>_dbm",
        ),
        (
            "time_s,page,reference_mw\n",
            "the header names no port: each needs a column <port>_mw or <port>_dbm",
        ),
        ("time_s,page,A_mw,A_dbm\n", "the header: A_mw: there is a second column of this port"),
        ("time_s,page,_mw\n", "the header: _mw: names no port"),
        ("time_s,page,page,A_mw\n", 'the header has the column "page" twice'),
    ],
)
def test_what_is_no_table(text: str, line: str, tmp_path: Path) -> None:
    path = written(tmp_path, text)
    with pytest.raises(BenchError) as problem:
        read_sweep(path, LOOKUPS)
    assert str(problem.value).removeprefix(f"{path}: ") == line


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "none.csv"):
        with pytest.raises(BenchError, match="cannot be read"):
            read_sweep(path, LOOKUPS)
    (tmp_path / "noise.csv").write_bytes(bytes(range(256)) * 9)
    with pytest.raises(BenchError, match="the header must have"):
        read_sweep(tmp_path / "noise.csv", LOOKUPS)


def test_parquet_gives_the_same(tmp_path: Path) -> None:
    arrow = pytest.importorskip("pyarrow")
    parquet = pytest.importorskip("pyarrow.parquet")
    plain = read_sweep(written(tmp_path, HEAD + "".join(ROWS)), LOOKUPS)
    cells = [list(map(float, row.split(","))) for row in ROWS]
    columns: list[list[float | None]] = [list(column) for column in zip(*cells, strict=True)]
    names = HEAD.strip().split(",")
    path = tmp_path / "readings.parquet"
    parquet.write_table(arrow.table(dict(zip(names, columns, strict=True))), path)
    assert same(read_sweep(path, LOOKUPS), plain)
    columns[2][5] = None
    parquet.write_table(arrow.table(dict(zip(names, columns, strict=True))), path)
    found = read_sweep(path, LOOKUPS)
    assert found.named == ("row 6: A_mw = nan: must be a number from 0 to 1e+06 mW",)
    path.write_bytes(path.read_bytes()[:100])
    with pytest.raises(BenchError, match="is not Parquet"):
        read_sweep(path, LOOKUPS)


def test_parquet_without_its_reader_is_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(
        BenchError, match=r"needs the package pyarrow: install maskforge\[parquet\]"
    ):
        read_sweep(tmp_path / "readings.parquet", LOOKUPS)


# --- passes and drift of the light -----------------------------------------------------------


@pytest.mark.parametrize(
    ("shown", "runs"),
    [
        ([0, 1, 2, 0, 1, 2], [0, 0, 0, 1, 1, 1]),
        ([2, 0, 1, 1, 2, 0], [0, 0, 0, 1, 1, 1]),
        ([0, 2, 1, 2, 0, 1], [0, 0, 0, 1, 1, 1]),
        ([5, 5, 5], [0, 1, 2]),
        ([7], [0]),
        # 9 is a reference
        ([9, 0, 1, 9, 2, 9, 0, 9, 1, 2], [0, 0, 0, 0, 0, 0, 1, 1, 1, 1]),
    ],
)
def test_a_mask_seen_again_starts_a_pass(shown: list[int], runs: list[int]) -> None:
    mask = np.array(shown, dtype=np.int32)
    assert pass_numbers(mask, mask == 9).tolist() == runs


def test_passes_against_a_walk_through_the_rows() -> None:
    chance = np.random.default_rng(0)
    mask = np.concatenate([chance.permutation(9)[: chance.integers(1, 10)] for _ in range(300)])
    seen: set[int] = set()
    number, numbers = 0, []
    for one in mask.tolist():
        if one in seen:
            number, seen = number + 1, set()
        seen.add(one)
        numbers.append(number)
    found = pass_numbers(mask.astype(np.int32), np.zeros(mask.size, dtype=bool))
    assert found.tolist() == numbers


def faded(folder: Path, extra: str = "") -> Path:
    """Powers 1, 2, 3 and the reference's 4, in light that fades by half; a reference first and
    last and after every mask."""
    lines = [f"time_s,mask,A_mw,B_mw{',reference_mw' if extra else ''}"]
    for at in range(25):
        mask = 3 if at % 2 == 0 else (at // 2) % 3
        light = 1 - 0.5 * at / 24
        cells = [float(at), mask, light * (mask + 1), 0.5 * light, *([2 * light] if extra else [])]
        lines.append(",".join(map(str, cells)))
    return written(folder, "\n".join(lines) + "\n")


def test_references_take_the_drift_out(tmp_path: Path) -> None:
    """Linear drift and references on both sides of each mask: interpolation is exact."""
    lookups = {"mask": np.arange(4)}
    found = read_sweep(faded(tmp_path), lookups, (3,))
    assert (found.passes, found.against) == (4, "the reference masks")
    for mask in range(4):
        power = found.power[found.mask == mask]
        np.testing.assert_allclose(power / power[0], 1.0, rtol=1e-12)
        np.testing.assert_allclose(power[:, 0] / power[:, 1], 2.0 * (mask + 1), rtol=1e-12)
    # the level is that of the references' mean
    np.testing.assert_allclose(found.power[found.mask == 3][:, 0], 4 * 0.75, rtol=1e-12)


def test_a_watched_reference_takes_the_drift_out(tmp_path: Path) -> None:
    found = read_sweep(faded(tmp_path, "reference_mw"), {"mask": np.arange(4)})
    assert found.against == "reference_mw"
    for mask in range(4):
        power = found.power[found.mask == mask]
        np.testing.assert_allclose(power[:, 0], 0.75 * (mask + 1), rtol=1e-12)


def test_a_table_of_bad_rows_is_given_up_before_its_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(passes, "BAD_AT_ONCE", 2)
    monkeypatch.setattr(table, "CHUNK", 8)
    path = tmp_path / "readings.csv"
    path.write_text("time_s,page,a_mw\n" + "1,0,x\n" * 50, "utf-8")
    with pytest.raises(BenchError, match=r"[3-9] of [3-9] rows cannot be used"):
        read_sweep(path, {"page": np.arange(2)})


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("#\n" * 10_001 + "time_s,page,a_mw\n", "no line names the columns"),
        ("time_s,page," + ",".join(f"p{k}_mw" for k in range(999)), "has 1001 columns; at most"),
    ],
)
def test_a_header_that_is_far_down_or_long(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "readings.csv"
    path.write_text(text, "utf-8")
    with pytest.raises(BenchError, match=words):
        read_sweep(path, {"page": np.arange(2)})


def test_a_watched_reference_of_zero_is_a_bad_row(tmp_path: Path) -> None:
    path = written(tmp_path, "time_s,mask,A_mw,reference_mw\n" + "0,1,1,1\n" * 10 + "1,1,1,0\n")
    found = read_sweep(path, {"mask": np.arange(4)})
    assert found.named == ("line 12: reference_mw = 0: must be a number between 0 and 1e+06 mW",)


def test_blocks_hold_every_reading_once() -> None:
    launched = launches(2, 3)
    read = readings(splitter(launched.basis), launched, 250)
    blocks = blocks_of(read, len(launched.efficiency))
    assert blocks.count.shape == (100, 4)
    assert blocks.count.sum() == 1000
    np.testing.assert_allclose(blocks.total.sum(axis=(0, 1)), read.power.sum(axis=0), rtol=1e-12)
    mean = blocks.means(np.ones((1, 100)))[0, 2]
    np.testing.assert_allclose(mean, read.power[read.mask == 2].mean(axis=0), rtol=1e-12)


# --- a label over the passes -----------------------------------------------------------------


@pytest.mark.parametrize("count", [3, 4, 5, 12])
@pytest.mark.parametrize("best", [0.0, 20.0, 59.0])
def test_a_known_curve_is_fitted_exactly(count: int, best: float) -> None:
    """A + B cos(2 l (theta - theta0)) for l = 3: what comes out is A, B and theta0."""
    turns = 2 * np.pi * np.arange(count) / count
    values = 0.4 + 0.1 * np.cos(turns - np.deg2rad(6 * best))
    design, direction = courses._design(turns)
    level, swing = courses.fitted(design, values[None, :, None])
    assert direction == 1.0
    assert level[0, 0] == pytest.approx(0.4, abs=1e-12)
    assert abs(swing[0, 0]) == pytest.approx(0.1, abs=1e-12)
    found = np.rad2deg(np.angle(swing[0, 0])) / 6
    assert (found - best + 30) % 60 - 30 == pytest.approx(0, abs=1e-9)


def test_any_matrix_gives_such_a_curve() -> None:
    """c^H R c with c = (cos l theta, sin l theta): mean trace/2, extremes the eigenvalues of Re R,
    highest along its eigenvector."""
    chance = np.random.default_rng(6)
    half = chance.standard_normal((2, 2)) + 1j * chance.standard_normal((2, 2))
    matrix = half @ half.conj().T
    turns = 2 * np.pi * np.arange(7) / 7
    fields = np.stack([np.cos(turns / 2), np.sin(turns / 2)], axis=1)
    values = np.einsum("ni,ij,nj->n", fields, matrix, fields).real
    level, swing = courses.fitted(courses._design(turns)[0], values[None, :, None])
    low, high = np.linalg.eigvalsh(matrix.real)
    assert level[0, 0] == pytest.approx((low + high) / 2)
    assert abs(swing[0, 0]) == pytest.approx((high - low) / 2)
    x, y = np.linalg.eigh(matrix.real)[1][:, 1]
    assert np.exp(1j * np.angle(swing[0, 0])) == pytest.approx((x + 1j * y) ** 2)


def test_passes_with_holes_are_fitted_where_they_can_be() -> None:
    """Of four orientations three suffice, two do not."""
    turns = np.pi / 2 * np.arange(4)
    values = np.tile(0.4 + 0.1 * np.cos(turns - 0.3), (3, 1))
    values[1, 2] = values[2, 2] = values[2, 3] = np.nan
    level, swing = courses.fitted(courses._design(turns)[0], values[..., None])
    np.testing.assert_allclose(level[:, 0], [0.4, 0.4, np.nan], atol=1e-12)
    np.testing.assert_allclose(swing[:2, 0], 0.1 * np.exp(0.3j), atol=1e-12)


def label_of(launched: Launched, name: str) -> int:
    return [label.name for label in launched.labels].index(name)


def course_of(power: list[list[float]], orientations: int) -> courses.Course:
    """LP11 read in passes of `power` [pass][orientation] at port A, and 1 - power at port B."""
    launched = launches(2, orientations)
    flat = np.array(power).ravel()
    label = launched.labels[label_of(launched, "LP11")]
    shown = np.tile(label.masks, len(power))
    both = np.stack([flat, 1 - flat], axis=1)
    read = gathered(shown, 10.0 * np.arange(flat.size), both)
    (found,) = courses.courses_of(read, [label], np.ones(len(launched.efficiency)))
    return found


def test_figures_of_two_orientations() -> None:
    """0.3 and 0.5 at 0 and 90 deg: mean 0.4, (0.5 - 0.3)/(0.5 + 0.3) = 25 %, highest at 90 deg; the
    other port gets the rest, is the stronger one, and is highest at 0 deg."""
    found = courses.figures_of(course_of([[0.3, 0.5]] * 3, 2))
    np.testing.assert_allclose(found.power, [0.4, 0.6])
    np.testing.assert_allclose(found.split, [0.4, 0.6])
    np.testing.assert_allclose(found.dependence, [0.25, 1 / 6])
    assert found.course.own == 1
    assert found.best == pytest.approx(0.0)
    assert found.polarity == pytest.approx(-1.0)
    assert found.drift is None
    assert found.isolation == pytest.approx([10 * math.log10(1.5)] * 3)


def test_isolation_over_the_passes() -> None:
    """Shares of 0.5 + 0.001 k in 101 passes: the median is that of k = 50, 5 % that of k = 5."""
    found = courses.figures_of(course_of([[0.51 + 0.001 * k] * 3 for k in range(101)], 3))

    def of(k: int) -> float:
        share = 0.51 + 0.001 * k
        return 10 * math.log10(share / (1 - share))

    assert found.isolation == pytest.approx((of(50), of(5), of(95)))
    edges, counts = courses.histogram(found.course.isolation, 0.25)
    assert counts.sum() == 101
    assert counts[0] == sum(of(k) < 0.25 for k in range(101))
    assert edges[0] == 0.0


def test_a_single_orientation_depends_on_nothing() -> None:
    found = courses.figures_of(course_of([[0.2], [0.3], [0.4]], 1))
    assert (found.best, found.drift, found.polarity) == (None, None, None)
    np.testing.assert_allclose(found.power, [0.3, 0.7])


def test_the_drift_of_a_turning_device() -> None:
    """7 deg/h, and the best orientation turns with the device; with noise, within 4 of its own
    standard deviations."""
    launched = launches(3, 4)
    device = splitter(launched.basis, dependence=0.2, mixing=0.0)
    still = DeviceDisturbance(turn=7.0)
    noisy = DeviceDisturbance(turn=7.0, noise=0.01)
    for disturbance in (still, noisy):
        read = readings(device, launched, 60, apart=5.0, disturbance=disturbance)
        of = courses.courses_of(read, launched.labels, launched.efficiency)
        drifts = {c.label.name: courses.drift_of(c) for c in of}
        assert drifts["LP01"] is None
        assert drifts["LP02"] is None
        for name in ("LP11", "LP21"):
            drift = drifts[name]
            assert drift is not None
            room = 0.02 if disturbance is still else 4 * drift.error
            assert abs(drift.slope - 7.0) < room
    assert 0 < drift.error < 1


def test_noise_has_no_drift() -> None:
    launched = launches(3, 4)
    device = diagonal(launched.basis, [[0.6] * 3, [0.2] * 3])
    read = readings(device, launched, 60, disturbance=DeviceDisturbance(noise=0.01))
    for course in courses.courses_of(read, launched.labels, launched.efficiency):
        assert courses.drift_of(course) is None


# --- the device ------------------------------------------------------------------------------


def test_roll_off_by_hand() -> None:
    """From -1 dB in group 2 to -5 dB in group 3: -3 dB is half way; toward lower groups it falls
    from -0.5 dB (group 5) to -4.5 dB (group 3) by the same path of two groups: 2.5/4 of it."""
    found = groups.roll_off((1, 2, 3, 4), np.array([0.0, -1.0, -5.0, -20.0]))
    assert (found.best, found.lower, found.higher) == (1, None, 2.5)
    found = groups.roll_off((1, 3, 5, 6), np.array([-20.0, -4.5, -0.5, 0.0]))
    assert found.best == 6
    assert found.higher is None
    assert found.lower == pytest.approx(5 - 2 * 2.5 / 4)
    found = groups.roll_off((1, 2, 3), np.array([-1.0, 0.0, -2.9]))
    assert (found.lower, found.higher) == (None, None)
    assert groups.roll_off((1, 2), np.array([0.0, -math.inf])).higher == 1.0


LEVELS = np.array([[-1.0, -31.0], [-2.0, -20.0], [-6.0, -7.0], [-25.0, -1.5]])
"""Four groups at ports A and B, dB."""


def test_guard_band_by_hand() -> None:
    share = 10 ** (LEVELS / 10)
    isolation = groups.isolations(share, share.argmax(axis=1))
    np.testing.assert_allclose(isolation, [30.0, 18.0, 1.0, 23.5])
    assert groups.guard_band((1, 2, 3, 4), isolation, 20.0) == (2, 3)
    assert groups.guard_band((1, 2, 3, 4), isolation, 18.5) == (2, 3)
    assert groups.guard_band((1, 2, 3, 4), isolation, 0.5) == ()


def test_pairs_by_hand() -> None:
    """18 dB: 1 and 4 (worst loss 1.5 dB: A gets 24 dB more of 1 than of 4, B 29.5 dB more of 4 than
    of 1, and 23.5 dB is what 4 sends to B over A), then 2 and 4 (2 dB; 18, 18.5, 23 and 23.5 dB).
    20 dB: the first alone; 24 dB: none."""
    delays = np.array([0.0, 1.0, 2.0, 3.5])
    best, second = groups.pairs_of((1, 2, 3, 4), LEVELS, delays, 18.0)
    assert (best.groups, best.ports, best.loss, best.delay) == ((1, 4), (0, 1), (1.0, 1.5), 3.5)
    assert best.isolation == pytest.approx(23.5)
    assert (second.groups, second.delay) == ((2, 4), 2.5)
    assert second.isolation == pytest.approx(18.0)
    assert groups.pairs_of((1, 2, 3, 4), LEVELS, delays, 20.0) == (best,)
    assert groups.pairs_of((1, 2, 3, 4), LEVELS, delays, 24.0) == ()
    assert groups.pairs_of((1, 2, 3, 4), LEVELS[:, :1], delays, 0.0) == ()


def test_delays_of_a_parabola() -> None:
    """beta^2 = k^2 n1^2 - 2 k NA g/a for n^2 = n1^2 - NA^2 r^2/a^2, whose derivative by omega gives
    the delay without dispersion of the glass: higher groups are later (derived)."""
    fiber, basis = parabola(4)
    k = 2 * math.pi / 1.55e-6
    n1, a = fiber.core_index, fiber.profile.core_radius
    g = np.arange(1, 5)
    beta = np.sqrt((k * n1) ** 2 - 2 * k * fiber.na * g / a)
    late = (k * n1**2 - fiber.na * g / a) / beta / constants.c
    found = groups.group_delays(basis, (1, 2, 3, 4))
    np.testing.assert_allclose(found, late - late[0], rtol=1e-4, atol=1e-18)
    assert np.all(np.diff(found) > 0)


# --- all of it -------------------------------------------------------------------------------


def test_an_answer_by_hand() -> None:
    """A device that mixes nothing, pure launches, no noise: raw, corrected and truth are one."""
    launched = launches(4, 3)
    shares = [[0.8, 0.4, 0.1, 0.002], [0.002, 0.1, 0.3, 0.6]]
    read = readings(diagonal(launched.basis, shares), launched, 6)
    answer = answered(read, launched, Question(isolation=6.0, draws=20, trust=0.0))
    assert answer.groups == (1, 2, 3, 4)
    np.testing.assert_allclose(answer.raw.share, np.transpose(shares), rtol=1e-9)
    np.testing.assert_allclose(answer.corrected.share, np.transpose(shares), rtol=1e-6)
    # -3 dB of 0.8 is 0.4009, a hair above group 2
    assert answer.roll_offs[0].higher == pytest.approx(2.0, abs=0.01)
    assert answer.roll_offs[1].lower == pytest.approx(3.0, abs=0.01)
    assert answer.guard == (3,)
    assert [pair.groups for pair in answer.pairs] == [(1, 4), (2, 4)]
    band = answer.corrected.band()
    assert band is not None
    np.testing.assert_allclose(band[0], answer.corrected.level, atol=1e-6)


def test_without_the_beams_power_levels_are_relative() -> None:
    """The best group is 0 dB, both ports together; isolations stay."""
    launched = launches(2, 3)
    dark = Launched(launched.basis, launched.labels, launched.couplings, launched.efficiency, None)
    device = diagonal(launched.basis, [[0.3, 0.1], [0.1, 0.2]])
    read = readings(device, launched, 6)
    question = Question(draws=5)
    one, other = answered(read, launched, question), answered(read, dark, question)
    assert one.absolute
    assert not other.absolute
    np.testing.assert_allclose(other.corrected.share, one.corrected.share / 0.4, rtol=1e-6)
    np.testing.assert_allclose(other.raw.isolation, one.raw.isolation)
    assert other.labels[0].power.sum() == pytest.approx(1.0, rel=1e-6)


def test_labels_that_were_not_read_are_not_told() -> None:
    launched = launches(3, 3)
    read = readings(diagonal(launched.basis, [[0.5] * 3, [0.1] * 3]), launched, 8)
    lp11 = launched.labels[label_of(launched, "LP11")].masks
    some = gathered(
        read.mask[~np.isin(read.mask, lp11)],
        read.time[~np.isin(read.mask, lp11)],
        read.power[~np.isin(read.mask, lp11)],
    )
    answer = answered(some, launched, Question(draws=5))
    assert answer.groups == (1, 3)
    assert {one.course.label.name for one in answer.labels} == {"LP01", "LP21", "LP02"}


def test_readings_without_light_are_an_error() -> None:
    launched = launches(2, 2)
    dark = Splitter(("A", "B"), np.zeros((2, 3, 3)))
    with pytest.raises(BenchError, match="every power is 0"):
        answered(readings(dark, launched, 2), launched, Question())
