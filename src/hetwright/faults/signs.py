"""Signs of what would be heard and seen, from solved working points.

Everything is relative to the healthy set: the gain lost between detector and loudspeaker, the gain lost before it, hum at
once and twice the line frequency, dissipation over ratings, mains watts. They feed the plain observations, not readings,
so decibels matter and tenths of decibels do not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hetwright.card.model import SetCard, Stage
from hetwright.circuit.network import Conductance, ValveSection
from hetwright.circuit.sensitivity import branch_amps, find_branch
from hetwright.circuit.small_signal import gains, transfer_ohms
from hetwright.circuit.whole_set import Solved, WholeSet
from hetwright.supply.port import ripple_volts
from hetwright.trade_data import load_trade
from hetwright.valves.catalogue import ValveType, find

from .observations import Signs

__all__ = ["SignReader"]

Array = NDArray[np.float64]

RF_STAGES = ("fm_tuner", "rf_amp", "frequency_changer", "if_amp", "if_amp_2")


@dataclass(frozen=True, slots=True)
class _Section:
    """A valve section with what its dissipation is judged by."""

    element: ValveSection
    anode_watts: float | None
    screen_watts: float | None


class SignReader:
    """Reads the signs of any solved stack of one set.

    Parameters
    ----------
    card : SetCard
    whole : WholeSet
    healthy : (S,), optional
        Slots of the set that signs are relative to; its nominal values by default.
    """

    def __init__(self, card: SetCard, whole: WholeSet, healthy: Array | None = None) -> None:
        self.card = card
        self.whole = whole
        self.facts = load_trade("inference.toml")["signs"]
        self.types = {ref: find(valve.type, like=valve.like, kind=valve.kind) for ref, valve in card.valves.items()}
        self.valves = tuple(card.valves)
        elements = [e for e in whole.ht.network.elements if isinstance(e, ValveSection)]
        self.sections = [_rated(e, self.types.get(e.valve)) for e in elements]
        self.by_name = {e.part: e for e in elements}
        self.amplitudes = [
            whole.ht.point(e.electrodes["amplitude"])
            for e in elements
            if "amplitude" in e.electrodes and e.shape != "hexode"
        ]
        self.audio_path = self._audio_path()
        self.rf_paths = self._rf_paths()
        self.heater_leaks = self._heater_leaks()
        base = whole.solve((whole.base() if healthy is None else healthy)[None, :])
        self._healthy = self._figures(base)

    def __call__(self, solved: Solved) -> Signs:
        """Signs of every row of a solved stack."""
        now, was = self._figures(solved), self._healthy
        rows = len(solved)

        def db(key: str) -> Array:
            ratio = np.maximum(now[key], 1e-12) / np.maximum(was[key], 1e-12)
            return np.asarray(np.clip(20.0 * np.log10(ratio), -120.0, 60.0))

        def ratio(key: str) -> Array:
            return np.asarray(now[key] / np.maximum(was[key], 1e-9))

        has_oscillator = bool(was["oscillator"][0] > 0.5)
        signs = Signs.healthy(
            rows,
            self.valves,
            audio_gain_db=np.minimum(db("audio"), 12.0),
            rf_gain_db=np.minimum(db("rf"), 12.0),
            oscillator_running=np.clip(ratio("oscillator"), 0.0, 1.0) if has_oscillator else np.ones(rows),
            hum1_db=self._hum(now["hum1"], was),
            hum2_db=self._hum(now["hum2"], was),
            mains_watts_ratio=ratio("watts") if was["watts"][0] > 0.0 else np.ones(rows),
            worst_overload_ratio=self._overload(now["heat"], was["heat"]),
            output_current_fraction=ratio("output_amps") if was["output_amps"][0] > 0.0 else np.ones(rows),
            output_grid_current=np.clip(now["output_grid"], 0.0, 1.0),
            audio_headroom_fraction=np.clip(now["headroom"] / was["headroom"], 0.0, 2.0).min(axis=1)
            if now["headroom"].shape[1]
            else np.ones(rows),
            dissipation_ratio=self._dissipation(now, was),
            heater_volts_fraction=now["heaters"],
        )
        return signs

    # ---- figures

    def _figures(self, solved: Solved) -> dict[str, Array]:
        """Plain figures of every row; NaN (a refused row) reads as the quiet value."""
        rows = len(solved)
        volts = np.nan_to_num(solved.ht.volts)
        out: dict[str, Array] = {}
        out["watts"] = np.nan_to_num(self.whole.mains_watts(solved, slopes=False)[0])
        out["heat"] = self._heat(solved, volts)
        out["watts_anode"], out["watts_screen"], amps = self._valve_watts(solved, volts)
        out["oscillator"] = (
            np.maximum(volts[:, self.amplitudes].min(axis=1), 0.0) if self.amplitudes else np.zeros(rows)
        )
        out["output_amps"] = np.zeros(rows)
        out["output_grid"] = np.zeros(rows)
        for stage in self._stages("output", "output_a", "output_b"):
            element = self.by_name.get(f"{stage.valve}.{stage.section}")
            if element is None:
                continue
            at = [s.element.part for s in self.sections].index(element.part)
            out["output_amps"] = out["output_amps"] + amps[:, at]
            grid = volts[:, self.whole.ht.point(element.electrodes["grid"])]
            cathode = volts[:, self.whole.ht.point(element.cathode)]
            # grid current limits the drive from about half a volt negative upwards
            middle, scale = self.facts["grid_current_middle_volts"], self.facts["grid_current_scale_volts"]
            flag = 1.0 / (1.0 + np.exp(-np.clip((grid - cathode - middle) / scale, -60, 60)))
            out["output_grid"] = np.maximum(out["output_grid"], flag)
        out["headroom"] = self._headroom(volts)
        out["heaters"] = self._heaters(solved)
        out["audio"], out["rf"], out["hum1"], out["hum2"] = self._paths(solved)
        return out

    def _stages(self, *names: str) -> list[Stage]:
        return [stage for stage in self.card.stages if stage.name in names]

    def _valve_watts(self, solved: Solved, volts: Array) -> tuple[Array, Array, Array]:
        """Anode and screen watts and cathode amps of every section, (B, sections)."""
        ht = self.whole.ht
        stack = solved.stack[:, : self.whole.n_ht]
        branches = []
        for section in self.sections:
            element = section.element
            branches.append(find_branch(ht, element.part, "anode"))
            branches.append(find_branch(ht, element.part, "screen" if "screen" in element.electrodes else "anode"))
            branches.append(find_branch(ht, element.part, "cathode"))
        amps = np.nan_to_num(branch_amps(ht, solved.ht, stack, branches)) if branches else np.zeros((len(solved), 0))
        anode, screen, cathode = amps[:, 0::3], amps[:, 1::3], amps[:, 2::3]
        anode_watts, screen_watts = np.zeros_like(anode), np.zeros_like(anode)
        for n, section in enumerate(self.sections):
            element = section.element
            below = volts[:, ht.point(element.cathode)]
            anode_watts[:, n] = anode[:, n] * (volts[:, ht.point(element.electrodes["anode"])] - below)
            if "screen" in element.electrodes:
                screen_watts[:, n] = screen[:, n] * (volts[:, ht.point(element.electrodes["screen"])] - below)
        return anode_watts, screen_watts, cathode

    def _dissipation(self, now: dict[str, Array], was: dict[str, Array]) -> Array:
        """(B, V) worst of anode and screen over rating; where no rating is known, over 1/0.7 of the healthy watts."""
        rows = len(now["watts"])
        out = np.zeros((rows, len(self.valves)))
        for n, section in enumerate(self.sections):
            if section.element.valve not in self.valves:
                continue
            column = self.valves.index(section.element.valve)
            for key, rating in (("watts_anode", section.anode_watts), ("watts_screen", section.screen_watts)):
                usual = was[key][0, n]
                if rating is None and usual <= 1e-3:
                    continue
                out[:, column] = np.maximum(out[:, column], now[key][:, n] / (rating or usual / 0.7))
        return out

    def _heat(self, solved: Solved, volts: Array) -> Array:
        """(B, L) watts in every plain resistance."""
        layout = self.whole.ht.layout
        n = layout.n_lines
        across = volts[:, layout.line_a[:n]] - volts[:, layout.line_b[:n]]
        slots = solved.stack[:, layout.line_slot[:n]]
        siemens = np.where(layout.line_is_ohms[:n], 1.0 / np.maximum(slots, 1e-9), slots)
        return np.asarray(across**2 * siemens)

    def _overload(self, now: Array, was: Array) -> Array:
        """Worst resistor against twice its healthy watts, as makers rated them, and half a watt at least."""
        rating = np.maximum(2.0 * was, self.facts["least_rating_watts"])
        return np.asarray((now / rating).max(axis=1)) if now.shape[1] else np.ones(len(now))

    def _headroom(self, volts: Array) -> Array:
        """(B, audio sections) the smaller of what the anode may rise to HT and fall to its cathode, V."""
        ht = self.whole.ht
        top = volts[:, ht.point(self._ht_point())]
        columns = []
        for stage in self._stages("audio"):
            element = self.by_name.get(f"{stage.valve}.{stage.section}")
            if element is None:
                continue
            anode = volts[:, ht.point(element.electrodes["anode"])]
            cathode = volts[:, ht.point(element.cathode)]
            columns.append(np.maximum(np.minimum(top - anode, anode - cathode), 0.0))
        return np.stack(columns, axis=1) + 1e-6 if columns else np.ones((len(volts), 0))

    def _ht_point(self) -> str:
        known = set(self.whole.ht.points)
        return next((name for name in ("HT2", "HT1") if name in known), self.whole.ht.points[-1])

    def _heaters(self, solved: Solved) -> Array:
        """(B, V) what heats each valve, as volts over nominal of its own heater; one where the circuit does not tell.

        An open heater is dark whatever stands across it: volts count with the root of what they can drive through it.
        """
        out = np.ones((len(solved), len(self.valves)))
        if self.whole.heaters is None or solved.heaters is None:
            return out
        circuit, volts = self.whole.heaters, np.nan_to_num(solved.heaters.volts)
        known, base = set(circuit.points), circuit.base()
        for column, valve in enumerate(self.valves):
            pair = self.whole.networks.terminals.get(f"{valve}.heater")
            nominal = self.whole.networks.heater_nominal_volts.get(valve)
            if pair is None or not nominal or pair[0] not in known or pair[1] not in known:
                continue
            across = np.abs(volts[:, circuit.point(pair[0])] - volts[:, circuit.point(pair[1])])
            slot = circuit.slot_index.get((valve, "heater_ohms"))
            ohms = 1.0 if slot is None else base[slot] / solved.stack[:, self.whole.n_ht + slot]
            out[:, column] = across / nominal * np.sqrt(ohms)
        return out

    # ---- signal paths

    def _audio_path(self) -> tuple[str, str, str] | None:
        """(point the programme comes in at, output anode, other end of its transformer)."""
        known = set(self.whole.ht.points)
        stage = next(iter(self._stages("output", "output_a")), None)
        element = self.by_name.get(f"{stage.valve}.{stage.section}") if stage is not None else None
        if stage is None or element is None:
            return None
        anode = element.electrodes["anode"]
        ends = next(
            (
                pair
                for name, pair in self.whole.networks.terminals.items()
                if anode in pair and "transformer" in name and pair[0] != pair[1]
            ),
            None,
        )
        other = next((p for p in ends if p != anode), "chassis") if ends else "HT2" if "HT2" in known else "chassis"
        audio = next(iter(self._stages("audio")), None)
        first = self.by_name.get(f"{audio.valve}.{audio.section}") if audio is not None else None
        starts = ["detector_load", first.electrodes["grid"] if first is not None else "", element.electrodes["grid"]]
        start = next(name for name in starts if name in known)
        return (start, anode, other if other in known else "chassis")

    def _rf_paths(self) -> list[tuple[str, str, str]]:
        """Grid to anode of every stage before the detector."""
        paths = []
        for stage in self._stages(*RF_STAGES):
            element = self.by_name.get(f"{stage.valve}.{stage.section}")
            if element is not None and "grid" in element.electrodes and element.electrodes["grid"] != element.cathode:
                paths.append((element.electrodes["grid"], element.electrodes["anode"], "chassis"))
        return paths

    def _heater_leaks(self) -> list[tuple[int, str, str]]:
        """(slot, cathode, heater point) of every heater-to-cathode port."""
        return [
            (self.whole.ht.slot(e.part, e.what), e.a, e.b)
            for e in self.whole.ht.network.elements
            if isinstance(e, Conductance) and e.what.startswith("heater_")
        ]

    def _paths(self, solved: Solved) -> tuple[Array, Array, Array, Array]:
        """Audio gain, RF gain, hum at once and at twice the line, as plain magnitudes, (B,) each.

        Hum has three sources here: ripple of the supply at both orders, and a heater leaking its volts to a cathode (once
        the line frequency). Each is taken through the solved small-signal network to the output transformer.
        """
        ht, stack = self.whole.ht, np.ascontiguousarray(solved.stack[:, : self.whole.n_ht])
        rows = len(solved)
        none = np.zeros(rows)
        rf = np.ones(rows)
        if self.rf_paths:
            g = np.abs(np.nan_to_num(gains(ht, solved.ht, stack, self.facts["rf_hertz"], self.rf_paths)))
            rf = np.prod(g, axis=1)
        if self.audio_path is None:
            return none, rf, none, none
        start, anode, other = self.audio_path
        audio = np.abs(
            np.nan_to_num(gains(ht, solved.ht, stack, self.facts["audio_hertz"], [(start, anode, other)]))
        )[:, 0]
        hum = np.zeros((2, rows))
        for port in ht.layout.supplies:
            p = np.ascontiguousarray(stack[:, port.slots].T)
            amps = np.nan_to_num(solved.ht.extra[:, ht.extras.index(f"{port.element.part}.amps")])
            ripple = np.nan_to_num(ripple_volts(port.element, amps, p))
            for order in (1, 2):
                path = [(port.element.plus, anode, other)]
                through = np.abs(np.nan_to_num(gains(ht, solved.ht, stack, order * self.card.mains_hertz, path)))[
                    :, 0
                ]
                hum[order - 1] = np.hypot(hum[order - 1], through * ripple[order - 1])
        for slot, cathode, heater in self.heater_leaks:
            leaking = np.flatnonzero(stack[:, slot] > 0.0)
            if not len(leaking):
                continue
            through = transfer_ohms(
                ht, solved.ht.take(leaking), stack[leaking], self.card.mains_hertz, (cathode, heater), (anode, other)
            )
            volts = np.abs(np.nan_to_num(through)) * stack[leaking, slot] * self.facts["heater_peak_volts"]
            hum[0, leaking] = np.hypot(hum[0, leaking], volts)
        return audio, rf, hum[0], hum[1]

    def _hum(self, now: Array, was: dict[str, Array]) -> Array:
        """Hum over that of the healthy set, both its orders together, dB."""
        floor = np.hypot(was["hum1"], was["hum2"]) + 1e-9
        return np.asarray(np.clip(20.0 * np.log10(np.maximum(now, 1e-9) / floor), -60.0, 80.0))


def _rated(element: ValveSection, valve: ValveType | None) -> _Section:
    """The section's ratings, from the catalogue."""
    if valve is None:
        return _Section(element, None, None)
    name = element.part.split(".", 1)[1]
    section = next((s for s in valve.sections if s.name == name), None)
    limits = dict(section.limits) if section is not None else {}
    return _Section(element, limits.get("anode_watts"), limits.get("screen_watts"))
