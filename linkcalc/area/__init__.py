"""Areas: the answer of a single check for every point of the land.

From the bottom up, each with its own file:

- `land`: heights around a station, read once (`read_land`);
- `losses`: the governing loss from the station to any positions (`losses`), by compiled code (`kernels`) or
  numpy;
- `margins`: levels, margins, success and spreading factor from losses (`template_case`, `answers`);
- `coverage`: all cells of an area, tile by tile (`prepared_job`, `coverage`, `plan_coverage`), worked off by
  a `scheduler`;
- `geofiles`: the answer as GeoTIFF and GeoJSON;
- `relay.search`: both hops of a link over a relay in every cell; `access` says where one may stand (`geojson`),
  `relay.plan` what it is made of, `relay.search` and `relay.chain` look for one and for two in a row, `relay.siting`
  puts it together (`relay.result`), and `relay.files` writes it.
"""
