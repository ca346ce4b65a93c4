"""Put what every command says of itself into ``docs/commands.md``.

    .venv/bin/python tools/commands_page.py [--check]

The page is written by hand but for the fenced blocks after a comment ``<!-- help: COMMAND -->``, which are what
``hetwright COMMAND --help`` prints. With ``--check`` nothing is written and the exit status says whether the page is
up to date.
"""

from __future__ import annotations

import argparse
import re
import sys
from pathlib import Path

import click

from hetwright.cli.app import app

PAGE = Path(__file__).resolve().parent.parent / "docs" / "commands.md"
BLOCK = re.compile(r"<!-- help: (?P<command>[\w ]+) -->\n```\n.*?```", re.S)
WIDTH = 96


def help_of(command: str) -> str:
    """What a command says of itself, whatever the width of the terminal."""
    node: click.Command = app
    context = click.Context(app, info_name="hetwright", **app.context_settings)
    for name in command.split():
        assert isinstance(node, click.Group)
        below = node.get_command(context, name)
        if below is None:
            raise SystemExit(f"{PAGE.name}: there is no command {command!r}")
        node, context = below, click.Context(below, info_name=name, parent=context)
    context.terminal_width = context.max_content_width = WIDTH
    return node.get_help(context)


def fresh_page(text: str) -> str:
    """The page with its blocks as the commands print them now."""
    return BLOCK.sub(lambda found: f"<!-- help: {found['command']} -->\n```\n{help_of(found['command'])}\n```", text)


def main() -> int:
    """Write the page, or with ``--check`` compare it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--check", action="store_true", help="write nothing, say whether the page is up to date")
    check = parser.parse_args().check
    text = PAGE.read_text(encoding="utf-8")
    fresh = fresh_page(text)
    if fresh != text and not check:
        PAGE.write_text(fresh, encoding="utf-8")
    sys.stdout.write(f"{PAGE.name}: {'up to date' if fresh == text else 'out of date' if check else 'written'}\n")
    return int(check and fresh != text)


if __name__ == "__main__":
    raise SystemExit(main())
