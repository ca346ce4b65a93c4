"""Make the figures of the demonstration set: its service sheet and the readings taken of it.

    .venv/bin/python tools/make_demo.py [--check]

The card and the truth behind it are in ``src/hetwright/trade/demo``; this script solves the set as the maker made
it for the sheet, and as it stands with its faults for the readings, each through the meter it was read on, with the
small errors of that meter and of the eye. ``--check`` writes nothing and says whether the files are up to date.
"""

from __future__ import annotations

import argparse
import sys
import tomllib
from pathlib import Path

import numpy as np

from hetwright.card import read_card
from hetwright.card.model import SetCard, State
from hetwright.card.network import networks_of
from hetwright.circuit.whole_set import WholeSet, to_ohms
from hetwright.readings.meter import Meter

DEMO = Path(__file__).resolve().parent.parent / "src" / "hetwright" / "trade" / "demo"
CARD = DEMO / "tarnbrook-ouzel.toml"
READINGS = DEMO / "tarnbrook-ouzel-readings.csv"
TRUTH = DEMO / "tarnbrook-ouzel-truth.toml"

SHEET_MARK = "# The service sheet:"
MAINS_VOLTS = 234.0
SEED = 1957

# Point, range of the sheet's 500 ohm/V meter.
SHEET = [
    ("HT1", 400),
    ("HT2", 400),
    ("V1.anode", 400),
    ("V1.screen_grid", 400),
    ("V1.cathode", 10),
    ("V1.triode_anode", 400),
    ("V2.anode", 400),
    ("V2.screen_grid", 400),
    ("V2.cathode", 10),
    ("V3.triode_anode", 400),
    ("V3.anode", 400),
    ("V3.screen_grid", 400),
    ("V3.cathode", 50),
]
# Cold, before power, with the digital meter the museum keeps for ohms: points, note.
COLD = [
    ("mains_live", "chassis", "suppressor lifted, switch on; nothing on the 20 M range"),
    ("mains_live", "mains_neutral", "switch on"),
    ("HT1", "chassis", "climbed for a minute, then stood"),
]
COLD_SD = 0.01
MOST_OHMS = 20e6
# Point, range of the museum's 20 k/V meter, note.
READ = [
    ("HT1", 250, "hums"),
    ("HT2", 250, ""),
    ("V3.anode", 250, ""),
    ("V3.screen_grid", 250, ""),
    ("V3.cathode", 50, ""),
    ("V3.control_grid", 10, "the needle goes up, not down"),
    ("V3.triode_anode", 250, ""),
    ("V2.anode", 250, ""),
    ("V2.screen_grid", 250, ""),
    ("V2.cathode", 2.5, ""),
    ("V1.screen_grid", 250, ""),
]


def column(whole: WholeSet, card: SetCard, part: str, what: str) -> int:
    """Slot of a part named by reference or role; windings of a role by their part."""
    if part in {one.role for one in card.parts.values()}:
        part = card.parts_of_role(part)[0].ref
    if (part, what) in whole.slots:
        return whole.slots[part, what]
    inner = [slot for slot in whole.slots if slot[0].partition(".")[0] == part and slot[1] == what]
    if len(inner) != 1:
        raise SystemExit(
            f"{TRUTH.name}: no slot {part} {what}; perhaps one of {[s for s in whole.slots if s[0].startswith(part)]}"
        )
    return whole.slots[inner[0]]


def changed(card: SetCard, state: State, records: list[dict]) -> tuple[WholeSet, np.ndarray]:
    """The set and its slots with the changes of ``records`` made."""
    whole = WholeSet(networks_of(card, state))
    row = whole.base()
    for record in records:
        for change in record["changes"]:
            index = column(whole, card, change["part"], change["what"])
            row[index] = change["number"] * (row[index] if change["how"] == "times" else 1.0)
    return whole, row


def cold_ohms(card: SetCard, records: list[dict]) -> list[float]:
    """Ohms of ``COLD`` with the plug out."""
    whole, row = changed(card, "found", records)
    questions = [whole.question(point, to, "ohms", np.inf, card.reference_point) for point, to, _ in COLD]
    prediction = whole.read(whole.solve(row[None]), questions, slopes=False)
    return [float(ohms) for ohms in to_ohms(prediction.mean[0])]


def solved_volts(
    card: SetCard, state: State, points: list[tuple[str, Meter]], records: list[dict], mains: float
) -> np.ndarray:
    """Volts shown by each meter with the changes of ``records`` made."""
    whole, row = changed(card, state, records)
    supply = card.parts_of_role("supply.rectifier")[0].ref
    row[whole.slots[supply, "mains"]] *= mains / card.mains_rms_volts
    questions = [whole.question(point, None, "volts dc", meter.ohms, card.reference_point) for point, meter in points]
    prediction = whole.read(whole.solve(row[None]), questions)
    if not prediction.solved[0]:
        raise SystemExit("the demonstration set has no working point")
    return prediction.mean[0]


def rounded(volts: float, full_scale: float) -> float:
    """To the half division of a scale of 50."""
    step = full_scale / 100
    return round(round(volts / step) * step, 3)


def sheet_text(card: SetCard, truth: dict) -> str:
    """The service-sheet rows, in whole volts as sheets are printed."""
    meters = [(point, Meter.from_text(f"500 ohm/V on {full} V")) for point, full in SHEET]
    volts = solved_volts(
        card, "drawn", meters, [one for one in truth["wandered"] if one["of_the_maker"]], card.mains_rms_volts
    )
    lines = [f"{SHEET_MARK} no signal, volume at nought, to chassis, on 230 V."]
    for (point, full), value in zip(SHEET, volts, strict=True):
        figure = f"{5 * round(value / 5)}" if value > 50 else f"{value:.1f}"
        lines += ["", "[[service_sheet]]", f'point = "{point}"', f"volts = {figure}"]
        if full != 400:
            lines.append(f'meter = "500 ohm/V on {full} V"')
    return "\n".join(lines) + "\n"


def readings_text(card: SetCard, truth: dict) -> str:
    """The readings, with the error of meter and eye from a fixed seed."""
    meters = [(point, Meter.from_text(f"20k/V on {full:g} V")) for point, full, _ in READ]
    volts = solved_volts(card, "found", meters, [*truth["wandered"], *truth["fault"]], MAINS_VOLTS)
    random = np.random.default_rng(SEED)
    lines = ["point,to,quantity,value,unit,meter,mains_volts,minutes_on,state,note"]
    of_ohmmeter = np.random.default_rng(SEED + 1)
    for (point, to, note), ohms in zip(COLD, cold_ohms(card, [*truth["wandered"], *truth["fault"]]), strict=True):
        read = ohms * (1.0 + COLD_SD * of_ohmmeter.standard_normal())
        size, unit = (f"{read / 1e3:.3g}", "k") if read >= 1e3 else (f"{read:.3g}", "ohm")
        if read > MOST_OHMS:
            size, unit = "open", ""
        lines.append(f'{point},{to},ohms,{size},{unit},,,,found,"{note}"')
    for (point, full, note), (_, meter), value in zip(READ, meters, volts, strict=True):
        shown = rounded(value + meter.sd_volts(value) * random.standard_normal(), full)
        lines.append(
            f"{point},,volts dc,{shown:g},V,{meter},{MAINS_VOLTS:g},10,found,{note and chr(34) + note + chr(34)}"
        )
    lines += [
        f"loudspeaker,,observation,hum,,,{MAINS_VOLTS:g},10,found,",
        f"loudspeaker,,hum,100,Hz,,{MAINS_VOLTS:g},10,found,by ear against a tone of the telephone",
        f"loudspeaker,,observation,distorted,,,{MAINS_VOLTS:g},10,found,",
    ]
    return "\n".join(lines) + "\n"


def made() -> dict[Path, str]:
    """Every file this script makes, with its text."""
    text = CARD.read_text(encoding="utf-8")
    head = text.partition(SHEET_MARK)[0]
    truth = tomllib.loads(TRUTH.read_text(encoding="utf-8"))
    card = read_card(head, str(CARD))
    return {CARD: head + sheet_text(card, truth), READINGS: readings_text(card, truth)}


def main() -> int:
    """Write the files, or with ``--check`` compare them."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--check", action="store_true", help="write nothing, say whether the files are up to date")
    check = parser.parse_args().check
    stale = False
    for path, text in made().items():
        same = path.exists() and path.read_text(encoding="utf-8") == text
        stale |= not same
        if not check and not same:
            path.write_text(text, encoding="utf-8")
        sys.stdout.write(f"{path.name}: {'up to date' if same else 'out of date' if check else 'written'}\n")
    return 1 if check and stale else 0


if __name__ == "__main__":
    raise SystemExit(main())
