"""Runs the commands of pages in an empty folder, and writes their output into the page.

    python -m tests.tutorial

writes `docs/tutorial.md` and `docs/device.md` anew; `play` gives the
commands with their written and their real output.
"""

import os
import re
import shlex
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

DOCS = Path(__file__).parent.parent / "docs"

PAGE = DOCS / "tutorial.md"

DEVICE = DOCS / "device.md"

FILE = re.compile(r"^`([\w.-]+)`(?:, .*)?:\n\n```(?:toml|csv)\n(.*?)^```$", re.M | re.S)
CONSOLE = re.compile(r"^```console\n\$ (.+)\n((?s:.*?))^```$", re.M)


def play(text: str, folder: Path) -> Iterator[tuple[str, str, str]]:
    """(command, output as written, output as it is) of the page's commands, in order.

    Files of the page are written first.  A command that ends with another code than 0 or 1 raises.
    """
    for name, content in FILE.findall(text):
        (folder / name).write_text(content, "utf-8")
    for command, written in CONSOLE.findall(text):
        words = shlex.split(command)
        assert words[0] == "maskforge", command
        done = subprocess.run(
            [sys.executable, "-m", *words],
            cwd=folder,
            capture_output=True,
            text=True,
            check=False,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1", "COLUMNS": "100"},
        )
        assert done.returncode in (0, 1), (command, done.stderr)
        real = "".join(f"{line.rstrip()}\n" for line in done.stdout.splitlines())
        yield command, written, real


def main() -> None:
    for page in (PAGE, DEVICE):
        text = page.read_text("utf-8")
        with tempfile.TemporaryDirectory() as folder:
            for command, written, real in play(text, Path(folder)):
                old, new = (f"$ {command}\n{output}```" for output in (written, real))
                text = text.replace(old, new, 1)
        page.write_text(text, "utf-8")


if __name__ == "__main__":
    main()
