"""Lines of a radio: what they tell, and packets lost by the gaps in their numbers."""

import csv
import json
from datetime import datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkcalc.errors import ReadingsError
from linkcalc.site.listening import MOST_GAP, Heard, Tally, csv_cells, line_reader, readings_of
from linkcalc.site.readings import Reading, read_readings

WHEN = datetime(2031, 6, 20, 8, 0, 1)


@pytest.mark.parametrize(
    "line",
    [
        '{"rssi": -101, "snr": 4.5, "seq": 17}',
        '{"RSSI_dBm": "-101", "snr_db": 4.5, "sequence": 17, "other": [1]}',
        "rx rssi=-101 snr=4.5 seq=17 crc=ok",
        "SNR: 4.5, RSSI: -101, packet: 17",
    ],
)
def test_json_lines_and_pairs_are_read_without_a_pattern(line):
    assert line_reader(None)(line) == Heard(-101.0, 4.5, 17, None)


def test_a_pattern_says_where_things_stand():
    read = line_reader(r"^(?P<count>\d+)\|(?P<seq>\d+)\|(?P<rssi>-?\d+)\|(?P<snr>-?[\d.]+)$")
    assert read("12|17|-101|4.5") == Heard(-101.0, 4.5, 17, 12)
    assert read("boot ok") is None


@pytest.mark.parametrize(
    "line", ["", "boot v1.2", "{", '{"rssi": {"a": 1}}', "rssi=85", "[1, 2]", "\x00\xff"]
)
def test_a_line_that_tells_nothing_is_passed_over(line):
    assert line_reader(None)(line) is None


@pytest.mark.parametrize(
    ("pattern", "words"), [("(", "no regular expression"), (r"(?P<power>\d+)", "name a group")]
)
def test_a_pattern_that_is_none_is_refused(pattern, words):
    with pytest.raises(ReadingsError, match=words):
        line_reader(pattern)


@given(
    st.lists(st.booleans(), min_size=1, max_size=300),
    st.integers(0, 70_000),
    st.sampled_from([256, 65536, 2**31]),
)
def test_gaps_in_the_numbers_are_the_packets_lost(arrives, first, modulus):
    tally = Tally()
    arrives = [True, *arrives, True]
    run = 0
    for k, heard in enumerate(arrives):
        run = 0 if heard else run + 1
        if run > 200:
            return  # more than a byte can tell
        if heard:
            tally.lost_before((first + k) % modulus)
    if modulus == 256 and first % 256 + len(arrives) > 256 and len(arrives) < 2:
        return
    assert (tally.sent, tally.received) == (len(arrives), sum(arrives))


def test_a_sender_that_started_anew_loses_nothing_and_a_repeat_counts_once():
    tally = Tally()
    for number in (500, 501, 1, 2, 2, 3 + MOST_GAP * 2):
        tally.lost_before(number)
    assert (tally.sent, tally.received, tally.restarts) == (5, 5, 2)


@pytest.mark.parametrize("line", ["rssi=-101 snr=4.5", "rssi=-101 snr=4.5 received={}"])
def test_packets_without_numbers_prove_nothing_for_those_lost_are_never_seen(line):
    tally, lines = Tally(), [line.format(k) for k in range(1, 101)]
    heard = readings_of(
        lines, line_reader(None), template=Reading(0, "forward"), now=lambda: WHEN, tally=tally
    )
    rows = [r for _, found in heard for r in found]
    assert len(rows) == 100
    assert {(r.rssi_dbm, r.sent, r.received) for r in rows} == {(-101.0, None, None)}
    assert (tally.sent, tally.proven) == (0, 0.0)


def test_what_is_written_reads_as_it_was_heard(tmp_path: Path):
    lines = ["rssi=-101 snr=4.5 seq=1", "noise", "rssi=-103 snr=2 seq=4"]
    common = Reading(0, "forward", engine_running=True, spot="roof", spreading_factor=12)
    found = [
        r
        for _, rows in readings_of(lines, line_reader(None), template=common, now=lambda: WHEN)
        for r in rows
    ]
    columns = [
        "time",
        "direction",
        "rssi_dbm",
        "snr_db",
        "sent",
        "received",
        "engine_running",
        "spreading_factor",
        "spot",
    ]
    file = tmp_path / "readings.csv"
    with file.open("w", newline="") as out:
        writer = csv.writer(out)
        writer.writerow(columns)
        writer.writerows(csv_cells(r, columns) for r in found)
    read = read_readings(file, ("tank", "shed")).readings
    assert [(r.sent, r.received, r.rssi_dbm) for r in read] == [(1, 1, -101.0), (2, 0, None), (1, 1, -103.0)]
    assert {(r.engine_running, r.spreading_factor, r.spot) for r in read} == {(True, 12, "roof")}
    assert json.dumps([r.row for r in found]) == "[1, 2, 3]"
