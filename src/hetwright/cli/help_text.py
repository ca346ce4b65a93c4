"""Write ``help.txt`` again after a change of the command tree: ``python -m hetwright.cli.help_text``."""

from __future__ import annotations

import sys

import click

from . import HELP_TEXT
from .app import app

__all__ = ["command_tree_help", "main"]

_WIDTH = 78


def command_tree_help() -> str:
    """What the command tree prints for ``hetwright --help``, whatever the width of the terminal."""
    settings = {**app.context_settings, "terminal_width": _WIDTH, "max_content_width": _WIDTH}
    with click.Context(app, info_name="hetwright", **settings) as context:
        return app.get_help(context) + "\n"


def main() -> None:
    """Write the file."""
    HELP_TEXT.write_text(command_tree_help(), encoding="utf-8")
    sys.stdout.write(f"{HELP_TEXT.name}: written\n")


if __name__ == "__main__":
    main()
