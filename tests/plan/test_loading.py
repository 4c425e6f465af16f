"""The plan file's door: what it accepts, and the one line it says to everything else."""

import dataclasses
import hashlib
from pathlib import Path

import pytest

from linkcalc.errors import PlanError
from linkcalc.plan import FskModulation, load_plan
from tests.plan.plans import HEIGHT, PLAN, load, plan_text, refusal, write


def test_a_valid_plan_comes_with_its_file_folder_and_digest(tmp_path: Path) -> None:
    file = write(tmp_path, PLAN)
    loaded = load_plan(str(file))
    assert loaded.plan.station_named("tank").antenna_height_m == 4.0
    assert (loaded.path, loaded.base_dir) == (file, tmp_path)
    assert loaded.digest == hashlib.sha256(PLAN.encode()).hexdigest()
    assert loaded.notes == ()
    with pytest.raises(dataclasses.FrozenInstanceError):
        loaded.digest = ""  # type: ignore[misc]


def test_a_byte_order_mark_and_foreign_line_ends_are_accepted(tmp_path: Path) -> None:
    raw = b"\xef\xbb\xbf" + PLAN.replace("\n", "\r\n").encode()
    assert load_plan(write(tmp_path, raw)).plan.title == "invented"


def test_a_whole_number_serves_where_a_number_is_asked(tmp_path: Path) -> None:
    assert load(tmp_path, (HEIGHT, "antenna_height_m = 4")).plan.station[0].antenna_height_m == 4.0


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ('"6,5"', "write 6.5 without quotes"),
        ('"6.5"', "write 6.5 without quotes"),
        ('"about 6.5 m"', "write 6.5 without quotes"),
        ('"20 dB"', '= "20 dB" is not a number'),
        ("[6, 5]", "write 6.5 with a decimal point"),
        ("true", "= true is not a number"),
        ('"high"', '= "high" is not a number; allowed: 0.1 to 3000'),
        ("2020-01-01", "= 2020-01-01 is not a number"),
        ("{ m = 4 }", "= a table is not a number"),
        ("nan", "= nan is not finite; allowed: 0.1 to 3000"),
        ("-inf", "= -inf is not finite"),
        ("1e999", "= inf is not finite"),
        ("-3", "= -3 is too low; allowed: 0.1 to 3000"),
        ("3000.5", "= 3000.5 is too high; allowed: 0.1 to 3000"),
        ("9" * 400, "a whole number of about 401 digits is too high"),
        ("0x" + "f" * 5000, "digits is too high"),
    ],
)
def test_a_height_that_is_no_height_is_named_with_what_is_allowed(
    tmp_path: Path, written: str, said: str
) -> None:
    line = refusal(tmp_path, (HEIGHT, f"antenna_height_m = {written}"))
    assert line.startswith('station "tank" antenna_height_m = ')
    assert said in line


@pytest.mark.parametrize(
    ("source", "said"),
    [
        ("antenna_height_m = 6,5", "line 5, column 21: the comma in 6,5: write 6.5 with a decimal point"),
        ("antenna = { gain_dbi = 2,15 }", "the comma in 2,15: write 2.15 with a decimal point"),
        ("antenna_height_m = 4 m", "line 5, column 22: write the number alone"),
        ("antenna_height_m = .5", "write a digit on both sides of the decimal point"),
        ("antenna_height_m = 5.", "write a digit on both sides of the decimal point"),
        ("antenna_height_m = 04", "without leading zeros"),
        ("antenna_height_m =", "the value is missing"),
        ("antenna_height_m: 4.0", "write = between key and value"),
        ("building = none", 'write text in quotes: "none"'),
        ("building = “none”", "write straight ones"),
        ('building = "none', "the closing quote is missing"),
        ("arrestor = True", "write true and false in small letters"),
        ('name = "C:\\data"', "write the path with / or in single quotes"),
        ('name = "again"', "line 5, column 15: this key or table is given twice"),
        ("antenna_height_m = " + "9" * 5000, "line 5: a number of thousands of digits"),
        ("antenna_height_m = " + "[" * 5000, "nested too deeply"),
        (".a" * 5000 + " = 1", "more than 1000 points"),
    ],
)
def test_what_is_not_toml_is_named_by_line_with_its_mend(tmp_path: Path, source: str, said: str) -> None:
    assert said in refusal(tmp_path, (HEIGHT, source))


def test_single_brackets_for_a_second_station_are_explained(tmp_path: Path) -> None:
    line = refusal(tmp_path, ('[[station]]\nname = "shed"', '[station]\nname = "shed"'))
    assert "[station] stands twice; keep one, or write [[station]]" in line


@pytest.mark.parametrize(
    ("raw", "said"),
    [
        (b"", "is empty; `linkcalc new`"),
        (b"# only a remark\n", "is empty"),
        (PLAN.encode("utf-16"), "is UTF-16 text; save it as UTF-8"),
        (PLAN.encode("utf-16-le"), "binary data or UTF-16"),
        (b"II*\x00" + bytes(range(256)), "is binary data"),
        (PLAN.replace("invented", "d\u00e9p\u00f4t").encode("latin-1"), "line 1: byte 0xe9 (é in Latin-1)"),
        (b'{"station": []}', "not a TOML plan file"),
        (b"x = 1\n" * 200_000, "is larger than"),
    ],
)
def test_a_file_that_is_no_text_of_a_plan_is_told_apart(tmp_path: Path, raw: bytes, said: str) -> None:
    assert said in refusal(tmp_path, raw=raw)


def test_a_missing_plan_names_its_nearest_neighbour(tmp_path: Path) -> None:
    write(tmp_path, PLAN)
    with pytest.raises(PlanError, match=r"plan\.tml: no such file; nearest in that folder is plan\.toml"):
        load_plan(tmp_path / "plan.tml")
    with pytest.raises(PlanError, match=r"`linkcalc new zzz\.toml` writes a starter"):
        load_plan(tmp_path / "none" / "zzz.toml")


@pytest.mark.parametrize(("name", "said"), [(".", "is a folder"), ("a\0b", "cannot be read")])
def test_what_cannot_be_opened_is_a_plan_error(tmp_path: Path, name: str, said: str) -> None:
    with pytest.raises(PlanError, match=said):
        load_plan(tmp_path / name)


@pytest.mark.parametrize(
    ("key", "said"),
    [
        ("antenna_height = 4.0", "did you mean antenna_height_m?"),
        ("height_m = 4.0", "did you mean antenna_height_m?"),
        ("Antenna-Height-M = 4.0", "did you mean antenna_height_m?"),
        ("antena_hight_m = 4.0", "did you mean antenna_height_m?"),
        ("antenna_height_ft = 10", "write antenna_height_m = 3.048"),
    ],
)
def test_a_misspelt_key_is_one_fault_and_names_the_nearest(tmp_path: Path, key: str, said: str) -> None:
    line = refusal(tmp_path, (HEIGHT, key))
    assert line.startswith(f'station "tank" {key.split(" ")[0]} = ')
    assert line.endswith(said)  # nothing about the height that is missing because of it


@pytest.mark.parametrize(
    ("key", "said"),
    [
        ("frequency = 868.0", "did you mean frequency_mhz?"),
        ("freq_hz = 868e6", "write frequency_mhz = 868"),
        ("frequency_hz = 868_000_000", "write frequency_mhz = 868"),
        ("frequency_ghz = 0.868", "write frequency_mhz = 868"),
        ("frequency_mhz = 868e6", "too high; allowed: 30 to 6000; write 868 if it was in Hz"),
        ("frequency_mhz = 0.868", "too low; allowed: 30 to 6000; write 868 if it was in GHz"),
    ],
)
def test_a_frequency_in_another_unit_is_converted_in_the_mend(tmp_path: Path, key: str, said: str) -> None:
    line = refusal(tmp_path, ("frequency_mhz = 868.0", key))
    assert line.startswith('link "level" freq')
    assert line.endswith(said)


@pytest.mark.parametrize(
    ("old", "new", "station"),
    [
        (HEIGHT, 'antenna_height_m = "20 ft"', 6.096),
        (HEIGHT, 'antenna_height_m = "0.01 mi"', 16.09344),
        (HEIGHT, 'antenna_height_m = "650cm"', 6.5),
        (HEIGHT, 'antenna_height_m = "6.5 m"', 6.5),
        ("frequency_mhz = 868.0", 'frequency_mhz = "0.868 GHz"', 868.0),
        ("frequency_mhz = 868.0", 'frequency_mhz = "868000 kHz"', 868.0),
    ],
)
def test_a_figure_with_a_unit_is_put_into_that_of_its_key(
    tmp_path: Path, old: str, new: str, station: float
) -> None:
    plan = load(tmp_path, (old, new)).plan
    found = plan.station[0].antenna_height_m if old == HEIGHT else plan.link[0].frequency_mhz
    assert found == pytest.approx(station, rel=1e-12)


@pytest.mark.parametrize(
    ("key", "said"),
    [
        ("tries = 3", "it belongs in [[link]]"),
        ("gain_dbi = 3", "it belongs in [station.antenna]"),
        ("gain_db = 3", "it belongs in [station.antenna] as gain_dbi or gain_dbd"),
        ("antenna_gain_dbi = 3", "it belongs in [station.antenna] as gain_dbi"),
        ("length_m = 3", "it belongs in [station.feeder]"),
        ("loss_db = 3", "it belongs in [[station.extra_loss]]"),
        ("bandwidth_hz = 125_000", "write bandwidth_khz = 125 in [link.modulation]"),
        ("transmit_power_mw = 25", "write transmit_power_dbm = 13.9794"),  # 10 log10(25)
        ("lat = -20.0", "did you mean latitude_deg?"),
        ("zzz = 1", "known: name, latitude_deg, longitude_deg"),
    ],
)
def test_a_key_in_the_wrong_place_is_sent_to_the_right_one(tmp_path: Path, key: str, said: str) -> None:
    line = refusal(tmp_path, (HEIGHT, f"{HEIGHT}\n{key}"))
    assert line.startswith(f'station "tank" {key.split(" ")[0]} = ')
    assert "is not a known key here; " in line
    assert said in line


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ([("[[link]]", "[[links]]")], "links is not a known section here; did you mean [[link]]"),
        ([("[[link]]", "[link]")], "link = a table is not a list of tables; write [[link]] with double"),
        ([("title =", "terrain =")], 'terrain = "invented" is not a table; write [terrain] above its keys'),
        ([("[link.modulation]", "[modulation]")], "modulation is not a known section here"),
        (
            [('title = "invented"', "station = [1, 2]\nlink = [[]]"), (PLAN[PLAN.index("[[station") :], "")],
            "station 1 = 1 is not a table; write [[station]] above its keys",
        ),
    ],
)
def test_tables_written_wrongly_show_the_header_to_write(
    tmp_path: Path, changes: list[tuple[str, str]], said: str
) -> None:
    assert said in refusal(tmp_path, *changes)


@pytest.mark.parametrize(
    "written",
    [
        'antenna_height_m = "12\'"',
        'extra_loss = [{ loss_db = "6 dBd", reason = "invented" }]',
        'antenna_height_m = "12 fathoms"',
    ],
)
def test_a_figure_in_a_unit_that_is_not_known_is_not_to_be_written_bare(tmp_path: Path, written: str) -> None:
    key = written if "height" in written else f"{HEIGHT}\n{written}"
    line = refusal(tmp_path, (HEIGHT, key))
    assert "is not a number" in line
    assert "write" not in line


@pytest.mark.parametrize("width_khz", [5.0, 49.9])
def test_an_fsk_receiver_narrower_than_its_signal_is_refused(width_khz: float) -> None:
    with pytest.raises(
        ValueError, match="narrower than the signal of bit_rate_bps and deviation_hz: at least 50"
    ):
        FskModulation(
            kind="fsk", bit_rate_bps=50e3, deviation_hz=25e3, required_snr_db=10.0, bandwidth_khz=width_khz
        )


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ('kind = "css"', 'link "level" modulation.kind is missing; allowed: "css", "fsk"'),
        ('kind = "cs"', 'modulation.kind = "cs" is not known; allowed: "css", "fsk"; write "css"'),
        ("kind = 5", 'modulation.kind = 5 is not known; allowed: "css", "fsk"'),
        (
            'kind = "fsk"',
            'modulation.spreading_factor = 10 is not a known key here; it goes with kind = "css"',
        ),
    ],
)
def test_an_unknown_modulation_is_named_without_the_validators_own_words(
    tmp_path: Path, change: str, said: str
) -> None:
    line = refusal(tmp_path, ('kind = "css"', "" if "missing" in said else change))
    assert said in line
    for inner in ("pydantic", "tag", "discriminator", "Input", "valid"):
        assert inner not in line


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("spreading_factor = 10", "spreading_factor = 4", "= 4 is too low; allowed: 5 to 12"),
        ("spreading_factor = 10", 'spreading_factor = "SF10"', "write 10 without quotes"),
        (
            "spreading_factor = 10",
            "spreading_factor = 10.0",
            "is not a whole number; allowed: 5 to 12; write 10",
        ),
        ("spreading_factor = 10", 'spreading_factor = 10\ncoding_rate = "4-5"', 'write "4/5"'),
        ("spreading_factor = 10", "spreading_factor = 10\ncrc = 1", "is not true or false; write true"),
        (
            "spreading_factor = 10",
            "spreading_factor = 10\nlow_data_rate_optimisation = true",
            '= true is not known; allowed: "auto", "on", "off"; write "on"',
        ),
        ('polarisation = "vertical"', 'polarisation = "Vertical"', 'write "vertical"'),
        ('type = "rg213"', 'type = "RG-213"', 'feeder.type: "RG-213" is not known; allowed: none, '),
        ('type = "rg213"', 'type = "RG-213"', 'write "rg213"'),
        ('type = "rg213"\n', "", "length_m = 5 needs a cable type or loss_db_per_100m"),
        ("length_m = 5.0", "connectors = 2", "feeder: length_m is missing"),
        ("title =", "title = 5 #", 'title = 5 is not text; write "5"'),
        ('name = "tank"', 'name = "a\\nb"', r'name = "a\nb" must be one line of plain text'),
        ('name = "tank"', f'name = "{"x" * 61}"', "is too long: 61 characters, at most 60"),
        ('name = "tank"', "", "station 1 name is missing"),
        (
            HEIGHT,
            "",
            'station "tank" antenna_height_m is missing: antenna height above ground, m; allowed: 0.1',
        ),
        (HEIGHT, f"{HEIGHT}\nlatitude_deg = 151.2", "are latitude and longitude swapped?"),
        (HEIGHT, f"{HEIGHT}\nlatitude_deg = '''33\u00b045'30\"S'''", "write -33.758333"),
        (HEIGHT, f'{HEIGHT}\nlatitude_deg = "33.75 S"', "write -33.75 without quotes"),
        (HEIGHT, f"{HEIGHT}\nlatitude_deg = 10.0", "latitude_deg and longitude_deg go together"),
        (
            'to = "shed"',
            'to = "shde"',
            'link "level" to = "shde": unknown station; did you mean "shed"?',
        ),
        ('to = "shed"', 'to = "tank"', 'from and to are both "tank"'),
        ('name = "shed"', 'name = "tank"', 'two stations are named "tank"; names must differ'),
        ('to = "shed"', 'to = "shed"\nrequired_success = 99', "write 0.99 if it was in percent"),
        (
            "length_m = 5.0",
            "length_m = 5.0\n[[station.extra_loss]]\nloss_db = 3",
            'station "tank" extra_loss 1 reason is missing: why',
        ),
    ],
)
def test_each_kind_of_fault_is_named_with_place_and_mend(
    tmp_path: Path, old: str, new: str, said: str
) -> None:
    assert said in refusal(tmp_path, (old, new))


def test_minutes_and_seconds_are_converted_as_the_mend_says(tmp_path: Path) -> None:
    # 33 deg 45' 30" = 33 + 45/60 + 30/3600
    line = refusal(tmp_path, (HEIGHT, f'{HEIGHT}\nlongitude_deg = "33:45:30 W"'))
    assert f"write {-(33 + 45 / 60 + 30 / 3600):.6f} without quotes" in line


def test_two_links_of_one_name_are_refused(tmp_path: Path) -> None:
    second = PLAN[PLAN.index("[[link]]") :]
    assert 'two links are named "level"' in refusal(tmp_path, raw=PLAN + second)


def test_several_faults_lead_with_the_first_and_name_the_places_of_the_others(tmp_path: Path) -> None:
    line = refusal(
        tmp_path,
        (HEIGHT, "antenna_height_m = -1"),
        ("frequency_mhz = 868.0", "frequency_mhz = 1"),
        ("spreading_factor = 10", "spreading_factor = 3"),
    )
    assert line.startswith('station "tank" antenna_height_m = -1 is too low')
    assert line.endswith(
        '(2 more faults: link "level" frequency_mhz; link "level" modulation.spreading_factor)'
    )


def test_a_link_without_any_source_of_heights_is_refused(tmp_path: Path) -> None:
    line = refusal(tmp_path, ('profile_csv = "path.csv"\n', ""))
    assert line == 'link "level" has no source of heights; give terrain.rasters, or profile_csv of this link'


def test_a_link_over_rasters_needs_both_positions(tmp_path: Path) -> None:
    (tmp_path / "ground.tif").touch()
    terrain = ('title = "invented"', '[terrain]\nrasters = ["ground.tif"]')
    unsurveyed = ('profile_csv = "path.csv"\n', "")
    tank = (HEIGHT, f"{HEIGHT}\nlatitude_deg = 1.0\nlongitude_deg = 2.0")
    shed = ("antenna_height_m = 6.0", "antenna_height_m = 6.0\nlatitude_deg = 1.0\nlongitude_deg = ")
    line = refusal(tmp_path, terrain, unsurveyed)
    assert 'station "tank" and station "shed" have no position' in line
    assert 'but station "shed" has no position' in refusal(tmp_path, terrain, unsurveyed, tank)
    line = refusal(tmp_path, terrain, unsurveyed, tank, (shed[0], shed[1] + "2.0"))
    assert "two stations at the same position" in line
    assert load(tmp_path, terrain, unsurveyed, tank, (shed[0], shed[1] + "2.01")).plan.terrain.rasters


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("grund.tif", 'terrain.rasters = "grund.tif": no such file; nearest in that folder is "ground.tif"'),
        ("maps/x.img", "no such file; it is looked for in "),
        ("C:\\\\temp\\new.tif", "a backslash in double quotes is special"),
    ],
)
def test_a_raster_that_is_not_there_is_named_with_its_key(tmp_path: Path, name: str, said: str) -> None:
    (tmp_path / "ground.tif").touch()
    line = refusal(tmp_path, ("title =", f'terrain = {{ rasters = ["ground.tif", "{name}"] }}\ntitle ='))
    assert line.startswith("terrain.rasters = ")
    assert said in line


def test_a_surveyed_profile_that_is_not_there_is_named_with_its_link(tmp_path: Path) -> None:
    line = refusal(tmp_path, ('"path.csv"', '"pth.csv"'))
    assert line == 'link "level" profile_csv = "pth.csv": no such file; nearest in that folder is "path.csv"'


def test_remote_rasters_need_a_plan_that_says_so_and_are_not_looked_for(tmp_path: Path) -> None:
    names = '["https://example.invalid/x.tif", "/vsicurl/https://example.invalid/y.tif"]'
    line = refusal(tmp_path, ("title =", f"terrain = {{ rasters = {names} }}\ntitle ="))
    assert "lies on the network, and nothing is read from there unless network = true in [terrain]" in line
    load(tmp_path, ("title =", f"terrain = {{ rasters = {names}, network = true }}\ntitle ="))


def test_the_plans_folder_counts_not_the_current_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = write(tmp_path, PLAN)
    monkeypatch.chdir("/")
    assert load_plan(file).base_dir == tmp_path


def test_a_spreading_factor_that_not_every_radio_has_is_noted(tmp_path: Path) -> None:
    (note,) = load(tmp_path, ("spreading_factor = 10", "spreading_factor = 6")).notes
    assert note.startswith('link "level": not every radio offers spreading factor 6')


def test_hostile_names_stay_on_one_line(tmp_path: Path) -> None:
    line = refusal(tmp_path, ("title =", '"x\\n\\u001b[31m" = 1\ntitle ='))
    assert r'"x\n\x1b[31m" = 1 is not a known key here' in line


def test_a_thousand_faults_take_no_time_to_tell(tmp_path: Path) -> None:
    line = refusal(tmp_path, raw=plan_text() + "[[station]]\nnme = 1\nx = 2\n" * 500)
    assert line.startswith("station 3 nme = 1 is not a known key here; did you mean name")
    assert len(line) < 400
