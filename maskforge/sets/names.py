"""The files of a set, and how a set is told from other folders."""

import json
from pathlib import Path

from maskforge.base.files import Kind
from maskforge.base.regular_files import read_regular

FORMAT = "maskforge-set"


VERSION = 2


MANIFEST = "manifest.json"


def is_manifest(path: Path, form: str = FORMAT) -> bool:
    """Whether a file is the manifest of a set, or a header of the format `form`.

    Raises OSError only where it cannot be read.
    """
    if not path.is_file():
        return False
    try:
        content = json.loads(read_regular(path))
    except (ValueError, RecursionError):
        return False
    return isinstance(content, dict) and content.get("format") == form


STACK = "masks.tif"


CERTIFICATE = "certificate.npz"


ROBUST = "robust.npz"


COUPLINGS = "coupling.npz"
"""The complex couplings (masks, modes), key `couplings`."""


TOLERANCE = "tolerance.json"
"""What errors cost, as a table that the page shows."""


SUMS = "SHA256SUMS"
"""The digests of all of them, see `digests`."""


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
    "report.html",
    TOLERANCE,
    SUMS,
}
"""Files of a set that maskforge writes; everything else in its folder is the user's."""


SET = Kind("set", lambda folder: is_manifest(folder / MANIFEST), lambda folder: OWN)
"""A set of masks."""
