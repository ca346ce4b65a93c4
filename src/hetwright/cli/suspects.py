"""``hetwright suspects``: from a card and readings to the faulty part and the one check worth making next."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import click

from hetwright.errors import Complaint, InputFault

from .inputs import set_options
from .output import Output, Words, output_options

if TYPE_CHECKING:
    from hetwright.card.model import State
    from hetwright.readings.reading import Reading

__all__ = ["run_job", "suspects"]


def run_job(
    card_text: str,
    readings_text: str | bytes | None = None,
    *,
    lines: Sequence[str] = (),
    card_name: str = "card",
    readings_name: str = "readings",
    state: State | None = None,
    meter: str | None = None,
    power_is_on: bool = False,
    isolating_transformer: bool = False,
    hazards: Sequence[str] = (),
    words: Words = "british",
    on_progress: Callable[[int, int], None] | None = None,
) -> dict[str, Any]:
    """The whole suspects job on texts: everything but reading files and printing.

    Parameters
    ----------
    card_text : str
        A set card (TOML).
    readings_text : str or bytes, optional
        A readings file (CSV).
    lines : sequence of str
        Readings as they are said, such as ``V3.anode 182 V``; they follow those of the file.
    card_name, readings_name : str
        Names that complaints carry.
    state, meter, power_is_on, isolating_transformer, hazards, words
        As the options of the command.
    on_progress : callable (done, total), optional

    Returns
    -------
    dict
        The document that ``--json`` prints.

    Raises
    ------
    InputFault
        Something that was given cannot be used; carries every complaint found.
    NotSolved
        The set as it should be has no certified working point.
    """
    from hetwright.card.reading import read_card
    from hetwright.readings.csv_file import parse_csv

    from .inputs import check_hazards, inline_readings, meter_of
    from .job import find_suspects
    from .suspects_document import suspects_document

    # everything is read before anything is refused, so that every complaint is heard at once
    complaints: list[Complaint] = []
    card = used = None
    readings: list[Reading] = []
    with _heard(complaints):
        card = read_card(card_text, card_name)
        with _heard(complaints):
            used, assumed = meter_of(meter, card)
    with _heard(complaints):
        readings += parse_csv(readings_text, file=readings_name) if readings_text is not None else ()
    with _heard(complaints):
        readings += inline_readings(lines)
    with _heard(complaints):
        check_hazards(hazards)
    if complaints or card is None or used is None:
        raise InputFault(complaints)
    found = find_suspects(
        card,
        readings,
        state=state,
        meter=used,
        power_is_on=power_is_on,
        isolating_transformer=isolating_transformer,
        hazards=hazards,
        words=words,
        assumed=[assumed] if assumed else [],
        on_progress=on_progress,
    )
    return suspects_document(found)


@click.command()
@output_options
@set_options
@click.option(
    "--reading", "lines", multiple=True, metavar="LINE", help='A reading, such as "V3.anode 182 V"; may be repeated.'
)
@click.option(
    "--power",
    type=click.Choice(["on", "off"]),
    default="off",
    show_default=True,
    help="How the set stands on the bench now.",
)
@click.option("--isolating-transformer", is_flag=True, help="One feeds this set alone.")
@click.option(
    "--hazard", "hazards", multiple=True, metavar="WORDS", help='Found at the look-over, such as "perished wiring".'
)
@click.argument("card_file", metavar="CARD")
@click.argument("readings_file", metavar="[READINGS.csv]", required=False)
def suspects(
    output: Output,
    *,
    card_file: str,
    readings_file: str | None,
    lines: tuple[str, ...],
    state: State | None,
    meter: str | None,
    power: str,
    isolating_transformer: bool,
    hazards: tuple[str, ...],
) -> None:
    """Which faults explain the readings, and the one check worth making next.

    Readings come from a CSV file, from --reading, or both. Without any, you are told what such a set most often
    suffers from, and where to begin.
    """
    from hetwright.card.reading import text_of_file

    complaints: list[Complaint] = []
    card_text = readings = None
    with _heard(complaints):
        card_text = text_of_file(card_file)
    with _heard(complaints):
        readings = _bytes_of(readings_file) if readings_file is not None else None
    if complaints or card_text is None:
        raise InputFault(complaints)
    document = run_job(
        card_text,
        readings,
        lines=lines,
        card_name=card_file,
        readings_name=readings_file or "readings",
        state=state,
        meter=meter,
        power_is_on=power == "on",
        isolating_transformer=isolating_transformer,
        hazards=hazards,
        words=output.words,
        on_progress=output.progress("weighing explanations"),
    )
    if output.as_json:
        output.cautions(document["cautions"])
        output.document(document)
        return
    from .suspects_page import print_suspects

    print_suspects(output.page(), document)


@contextmanager
def _heard(complaints: list[Complaint]) -> Iterator[None]:
    """Gather complaints instead of stopping at the first."""
    try:
        yield
    except InputFault as fault:
        complaints.extend(fault.complaints)


def _bytes_of(path: str) -> bytes:
    """A readings file, no further than one may be long."""
    from hetwright.readings.words import facts

    try:
        with open(path, "rb") as stream:
            return stream.read(int(facts()["file"]["most_bytes"]) + 1)
    except OSError as error:
        raise InputFault(
            Complaint(
                wrong=f"the file cannot be read ({error.strerror or type(error).__name__})",
                right="give the name of a readings file",
                file=path,
            )
        ) from None
