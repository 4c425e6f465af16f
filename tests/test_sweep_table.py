"""The table a sweep gives, and its ways out: CSV, JSON, Parquet, pandas, xarray."""

import copy
import csv
import io
import json
import pickle
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from linkcalc.errors import DomainError, LinkcalcError
from linkcalc.sweeps.sweeping import sweep_plan
from linkcalc.sweeps.table import QUANTITIES, Sweep
from tests.test_sweep import site


def table() -> Sweep:
    return sweep_plan(site(), {"coding_rate": ["4/5", "4/8"], "power": [14, 33], "crc": [True, False]})


def test_every_array_is_described_has_the_shape_and_cannot_be_changed() -> None:
    found = table()
    assert (found.shape, found.size) == ((2, 2, 2), 8)
    assert list(found.data) == list(QUANTITIES)
    for array in found.data.values():
        assert array.shape == found.shape
        with pytest.raises(ValueError, match="read-only"):
            array[0, 0, 0] = 0
    assert found["crc"].tolist() == [True, False]
    with pytest.raises(KeyError, match="crc, weaker_fade_margin_db"):
        found["nothing"]


@pytest.mark.parametrize("way", [copy.copy, copy.deepcopy, lambda s: pickle.loads(pickle.dumps(s))])
def test_a_sweep_survives_copy_and_pickle_and_stays_as_it_is(way: Callable[[Sweep], Sweep]) -> None:
    made = table()
    found = way(made)
    assert (found.dims, found.planned, found.warnings) == (made.dims, made.planned, made.warnings)
    assert list(found.data) == list(made.data)
    for name in (*made.dims, *made.data):
        np.testing.assert_array_equal(found[name], made[name])
        assert not found[name].flags.writeable
    with pytest.raises(TypeError):
        found.data["model"] = made["model"]  # type: ignore[index]


def test_a_cell_that_is_not_there_is_refused() -> None:
    found = table()
    with pytest.raises(DomainError, match="give one value each of coding_rate, transmit_power_dbm, crc"):
        found.cell({"crc": True})
    with pytest.raises(DomainError, match="transmit_power_dbm = 20 is not among the values of this sweep"):
        found.cell({"coding_rate": "4/5", "transmit_power_dbm": 20, "crc": True})


def test_csv_holds_every_combination_in_full_and_leaves_out_what_is_not_a_number() -> None:
    found = table()
    rows = list(csv.DictReader(io.StringIO(found.to_csv())))
    assert list(rows[0]) == [*found.dims, *QUANTITIES]
    assert [(r["coding_rate"], float(r["transmit_power_dbm"]), r["crc"]) for r in rows[:3]] == [
        ("4/5", 14.0, "True"),
        ("4/5", 14.0, "False"),
        ("4/5", 33.0, "True"),
    ]
    for row, margin, charge in zip(rows, found["fade_margin_db"].flat, found["charge_mc"].flat, strict=True):
        assert float(row["fade_margin_db"]) == margin
        assert (float(row["charge_mc"]) if row["charge_mc"] else None) == (
            None if np.isnan(charge) else charge
        )


def test_json_is_strict_says_what_is_what_and_comes_out_the_same_every_time() -> None:
    def never(word: str) -> None:
        raise AssertionError(word)

    found = table()
    told = json.loads(found.to_json(), parse_constant=never)
    assert (told["dims"], told["shape"]) == (list(found.dims), [2, 2, 2])
    assert (told["link"], told["near"], told["far"]) == ("level", "tank", "shed")
    assert told["coords"]["crc"] == [True, False]
    margin = told["data"]["fade_margin_db"]
    assert (margin["unit"], margin["about"]) == ("dB", "fade margin, near to far")
    assert np.array_equal(np.reshape(margin["values"], found.shape), found["fade_margin_db"])
    assert told["data"]["charge_mc"]["values"][2] is None
    assert table().to_json() == found.to_json()


def test_a_file_is_written_by_its_ending(tmp_path: Path) -> None:
    found = table()
    found.write(tmp_path / "sweep.csv")
    found.write(tmp_path / "sweep.JSON")
    assert (tmp_path / "sweep.csv").read_text() == found.to_csv()
    assert (tmp_path / "sweep.JSON").read_text() == found.to_json()
    with pytest.raises(LinkcalcError, match=r"sweep.xls: .xls: write .csv, .json, .parquet"):
        found.write(tmp_path / "sweep.xls")
    with pytest.raises(LinkcalcError, match="there is no folder"):
        found.write(tmp_path / "absent" / "sweep.csv")


def test_without_a_library_its_table_is_refused_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for module in ("pandas", "xarray", "pyarrow"):
        monkeypatch.setitem(__import__("sys").modules, module, None)
    with pytest.raises(
        LinkcalcError, match=r"needs pandas, which is not installed: pip install 'linkcalc\[tables\]'"
    ):
        table().to_pandas()
    with pytest.raises(LinkcalcError, match="needs xarray"):
        table().to_xarray()
    with pytest.raises(LinkcalcError, match="needs pyarrow"):
        table().write(tmp_path / "sweep.parquet")
    assert list(tmp_path.iterdir()) == []


def test_pandas_gets_a_row_for_each_combination() -> None:
    pytest.importorskip("pandas")
    found = table()
    frame = found.to_pandas()
    assert list(frame.columns) == [*found.dims, *QUANTITIES]
    assert len(frame) == found.size
    strong = frame.set_index(list(found.dims)).loc[("4/8", 33.0, False)]
    assert strong["fade_margin_db"] == found["fade_margin_db"][1, 1, 1]
    assert frame.attrs["link"] == "level"
    frame.loc[0, "fade_margin_db"] = 0.0  # the frame is the user's own


def test_xarray_gets_an_axis_for_each_parameter_with_units() -> None:
    pytest.importorskip("xarray")
    found = table()
    dataset = found.to_xarray()
    assert dict(dataset.sizes) == dict(zip(found.dims, found.shape, strict=True))
    cell = dataset["fade_margin_db"].sel(coding_rate="4/8", transmit_power_dbm=33.0, crc=False)
    assert float(cell) == found["fade_margin_db"][1, 1, 1]
    assert dataset["fade_margin_db"].attrs == {"units": "dB", "long_name": "fade margin, near to far"}
    assert dataset.attrs["plan_digest"] == found.plan_digest


def test_parquet_holds_the_columns(tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    found = table()
    found.write(tmp_path / "sweep.parquet")
    read = parquet.read_table(tmp_path / "sweep.parquet")
    assert read.column_names == [*found.dims, *QUANTITIES]
    assert read["fade_margin_db"].to_pylist() == found["fade_margin_db"].ravel().tolist()
    assert read["verdict"].to_pylist() == found["verdict"].ravel().tolist()
    assert read.schema.metadata[b"linkcalc.link"] == b"level"
