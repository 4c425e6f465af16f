"""Relay siting as files: GeoTIFF of all bands, the spots as GeoJSON and CSV; and all of it as plain data."""

import csv
import io
from typing import Any

import numpy as np

from linkcalc.area.geofiles import tiled_geotiff
from linkcalc.area.geojson import collection, feature, lon_lat
from linkcalc.area.gridded import Raster
from linkcalc.area.relay.result import Chain, HopCheck, Place, RelaySiting
from linkcalc.area.tiles import Band

_CHAIN = (
    Band(
        "spare_db",
        "dB",
        "weaker hop: how much more fade margin than required of each of two, weaker direction",
    ),
    Band("margin_db", "dB", "fade margin, weaker hop and direction"),
    Band("success_forward", "1", "probability that a message passes both hops, first station to second"),
    Band("success_return", "1", "probability that a message passes both hops, second station to first"),
    Band("verdict", "1", "of the worse hop: 2 closes, 1 at risk, 0 does not close"),
)
_HOP = (
    Band("margin_forward_db", "dB", "fade margin, first station to second"),
    Band("margin_return_db", "dB", "fade margin, second station to first"),
    Band("spare_db", "dB", "how much more fade margin than required of each of two hops, weaker direction"),
    Band("path_loss_db", "dB", "median basic transmission loss"),
)
_GROUND = (
    Band("ground_m", "m", "ground above sea level"),
    Band("slope_deg", "degree", "slope of the ground over two cells"),
    Band("allowed", "1", "1 where a relay may stand"),
)


def geotiff(result: RelaySiting) -> bytes:
    """All bands as a tiled, compressed GeoTIFF, nodata -9999."""
    return tiled_geotiff("relay.tif", *raster(result))


def raster(result: RelaySiting) -> Raster:
    """The layers of the answer, where they lie, and what they are about."""
    bands = list(_CHAIN)
    for place, other in (("first", result.link.from_), ("second", result.link.to)):
        bands += [Band(f"{place}_{b.name}", b.unit, f"hop with {other}: {b.description}") for b in _HOP]
    layers: list[tuple[Band, Any]] = [(band, result.bands[band.name]) for band in bands]
    grounds = (result.ground_m, result.allowed.slope_deg, result.allowed.mask.astype(np.float32))
    layers += zip(_GROUND, grounds, strict=True)
    each = result.required_of_each_hop(result.spots[0])
    tags = {
        "link": result.link.name,
        "link_from": result.link.from_,
        "link_to": result.link.to,
        "frequency_hz": f"{result.link.frequency_mhz * 1e6:.0f}",
        "signal": result.signal,
        "relay_antenna_height_m": f"{result.relay.antenna_height_m:g}",
        "required_success_of_each_hop": f"{each.success:.6g}",
        "confidence_of_each_hop": f"{each.confidence:.6g}",
        "profiles": "a full one for each cell",
    }
    return Raster(layers, result.grid.crs, result.grid.affine, tags)


def spots_geojson(result: RelaySiting) -> str:
    """Spots, both ends and hops as GeoJSON (RFC 7946: WGS 84, longitude before latitude)."""
    features = [
        feature("Point", _lon_lat(place), {"what": "station", "station": place.name}) for place in result.ends
    ]
    for number, chain in _numbered(result):
        about = {
            "spot": number,
            "verdict": chain.verdict,
            "weaker_hop_margin_db": round(chain.margin_db, 2),
            "weaker_hop_spare_db": round(chain.weaker.spare_db, 2),
            "success_forward": round(chain.success[0], 5),
            "success_return": round(chain.success[1], 5),
        }
        for place in chain.relays:
            relay = {"what": "relay", "relay": place.name, **about, **_place_facts(place)}
            features.append(feature("Point", _lon_lat(place), relay))
        way = [_lon_lat(place) for place in (result.ends[0], *chain.relays, result.ends[1])]
        features.append(feature("LineString", way, {"what": "hops", "relays": len(chain.relays), **about}))
    return collection(features)


def spots_csv(result: RelaySiting) -> str:
    """Spots as CSV, a row for each relay."""
    rows: list[dict[str, Any]] = []
    for number, chain in _numbered(result):
        margins = {"margin_db": f"{chain.margin_db:.2f}"}
        margins |= zip(
            ("success_forward", "success_return"), (f"{s:.5f}" for s in chain.success), strict=True
        )
        for n, hop in enumerate(chain.hops, start=1):
            forward, return_ = hop.directions
            margins |= {
                f"hop{n}_distance_m": f"{hop.path.distance_m:.1f}",
                f"hop{n}_margin_forward_db": f"{forward.fade_margin_db:.2f}",
                f"hop{n}_margin_return_db": f"{return_.fade_margin_db:.2f}",
                f"hop{n}_asked_db": f"{hop.weaker.required_margin_db:.2f}",
            }
        for n, place in enumerate(chain.relays, start=1):
            where = {"spot": number, "relays": len(chain.relays), "relay": n,
                     "latitude_deg": f"{place.latitude_deg:.7f}",
                     "longitude_deg": f"{place.longitude_deg:.7f}"}  # fmt: skip
            rows.append(where | _place_facts(place) | {"verdict": chain.verdict} | margins)
    buffer = io.StringIO()
    # two relays have a hop more
    writer = csv.DictWriter(buffer, max(rows, key=len), restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return buffer.getvalue()


def as_data(result: RelaySiting) -> dict[str, Any]:
    """The answer as dicts, lists, text and numbers, for JSON."""
    grid, search = result.grid, result.search
    return {
        "title": result.title,
        "link": {
            "name": result.link.name,
            "from": result.link.from_,
            "to": result.link.to,
            "frequency_hz": result.link.frequency_mhz * 1e6,
            "signal": result.signal,
        },
        "direct": _hop_data(result.direct),
        "spots": [_chain_data(result, chain) for chain in result.spots],
        "two_relays": None if result.two is None else _chain_data(result, result.two),
        "search": None if search is None else {
            "candidates": list(search.candidates),
            "pairs_tried": search.pairs_tried,
            "starts": search.starts,
            "hops_tried_while_moving": search.cells_tried,
        },
        "relay": result.relay.model_dump(exclude_none=True),
        "assumed": result.assumed,
        "area": {
            "latitude_deg": grid.latitude_deg,
            "longitude_deg": grid.longitude_deg,
            "radius_m": result.radius_m,
            "cell_m": grid.cell_m,
            "cells": int(result.area.sum()),
            "left_after": [{"asked": words, "cells": cells} for words, cells in result.allowed.steps],
            "answered": result.cells,
            "apart_m": result.apart_m,
            **{f"{word}_km2": result.area_km2(word) for word in ("closes", "at_risk", "does_not_close")},
        },
        "sources": result.sources,
        "notes": result.notes,
    }  # fmt: skip


def _chain_data(result: RelaySiting, chain: Chain) -> dict[str, Any]:
    each = result.required_of_each_hop(chain)
    return {
        "verdict": chain.verdict,
        "weaker_hop": chain.weaker.name,
        "margin_db": chain.margin_db,
        "spare_db": chain.weaker.spare_db,
        "required_of_each_hop": {"success": each.success, "confidence": each.confidence},
        "success_forward": chain.success[0],
        "success_return": chain.success[1],
        "time_on_air_forward_s": chain.time_on_air_s[0],
        "time_on_air_return_s": chain.time_on_air_s[1],
        "relays": [
            {"name": p.name, "latitude_deg": p.latitude_deg, "longitude_deg": p.longitude_deg}
            | _place_facts(p)
            for p in chain.relays
        ],
        "hops": [_hop_data(hop) for hop in chain.hops],
    }


def _hop_data(hop: HopCheck) -> dict[str, Any]:
    return {
        "name": hop.name,
        "from": hop.from_,
        "to": hop.to,
        "verdict": hop.verdict,
        "margin_db": hop.margin_db,
        **{name: getattr(hop.path, name) for name in _PATH},
        "directions": [
            {"from": d.from_, "to": d.to} | {name: getattr(d, name) for name in _DIRECTION}
            for d in hop.directions
        ],
    }


_PATH = (
    "distance_m", "azimuth_deg", "model", "regime", "worst_clearance_ratio", "worst_clearance_distance_m",
    "worst_obstacle",
)  # fmt: skip
_DIRECTION = (
    "path_loss_db", "received_power_dbm", "fade_margin_db", "required_margin_db", "delivery_probability",
    "time_on_air_s", "verdict",
)  # fmt: skip
"""Of what a check finds of a hop and its directions, what is in the data."""


def _numbered(result: RelaySiting) -> list[tuple[int, Chain]]:
    chains = [*result.spots, *([] if result.two is None else [result.two])]
    return list(enumerate(chains, start=1))


def _place_facts(place: Place) -> dict[str, float | None]:
    track = None if place.track_m is None else round(place.track_m, 1)
    slope = round(place.slope_deg, 2) if np.isfinite(place.slope_deg) else None
    return {"ground_m": round(place.ground_m, 2), "slope_deg": slope, "track_m": track}


def _lon_lat(place: Place) -> list[float]:
    return lon_lat(place.longitude_deg, place.latitude_deg)
