"""The normals command for a person: what to expect under the probe, live, then cold, then valve by valve."""

from __future__ import annotations

from typing import Any

from .page import DANGER, IN, NEAR, OUT, SAID, USUAL, Column, Page
from .speech import band, part_name, point_spoken, volts_spoken, written

__all__ = ["print_normals"]

_STATED = ("measured", "marked", "stated", "service sheet")
_SHORT = {"service sheet": "sheet", "valve, mains or age": "spread"}
_WIDE = 100
_NEAR_RATING, _OVER_RATING = 0.9, 1.0


def basis_spoken(basis: str) -> str:
    """What a figure rests on, by shape and word.

    Examples
    --------
    >>> basis_spoken("marked"), basis_spoken("usual"), basis_spoken("valve, mains or age")
    ('▪ marked', '▫ usual', '· spread')
    """
    shape = SAID if basis in _STATED else USUAL if basis == "usual" else "·"
    return f"{shape} {_SHORT.get(basis, basis)}"


def print_normals(page: Page, document: dict[str, Any]) -> None:
    """Print a normals document.

    Parameters
    ----------
    page : Page
    document : dict
        As :func:`hetwright.cli.normals.normals_document` gives it.
    """
    states = {"drawn": "as drawn", "found": "as found", "now": "as it stands now"}
    page.title(f"{document['set'] or 'This set'}, {states[document['state']]}: what it ought to read")
    page.heading("Before a hand goes near it")
    page.cautions(document["cautions"])
    _live(page, document)
    _cold(page, document)
    _valves(page, document)
    if document["assumptions"]:
        page.heading("Taken for granted")
        for text in document["assumptions"]:
            page.item(USUAL, text)
    if document["could_not"]:
        page.heading("What could not be said")
        for text in document["could_not"]:
            page.item("·", text)


def _live(page: Page, document: dict[str, Any]) -> None:
    page.heading("Under power")
    mains = document["mains"]
    fed = f", on mains of {mains['volts']:g} V" if mains["volts"] else ""
    page.say(f"To {point_spoken(document['reference'])}, no signal, on the {document['meter']}{fed}.", "quiet")
    page.cautions(caution for caution in document["cautions_live"] if caution not in document["cautions"])
    for one in document["withheld"]:
        page.item(DANGER, f"Not yet: {one['reason']}.", "danger")
    page.blank()
    live = [row for row in document["readings"] if row["quantity"] != "ohms"]
    with_sheet = any(row["service_sheet"] is not None for row in live)
    columns = [
        Column("Point", fold=True),
        Column("Normal", right=True, style="strong"),
        Column("Low to high", right=True),
        Column("Rests on", fold=True),
    ]
    if with_sheet:
        columns += [Column("The sheet", right=True), Column("On its meter", right=True)]
    groups: dict[str, list[list[str]]] = {}
    for row in live:
        owner = row["point"].partition(".")[0] if "." in row["point"] else "Supply and lines"
        types = next((valve["type"] for valve in document["valves"] if valve["valve"] == owner), "")
        title = f"{owner} {types}".strip()
        end = row["point"].partition(".")[2].replace("_", " ") if "." in row["point"] else point_spoken(row["point"])
        cells = [
            f"{end}, a.c." if row["quantity"] == "volts ac" else end,
            volts_spoken(row["normal"]),
            band(row["low"], row["high"], "volts dc"),
            basis_spoken(row["basis"]),
        ]
        if with_sheet:
            sheet, ours = row["service_sheet"], row["on_sheet_meter"]
            cells += ["" if sheet is None else volts_spoken(sheet), "" if ours is None else volts_spoken(ours)]
        groups.setdefault(title, []).append(cells)
    page.grouped(columns, list(groups.items()))
    page.blank()
    page.say(
        f"Nineteen in twenty sets without a fault read from low to high. {SAID} you or the maker said so   "
        f"{USUAL} usual in such a set   · the spread of valves, mains and age",
        "quiet",
    )
    if with_sheet:
        meters = {row["sheet_meter"] or "no stated meter" for row in live if row["service_sheet"] is not None}
        page.say(
            f"On its meter: what this set ought to read on the sheet's own meter ({'; '.join(sorted(meters))}).",
            "quiet",
        )


def _cold(page: Page, document: dict[str, Any]) -> None:
    cold = [row for row in document["readings"] if row["quantity"] == "ohms"]
    if not cold:
        return
    page.heading("Cold: plug out, discharged")
    page.cautions(document["cautions_cold"])
    page.blank()
    for check in document["cold_checks"]:
        place = f"{point_spoken(check['point'])} to {point_spoken(check['to'])}"
        expected = check["expected"]
        ours = "" if expected is None else f"; this set ought to read {written(expected, 'ohms', page.words)}"
        limits = f"{written(check['least'], 'ohms', page.words)} or more"
        if check["most"] is not None:
            limits = band(check["least"], check["most"], "ohms", page.words)
        page.item("○", f"Before power: {check['name']} ({place}), {limits}{ours}. {check['how']}")
    page.blank()
    page.say("Across each part, in circuit:", "quiet")
    rows = []
    for row in cold:
        name = part_name(row["role"]) if row["role"] else "not on the diagram"
        rows.append(
            [
                row["point"],
                name,
                written(row["part_ohms"], "ohms", page.words) if row["part_ohms"] is not None else "",
                written(row["normal"], "ohms", page.words),
                band(row["low"], row["high"], "ohms", page.words),
                basis_spoken(row["part_basis"] or row["basis"]),
            ]
        )
    page.table(
        [
            Column("Part"),
            Column("What it is", fold=True),
            Column("Itself", right=True),
            Column("Reads", right=True, style="strong"),
            Column("Low to high", right=True),
            Column("Its value is"),
        ],
        rows,
    )


def _valves(page: Page, document: dict[str, Any]) -> None:
    page.heading("Valves, watts beside their ratings")
    rows = []
    wide = page.width >= _WIDE
    for one in document["valves"]:
        worst = max(_share(one, "anode"), _share(one, "screen"))
        rated = one["anode_watts_rating"] is not None or one["screen_watts_rating"] is not None
        verdict = (
            "rating not known"
            if not rated
            else f"{OUT} over its rating"
            if worst > _OVER_RATING
            else f"{NEAR} close to it"
            if worst > _NEAR_RATING
            else f"{IN} within"
        )
        rows.append(
            [
                f"{one['valve']} {one['type']}",
                one["section"].replace("_", " "),
                volts_spoken(one["anode_volts"]),
                _milliamps(one["anode_amps"]),
                *([_milliamps(one["screen_amps"]), _milliamps(one["cathode_amps"])] if wide else []),
                _watts(one, "anode"),
                _watts(one, "screen"),
                verdict,
            ]
        )
    page.table(
        [
            Column("Valve"),
            Column("Section", fold=True),
            Column("Anode", right=True),
            Column("Anode mA", right=True),
            *([Column("Screen mA", right=True), Column("Cathode mA", right=True)] if wide else []),
            Column("Anode W", right=True),
            Column("Screen W", right=True),
            Column("It is"),
        ],
        rows,
    )
    for one in document["valves"]:
        if one["stands_for"]:
            page.item(USUAL, f"{one['valve']} {one['type']}: figures of another type stand in.")


def _milliamps(amps: float) -> str:
    return f"{1e3 * amps:.1f}" if amps else ""


def _share(one: dict[str, Any], electrode: str) -> float:
    rating = one[f"{electrode}_watts_rating"]
    return one[f"{electrode}_watts"] / rating if rating else 0.0


def _watts(one: dict[str, Any], electrode: str) -> str:
    watts, rating = one[f"{electrode}_watts"], one[f"{electrode}_watts_rating"]
    if rating is None and watts == 0.0:
        return ""
    return f"{watts:.2g} of {rating:g}" if rating is not None else f"{watts:.2g}"
