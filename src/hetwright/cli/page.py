"""A page in a terminal: calm, words and shapes first, colour only beside them.

The shapes are those of the bench book: a ring with a bar for normal, rings filled by degrees for near and outside, a
filled diamond for a suspect, a triangle for what can hurt. This is the one module that imports Rich.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from textwrap import wrap
from typing import IO, Literal

from rich import box
from rich.cells import cell_len
from rich.console import Console, Group
from rich.panel import Panel
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from .speech import spoken

__all__ = ["DANGER", "IN", "NEAR", "OUT", "SAID", "SUSPECT", "USUAL", "Column", "Page", "Words"]

Words = Literal["british", "american"]

IN, NEAR, OUT, SUSPECT, DANGER = "⊖", "◔", "◐", "◆", "▲"
SAID, USUAL = "▪", "▫"

PROSE = 88
"""Prose is no wider than this, however wide the terminal: long lines are hard to read at arm's length."""

GAP = 2
LEAST = 8

_STYLES = {
    "": "",
    "title": "bold",
    "quiet": "dim",
    "strong": "bold",
    "eye": "bold yellow",
    "danger": "bold red",
}
Style = Literal["", "title", "quiet", "strong", "eye", "danger"]


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table: ``right`` for figures; one that may not ``fold`` is never made narrower than its cells."""

    title: str
    right: bool = False
    style: Style = ""
    fold: bool = False


class Page:
    """What a command prints for a person. Text is British and is turned into the words asked for."""

    def __init__(self, words: Words = "british", *, file: IO[str] | None = None, width: int | None = None) -> None:
        self.words = words
        self.console = Console(
            file=file, width=width, markup=False, emoji=False, highlight=False, soft_wrap=False, safe_box=True
        )

    @property
    def width(self) -> int:
        """Columns of the terminal."""
        return self.console.width

    def said(self, text: str) -> str:
        """A text in the words asked for."""
        return spoken(text, self.words)

    def blank(self) -> None:
        """An empty line."""
        self.console.print()

    def title(self, text: str) -> None:
        """What the page is about."""
        self.console.print(Text(self.said(text), style=_STYLES["title"]))

    def command(self, text: str) -> None:
        """A command as it would be typed, before what it prints."""
        self.console.print(Text(f"$ {text}", style=_STYLES["quiet"]), soft_wrap=True)
        self.blank()

    def heading(self, text: str) -> None:
        """A heading, with room above it."""
        self.console.print()
        self.console.print(Rule(Text(self.said(text), style=_STYLES["title"]), align="left", style="dim"))

    def say(self, text: str, style: Style = "", indent: int = 0) -> None:
        """A paragraph."""
        self._wrapped("", text, style, indent)

    def item(self, shape: str, text: str, style: Style = "", indent: int = 0) -> None:
        """A paragraph with a shape before it, its lines in line."""
        self._wrapped(f"{shape} ", text, style, indent)

    def plainly(self, text: str) -> None:
        """A paragraph exactly as it stands: names that are to be typed."""
        for line in wrap(text, min(self.width, PROSE), break_on_hyphens=False, break_long_words=False):
            self.console.print(Text(line), soft_wrap=True)

    def _wrapped(self, before: str, text: str, style: Style, indent: int) -> None:
        for line in self._lines(before, text, min(self.width, PROSE), indent):
            self.console.print(Text(line, style=_STYLES[style]))

    def _lines(self, before: str, text: str, width: int, indent: int = 0) -> list[str]:
        first = " " * indent + before
        return wrap(
            self.said(text),
            max(width, len(first) + 12),
            initial_indent=first,
            subsequent_indent=" " * len(first),
            break_on_hyphens=False,
        ) or [first.rstrip()]

    def cautions(self, cautions: Iterable[str], indent: int = 0) -> None:
        """Cautions, each a sentence with its triangle."""
        for caution in cautions:
            self.item(DANGER, caution, "danger", indent)

    def table(self, columns: Sequence[Column], rows: Sequence[Sequence[str]]) -> None:
        """A table without lines between its columns."""
        self.grouped(columns, [("", rows)])

    def grouped(self, columns: Sequence[Column], groups: Sequence[tuple[str, Sequence[Sequence[str]]]]) -> None:
        """A table in groups, each under a title of its own, the columns of all in line."""
        titles = [self.said(column.title) for column in columns]
        said = [(self.said(title), [[self.said(cell) for cell in row] for row in rows]) for title, rows in groups]
        every = [titles, *(row for _, rows in said for row in rows)]
        widths = _widths(columns, every, self.width)
        self._part(columns, widths, titles, [], header=True)
        for number, (title, rows) in enumerate(said):
            if title:
                if number:
                    self.blank()
                self.console.print(Text(title, style=_STYLES["title"]))
            self._part(columns, widths, titles, rows, header=False)

    def _part(
        self,
        columns: Sequence[Column],
        widths: Sequence[int],
        titles: Sequence[str],
        rows: Sequence[Sequence[str]],
        *,
        header: bool,
    ) -> None:
        table = Table(
            box=box.SIMPLE_HEAD,
            show_edge=False,
            show_header=header,
            pad_edge=False,
            padding=(0, GAP - 1, 0, 0),  # and the box's own divider, a space
            header_style="dim",
            border_style="dim",
        )
        for column, title, width in zip(columns, titles, widths, strict=True):
            table.add_column(
                title,
                justify="right" if column.right else "left",
                style=_STYLES[column.style],
                width=width,
                overflow="fold",
            )
        for row in rows:
            table.add_row(*[Text(cell) for cell in row])
        if header or rows:
            self.console.print(table)

    def boxed(self, title: str, big: str, below: Sequence[tuple[str, str, Style]]) -> None:
        """The one thing to do next, alone in a box: the sentence, then what belongs to it, shape and text each."""
        width = min(self.width, PROSE + 6)
        inside = [Text(line, style=_STYLES["strong"]) for line in self._lines("", big, width - 6)]
        for shape, text, style in below:
            before = f"{shape} " if shape else ""
            inside += [Text(line, style=_STYLES[style]) for line in self._lines(before, text, width - 6)]
        self.console.print()
        self.console.print(
            Panel(
                Group(*inside),
                title=Text(self.said(title), style=_STYLES["eye"]),
                title_align="left",
                box=box.HEAVY,
                padding=(1, 2),
                border_style="yellow",
            ),
            width=width,
        )


def _widths(columns: Sequence[Column], rows: Sequence[Sequence[str]], room: int) -> list[int]:
    """Widths of columns that fit the room where they can.

    A title may always be broken between words; then the widest column that may fold gives way, no further than its
    longest word, and only then further.
    """
    titles, cells = rows[0], rows[1:]
    words = [max((cell_len(word) for row in rows for word in row[n].split()), default=0) for n in range(len(columns))]
    longest_title_word = [max((cell_len(word) for word in title.split()), default=0) for title in titles]
    widths = [
        max(longest_title_word[n], *(cell_len(row[n]) for row in cells), 0) if cells else cell_len(titles[n])
        for n in range(len(columns))
    ]
    room = room - GAP * len(widths) + 1
    spare = room - sum(widths)
    # what room is left goes to titles, so that they stand on one line where they can
    for n, title in enumerate(titles):
        wanted = min(max(cell_len(title) - widths[n], 0), max(spare, 0))
        widths[n] += wanted
        spare -= wanted
    for least in (words, [LEAST] * len(columns)):
        while sum(widths) > room:
            folding = [n for n, column in enumerate(columns) if column.fold and widths[n] > least[n]]
            if not folding:
                break
            widths[max(folding, key=lambda n: widths[n])] -= 1
    return widths
