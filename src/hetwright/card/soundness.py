"""Whether a card can be a set: every part joined to points that exist, no ring of shorts, a sheet that can be read.

Each check takes the card with the restorer's statements laid over it and complains at the line of the statement.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace

from hetwright.card.layout import layout_of
from hetwright.card.model import Part, ServiceSheetRow, SetCard, State
from hetwright.card.stated import Desk, StatedCard, StatedPart, near
from hetwright.card.words import british_point
from hetwright.errors import InputFault
from hetwright.readings.meter import Meter
from hetwright.trade_data import load_trade
from hetwright.valves import catalogue

__all__ = ["check_shorts", "known_points", "settle_points", "sheet_rows", "valve_points"]

_STATES: tuple[State, ...] = ("drawn", "found", "now")


# Points -------------------------------------------------------------------------------------------------


def valve_points(card: SetCard) -> dict[str, frozenset[str]]:
    """The points of every valve of the card by its type, such as ``V3.control_grid``; heaters included."""
    found: dict[str, frozenset[str]] = {}
    for ref, valve in card.valves.items():
        kind = catalogue.find(valve.type, like=valve.like, kind=valve.kind)
        ends = set(kind.points.values()) | ({"heater"} if kind.heater is not None else set())
        found[ref] = frozenset(british_point(f"{ref}.{end}") for end in ends)
    return found


def known_points(card: SetCard) -> frozenset[str]:
    """Every point something of the set is joined to."""
    layout = layout_of(card)
    points = {point for part in card.parts.values() for point in (part.from_point, part.to_point)}
    for laid in layout.parts:
        points |= {laid.from_point, laid.to_point} | ({laid.slider} if laid.slider is not None else set())
        points |= {point for _, *ends in laid.windings for point in ends}
    for ends in valve_points(card).values():
        points |= ends
    return frozenset(points | set(layout.joined) | set(layout.joined.values()))


def _resolve(point: str, card: SetCard, points: frozenset[str]) -> str:
    """The point as this set names it: of any names of one electrode, the one the set uses."""
    if point in points:
        return point
    owner, dot, end = point.partition(".")
    valve = card.valves.get(owner)
    if dot and valve is not None:
        kind = catalogue.find(valve.type, like=valve.like, kind=valve.kind)
        for word in (
            end,
            end.removesuffix("_grid"),
            end.replace("control_", ""),
            end.replace("screen_grid", "screen"),
        ):
            try:
                found = british_point(f"{owner}.{kind.point(word)}")
            except InputFault:
                continue
            if found in points:
                return found
    return point


def settle_points(
    card: SetCard, base: SetCard, stated: StatedCard, stated_of: Mapping[str, StatedPart], desk: Desk
) -> SetCard:
    """The card with the points of stated parts as the set names them; complains of those nothing connects to.

    ``base`` is the set before the statements, ``stated_of`` the statement about each part by identity.
    """
    known = known_points(base)
    users: dict[str, set[str]] = {}
    for one in stated.parts:
        for point in (one.from_point, one.to_point):
            if point is not None:
                users.setdefault(_resolve(point, card, known), set()).add(one.called)
    shared = {point for point, parts in users.items() if len(parts) > 1}
    parts: dict[str, Part] = {}
    for ref, part in card.parts.items():
        statement = stated_of.get(part.identity)
        if desk.full or statement is None or (statement.from_point is None and statement.to_point is None):
            parts[ref] = part
            continue
        one = statement
        ends = {"from": part.from_point, "to": part.to_point}
        for key, point in (("from", one.from_point), ("to", one.to_point)):
            if point is None:
                continue
            ends[key] = _resolve(point, card, known)
            if ends[key] not in known and ends[key] not in shared:
                desk.complain((*one.path, key), *_nowhere(ends[key], card, known, f"{one.called}: "))
        part = replace(part, from_point=ends["from"], to_point=ends["to"])
        if part.from_point == part.to_point and part.quantity != "none":
            desk.complain(
                one.path,
                f"{one.called} goes from {part.from_point} to itself",
                "give from and to of two different points",
            )
        parts[ref] = part
    if card.reference_point not in known:
        desk.complain(
            ("set", "reference"),
            f"reference is {card.reference_point}, which is no point of this set",
            "chassis, or ht_negative",
        )
    return replace(card, parts=parts)


def _nowhere(point: str, card: SetCard, points: Iterable[str], called: str) -> tuple[str, str]:
    """What is wrong with a point that nothing connects to, and what would be right."""
    owner, dot, _ = point.partition(".")
    if dot and owner in card.valves:
        ends = sorted(other for other in points if other.startswith(f"{owner}."))
        like = near(point, ends)
        right = f"perhaps {like}" if like else "its points are " + ", ".join(ends)
        return f"{called}{owner} ({card.valves[owner].type}) has no point {point}", right
    if dot and re.fullmatch(r"V\d+[A-Z]?", owner):
        return f"{called}{point}: there is no valve {owner}", "the valves are " + ", ".join(card.valves)
    like = near(point, points)
    right = f"perhaps {like}" if like else 'a point of the set, such as "V3.anode", "HT2" or "chassis"'
    return f"{called}nothing connects to {point}", right


# Shorts -------------------------------------------------------------------------------------------------


def check_shorts(card: SetCard, stated_of: Mapping[str, StatedPart], desk: Desk) -> None:
    """Refuse what no network can be solved with: rings of wire, and a wire across a supply."""
    limit = float(load_trade("part_kinds.toml")["any"]["short_ohms"])
    complained: set[str] = set()
    for state in _STATES:
        joined: dict[str, str] = {}

        def top(point: str, joined: dict[str, str] = joined) -> str:
            while joined.get(point, point) != point:
                point = joined[point]
            return point

        wires = [
            part
            for part in card.parts.values()
            if part.quantity == "ohms"
            and part.from_point != part.to_point
            and (value := part.value(state)) is not None
            and value.si <= limit
        ]
        for part in sorted(wires, key=lambda part: part.identity in stated_of):
            one = stated_of.get(part.identity)
            a, b = top(part.from_point), top(part.to_point)
            if one is not None and part.identity not in complained:
                if a == b:
                    complained.add(part.identity)
                    desk.complain(
                        one.path,
                        f"{one.called} closes a loop of shorts between {part.from_point} and {part.to_point}",
                        "leave out one of the parts of next to no resistance that join them",
                    )
                elif _across_supply(a, b, top):
                    complained.add(part.identity)
                    desk.complain(
                        one.path,
                        f"{one.called} is a short across the supply, from {part.from_point} to {part.to_point}",
                        "check its points and its value; a fault belongs in the readings, not on the card",
                    )
            joined[a] = b


def _across_supply(a: str, b: str, top: Callable[[str], str]) -> bool:
    live = {top("HT1"), top("HT2")}
    dead = {top("chassis"), top("ht_negative"), top("earth")}
    mains = {frozenset((top("mains_live"), top("mains_neutral")))}
    return (a in live and b in dead) or (b in live and a in dead) or frozenset((a, b)) in mains


# Service sheet ------------------------------------------------------------------------------------------


def sheet_rows(stated: StatedCard, card: SetCard, desk: Desk) -> tuple[ServiceSheetRow, ...]:
    """The service sheet with its points and meters understood."""
    points = known_points(card)
    usual = str(stated.meter.get("service_sheet", ""))
    if usual:
        try:
            Meter.from_text(usual)
        except InputFault as fault:
            desk.adopt(("meter", "service_sheet"), fault, "service_sheet: ")
    found = []
    seen: dict[tuple[str, str | None, str], int] = {}
    for row in stated.sheet:
        if desk.full:
            break
        line = desk.places.line(*row.path)
        point = row.point if row.quantity == "watts" else _resolve(row.point, card, points)
        to = _resolve(row.to, card, points) if row.to is not None else None
        for key, here in (("point", point), ("to", to)):
            if here is not None and here not in points and row.quantity != "watts":
                desk.complain((*row.path, key), *_nowhere(here, card, points, "service sheet: "))
        key_ = (point, to, row.quantity)
        if key_ in seen:
            desk.complain(
                row.path, f"{point} {row.quantity} is on the sheet twice (line {seen[key_]})", "give it once"
            )
        seen[key_] = line
        meter: Meter | None = None
        if row.meter:
            try:
                meter = Meter.from_text(row.meter)
            except InputFault as fault:
                if row.meter != usual:
                    desk.adopt((*row.path, "meter"), fault, "meter: ")
        range_volts = meter.range_volts if meter is not None and row.quantity.startswith("volts") else None
        if range_volts is not None and abs(row.value) > range_volts:
            desk.complain(
                row.path,
                f"{abs(row.value):g} V cannot be read on a range of {range_volts:g} V",
                "give the range the sheet used, or the right figure",
            )
        found.append(
            ServiceSheetRow(
                point=point,
                to=to,
                quantity=row.quantity,
                value=row.value,
                meter=row.meter,
                meter_ohms=None if meter is None or math.isinf(meter.ohms) else meter.ohms,
                line=line,
            )
        )
    return tuple(found)
