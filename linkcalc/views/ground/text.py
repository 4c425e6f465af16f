"""What the search for ground found, for the terminal."""

from linkcalc.plan.ground_data import Found, area_km
from linkcalc.terrain.open_sets import ONE_FILE, SETS, Bounds
from linkcalc.views.page import Page

_MOST_TILES = 12


def needed_text(plan_name: str, bounds: Bounds, radius_km: float = 0.0) -> str:
    """Say which tiles of the open sets an area needs."""
    south, west, north, east = bounds
    width, height = area_km(bounds)
    what = f", {radius_km:g} km around the stations" if radius_km else ""
    page = Page(80)
    page.line(
        f"Ground for {plan_name}: {_span(south, north, 'N', 'S')}, {_span(west, east, 'E', 'W')} "
        f"({width:g} by {height:g} km{what})"
    )
    page.blank()
    page.wrap(
        "Tiles of open sets that hold it (names, sizes and licences from memory: the set's page counts):"
    )
    page.blank()
    for s in SETS:
        tiles = s.tiles(bounds)
        page.fact(
            f"{s.title}: {s.kind.replace('_', ' ')} ({s.shows}); {s.cell}; {s.size_mb[0]:g} to "
            f"{s.size_mb[1]:g} MB a tile; {s.licence}; --set {s.key}"
        )
        for tile in tiles[:_MOST_TILES] or ["none so far north or south"]:
            page.line(f"    {tile}")
        if len(tiles) > _MOST_TILES:
            page.line(f"    and {len(tiles) - _MOST_TILES} more")
    page.blank()
    page.wrap(f"{ONE_FILE}.")
    page.blank()
    page.wrap(
        "Best is a bare-earth model of your country's survey (laser scan, cells of 1 m to 5 m) as rasters, "
        "and its surface model or a canopy height for the trees. A surface model alone takes trees for "
        "ground. Tiles of open sea do not exist."
    )
    page.blank()
    page.line("Then, with the tiles in a folder or on a server:")
    page.blank()
    page.line(f"  linkcalc ground {plan_name} --folder TILES --write")
    page.line(f"  linkcalc ground {plan_name} --address https://... --set glo30 --write")
    return page.text()


def found_text(found: Found) -> str:
    page = Page(80)
    for key, names in found.terrain.items():
        page.line(f"{key}:")
        for name in names:
            page.line(f"  {name}")
    for note in found.notes:
        page.wrap(f"Note: {note}.")
    page.blank()
    return page.text()


def _span(low: float, high: float, plus: str, minus: str) -> str:
    def one(value: float) -> str:
        return f"{abs(value):.4f}"

    if (low < 0.0) == (high < 0.0) and low <= high:
        first, second = sorted((low, high), key=abs)
        return f"{one(first)} to {one(second)} {minus if low < 0.0 else plus}"
    return f"{one(low)} {minus if low < 0 else plus} to {one(high)} {minus if high < 0 else plus}"
