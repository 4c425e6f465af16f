"""The fleet file and its list of nodes: every fault one line, no good row lost to a bad one."""

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from linkcalc.errors import PlanError
from linkcalc.plan import load_plan
from linkcalc.plan.fleet import Fleet, fleet_of_plan, load_fleet
from linkcalc.plan.nodes import read_nodes

SAMPLES = Path(__file__).parents[2] / "terrain_samples"

FLEET = f"""
title = "test"
[terrain]
rasters = ["{(SAMPLES / "upland.tif").as_posix()}"]
[[shed]]
name = "shed"
latitude_deg = -40.0
longitude_deg = -20.0
antenna_height_m = 8.0
[equipment]
antenna_height_m = 3.0
[radio]
frequency_mhz = 869.525
modulation = {{ kind = "css", spreading_factor = 9 }}
[traffic]
interval_s = 900.0
[[node]]
name = "a"
latitude_deg = -40.01
longitude_deg = -20.01
"""


def load(tmp_path: Path, text: str):
    file = tmp_path / "fleet.toml"
    file.write_text(text)
    return load_fleet(file)


def fault(tmp_path: Path, text: str) -> str:
    with pytest.raises(PlanError) as caught:
        load(tmp_path, text)
    line = str(caught.value)
    assert "\n" not in line
    return line.removeprefix(f"{tmp_path / 'fleet.toml'}: ")


def test_a_quotation_mark_that_is_not_closed_is_named(tmp_path):
    file = tmp_path / "n.csv"
    file.write_text('name,latitude_deg,longitude_deg\na,-40,-20\n"b,-40,-20\n')
    assert read_nodes(file).refused[0].reason == "a quotation mark is not closed"


def test_the_sample_fleet_loads_and_says_that_it_is_invented():
    loaded = load_fleet(SAMPLES / "upland_fleet.toml")
    assert (len(loaded.nodes), loaded.refused, loaded.notes) == (60, (), ())
    assert loaded.fleet.title.startswith("Invented example")
    assert "Everything here is invented" in (SAMPLES / "upland_fleet.toml").read_text()
    assert (SAMPLES / "upland_tanks.csv").read_text().startswith("# Invented tanks")
    assert any(a.key == "radio.half_duplex" for a in loaded.assumed)
    assert sum((SAMPLES / n).stat().st_size for n in ("upland_fleet.toml", "upland_tanks.csv")) < 20_000


def test_making_the_sample_list_again_gives_the_same(tmp_path):
    import runpy

    runpy.run_path(str(SAMPLES / "make_fleet.py"))["main"](tmp_path)
    assert (tmp_path / "upland_tanks.csv").read_bytes() == (SAMPLES / "upland_tanks.csv").read_bytes()


def test_a_fleet_is_a_plan_with_a_link_to_every_shed():
    loaded = load_fleet(SAMPLES / "upland_fleet.toml")
    plan = loaded.plan().plan
    assert [s.name for s in plan.station] == ["node", "west shed", "east shed"]
    assert [(k.from_, k.to) for k in plan.link] == [("node", "west shed"), ("node", "east shed")]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("interval_s = 900.0", "interval_s = 0", "traffic.interval_s = 0 is too low; allowed: above 0"),
        ("interval_s = 900.0", "interval_s = 9,5", "the comma in 9,5: write 9.5"),
        ("interval_s = 900.0", "", "traffic.interval_s is missing: time between two messages"),
        ("[traffic]", "[traffc]", "traffc is not a known section here; did you mean [traffic]?"),
        ("spreading_factor = 9", "spreading_factor = 6", "what survives a collision is published for"),
        ("[radio]", "[radio]\nspreading_factors = [7, 13]", "too high; allowed: a list, each 7 to 12"),
        ("[radio]", "[radio]\nspreading_factors = [7, 7]", "spreading_factors holds a value twice"),
        ("[radio]", "[radio]\nchannels = 0", "radio.channels = 0 is too low; allowed: 1 to 1000"),
        ("[equipment]", "[equipment]\nlatitude_deg = 1.0\nlongitude_deg = 2.0", "equipment has no position"),
        ('name = "a"', 'name = "a"\nshed = "shet"', '"shet": unknown base station; did you mean "shed"?'),
        ("[[node]]", "[node]", "is not a list of tables; write [[node]]"),
        ("latitude_deg = -40.01", "latitude_deg = 140.01", 'node "a" latitude_deg = 140.01 is too high'),
        ("latitude_deg = -40.01\n", "", 'node "a": needs latitude_deg and longitude_deg, or easting_m'),
        ("latitude_deg = -40.0\nlongitude_deg = -20.0", "", 'shed "shed" has no position'),
        ('title = "test"', 'nodes = "x.csv"', "give the nodes once"),
        ("upland.tif", "uplnd.tif", 'no such file; nearest in that folder is "upland.tif"'),
        ("rasters", "raster", "raster"),
    ],
)
def test_a_fault_is_one_line_with_place_value_and_mend(tmp_path, old, new, words):
    assert old in FLEET
    assert words in fault(tmp_path, FLEET.replace(old, new, 1))


def test_an_empty_file_a_plan_and_a_name_twice_are_told_apart(tmp_path):
    assert fault(tmp_path, "") == "is empty; a fleet file has [[shed]], [equipment], [radio] and [traffic]"
    plan = fault(tmp_path, (SAMPLES / "plain.toml").read_text())
    assert plan == "is a plan, not a fleet: linkcalc fleet NODES.csv --plan fleet.toml"
    twice = FLEET + FLEET[FLEET.index("[[node]]") :]
    assert 'two nodes are named "a"; names must differ' in fault(tmp_path, twice)


def test_a_list_that_is_not_there_is_named(tmp_path):
    text = FLEET[: FLEET.index("[[node]]")].replace('title = "test"', 'nodes = "tnaks.csv"')
    (tmp_path / "tanks.csv").write_text("name,latitude_deg,longitude_deg\n")
    assert fault(tmp_path, text) == (
        'nodes = "tnaks.csv": no such file; nearest in that folder is "tanks.csv"'
    )


# ---------------------------------------------------------------- the list


def nodes(tmp_path: Path, text: str | bytes):
    file = tmp_path / "nodes.csv"
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_nodes(file)


HEAD = "name,latitude_deg,longitude_deg,antenna_height_m,spreading_factor\n"


def test_good_rows_are_kept_and_bad_ones_named_by_their_line(tmp_path):
    found = nodes(
        tmp_path,
        "# invented\n" + HEAD + "a,-40.0,-20.0,4,9\n\nb,forty,-20.0,4,9\nc,-40.1,-20.1,,\na,-40.2,-20.2,4,9\n"
        "d,-95,-20.0,4,9\ne,-40.0,-20.0,4,nine\nf,-40.0,-20.0,4\ng,,,4,9\nh,-40.3,-20.3,900000,9\n",
    )
    assert [n.name for n in found.nodes] == ["a", "c"]
    assert found.rows == (3, 6)
    reasons = {r.row: r.reason for r in found.refused}
    assert reasons == {
        5: 'latitude_deg = "forty" is not a number; allowed: -90 to 90',
        7: 'name = "a" is the name of row 3 too; names must differ',
        8: "latitude_deg = -95 is too low; allowed: -90 to 90; are latitude and longitude swapped?",
        9: 'spreading_factor = "nine" is not a whole number; allowed: 7 to 12',
        10: "4 values under 5 columns",
        11: "needs latitude_deg and longitude_deg, or easting_m, northing_m and epsg",
        12: "antenna_height_m = 900000 is too high; allowed: 0.1 to 3000",
    }


def test_semicolons_and_decimal_commas_a_byte_order_mark_and_windows_letters_are_read(tmp_path):
    text = "\ufeffname;latitude_deg;longitude_deg\r\nKühltank;-40,5;-20,25\r\n"
    found = nodes(tmp_path, text.encode("utf-8"))
    assert (found.nodes[0].name, found.nodes[0].latitude_deg) == ("Kühltank", -40.5)
    found = nodes(tmp_path, text.removeprefix("\ufeff").encode("cp1252"))
    assert found.nodes[0].name == "Kühltank"
    found = nodes(tmp_path, text.encode("utf-16"))
    assert found.nodes[0].longitude_deg == -20.25


def test_decimal_commas_between_commas_are_named(tmp_path):
    with pytest.raises(PlanError, match="row 2: 5 values under 3 columns: decimal commas"):
        nodes(tmp_path, "name,latitude_deg,longitude_deg\na,-40,5,-20,25\n")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty; write a header line name,latitude_deg,longitude_deg and a row a node"),
        ("# only this\n", "holds no rows; write a header line"),
        (HEAD, "row 1: a header, but no node below it"),
        ("name,latitud,lon\na,1,2\n", 'row 1: no column latitude_deg; for "latitud" write latitude_deg'),
        ("a,-40.0,-20.0\n", "row 1: no column name; the first row must name the columns"),
        ("name,name,latitude_deg,longitude_deg\n", "two columns are named name"),
        (HEAD + "a,x,y,4,9\nb,x,y,4,9\n", "no row can be used; row 2: latitude_deg = "),
        ("\0\0\0", "is not a text file"),
    ],
)
def test_a_list_of_which_nothing_can_be_used_is_one_line(tmp_path, text, words):
    with pytest.raises(PlanError) as caught:
        nodes(tmp_path, text)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_column_that_is_not_known_is_said_and_not_used(tmp_path):
    found = nodes(tmp_path, "name,lat,Longitude (deg),owner,height,SF\na,-40,-20,x,4,9\n")
    (node,) = found.nodes
    assert (node.latitude_deg, node.longitude_deg, node.spreading_factor) == (-40.0, -20.0, 9)
    assert found.notes == (
        'column "owner" is not known and not used',
        'column "height" is not known and not used; write antenna_height_m',
    )


# ---------------------------------------------------------------- a list with a plan


def test_a_plan_lends_its_sheds_equipment_and_signal(tmp_path):
    loaded = fleet_of_plan(load_plan(SAMPLES / "upland.toml"), SAMPLES / "upland_tanks.csv")
    fleet = loaded.fleet
    assert [s.name for s in fleet.shed] == ["generator shed"]
    assert fleet.equipment.name == "tank"
    assert fleet.traffic.interval_s == 600.0
    assert fleet.traffic.tries == 3
    assert (len(loaded.nodes), [r.row for r in loaded.refused]) == (59, [9])


def test_a_plan_that_does_not_say_how_often_is_one_line():
    plan = load_plan(SAMPLES / "plain.toml")
    with pytest.raises(PlanError, match="how often a node reports is not stated; give --interval-s"):
        fleet_of_plan(plan, SAMPLES / "upland_tanks.csv")


def test_every_key_has_a_description_and_every_assumption_a_source():
    schema = Fleet.model_json_schema()
    for section in [schema, *schema["$defs"].values()]:
        for key, value in section.get("properties", {}).items():
            assert value.get("description"), key


CELL = st.one_of(
    st.text(st.characters(codec="utf-8"), max_size=12),
    st.sampled_from(
        ["", "a", "-40.0", "-40,5", "1e400", "nan", "inf", '"', ";", "0x10", "٣", "9" * 400, "-"]
    ),
)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=st.lists(st.lists(CELL, min_size=1, max_size=6), max_size=6))
def test_whatever_a_list_holds_each_row_is_a_node_or_refused_in_one_line(tmp_path, rows):
    text = HEAD + "good,-40.0,-20.0,4,9\n" + "".join(",".join(r) + "\n" for r in rows)
    found = nodes(tmp_path, text.encode("utf-8", errors="replace").replace(b"\0", b"?"))
    assert found.nodes[0].name == "good"
    for refused in found.refused:
        assert refused.reason
        assert "\n" not in refused.reason
    assert len({n.name for n in found.nodes}) == len(found.nodes)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=300))
def test_any_bytes_at_all_are_a_list_or_one_line(tmp_path, raw):
    said = ""
    try:
        nodes(tmp_path, raw)
    except PlanError as error:
        said = str(error)
    assert "\n" not in said
