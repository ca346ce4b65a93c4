"""What every command shares: ``--json``, ``--words`` and ``--quiet``, and where results and notes go.

Results go to standard output, everything else to standard error. Rich is imported when a page is printed, not before.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import wraps
from typing import TYPE_CHECKING, Any, Literal, TypeVar

import click

if TYPE_CHECKING:
    from .page import Page

__all__ = ["Output", "Words", "document_text", "one_line", "output_options", "plain"]

Words = Literal["british", "american"]
Command = TypeVar("Command", bound=Callable[..., Any])


def plain(value: Any) -> Any:
    """A value as JSON can hold it: tuples as lists, numbers of any kind as int or float, ``null`` for none of them.

    An open circuit is written ``"open"`` by whoever makes the document; an infinite or missing number that gets as
    far as here is not known, and ``null`` says so.

    Examples
    --------
    >>> plain({"volts": float("nan"), "pair": (1, 2.5)})
    {'volts': None, 'pair': [1, 2.5]}
    """
    if value is None or isinstance(value, str | bool):
        return value
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, int):
        return value
    number = float(value)
    return number if math.isfinite(number) else None


def document_text(document: Mapping[str, Any]) -> str:
    """One JSON document, ready to print."""
    return json.dumps(plain(document), ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def one_line(text: str) -> str:
    """Text on one line, with nothing in it that a terminal would obey.

    Examples
    --------
    >>> one_line("first\\nsecond\\x1b[2J")
    'first second?[2J'
    """
    return "".join(letter if letter.isprintable() else "?" for letter in " ".join(text.split()))


@dataclass(frozen=True, slots=True, kw_only=True)
class Output:
    """How a command was asked to answer."""

    as_json: bool
    words: Words
    quiet: bool

    def document(self, document: Mapping[str, Any]) -> None:
        """Print the one JSON document of a command."""
        sys.stdout.write(document_text(document))

    def note(self, text: str) -> None:
        """Say something that is no result: on standard error, unless asked to be quiet."""
        if not self.quiet:
            print(one_line(text), file=sys.stderr)

    def cautions(self, cautions: list[str]) -> None:
        """Beside a JSON document, cautions are said on standard error too: a script may never show them."""
        for caution in cautions:
            self.note(f"caution: {caution}")

    def page(self) -> Page:
        """A page for a person, on standard output."""
        from .page import Page

        return Page(self.words)

    def progress(self, doing: str) -> Callable[[int, int], None] | None:
        """What long work reports to, or ``None`` where nobody would see it: a pipe, ``--json``, ``--quiet``."""
        if self.quiet or self.as_json or not sys.stderr.isatty():
            return None

        def report(done: int, total: int) -> None:
            finished = done >= total
            line = "" if finished else f"{doing}: {done} of {total}"
            sys.stderr.write(f"\r\x1b[K{line}")
            sys.stderr.flush()

        return report


def output_options(command: Command) -> Command:
    """Give a command ``--json``, ``--words`` and ``--quiet``, and an :class:`Output` as its first argument."""

    @click.option("--json", "as_json", is_flag=True, help="Print one JSON document instead of tables.")
    @click.option(
        "--words",
        type=click.Choice(["british", "american"]),
        default="british",
        show_default=True,
        help="Valve, anode, HT; or tube, plate, B+.",
    )
    @click.option("--quiet", is_flag=True, help="No progress and no notes on standard error.")
    @wraps(command)
    def with_output(*args: Any, as_json: bool, words: Words, quiet: bool, **options: Any) -> Any:
        return command(Output(as_json=as_json, words=words, quiet=quiet), *args, **options)

    return with_output  # type: ignore[return-value]
