"""The settings of a play list: what is not given stays as an earlier list in the folder has it."""

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from pathlib import Path

from maskforge.base.errors import BenchError
from maskforge.base.ranges import BadValueError
from maskforge.base.wording import one_line, shown
from maskforge.playing.playlist import DWELL_MS, ORDERS, SEED, SETTLE_MS, Timing
from maskforge.playing.playlist_file import (
    WHOLE,
    Playable,
    Playlist,
    PlayPlan,
    playlist_of,
    read_playlist,
)


@dataclass(frozen=True)
class PlaySettings:
    """How a play list is to come about: see `PlayPlan`, whose keys these are."""

    order: str = ORDERS[0]
    seed: int | None = None
    repeat: int = 1
    reference: str | None = None
    every: int | None = None
    dwell_ms: float = DWELL_MS
    settle_ms: float = SETTLE_MS
    frame_rate_hz: float | None = None

    def changed(self, given: Mapping[str, object]) -> "PlaySettings":
        """With what is given and not None; a shuffled order has a seed, another one has none."""
        seed = given.get("seed")
        new = replace(self, **{key: value for key, value in given.items() if value is not None})  # type: ignore[arg-type]
        if seed is None and (new.order == "shuffled") != (new.seed is not None):
            return replace(new, seed=SEED if new.order == "shuffled" else None)
        return new

    def playlist(self, played: Playable) -> Playlist:
        """The play list of a set or a pack; raises BadValueError, which names the key."""
        return playlist_of(
            played,
            order=self.order,
            seed=self.seed,
            repeat=self.repeat,
            reference=self.reference,
            every=self.every,
            timing=self.timing,
        )

    @property
    def timing(self) -> Timing:
        """How long a step takes."""
        return Timing(self.dwell_ms, self.settle_ms, self.frame_rate_hz)


def settings_in(plan: PlayPlan) -> PlaySettings:
    """How a play list came about."""
    return PlaySettings(**{field.name: getattr(plan, field.name) for field in fields(PlaySettings)})


def earlier_settings(folder: Path) -> PlaySettings | None:
    """Those of the play list in a folder; None where there is none.

    Raises BenchError where the file holds none.
    """
    path = folder / WHOLE
    if not path.is_file():
        return None
    try:
        plan = read_playlist(path).plan
    except BenchError as problem:
        raise BenchError(f"{problem}; --anew replaces it") from None
    return None if plan is None else settings_in(plan)


def playlist_after(
    played: Playable, given: Mapping[str, object], earlier: PlaySettings, path: Path
) -> Playlist:
    """The play list with what is given, and else the settings of the earlier one, in file `path`.

    Raises BadValueError for a choice that was given, BenchError for one of the earlier list.
    """
    try:
        return earlier.changed(given).playlist(played)
    except BadValueError as problem:
        if problem.key is None or given.get(problem.key) is not None:
            raise
        where = f"{path}: {problem.key} = {shown(problem.value)}: {problem.text}"
        raise BenchError(one_line(f"{where}; --anew leaves its settings out")) from None
