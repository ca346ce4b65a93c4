"""What commands take besides files: the set, the meter, readings in a line, hazards; and what had to be assumed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, Any, TypeVar

import click

from hetwright.errors import Complaint, InputFault

if TYPE_CHECKING:
    from hetwright.card.model import SetCard
    from hetwright.readings.meter import Meter
    from hetwright.readings.reading import Reading

__all__ = ["STATES", "assumptions_of", "check_hazards", "inline_readings", "meter_of", "set_options"]

STATES = ("drawn", "found", "now")
Command = TypeVar("Command", bound=Callable[..., Any])


def set_options(command: Command) -> Command:
    """``--meter`` and ``--state``, alike for every command that computes something of a set."""
    for option in (
        click.option(
            "--state", type=click.Choice(STATES), help="The set as drawn, as found or as it stands now (usual: now)."
        ),
        click.option("--meter", help='Such as "10M" or "20k/V on 250 V"; otherwise the card\'s, else a digital one.'),
    ):
        command = option(command)
    return command


def meter_of(asked: str | None, card: SetCard) -> tuple[Meter, str | None]:
    """The meter readings are taken on, and what had to be assumed of it.

    Raises
    ------
    InputFault
        What was asked for is no meter.
    """
    from hetwright.faults.healthy import facts
    from hetwright.readings.meter import Meter

    if asked is not None:
        try:
            return Meter.from_text(asked), None
        except InputFault as fault:
            raise InputFault(
                Complaint(wrong=f"--meter: {one.wrong}", right=one.right) for one in fault.complaints
            ) from None
    if card.meter:
        return Meter.from_text(card.meter), None
    usual = Meter(kind="digital", ohms=float(facts()["unstated_meter"]["ohms"]))
    return usual, f"no meter is named, so a digital one of {usual} is taken; --meter names yours"


def inline_readings(lines: Iterable[str]) -> list[Reading]:
    """Readings given as ``--reading "V3.anode 182 V"``, all of them or every complaint.

    Raises
    ------
    InputFault
    """
    from hetwright.readings.reading import parse_reading

    readings, complaints = [], []
    for line in lines:
        try:
            readings.append(parse_reading(line))
        except InputFault as fault:
            complaints += [
                Complaint(wrong=f"--reading {line[:60]!r}: {one.wrong}", right=one.right) for one in fault.complaints
            ]
    if complaints:
        raise InputFault(complaints)
    return readings


def check_hazards(hazards: Sequence[str]) -> None:
    """Refuse words that name no hazard: nothing that was said of a danger may go unheard.

    Raises
    ------
    InputFault
    """
    from hetwright.safety import hazard_named
    from hetwright.trade_data import load_trade

    unknown = [words for words in hazards if hazard_named(words) is None]
    if unknown:
        known = ", ".join(record["id"] for record in load_trade("cautions.toml")["hazard"])
        raise InputFault(
            Complaint(wrong=f"--hazard {words!r} names no hazard known here", right=known) for words in unknown
        )


def assumptions_of(card: SetCard) -> list[str]:
    """What had to be assumed of a set: the card's own, valves put in, figures that stand in for a type's."""
    from hetwright.valves.catalogue import find

    said = list(card.assumptions)
    for valve in card.valves.values():
        kind = find(valve.type, like=valve.like, kind=valve.kind)
        if kind.assumption:
            said.append(f"{valve.ref}: {kind.assumption}")
    return list(dict.fromkeys(said))
