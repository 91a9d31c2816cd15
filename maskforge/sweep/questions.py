"""A sweep's answer in one call, as `maskforge readings sweep`: for scripts."""

from pathlib import Path

from maskforge.base.arguments import number, path_of, word
from maskforge.base.ranges import Range
from maskforge.bench.section import Seed
from maskforge.playing.playlist_file import read_playlist
from maskforge.sets.opened import Folder, opened
from maskforge.sweep.answer import ISOLATION_DB, Answer, Question, answered
from maskforge.sweep.deembed import DRAWS, SEED, TRUST, WAYS
from maskforge.sweep.launched import launched_by, lookups, references_in
from maskforge.sweep.passes import read_sweep
from maskforge.sweep.together import BETWEEN, Mixing


def answer(
    source: Folder,
    readings: str | Path,
    *,
    playlist: str | Path | None = None,
    isolation_db: float = ISOLATION_DB,
    by: str | None = None,
    beam_mw: float | None = None,
    per_launched: bool = True,
    trust: float = TRUST,
    mixing: float = BETWEEN,
    draws: int = DRAWS,
    seed: int = SEED,
    strict: bool = False,
) -> Answer:
    """What a device does to each label and mode group, raw and with the launch taken out.

    `trust`, `mixing`: shares, see the command.  Of both sides, `.raw` and `.corrected`: `.share`
    (groups, ports), `.isolation` (groups,) in dB, `.band()`.  Raises BenchError, one line.
    """
    question = Question(
        isolation=number("isolation_db", isolation_db, Range(0, 100, "dB")),
        way=None if by is None else word("by", by, WAYS),
        beam_mw=None if beam_mw is None else number("beam_mw", beam_mw, Range(1e-9, 1e6, "mW")),
        per_launched=per_launched,
        draws=int(number("draws", draws, Range(1, 10_000, whole=True))),
        seed=int(number("seed", seed, Seed)),
        trust=number("trust", trust, Range(0, 1)),
        mixing=Mixing(between=number("mixing", mixing, Range(0, 1))),
    )
    written, path = opened(source), path_of("readings", readings)
    listed = None if playlist is None else path_of("playlist", playlist)
    played = None if listed is None else read_playlist(listed)
    references: tuple[int, ...] = ()
    if played is not None and listed is not None:
        references = references_in(played, written, listed)
    read = read_sweep(path, lookups(written, played), references, strict=strict)
    return answered(read, launched_by(written), question)
