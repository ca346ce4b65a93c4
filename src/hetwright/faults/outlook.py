"""What readings not yet taken would be, under each explanation, with the readings so far taken into account."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from hetwright.circuit.whole_set import Question, WholeSet

from .diagnosis import Hypothesis, ReadingSet
from .inference import Background, weighted_slopes

__all__ = ["outlook"]

Array = NDArray[np.float64]


def outlook(
    whole: WholeSet,
    background: Background,
    hypotheses: Sequence[Hypothesis],
    readings: ReadingSet,
    questions: Sequence[Question],
) -> tuple[Array, Array]:
    """Mean and spread of readings to come.

    Parameters
    ----------
    whole : WholeSet
    background : Background of the healthy set, ``sd`` (S,)
    hypotheses : H explanations, each with its row of medians, spreads and likeliest shift
    readings : ReadingSet
        What has been read.
    questions : Q questions

    Returns
    -------
    mean, sd : (H, Q)
        In the units readings are compared in; the spread is the set's alone, without the meter's. NaN where a row
        cannot be solved.

    Notes
    -----
    About the mode, the covariance of the background given the readings is P = S - S J' (J S J' + R)^-1 J S; a new
    reading of slopes K has variance K P K'.
    """
    medians = np.stack([h.medians for h in hypotheses])
    sd = np.stack([h.sd for h in hypotheses])
    shift = np.stack([h.shift for h in hypotheses])
    x = np.where(background.logarithmic, medians * np.exp(shift), medians + shift)
    solved = whole.solve(x)
    kept = None if background.learned is None else sd == background.sd
    spread = replace(background, sd=sd, kept=kept)
    scale = np.where(background.logarithmic, x, 1.0)[:, None, :]

    new = whole.read(solved, questions)
    new_slopes = new.slopes * scale
    weighted = weighted_slopes(new_slopes, sd**2, spread)
    variance = np.sum(weighted * new_slopes, axis=2)
    if len(readings):
        old_slopes = whole.read(solved, readings.questions).slopes * scale
        covariance = np.matmul(weighted_slopes(old_slopes, sd**2, spread), np.swapaxes(old_slopes, 1, 2))
        diagonal = np.arange(len(readings))
        wrong = np.stack([h.wrong for h in hypotheses])
        covariance[:, diagonal, diagonal] += readings.sd**2 + wrong * readings.wrong_sd**2
        cross = np.matmul(weighted, np.swapaxes(old_slopes, 1, 2))
        known = np.linalg.solve(covariance, np.swapaxes(cross, 1, 2))
        variance = variance - np.sum(cross * np.swapaxes(known, 1, 2), axis=2)
    mean = np.where(new.solved[:, None], new.mean, np.nan)
    return mean, np.sqrt(np.maximum(variance, 0.0))
