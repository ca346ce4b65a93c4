"""The valve catalogue: from a name on a card to the facts of the type.

Facts live in ``trade/valves/*.toml``, one file a type; their grammar is in ``docs/valves.md``. A file is
read when its type is first asked for, and only then.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

from hetwright.errors import Complaint, InputFault, UnknownValve
from hetwright.valves.index import INDEX, TRADE, VALVES, plain_name
from hetwright.valves.record import parse
from hetwright.valves.valve_type import ELECTRODES, Heater, Origin, Row, Section, ValveType

__all__ = [
    "ELECTRODES",
    "Heater",
    "Origin",
    "Row",
    "Section",
    "ValveType",
    "find",
    "kinds",
    "names",
    "neighbouring_pins",
    "neighbouring_points",
    "of_kind",
    "parse",
    "types",
]


@cache
def _index() -> dict[str, str]:
    """Plain name to file stem."""
    listed = tomllib.loads(INDEX.read_text(encoding="utf-8"))
    return {plain_name(name): stem for stem, also in listed.items() for name in also}


def _read(file: Path) -> Mapping[str, Any]:
    return tomllib.loads(file.read_text(encoding="utf-8"))


@cache
def _load(stem: str) -> ValveType:
    valve = parse(_read(VALVES / f"{stem}.toml"), f"{stem}.toml")
    return _borrow(valve) if any(section.like for section in valve.sections) else valve


def _counterpart(section: Section, other: ValveType) -> Section:
    """The section of ``other`` that can stand in for ``section``: of the same name, or else of the same shape."""
    alike = [theirs for theirs in other.sections if theirs.shape == section.shape]
    for theirs in alike:
        if theirs.name == section.name:
            return theirs
    if not alike:
        raise InputFault(
            Complaint(
                wrong=f"{other.name} has no section like the {section.name}",
                right=f"name a type with a section of shape {section.shape}",
            )
        )
    return alike[0]


def _borrow(valve: ValveType) -> ValveType:
    """Rows, drop and cut-off of the types that stand in for sections without figures of their own."""
    sections, rows = [], list(valve.rows)
    said: dict[tuple[str, str, str], list[str]] = {}
    for section in valve.sections:
        if not section.like:
            sections.append(section)
            continue
        other = find(section.like)
        theirs = _counterpart(section, other)
        rows += [
            replace(row, section=section.name, published_for=row.published_for or other.name)
            for row in other.rows_of(theirs.name)
            if row.kind != "rating"
        ]
        sections.append(
            replace(
                section,
                drop=section.drop or theirs.drop,
                remote_cutoff=section.remote_cutoff or theirs.remote_cutoff,
                law_of=theirs.law_of,
            )
        )
        what = "drop is" if section.kind == "rectifier" else "figures are"
        said.setdefault((what, other.name, section.like_because), []).append(section.name)
    assumption = "; ".join(
        f"no {what} known for {valve.name}{_only(names, valve)}: {other} stands in ({because})"
        for (what, other, because), names in said.items()
    )
    owners = {section.law_of[0] for section in sections}
    alike = len(owners) == 1 and all(section.law_of[1] == section.name for section in sections)
    return replace(
        valve,
        sections=tuple(sections),
        rows=tuple(rows),
        electrodes_as=owners.pop() if alike else valve.electrodes_as,
        figures_of=", ".join(dict.fromkeys(other for _, other, _ in said)),
        stands_for=valve.name,
        assumption=assumption,
    )


def _only(names: list[str], valve: ValveType) -> str:
    """Which sections are meant, unless it is all of them."""
    return "" if len(names) == len(valve.sections) else " (" + ", ".join(names) + ")"


@cache
def _kinds() -> Mapping[str, Mapping[str, str]]:
    return tomllib.loads((TRADE / "valve_kinds.toml").read_text(encoding="utf-8"))["kind"]  # type: ignore[no-any-return]


@cache
def _bases() -> Mapping[str, Mapping[str, Any]]:
    return tomllib.loads((TRADE / "valve_bases.toml").read_text(encoding="utf-8"))["base"]  # type: ignore[no-any-return]


def names() -> tuple[str, ...]:
    """Every name a type may be asked for by, equivalents included, in alphabetical order."""
    listed = tomllib.loads(INDEX.read_text(encoding="utf-8"))
    return tuple(sorted(name for also in listed.values() for name in also))


def types() -> tuple[str, ...]:
    """The name of every type once, without its equivalents, in the order of the files."""
    listed = tomllib.loads(INDEX.read_text(encoding="utf-8"))
    return tuple(also[0] for also in listed.values())


def kinds() -> tuple[str, ...]:
    """The kinds that :func:`of_kind` knows a typical valve of."""
    return tuple(_kinds())


def _stem(name: str) -> str | None:
    index = _index()
    plain = plain_name(name)
    if plain in index:
        return index[plain]
    if plain[:1].isdigit():
        # glass, small glass and metal versions of an American type share everything but the envelope
        bare = next((plain.removesuffix(end) for end in ("GTG", "GT", "MG", "G") if plain.endswith(end)), plain)
        for version in (bare, f"{bare}GT", f"{bare}G"):
            if version in index:
                return index[version]
    return None


def find(name: str, *, like: str | None = None, kind: str | None = None) -> ValveType:
    """The type of that name, whatever its case, spacing or hyphens, and by any of its other names.

    Parameters
    ----------
    name : str
        As on the card: ``"6v6 gt"``, ``"EL84"``, ``"AC/TH1"``.
    like : str, optional
        Type whose figures stand in when the catalogue lacks ``name``.
    kind : str, optional
        Kind whose typical valve stands in when the catalogue lacks ``name`` and no ``like`` is given.

    Returns
    -------
    ValveType
        With ``stands_for`` and ``assumption`` set when figures of another type stand in.

    Raises
    ------
    UnknownValve
        Neither name nor ``like`` is in the catalogue; ``near`` holds names that look like it.
    InputFault
        ``kind`` is not one of :func:`kinds`.
    """
    stem = _stem(name)
    if stem is not None:
        return _load(stem)
    if like is not None:
        other = find(like)
        return replace(
            other,
            stands_for=name,
            assumption=f"{name} is not in the catalogue: figures of {other.figures_of} stand in, as the card says",
        )
    if kind is not None:
        typical = of_kind(kind)
        return replace(
            typical,
            stands_for=name,
            assumption=f"{name} is not in the catalogue: figures of {typical.figures_of} stand in as a "
            f"typical {kind}",
        )
    near = _near(name)
    raise UnknownValve(
        name,
        near,
        Complaint(
            wrong=f"the catalogue has no valve {name!r}",
            right=(f"near names are {', '.join(near)}; " if near else "")
            + 'or say like = "..." or kind = "..." on the card',
        ),
    )


def _near(name: str) -> tuple[str, ...]:
    written: dict[str, str] = {}
    for other in names():
        written.setdefault(plain_name(other), other)
    close = difflib.get_close_matches(plain_name(name), written, n=5, cutoff=0.5)
    return tuple(written[match] for match in close)


def of_kind(kind: str) -> ValveType:
    """The typical valve of a kind ("output pentode"), from ``trade/valve_kinds.toml``, marked as a stand-in.

    Raises
    ------
    InputFault
        The kind is not listed; the complaint names those that are.
    """
    word = " ".join(kind.lower().split())
    listed = _kinds()
    if word not in listed:
        near = difflib.get_close_matches(word, listed, n=3, cutoff=0.4)
        raise InputFault(
            Complaint(
                wrong=f"{kind!r} is no kind of valve known here",
                right=f"perhaps {', '.join(near)}" if near else "kinds are " + ", ".join(listed),
            )
        )
    valve = find(listed[word]["type"])
    return replace(
        valve, stands_for=word, assumption=f"a {word} is taken to be {listed[word]['type']}, a typical one"
    )


def neighbouring_pins(valve: ValveType) -> tuple[tuple[str, str], ...]:
    """Pairs of pins that sit side by side on the base, round from pin 1.

    Pairs across the wide gap of a miniature base are left out: its contacts are a place apart. From
    ``trade/valve_bases.toml``.
    """
    base = _bases()[valve.base]
    ring = [str(pin) for pin in base["ring"]]
    pairs = list(pairwise(ring))
    if ring and base["closed"]:
        pairs.append((ring[-1], ring[0]))
    if "centre" in base:
        pairs += [(pin, str(base["centre"])) for pin in ring]
    return tuple(pairs)


def neighbouring_points(valve: ValveType) -> tuple[tuple[str, str], ...]:
    """Pairs of different points on pins side by side; heater pins are ``heater_<pin>``.

    Unknown and unconnected pins make no pair.
    """

    def point(pin: str) -> str | None:
        ends = valve.pins.get(pin, ())
        for end in ends:
            if end in valve.points:
                return valve.points[end]
        return f"heater_{pin}" if any(end.startswith("heater") for end in ends) else None

    pairs = ((point(a), point(b)) for a, b in neighbouring_pins(valve))
    return tuple(dict.fromkeys((a, b) for a, b in pairs if a and b and a != b))
