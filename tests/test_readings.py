"""Readings files as technicians really send them: good rows are kept, bad ones are named with the mend."""

import json
import random
import re
from pathlib import Path

import pytest

from linkcalc.errors import ReadingsError
from linkcalc.site.readings import LARGEST_FILE_BYTES, Readings, read_all, read_readings

STATIONS = ("tank", "generator shed")
HEADER = "time,direction,rssi_dbm,snr_db,sent,received,engine_running,spot,note"
ROWS = (
    "2026-03-14T08:00,there,-110,4.25,10,10,no,,first",
    "2026-03-14T08:20,back,-112,-3.5,10,9,yes,,",
    "2026-03-14T08:40,there,,,10,0,no,,nothing heard",
)
GOOD = "\n".join([HEADER, *ROWS]) + "\n"


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "readings.csv"


def read(file: Path, content: str | bytes, **options: object) -> Readings:
    file.write_bytes(content.encode() if isinstance(content, str) else content)
    return read_readings(file, STATIONS, **options)  # type: ignore[arg-type]


def refusal(file: Path, content: str | bytes) -> str:
    with pytest.raises(ReadingsError) as caught:
        read(file, content)
    line = str(caught.value)
    assert line.startswith(str(file))
    assert line.isprintable()
    return line.removeprefix(str(file))


def with_row(*rows: str) -> str:
    return "\n".join([HEADER, *ROWS, *rows]) + "\n"


def test_every_column_is_read(file):
    first, second, third = read(file, GOOD).readings
    assert (first.row, first.direction, first.rssi_dbm, first.snr_db) == (2, "forward", -110.0, 4.25)
    assert (first.sent, first.received, first.engine_running, first.note) == (10, 10, False, "first")
    assert str(first.time) == "2026-03-14 08:00:00"
    assert (second.direction, second.engine_running) == ("return", True)
    assert (third.rssi_dbm, third.snr_db, third.received) == (None, None, 0)


def test_heights_foliage_and_positions_are_read(file):
    found = read(
        file,
        "direction,snr_db,near_height_m,far_height_m,leaf,wet_foliage,latitude_deg,longitude_deg\n"
        "there,3,2.5 m,6,In leaf,wet,-40.01,-20.03\n",
    ).readings[0]
    assert (found.near_height_m, found.far_height_m, found.leaf, found.wet_foliage) == (
        2.5,
        6.0,
        "in_leaf",
        True,
    )
    assert (found.latitude_deg, found.longitude_deg) == (-40.01, -20.03)


@pytest.mark.parametrize(
    ("words", "way"),
    [
        ("forward", "forward"), ("RETURN", "return"), ("there", "forward"), ("BACK", "return"),
        ("tank -> generator shed", "forward"),
        ("tank->generator shed", "forward"), ("Generator Shed → Tank", "return"),
        ("generator shed to tank", "return"), ("tank > generator shed", "forward"),
    ],
)  # fmt: skip
def test_a_direction_is_a_word_or_the_two_stations_names(file, words, way):
    assert read(file, f"direction,rssi_dbm\n{words},-100\n").readings[0].direction == way


def test_a_station_whose_name_holds_an_arrow_is_told_apart(tmp_path):
    file = tmp_path / "r.csv"
    file.write_text("direction,rssi_dbm\nA->B -> B,-100\nB -> A->B,-101\n")
    assert [r.direction for r in read_readings(file, ("A->B", "B")).readings] == ["forward", "return"]


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        (",there,85,4,,,,,", "rssi_dbm = 85 is positive; a level heard by radio is negative: write -85"),
        (",there,40,4,,,,,", "rssi_dbm = 40 is positive; a level heard by radio is negative: write -40"),
        (",there,3,4,,,,,", "rssi_dbm = 3 is not a level a receiver reads (-160 to 0 dBm)"),
        (",there,-200,4,,,,,", "rssi_dbm = -200 is not a level a receiver reads (-160 to 0 dBm)"),
        (",there,-110,-104,,,,,", "snr_db = -104 is not an SNR a receiver reads (-40 to 70 dB); is it the RSSI?"),
        (",there,-110,4,10,12,,,", "received = 12 is more than sent = 10: are the columns swapped?"),
        (",there,-110,4,10,,,,", "sent = 10, and received is missing"),
        (",there,-110,4,0,0,,,", "sent = 0: no packet, no reading"),
        (",there,,,,0,,,", "received = 0, and sent is missing"),
        (",there,,,,,,,", "measured nothing: give rssi_dbm and snr_db, or sent and received"),
        (",there,-110,4,2.5,2,,,", "sent = 2.5 is not a count of packets"),
        (",there,-11O,4,,,,,", 'rssi_dbm = "-11O" is not a number'),
        (",there,-110,1e999,,,,,", "snr_db = 1e999 is not finite"),
        (",there,-110,4,,,maybe,,", 'engine_running = "maybe": write yes or no'),
        (",up,-110,4,,,,,", 'direction = "up": write forward for tank -> generator shed, or return'),
        (",,-110,4,,,,,", "direction is missing: write forward or return"),
        (",there,-110,4", "4 values under 9 columns"),
        (",there,-110,5,4,25,10,10,no,,", "11 values under 9 columns: decimal commas? write points, or"
         " separate the columns by semicolons"),
    ],
)  # fmt: skip
def test_a_bad_row_is_named_with_the_mend_and_costs_no_other(file, row, reason):
    found = read(file, with_row(row))
    assert [r.row for r in found.readings] == [2, 3, 4]
    assert [(r.row, r.reason) for r in found.refused] == [(5, reason)]


def test_a_lone_bad_row_is_the_error(file):
    assert refusal(file, f"{HEADER}\n,there,85,4,,,,,\n,there,,,,,,,\n") == (
        ", row 2: rssi_dbm = 85 is positive; a level heard by radio is negative: write -85 (and 1 more"
        " unusable); no usable reading"
    )


def test_a_level_beside_no_packet_is_left_out_but_the_loss_is_kept(file):
    found = read(file, with_row(",there,-119,-12,10,0,,,"))
    assert (found.readings[-1].rssi_dbm, found.readings[-1].sent, found.readings[-1].received) == (
        None,
        10,
        0,
    )
    assert any("row 5: received = 0" in n for n in found.notes)


def test_a_bad_time_or_half_a_position_costs_no_reading(file):
    found = read(file, "time,direction,rssi_dbm,latitude_deg,longitude_deg\n14.3.26,there,-100,-40.1,\n")
    assert found.readings[0].time is None
    assert found.readings[0].latitude_deg is None
    assert len(found.notes) == 2


@pytest.mark.parametrize(
    "content",
    [
        GOOD.replace(",", ";"),
        GOOD.replace(",", "\t"),
        GOOD.replace(",", ";").replace("4.25", "4,25").replace("-3.5", "-3,5"),
        "\ufeff" + GOOD,
        GOOD.replace("\n", "\r\n"),
        GOOD.replace("\n", "\r"),
        "sep=,\n" + GOOD,
        "# from the shed\n\n" + GOOD + ",,,,,,,,\n\n",
        GOOD.replace("-110", "−110 dBm").replace("4.25", '"4,25 dB"'),
        GOOD.replace("time,direction", "Time, Direction "),
    ],
    ids=[
        "semicolons",
        "tabs",
        "decimal commas",
        "mark",
        "crlf",
        "cr",
        "sep line",
        "comments",
        "units",
        "capitals",
    ],
)
def test_files_as_spreadsheets_write_them_read_the_same(file, content):
    found = read(file, content)
    assert [r.rssi_dbm for r in found.readings] == [-110.0, -112.0, None]
    assert [r.snr_db for r in found.readings] == [4.25, -3.5, None]
    assert not found.refused


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_any_usual_encoding_is_read(file, encoding):
    found = read(file, GOOD.replace("first", "größte").encode(encoding))
    assert found.readings[0].note == "größte"


def test_a_file_pasted_together_from_two_encodings_is_read(file):
    found = read(file, GOOD.replace("first", "größte").encode() + ",there,-99,5,,,,,höher".encode("cp1252"))
    assert [r.note for r in found.readings if r.note] == ["größte", "nothing heard", "höher"]


def test_a_stray_quote_costs_its_own_row_at_most(file):
    found = read(file, with_row(',there,-99,5,,,,,"never closed', ",there,-98,5,,,,,"))
    assert -98.0 in [r.rssi_dbm for r in found.readings]


def test_the_header_once_more_is_skipped_with_a_note(file):
    found = read(file, GOOD + GOOD)
    assert "row 5 is the header once more; skipped" in found.notes
    assert not found.refused


def test_a_row_pasted_twice_counts_once_if_its_time_shows_it(file):
    by_second = GOOD.replace("T08:20", "T08:20:31")
    found = read(file, by_second + ROWS[0] + "\n")
    assert len(found.readings) == 3
    assert any("row 5 is row 2 once more" in n for n in found.notes)
    # lost packets of one minute have nothing to differ in
    lost = "2026-03-14T08:40,there,,,1,0,no,,\n"
    assert len(read(file, HEADER + "\n" + 90 * lost).readings) == 90
    assert len(read(file, HEADER + "\n" + 90 * lost.replace("T08:40", "T08:40:00")).readings) == 90
    # without a time two packets may well read the same
    assert len(read(file, "direction,rssi_dbm\nthere,-100\nthere,-100\n").readings) == 2


def test_an_unknown_column_is_noted_with_the_nearest_name(file):
    found = read(file, "direction,rssi_dbm,bw,colour\nthere,-100,125,blue\n")
    assert found.notes == (
        'column "bw" is not known and not used; write bandwidth_khz',
        'column "colour" is not known and not used',
    )


def test_a_usual_name_is_taken_where_it_leaves_no_doubt_of_the_unit(file):
    found = read(file, "direction,RSSI [dBm],SNR,power,SF\nthere,-100,5.5,14,SF9\n")
    (reading,) = found.readings
    assert (reading.rssi_dbm, reading.snr_db, reading.spreading_factor) == (-100.0, 5.5, 9)
    assert found.notes == ('column "power" is not known and not used',)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("", ": is empty; write a header line and a row for each packet or burst"),
        ("\n \n", ": is empty; write a header line and a row for each packet or burst"),
        ("# only a comment\n", ": holds no rows; write a header line and a row for each packet or burst"),
        (HEADER, ": a header and no rows; write one for each packet or burst"),
        ("there,-110,5\nback,-100,4\n", ", row 1: no header; the first row must name the columns:"
         " direction,rssi_dbm,snr_db, ..."),
        ("direction,level\nthere,-110\n", ", row 1: no column rssi_dbm, snr_db or received; for \"level\" write"
         " rssi_dbm"),
        ("a,b\n1,2\n", ", row 1: none of its columns is known"),
        ("rssi_dbm,snr_db\n-110,5\n", ", row 1: no column direction; add it, or say --direction"
         " forward (or return)"),
        ("direction,rssi_dbm,rssi_dbm\nthere,-1,-2\n", ", row 1: two columns are named rssi_dbm"),
        (b"PK\x03\x04\0\0\0", ": is not a text file; save it as CSV"),
        ('{"readings": [', ", line 1: is not complete JSON; save it again"),
        ('{"plan": 1}', ': holds no list "readings"'),
        ('{"readings": []}', ': its list "readings" is empty'),
        ("[" * 100_000, ": is nested too deeply for a readings file"),
    ],
)  # fmt: skip
def test_a_file_of_which_nothing_can_be_used_is_one_line_with_the_mend(file, content, said):
    assert refusal(file, content) == said


def test_a_missing_file_a_folder_and_a_huge_file_are_one_line(tmp_path):
    huge = tmp_path / "huge.csv"
    with huge.open("wb") as f:
        f.truncate(LARGEST_FILE_BYTES + 1)
    for path, said in (
        (tmp_path / "none.csv", "cannot be read"),
        (tmp_path, "cannot be read"),
        (huge, "larger than"),
    ):
        with pytest.raises(ReadingsError, match=said):
            read_readings(path, STATIONS)


def test_rows_without_a_direction_take_the_one_that_is_said(file):
    assert read(file, "rssi_dbm\n-100\n", direction="return").readings[0].direction == "return"


def test_the_field_sheets_json_reads_like_the_csv(file):
    keys = HEADER.split(",")
    rows = [{k: v or None for k, v in zip(keys, row.split(","), strict=True)} for row in ROWS]
    rows[0] |= {"rssi_dbm": -110, "snr_db": 4.25, "sent": 10, "received": 10, "engine_running": False}
    sheet = {
        "readings": rows,
        "link": "level",
        "plan_digest": "ab12",
        "heights": {"near_height_m": 3.5},
        "signed": "somebody",
    }
    found = read(file, json.dumps(sheet))
    by_csv = read(file, GOOD).readings
    assert [(r.rssi_dbm, r.received, r.time) for r in found.readings] == [
        (r.rssi_dbm, r.received, r.time) for r in by_csv
    ]
    assert {r.near_height_m for r in found.readings} == {3.5}
    assert (found.link, found.plan_digest) == ("level", "ab12")


def test_a_bad_json_reading_is_named_and_costs_no_other(file):
    sheet = {
        "readings": [
            {"direction": "forward", "rssi_dbm": -100},
            5,
            {"direction": ["forward"]},
            {"rssi_dbm": -100},
        ]
    }
    found = read(file, json.dumps(sheet))
    assert [(r.row, r.reason) for r in found.refused] == [
        (2, "is not an object with keys"),
        (3, "direction is neither a number nor text"),
        (4, "direction is missing: write forward or return"),
    ]


SEED = 20_261
HOSTILE = (
    "nan", "-inf", "1e999", "9" * 400, "true", "'", '"', "6,5", "-110 dBm", "0x10", "\u202e-110",
    "\x1b[31m", "١٢", "-1e2", "--110", "", "{", "[]", "é", "forward", "=1+1", "2026-02-30",
)  # fmt: skip


def damaged(rng: random.Random, raw: bytes) -> bytes:
    kind = rng.randrange(7)
    if kind == 0:
        changed = bytearray(raw)
        for _ in range(rng.randint(1, 6)):
            changed[rng.randrange(len(changed))] ^= 1 << rng.randrange(8)
        return bytes(changed)
    if kind == 1:
        at = rng.randrange(len(raw))
        return raw[:at] + rng.randbytes(rng.randint(1, 8)) + raw[at + rng.randint(0, 8) :]
    if kind == 2:
        return raw[: rng.randrange(len(raw))]
    if kind == 3:
        return rng.randbytes(rng.randint(0, 300))
    if kind == 4:
        lines = raw.splitlines(keepends=True)
        rng.shuffle(lines)
        return b"".join(lines)
    text = raw.decode()
    if kind == 5:
        return re.sub(
            rng.choice(",;\n-0"), lambda m: rng.choice(",;\t -"), text, count=rng.randint(1, 9)
        ).encode()
    cells = text.split(",")
    for _ in range(rng.randint(1, 4)):
        cells[rng.randrange(len(cells))] = rng.choice(HOSTILE)
    return ",".join(cells).encode()


def test_a_damaged_file_is_read_or_refused_in_one_line(file):
    rng = random.Random(SEED)
    keys = HEADER.split(",")
    sheet = json.dumps({"readings": [dict(zip(keys, row.split(","), strict=True)) for row in ROWS]})
    refused = used = bad_rows = 0
    for _ in range(1200):
        raw = damaged(rng, rng.choice([GOOD.encode(), GOOD.replace(",", ";").encode(), sheet.encode()]))
        file.write_bytes(raw)
        try:
            found = read_readings(file, STATIONS)
        except ReadingsError as error:
            line = str(error)
            assert line.startswith(str(file)), raw
            assert line.isprintable(), raw
            assert len(line) < 400, raw
            refused += 1
            continue
        used += 1
        for row in found.refused:
            bad_rows += 1
            assert row.reason.isprintable(), raw
            assert len(row.reason) < 300, raw
        for note in found.notes:
            assert note.isprintable(), raw
        for r in found.readings:
            assert r.rssi_dbm is None or -160.0 <= r.rssi_dbm <= 0.0
            assert r.sent is None or (r.received is not None and 0 <= r.received <= r.sent)
            assert (r.rssi_dbm, r.snr_db, r.received) != (None, None, None)
    assert min(refused, used, bad_rows) > 120  # the damage is real, and so is this test


def test_a_file_pasted_twice_counts_once(file):
    found = read(file, GOOD + GOOD)
    assert len(found.readings) == 3
    assert any("holds its readings once more" in n for n in found.notes)


def test_files_of_several_phones_are_one_and_what_two_hold_counts_once(tmp_path):
    early = HEADER + "\n2026-03-14T08:00:05,there,-110,4,1,1,no,,\n"
    late = early + "2026-03-14T08:00:09,there,-111,4,1,1,no,,\n"
    other = json.dumps({"link": "level", "readings": [{"direction": "return", "rssi_dbm": -99}]})
    for name, text in (("noon.csv", early), ("evening.csv", late), ("copy.csv", late), ("b.json", other)):
        (tmp_path / name).write_text(text)
    found = read_all([tmp_path / n for n in ("noon.csv", "evening.csv", "copy.csv", "b.json")], STATIONS)
    assert [r.place for r in found.readings] == ["noon.csv 2", "evening.csv 3", "b.json 1"]
    assert found.link == "level"
    assert any("copy.csv holds the readings of evening.csv once more" in n for n in found.notes)
    assert any("1 readings stand in another file too" in n for n in found.notes)


def test_lost_packets_of_one_minute_on_two_phones_are_not_doubles(tmp_path):
    row = "2026-03-14T08:00,there,,,1,0,no,,\n"
    (tmp_path / "a.csv").write_text(HEADER + "\n" + 5 * row)
    (tmp_path / "b.csv").write_text(HEADER + "\n" + 7 * row)
    assert len(read_all([tmp_path / "a.csv", tmp_path / "b.csv"], STATIONS).readings) == 12


@pytest.mark.parametrize("order", [("noon.csv", "evening.csv"), ("evening.csv", "noon.csv")])
def test_a_file_saved_at_noon_and_again_in_the_evening_counts_once(tmp_path: Path, order: tuple[str, str]):
    noon = "time,direction,rssi_dbm,sent,received\n"
    noon += "2031-06-20T08:00,forward,-96,20,20\n2031-06-20T08:10,forward,-96,20,20\n"
    (tmp_path / "noon.csv").write_text(noon)
    (tmp_path / "evening.csv").write_text(noon + "2031-06-20T16:00,forward,-95,10,10\n")
    found = read_all([tmp_path / name for name in order], STATIONS)
    assert sum(r.sent for r in found.readings) == 50
    assert any("counted once" in n for n in found.notes)


def test_a_file_that_is_named_twice_counts_once(tmp_path: Path):
    file = tmp_path / "evening.csv"
    file.write_text("time,direction,rssi_dbm,sent,received\n2031-06-20T08:00,forward,-96,30,30\n")
    found = read_all([file, file], STATIONS)
    assert sum(r.sent for r in found.readings) == 30
    assert any("once more; counted once" in n for n in found.notes)


def test_settings_of_a_reading_are_read(file):
    columns = (
        "direction,rssi_dbm,spreading_factor,bandwidth_khz,near_power_dbm,near_antenna,near_antenna_gain_dbi,"
        "far_feeder,far_feeder_loss_db"
    )
    (reading,) = read(file, f"{columns}\nthere,-100,SF12,250 kHz,14,long one,8,thin,3.5 dB\n").readings
    assert (reading.spreading_factor, reading.bandwidth_khz, reading.near_power_dbm) == (12, 250.0, 14.0)
    assert (reading.near_antenna, reading.near_antenna_gain_dbi) == ("long one", 8.0)
    assert (reading.far_feeder, reading.far_feeder_loss_db) == ("thin", 3.5)
    bad = read(file, f"{columns}\nthere,-100,13,,,,,,\nthere,-100,12,,,,,,\n").refused
    assert bad[0].reason == "spreading_factor = 13 is none; spreading factors are 5 to 12"


@pytest.mark.parametrize(
    ("cell", "day"),
    [("14.3.2026 08:05", "2026-03-14 08:05:00"), ("1773475500", "2026-03-14 08:05:00+00:00"),
     ("1773475500000", "2026-03-14 08:05:00+00:00"), ("14.03.2026", "2026-03-14 00:00:00")],
)  # fmt: skip
def test_dates_as_people_and_loggers_write_them(file, cell, day):
    (reading,) = read(file, f"time;direction;rssi_dbm\n{cell};there;-100\n").readings
    assert str(reading.time) == day


def test_many_bad_dates_are_one_line(file):
    found = read(file, "time,direction,rssi_dbm\n" + 5000 * "yesterday,there,-100\n")
    assert len(found.readings) == 5000
    (note,) = found.notes
    assert "4999 more like it" in note
