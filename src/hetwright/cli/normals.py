"""``hetwright normals``: what every point ought to read, on the meter that is to hand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import click

from .inputs import set_options
from .output import Output, Words, output_options

if TYPE_CHECKING:
    from hetwright.card.model import ServiceSheetRow, SetCard, State
    from hetwright.readings.normals import Normals
    from hetwright.safety import ColdCheck

__all__ = ["SCHEMA", "normals", "normals_document"]

SCHEMA = "hetwright/normals/1"
_OPEN_OHMS = 30e6
"""No ohmmeter of the bench shows more."""


def normals_document(
    card: SetCard, *, state: State = "now", meter: str | None = None, words: Words = "british", cold: bool = True
) -> dict[str, Any]:
    """Normal readings of a set as one document of plain values.

    Parameters
    ----------
    card : SetCard
    state : "drawn", "found" or "now"
    meter : str, optional
        As ``--meter``; otherwise the card's, else a digital one.
    words : "british" or "american"
        Of the sentences.
    cold : bool
        Cold resistances too.

    Returns
    -------
    dict
        As ``docs/commands.md`` lists it. SI; an open circuit is ``"open"``.

    Raises
    ------
    InputFault
        ``meter`` is no meter.
    NotSolved
        The set has no certified working point.
    """
    from hetwright.faults.healthy import healthy_set
    from hetwright.readings.normals import normals as compute
    from hetwright.safety import GuardContext, Proposal
    from hetwright.safety import check as guard_check

    from .inputs import assumptions_of, meter_of
    from .set_cautions import expected_cold_ohms, set_cautions
    from .speech import spoken

    used, assumed = meter_of(meter, card)
    healthy = healthy_set(card, state)
    found = compute(healthy, used, cold=cold)
    expected = expected_cold_ohms(healthy.whole, healthy.medians, card)
    context = GuardContext.from_card(card, expected_ohms=expected, words=words)
    live = guard_check(
        Proposal(kind="measure volts", point="HT1", to=card.reference_point, quantity="volts dc"), context
    )
    dead = guard_check(Proposal(kind="measure ohms", point="HT1", to=card.reference_point, quantity="ohms"), context)
    return {
        "schema": SCHEMA,
        "set": card.name,
        "state": state,
        "meter": str(used),
        "reference": card.reference_point,
        "construction": context.construction.name,
        "mains": {"volts": card.mains_rms_volts, "hertz": card.mains_hertz},
        "certificate": {"amps": found.unbalanced_amps, "volts": found.last_step_volts},
        "cautions": set_cautions(context, card, state, words),
        "cautions_live": list(live.cautions),
        "cautions_cold": list(dead.cautions),
        "withheld": []
        if live.allowed
        else [{"check": "every reading under power", "reason": spoken(live.reason, words)}],
        "cold_checks": [
            _cold_check(result.check, expected, spoken(result.check.how, words)) for result in context.cold_checks
        ],
        "readings": [_reading(card, one, state) for one in found.readings],
        "valves": [_valve(one) for one in found.valves],
        "samples": found.samples,
        "assumptions": [
            spoken(text, words)
            for text in (*([assumed] if assumed else []), *assumptions_of(card), *healthy.networks.assumptions)
        ],
        "could_not": [spoken(text, words) for text in _could_not(card, found, healthy.sheet, healthy.sheet_rows)],
    }


def _cold_check(check: ColdCheck, expected: Mapping[tuple[str, str], float], how: str) -> dict[str, Any]:
    point, to = check.points
    ohms = next((expected[pair] for pair in check.pairs if pair in expected), None)
    return {
        "name": check.name,
        "point": point,
        "to": to,
        "least": check.least_ohms,
        "most": check.most_ohms,
        "expected": None if ohms is None else "open" if ohms > _OPEN_OHMS else ohms,
        "how": how,
    }


def _ohms(value: float, quantity: str) -> float | str:
    return "open" if quantity == "ohms" and value == float("inf") else value


def _reading(card: SetCard, one: Any, state: State) -> dict[str, Any]:
    part = card.parts.get(one.point)
    own = part.value(state) if part is not None else None
    return {
        "point": one.point,
        "to": one.to,
        "quantity": one.quantity,
        "normal": _ohms(one.normal, one.quantity),
        "low": _ohms(one.low, one.quantity),
        "high": _ohms(one.high, one.quantity),
        "basis": one.basis,
        "role": part.role if part is not None else None,
        "part_ohms": own.si if own is not None and one.quantity == "ohms" else None,
        "part_basis": own.basis if own is not None and one.quantity == "ohms" else None,
        "service_sheet": one.service_sheet.value if one.service_sheet is not None else None,
        "sheet_meter": one.service_sheet.meter if one.service_sheet is not None else None,
        "on_sheet_meter": one.on_sheet_meter,
    }


def _valve(one: Any) -> dict[str, Any]:
    keys = (
        "valve",
        "section",
        "type",
        "anode_volts",
        "anode_amps",
        "screen_amps",
        "cathode_amps",
        "anode_watts",
        "screen_watts",
        "anode_watts_rating",
        "screen_watts_rating",
        "stands_for",
    )
    return {key: getattr(one, key) for key in keys}


def _could_not(card: SetCard, found: Normals, sheet: Any, rows: Sequence[ServiceSheetRow]) -> list[str]:
    """What was asked for and is not in the tables, said rather than passed over."""
    from hetwright.readings.normals import SAMPLES

    said = []
    shown = {id(one.service_sheet) for one in found.readings if one.service_sheet is not None}
    for row in card.service_sheet:
        if id(row) not in shown:
            said.append(f"the service sheet's {row.quantity} at {row.point} (line {row.line}) has no row here")
    for n in sheet.misfits if sheet is not None else ():
        said.append(
            f"the service sheet's {rows[n].value:g} at {rows[n].point} agrees with no likely values: "
            "a misprint, another meter, or another version of the set?"
        )
    if found.samples < SAMPLES:
        said.append(
            f"{SAMPLES - found.samples} of {SAMPLES} sets drawn for the bands had no working point; "
            "the bands are those of the rest"
        )
    rated = [one for one in found.valves if one.anode_watts_rating is None]
    if rated:
        names = ", ".join(f"{one.valve} ({one.type} {one.section})" for one in rated)
        said.append(f"the catalogue has no anode rating of {names}")
    return said


@click.command()
@output_options
@set_options
@click.option("--no-cold", is_flag=True, help="Leave out the cold resistances.")
@click.argument("card_file", metavar="CARD")
def normals(output: Output, *, card_file: str, state: State | None, meter: str | None, no_cold: bool) -> None:
    """What every point ought to read, on your meter, with the band of a set without faults.

    The maker's figure stands beside it, with what this set ought to read on the maker's meter; then what can be
    checked cold, and every valve against its ratings.
    """
    from hetwright.card.reading import load_card

    document = normals_document(
        load_card(card_file), state=state or "now", meter=meter, words=output.words, cold=not no_cold
    )
    if output.as_json:
        output.cautions([*document["cautions"], *document["cautions_live"]])
        output.document(document)
        return
    from .normals_page import print_normals

    print_normals(output.page(), document)
