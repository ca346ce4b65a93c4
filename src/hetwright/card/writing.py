"""Changing a card's text: what changes is spliced in, every other byte stays.

Comments, order, spacing and line endings are the restorer's. A change that would leave a card that cannot be read
is refused, and a file is replaced whole or not at all.
"""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path as FilePath

import tomlkit

from hetwright.card.model import Part, SetCard
from hetwright.card.reading import read_card, text_of_file
from hetwright.card.source_map import Path, SourceMap, map_source
from hetwright.card.stated import card_keys, near
from hetwright.card.words import british_role
from hetwright.errors import Complaint, InputFault

__all__ = [
    "AddPart",
    "AddRow",
    "Change",
    "Rename",
    "SetKey",
    "SetPart",
    "inline_table",
    "save_card",
    "save_text",
    "toml_value",
    "write_card",
]

Plain = str | int | float | bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SetPart:
    """Set keys of a part (``measured``, ``note``, ...), named by reference or role. ``None`` takes a key away."""

    part: str
    values: Mapping[str, Plain | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class AddPart:
    """Add a part of the restorer's own: ``from``, ``to`` and a value at least."""

    ref: str
    values: Mapping[str, Plain]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rename:
    """Give a part, named by reference or role, the reference of the restorer's own diagram. Its identity stays."""

    part: str
    ref: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SetKey:
    """Set a key of [set], [supply], [meter], [valves] or [stages]. ``None`` takes it away."""

    table: str
    key: str
    value: Plain | None


@dataclass(frozen=True, slots=True, kw_only=True)
class AddRow:
    """Add a service-sheet row."""

    values: Mapping[str, Plain] = field(default_factory=dict)


Change = SetPart | AddPart | Rename | SetKey | AddRow


def write_card(text: str, changes: Iterable[Change], file: str = "card") -> str:
    """The text of a card with changes made to it.

    Parameters
    ----------
    text : str
        A card that can be read.
    changes : iterable of Change
        Made in order, each on the card the one before left.

    Returns
    -------
    str
        Differs from ``text`` only where a change says so.

    Raises
    ------
    InputFault
        The card or a change is faulty; what is wrong is that of :func:`hetwright.card.reading.read_card`.

    Examples
    --------
    >>> card = '[valves]\\nV1 = "ECL82"  # no other left\\n[parts]\\nC1 = { role = "output.coupling_capacitor" }\\n'
    >>> print(write_card(card, [SetPart(part="C1", values={"measured": "9n5"})]), end="")
    [valves]
    V1 = "ECL82"  # no other left
    [parts]
    C1 = { role = "output.coupling_capacitor", measured = "9n5" }
    """
    card = read_card(text, file)
    for change in changes:
        text = _changed(text, change, card)
        card = read_card(text, file)
    return text


def save_card(path: str | FilePath, changes: Iterable[Change]) -> SetCard:
    """Change a card file in place, whole or not at all, and read it back.

    Raises
    ------
    InputFault
        The file, the card or a change is faulty; the file is then as it was.
    """
    text = write_card(text_of_file(path), changes, str(path))
    card = read_card(text, str(path))
    save_text(path, text)
    return card


def save_text(path: str | FilePath, text: str) -> None:
    """Write a file so that at every moment it is either the old one or the new one, whole.

    A link is followed; permissions of a file that exists are kept.

    Raises
    ------
    InputFault
        The folder does not exist or cannot be written to; nothing is left behind.
    """
    target = FilePath(os.path.realpath(path))
    try:
        handle, name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.", suffix=".part")
    except OSError as error:
        raise _not_writable(path, error) from None
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(text.encode("utf-8"))
            stream.flush()
            os.fsync(stream.fileno())
        try:
            mode = target.stat().st_mode & 0o7777
        except FileNotFoundError:
            umask = os.umask(0)
            os.umask(umask)
            mode = 0o666 & ~umask
        os.chmod(name, mode)
        os.replace(name, target)
    except OSError as error:
        raise _not_writable(path, error) from None
    finally:
        with suppress(FileNotFoundError):
            os.unlink(name)


def _not_writable(path: str | FilePath, error: OSError) -> InputFault:
    why = error.strerror or type(error).__name__
    return InputFault(
        Complaint(
            wrong=f"the file cannot be written ({why})", right="give a path in a folder of yours", file=str(path)
        )
    )


# One change ---------------------------------------------------------------------------------------------


def _changed(text: str, change: Change, card: SetCard) -> str:
    if isinstance(change, SetPart):
        return _set_part(text, change, card)
    if isinstance(change, AddPart):
        if any(ref.upper() == change.ref.upper() and part.line is not None for ref, part in card.parts.items()):
            raise _fault(f"the card has a part {change.ref} already", "give the new one its own name")
        return _Text(text).put(("parts", change.ref), dict(change.values))
    if isinstance(change, Rename):
        return _rename(text, change, card)
    if isinstance(change, AddRow):
        return _Text(text).add_row("service_sheet", dict(change.values))
    tables = ("set", "supply", "meter", "valves", "stages")
    if change.table not in tables:
        like = near(change.table, tables)
        raise _fault(
            f"{change.table} is no table whose keys are set", f"perhaps {like}" if like else ", ".join(tables)
        )
    edit = _Text(text)
    if change.value is None:
        return edit.take_away((change.table, change.key))
    return edit.put((change.table, change.key), change.value)


def _set_part(text: str, change: SetPart, card: SetCard) -> str:
    known = card_keys("part")
    part = _part_named(card, change.part)
    edit = _Text(text)
    path = _path_of(part, edit.places)
    for key in change.values:
        if key not in known and key not in part.figures:
            like = near(key, [*known, *part.figures])
            raise _fault(
                f"a part has no key {key!r}", f"perhaps {like}" if like else "the keys are " + ", ".join(known)
            )
    wanted = {key: value for key, value in change.values.items() if value is not None}
    if path is None:
        if not wanted:
            return text
        return edit.put(("parts", part.ref), {**_address(part, card), **wanted})
    for key, value in change.values.items():
        edit = _Text(text)
        text = edit.take_away((*path, key)) if value is None else edit.put((*path, key), value)
    return text


def _address(part: Part, card: SetCard) -> dict[str, Plain]:
    """What tells a part of the pattern from every other: its role, and its points where it shares the role."""
    address: dict[str, Plain] = {"role": part.role or ""}
    if sum(other.role == part.role for other in card.parts.values()) > 1:
        address |= {"from": part.from_point, "to": part.to_point}
    return address


def _rename(text: str, change: Rename, card: SetCard) -> str:
    part = _part_named(card, change.part)
    holder = next((other for ref, other in card.parts.items() if ref.upper() == change.ref.upper()), None)
    if holder is not None and holder.identity != part.identity and holder.line is not None:
        raise _fault(f"{change.ref} is {holder.role or 'another part'} on this card", "rename that one first")
    edit = _Text(text)
    path = _path_of(part, edit.places)
    if path is None:
        return edit.put(("parts", change.ref), _address(part, card))
    if british_role(".".join(map(str, path[1:]))) == part.role:
        return edit.put((*path, "ref"), change.ref)
    text = edit.rename(path, change.ref)
    path = (*path[:-1], change.ref)
    if part.extra and part.identity != change.ref:
        text = _Text(text).put((*path, "identity"), part.identity)
    elif not part.extra and (*path, "role") not in map_source(text).lines:
        for key, value in _address(part, card).items():
            text = _Text(text).put((*path, key), value)
    return text


def _part_named(card: SetCard, name: str) -> Part:
    """The part of that reference, or the only one of that role."""
    for ref, part in card.parts.items():
        if ref.upper() == name.strip().upper():
            return part
    parts = card.parts_of_role(british_role(name))
    if len(parts) == 1:
        return parts[0]
    if parts:
        raise _fault(
            f"{name} is the role of {len(parts)} parts", "name one: " + ", ".join(part.ref for part in parts)
        )
    like = near(name, [*card.parts, *(part.role for part in card.parts.values() if part.role)])
    raise _fault(f"this set has no part {name!r}", f"perhaps {like}" if like else "give a reference or a role")


def _path_of(part: Part, places: SourceMap) -> Path | None:
    """Where the card writes of a part, ``None`` when it does not."""
    if part.line is None:
        return None
    for path in places.lines:
        if len(path) < 2 or path[0] != "parts":
            continue
        name = ".".join(map(str, path[1:]))
        named = name.strip().upper() == part.ref.upper()
        by_role = part.role is not None and "." in name and british_role(name) == part.role
        if (named or by_role) and places.lines[path] == part.line:
            return path
    return None


def _fault(wrong: str, right: str) -> InputFault:
    return InputFault(Complaint(wrong=wrong, right=right))


# Splicing -----------------------------------------------------------------------------------------------


def toml_value(value: Plain) -> str:
    """A value as TOML writes it."""
    return tomlkit.item(value).as_string()


def inline_table(values: Mapping[str, Plain]) -> str:
    """``{ key = value, ... }``."""
    inside = ", ".join(f"{_key(key)} = {toml_value(value)}" for key, value in values.items())
    return f"{{ {inside} }}" if inside else "{}"


def _key(word: str | int) -> str:
    return str(word) if re.fullmatch(r"[A-Za-z0-9_-]+", str(word)) else toml_value(str(word))


def _written(value: Plain | Mapping[str, Plain]) -> str:
    return inline_table(value) if isinstance(value, Mapping) else toml_value(value)


class _Text:
    """A text with its places, and the splices that can be made in it."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.places = map_source(text)
        self.newline = "\r\n" if text.count("\r\n") * 2 > text.count("\n") else "\n"

    def splice(self, start: int, end: int, new: str) -> str:
        return self.text[:start] + new + self.text[end:]

    def put(self, path: Path, value: Plain | Mapping[str, Plain]) -> str:
        """Set ``path`` to a value, wherever the text keeps its table."""
        entry = self.places.entry(path)
        if entry is not None:
            return self.splice(entry.value_start, entry.value_end, _written(value))
        parent, key = path[:-1], path[-1]
        if parent in self.places.inline_tables:
            return self.into_inline(parent, f"{_key(key)} = {_written(value)}")
        own = [header for header in self.places.headers if header.path == parent]
        if own:
            inside = [entry for entry in self.places.entries if not entry.inline and entry.holder == parent]
            after = [entry for entry in inside if entry.key_start > own[-1].start]
            at = self.after(after[-1].value_end if after else own[-1].end)
            indent = self.indent(after[-1].key_start) if after else ""
            return self.line_at(at, f"{indent}{_key(key)} = {_written(value)}")
        dotted = [
            entry
            for entry in self.places.entries
            if entry.path[: len(parent)] == parent and len(entry.holder) < len(parent)
        ]
        if dotted:
            last = dotted[-1]
            words = ".".join(_key(word) for word in path[len(last.holder) :])
            if last.inline:
                return self.into_inline(last.holder, f"{words} = {_written(value)}")
            at = self.after(last.value_end)
            return self.line_at(at, f"{self.indent(last.key_start)}{words} = {_written(value)}")
        if len(parent) > 1:
            return self.put(parent, {str(key): value} if not isinstance(value, Mapping) else value)
        header = ".".join(_key(word) for word in parent)
        return self.at_end(f"[{header}]{self.newline}{_key(key)} = {_written(value)}")

    def into_inline(self, table: Path, new: str) -> str:
        start, end = self.places.inline_tables[table]
        inside = [entry for entry in self.places.entries if entry.inline and entry.holder == table]
        if inside:
            at = inside[-1].value_end
            return self.splice(at, at, f", {new}")
        return self.splice(start, end, f"{{ {new} }}")

    def add_row(self, table: str, values: Mapping[str, Plain]) -> str:
        """Add ``[[table]]`` after the last one, or at the end."""
        lines = self.newline.join(f"{_key(key)} = {toml_value(value)}" for key, value in values.items())
        block = f"[[{table}]]{self.newline}{lines}"
        rows = [header for header in self.places.headers if header.array and header.path[:1] == (table,)]
        if not rows:
            return self.at_end(block)
        inside = [entry for entry in self.places.entries if entry.holder == rows[-1].path and not entry.inline]
        at = self.after(inside[-1].value_end if inside else rows[-1].end)
        return self.line_at(at, f"{self.newline}{block}")

    def take_away(self, path: Path) -> str:
        """Take a key away; a key that is not there is no fault."""
        entry = self.places.entry(path)
        if entry is None:
            return self.text
        if not entry.inline:
            start = self.text.rfind("\n", 0, entry.key_start) + 1
            return self.splice(start, self.after(entry.value_end), "")
        siblings = [other for other in self.places.entries if other.inline and other.holder == entry.holder]
        siblings.sort(key=lambda other: other.key_start)
        index = siblings.index(entry)
        if index > 0:
            return self.splice(siblings[index - 1].value_end, entry.value_end, "")
        if len(siblings) > 1:
            return self.splice(entry.key_start, siblings[1].key_start, "")
        return self.splice(entry.key_start, entry.value_end, "")

    def rename(self, path: Path, word: str) -> str:
        """Change the last word of ``path`` wherever it is written."""
        depth = len(path) - 1
        spans: set[tuple[int, int]] = set()
        keys = [(entry.path, len(entry.holder), entry.key_spans) for entry in self.places.entries]
        keys += [(header.path, 0, header.key_spans) for header in self.places.headers]
        for whole, first, words in keys:
            if whole[: len(path)] == path and first <= depth < first + len(words):
                spans.add(words[depth - first])
        text = self.text
        for start, end in sorted(spans, reverse=True):
            text = text[:start] + _key(word) + text[end:]
        return text

    # Where -------------------------------------------------------------------------------------------

    def after(self, at: int) -> int:
        """Start of the line after the one that ``at`` is on."""
        end = self.text.find("\n", at)
        return len(self.text) if end < 0 else end + 1

    def indent(self, at: int) -> str:
        start = self.text.rfind("\n", 0, at) + 1
        return re.match(r"[ \t]*", self.text[start:at])[0]  # type: ignore[index]

    def line_at(self, at: int, line: str) -> str:
        before = "" if at == 0 or self.text[at - 1] == "\n" else self.newline
        return self.splice(at, at, f"{before}{line}{self.newline}")

    def at_end(self, block: str) -> str:
        before = "" if self.text.endswith("\n") or not self.text else self.newline
        gap = self.newline if self.text.strip() else ""
        return f"{self.text}{before}{gap}{block}{self.newline}"
