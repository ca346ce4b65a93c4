"""From the text of a set card to a :class:`~hetwright.card.model.SetCard`, or every fault with its line.

The grammar is in ``docs/set-card.md``; the keys are data, ``trade/card_keys.toml``.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from dataclasses import replace
from pathlib import Path as FilePath
from typing import Any

from hetwright.card.model import SetCard, Value, ValveInPlace
from hetwright.card.overlay import overlay
from hetwright.card.patterns import Skeleton, build
from hetwright.card.source_map import Path, SourceMap, map_source
from hetwright.card.stated import Desk, StatedCard, StatedValve, state_card
from hetwright.errors import Complaint, InputFault, UnknownValve
from hetwright.trade_data import load_trade
from hetwright.valves import catalogue

__all__ = ["LARGEST_BYTES", "load_card", "read_card", "text_of_file"]

#: A set card of the largest receiver is a few tens of kilobytes; a file beyond this is something else.
LARGEST_BYTES = 1_000_000

_HALF_ISOLATED = "heater transformer only"


def load_card(path: str | FilePath) -> SetCard:
    """Read a set card from a file.

    Raises
    ------
    InputFault
        The file cannot be read, is over 1 MB, is not UTF-8, or holds the faults listed, each with its line.
    """
    return read_card(text_of_file(path), str(path))


def text_of_file(path: str | FilePath) -> str:
    """The text of a card file, refused when it cannot be one.

    Raises
    ------
    InputFault
        The file is missing, a folder, over 1 MB, or not UTF-8 (the complaint gives the line).
    """
    file = str(path)
    try:
        with open(path, "rb") as stream:
            raw = stream.read(LARGEST_BYTES + 1)
    except FileNotFoundError:
        near = difflib.get_close_matches(FilePath(path).name, _neighbours(path), n=1)
        right = f"perhaps {near[0]}" if near else "hetwright card new writes one from a line-up"
        raise InputFault(Complaint(wrong="there is no such file", right=right, file=file)) from None
    except OSError as error:
        why = error.strerror or type(error).__name__
        raise InputFault(
            Complaint(wrong=f"the file cannot be read ({why})", right="give the path of a set card", file=file)
        ) from None
    if len(raw) > LARGEST_BYTES:
        raise InputFault(_too_large(file))
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        text = raw.splitlines()[line - 1].decode("latin-1").strip() if raw.splitlines() else ""
        if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
            wrong, line = "the text is UTF-16, not UTF-8", 1
        else:
            wrong = f"the text is not UTF-8 (perhaps Latin-1: {_clipped(text)!r})"
        raise InputFault(Complaint(wrong=wrong, right="save it again as UTF-8", file=file, line=line)) from None


def _neighbours(path: str | FilePath) -> list[str]:
    try:
        return [other.name for other in FilePath(path).parent.glob("*.toml")][:200]
    except OSError:
        return []


def _too_large(file: str) -> Complaint:
    return Complaint(
        wrong="the card is larger than 1 MB",
        right="a set card is a few kilobytes of text; give the right file",
        file=file,
    )


def read_card(text: str, file: str = "card") -> SetCard:
    """Read a set card.

    Parameters
    ----------
    text : str
        TOML as in ``docs/set-card.md``.
    file : str
        The name complaints carry.

    Returns
    -------
    SetCard
        Complete: what the card leaves out is there with its usual value.

    Raises
    ------
    InputFault
        Every fault found, each ``FILE:LINE: what is wrong; what would be right``.

    Examples
    --------
    >>> card = read_card('[valves]\\nV1 = "ECH81"\\nV2 = "EBF89"\\nV3 = "ECL82"\\n')
    >>> card.valves["V3"].type
    'ECL82'
    """
    if len(text) > LARGEST_BYTES or len(text.encode("utf-8", "replace")) > LARGEST_BYTES:
        raise InputFault(_too_large(file))
    text = text.removeprefix("\ufeff")
    places = map_source(text)
    document = _document(text, file, places)
    desk = Desk(file=file, places=places)
    stated = state_card(document, desk)
    base = _built(stated, desk, file)
    if base is not None:
        card = overlay(base, stated, desk)
    if desk.complaints:
        raise InputFault(_in_order(desk.complaints))
    return card


def _in_order(complaints: list[Complaint]) -> list[Complaint]:
    return sorted(dict.fromkeys(complaints), key=lambda complaint: complaint.line or 0)


# TOML ---------------------------------------------------------------------------------------------------


def _document(text: str, file: str, places: SourceMap) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputFault(_not_toml(text, file, places, str(error))) from None
    except (RecursionError, ValueError) as error:
        why = "nested too deeply" if isinstance(error, RecursionError) else str(error).split(";")[0]
        raise InputFault(
            Complaint(wrong=f"the card is not TOML ({why})", right="see docs/set-card.md", file=file)
        ) from None


def _not_toml(text: str, file: str, places: SourceMap, message: str) -> list[Complaint]:
    lines = text.splitlines() or [""]
    at = re.search(r"\(at line (\d+), column (\d+)\)", message)
    line = int(at[1]) if at else len(lines)
    why = re.sub(r"\s*\(at .*\)$", "", message)
    repeated = {path for path, _, _ in places.repeats}
    found = [
        Complaint(
            wrong=f"{_dotted(path)} is written twice, the first time on line {first}",
            right="put all that is known of it in one place, and give two parts two names",
            file=file,
            line=second,
        )
        for path, first, second in places.repeats
        if not any(path[:length] in repeated for length in range(1, len(path)))
    ]
    if found:
        return found
    written = lines[line - 1] if line <= len(lines) else ""
    return [
        Complaint(
            wrong=f"this is not TOML: {_lower(why)} in {_clipped(written.strip())!r}",
            right=_likely(written, lines, line),
            file=file,
            line=line,
        )
    ]


def _likely(written: str, lines: list[str], line: int) -> str:
    """What the restorer most likely meant."""
    bare = re.search(r"=\s*([^\s\"'\[{},#][^,}#]*)", written)
    if bare is not None:
        value = bare[1].strip()
        number = re.search(r"=\s*(-?\d+),(\d+)\s*(?:[},#]|$)", written)
        if number:
            return f"write the number with a point: {number[1]}.{number[2]}"
        if value not in ("true", "false") and not re.fullmatch(r"[-+]?[\d_.]+", value):
            return f'put it in quotes: "{_clipped(value)}"'
    if re.match(r"\s*[^\s=#\[]+\s*:", written):
        return "write = in place of the colon"
    if written.count('"') % 2 or written.count("'") % 2:
        return "close the quotation marks"
    if written.count("{") > written.count("}"):
        return "close the brace on the same line"
    if written.count("[") > written.count("]"):
        return "close the bracket"
    return 'a card is made of [tables] and key = "value" lines; see docs/set-card.md'


def _lower(why: str) -> str:
    return why[:1].lower() + why[1:]


def _clipped(text: str) -> str:
    text = "".join(letter if letter.isprintable() else "·" for letter in text)
    return text if len(text) <= 50 else text[:47] + "..."


def _dotted(path: tuple[str | int, ...]) -> str:
    return ".".join(str(key) for key in path if isinstance(key, str))


# The set of the line-up ---------------------------------------------------------------------------------


def _built(stated: StatedCard, desk: Desk, file: str) -> SetCard | None:
    """The set the line-up makes, or ``None`` when the line-up is too faulty to make one."""
    if not stated.valves:
        if not any(path[0] == "valves" for path in desk.places.lines) or not desk.complaints:
            desk.complain(("valves",), "the card names no valve", 'write the line-up: [valves] and V1 = "ECH81"')
        return None
    valves = {
        valve.ref: ValveInPlace(
            identity=valve.identity or valve.ref,
            ref=valve.ref,
            type=valve.type,
            like=valve.like,
            kind=valve.kind,
            note=valve.note,
            line=desk.places.line(*valve.path),
        )
        for valve in stated.valves
    }
    if not _valves_known(stated, desk):
        return None
    rectifier = str(stated.supply.get("valve", "")).upper()
    if rectifier and rectifier not in valves:
        desk.complain(
            ("supply", "valve"),
            f"valve is {rectifier}, which is not in [valves]",
            "the valves are " + ", ".join(valves),
        )
        return None
    mains_volts, mains_hertz, assumptions = _mains(stated)
    skeleton = _skeleton(stated, valves, mains_volts, mains_hertz, desk)
    if (
        stated.set.get("construction") == _HALF_ISOLATED
        and skeleton.ht_secondary is None
        and skeleton.ht_volts is None
    ):
        skeleton = replace(skeleton, ht_secondary=_straight_from_mains(mains_volts))
        assumptions = (*assumptions, f"HT is taken straight from the mains of {mains_volts:g} V, as from a winding")
    try:
        card = build(skeleton)
    except InputFault as fault:
        for complaint in fault.complaints:
            desk.complain(_about(complaint.wrong, stated), complaint.wrong, complaint.right)
        return None
    return replace(card, source_file=file, assumptions=(*assumptions, *card.assumptions))


def _about(wrong: str, stated: StatedCard) -> Path:
    """Where the card writes of what a complaint about the whole set is about."""
    words = set(re.findall(r"\w+", wrong))
    stages = [stage for stage in stated.stages if stage.name in words]
    valves = [valve for valve in stated.valves if valve.ref in words]
    if stages:
        return next((stage.path for stage in stages if stage.valve in words), stages[0].path)
    if valves:
        return valves[0].path
    return ("stages",) if stated.stages else ("valves",)


def _valves_known(stated: StatedCard, desk: Desk) -> bool:
    identities: dict[str, str] = {}
    for valve in stated.valves:
        identity = valve.identity or valve.ref
        if identity in identities:
            desk.complain(
                valve.path,
                f"{valve.ref} and {identities[identity]} have the identity {identity}",
                "give each its own",
            )
        identities[identity] = valve.ref
    unknown = [valve for valve in stated.valves if not _valve_known(valve, desk)]
    return not unknown


def _valve_known(valve: StatedValve, desk: Desk) -> bool:
    """Whether the catalogue knows the type, or what the card says stands in for it."""
    listed = True
    try:
        catalogue.find(valve.type)
    except UnknownValve as fault:
        listed = False
        if valve.like is None and valve.kind is None:
            desk.adopt((*valve.path, "type"), fault, f"{valve.ref}: ")
            return False
    good = True
    for key, word, look_up in (("like", valve.like, catalogue.find), ("kind", valve.kind, catalogue.of_kind)):
        if word is None:
            continue
        try:
            look_up(word)
        except InputFault as fault:
            desk.adopt((*valve.path, key), fault, f"{valve.ref}: ")
            good = False
        else:
            if listed:
                desk.ask(
                    (*valve.path, key),
                    f"{valve.type} is in the catalogue, so {key} = {word!r} of {valve.ref} is not used",
                )
    return good


def _mains(stated: StatedCard) -> tuple[float, float, tuple[str, ...]]:
    """Mains volts and hertz, with what had to be assumed."""
    facts = load_trade("part_kinds.toml")["mains"]
    volts, hertz = stated.set.get("mains", (None, None))
    assumptions = []
    if volts is None:
        battery = stated.set.get("construction") == "battery" or stated.supply.get("heaters") == "battery"
        if battery:
            return 0.0, 0.0, ()
        volts = float(facts["usual_volts"])
        assumptions.append(f"mains taken as {volts:g} V: the card does not say")
    if volts == 0.0:
        return 0.0, 0.0, tuple(assumptions)
    if hertz is None:
        hertz = 60.0 if volts < facts["hertz_60_below_volts"] else 50.0
        assumptions.append(f"mains frequency taken as {hertz:g} Hz: the card does not say")
    return volts, hertz, tuple(assumptions)


def _skeleton(
    stated: StatedCard, valves: dict[str, ValveInPlace], mains_volts: float, mains_hertz: float, desk: Desk
) -> Skeleton:
    supply = {key: value for key, value in stated.supply.items() if value != "unknown"}
    return Skeleton(
        name=stated.set.get("name", ""),
        mains_rms_volts=mains_volts,
        mains_hertz=mains_hertz,
        construction=stated.set.get("construction", "unknown"),
        year=stated.set.get("year"),
        valves=valves,
        stage_hints={stage.name: stage.valve for stage in stated.stages}
        | ({"supply": supply["valve"].upper()} if "valve" in supply else {}),
        rectifier=supply.get("rectifier"),
        smoothing=supply.get("smoothing"),
        ht_secondary=_stated_volts(supply, "ht_secondary", desk),
        ht_volts=_stated_volts(supply, "ht_volts", desk),
        heaters=supply.get("heaters"),
        bias=supply.get("bias"),
        output=stated.set.get("output", "single"),
        options={
            f"{stage.name}.{key}": word for stage in stated.stages for key, word in stage.options.items() if word
        },
        complete=stated.set.get("complete", True),
        reference_point=stated.set.get("reference"),
        stated_roles=frozenset(part.role for part in stated.parts if part.role is not None),
    )


def _straight_from_mains(mains_volts: float) -> Value:
    spread = float(load_trade("part_kinds.toml")["any"]["stated_volts_log_sd"])
    return Value(si=mains_volts, basis="usual", spread_log_sd=spread, written=f"{mains_volts:g} V")


def _stated_volts(supply: dict[str, Any], key: str, desk: Desk) -> Value | None:
    if key not in supply:
        return None
    spread = float(load_trade("part_kinds.toml")["any"]["stated_volts_log_sd"])
    return Value(
        si=supply[key],
        basis="stated",
        spread_log_sd=spread,
        written=f"{supply[key]:g} V",
        line=desk.places.line("supply", key),
    )
