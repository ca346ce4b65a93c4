"""Where everything stands in the text of a TOML file: the line and the span of every key and value.

The standard parser gives values without places; a complaint needs the line and an edit needs the span.
This scan reads no values. It trusts that the text is TOML, but never loops or raises on text that is not.
"""

from __future__ import annotations

from dataclasses import dataclass, field

__all__ = ["Entry", "Header", "Path", "SourceMap", "map_source"]

Path = tuple[str | int, ...]

_WHITE = " \t\r\n"
_BARE_END = ",]}#\n\r"
_DEEPEST = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One ``key = value``. Spans are character offsets, end excluded.

    ``holder`` is the path of what encloses it in the text: a header's table, or an inline table.
    ``key_spans`` are those of the words of a dotted key.
    """

    path: Path
    holder: Path
    inline: bool
    line: int
    key_start: int
    key_end: int
    key_spans: tuple[tuple[int, int], ...]
    value_start: int
    value_end: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """A ``[table]`` or ``[[array of tables]]`` line; ``path`` ends in the index for the latter."""

    path: Path
    array: bool
    line: int
    key_spans: tuple[tuple[int, int], ...]
    start: int
    end: int


@dataclass(slots=True)
class SourceMap:
    """The places found in one text.

    ``repeats`` holds (path, first line, second line) of each key or table written twice.
    ``lines`` gives the line of every path, those of enclosing tables included.
    """

    entries: list[Entry] = field(default_factory=list)
    headers: list[Header] = field(default_factory=list)
    repeats: list[tuple[Path, int, int]] = field(default_factory=list)
    lines: dict[Path, int] = field(default_factory=dict)
    inline_tables: dict[Path, tuple[int, int]] = field(default_factory=dict)

    def line(self, *path: str | int) -> int:
        """The line of ``path``, else of the nearest thing that encloses it, else 1."""
        for length in range(len(path), 0, -1):
            found = self.lines.get(path[:length])
            if found is not None:
                return found
        return 1

    def entry(self, path: Path) -> Entry | None:
        """The ``key = value`` at ``path``, if it is written as one."""
        return next((entry for entry in self.entries if entry.path == path), None)


def map_source(text: str) -> SourceMap:
    """Find where every key, value and table header of a TOML text stands.

    Parameters
    ----------
    text : str
        TOML; on anything else the map holds what could be made out.

    Returns
    -------
    SourceMap
        Lines count from 1.
    """
    scan = _Scan(text)
    scan.document()
    return scan.found


class _Scan:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.line = 1
        self.counted = 0
        self.found = SourceMap()
        self.array_sizes: dict[Path, int] = {}
        self.header_paths: set[Path] = set()

    # Places ------------------------------------------------------------------------------------------

    def line_here(self) -> int:
        self.line += self.text.count("\n", self.counted, self.at)
        self.counted = self.at
        return self.line

    def peek(self) -> str:
        return self.text[self.at : self.at + 1]

    def skip_white(self, kinds: str = _WHITE) -> None:
        while self.at < len(self.text) and self.text[self.at] in kinds:
            self.at += 1

    def skip_to_line_end(self) -> None:
        end = self.text.find("\n", self.at)
        self.at = len(self.text) if end < 0 else end

    def skip_white_and_comments(self) -> None:
        while True:
            self.skip_white()
            if self.peek() != "#":
                return
            self.skip_to_line_end()

    # Grammar -----------------------------------------------------------------------------------------

    def document(self) -> None:
        holder: Path = ()
        while True:
            self.skip_white_and_comments()
            if self.at >= len(self.text):
                return
            before = self.at
            holder = self.header() if self.peek() == "[" else self.entry(holder, holder, inline=False)
            if self.at == before:
                self.skip_to_line_end()

    def header(self) -> Path:
        start, line = self.at, self.line_here()
        array = self.text.startswith("[[", self.at)
        self.at += 2 if array else 1
        keys, spans = self.keys()
        path = self.through_arrays(keys)
        closing = "]]" if array else "]"
        self.skip_white(" \t")
        if self.text.startswith(closing, self.at):
            self.at += len(closing)
        else:
            self.skip_to_line_end()
        if array and path:
            size = self.array_sizes.get(path, 0)
            self.array_sizes[path] = size + 1
            self.found.lines.setdefault(path, line)
            path = (*path, size)
        if not path:
            return path
        if path in self.header_paths:
            self.found.repeats.append((path, self.found.lines[path], line))
        self.header_paths.add(path)
        self.found.headers.append(
            Header(path=path, array=array, line=line, key_spans=spans, start=start, end=self.at)
        )
        self.note_lines(path, line)
        return path

    def through_arrays(self, keys: Path) -> Path:
        """A header names ``a.b``; where ``a`` is an array of tables it means the last one of them."""
        path: Path = ()
        for index, key in enumerate(keys):
            path = (*path, key)
            if path in self.array_sizes and index < len(keys) - 1:
                path = (*path, self.array_sizes[path] - 1)
        return path

    def entry(self, base: Path, holder: Path, *, inline: bool, depth: int = 0) -> Path:
        key_start, line = self.at, self.line_here()
        keys, spans = self.keys()
        key_end = self.at
        self.skip_white(" \t")
        if not keys or self.peek() != "=":
            self.skip_to_line_end()
            return holder
        self.at += 1
        self.skip_white(" \t")
        path = (*base, *keys)
        if path in self.found.lines:
            self.found.repeats.append((path, self.found.lines[path], line))
        self.note_lines(path, line)
        value_start = self.at
        self.value(path, depth)
        self.found.entries.append(
            Entry(
                path=path,
                holder=holder,
                inline=inline,
                line=line,
                key_start=key_start,
                key_end=key_end,
                key_spans=spans,
                value_start=value_start,
                value_end=self.at,
            )
        )
        return holder

    def note_lines(self, path: Path, line: int) -> None:
        for length in range(1, len(path) + 1):
            self.found.lines.setdefault(path[:length], line)

    def keys(self) -> tuple[Path, tuple[tuple[int, int], ...]]:
        """The words of a dotted key, and where each stands."""
        keys: list[str | int] = []
        spans: list[tuple[int, int]] = []
        end = self.at
        while True:
            self.skip_white(" \t")
            start = self.at
            if self.peek() in ('"', "'") and self.peek():
                self.string()
                keys.append(_unquoted(self.text[start : self.at]))
            else:
                while self.at < len(self.text) and (self.peek().isalnum() or self.peek() in "_-"):
                    self.at += 1
                if self.at == start:
                    break
                keys.append(self.text[start : self.at])
            end = self.at
            spans.append((start, end))
            self.skip_white(" \t")
            if self.peek() != ".":
                break
            self.at += 1
        self.at = end
        return tuple(keys), tuple(spans)

    def value(self, path: Path, depth: int) -> None:
        mark = self.peek()
        if mark and mark in "\"'":
            self.string()
        elif mark == "[" and depth < _DEEPEST:
            self.array(path, depth)
        elif mark == "{" and depth < _DEEPEST:
            self.inline_table(path, depth)
        else:
            start = self.at
            while self.at < len(self.text) and self.text[self.at] not in _BARE_END:
                self.at += 1
            while self.at > start and self.text[self.at - 1] in " \t":
                self.at -= 1

    def string(self) -> None:
        quote = self.peek()
        if self.text.startswith(quote * 3, self.at):
            self.long_string(quote)
            return
        self.at += 1
        while self.at < len(self.text) and self.text[self.at] not in (quote, "\n"):
            self.at += 2 if self.text[self.at] == "\\" and quote == '"' else 1
        if self.peek() == quote:
            self.at += 1
        self.at = min(self.at, len(self.text))

    def long_string(self, quote: str) -> None:
        self.at += 3
        while self.at < len(self.text):
            if self.text[self.at] == "\\" and quote == '"':
                self.at += 2
            elif self.text.startswith(quote * 3, self.at):
                self.at += 3
                # Up to two quotation marks may belong to the string and stand before the closing three.
                while self.peek() == quote:
                    self.at += 1
                return
            else:
                self.at += 1
        self.at = min(self.at, len(self.text))

    def array(self, path: Path, depth: int) -> None:
        self.at += 1
        index = 0
        while True:
            self.skip_white_and_comments()
            if self.at >= len(self.text):
                return
            if self.peek() == "]":
                self.at += 1
                return
            before = self.at
            self.found.lines.setdefault((*path, index), self.line_here())
            self.value((*path, index), depth + 1)
            index += 1
            self.skip_white_and_comments()
            if self.peek() == ",":
                self.at += 1
            elif self.at == before:
                return

    def inline_table(self, path: Path, depth: int) -> None:
        start = self.at
        self.at += 1
        while True:
            self.skip_white_and_comments()
            if self.at >= len(self.text):
                return
            if self.peek() == "}":
                self.at += 1
                self.found.inline_tables[path] = (start, self.at)
                return
            before = self.at
            self.entry(path, path, inline=True, depth=depth + 1)
            self.skip_white_and_comments()
            if self.peek() == ",":
                self.at += 1
            elif self.at == before:
                return


def _unquoted(written: str) -> str:
    """A quoted key without its quotation marks; escapes are rare in keys and only the usual two are undone."""
    inside = written[1:-1]
    return inside.replace('\\"', '"').replace("\\\\", "\\") if written.startswith('"') else inside
