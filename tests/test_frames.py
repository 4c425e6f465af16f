"""Measurements in data frames, and one's own links against what is predicted for them."""

from typing import Any

import numpy as np
import pytest

import linkcalc as lc
from linkcalc.errors import DomainError, ReadingsError
from linkcalc.files import sample_path
from linkcalc.link.on_ground import cases, open_terrain
from linkcalc.plan import LoadedPlan, load_plan, plan_from
from linkcalc.site.readings import read_readings

pandas = pytest.importorskip("pandas")


def test_a_frame_gives_the_readings_that_its_file_gives() -> None:
    loaded = load_plan(sample_path("upland"))
    link = loaded.plan.link[0]
    file = sample_path("upland").parent / "upland_readings.csv"
    from_file = read_readings(file, (link.from_, link.to))
    from_frame = lc.readings_from(pandas.read_csv(file, comment="#"), loaded, link=link.name)

    def strip(found: Any) -> list[Any]:
        return [(r.direction, r.time, r.rssi_dbm, r.snr_db, r.sent, r.received) for r in found.readings]

    assert strip(from_frame) == strip(from_file)


def test_readings_survive_the_way_to_a_frame_and_back() -> None:
    loaded = load_plan(sample_path("upland"))
    link = loaded.plan.link[0]
    file = sample_path("upland").parent / "upland_readings.csv"
    found = read_readings(file, (link.from_, link.to))
    frame = lc.readings_frame(found)
    again = lc.readings_from(frame, loaded, link=link.name)
    assert len(again.readings) == len(found.readings)
    for name in frame.columns:
        assert [getattr(r, name) for r in again.readings] == [getattr(r, name) for r in found.readings], name


def test_a_row_of_a_frame_that_cannot_be_used_is_refused_and_the_others_read() -> None:
    frame = pandas.DataFrame(
        {"direction": ["forward", "forward"], "rssi_dbm": [-100.0, 80.0], "snr_db": [5.0, np.nan]}
    )
    found = lc.readings_from(frame, load_plan(sample_path("plain")))
    assert len(found.readings) == 1
    assert "write -80" in found.refused[0].reason
    with pytest.raises(ReadingsError, match="data frame"):
        lc.readings_from(pandas.DataFrame({"level": [1]}), load_plan(sample_path("plain")))


def fan(count: int) -> LoadedPlan:
    """Links of many lengths over level ground."""
    stations: list[dict[str, Any]] = [{"name": "mast", "antenna_height_m": 30.0, "surroundings": "none"}]
    links, profiles = [], {}
    for i in range(count):
        length = 800.0 + 300.0 * i
        stations.append({"name": f"tank {i}", "antenna_height_m": 3.0 if i % 2 else 25.0,
                         "surroundings": "suburban" if i % 2 else "none"})  # fmt: skip
        links.append({"name": f"link {i}", "from": f"tank {i}", "to": "mast", "frequency_mhz": 868.3,
                      "modulation": {"kind": "css", "spreading_factor": 9}})  # fmt: skip
        profiles[f"link {i}"] = lc.profile_from(np.linspace(0, length, 30), np.full(30, 40.0))
    return plan_from(station=stations, link=links, profiles=profiles)


def test_errors_that_were_put_in_come_out_by_class() -> None:
    loaded = fan(40)
    with open_terrain(loaded) as terrain:
        predicted = {c.link.name: c.budget().path_loss_db for c in cases(loaded, terrain)}
    rng = np.random.default_rng(4)
    error = {name: (6.0 if int(name.split()[1]) % 2 else -2.0) + rng.normal(0, 1.5) for name in predicted}
    found = lc.compare_measured(loaded, {n: predicted[n] - error[n] for n in predicted})
    table = found.by_class()
    assert table.loc["all", "links"] == 40
    low, high = (table[table.index.str.contains(w)] for w in ("low end", "both high"))
    assert low["links"].sum() == high["links"].sum() == 20
    assert np.average(low["bias_db"], weights=low["links"]) == pytest.approx(6.0, abs=1.0)
    assert np.average(high["bias_db"], weights=high["links"]) == pytest.approx(-2.0, abs=1.0)
    assert (table["in_90"] >= table["in_50"]).all()
    assert found.to_pandas()["error_db"].tolist() == pytest.approx([error[n] for n in found.link])


def test_levels_count_with_the_planned_gains_and_several_rows_by_their_median() -> None:
    loaded = fan(4)
    links = lc.check_plan(loaded, advice=False).links
    rows = [(k.name, k.directions[0].received_power_dbm + off) for k in links for off in (-3.0, 0.0, 9.0)]
    found = lc.compare_measured(loaded, pandas.DataFrame(rows, columns=["link", "rssi_dbm"]))
    assert found.error_db == pytest.approx(np.zeros(4), abs=1e-6)


@pytest.mark.parametrize(
    ("given", "line"),
    [
        ({}, "nothing is measured"),
        ({"link 9": 100.0}, 'did you mean "link '),
        ({"link 0": float("nan")}, "is not finite"),
        (3.0, "give losses by name"),
        (pandas.DataFrame({"loss": [1.0]}), "needs a column link"),
    ],
)
def test_measurements_that_cannot_be_used_get_one_line(given: Any, line: str) -> None:
    with pytest.raises(DomainError, match=line):
        lc.compare_measured(fan(2), given)
