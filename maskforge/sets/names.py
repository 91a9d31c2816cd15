"""The files of a set, and how a set is told from other folders."""

import re
from pathlib import Path
from typing import Any

from maskforge.base.files import Kind
from maskforge.base.json_text import json_of
from maskforge.base.regular_files import read_regular

FORMAT = "maskforge-set"


VERSION = 2


MANIFEST = "manifest.json"


def is_manifest(path: Path, form: str = FORMAT) -> bool:
    """Whether a file is the manifest of a set, or a header of the format `form`.

    Raises OSError only where it cannot be read.
    """
    return _content(path, form) is not None


def _content(path: Path, form: str) -> dict[str, Any] | None:
    """What a file of the format `form` holds; None where it is none."""
    if not path.is_file():
        return None
    try:
        content = json_of(read_regular(path))
    except (ValueError, RecursionError):
        return None
    return content if isinstance(content, dict) and content.get("format") == form else None


STACK = "masks.tif"


CERTIFICATE = "certificate.npz"


ROBUST = "robust.npz"


COUPLINGS = "coupling.npz"
"""The complex couplings (masks, modes), key `couplings`."""


OUTPUTS = "output.csv"
"""What arrives in the outputs of a device, where the bench has one."""


TOLERANCE = "tolerance.json"
"""What errors cost, as a table that the page shows."""


SUMS = "SHA256SUMS"
"""The digests of all of them, see `digests`."""


INPUTS = "inputs"
"""The folder of the bench's data files in a set."""


PLAYLISTS = frozenset({"playlist.csv", "playlist.json"})
"""They belong to one very set or pack."""


OWN = PLAYLISTS | {
    MANIFEST,
    STACK,
    CERTIFICATE,
    ROBUST,
    COUPLINGS,
    "masks.csv",
    "coupling.csv",
    OUTPUTS,
    "report.html",
    TOLERANCE,
    SUMS,
}
"""Files of a set that maskforge writes, beside its inputs; everything else in its folder is the
user's."""


def inputs_in(folder: Path) -> frozenset[str]:
    """The data files in a set's folder that its manifest names, as in "inputs/greys.csv".

    Of a manifest that is damaged: none.  Raises OSError only where it cannot be read.
    """
    bench = (_content(folder / MANIFEST, FORMAT) or {}).get("bench")
    sections = bench.values() if isinstance(bench, dict) else ()
    values = [value for keys in sections if isinstance(keys, dict) for value in keys.values()]
    several = [each for value in values if isinstance(value, list) for each in value]
    own = re.compile(rf"{INPUTS}/[^/\n]+")
    return frozenset(v for v in [*values, *several] if isinstance(v, str) and own.fullmatch(v))


SET = Kind(
    "set",
    lambda folder: is_manifest(folder / MANIFEST),
    lambda folder: OWN | inputs_in(folder),
)
"""A set of masks."""
