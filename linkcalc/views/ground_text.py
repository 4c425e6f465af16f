"""What the search for ground found, for the terminal."""

from textwrap import wrap

from linkcalc.plan.ground_data import Found, area_km
from linkcalc.terrain.open_sets import ONE_FILE, SETS, Bounds

_MOST_TILES = 12


def needed_text(plan_name: str, bounds: Bounds, radius_km: float = 0.0) -> str:
    """Say which tiles of the open sets an area needs.

    Examples
    --------
    >>> print(needed_text("site.toml", (46.1, 6.2, 46.3, 6.4)).splitlines()[0])
    Ground for site.toml: 46.1000 to 46.3000 N, 6.2000 to 6.4000 E (15.4 by 22.2 km)
    """
    south, west, north, east = bounds
    width, height = area_km(bounds)
    what = f", {radius_km:g} km around the stations" if radius_km else ""
    lines = [
        f"Ground for {plan_name}: {_span(south, north, 'N', 'S')}, {_span(west, east, 'E', 'W')} "
        f"({width:g} by {height:g} km{what})",
        "",
        *_wrapped(
            "Tiles of open sets that hold it (names, sizes and licences from memory: the set's page counts):"
        ),
        "",
    ]
    for s in SETS:
        tiles = s.tiles(bounds)
        lines += _wrapped(
            f"{s.title}: {s.kind.replace('_', ' ')} ({s.shows}); {s.cell}; {s.size_mb[0]:g} to "
            f"{s.size_mb[1]:g} MB a tile; {s.licence}; --set {s.key}",
            "  ",
        )
        lines += [f"    {tile}" for tile in tiles[:_MOST_TILES]] or ["    none so far north or south"]
        if len(tiles) > _MOST_TILES:
            lines.append(f"    and {len(tiles) - _MOST_TILES} more")
    lines += ["", *_wrapped(f"{ONE_FILE}.")]
    advice = (
        "Best is a bare-earth model of your country's survey (laser scan, cells of 1 m to 5 m) as rasters, "
        "and its surface model or a canopy height for the trees. A surface model alone takes trees for "
        "ground. Tiles of open sea do not exist."
    )
    lines += ["", *_wrapped(advice), "", "Then, with the tiles in a folder or on a server:", ""]
    lines += [
        f"  linkcalc ground {plan_name} --folder TILES --write",
        f"  linkcalc ground {plan_name} --address https://... --set glo30 --write",
    ]
    return "\n".join(lines) + "\n"


def found_text(found: Found) -> str:
    """Say what serves as ground, and what to know about it."""
    lines = []
    for key, names in found.terrain.items():
        lines += [f"{key}:", *(f"  {name}" for name in names)]
    for note in found.notes:
        lines += _wrapped(f"Note: {note}.")
    return "\n".join([*lines, ""]) + "\n"


def _span(low: float, high: float, plus: str, minus: str) -> str:
    def one(value: float) -> str:
        return f"{abs(value):.4f}"

    if (low < 0.0) == (high < 0.0) and low <= high:
        first, second = sorted((low, high), key=abs)
        return f"{one(first)} to {one(second)} {minus if low < 0.0 else plus}"
    return f"{one(low)} {minus if low < 0 else plus} to {one(high)} {minus if high < 0 else plus}"


def _wrapped(text: str, indent: str = "") -> list[str]:
    return wrap(
        text,
        80,
        initial_indent=indent,
        subsequent_indent=2 * indent,
        break_on_hyphens=False,
        break_long_words=False,
    )
