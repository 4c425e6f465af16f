import json

import numpy as np
import pytest

from linkcalc.propagation import p1812
from tests.benchmarks import __main__ as command
from tests.benchmarks import bench_p1812
from tests.benchmarks.measure import Row, side_by_side
from tests.benchmarks.straight_p1812 import predict


def test_a_bar_is_missed_on_its_own_side() -> None:
    assert not Row("faster", 60.0, 50.0, ">=").missed
    assert Row("faster", 40.0, 50.0, ">=").missed
    assert not Row("cheaper", 2.0, 10.0, "<=").missed
    assert Row("cheaper", 20.0, 10.0, "<=").missed
    assert Row("broken", float("nan"), 10.0, "<=").missed


def test_side_by_side_tells_slow_from_fast() -> None:
    numbers = np.arange(200_000.0)
    times = side_by_side({"slow": numbers.sum, "fast": numbers[:100].sum}, repeats=5, seconds=0.002)
    assert times["slow"] > 3 * times["fast"]


def test_the_command_fails_when_a_bar_is_missed(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(bench_p1812, "rows", lambda: [Row("it", 2.0, 3.0, ">=", "why")])
    assert command.main(["--only", "p1812"]) == 1
    assert "MISSED" in capsys.readouterr().out
    monkeypatch.setattr(bench_p1812, "rows", lambda: [Row("it", 4.0, 3.0, ">=", "why")])
    assert command.main(["--only", "p1812", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)[0]["ratio"] == 4.0
    assert command.main(["--only", "nothing"]) == 1


def test_both_sides_of_the_benchmark_give_the_same_loss() -> None:
    packed = bench_p1812.invented_profile()
    ours = p1812.basic_transmission_loss_db(
        **bench_p1812.inputs(
            **packed, tx_height_m=12.0, rx_height_m=19.0, frequency_hz=868e6, time_percent=10.0
        )
    )
    theirs = predict(
        packed["distance_m"] / 1e3,
        packed["ground_m"],
        packed["clutter_m"],
        packed["zone"],
        12.0,
        19.0,
        0.868,
        10.0,
    )
    assert ours == pytest.approx(theirs["Lb_db"], abs=1e-9)
