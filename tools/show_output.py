"""Put what the commands really print into the pages that show it.

    .venv/bin/python tools/show_output.py [--check]

A page shows output in a fenced block that begins with one command after a ``$``. The comment before the block says
which of its lines are shown::

    <!-- shown: What would explain it .. = No reading ; The next check .. Power OFF -->

Each piece runs from the first line that contains the words before the two dots to the next one that contains those
after them; a single phrase shows that line alone, and no pieces at all show everything. What is left out is
marked by a line with three dots. Commands run one after the other in the folder that ``hetwright demo`` makes, the
same command once only. With ``--check`` nothing is written and the exit status says whether the pages are up to date.
"""

from __future__ import annotations

import argparse
import os
import re
import shlex
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PAGES = (ROOT / "README.md", ROOT / "docs" / "tutorial.md")
BLOCK = re.compile(
    r"<!-- shown:(?P<pieces>[^\n]*?)-->\n```\n\$ (?P<command>(?:[^\n]*\\\n)*[^\n]*)\n(?P<output>.*?)```", re.S
)
LEFT_OUT = "..."
COLUMNS = "88"


def lines_shown(output: str, pieces: str) -> Iterator[str]:
    """The lines of an output that the pieces name.

    Raises
    ------
    ValueError
        If no line of the output contains what a piece begins or ends with.
    """
    lines = [line.rstrip() for line in output.splitlines()]
    if not pieces.strip():
        yield from lines
        return
    at = 0
    for piece in pieces.split(" ; "):
        first, dots, last = (words.strip() for words in piece.partition(" .. "))
        start = _line_with(lines, first, at)
        end = _line_with(lines, last, start + 1) if dots else start
        if start > at and any(lines[at:start]):
            yield LEFT_OUT
        yield from lines[start : end + 1]
        at = end + 1
    if any(lines[at:]):
        yield LEFT_OUT


def _line_with(lines: list[str], words: str, at: int) -> int:
    for number in range(at, len(lines)):
        if words in lines[number]:
            return number
    raise ValueError(f"no line {'after line ' + str(at) if at else ''} of the output contains {words!r}")


def page_with_output(text: str, run: Callable[[str], str]) -> str:
    """A page with the output of its commands as ``run`` gives it."""

    def fresh(found: re.Match[str]) -> str:
        command = found["command"]
        try:
            shown = "\n".join(lines_shown(run(command.replace("\\\n", " ")), found["pieces"]))
        except ValueError as missing:
            raise ValueError(f"{command}: {missing}") from None
        return f"<!-- shown:{found['pieces']}-->\n```\n$ {command}\n{shown}\n```"

    return BLOCK.sub(fresh, text)


def runner(folder: Path) -> Callable[[str], str]:
    """Run commands in a folder as a person would, both kinds of output together; the same command once only."""
    known: dict[str, str] = {}
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ.get('PATH', '')}"
    surroundings = {**os.environ, "PATH": path, "COLUMNS": COLUMNS, "PYTHONIOENCODING": "utf-8"}

    def run(command: str) -> str:
        if command in known:
            return known[command]
        done = subprocess.run(
            shlex.split(command),
            cwd=folder,
            env=surroundings,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            stdin=subprocess.DEVNULL,
            encoding="utf-8",
            check=False,
        )
        known[command] = done.stdout
        return known[command]

    return run


def stale_pages(*, write: bool = False) -> list[str]:
    """Names of the pages whose output is not what the commands print now."""
    stale = []
    with tempfile.TemporaryDirectory() as folder:
        runner(Path(folder))("hetwright demo")
        run = runner(Path(folder) / "demo-output")
        for page in PAGES:
            text = page.read_text(encoding="utf-8")
            fresh = page_with_output(text, run)
            if fresh != text:
                stale.append(page.name)
                if write:
                    page.write_text(fresh, encoding="utf-8")
    return stale


def main() -> int:
    """Write or check; returns the exit status."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--check", action="store_true", help="write nothing; say whether the pages are up to date")
    check = parser.parse_args().check
    stale = stale_pages(write=not check)
    for name in stale:
        print(f"{name}: {'is out of date' if check else 'written'}")
    return 1 if check and stale else 0


if __name__ == "__main__":
    raise SystemExit(main())
