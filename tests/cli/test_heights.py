"""The heights command: table, picture, cheapest pair, and refusals in one line."""

import json
import re
from dataclasses import fields
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

import linkcalc as lc
from linkcalc.cli import app
from linkcalc.sweeps.mast_heights import HeightTable, MastPrices, height_table
from linkcalc.views.heights.figures import heights_figure, shade_of
from tests.sites import case, plan_file, profile, ridge
from tests.views.test_figures import overlaps

pytestmark = pytest.mark.cli

SITE = case(
    profile(4000.0, ridge(14.0, 1500.0, 300.0), points=41),
    tank={"antenna_height_m": 4.0},
    link={"required_margin_db": 22.0, "required_success": 0.5, "confidence": 0.5},
)
QUICK = ("--max-m", "16", "--step-m", "4")


def heights(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, ["heights", *map(str, arguments)])


def test_the_help_shows_the_prices_that_count_where_none_is_stated() -> None:
    text = " ".join(heights("--help").stdout.partition("Options:")[2].split())
    for field in fields(MastPrices):
        shown = re.search(rf"--{field.name.replace('_', '-')} .*?default: \((\S+)\)", text)
        assert shown is not None
        assert float(shown[1]) == field.default


def test_the_cheapest_pair_comes_first_then_margins_and_what_was_assumed(tmp_path: Path) -> None:
    done = heights(plan_file(tmp_path, SITE), *QUICK, "--cost-per-m", "55")
    assert (done.exit_code, done.stderr) == (0, "")
    text = " ".join(done.stdout.split())
    assert text.index("Cheapest pair that reaches it: ") < text.index("Margin of the weaker direction, dB")
    assert "50 % of the messages at 50 % of such sites, and 22 dB of fade margin." in text
    assert "55 a metre (cost_per_m)" in text
    assert "70 a metre, from its foot, where it is guyed (guyed_cost_per_m, assumed)" in text
    assert "not a safety function" in text
    assert all(len(line) <= 80 for line in done.stdout.splitlines())


def test_a_dearer_guyed_mast_moves_the_answer_to_two_short_ones(tmp_path: Path) -> None:
    file = plan_file(tmp_path, SITE)

    def answer(*prices: str) -> dict[str, float]:
        options = ("--cost-per-mast", "0", "--cost-per-m", "10", "--guyed-above-m", "9", *prices)
        cheapest = json.loads(heights(file, *QUICK, *options, "--json").stdout)["heights"][0]["cheapest"]
        return {key: cheapest[key] for key in ("near_height_m", "far_height_m", "cost")}

    cheap, dear = answer("--guyed-cost-per-m", "1"), answer("--guyed-cost-per-m", "1000")
    assert max(cheap["near_height_m"], cheap["far_height_m"]) > 9.0
    assert max(dear["near_height_m"], dear["far_height_m"]) <= 9.0
    assert dear["cost"] == 10.0 * (dear["near_height_m"] + dear["far_height_m"])


def test_the_answer_is_strict_json_with_a_margin_for_every_pair(tmp_path: Path) -> None:
    def never(word: str) -> None:
        raise AssertionError(word)

    done = heights(plan_file(tmp_path, SITE), *QUICK, "--json")
    (table,) = json.loads(done.stdout, parse_constant=never)["heights"]
    assert table["near_height_m"] == [4.0, 8.0, 12.0, 16.0]
    assert table["far_height_m"] == [4.0, 6.0, 8.0, 12.0, 16.0]
    assert [len(row) for row in table["margin_db"]] == [5] * 4
    assert table["cheapest"]["verdict"] == "closes"


def test_nothing_that_closes_is_said_and_shown_by_the_exit_code(tmp_path: Path) -> None:
    done = heights(plan_file(tmp_path, SITE), "--max-m", "5", "--step-m", "2")
    assert done.exit_code == 4
    assert "No pair up to 4.0 m and 6.0 m reaches the required margin." in done.stdout


def test_every_link_is_answered_unless_one_is_named(tmp_path: Path) -> None:
    other = case(SITE.profile, link={"name": "spare", "required_margin_db": 10.0}, tank={"name": "tank 2"})
    other = other.with_stations({"far": SITE.far})
    other = type(other)(
        other.link.model_copy(update={"from_": "tank 2"}),
        *(other.near, other.far, other.conditions, other.profile, 90.0, 270.0),
    )
    file = plan_file(tmp_path, SITE, other)
    both = json.loads(heights(file, *QUICK, "--json").stdout)["heights"]
    assert [table["link"] for table in both] == ["level", "spare"]
    one = json.loads(heights(file, *QUICK, "--link", "spare", "--json").stdout)["heights"]
    assert one == both[1:]
    lost = heights(file, "--link", "spart")
    assert lost.exit_code == 2
    assert '"level", "spare"' in lost.stderr


@pytest.mark.slow
def test_pictures_and_files_are_written_the_same_every_time(tmp_path: Path) -> None:
    file = plan_file(tmp_path, SITE)
    for folder in ("one", "two"):
        assert heights(file, *QUICK, "--out", tmp_path / folder).exit_code == 0
    names = sorted(p.name for p in (tmp_path / "one").iterdir())
    assert names == ["heights.json", "heights.txt", "level-heights.png", "level-heights.svg"]
    for name in names:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def _tables() -> dict[str, HeightTable]:
    def table(asked_db: float, **how: object) -> HeightTable:
        site = case(
            profile(4000.0, ridge(14.0, 1500.0, 300.0), points=41),
            tank={"antenna_height_m": 4.0, "name": "Header tank on the far side of the hill, with a $ & <b>"},
            link={
                "required_margin_db": asked_db,
                "from": "Header tank on the far side of the hill, with a $ & <b>",
                **how,
            },
        )
        return height_table(site, highest_m=16.0, step_m=4.0)

    return {
        "closes somewhere": table(26.0),
        "closes nowhere": table(60.0),
        "closes everywhere": table(0.0),
        "below sensitivity in part": table(12.0, modulation={"kind": "css", "spreading_factor": 7}),
        "a success": table(20.0, required_success=0.95),
    }


def test_the_picture_says_where_nothing_closes_and_a_margin_has_one_colour_in_all() -> None:
    said = {
        name: " ".join(t.get_text() for t in heights_figure(t).axes[0].texts) for name, t in _tables().items()
    }
    assert "closes nowhere at these heights" in said["closes nowhere"]
    assert "these heights" not in said["closes somewhere"]
    # grey below 0 dB however much more there is elsewhere
    for margin_db in (-31.0, -12.0, -0.1):
        red, green, blue = (int(shade_of(margin_db)[i : i + 2], 16) for i in (1, 3, 5))
        assert max(red, green, blue) - min(red, green, blue) < 5
    for margin_db in (0.0, 12.0, 35.0):
        red, green, blue = (int(shade_of(margin_db)[i : i + 2], 16) for i in (1, 3, 5))
        assert blue - red > 20


def test_no_label_of_the_picture_overlaps_another_or_leaves_it() -> None:
    for name, table in _tables().items():
        faults, texts = overlaps(heights_figure(table))
        assert faults == [], name
        assert len(texts) > 12, name


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (("--max-m", "1"), "Invalid value for '--max-m'"),  # whose limits each typer words its own way
        (("--max-m", "20", "--step-m", "0.1"), "more than 100 heights"),
        (("--to-base-m", "30"), "a mast that starts at 30 m is above the highest antenna, 20 m"),
    ],
)
def test_heights_that_make_no_sense_are_one_line(tmp_path: Path, options: tuple[str, ...], told: str) -> None:
    done = heights(plan_file(tmp_path, SITE), *options)
    assert done.exit_code == 2
    assert told in done.stderr


def test_in_python_the_plans_prices_and_feet_count_as_they_do_here(tmp_path: Path) -> None:
    plan = lc.load_plan(lc.sample_path("plain")).changed(
        {"pump shed.mast_foot_m": 3, "prices.mast_per_m": 77, "prices.mast": 9}
    )
    plan.write(tmp_path / "site.toml")
    done = heights(tmp_path / "site.toml", "--max-m", "8", "--step-m", "4", "--json")
    (told,) = json.loads(done.stdout)["heights"]
    found = lc.heights(plan, highest_m=8.0, step_m=4.0)
    assert found.cost.tolist() == told["cost"]
    assert (found.prices.cost_per_m, found.prices.cost_per_mast) == (77.0, 9.0)
    assert 3.0 in found.bases_m
    stated = lc.heights(plan, highest_m=8.0, step_m=4.0, bases_m=(0.0, 0.0), cost_per_m=10.0)
    assert (stated.prices.cost_per_m, stated.bases_m) == (10.0, (0.0, 0.0))
