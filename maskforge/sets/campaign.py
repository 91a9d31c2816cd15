"""The folder of a campaign: a folder a set, what is finished of them, and the table over them.

campaign.json  the varied keys, the sets in their order, and of each finished one what it is of;
               during a run that stands in a file a set, `.<name>.finished`, which its maker writes
index.csv      a row a set: the worst and the median of its figures
index.html     the same to look at
"""

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from maskforge.base.errors import BenchError, OutputError
from maskforge.base.files import telling, write_text
from maskforge.base.json_text import json_of
from maskforge.base.regular_files import read_regular
from maskforge.base.wording import one_line, shown
from maskforge.bench.campaign import Campaign
from maskforge.bench.values import plain
from maskforge.sets.digests import digest_of
from maskforge.sets.names import MANIFEST, STACK
from maskforge.sets.reading import entry_of, read_header

FORMAT, VERSION = "maskforge-campaign", 1

LIST = "campaign.json"
TABLE = "index.csv"

SET_NAME = re.compile(r"[A-Za-z0-9_=+-][A-Za-z0-9_.=+-]*")
"""Of a set's folder: one part of a path, on every system."""


@dataclass(frozen=True)
class Entry:
    """A set of a campaign: its folder's `name`, what its `bench` is called, the varied values.

    `digest` (of all that its masks depend on) and `manifest` (SHA-256 of the file) once it is
    finished.
    """

    name: str
    bench: str
    values: Mapping[str, object]
    digest: str | None = None
    manifest: str | None = None


@dataclass(frozen=True)
class CampaignList:
    """What a campaign's folder says of itself: the varied keys, and its sets in their order."""

    keys: tuple[str, ...]
    entries: tuple[Entry, ...]


def list_of(campaign: Campaign) -> CampaignList:
    """Of a campaign of which nothing is finished."""
    entries = (
        Entry(one.name, one.bench, {key: plain(value) for key, value in one.values.items()})
        for one in campaign.members
    )
    return CampaignList(campaign.keys, tuple(entries))


def mark_finished(folder: Path, name: str, digest: str) -> None:
    """Leaves word that a set, which lies in the folder, is finished; OutputError if it cannot."""
    mark = {"digest": digest, "manifest": digest_of(folder / name / MANIFEST)}
    write_text(_mark_of(folder, name), json.dumps(mark) + "\n")


def forget(folder: Path, known: CampaignList) -> None:
    """Removes what earlier runs left word of."""
    for one in known.entries:
        with telling(_mark_of(folder, one.name)):
            _mark_of(folder, one.name).unlink(missing_ok=True)


def gathered(folder: Path, known: CampaignList) -> CampaignList:
    """The list with what has been finished since it was written."""
    return replace(known, entries=tuple(_marked(folder, one) for one in known.entries))


def _marked(folder: Path, one: Entry) -> Entry:
    try:
        mark = json_of(read_regular(_mark_of(folder, one.name)))
    except (OSError, ValueError, RecursionError):
        return one
    if not isinstance(mark, dict) or not all(isinstance(value, str) for value in mark.values()):
        return one
    return replace(one, digest=mark.get("digest"), manifest=mark.get("manifest"))


def _mark_of(folder: Path, name: str) -> Path:
    return folder / f".{name}.finished"


def is_there(folder: Path, one: Entry) -> bool:
    """Whether a set that was finished lies in the folder as it was written."""
    try:
        whole = one.manifest is not None and digest_of(folder / one.name / MANIFEST) == one.manifest
        return whole and (folder / one.name / STACK).is_file()
    except OSError:
        return False


# --- the list as a file ----------------------------------------------------------------------


def is_campaign(folder: Path) -> bool:
    """Whether a folder is that of a campaign."""
    return (folder / LIST).is_file()


def check_folder(folder: Path) -> None:
    """OutputError where a campaign cannot be in a folder: it holds something else."""
    with telling(folder):
        if folder.exists() and not folder.is_dir():
            raise OutputError(f"{folder}: is a file; a campaign needs a folder")
        if folder.is_dir() and not is_campaign(folder) and any(folder.iterdir()):
            raise OutputError(
                f"{folder}: holds files but no campaign; choose an empty or a new folder"
            )


def write_list(folder: Path, known: CampaignList) -> None:
    """Writes it in one step; OutputError where it cannot be."""
    content = {
        "format": FORMAT,
        "version": VERSION,
        "keys": known.keys,
        "sets": [asdict(one) for one in known.entries],
    }
    write_text(folder / LIST, json.dumps(content, indent=1, ensure_ascii=False) + "\n")


def read_list(folder: Path) -> CampaignList:
    """The list of a campaign's folder; BenchError, one line with the key, where it is damaged."""
    path = folder / LIST
    content = read_header(path, "a campaign", FORMAT, VERSION)
    keys, sets = content.get("keys"), content.get("sets")
    if not isinstance(keys, list) or not all(isinstance(key, str) for key in keys):
        raise BenchError(f"{path}: keys: must be a JSON array of texts")
    if not isinstance(sets, list):
        raise BenchError(f"{path}: sets: must be a JSON array")
    entries = tuple(_entry(f"{path}: sets[{k}]", one, keys) for k, one in enumerate(sets))
    return gathered(folder, CampaignList(tuple(keys), entries))


def _entry(where: str, found: object, keys: Sequence[str]) -> Entry:
    values = found.get("values") if isinstance(found, dict) else None
    if not isinstance(values, dict) or set(values) != set(keys):
        raise BenchError(f"{where} values: must have the campaign's keys and no others")
    entry = entry_of(where, found, Entry, values={key: values[key] for key in keys})
    if not SET_NAME.fullmatch(entry.name):
        raise BenchError(f"{where} name = {shown(entry.name)}: must be the name of a set's folder")
    return replace(entry, bench=one_line(entry.bench))
