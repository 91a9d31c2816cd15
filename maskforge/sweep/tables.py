"""A sweep's answer as text for people and as cells for CSV files."""

import math
from collections.abc import Iterator, Sequence

import numpy as np

from maskforge.base.csv_text import Cell, finite
from maskforge.base.wording import counted, rounded
from maskforge.launch.light import Real
from maskforge.sweep.answer import BAND, Answer, AnswerSide
from maskforge.sweep.deembed import group_transmission
from maskforge.sweep.groups import GroupPair, RollOff, pairs_of
from maskforge.sweep.labels import Figures, decibel, histogram, isolation_db

Rows = tuple[list[str], list[list[str]]]
"""Header and rows; lines of a heading are parted by line ends."""

ENDS = ("low", "high")
"""Of a 95 % interval."""

MOST_DB = 99.9
"""A larger isolation or loss is shown as being beyond it."""

MOSTLY = 0.5
"""Readings in a pass, as a share of the masks, below which its passes are cut wrongly."""

FITS = 0.1
"""Misfit from which on the set is not the one that was played; common practice, no source."""

POLAR = 0.5
"""Correlation of two ports over orientation from which on they go together, or against."""


def db(value: float | None, digits: int = 2) -> str:
    """As printed; nothing arrives at -inf, and NaN is a dash."""
    if value is None or math.isnan(value):
        return "-"
    if abs(value) > MOST_DB:
        return f"{'>' if value > 0 else '<-'}{MOST_DB:g}"
    return rounded(value, digits)


def corrected_by_label(answer: Answer) -> dict[str, Real]:
    """Transmission (ports,) of each label, where the way of de-embedding tells labels apart."""
    model = answer.model
    found = {}
    for label in dict.fromkeys(filter(None, model.labels)):
        own = np.array([other == label for other in model.labels])
        found[label] = group_transmission(
            answer.solved.transmission, own.astype(np.intp), model.modes, (1,)
        )[0]
    return found


def polarity_word(figures: Figures) -> str:
    if figures.polarity is None:
        return "-"
    if abs(figures.polarity) < POLAR:
        return "none"
    return "together" if figures.polarity > 0 else "opposite"


# --- for people ------------------------------------------------------------------------------


def label_rows(answer: Answer) -> Rows:
    """A row a label."""
    per, several = answer.question.per_launched, len(answer.ports) > 1
    unit = "dB" if per else "dBm"
    header = ["label", "group", "passes", *(f"{port}\n{unit}" for port in answer.ports)]
    header += ["split\n%"]
    if several:
        header += ["isolation\nmedian dB", "5 %\ndB", "95 %\ndB", "corrected\ndB"]
    header += ["best\ndeg", "drift ± 95 %\ndeg/h", "depen-\ndence %", "polarity"]
    corrected = corrected_by_label(answer)
    rows = []
    for one in answer.labels:
        own, label = one.course.own, one.course.label
        row = [label.name, str(label.group), str(one.course.time.size)]
        row += [db(value) for value in decibel(one.power).tolist()]
        row += [f"{100 * one.split[own]:.1f}"]
        if several:
            found = corrected.get(label.name)
            # the port is the one of the raw figure, so that both compare
            row += [db(value) for value in one.isolation or ()]
            row += ["-" if found is None else db(float(isolation_db(found, own)))]
        drift = one.drift
        row += [
            "-" if one.best is None else f"{one.best:.2f}",
            "-" if drift is None else f"{drift.slope:+.3g} ± {drift.error:.2g}",
            "-" if one.course.fields == 1 else f"{100 * one.dependence[own]:.1f}",
            polarity_word(one),
        ]
        rows.append(row)
    return header, rows


def group_rows(answer: Answer) -> Rows:
    """A row a group, raw and corrected side by side."""
    sides = (("raw", answer.raw), ("corrected", answer.corrected))
    header = ["group"]
    header += [f"{name}\n{port} dB" for name, _ in sides for port in answer.ports]
    several = len(answer.ports) > 1
    if several:
        header += ["isolation\nraw dB", "corrected\ndB", "low\ndB", "high\ndB", "guard"]
    rows = []
    for at, group in enumerate(answer.groups):
        row = [str(group)]
        row += [db(value) for _, side in sides for value in side.level[at].tolist()]
        if several:
            band = answer.corrected.band(isolation=True)
            row += [db(float(side.isolation[at])) for _, side in sides]
            row += ["-", "-"] if band is None else [db(value) for value in band[:, at].tolist()]
            row += ["guard" if group in answer.guard else ""]
        rows.append(row)
    return header, rows


def pair_rows(answer: Answer, length: float | None, most: int = 5) -> Rows:
    """The best pairs of groups for two channels; `length` of the fibre in m."""
    header = ["channels", "isolation\ndB", "first\nloss dB", "second\nloss dB", "delay\nps/m"]
    header += [] if length is None else [f"delay over\n{length:g} m, ps"]
    rows = []
    for pair in answer.pairs[:most]:
        row = [pair_name(answer, pair), db(pair.isolation), *(db(loss) for loss in pair.loss)]
        row += [f"{1e12 * pair.delay:+.4f}"]
        row += [] if length is None else [f"{1e12 * pair.delay * length:+.4g}"]
        rows.append(row)
    return header, rows


def pair_name(answer: Answer, pair: GroupPair) -> str:
    """ "1 at A, 6 at B"."""
    named = zip(pair.groups, pair.ports, strict=True)
    return ", ".join(f"{group} at {answer.ports[port]}" for group, port in named)


def device_lines(answer: Answer) -> list[str]:
    """Roll-off of each port, guard band, and, where there is no pair, the best there is."""
    lines = [
        f"port {port}: {_roll_off(roll)}"
        for port, roll in zip(answer.ports, answer.roll_offs, strict=True)
    ]
    if len(answer.ports) < 2:
        return lines
    required = f"{answer.question.isolation:g} dB"
    guard = ", ".join(map(str, answer.guard))
    lines.append(
        f"guard band (isolation below {required}): "
        + (f"group{'s' if len(answer.guard) > 1 else ''} {guard}" if guard else "no group")
    )
    if not answer.pairs:
        every = pairs_of(answer.groups, answer.corrected.level, answer.delays, -math.inf)
        best = max(every, key=lambda pair: pair.isolation, default=None)
        near = "" if best is None else f"; the best is {pair_name(answer, best)} with "
        near += "" if best is None else f"{db(best.isolation)} dB"
        lines.append(f"no pair of groups for two channels reaches {required}{near}")
    return lines


def _roll_off(roll: RollOff) -> str:
    sides = [
        f"-3 dB at group {at:.1f} toward {where} groups"
        for at, where in ((roll.lower, "lower"), (roll.higher, "higher"))
        if at is not None
    ]
    return f"best in group {roll.best}, " + (" and ".join(sides) or "no roll-off of 3 dB")


def note_lines(answer: Answer) -> list[str]:
    """How the figures came about, and what was left out."""
    read, question = answer.readings, answer.question
    lines = ["simulated, invented data"] if read.invented else []
    if read.bad:
        more = f"; and {read.bad - len(read.named)} more" if read.bad > len(read.named) else ""
        lines.append(f"! {read.bad} of {read.rows} rows left out: {'; '.join(read.named)}{more}")
    if read.ignored:
        lines.append(f"columns that are not used: {', '.join(read.ignored)}")
    lines.append(
        f"{counted(read.time.size, 'reading')} in {read.passes} "
        f"{'pass' if read.passes == 1 else 'passes'}"
    )
    if read.time.size < MOSTLY * read.passes * len(answer.launched.efficiency):
        lines.append("! most of a pass is missing; with references in between give --playlist")
    lost = [one.course for one in answer.labels if one.course.lost]
    if lost:
        count = sum(course.lost for course in lost)
        lines.append(
            f"! {count} times a label lacked orientations in a pass, which was left out for it: "
            + ", ".join(f"{course.label.name} {course.lost}" for course in lost)
        )
    lines.append(
        f"drift of the light divided out with {read.against}"
        if read.against
        else "drift of the light is not divided out: no references"
    )
    lines.append(
        "0 dB: all that is launched into the target"
        if answer.absolute
        else "0 dB: the best group, all ports together; --beam-mw makes it what is launched"
    )
    if not question.per_launched:
        lines[-1] += " (table of groups; that of labels: as read)"
    terms = ", each with its dependence on orientation" if answer.model.coherent else ""
    misfit = ", ".join(
        f"{100 * value:.2g} % at {port}"
        for port, value in zip(answer.ports, answer.solved.residual.tolist(), strict=True)
    )
    lines.append(f"corrected: de-embedded by {answer.way}{terms}; misfit {misfit}")
    lines += _interval_lines(answer)
    if answer.solved.residual.max() > FITS:
        lines.append(
            "! the readings do not fit what this set launches: another set, or another bench"
        )
    return lines


def _interval_lines(answer: Answer) -> list[str]:
    """What low and high are, and where they tell that a figure is not worth reading."""
    band = answer.corrected.band(isolation=True)
    if band is None:
        return ["no intervals: the readings are too few"]
    mixing, trust = answer.question.mixing, answer.question.trust
    lines = [
        "low and high: 95 % interval of the corrected figures, the launch known within "
        f"{100 * trust:g} % and up to {100 * mixing.between:g} % of a mode's power moved to other "
        "groups (--mixing-percent)"
    ]
    unsure = [str(answer.groups[at]) for at in answer.corrected.unsure()]
    if unsure and len(answer.ports) > 1:
        lines.append(
            f"! isolation of group{'s' if len(unsure) > 1 else ''} {', '.join(unsure)}: not worth "
            "reading, its interval is as wide as the figure"
        )
    return lines


# --- for CSV files ---------------------------------------------------------------------------

Table = tuple[list[str], list[list[Cell]]]


def label_cells(answer: Answer) -> Table:
    """labels.csv: powers as shares or in mW, isolations in dB."""
    ports = answer.ports
    header = ["label", "group", "modes", "passes", "passes_left_out", "port"]
    header += [f"{key}_{port}" for key in ("power", "split", "dependence") for port in ports]
    header += ["isolation_db", "isolation_5_db", "isolation_95_db", "corrected_isolation_db"]
    header += ["best_deg", "drift_deg_per_h", "drift_error_deg_per_h", "polarity"]
    corrected = corrected_by_label(answer)
    rows: list[list[Cell]] = []
    for one in answer.labels:
        course, found = one.course, corrected.get(one.course.label.name)
        rows.append(
            [
                course.label.name,
                course.label.group,
                course.label.modes,
                course.time.size,
                course.lost,
                ports[course.own],
                *(finite(v) for part in (one.power, one.split, one.dependence) for v in part),
                *(finite(value) for value in one.isolation or (None, None, None)),
                None if found is None else finite(float(isolation_db(found, course.own))),
                one.best,
                None if one.drift is None else one.drift.slope,
                None if one.drift is None else one.drift.error,
                one.polarity,
            ]
        )
    return header, rows


def group_cells(answer: Answer) -> Table:
    """groups.csv: dB, with the low and high end of the 95 % interval."""
    ends = ("", *(f"_{end}" for end in ENDS))
    header = ["group", "delay_ps_per_m", "guard"]
    for name in ("raw", "corrected"):
        header += [f"{name}_{port}{end}_db" for port in answer.ports for end in ends]
        header += [f"{name}_isolation{end}_db" for end in ends]
    rows: list[list[Cell]] = []
    for at, group in enumerate(answer.groups):
        row: list[Cell] = [group, 1e12 * float(answer.delays[at])]
        row += ["yes" if group in answer.guard else "no"]
        for side in (answer.raw, answer.corrected):
            row += _side_cells(side, at)
        rows.append(row)
    return header, rows


def _side_cells(side: AnswerSide, at: int) -> list[Cell]:
    level, band = side.level[at], side.band()
    isolation, isolation_band = side.isolation[at], side.band(isolation=True)
    cells: list[Cell] = []
    for port, value in enumerate(level):
        cells += [finite(value), *_ends(None if band is None else band[:, at, port])]
    return [
        *cells,
        finite(isolation),
        *_ends(None if isolation_band is None else isolation_band[:, at]),
    ]


def _ends(band: Real | None) -> list[Cell]:
    return [None, None] if band is None else [finite(value) for value in band]


def deembedded_cells(answer: Answer) -> Table:
    """deembedded.csv: each unknown's transmission as a share, with its 95 % interval."""
    model, solved = answer.model, answer.solved
    header = ["unknown", "group", "modes", "aimed_at"]
    for port in answer.ports:
        header += [f"transmission_{port}", *(f"transmission_{port}_{end}" for end in ENDS)]
    band = np.percentile(solved.draws, BAND, axis=0) if len(solved.draws) else None
    rows: list[list[Cell]] = []
    for at, name in enumerate(model.names):
        row: list[Cell] = [name, int(model.groups[at]), int(model.modes[at])]
        row += ["yes" if model.aimed[at] else "no"]
        for place in range(len(answer.ports)):
            row += [float(solved.transmission[at, place])]
            row += _ends(None if band is None else band[:, at, place])
        rows.append(row)
    return header, rows


def pair_cells(answer: Answer) -> Table:
    """pairs.csv, the least worst-case loss first."""
    header = ["first_group", "first_port", "second_group", "second_port", "isolation_db"]
    header += ["first_loss_db", "second_loss_db", "delay_ps_per_m"]
    rows: list[list[Cell]] = [
        [
            pair.groups[0],
            answer.ports[pair.ports[0]],
            pair.groups[1],
            answer.ports[pair.ports[1]],
            finite(pair.isolation),
            *pair.loss,
            1e12 * pair.delay,
        ]
        for pair in answer.pairs
    ]
    return header, rows


def histogram_cells(answer: Answer) -> Table:
    """histogram.csv: passes of each label by isolation."""
    rows: list[list[Cell]] = []
    for one in answer.labels:
        edges, counts = histogram(one.course.isolation)
        name = one.course.label.name
        rows += [
            [name, float(low), float(high), int(count)]
            for low, high, count in zip(edges, edges[1:], counts, strict=False)
        ]
    return ["label", "from_db", "to_db", "passes"], rows


def time_cells(answer: Answer) -> tuple[list[str], Iterator[Sequence[Cell]]]:
    """times.csv: a row a label and pass, row by row, since there may be many."""
    header = ["label", "time_s", "best_deg", "isolation_db"]
    header += [f"power_{port}" for port in answer.ports]

    def rows() -> Iterator[Sequence[Cell]]:
        for one in answer.labels:
            course = one.course
            angles = course.angles[:, course.own].tolist()
            columns = [course.time.tolist(), angles, course.isolation.tolist()]
            for time, angle, isolation, *powers in zip(
                *columns, *course.level.T.tolist(), strict=True
            ):
                best = None if one.best is None else angle
                yield [course.label.name, time, best, finite(isolation), *powers]

    return header, rows()
