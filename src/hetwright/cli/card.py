"""``hetwright card``: write a set card from a valve line-up, or check one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from .output import Output, one_line, output_options

if TYPE_CHECKING:
    from hetwright.card.check import CardCheck
    from hetwright.card.model import Part, SetCard

    from .page import Page

__all__ = ["card", "check", "new"]

SCHEMA = "hetwright/card-new/1"


@click.group(invoke_without_command=True)
@click.pass_context
def card(context: click.Context) -> None:
    """Write a set card from a valve line-up, or check one."""
    if context.invoked_subcommand is None:
        click.echo(context.get_help())


@card.command()
@output_options
@click.option("--valves", required=True, help='The line-up, such as "V1=ECH81 V2=EBF89 V3=ECL82".')
@click.option("--mains", help='Such as "230 V 50 Hz".')
@click.option("--rectifier", help='Such as "bridge, silicon" or "two-anode valve".')
@click.option("--smoothing", help='Such as "choke", "resistor" or "field coil".')
@click.option("--ht-secondary", help='R.m.s. volts of the winding (of each half), such as "250 V".')
@click.option("--heaters", help='"parallel", "series" or "battery".')
@click.option("--bias", help='"cathode" or "back bias".')
@click.option("--push-pull", is_flag=True, help="Two output valves in push-pull.")
@click.option("--construction", help='Such as "mains transformer, chassis isolated" or "AC/DC".')
@click.option("--year", type=int, help="Year of make.")
@click.option("--name", default="", help="What the set is called.")
@click.option("--out", help="Write the card to this file instead of printing it.")
@click.option("--force", is_flag=True, help="Overwrite the file of --out.")
def new(output: Output, *, valves: str, push_pull: bool, out: str | None, force: bool, **stated: Any) -> None:
    """Write a set card from a valve line-up: every part with its role and usual value, ready to be corrected."""
    from hetwright.card.new import new_card

    text = new_card(valves, **stated, output="push-pull" if push_pull else None, words=output.words)
    if out is not None:
        _write_new(out, text, force=force)
        output.note(f"written: {out}. Next: hetwright card check {out}")
    if output.as_json:
        output.document({"schema": SCHEMA, "out": out, "card": text})
    elif out is None:
        click.echo(text, nl=False)


def _write_new(path: str, text: str, *, force: bool) -> None:
    from pathlib import Path

    from hetwright.card.writing import save_text
    from hetwright.errors import Complaint, InputFault

    there = Path(path)
    if there.is_dir():
        raise InputFault(Complaint(wrong="that is a folder", right="name a file in it", file=path))
    if there.exists() and not force:
        raise InputFault(
            Complaint(
                wrong="the file is there already", right="give another name, or --force to overwrite", file=path
            )
        )
    save_text(path, text)


@card.command()
@output_options
@click.argument("card_file", metavar="CARD")
def check(output: Output, card_file: str) -> int:
    """Check a set card: every fault with its line, or every part and point as they were understood."""
    from hetwright.card.check import check_card

    checked = check_card(card_file)
    for fault in checked.faults:
        click.echo(one_line(str(fault)), err=True)
    if output.as_json:
        output.document(checked.as_json())
    elif checked.card is not None:
        print_check(output.page(), checked)
    return 0 if checked.good else 2


def print_check(page: Page, checked: CardCheck) -> None:
    """A good card for a person: what the set was taken to be."""
    from hetwright.card.words import stage_title

    from .page import SAID, USUAL, Column

    found = checked.card
    assert found is not None
    page.title(f"{found.name or 'This set'}: the card can be used")
    page.say(set_line(found), "quiet")
    for question in found.questions:
        page.item("?", question, "eye")
    for assumption in found.assumptions:
        page.item(USUAL, assumption)

    page.heading("Valves and what they do")
    rows = []
    for valve in found.valves.values():
        stages = [stage_title(stage.name) for stage in found.stages if stage.valve == valve.ref]
        if valve.ref == found.supply.valve and "Supply" not in stages:
            stages.append("Supply")
        stand_in = valve.like or valve.kind
        remark = "assumed: not on the card" if valve.assumed else f"figures of {stand_in}" if stand_in else ""
        rows.append([valve.ref, valve.type, ", ".join(stages), remark])
    page.table([Column("Valve"), Column("Type"), Column("Works as", fold=True), Column("", fold=True)], rows)

    page.heading("Parts")
    page.say(f"{SAID} you said so   {USUAL} usual in such a set: nobody has said so", "quiet")
    groups: dict[str, list[list[str]]] = {}
    for part in found.parts.values():
        stage = (part.role or "").partition(".")[0]
        groups.setdefault(stage_title(stage) if stage else "Not on the diagram", []).append(
            _part_row(part, page.words)
        )
    page.grouped(
        [
            Column("Part"),
            Column("What it is", fold=True),
            Column("Value now", right=True),
            Column("Basis"),
            Column("From, to", fold=True),
        ],
        list(groups.items()),
    )

    page.heading("Points that readings may name")
    by_owner: dict[str, list[str]] = {}
    for point in checked.points():
        owner, dot, end = point.partition(".")
        own = dot and owner in found.valves
        by_owner.setdefault(owner if own else "", []).append(end.replace("_", " ") if own else point)
    for owner in found.valves:
        if owner in by_owner:
            page.item(owner, ", ".join(by_owner[owner]))
    # as they are typed, not as they are said
    page.plainly(", ".join(by_owner.get("", [])))


def _part_row(part: Part, words: Any) -> list[str]:
    from .page import SAID, USUAL
    from .speech import part_name

    value = part.value("now")
    said = value is not None and value.basis != "usual"
    basis = "" if value is None or part.quantity == "none" else f"{SAID if said else USUAL} {value.basis}"
    earlier = []
    for key in ("drawn", "marked", "measured"):
        other = getattr(part, key)
        if other is not None and value is not None and other.si != value.si:
            earlier.append(f"{key} {_value(other.si, part.quantity, words)}")
    what = part_name(part.role) if part.role else part.kind
    if earlier:
        what += f" ({', '.join(earlier)})"
    shown = "" if value is None or part.quantity == "none" else _value(value.si, part.quantity, words)
    stage = (part.role or "").partition(".")[0]
    ends = "" if part.from_point == part.to_point else f"{_end(part.from_point, stage)}, {_end(part.to_point, stage)}"
    return [part.ref, what, shown, basis, ends]


def _end(point: str, stage: str) -> str:
    """A point as its neighbours in the stage would call it."""
    return point.removeprefix(f"{stage}.").replace("_", " ") if point.startswith(f"{stage}.") else point


def _value(si: float, quantity: str, words: Any) -> str:
    from hetwright.quantities import format_value

    return format_value(si, quantity, digits=3, words=words)  # type: ignore[arg-type]


def set_line(found: SetCard) -> str:
    """A set in one line: construction, mains, rectifier, year."""
    mains = f"{found.mains_rms_volts:g} V {found.mains_hertz:g} Hz" if found.mains_rms_volts else "no mains"
    about = [mains, found.construction if found.construction != "unknown" else "construction unknown"]
    if found.supply.rectifier:
        about.append(f"rectifier: {found.supply.rectifier}")
    if found.year:
        about.append(str(found.year))
    return " · ".join(about)
