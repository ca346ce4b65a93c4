"""Laying what the restorer stated over the set that the line-up makes.

A part is found by its role or its reference, keeps its permanent identity, and takes the restorer's name, points,
kind and values. Whatever matches no part of the set is a part of its own, given the points it joins.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any

from hetwright import quantities
from hetwright.card.model import Basis, Part, SetCard, State, Value
from hetwright.card.part_kinds import (
    PartKind,
    Quantity,
    kind_by_letter,
    kind_by_value,
    kind_words,
    kinds,
    limits_log_sd,
    limits_of,
    measured_log_sd,
    part_kind,
)
from hetwright.card.pattern_files import patterns
from hetwright.card.soundness import check_shorts, settle_points, sheet_rows
from hetwright.card.stated import Desk, StatedCard, StatedPart, card_keys, near
from hetwright.card.words import part_words
from hetwright.errors import InputFault
from hetwright.readings.meter import Meter
from hetwright.trade_data import load_trade

__all__ = ["overlay", "winding_role"]

_BASIS: dict[str, Basis] = {
    "drawn": "stated",
    "marked": "marked",
    "measured": "measured",
    "fitted": "stated",
    "usual": "usual",
}
_REPEAT = r"_(\d+|[ab])$"
_STATES: tuple[State, ...] = ("drawn", "found", "now")


def overlay(base: SetCard, stated: StatedCard, desk: Desk) -> SetCard:
    """The set of ``base`` with everything of ``stated`` in its place.

    Faults go to ``desk``; with any there the result is not to be used.
    """
    work = _Overlay(base, desk)
    work.bind(stated.parts)
    work.free_taken_refs()
    work.take_shorthand(stated.supply)
    card = replace(
        base,
        parts={part.ref: part for part in work.parts.values()},
        reference_point=stated.set.get("reference", base.reference_point),
        meter=work.meter(stated.meter, "default"),
        note=stated.set.get("note", ""),
    )
    card = replace(
        card,
        questions=(*card.questions, *desk.questions),
    )
    card = settle_points(card, base, stated, work.stated_of, desk)
    check_shorts(card, work.stated_of, desk)
    return replace(card, service_sheet=sheet_rows(stated, card, desk))


@dataclass(slots=True)
class _Overlay:
    base: SetCard
    desk: Desk
    parts: dict[str, Part] = field(default_factory=dict)
    stated_of: dict[str, StatedPart] = field(default_factory=dict)
    taken: dict[str, StatedPart] = field(default_factory=dict)
    added: list[tuple[StatedPart, Part]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.parts = {part.identity: part for part in self.base.parts.values()}

    # Which part is meant ---------------------------------------------------------------------------------

    def bind(self, stated: list[StatedPart]) -> None:
        """Find the part each statement is about: those with roles first, then those by reference alone."""
        own_numbers = False
        for one in (one for one in stated if one.role is not None and not self.desk.full):
            own_numbers |= self.bind_by_role(one)
        by_ref = {part.ref.upper(): part for part in self.base.parts.values()}
        for one in (one for one in stated if one.role is None and not self.desk.full):
            part = by_ref.get((one.ref or "").upper())
            if (
                one.from_point is not None
                and one.to_point is not None
                and (part is None or part.identity in self.taken)
            ):
                self.add(one, role=None)
            elif part is None:
                self.not_found(one)
            elif part.identity in self.taken:
                self.desk.complain(
                    one.path,
                    f"{one.called} was the number of {part.role}, a role {self.taken[part.identity].called} now has",
                    "give its own role, or from and to",
                )
            else:
                if own_numbers:
                    self.desk.ask(
                        one.path,
                        f"{one.called} has no role and is taken to be {part.role}, whose number it is here; "
                        "give its role if the numbers are those of another diagram",
                    )
                self.take(part, one)

    def identity(self, one: StatedPart, own: str, instead_of: str | None = None) -> str:
        """The identity stated, or ``own``; one that another part has is complained of."""
        wanted = one.identity or own
        if wanted == instead_of or wanted not in self.parts:
            return wanted
        self.desk.complain(
            (*one.path, "identity"), f"{one.called}: another part has the identity {wanted}", "give each its own"
        )
        number = 2
        while f"{wanted}#{number}" in self.parts:
            number += 1
        return f"{wanted}#{number}"

    def bind_by_role(self, one: StatedPart) -> bool:
        """Bind to the part of that role; true when its reference is not the pattern's."""
        every = [part for part in self.base.parts.values() if part.role == one.role]
        free = [part for part in every if part.identity not in self.taken]
        if not free and every:
            others = [other for part in every if (other := self.taken.get(part.identity))]
            at = " and ".join(f"{other.called} on line {self.desk.places.line(*other.path)}" for other in others)
            self.desk.complain(
                one.path,
                f"the role {one.role} is used twice ({at} has it)"
                if len(every) == 1
                else f"the role {one.role} is used {len(every) + 1} times and the set has {len(every)} ({at})",
                "give the right role to one of them; an extra part takes from and to and no role",
            )
            return False
        if not every:
            return self.role_not_in_set(one)
        ends = {one.from_point, one.to_point} - {None}
        chosen = (
            next((part for part in free if ends and {part.from_point, part.to_point} == ends), None)
            or next((part for part in free if one.ref and part.ref.upper() == one.ref.upper()), None)
            or next((part for part in free if ends & {part.from_point, part.to_point}), None)
            or free[0]
        )
        self.take(chosen, one)
        return one.ref is not None and one.ref.upper() != chosen.ref.upper()

    def role_not_in_set(self, one: StatedPart) -> bool:
        role = one.role or ""
        stage, _, part = role.partition(".")
        if part not in part_words(stage):
            return False  # complained of already
        if one.from_point is not None and one.to_point is not None:
            return self.add(one, role=role)
        has = sorted({other.role or "" for other in self.base.parts.values()} - {""})
        like = near(role, has)
        whole_stage = any(other.startswith(f"{stage}.") for other in has)
        wrong = f"this set has no {role}" if whole_stage else f"this set has no stage {stage}, so no {role}"
        called = "" if one.called == role else f"{one.called}: "
        right = "give from and to if it is there all the same"
        self.desk.complain(one.path, called + wrong, f"perhaps {like}; {right}" if like else right)
        return False

    def not_found(self, one: StatedPart) -> None:
        like = near(one.called, (part.ref for part in self.base.parts.values()), cutoff=0.7)
        missing = [key for key, point in (("from", one.from_point), ("to", one.to_point)) if point is None]
        lacks = "neither role nor from and to" if len(missing) == 2 else f"no {missing[0]}"
        right = 'give its role (role = "output.cathode_resistor"), or for an extra part from and to'
        self.desk.complain(
            one.path,
            f"{one.called} is no part of this set and has {lacks}",
            f"perhaps {like}; else {right}" if like else right,
        )

    # What becomes of it ----------------------------------------------------------------------------------

    def take(self, part: Part, one: StatedPart) -> None:
        """Lay a statement over a part of the pattern."""
        self.taken[part.identity] = one
        line = self.desk.places.line(*one.path)
        kind = self.kind(one, one.kind, "kind") if one.kind is not None else None
        if (
            kind is not None
            and kind.quantity != "none"
            and part.quantity != "none"
            and kind.quantity != part.quantity
        ):
            self.desk.complain(
                (*one.path, "kind"),
                f"{one.called} is {part.role or part.ref}, counted in {part.quantity}, and cannot be {kind.kind}",
                f"a kind such as {part.kind}",
            )
            kind = None
        changed = replace(
            part,
            ref=one.ref or part.ref,
            identity=self.identity(one, part.identity, instead_of=part.identity),
            kind=kind.kind if kind is not None else part.kind,
            from_point=one.from_point or part.from_point,
            to_point=one.to_point or part.to_point,
            year=one.year or part.year,
            note=one.note or part.note,
            line=line,
        )
        self.check_windings(part, one)
        changed = self.with_fitted_kind(changed, one)
        changed = self.with_values(changed, one)
        changed = self.with_figures(changed, one)
        if changed.identity != part.identity:
            self.taken[changed.identity] = one
        self.stated_of[changed.identity] = one
        if changed.identity == part.identity:
            self.parts[part.identity] = changed
        else:
            kept = [changed if other is part else other for other in self.parts.values()]
            self.parts = {other.identity: other for other in kept}

    def check_windings(self, part: Part, one: StatedPart) -> None:
        """A part of several windings sits where its stage puts it; other points would change nothing."""
        if not winding_role(part.role):
            return
        for key, stated, own in (("from", one.from_point, part.from_point), ("to", one.to_point, part.to_point)):
            if stated is not None and stated != own:
                self.desk.complain(
                    (*one.path, key),
                    f"{one.called}: the windings of {part.role} cannot be moved to {stated}",
                    f"leave {key} out ({own}), and give what sits elsewhere as parts of its own",
                )

    def add(self, one: StatedPart, role: str | None) -> bool:
        """A part that the pattern lacks. Returns false: it does not show whose numbers are used."""
        name = one.ref or (one.role or "").rpartition(".")[2]
        quantity, word = self.guess_kind(one)
        if quantity is None:
            self.desk.complain(
                one.path,
                f"{one.called}: what is it? neither its name nor a kind says",
                'give its kind, such as kind = "carbon" or kind = "waxed paper"',
            )
            return False
        part = Part(
            identity=self.identity(one, f"+{one.role}" if one.ref is None else name),
            ref=name,
            role=role,
            kind=word,
            quantity=quantity,
            from_point=one.from_point or "",
            to_point=one.to_point or "",
            year=one.year,
            extra=True,
            note=one.note,
            line=self.desk.places.line(*one.path),
        )
        part = self.with_figures(self.with_values(self.with_fitted_kind(part, one), one), one)
        if not part.kind:
            value = next((value for state in _STATES if (value := part.value(state)) is not None), None)
            part = replace(part, kind=kind_by_value(value.si) if value is not None else "waxed paper")
        if quantity != "none" and not one.value_keys:
            self.desk.complain(
                one.path,
                f"{one.called} is an extra part without a value",
                'say what is drawn, marked or measured, such as marked = "1M"',
            )
        self.stated_of[part.identity] = one
        self.parts[part.identity] = part
        return False

    def guess_kind(self, one: StatedPart) -> tuple[Quantity | None, str]:
        """Quantity and kind of an extra part: its kind, else its letter."""
        if one.kind is not None:
            kind = self.kind(one, one.kind, "kind")
            return (kind.quantity, kind.kind) if kind is not None else ("none", "")
        by_letter = kind_by_letter(one.ref or "")
        if by_letter is not None:
            return by_letter
        tail = (one.role or "").rpartition("_")[2]
        if tail in ("resistor", "leak", "load", "stopper"):
            return "ohms", "carbon"
        if tail == "capacitor":
            return "farads", ""
        return None, ""

    def kind(self, one: StatedPart, word: str, key: str) -> PartKind | None:
        kind = part_kind(word)
        if kind is None:
            like = near(word, kind_words(), cutoff=0.5)
            right = f"perhaps {like}" if like else "kinds are " + ", ".join(kinds())
            self.desk.complain((*one.path, key), f"{one.called}: {word!r} is no kind of part known here", right)
        return kind

    def with_fitted_kind(self, part: Part, one: StatedPart) -> Part:
        if one.fitted_kind is None:
            return part
        kind = self.kind(one, one.fitted_kind, "fitted_kind")
        if "fitted" not in one.values:
            self.desk.complain(
                (*one.path, "fitted_kind"),
                f"{one.called} has a fitted_kind but nothing is fitted",
                'add the value you fitted, such as fitted = "100n"',
            )
        if kind is None:
            return part
        if kind.quantity not in ("none", part.quantity):
            self.desk.complain(
                (*one.path, "fitted_kind"),
                f"{one.called} is counted in {part.quantity} and {kind.kind} in {kind.quantity}",
                "a fitted_kind that can take its place",
            )
            return part
        return replace(part, fitted_kind=kind.kind)

    # Values ----------------------------------------------------------------------------------------------

    def with_values(self, part: Part, one: StatedPart) -> Part:
        found: dict[str, Any] = {}
        for key, written in one.values.items():
            path = (*one.path, key)
            if part.quantity == "none":
                self.desk.complain(
                    path,
                    f"{one.called} is a {part.kind or 'part'} and has no value, but {key} is {written!r}",
                    f"leave {key} out, or put it in the note",
                )
                continue
            value = self.value(part, one, key, written)
            if value is not None:
                found[key] = value
        return replace(part, **found)

    def value(self, part: Part, one: StatedPart, key: str, written: str | float) -> Value | None:
        path = (*one.path, key)
        quantity = part.quantity
        called = f"{one.called}: {key}: "
        try:
            marking = quantities.parse_marking(str(written) if isinstance(written, str) else f"{written!r}", quantity)  # type: ignore[arg-type]
        except InputFault as fault:
            other = _other_unit(written, quantity)
            if other is not None and other in part.figures:
                self.desk.complain(
                    path,
                    f"{called}{written!r} is in {other}, and {key} of {part.role or one.called} is its {quantity}",
                    f'write {other} = "{written}", and its {quantity} under {key} if you know them',
                )
            elif other is not None:
                self.desk.complain(
                    path,
                    f"{called}{written!r} is in {other}, and {part.role or one.called} is counted in {quantity}",
                    f"write it like {_example(quantity)}",
                )
            else:
                self.desk.adopt(path, fault, called)
            return None
        word = part.fitted_kind if key == "fitted" and part.fitted_kind else part.kind
        kind = kinds().get(word)
        if not self.possible(part, kind, marking.si, path, called, written):
            return None
        spread = self.spread(part, kind, one, key, marking)
        usual = part.usual
        value = Value(
            si=marking.si,
            basis=_BASIS[key],
            spread_log_sd=spread if key != "usual" or usual is None else usual.spread_log_sd,
            written=str(written),
            line=self.desk.places.line(*path),
        )
        if usual is not None and key != "usual":
            self.compare(part, one, value, usual, path, key)
        return value

    def possible(
        self, part: Part, kind: PartKind | None, si: float, path: Any, called: str, written: str | float
    ) -> bool:
        low, high = limits_of(part.quantity)
        if kind is not None and kind.quantity == part.quantity:
            low, high = max(low, kind.low), min(high, kind.high)
        if low <= si <= high:
            return True
        unit: quantities.Unit = part.quantity if part.quantity != "none" else "ohms"
        least, most = (quantities.format_value(limit, unit, digits=3) for limit in (low, high))
        if part.quantity == "ohms" and si < low:
            wrong = f"{written!r} is next to no resistance: a short"
            right = 'a wire is kind = "link"; a fault belongs in the readings, not on the card'
        else:
            wrong = f"{written!r} is a value no {part.kind or 'such part'} has"
            right = f"between {least} and {most}; check the unit and the noughts"
        self.desk.complain(path, called + wrong, right)
        return False

    def spread(
        self, part: Part, kind: PartKind | None, one: StatedPart, key: str, marking: quantities.Marking
    ) -> float:
        if key == "measured":
            return measured_log_sd(part.quantity)
        if marking.minus_fraction is not None and marking.plus_fraction is not None and marking.minus_fraction < 1:
            return limits_log_sd(marking.minus_fraction, marking.plus_fraction)
        if one.tolerance is not None and key != "fitted":
            return limits_log_sd(*one.tolerance)
        if kind is None or not kind.tolerances:
            own = kinds().get("carbon" if part.quantity == "ohms" else "waxed paper")
            kind = own if own is not None else kind
        # A part fitted today is of today, whatever the year of the set.
        year = one.year or (self.base.year if key != "fitted" else 9999)
        return kind.log_sd(year) if kind is not None else 0.1

    def compare(self, part: Part, one: StatedPart, value: Value, usual: Value, path: Any, key: str) -> None:
        """Ask about a value far from the usual, refuse one that cannot be meant."""
        limits = load_trade("part_kinds.toml")["any"]
        ratio = max(value.si / usual.si, usual.si / value.si)
        unit: quantities.Unit = part.quantity if part.quantity != "none" else "ohms"
        usually = quantities.format_value(usual.si, unit, digits=2)
        what = part.role or part.ref
        if ratio > limits["times_usual"]:
            self.desk.complain(
                path,
                f"{one.called}: {key} {value.written!r} is {ratio:.0f} times off the {usually} usual for {what}",
                "check the unit and the noughts; if the part is another one, give its own role, or from and to",
            )
        elif ratio > limits["question_times_usual"]:
            self.desk.ask(path, f"{one.called} {key} {value.written} is far from the {usually} usual for {what}")

    def with_figures(self, part: Part, one: StatedPart) -> Part:
        figures = dict(part.figures)
        for key, written in one.figures.items():
            path = (*one.path, key)
            if key not in part.figures:
                like = near(key, part.figures)
                keys = ", ".join(part.figures)
                right = (
                    f"perhaps {like}" if like else (f"its figures are {keys}" if keys else "see the keys of a part")
                )
                self.desk.complain(path, f"{one.called} has no key {key!r}", right)
                continue
            unit = key.rpartition("_")[2]
            if unit == "fraction":
                if isinstance(written, bool) or not isinstance(written, int | float) or not 0 < written < 1:
                    self.desk.complain(path, f"{one.called}: {key} is {written!r}", "between 0 and 1, such as 0.5")
                    continue
                figures[key] = float(written)
                continue
            try:
                si = quantities.parse(written, unit)  # type: ignore[arg-type]
            except InputFault as fault:
                self.desk.adopt(path, fault, f"{one.called}: {key}: ")
                continue
            if not 0 < si < math.inf:
                self.desk.complain(path, f"{one.called}: {key} is {written!r}", "above zero")
                continue
            figures[key] = si
        return replace(part, figures=figures)

    # References ------------------------------------------------------------------------------------------

    def free_taken_refs(self) -> None:
        """Give new numbers to pattern parts whose reference the restorer uses for another part."""
        stated_refs = {one.ref.upper() for one in self.stated_of.values() if one.ref is not None}
        used = {part.ref.upper() for part in self.parts.values()} | stated_refs
        for identity, part in list(self.parts.items()):
            one = self.stated_of.get(part.identity)
            own = one is not None and one.ref is not None
            if not own and part.ref.upper() in stated_refs:
                letters = re.match(r"[A-Za-z]*", part.ref)
                ref = _free_ref(letters[0] if letters and letters[0] else "P", used)
                used.add(ref.upper())
                self.parts[identity] = replace(part, ref=ref)
        by_ref: dict[str, Part] = {}
        for part in self.parts.values():
            if part.ref in by_ref:
                one = self.stated_of.get(part.identity) or self.stated_of.get(by_ref[part.ref].identity)
                if one is not None:
                    self.desk.complain(one.path, f"two parts are called {part.ref}", "give each its own name")
            by_ref[part.ref] = part

    def take_shorthand(self, supply: Mapping[str, Any]) -> None:
        """Keys of [supply] that stand for the drawn value of a part."""
        for key, record in card_keys("supply").items():
            if key not in supply or "role" not in record:
                continue
            path = ("supply", key)
            part = next((part for part in self.parts.values() if part.role == record["role"]), None)
            if part is None:
                self.desk.complain(path, f"this set has no {record['role']}", f"leave {key} out")
                continue
            if part.drawn is not None:
                self.desk.complain(
                    path,
                    f"{key} is given here and as drawn of {part.ref} on line {part.drawn.line}",
                    "give it once",
                )
                continue
            one = StatedPart(path=("supply",), ref=None, role=record["role"])
            written = quantities.format_value(supply[key], "farads")
            kind = kinds().get(part.kind)
            if self.possible(part, kind, supply[key], path, f"{key}: ", written):
                marking = quantities.Marking(si=supply[key], unit="farads")
                value = Value(
                    si=supply[key],
                    basis="stated",
                    spread_log_sd=self.spread(part, kind, one, "drawn", marking),
                    written=written,
                    line=self.desk.places.line(*path),
                )
                if part.usual is not None:
                    self.compare(part, replace(one, ref=key), value, part.usual, path, "drawn")
                self.parts[part.identity] = replace(part, drawn=value)

    def meter(self, raw: Mapping[str, Any], key: str) -> str:
        """The meter as written, once it has been understood."""
        text = str(raw.get(key, ""))
        if text:
            try:
                Meter.from_text(text)
            except InputFault as fault:
                self.desk.adopt(("meter", key), fault, f"{key}: ")
        return text


def winding_role(role: str | None) -> bool:
    """Whether the part of that role has windings or sections, so that two points do not say where it sits."""
    stage, _, word = (role or "").partition(".")
    return f"{re.sub(_REPEAT, '', stage)}.{word}" in _with_windings()


@cache
def _with_windings() -> frozenset[str]:
    """Roles whose part has windings or sections that follow the pattern, repeats of a stage under its plain name."""
    return frozenset(
        f"{re.sub(_REPEAT, '', part.stage or pattern.stage)}.{part.role}"
        for pattern in patterns()
        for part in pattern.parts
        if part.windings
    )


def _free_ref(letters: str, used: set[str]) -> str:
    numbers = [int(ref[len(letters) :]) for ref in used if re.fullmatch(rf"{letters.upper()}\d+", ref)]
    return f"{letters}{max(numbers, default=0) + 1}"


def _example(quantity: Quantity) -> str:
    return {"ohms": '"4k7" or "330R"', "farads": '"0.05 µF" or "500 pF"', "henries": '"10 H"'}.get(quantity, "")


def _other_unit(written: str | float, quantity: Quantity) -> str | None:
    """The unit a value seems to be in when it is not ``quantity``'s."""
    if not isinstance(written, str):
        return None
    for unit in ("farads", "ohms", "henries", "volts", "watts"):
        if unit == quantity:
            continue
        try:
            quantities.parse(written, unit)
        except InputFault:
            continue
        if re.fullmatch(r"[\d.,\s]+", written) is None:
            return unit
    return None
