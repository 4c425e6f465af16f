"""Every combination of several values at once: a table and a picture."""

import math
from collections.abc import Sequence
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any

import typer

from linkcalc.cli._options import PLAN, flag, option
from linkcalc.cli._output import show_answer, write_files
from linkcalc.cli._shell import chosen_link, load_plan
from linkcalc.errors import LinkcalcError

MOST_VALUES = 100_000
"""In one range."""


def sweep(
    plan: Path = PLAN,
    vary: list[str] | None = option(
        "NAME=VALUES",
        "What to vary, once for each parameter. NAME: a key of the plan, such as spreading_factor"
        " or antenna_height_m (of both stations; near. or far. in front: of one), without its unit, or"
        " short: sf, bw, cr, power, height, payload, gain, cable, nf, k, distance. VALUES: START:STOP,"
        " START:STOP:STEP (the last counts), or a list A,B,C.",
    ),
    link: str | None = option("NAME", "Which link, where the plan has several."),
    quantity: str = option(
        "NAME",
        "What to show and draw, as the columns of the table are named.",
        default="weaker_fade_margin_db",
    ),
    table: Path | None = option("FILE", "Write every combination: .csv, .json or .parquet (needs pyarrow)."),
    out: Path | None = option("DIR", "Folder for the picture (SVG, PNG) and sweep.csv."),
    json: bool = flag("--json", "Print the whole table as JSON."),
) -> None:
    """Evaluate a link for every combination of values.

    Near is the link's `from` station. Everything that is not varied is as in the plan.

    \b
    Example:
      linkcalc sweep site.toml --vary sf=7:12 --vary height=2:12:0.5
      linkcalc sweep site.toml --vary far.height=2:12 --vary bw=125,250,500 --out result
      linkcalc sweep site.toml --vary sf=7:12 --vary payload=10:50:10 --quantity time_on_air_s

    Exit code: 0 whatever the answer, 2 bad input.
    """

    from linkcalc.sweeps.sweeping import sweep_plan
    from linkcalc.views.sweep.text import numeric_quantities, sweep_report

    if quantity not in numeric_quantities():
        raise LinkcalcError(f"--quantity {quantity}: there are {', '.join(numeric_quantities())}")
    loaded = load_plan(plan)
    found = sweep_plan(loaded, _varied(vary or ()), link=chosen_link(loaded, link).name)
    show_answer(sweep_report, found, quantity, as_json=found.to_json() if json else None)
    if table is not None:
        found.write(table)
        typer.echo(f"wrote {table}", err=True)
    if out is not None:
        from linkcalc.views.sweep.figures import write_all

        write_files(out, {}, write_all(found, out, quantity))


def _varied(given: Sequence[str]) -> dict[str, list[Any]]:
    if not given:
        raise LinkcalcError("name at least one parameter to vary: --vary sf=7:12")
    varied: dict[str, list[Any]] = {}
    for one in given:
        name, equals, values = one.partition("=")
        name = name.strip()
        if not equals or not name:
            raise LinkcalcError(f"--vary {one}: write NAME=VALUES, such as sf=7:12")
        if name in varied:
            raise LinkcalcError(f"--vary {one}: {name} is given twice; separate its values by commas")
        try:
            varied[name] = values_of(values)
        except LinkcalcError as error:
            raise LinkcalcError(f"--vary {one}: {error}") from None
    return varied


def values_of(text: str) -> list[Any]:
    """Read values separated by commas: numbers, words, or ranges START:STOP:STEP, whose last value counts.

    >>> values_of("7:9"), values_of("0.1:0.35:0.1"), values_of("4/5,4/8"), values_of("1,4:8:2,true")
    ([7, 8, 9], [0.1, 0.2, 0.3], ['4/5', '4/8'], [1, 4, 6, 8, True])
    """
    values: list[Any] = []
    for part in text.split(","):
        part = part.strip()
        if not part:
            raise LinkcalcError("a value is missing")
        values += _range(part) if ":" in part else [_value(part)]
        if len(values) > MOST_VALUES:
            raise LinkcalcError(f"more than {MOST_VALUES} values: take a larger step")
    return values


def _range(text: str) -> list[int | float]:
    numbers = [_decimal(part) for part in text.split(":")]
    if len(numbers) not in (2, 3) or None in numbers:
        raise LinkcalcError(f"{text} is not a range of numbers; write START:STOP or START:STOP:STEP")
    start, stop, step = [n for n in (*numbers, Decimal(1)) if n is not None][:3]
    if step <= 0:
        raise LinkcalcError(f"the step of {text} is not above 0")
    if stop < start:
        raise LinkcalcError(f"the range {text} ends before it begins; write {stop}:{start}")
    # sums of decimals, so that 0.1:0.3:0.1 holds 0.3 and not its neighbour
    count = math.floor((stop - start) / step) + 1
    if count > MOST_VALUES:
        raise LinkcalcError(f"the range {text} holds more than {MOST_VALUES} values: take a larger step")
    return [_number(start + i * step) for i in range(count)]


def _value(text: str) -> Any:
    if text in ("true", "false"):
        return text == "true"
    number = _decimal(text)
    return text if number is None else _number(number)


def _decimal(text: str) -> Decimal | None:
    try:
        number = Decimal(text.strip())
    except InvalidOperation:
        return None
    # 1e999999 is a finite Decimal: as a float it is infinite, and as a whole number it has a million digits
    return number if number.is_finite() and abs(number.adjusted()) < 300 else None


def _number(value: Decimal) -> int | float:
    return int(value) if value == value.to_integral_value() else float(value)
