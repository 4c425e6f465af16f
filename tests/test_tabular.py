"""Tables that people make: one spreadsheet, however it was saved, reads the same for every reader."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from linkcalc.plan.checking import read_pattern
from linkcalc.plan.nodes import read_nodes
from linkcalc.plan.sites import read_sites
from linkcalc.site.readings import read_readings
from linkcalc.tabular import TableError, number, table_of
from linkcalc.terrain.surveyed import read_profile_csv

Cells = list[list[str]]


def readings(path: Path) -> Any:
    found = read_readings(path, ("tank", "shed"))
    return found.readings, found.refused, found.notes


def nodes(path: Path) -> Any:
    found = read_nodes(path)
    return [n.model_dump() for n in found.nodes], found.refused, found.notes


def profile(path: Path) -> Any:
    found = read_profile_csv(path)
    return found.distance_m.tolist(), found.ground_m.tolist(), found.clutter_m.tolist(), found.clutter_kind


SHEETS: dict[str, tuple[Callable[[Path], Any], Cells]] = {
    "readings": (
        readings,
        [["direction", "rssi_dbm", "snr_db", "near_height_m", "note"],
         ["forward", "-101.5", "7.25", "2.5", "größte"], ["return", "-99", "0.125", "", "dry"]],
    ),
    "nodes": (
        nodes,
        [["name", "latitude_deg", "longitude_deg", "antenna_height_m"],
         ["Kühltank", "-40.125", "-20.5", "2.5"], ["b", "-40.5", "-20.25", ""]],
    ),
    "sites": (
        read_sites,
        [["name", "latitude_deg", "longitude_deg", "antenna_height_m"],
         ["Kühltank", "32.125", "-97.5", "3.5"], ["b", "32.5", "-97.25", ""]],
    ),
    "profile": (
        profile,
        [["distance_m", "ground_m", "clutter_m", "clutter_kind"],
         ["0", "101.5", "0", ""], ["55.25", "103", "9.125", "Trees"], ["1120.5", "99.5", "0", ""]],
    ),
    "azimuth": (
        lambda path: read_pattern(path, "azimuth_deg"),
        [["azimuth_deg", "gain_dbi"], *([f"{a}.5", f"{9 - a / 30}"] for a in range(0, 360, 30))],
    ),
    "elevation": (
        lambda path: read_pattern(path, "elevation_deg"),
        [["elevation_deg", "gain_dbi"], *([str(a), f"{9.25 - abs(a) / 8}"] for a in range(-60, 61, 20))],
    ),
}  # fmt: skip


def joined(cells: Cells, separator: str = ",", end: str = "\n") -> str:
    return end.join(separator.join(row) for row in cells) + end


def commas(cells: Cells, mark: str = "") -> Cells:
    """With decimal commas, in quotation marks or not."""
    return [[mark + c.replace(".", ",") + mark if "." in c else c for c in row] for row in cells]


def shown(cells: Cells) -> Cells:
    """With the header as a spreadsheet shows it, units in brackets."""
    parts = [c.rpartition("_") for c in cells[0]]
    heads = [
        f"{name.replace('_', ' ').capitalize()} [{unit}]" if name else unit.upper() for name, _, unit in parts
    ]
    return [[h.replace("[deg]", "(°)").replace("[kind]", "kind") for h in heads], *cells[1:]]


def with_units(cells: Cells) -> Cells:
    units = [
        head.rpartition("_")[2] if head.endswith(("_m", "_dbm", "_db", "_dbi")) else "" for head in cells[0]
    ]
    below = [[f"{c} {u}" if c and u else c for c, u in zip(row, units, strict=True)] for row in cells[1:]]
    return [cells[0], *below]


WAYS: dict[str, Callable[[Cells], bytes]] = {
    "with a byte order mark and Windows' line ends": lambda c: joined(c, end="\r\n").encode("utf-8-sig"),
    "semicolons, decimal commas, Windows letters": lambda c: joined(commas(c), ";").encode("cp1252"),
    "semicolons, decimal points": lambda c: joined(c, ";").encode(),
    "tabs as UTF-16": lambda c: joined(commas(c), "\t", "\r\n").encode("utf-16"),
    "the separator named in the first line": lambda c: (
        "sep=;\r\n" + joined(commas(c), ";", "\r\n")
    ).encode(),
    "commas, and decimal commas in quotation marks": lambda c: joined(commas(_short(c), '"')).encode(),
    "old line ends, comments and blank lines": lambda c: (
        "# ours\r\r" + joined(c, end="\r") + ",,,\r"
    ).encode(),
    "the header as a spreadsheet shows it": lambda c: joined(shown(c), ";").encode(),
    "a unit behind each number": lambda c: joined(with_units(c), ";").encode(),
    "a minus sign as typesetters have it": lambda c: joined(c, ";").replace("-", "−").encode(),
}


def _short(cells: Cells) -> Cells:
    """Without three digits behind a comma, which may be thousands."""
    return [[c[:-1] if "." in c and len(c.partition(".")[2]) == 3 else c for c in row] for row in cells]


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("sheet", SHEETS)
def test_a_spreadsheet_reads_the_same_however_it_was_saved(tmp_path: Path, sheet: str, way: str) -> None:
    read, cells = SHEETS[sheet]
    if "quotation" in way:
        cells = _short(cells)
    plain, other = tmp_path / "plain" / "sheet.csv", tmp_path / "other" / "sheet.csv"
    for file, content in ((plain, joined(cells).encode()), (other, WAYS[way](cells))):
        file.parent.mkdir()
        file.write_bytes(content)
    expected, found = read(plain), read(other)
    if sheet == "readings":  # what differs is where in the file a row stands
        assert not found[1], found[1]
        found, expected = ([vars(r) | {"row": 0} for r in part[0]] for part in (found, expected))
    assert found == expected


@pytest.mark.parametrize("sheet", SHEETS)
@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "is empty|holds no site"),
        (b"# ours\n", "holds no rows"),
        (b"PK\x01\x02\0\0", "not a text file|not a readable archive"),
        (b"1,2,3\n4,5,6\n", "column"),
    ],
)
def test_what_is_no_table_is_refused_in_one_line_that_names_the_file(
    tmp_path: Path, sheet: str, content: bytes, said: str
) -> None:
    file = tmp_path / "sheet.csv"
    file.write_bytes(content)
    with pytest.raises(Exception, match=said) as caught:
        SHEETS[sheet][0](file)
    assert "\n" not in str(caught.value)


def test_a_comma_before_three_digits_is_refused_where_it_may_separate_thousands() -> None:
    commas_only = table_of("height_m;depth_m\n1,500;2,5\n", "")
    assert commas_only.plain("height_m", "1,500") == "1.500"
    for text in ('height_m,depth_m\n"1,500",2\n', "height_m;depth_m\n1,500;2.5\n"):
        with pytest.raises(TableError, match=r'height_m = "1,500": write 1\.500 or 1500, whichever is meant'):
            table_of(text, "").plain("height_m", "1,500")
    assert table_of('height_m,depth_m\n"0,500",2\n', "").plain("height_m", "0,500") == "0.500"


@pytest.mark.parametrize(
    "cell", ["1_000", "0x10", "nan", "inf", "١٢", "1 000", "1.000,5", "12 ft", "", "--1"]
)
def test_what_is_no_number_is_none(cell: str) -> None:
    table = table_of("height_m;name\n1;a\n", "")
    with pytest.raises(TableError, match="height_m"):
        number("height_m", table.plain("height_m", cell))


def test_a_cell_of_several_lines_is_one_cell_and_a_stray_quotation_mark_costs_its_own_row() -> None:
    text = 'name,note\na,"dug in\nby hand"\nb,"never closed\n' + "".join(f"c{i},x\n" for i in range(20))
    rows = table_of(text, "").rows
    assert (rows[0].number, rows[0].cells, rows[0].fault) == (2, ("a", "dug in\nby hand"), "")
    assert (rows[1].number, rows[1].fault) == (4, "a quotation mark is not closed")
    assert [r.cells[0] for r in rows[2:]] == [f"c{i}" for i in range(20)]


def test_a_usual_name_counts_only_where_no_column_has_the_key() -> None:
    usual = {"lat": "latitude_deg", "y": "latitude_deg", "id": "name"}
    keys = table_of("id;name;y;Lat\n1;a;2;3\n", "").keys(("name", "latitude_deg"), usual)
    assert keys == ("", "name", "", "latitude_deg")


def test_the_separator_is_what_parts_the_header_into_most_cells() -> None:
    assert table_of('"Height, above ground";"Gain, of the antenna"\n1;2\n', "").separator == ";"
    assert table_of("sep=|\na;b|c\n1|2\n", "").header == ("a;b", "c")


def test_a_stray_quotation_mark_swallows_no_row() -> None:
    text = (
        'direction,received,note\nthere,20,"truck on the road\nthere,0,nothing heard\nback,20,moved away"\n'
    )
    rows = table_of(text, "").rows
    assert [(r.number, bool(r.fault)) for r in rows] == [(2, True), (3, False), (4, False)]
    goes_on = table_of('direction,received,note\nthere,20,"truck on\nthe road"\nback,20,ok\n', "").rows
    assert [(r.number, r.fault) for r in goes_on] == [(2, ""), (4, "")]


@pytest.mark.parametrize("separator", ["\t", ";"])
def test_heights_with_thousands_are_not_metres_and_a_bit(separator: str) -> None:
    text = "distance_m;ground_m\n0;1,200\n30;1,285\n".replace(";", separator)
    with pytest.raises(TableError, match=r"write 1\.200 or 1200, whichever is meant"):
        table_of(text, "").plain("ground_m", "1,200")
    shown = table_of(text + f"45{separator}960,5\n", "")
    assert shown.plain("ground_m", "1,200") == "1.200"


def test_feet_are_not_told_to_drop_their_mark() -> None:
    with pytest.raises(TableError, match=r"is not a number$"):
        number("near_height_m", "12'")
    with pytest.raises(TableError, match="no separator of thousands"):
        number("near_height_m", "1 200")
