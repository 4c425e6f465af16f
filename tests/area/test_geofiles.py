"""The files of a coverage: what a map program finds in them."""

import json

import numpy as np
import pytest
import rasterio

from linkcalc.area.coverage import plan_coverage
from linkcalc.area.gridded import geotiff
from linkcalc.files import sample_path
from linkcalc.plan import load_plan


@pytest.mark.slow
def test_a_coverage_that_leaves_the_ground_has_answers_where_there_is_ground():
    loaded = load_plan(sample_path("upland"))
    result = plan_coverage(loaded, "tank", 3200.0, cell_m=18.0)
    assert any("no ground" in note for note in result.notes)
    assert any("cells of 18 m are drawn from ground that is known every" in note for note in result.notes)
    known = np.isfinite(result.bands["margin_db"])
    assert 0.3 < known.mean() < 0.7
    features = {f["properties"]["what"]: f for f in json.loads(result.to_geojson())["features"]}
    assert list(features) == ["closes", "station", "at_risk"]
    for verdict in ("closes", "at_risk"):
        assert features[verdict]["properties"]["area_km2"] == round(result.area_km2(verdict), 6)
        assert features[verdict]["geometry"]["coordinates"]
    with rasterio.MemoryFile(geotiff("coverage.tif", result.raster())) as memory, memory.open() as file:
        assert file.overviews(1) == [2]
