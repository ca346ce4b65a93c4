"""The commands. Importing this package imports neither numpy nor Rich: help must come at once."""

from __future__ import annotations

import sys
from pathlib import Path

__all__ = ["main"]

HELP_TEXT = Path(__file__).with_name("help.txt")
"""What ``hetwright --help`` prints, written out beforehand (a test holds it against the command tree), because
even the command toolkit alone takes three times a bare interpreter start to import."""


def main() -> None:
    """Entry point of the ``hetwright`` command."""
    if sys.argv[1:] in ([], ["-h"], ["--help"]):
        sys.stdout.write(HELP_TEXT.read_text(encoding="utf-8"))
        raise SystemExit(0)
    from .app import run

    raise SystemExit(run())
