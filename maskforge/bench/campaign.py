"""Many benches at once: several files, a folder of them, and keys that take several values."""

import math
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import product
from pathlib import Path

from maskforge import bench as benches
from maskforge.base.errors import BenchError
from maskforge.base.files import without_links
from maskforge.base.wording import nearest, one_line, shortened, shown
from maskforge.bench import Bench
from maskforge.bench.files import bench_source
from maskforge.bench.sections import SECTIONS

MOST_SETS = 10_000
"""More is a slip: of 1 s each they would take hours only to be told apart."""

LONGEST_NAME = 120
"""Characters of a set's folder: file systems take 255 bytes, and names are put before and behind
it."""

KEY = re.compile(r"([A-Za-z0-9_-]+)\.([A-Za-z0-9_-]+)")


@dataclass(frozen=True)
class Varied:
    """A key of the bench file that takes several values, one after the other."""

    section: str
    key: str
    values: tuple[object, ...]

    @property
    def name(self) -> str:
        """ "light.wavelength_nm"."""
        return f"{self.section}.{self.key}"


@dataclass(frozen=True)
class Member:
    """One bench of a campaign: which file or preset, and what is changed in it.

    `name`: of its set's folder, which no other has; `title`: what the set itself is called.
    `bench`: what its file is called.  `values` of the varied keys, by "section.key"; `changes`:
    those, and what the command line replaces.
    """

    name: str
    title: str
    bench: str
    source: str
    values: Mapping[str, object] = field(default_factory=dict)
    changes: Mapping[tuple[str, str], object] = field(default_factory=dict)

    def loaded(self) -> Bench:
        """The bench, checked; BenchError, which names the file and the varied values."""
        return benches.load_changed(self.source, self.changes, name=self.title, told=self._told())

    def _told(self) -> str:
        return ", ".join(f"{name}={_text(value)}" for name, value in self.values.items())


@dataclass(frozen=True)
class Campaign:
    """Benches whose sets lie in one folder; `name`: what that is called where nothing else says."""

    name: str
    keys: tuple[str, ...]
    members: tuple[Member, ...]


def is_campaign(names: Sequence[str], vary: Sequence[str]) -> bool:
    """Whether benches as they are given on the command line make several sets."""
    return len(names) > 1 or bool(vary) or any(_is_folder(name) for name in names)


def campaign_of(
    names: Sequence[str], vary: Sequence[str], changes: Mapping[tuple[str, str], object]
) -> Campaign:
    """All combinations of the benches and of what is varied, the last key changing fastest.

    `names`: presets, files, and folders of bench files.  `vary`: "section.key=value,value".
    `changes`: keys that all of them have replaced.  Raises BenchError; whether each bench can be
    used is for `Member.loaded` to say.
    """
    keys = [varied(text) for text in vary]
    given = [one.name for one in keys]
    for name in given:
        if given.count(name) > 1:
            raise BenchError(f"--vary {name}: given twice; its values go into one, between commas")
    for one in keys:
        if (one.section, one.key) in changes:
            raise BenchError(f"--vary {one.name}: is given by --{one.key} too")
    sources = list(_sources(names))
    count = len(sources) * math.prod(len(one.values) for one in keys)
    if count > MOST_SETS:
        raise BenchError(f"{count} sets: a campaign has at most {MOST_SETS}")
    made = []
    for source in sources:
        bench = bench_source(source).name
        for values in product(*(one.values for one in keys)):
            changed = {(v.section, v.key): value for v, value in zip(keys, values, strict=True)}
            parts = [*map(_part, _short(keys), values)]
            title = "_".join([bench, *parts])
            name = "_".join(parts) if parts and len(sources) == 1 else title
            told = {v.name: value for v, value in zip(keys, values, strict=True)}
            made.append(Member(name, title, bench, source, told, {**changes, **changed}))
    members = tuple(_apart(made))
    return Campaign(_title(names, sources, keys), tuple(given), members)


def varied(text: str) -> Varied:
    """The key and the values of "section.key=value,value"; BenchError for anything else."""
    key, equal, values = text.partition("=")
    found = KEY.fullmatch(key.strip())
    if found is None or not equal:
        rule = "must be SECTION.KEY=VALUE,VALUE,... as in light.wavelength_nm=1530,1550"
        raise BenchError(one_line(f"--vary {shown(text)}: {rule}"))
    section, name = found[1], found[2]
    if section not in SECTIONS:
        _unknown(text, section, list(SECTIONS))
    # not of the bench: it names a part that has the keys
    known = list(SECTIONS[section].model_fields)
    known += ["preset"] if section in ("fiber", "modulator") else []
    if name not in known:
        _unknown(text, name, known)
    read = tuple(_value(piece) for piece in _pieces(values))
    for value in read:
        if value == "":
            raise BenchError(one_line(f"--vary {shown(text)}: a value is missing"))
        if sum(repr(value) == repr(other) for other in read) > 1:
            raise BenchError(f"--vary {section}.{name}: {shown(value)} is given twice")
    return Varied(section, name, read)


def _unknown(text: str, word: str, known: Sequence[str]) -> None:
    near = nearest(word, known)
    hint = f"did you mean {near}?" if near else f"there are {', '.join(known)}"
    raise BenchError(one_line(f"--vary {shortened(text)}: {shortened(word)}: not known; {hint}"))


def _pieces(text: str) -> Iterator[str]:
    """What stands between the commas that are outside brackets and quotes."""
    depth, quote, start, escaped = 0, "", 0, False
    for place, letter in enumerate(text):
        if quote:
            closes = letter == quote and not escaped
            escaped = quote == '"' and letter == "\\" and not escaped
            quote = "" if closes else quote
        elif letter in "\"'":
            quote = letter
        elif letter in "[{":
            depth += 1
        elif letter in "]}":
            depth -= 1
        elif letter == "," and depth == 0:
            yield text[start:place].strip()
            start = place + 1
    yield text[start:].strip()


def _value(text: str) -> object:
    """As the bench file would read it; what is no TOML is a word or a path without its quotes."""
    if "\n" in text:
        return text
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except (ValueError, RecursionError):
        return text


def _is_folder(name: str) -> bool:
    return name not in {preset for _, preset, _ in benches.preset_names()} and Path(name).is_dir()


def _sources(names: Sequence[str]) -> Iterator[str]:
    """The benches, those of a folder by their names; BenchError where one comes twice."""
    seen: set[str] = set()
    for name in names:
        found = [name]
        if _is_folder(name):
            found = sorted(str(path) for path in Path(name).glob("*.toml") if path.is_file())
            if not found:
                raise BenchError(one_line(f"{name}: a folder without a bench file (*.toml)"))
        for source in found:
            path = Path(source)
            key = str(without_links(path)) if path.suffix == ".toml" else source
            if key in seen:
                raise BenchError(one_line(f"{source}: given twice"))
            seen.add(key)
            yield source


def _short(keys: Sequence[Varied]) -> list[str]:
    """The keys without their sections where that says enough."""
    plain = [one.key for one in keys]
    return [f"{one.section}.{one.key}" if plain.count(one.key) > 1 else one.key for one in keys]


def _part(key: str, value: object) -> str:
    text = _text(value)
    return f"{key}={Path(text).stem if text.endswith('.csv') else text}"


def _text(value: object) -> str:
    if isinstance(value, list):
        return "x".join(map(_text, value))
    return value if isinstance(value, str) else f"{value}"


def _apart(made: Sequence[Member]) -> Iterator[Member]:
    """With names that a folder can have, each once, capitals or not."""
    taken: set[str] = set()
    for one in made:
        plain = re.sub(r"[^\w.=+-]+", "-", one.name, flags=re.ASCII)[:LONGEST_NAME].strip(".-")
        name, number = plain or "bench", 1
        while name.casefold() in taken:
            number += 1
            name = f"{plain or 'bench'}-{number}"
        taken.add(name.casefold())
        yield replace(one, name=name)


def _title(names: Sequence[str], sources: Sequence[str], keys: Sequence[Varied]) -> str:
    """Of what is varied: "gi50-1550-by-wavelength_nm"."""
    first = Path(names[0]).resolve().name if _is_folder(names[0]) else bench_source(sources[0]).name
    more = f"-and-{len(names) - 1}-more" if len(names) > 1 else ""
    by = "-by-" + "-".join(_short(keys)) if keys else ""
    return re.sub(r"[^\w.+-]+", "-", f"{first}{more}{by}", flags=re.ASCII)[:LONGEST_NAME]
