"""What was found of a set, as one HTML page that needs nothing else: no script, no font, no request to anywhere.

It is made of the same documents that ``--json`` prints. Everything in it is escaped; the colours and shapes are those
of the bench book.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from typing import Any

from .output import Words
from .speech import (
    LIKELY,
    POSSIBLE,
    as_read,
    band,
    chance,
    listed,
    point_spoken,
    reading_spoken,
    role_spoken,
    spoken,
    written,
)
from .suspects_document import IN_SDS, NEAR_SDS, estimate_spoken

__all__ = ["report_html"]

_STYLE = """
:root { --paper: #F7F1E3; --ink: #221E18; --quiet: #5B5345; --rule: #8A7F6A; --glow: #A94C08; --glow-ground: #FFE3B8;
  --danger: #8C1C13; --danger-ground: #FBE3DE; }
body { background: var(--paper); color: var(--ink); font: 18px/1.5 Georgia, "Times New Roman", serif; margin: 0; }
main { max-width: 46rem; margin: 0 auto; padding: 1.5rem 1rem 4rem; }
h1 { font-size: 1.8rem; } h2 { font-size: 1.3rem; border-bottom: 1px solid var(--rule); margin-top: 2.5rem; }
p, li { max-width: 65ch; } .quiet { color: var(--quiet); }
table { border-collapse: collapse; width: 100%; }
table { font-family: system-ui, sans-serif; font-variant-numeric: tabular-nums; }
th { text-align: left; font-weight: 600; color: var(--quiet); } th, td { padding: .25rem .6rem .25rem 0; }
tbody tr { border-top: 1px solid var(--rule); } td.figure, th.figure { text-align: right; white-space: nowrap; }
.caution { color: var(--danger); background: var(--danger-ground); padding: .4rem .7rem; margin: .3rem 0; }
.next { border: 3px solid var(--glow); background: var(--glow-ground); padding: 1rem 1.2rem; margin: 2rem 0; }
.next .do { font-size: 28px; line-height: 1.3; margin: 0 0 .6rem; } .suspect { margin: .8rem 0; }
svg { display: block; } @media print { body { background: none; } .next, .caution { break-inside: avoid; } }
"""
_VERDICTS = {"in": "⊖ in its band", "near": "◔ at its edge", "out": "◐ outside"}
_SHOWN = 8
_LEAST = 0.02


def report_html(normal: dict[str, Any], found: dict[str, Any], *, words: Words = "british") -> str:
    """The whole page.

    Parameters
    ----------
    normal, found : dict
        The normals and suspects documents of one set, in the same words.
    words : "british" or "american"
    """

    def say(text: str) -> str:
        return escape(spoken(text, words))

    name = say(found["set"] or "A set")
    pieces = [
        f"<h1>{name}: what was found</h1>",
        f'<p class="quiet">{say(_about(normal, found))}</p>',
        f"<p>{say(summary(found))}</p>",
        "<h2>Before a hand goes near it</h2>",
        *_cautions(found["cautions"], say),
        f"<h2>{say('What was read, beside normal')}</h2>",
        _readings(found, words, say),
        "<h2>What would explain it</h2>",
        *_suspects(found, words, say),
        *_checks(found, say),
        f"<h2>{say('What every point ought to read')}</h2>",
        _normals(normal, words, say),
        "<h2>Taken for granted</h2>",
        _list([*normal["assumptions"], *found["assumptions"], *normal["could_not"]], say),
        '<p class="quiet">This page says what the readings tell. It is no verdict on the set: the final tests are '
        "not done, and nothing here says that it may be used or handed over. Local codes and qualified people come "
        "first.</p>",
    ]
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{name}: what was found</title>\n<style>{_STYLE}</style>\n</head>\n<body>\n<main>\n"
        + "\n".join(pieces)
        + "\n</main>\n</body>\n</html>\n"
    )


def summary(found: dict[str, Any]) -> str:
    """What was found, in a paragraph of British words."""
    compared = [row for row in found["readings"] if row["verdict"] is not None]
    outside = [row for row in compared if row["verdict"] == "out"]
    likely = [s for s in found["suspects"] if s["probability"] >= LIKELY]
    said = [f"Of {len(compared)} readings {len(outside)} lie outside what a set without faults would read"]
    if outside:
        said[0] += f" ({listed([point_spoken(row['point']) for row in outside])})"
    if likely:
        names = [f"{_named(s)} {s['fault']}, {chance(s['probability'])}" for s in likely]
        said.append(f"Likely: {listed(names)}")
    else:
        said.append("No one fault is likely yet: more readings are needed")
    said.append(f"Nothing wrong that these readings can show: {chance(found['healthy_probability'])}")
    return ". ".join(said) + "."


def _named(suspect: dict[str, Any]) -> str:
    return f"{suspect['part']} ({role_spoken(suspect['role'])})" if suspect["role"] else str(suspect["part"])


def _about(normal: dict[str, Any], found: dict[str, Any]) -> str:
    states = {"drawn": "as drawn", "found": "as found", "now": "as it stands now"}
    mains = found["mains_volts"] or normal["mains"]["volts"]
    at = f", mains at {mains:g} V" if mains else ""
    reference = point_spoken(found["reference"])
    return f"The set {states[found['state']]}, to {reference}{at}. Normal on the {normal['meter']}."


def _list(items: Iterable[str], say: Any) -> str:
    rows = "".join(f"<li>{say(item)}</li>" for item in dict.fromkeys(items))
    return f"<ul>{rows}</ul>" if rows else "<p>Nothing beyond the card.</p>"


def _cautions(cautions: Iterable[str], say: Any) -> list[str]:
    return [f'<p class="caution">▲ {say(caution)}</p>' for caution in cautions]


def _table(head: Sequence[tuple[str, bool]], rows: Iterable[Sequence[str]]) -> str:
    """``rows`` hold HTML already escaped; ``head`` titles, and whether the column holds figures."""
    titles = "".join(f'<th scope="col"{_figure(right)}>{title}</th>' for title, right in head)
    body = "".join(
        "<tr>"
        + "".join(
            f'<th scope="row">{cell}</th>' if n == 0 else f"<td{_figure(head[n][1])}>{cell}</td>"
            for n, cell in enumerate(row)
        )
        + "</tr>"
        for row in rows
    )
    return f"<table><thead><tr>{titles}</tr></thead><tbody>{body}</tbody></table>"


def _figure(right: bool) -> str:
    return ' class="figure"' if right else ""


def _readings(found: dict[str, Any], words: Words, say: Any) -> str:
    rows = []
    for row in found["readings"]:
        place = say(reading_spoken(row["point"], row["to"], found["reference"]))
        if row["verdict"] is None:
            rows.append([place, say(str(row["value"])), "", "", "", "seen or heard"])
            continue
        verdict = _VERDICTS[row["verdict"]] + ("" if row["verdict"] == "in" else f", {row['side']}")
        rows.append(
            [
                place,
                say(as_read(row["value"], row["quantity"], words)),
                say(written(row["normal"], row["quantity"], words)),
                say(band(row["low"], row["high"], row["quantity"], words)),
                _bar(row["away_sds"], verdict),
                say(verdict),
            ]
        )
    head = [("Point", False), ("Read", True), ("Normal", True), ("Low to high", True), ("", False), ("It is", False)]
    asked = _list([q["says"] for q in found["questions"]], say) if found["questions"] else ""
    return _table(head, rows) + asked


def _bar(away_sds: float, label: str) -> str:
    """A reading as a rule: the band thick, the normal value a notch, the reading a pointer."""
    middle, per_sd = 60.0, 11.0
    at = min(max(middle + away_sds * per_sd, 4.0), 116.0)
    low, high = middle - IN_SDS * per_sd, middle + IN_SDS * per_sd
    edge = NEAR_SDS * per_sd
    return (
        f'<svg width="120" height="22" role="img" aria-label="{escape(label)}">'
        f'<line x1="2" y1="12" x2="118" y2="12" stroke="#8A7F6A"/>'
        f'<line x1="{middle - edge:g}" y1="9" x2="{middle - edge:g}" y2="15" stroke="#8A7F6A"/>'
        f'<line x1="{middle + edge:g}" y1="9" x2="{middle + edge:g}" y2="15" stroke="#8A7F6A"/>'
        f'<line x1="{low:g}" y1="12" x2="{high:g}" y2="12" stroke="#221E18" stroke-width="5"/>'
        f'<line x1="{middle:g}" y1="6" x2="{middle:g}" y2="18" stroke="#F7F1E3" stroke-width="2"/>'
        f'<path d="M{at:.1f} 9 l-4 -8 h8 z" fill="#A94C08"/></svg>'
    )


def _suspects(found: dict[str, Any], words: Words, say: Any) -> list[str]:
    shown = [s for s in found["suspects"] if s["probability"] >= _LEAST][:_SHOWN]
    out = []
    for s in shown:
        p = s["probability"]
        shape, word = ("◆", "likely") if p >= LIKELY else ("◆", "possible") if p >= POSSIBLE else ("◇", "less likely")
        size = estimate_spoken(s["estimate"], s["unit"], s["fault"], words)
        head = f"{word}: {_named(s)}: {s['fault']}{', ' + size if size else ''}. {chance(p)}."
        told = s["says"].partition(": ")[2]
        after = f'<br><span class="quiet">{say(told)}</span>' if told else ""
        out.append(f'<p class="suspect"><b>{shape} {say(head)}</b>{after}</p>')
    out.append(
        f"<p>{say('Nothing wrong that these readings can show: ' + chance(found['healthy_probability']))}.</p>"
    )
    out.append(f"<p>{say('Something that is not in the list: ' + chance(found['not_listed_probability']))}.</p>")
    return out


def _checks(found: dict[str, Any], say: Any) -> list[str]:
    out = []
    for n, check in enumerate(found["next_checks"]):
        power = "Power off, plug out" if check["power"] == "off" else "Power on: clips on and off with the plug out"
        body = [
            f'<p class="do">{say(check["check"])}</p>' if n == 0 else f"<p><b>{say(check['check'])}</b></p>",
            f"<p>{say(power)}. About {check['minutes']:.0f} minutes.</p>",
            *_cautions(check["cautions"], say),
        ]
        if check["outcomes"]:
            body.append(_list([f"{one['reads']}: {one['means']}" for one in check["outcomes"]], say))
        if n == 0:
            out += ["<h2>The next check</h2>", '<div class="next">', *body, "</div>"]
        else:
            out += (["<h2>After that</h2>"] if n == 1 else []) + body
    if found["withheld"]:
        out.append("<h2>Withheld</h2>")
        out.append(_list([f"{one['check']} Withheld: {one['reason']}." for one in found["withheld"]], say))
    return out


def _normals(normal: dict[str, Any], words: Words, say: Any) -> str:
    rows = []
    for row in normal["readings"]:
        quantity = row["quantity"]
        place = point_spoken(row["point"])
        if quantity == "ohms" and row["role"]:
            place = f"{row['point']} ({role_spoken(row['role'])}), cold"
        sheet = row["service_sheet"]
        rows.append(
            [
                say(place),
                say(written(row["normal"], quantity, words)),
                say(band(row["low"], row["high"], quantity, words)),
                say(row["basis"]),
                "" if sheet is None else say(written(sheet, quantity, words)),
            ]
        )
    head = [("Point", False), ("Normal", True), ("Low to high", True), ("Rests on", False), ("The sheet", True)]
    return _table(head, rows)
