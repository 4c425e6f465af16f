"""The links of a result on a map: GeoJSON (RFC 7946) and KML 2.2 (OGC 07-147r2), with names and verdicts."""

import json
import math
from collections.abc import Mapping
from typing import Any
from xml.etree import ElementTree

from linkcalc.link.result import LinkResult, Result
from linkcalc.views.style import VERDICT
from linkcalc.views.words import VERDICT_WORDS, weaker_direction

Positions = Mapping[str, tuple[float, float]]
"""Latitude and longitude of the stations that have any, by name."""

_KML = "http://www.opengis.net/kml/2.2"


def links_geojson(result: Result, positions: Positions) -> str:
    features = [
        _feature("Point", [lon, lat], {"name": name, "kind": "station"})
        for name, (lat, lon) in positions.items()
    ]
    for link in _placed(result, positions):
        (lat, lon), (lat2, lon2) = (positions[name] for name in _ends(link))
        # a line across the 180th meridian goes on beyond it
        lon2 = lon + (lon2 - lon + 180.0) % 360.0 - 180.0
        line = [[round(lon, 7), round(lat, 7)], [round(lon2, 7), round(lat2, 7)]]
        features.append(_feature("LineString", line, {"name": link.name, "kind": "link", **_figures(link)}))
    collection = {
        "type": "FeatureCollection",
        "title": result.title,
        "caution": result.cautions[0],
        "features": features,
    }
    return json.dumps(collection, ensure_ascii=False, indent=1) + "\n"


def links_kml(result: Result, positions: Positions) -> str:
    """Write stations as place marks and links as lines, the verdict in name, style and description."""
    root = ElementTree.Element("kml", xmlns=_KML)
    document = ElementTree.SubElement(root, "Document")
    _text(document, "name", result.title or result.plan_file)
    _text(document, "description", result.cautions[0])
    for verdict, colour in VERDICT.items():
        style = ElementTree.SubElement(document, "Style", id=verdict)
        line = ElementTree.SubElement(style, "LineStyle")
        # alpha, blue, green, red
        _text(line, "color", f"ff{colour[5:7]}{colour[3:5]}{colour[1:3]}")
        _text(line, "width", "4" if verdict == "closes" else "3")
    for name, (lat, lon) in positions.items():
        mark = ElementTree.SubElement(document, "Placemark")
        _text(mark, "name", name)
        _text(ElementTree.SubElement(mark, "Point"), "coordinates", f"{lon:.7f},{lat:.7f}")
    for link in _placed(result, positions):
        mark = ElementTree.SubElement(document, "Placemark")
        _text(mark, "name", f"{link.name}: {VERDICT_WORDS[link.verdict]}")
        _text(mark, "description", link.headline)
        _text(mark, "styleUrl", f"#{link.verdict}")
        line = ElementTree.SubElement(mark, "LineString")
        _text(line, "tessellate", "1")
        ends = [positions[name] for name in _ends(link)]
        _text(line, "coordinates", " ".join(f"{lon:.7f},{lat:.7f}" for lat, lon in ends))
    ElementTree.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ElementTree.tostring(root, encoding="unicode") + "\n"


def _placed(result: Result, positions: Positions) -> list[LinkResult]:
    return [link for link in result.links if all(name in positions for name in _ends(link))]


def _ends(link: LinkResult) -> tuple[str, str]:
    return link.directions[0].from_, link.directions[0].to


def _figures(link: LinkResult) -> dict[str, Any]:
    weaker = weaker_direction(link)
    required = weaker.required_margin_db
    return {
        "verdict": link.verdict,
        "headline": link.headline,
        "from": link.directions[0].from_,
        "to": link.directions[0].to,
        "distance_m": round(link.path.distance_m, 1),
        "fade_margin_db": round(weaker.fade_margin_db, 1),
        "required_margin_db": round(required, 1) if math.isfinite(required) else None,
    }


def _feature(kind: str, coordinates: Any, properties: dict[str, Any]) -> dict[str, Any]:
    geometry = {"type": kind, "coordinates": coordinates}
    return {"type": "Feature", "properties": properties, "geometry": geometry}


def _text(parent: ElementTree.Element, tag: str, text: str) -> None:
    ElementTree.SubElement(parent, tag).text = text
