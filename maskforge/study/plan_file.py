"""The bench file of a plan's choice: the user's own text, only what was chosen changed."""

from dataclasses import replace
from pathlib import Path

from maskforge import bench as benches
from maskforge.bench import Bench
from maskforge.bench.edit import moved_paths, with_keys
from maskforge.bench.files import BenchText, parsed
from maskforge.study.plan import Outcome, Plan, PlannedBounds, changes, setting_of


def check_text(bench: Bench, source: BenchText, to: Path) -> None:
    """BenchError where the text cannot be changed: before long work, not after it."""
    own = setting_of(bench)
    waists = None if own.waists_mm is None else (own.waists_mm[0] + 1, own.waists_mm[1] + 1)
    other = replace(
        own,
        focal_length_mm=own.focal_length_mm + 1,
        waists_mm=waists,
        carrier_period_px=own.carrier_period_px + 1,
    )
    with_keys(source.text, changes(bench, other) | moved_paths(bench, to.parent), source.shown_as)


def planned_text(bench: Bench, source: BenchText, to: Path, plan: Plan) -> str:
    """TOML text for a file `to`: the bench's with the choice, and a comment that tells of it.

    Relative paths in it start at the new file.  It is loaded once: BenchError where it cannot be.
    """
    choice = plan.choice()
    changed = changes(bench, choice.setting)
    text = with_keys(source.text, changed | moved_paths(bench, to.parent), source.shown_as)
    names = ", ".join(f"{key} = {value:g}" for (_, key), value in changed.items())
    merit = "the worst target's bound" if plan.by == "worst" else "the mean of the targets' bounds"
    about = [
        f"{bench.name}, planned: {_told(choice)}",
        "",
        f"Chosen by {merit}, at {100 * bench.design.purity:.10g} % purity.",
        f"As it was: {_told(plan.own) if isinstance(plan.own, PlannedBounds) else 'not possible'}.",
        f"Changed: {names or 'nothing'}. All else, comments too, is as it was before.",
        "",
    ]
    end = "\r\n" if "\r\n" in text else "\n"
    text = "".join(f"# {line}".rstrip() + end for line in about) + text
    benches.from_dict(parsed(text, str(to)), str(to), to.parent)
    return text


def _told(one: Outcome) -> str:
    assert isinstance(one, PlannedBounds)
    (label, least), mean = one.worst, one.mean
    return f"at most {100 * least:.2f} % in {label}, the worst, {100 * mean:.2f} % in the mean"
