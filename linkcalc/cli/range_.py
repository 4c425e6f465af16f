"""How far a link goes, before anybody has looked at its ground."""

from pathlib import Path

from linkcalc.cli._options import JSON, argument, option
from linkcalc.cli._output import show_answer, write_files
from linkcalc.cli._shell import load_plan
from linkcalc.errors import LinkcalcError


def range_(
    plan: Path | None = argument(
        "[PLAN.toml]", "Plan file; its ground and positions are not looked at.", default=None
    ),
    frequency_mhz: float | None = option("MHZ", None),
    region: str | None = option("REGION", "Power over its legal limit does not count."),
    sf: str | None = option("LIST", 'Spreading factors: "all", or a list such as 7,9,12.'),
    power_dbm: float = option("DBM", "Conducted, both ends.", default=14.0),
    heights_m: str = option("A,B", "Antennas above ground at both ends, m.", default="3,6"),
    gains_dbi: str = option("A,B", "Antenna gains, dBi.", default="2.15,2.15"),
    link: str | None = option("NAME", "Which of the plan's links."),
    out: Path | None = option("DIR", "Folder for the picture (SVG, PNG) and range.json."),
    json: bool = JSON,
) -> None:
    """Say how far a link goes over each kind of ground.

    From a few facts, or from a plan's radios and antennas. One hill decides more than all of this.

    \b
    Example:
      linkcalc range --frequency-mhz 915 --sf all --power-dbm 20 --heights-m 3,8
      linkcalc range --region eu --sf 7,9,12
      linkcalc range site.toml --sf all --out range

    Exit code: 0 whatever the answer, 2 bad input.
    """

    from linkcalc.rules.table import START
    from linkcalc.sweeps.reach_by_ground import how_far, plan_of_facts
    from linkcalc.views.range.text import range_report

    if plan is not None:
        loaded = load_plan(plan)
    else:
        mhz = frequency_mhz
        if mhz is None and region is not None and region in START:
            mhz = START[region].frequency_mhz
        if mhz is None:
            raise LinkcalcError("name a plan file, or --frequency-mhz (such as 868.3 or 915)")
        loaded = plan_of_facts(
            frequency_mhz=mhz,
            transmit_power_dbm=power_dbm,
            heights_m=_pair("--heights-m", heights_m),
            gains_dbi=_pair("--gains-dbi", gains_dbi),
            region=region,
        )
    found = how_far(loaded, link=link, spreading_factors=_factors(sf))
    show_answer(range_report, found, as_json=found.to_json() if json else None)
    if out is not None:
        from linkcalc.views.canvas import write_pictures
        from linkcalc.views.range.figures import range_figure

        pictures = write_pictures(out, [("range", range_figure(found), "How far the link goes")])
        write_files(out, {"range.json": found.to_json()}, pictures)


def _pair(option: str, text: str) -> tuple[float, float]:
    from linkcalc.units import stated_in

    parts = text.replace(" ", "").split(",")
    try:
        # "10ft,20ft" too where lengths are asked for
        values = [float(stated_in(option.replace("-", "_"), p)) for p in parts]
    except ValueError:
        values = []
    if len(values) == 1:
        values *= 2
    if len(values) != 2:
        raise LinkcalcError(f'{option} "{text}": write two numbers, such as 3,6')
    return values[0], values[1]


def _factors(text: str | None) -> list[int] | None:
    if text is None:
        return None
    if text == "all":
        return list(range(7, 13))
    try:
        factors = [int(p) for p in text.replace("SF", "").replace("sf", "").split(",")]
    except ValueError:
        raise LinkcalcError(f'--sf "{text}": write "all" or a list such as 7,9,12') from None
    if not all(5 <= f <= 12 for f in factors):
        raise LinkcalcError(f'--sf "{text}": spreading factors go from 5 to 12')
    return factors
