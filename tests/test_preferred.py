"""Preferred numbers and what an old value is bought as."""

from __future__ import annotations

import math
import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hetwright.errors import InputFault, OutOfRange
from hetwright.preferred import is_preferred, nearest, neighbours, replacement_for, series_values

SERIES = ["E3", "E6", "E12", "E24", "E48", "E96", "E192"]


@pytest.mark.parametrize("series", SERIES)
def test_a_series_has_as_many_numbers_as_its_name_says(series):
    values = series_values(series)
    assert len(values) == int(series[1:])
    assert list(values) == sorted(set(values))
    assert values[0] == 1.0
    assert values[-1] < 10.0


def test_each_coarser_series_is_part_of_the_finer():
    assert set(series_values("E3")) < set(series_values("E6")) < set(series_values("E12")) < set(series_values("E24"))


def test_an_unknown_series_is_refused():
    with pytest.raises(InputFault, match="no series 'E7'"):
        series_values("E7")


@given(si=st.floats(1e-13, 1e8), series=st.sampled_from(SERIES))
def test_the_nearest_value_is_nearest_by_ratio_and_preferred(si, series):
    found = nearest(si, series)
    below, above = neighbours(si, series)
    assert is_preferred(found, series)
    assert below <= si * (1 + 1e-9)
    assert above >= si * (1 - 1e-9)
    off = abs(math.log(found / si))
    assert off <= abs(math.log(below / si)) + 1e-9
    assert off <= abs(math.log(above / si)) + 1e-9
    # no value of E6 and finer is further than half the widest step of its series
    assert off <= 0.5 * math.log(2.2 if series == "E3" else 1.52)


@given(power=st.integers(-13, 7), which=st.integers(0, 23))
def test_a_preferred_value_is_its_own_nearest(power, which):
    value = float(f"{series_values('E24')[which]}e{power}")
    assert nearest(value) == value
    assert neighbours(value) == (value, value)


@pytest.mark.parametrize("si", [0.0, -1.0, math.nan, math.inf])
def test_no_preferred_value_is_near_what_is_no_value(si):
    with pytest.raises(OutOfRange):
        nearest(si)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (0.05e-6, 0.047e-6),
        (0.02e-6, 0.022e-6),
        (0.25e-6, 0.22e-6),
        (0.5e-6, 0.47e-6),
        (0.005e-6, 0.0047e-6),
        (0.001e-6, 0.001e-6),
        (0.1e-6, 0.1e-6),
        (500e-12, 470e-12),
        (8e-6, 10e-6),
        (16e-6, 15e-6),
        (32e-6, 33e-6),
        (50e-6, 47e-6),
    ],
)
def test_old_capacitors_are_bought_as_restorers_buy_them(old, new):
    # common practice
    assert replacement_for(old, "farads").si == new


def test_a_replacement_says_how_far_it_is_from_the_old_value():
    found = replacement_for(50e3, "ohms", series="E12")
    assert (found.si, found.series) == (47e3, "E12")
    assert found.change_fraction == pytest.approx(-0.06)


def test_a_small_electrolytic_is_one_when_it_is_said_to_be():
    assert replacement_for(1e-6, "farads", kind="electrolytic").si == 1e-6
    assert replacement_for(4e-6, "farads", kind="film").si == 4.7e-6


@given(si=st.floats(1e-6, 1e-3))
def test_an_electrolytic_is_never_replaced_by_one_much_smaller(si):
    found = replacement_for(si, "farads", kind="electrolytic")
    assert found.si >= 0.86 * si
    assert found.si <= 1.5 * si


def test_the_series_library_is_imported_only_when_needed():
    code = "import sys, hetwright.preferred; print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert not {"eseries", "numpy"} & set(loaded)
