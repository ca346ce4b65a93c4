"""``hetwright demo``: the main job on an invented set, start to finish."""

from __future__ import annotations

from pathlib import Path

import click

from .output import Output, output_options

__all__ = ["REPORT_NAME", "SCHEMA", "demo"]

SCHEMA = "hetwright/demo/1"
REPORT_NAME = "tarnbrook-ouzel-report.html"
FOLDER = "demo-output"


@click.command()
@output_options
@click.argument("folder", metavar="[DIR]", default=FOLDER)
def demo(output: Output, *, folder: str) -> None:
    """The main job on an invented set, start to finish.

    Writes the set's card, the readings taken of it and a report of what was found into DIR (usually demo-output), and
    shows what the other commands would print.
    """
    from hetwright.card.check import check_text
    from hetwright.card.demo import CARD_NAME, READINGS_NAME, demo_card, demo_readings, write_demo
    from hetwright.card.reading import read_card
    from hetwright.card.writing import save_text

    from .demo_report import report_html
    from .normals import normals_document
    from .suspects import run_job

    card_path, readings_path = Path(folder) / CARD_NAME, Path(folder) / READINGS_NAME
    output.note("reading the card of the Tarnbrook Ouzel, an invented set")
    checked = check_text(demo_card(), str(card_path))
    output.note("working out what every point ought to read")
    normal = normals_document(read_card(demo_card(), str(card_path)), state="found", words=output.words)
    output.note("comparing what was read with everything that could be wrong")
    found = run_job(
        demo_card(),
        demo_readings(),
        card_name=str(card_path),
        readings_name=str(readings_path),
        state="found",
        words=output.words,
        on_progress=output.progress("weighing explanations"),
    )
    # everything is worked out before anything is written: nothing is left half done
    files = write_demo(folder)
    report = Path(folder) / REPORT_NAME
    save_text(report, report_html(normal, found, words=output.words))
    written = {"card": str(files.card), "readings": str(files.readings), "report": str(report)}
    if output.as_json:
        output.cautions(found["cautions"])
        output.document(
            {"schema": SCHEMA, "files": written, "check": checked.as_json(), "normals": normal, "suspects": found}
        )
        return

    from .card import print_check
    from .normals_page import print_normals
    from .suspects_page import print_suspects

    page = output.page()
    for command, show in (
        (f"hetwright card check {files.card}", lambda: print_check(page, checked)),
        (f"hetwright normals {files.card} --state found", lambda: print_normals(page, normal)),
        (f"hetwright suspects {files.card} {files.readings}", lambda: print_suspects(page, found)),
    ):
        page.command(command)
        show()
        page.blank()
    page.heading("Written")
    for what, path in written.items():
        page.plainly(f"{what}: {path}")
    page.blank()
    page.say("The set, its maker and its village are invented. Nothing is said of whether it may be handed over.")
