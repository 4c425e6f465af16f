"""Links and stations on any map

GeoJSON (RFC 7946), with verdict and margin as properties.
"""

import json

import linkcalc as lc

text = lc.check(lc.sample_path("upland")).to_geojson()
for feature in json.loads(text)["features"]:
    print(feature["geometry"]["type"], feature["properties"]["name"])
