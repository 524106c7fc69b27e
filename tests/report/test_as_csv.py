"""Cycles and their table. The table is read back with the csv module, the reference for RFC 4180 here."""

from __future__ import annotations

import csv
import dataclasses
import io

import numpy as np
import pytest
from handmade import listening_of, train_of
from hypothesis import given
from hypothesis import strategies as st

from clackcount import model
from clackcount.report import as_csv, cycles


def table(*listenings: model.Listening) -> list[dict[str, str]]:
    text = as_csv.header() + "".join(piece for listening in listenings for piece in as_csv.pieces(listening))
    return list(csv.DictReader(io.StringIO(text), strict=True))


def test_one_row_a_slam_with_its_cycle():
    rows = table(listening_of(train_of([1.0, 2.0, 3.5])))
    assert [row["slam_s"] for row in rows] == ["1.0000", "2.0000", "3.5000"]
    assert [row["interval_s"] for row in rows] == ["", "1.0000", "1.5000"]
    assert [row["rate_per_min"] for row in rows] == ["", "60.00", "40.00"]
    assert [row["shut_s"] for row in rows] == ["0.2500"] * 3
    assert [row["open_s"] for row in rows] == ["", "0.7500", "1.2500"]


def test_phases_fill_the_interval(steady):
    for cycle in list(cycles.of(steady.beats.train, None))[1:]:
        assert cycle.open_s + 0.25 == pytest.approx(cycle.interval_s)


def test_what_was_not_heard_is_an_empty_cell():
    rows = table(listening_of(train_of([1.0, 2.0], reopen_after_s=None)))
    assert {row[name] for row in rows for name in ("reopen_s", "open_s", "shut_s")} == {""}


def test_each_ram_has_its_own_intervals():
    rows = table(listening_of(train_of([1.0, 1.3, 2.0, 2.6], pump=[1, 2, 1, 2])))
    assert [(row["pump"], row["interval_s"]) for row in rows] == [
        ("1", ""), ("2", ""), ("1", "1.0000"), ("2", "1.3000"),
    ]  # fmt: skip


def test_a_pause_between_two_runs_is_no_cycle(stopped):
    rows = table(stopped)
    by_time = {row["slam_s"]: row for row in rows}
    assert by_time["6.6000"]["interval_s"] == "2.4000"
    assert by_time["33.2000"]["interval_s"] == ""  # the first beat by itself, after the last stroke by hand


def test_an_opening_knock_before_a_stroke_counts_as_its_opening():
    train = train_of([1.0, 5.0], reopen_after_s=None)
    train = dataclasses.replace(train, opened_s=np.array([np.nan, 4.4]))
    assert [cycle.open_s for cycle in cycles.of(train, None)] == [None, pytest.approx(0.6)]


def test_a_file_name_with_a_comma_and_a_quote_comes_back():
    odd = 'pump, "old" one.wav'
    assert table(listening_of(train_of([1.0]), path=odd))[0]["file"] == odd


def test_several_recordings_make_one_table(steady):
    other = listening_of(train_of([1.0, 2.0]), path="other.wav")
    assert [row["file"] for row in table(other, steady)][:3] == ["other.wav", "other.wav", "lower-meadow.m4a"]


def test_no_slams_no_rows(no_ram):
    assert table(no_ram) == []


def test_long_tables_come_in_pieces_that_join(steady, monkeypatch):
    whole = table(steady)
    monkeypatch.setattr(as_csv, "ROWS_AT_ONCE", 10)
    assert table(steady) == whole
    assert len(list(as_csv.pieces(steady))) == 7


@given(
    gaps_s=st.lists(st.floats(0.15, 4.0), min_size=1, max_size=40),
    pumps=st.lists(st.integers(1, 3), min_size=40, max_size=40),
)
def test_intervals_agree_with_a_plain_loop(gaps_s, pumps):
    time_s = np.cumsum(gaps_s)
    pump = pumps[: len(time_s)]
    last: dict[int, float] = {}
    expected = []
    for moment, number in zip(time_s, pump, strict=True):
        expected.append(None if number not in last else moment - last[number])
        last[number] = moment
    assert [cycle.interval_s for cycle in cycles.of(train_of(time_s, pump=pump), None)] == expected
