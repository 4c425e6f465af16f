"""Messages, tank and engine in the plan file: what is refused, in one line with its mend."""

from pathlib import Path

import pytest

from tests.plan.plans import PLAN, load, refusal

CONTROL = """
[[message]]
name = "permit"
kind = "run_permit"
link = "level"
interval_s = 600.0
tries = 3

[[message]]
name = "stop"
kind = "stop"
link = "level"
events_per_year = 140.0

[tank]
start_percent = 40.0
stop_percent = 92.0
pump_flow_m3_h = 5.0
draw_m3_h = 0.4
[tank.shape]
kind = "upright_cylinder"
diameter_m = 5.0
height_m = 2.5

[engine]
watchdog_s = 1800.0
"""


def change(old: str, new: str) -> tuple[tuple[str, str], tuple[str, str]]:
    assert old in CONTROL
    return (PLAN, PLAN + CONTROL), (old, new)


def test_a_plan_with_messages_tank_and_engine_loads(tmp_path: Path) -> None:
    plan = load(tmp_path, (PLAN, PLAN + CONTROL)).plan
    assert [m.name for m in plan.message] == ["permit", "stop"]
    assert plan.tank is not None
    assert plan.tank.draws_m3_h == (0.4,)
    assert plan.engine is not None
    assert plan.engine.stopping_s == 130.0


def test_defaults_of_control_are_named_as_assumed(tmp_path: Path) -> None:
    loaded = load(tmp_path, (PLAN, PLAN + CONTROL))
    keys = {a.key for a in loaded.assumed}
    assert {
        'message "permit" retry_wait_s',
        'message "permit" acknowledged',
        "tank.overflow_chance_per_year",
        "engine.pump_runs_in_cool_down",
    } <= keys
    once = load(tmp_path, *change("tries = 3", "tries = 1"))
    assert not {a.key for a in once.assumed} & {
        'message "permit" retry_wait_s',
        'message "permit" back_off',
        'message "permit" jitter',
    }


TABLE = 'kind = "table"\nlevel_m = [0.0, 1.0, {levels}]\nvolume_m3 = [0.0, 10.0, {volumes}]'
SHAPE = 'kind = "upright_cylinder"\ndiameter_m = 5.0\nheight_m = 2.5'
HOURS = ", ".join(["0.4"] * 24)

REFUSED = [
    ("start_percent = 40.0", "start_percent = 95.0", r"start_percent = 95 must be below stop_percent = 92"),
    (
        "stop_percent = 92.0",
        "stop_percent = 100.0",
        r"stop_percent = 100 must be below overflow_percent = 100",
    ),
    ("pump_flow_m3_h = 5.0", "pump_flow_m3_h = -5.0", r"tank.pump_flow_m3_h = -5 is too low; .*above 0"),
    ("draw_m3_h = 0.4", "draw_m3_h = -0.4", r"tank.draw_m3_h = -0.4 is too low"),
    (
        "draw_m3_h = 0.4",
        "draw_m3_h = 6.0",
        r"pump_flow_m3_h = 5 is not above the largest draw, 6: .*larger pump",
    ),
    ("draw_m3_h = 0.4", "", r"give draw_m3_h or hourly_draw_m3_h: what is drawn"),
    ("draw_m3_h = 0.4", "draw_m3_h = 0.4\nhourly_draw_m3_h = [1.0]", r"not both"),
    ("draw_m3_h = 0.4", "hourly_draw_m3_h = [0.4, 0.4]", r"hourly_draw_m3_h has 2 values: give 24"),
    ("draw_m3_h = 0.4", f"hourly_draw_m3_h = [{HOURS.replace('0.4', '0.0')}]", r"is 0 all day"),
    (
        "pump_flow_m3_h",
        "high_high_percent = 90.0\npump_flow_m3_h",
        r"high_high_percent = 90 must be above stop_p",
    ),
    ("watchdog_s = 1800.0", "watchdog_s = 300.0", r"engine.watchdog_s = 300 is shorter than .* make it 1800"),
    ("interval_s = 600.0", "interval_s = 0.0", r'message "permit" interval_s = 0 is too low'),
    ("interval_s = 600.0", "interval_s = -600.0", r'message "permit" interval_s = -600 is too low'),
    ("interval_s = 600.0", "", r'message "permit".* kind = "run_permit" needs interval_s'),
    ("events_per_year = 140.0", "", r'message "stop".* kind = "stop" needs events_per_year'),
    ("tries = 3", "events_per_year = 5.0", r"give interval_s or events_per_year, not both"),
    ('name = "stop"', 'name = "permit"', r'two messages are named "permit"'),
    (
        'kind = "stop"\nlink = "level"',
        'kind = "stop"\nlink = "levle"',
        r'"levle": unknown link; did you mean "level"',
    ),
    (
        "tries = 3",
        'tries = 3\nsender = "barn"',
        r'sender = "barn" is not an end of link "level"; its ends are',
    ),
    ("[engine]\nwatchdog_s = 1800.0", "", r"tank needs \[engine\]"),
    (
        "pump_flow_m3_h",
        'report = "premit"\npump_flow_m3_h',
        r'report = "premit" is not a message .* "permit"',
    ),
    (
        SHAPE,
        TABLE.format(levels="0.5", volumes="20.0"),
        r"level_m goes from 1 to 0.5 \(entries 2 and 3\): sort",
    ),
    (SHAPE, TABLE.format(levels="2.0", volumes="10.0"), r"volume_m3 goes from 10 to 10 \(entries 2 and 3\)"),
    (SHAPE, TABLE.format(levels="2.0, 3.0", volumes="20.0"), r"level_m has 4 entries, volume_m3 3"),
    (
        SHAPE,
        'kind = "table"\nlevel_m = [1.0, 2.0]\nvolume_m3 = [0.0, 1.0]',
        r"level_m begins with 1: begin with 0",
    ),
    (
        "watchdog_s = 1800.0",
        "max_run_time_h = 0.01",
        r"max_run_time_h = 0.01 is over before warm_up_s = 60 is",
    ),
    (SHAPE, 'kind = "ball"', r'tank.shape.kind = "ball" is not known; allowed: .*"horizontal_cylinder"'),
    (SHAPE, 'kind = "rectangular"\nlength_m = 2.0\nwidth_m = 2.0', r"tank.shape.height_m is missing"),
]


@pytest.mark.parametrize(("old", "new", "words"), REFUSED, ids=[r[2][:40] for r in REFUSED])
def test_control_that_cannot_work_is_refused_in_one_line(
    tmp_path: Path, old: str, new: str, words: str
) -> None:
    import re

    line = refusal(tmp_path, *change(old, new))
    assert re.search(words, line), line
    assert "\n" not in line


def test_a_tank_that_nothing_reports_is_refused(tmp_path: Path) -> None:
    text = CONTROL[CONTROL.index("[tank]") :].replace("watchdog_s = 1800.0", "")
    line = refusal(tmp_path, (PLAN, PLAN + text))
    assert 'add [[message]] with kind = "run_permit"' in line


def test_a_watchdog_without_a_periodic_message_is_refused(tmp_path: Path) -> None:
    start = '[[message]]\nname = "start"\nkind = "start"\nlink = "level"\nevents_per_year = 140.0\n'
    line = refusal(
        tmp_path,
        (PLAN, PLAN + CONTROL + start),
        (
            'name = "permit"\nkind = "run_permit"\nlink = "level"\ninterval_s = 600.0\ntries = 3',
            'name = "x"\nkind = "acknowledgement"\nlink = "level"\nevents_per_year = 3.0',
        ),
    )
    assert "engine.watchdog_s needs a message that is sent periodically" in line


def test_an_engine_without_a_tank_is_refused(tmp_path: Path) -> None:
    assert "add the tank it fills" in refusal(tmp_path, (PLAN, PLAN + "[engine]\nwatchdog_s = 1800.0\n"))
