"""Plain observations as evidence: what would be noticed of a set, and what was told of it.

An observation is likelier where the solved set gives it a reason (its *signs*) or a fault shows it by itself. Between
its being there and its being told lies the reporter: not everything is noticed, words are loose, and a set often has
more wrong with it than the hypothesis at hand explains. Parameters are in ``trade/observations.toml``: judgement.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hetwright.errors import Complaint, InputFault
from hetwright.trade_data import load_trade

__all__ = ["WORDS", "Observation", "ObservationModel", "Signs", "default_model", "log_likelihood"]

Array = NDArray[np.float64]

LINE, TWICE = "hum at line", "hum at twice line"
WORDS: tuple[str, ...] = (
    "no sound",
    "weak",
    "distorted",
    "hum",
    "crackle",
    "intermittent",
    "heater dark",
    "anode glows",
    "lamp limiter bright",
    "fuse blew",
    "oscillator stopped",
    "smoke",
    "getter white",
)
"""The words of observations, as readings and cards write them."""

ALL_WORDS = (*WORDS, LINE, TWICE)
COLUMN = {word: number for number, word in enumerate(ALL_WORDS)}


@dataclass(frozen=True, slots=True)
class Observation:
    """A word that was seen or heard, of one valve where it says so ("heater dark", "anode glows")."""

    word: str
    valve: str | None = None

    def __post_init__(self) -> None:
        if self.word not in WORDS:
            raise InputFault(
                Complaint(wrong=f"{self.word!r} is no observation", right=f"write one of {', '.join(WORDS)}")
            )


@dataclass(frozen=True, eq=False)
class Signs:
    """What the solved set says of observations, for every row of a stack.

    valves : names, V of them
    audio_gain_db : (B,)       from the detector load to the loudspeaker, relative to the healthy set
    rf_gain_db : (B,)          from the aerial to the detector, relative to the healthy set, oscillator running
    oscillator_running : (B,)  amplitude over that of the healthy set, at most 1; 1 where there is no oscillator
    hum1_db, hum2_db : (B,)    hum at the loudspeaker at once and twice the line frequency, over the healthy set
    mains_watts_ratio : (B,)   mains watts over those of the healthy set
    worst_overload_ratio : (B,) largest dissipation of a resistor over its rating (1 where unknown)
    output_current_fraction : (B,) output valve's cathode current over that of the healthy set
    output_grid_current : (B,) 0 to 1: how far the output grid is driven into grid current
    audio_headroom_fraction : (B,) anode swing left to the audio stages over that of the healthy set
    dissipation_ratio : (B, V) anode or screen dissipation over its rating, the larger
    heater_volts_fraction : (B, V) heater volts over nominal, none where the heater is open
    """

    valves: tuple[str, ...]
    audio_gain_db: Array
    rf_gain_db: Array
    oscillator_running: Array
    hum1_db: Array
    hum2_db: Array
    mains_watts_ratio: Array
    worst_overload_ratio: Array
    output_current_fraction: Array
    output_grid_current: Array
    audio_headroom_fraction: Array
    dissipation_ratio: Array
    heater_volts_fraction: Array

    def __len__(self) -> int:
        return int(self.audio_gain_db.shape[0])

    @classmethod
    def healthy(cls, rows: int, valves: Sequence[str] = (), **known: Array) -> Signs:
        """Signs of a healthy set, B ``rows`` of them; ``known`` replaces what has been computed.

        Examples
        --------
        >>> len(Signs.healthy(2, ("V1",), audio_gain_db=np.array([0.0, -40.0])))
        2
        """
        zero, unit = np.zeros(rows), np.ones(rows)
        made: dict[str, Array] = {
            name: zero.copy() for name in ("audio_gain_db", "rf_gain_db", "hum1_db", "hum2_db", "output_grid_current")
        }
        made |= {
            name: unit.copy()
            for name in (
                "oscillator_running",
                "mains_watts_ratio",
                "worst_overload_ratio",
                "output_current_fraction",
                "audio_headroom_fraction",
            )
        }
        made["dissipation_ratio"] = np.full((rows, len(valves)), 0.7)
        made["heater_volts_fraction"] = np.ones((rows, len(valves)))
        made |= {name: np.asarray(value, dtype=np.float64) for name, value in known.items()}
        return cls(valves=tuple(valves), **made)

    def take(self, rows: NDArray[np.intp]) -> Signs:
        """Some of the rows, in the order given; a row may be taken more than once."""
        return Signs(
            valves=self.valves,
            **{f.name: getattr(self, f.name)[rows] for f in fields(self) if f.name != "valves"},
        )

    def with_(self, other: Signs) -> Signs:
        """What two faults do together, row by row, as nearly as their separate signs can say.

        Losses in decibels add, ratios multiply, what either stops stands still, hum powers add.
        """

        def hum(one: Array, two: Array) -> Array:
            power = 10.0 ** (one / 10.0) + 10.0 ** (two / 10.0) - 1.0
            return np.asarray(10.0 * np.log10(np.maximum(power, 1e-6)))

        return Signs(
            valves=self.valves,
            audio_gain_db=self.audio_gain_db + other.audio_gain_db,
            rf_gain_db=self.rf_gain_db + other.rf_gain_db,
            oscillator_running=np.minimum(self.oscillator_running, other.oscillator_running),
            hum1_db=hum(self.hum1_db, other.hum1_db),
            hum2_db=hum(self.hum2_db, other.hum2_db),
            mains_watts_ratio=self.mains_watts_ratio * other.mains_watts_ratio,
            worst_overload_ratio=np.maximum(self.worst_overload_ratio, other.worst_overload_ratio),
            output_current_fraction=self.output_current_fraction * other.output_current_fraction,
            output_grid_current=np.maximum(self.output_grid_current, other.output_grid_current),
            audio_headroom_fraction=self.audio_headroom_fraction * other.audio_headroom_fraction,
            dissipation_ratio=np.maximum(self.dissipation_ratio, other.dissipation_ratio),
            heater_volts_fraction=np.minimum(self.heater_volts_fraction, other.heater_volts_fraction),
        )


def _logistic(x: Array) -> Array:
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(x, -60.0, 60.0))))


@dataclass(frozen=True)
class ObservationModel:
    """The probabilities of ``observations.toml``."""

    document: Mapping[str, Any]

    def present(self, signs: Signs, shows: Sequence[Mapping[str, float]] | Array) -> Array:
        """Probability that each observation is there to be noticed.

        Parameters
        ----------
        signs : Signs of B rows
        shows : B mappings word -> probability, or (B, 15) array as :meth:`shows_array` makes it

        Returns
        -------
        (B, 15)
            In the order of ``WORDS``, then "hum at line" and "hum at twice line". Reasons act independently: a
            word is absent only when every reason for it is.
        """
        rows = len(signs)
        absent = np.full((rows, len(ALL_WORDS)), 1.0 - self.document["floor"]["anything"])
        for record in self.document["sign"]:
            value = getattr(signs, record["sign"])
            if value.ndim == 2:
                if not value.shape[1]:
                    continue
                value = value.max(axis=1) if record["scale"] > 0.0 else value.min(axis=1)
            p = record.get("most", 1.0) * _logistic((value - record["middle"]) / record["scale"])
            absent[:, COLUMN[record["word"]]] *= 1.0 - p
            if record["sign"] in ("hum1_db", "hum2_db"):
                absent[:, COLUMN[LINE if record["sign"] == "hum1_db" else TWICE]] *= 1.0 - p
        shown = shows if isinstance(shows, np.ndarray) else self.shows_array(shows)
        absent *= 1.0 - shown
        # a hum of known pitch is a hum
        absent[:, COLUMN["hum"]] *= (1.0 - shown[:, COLUMN[LINE]]) * (1.0 - shown[:, COLUMN[TWICE]])
        there = 1.0 - absent
        # nothing can be heard of a programme that is not there
        heard = self.document["excludes"]["heard_through_silence"]
        silent = there[:, COLUMN["no sound"]]
        for word in ("weak", "distorted"):
            there[:, COLUMN[word]] *= 1.0 - silent * (1.0 - heard)
        return np.asarray(np.clip(there, 0.0, 1.0))

    @staticmethod
    def shows_array(shows: Sequence[Mapping[str, float]]) -> Array:
        """What faults show by themselves as an array, (B, 15)."""
        out = np.zeros((len(shows), len(ALL_WORDS)))
        for row, words in enumerate(shows):
            for word, probability in words.items():
                out[row, COLUMN[word]] = probability
        return out

    def _of_valve(self, observation: Observation, signs: Signs, shown: Array) -> Array:
        """(B,) probability that the observation is there of that valve."""
        column = COLUMN[observation.word]
        at = signs.valves.index(observation.valve) if observation.valve in signs.valves else None
        absent = np.full(len(signs), 1.0 - self.document["floor"]["anything"])
        for record in self.document["sign"]:
            if record["word"] != observation.word:
                continue
            value = getattr(signs, record["sign"])
            if value.ndim == 2 and at is None:
                continue
            p = record.get("most", 1.0) * _logistic((value - record["middle"]) / record["scale"])
            if p.ndim == 2:
                # one valve is named for itself where it is the only one, seldom where all are so
                share_of_all = 1.0 / np.maximum(p.sum(axis=1), 1.0)
                p = p[:, at] * np.maximum(share_of_all, self.document["named"]["one_of_several"])
            absent *= 1.0 - p
        # what a fault shows by itself names no valve: it is one of them
        share = 1.0 / max(len(signs.valves), 1) if at is not None else 1.0
        return np.asarray(1.0 - absent * (1.0 - share * shown[:, column]))

    def log_likelihood(
        self,
        observed: Sequence[Observation | str],
        signs: Signs,
        shows: Sequence[Mapping[str, float]] | Array,
        *,
        looked_for: bool = True,
    ) -> Array:
        """Log likelihood of what was observed, and weakly of what was not told, (B,).

        Parameters
        ----------
        observed : sequence of Observation or word
            Empty: nothing was told, which says nothing.
        signs : Signs of B rows
        shows : B mappings word -> probability, or the array of :meth:`shows_array`
        looked_for : bool
            False: only what was told counts, not what was passed over in silence.

        Notes
        -----
        P(told) = reported p + otherwise (1 - reported p). A word passed over counts P(not told) to the power of its
        ``silence``: reports are incomplete.
        """
        rows = len(signs)
        if not observed:
            return np.zeros(rows)
        told = [Observation(each) if isinstance(each, str) else each for each in observed]
        shown = shows if isinstance(shows, np.ndarray) else self.shows_array(shows)
        there = self.present(signs, shown)
        out = np.zeros(rows)
        for observation in dict.fromkeys(told):
            named = observation.valve is not None
            p = self._of_valve(observation, signs, shown) if named else there[:, COLUMN[observation.word]]
            out += np.log(self._told(observation.word, p))
        if looked_for:
            words = {observation.word for observation in told}
            for word in WORDS:
                if word in words:
                    continue
                silence = float(self.document["word"][word]["silence"])
                out += silence * np.log1p(-self._told(word, there[:, COLUMN[word]]))
        return out

    def _told(self, word: str, present: Array) -> Array:
        record = self.document["word"][word]
        seen = record["reported"] * present
        return np.asarray(seen + record["otherwise"] * (1.0 - seen))

    def hum_pitch_log_likelihood(
        self,
        hum_hertz: float,
        mains_hertz: float,
        signs: Signs,
        shows: Sequence[Mapping[str, float]] | Array,
    ) -> Array:
        """Log likelihood of a hum heard or measured at ``hum_hertz``, (B,).

        Parameters
        ----------
        hum_hertz : float > 0
            Pitch of the hum.
        mains_hertz : float > 0
        signs, shows
            As in :meth:`log_likelihood`.

        Returns
        -------
        (B,)
            The hum itself counts as the observation "hum"; its pitch by how much the one level passes the other. A
            pitch that is neither once nor twice the line says only that there is a hum.

        Raises
        ------
        InputFault
            If a frequency is not finite and above zero.
        """
        for name, value in (("hum_hertz", hum_hertz), ("mains_hertz", mains_hertz)):
            if not (np.isfinite(value) and value > 0.0):
                raise InputFault(
                    Complaint(wrong=f"{name} is {value}", right="give a frequency above zero, such as 50 or 100")
                )
        record = self.document["hum_reading"]
        shown = shows if isinstance(shows, np.ndarray) else self.shows_array(shows)
        out = self.log_likelihood(["hum"], signs, shown, looked_for=False)
        level = signs.hum1_db - signs.hum2_db
        p_line = _logistic(level / record["scale_db"])
        # what faults show by themselves pulls the pitch towards theirs
        lean = shown[:, COLUMN[LINE]] - shown[:, COLUMN[TWICE]]
        p_line = p_line + np.where(lean > 0.0, (1.0 - p_line) * lean, p_line * lean)
        neither = record["neither_probability"]
        near = record["tolerance_fraction"]
        if abs(hum_hertz / mains_hertz - 1.0) < near:
            return np.asarray(out + np.log((1.0 - neither) * p_line + 0.5 * neither))
        if abs(hum_hertz / (2.0 * mains_hertz) - 1.0) < near:
            return np.asarray(out + np.log((1.0 - neither) * (1.0 - p_line) + 0.5 * neither))
        return np.asarray(out + np.log(neither))

    def gain_log_likelihood(self, measured_db: float, expected_db: Array) -> Array:
        """Log likelihood of a measured gain against the gain each row expects, both in decibels, (B,)."""
        record = self.document["gain_reading"]
        error = measured_db - np.asarray(expected_db)
        wrong = float(record["wrong_probability"])

        def density(sd: float) -> Array:
            return np.asarray(np.exp(-0.5 * (error / sd) ** 2) / (sd * np.sqrt(2.0 * np.pi)))

        right = (1.0 - wrong) * density(record["sd_db"])
        return np.asarray(np.log(right + wrong * density(record["wrong_sd_db"]) + 1e-300))


@cache
def default_model() -> ObservationModel:
    """The model as it stands in ``trade/observations.toml``."""
    document = load_trade("observations.toml")
    if tuple(document["meta"]["words"]) != WORDS:
        raise InputFault(
            Complaint(wrong="observations.toml lists other words than the program", right="bring the two together")
        )
    return ObservationModel(document)


def log_likelihood(
    observed: Sequence[Observation | str], signs: Signs, shows: Sequence[Mapping[str, float]] | Array
) -> Array:
    """:meth:`ObservationModel.log_likelihood` of the model as it stands, (B,)."""
    return default_model().log_likelihood(observed, signs, shows)
