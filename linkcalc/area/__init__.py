"""Areas: the answer of a single check for every point of the land.

From the bottom up, each with its own file:

- `plane`: metres around a position; `land`: heights around a station, read once (`read_land`);
- `losses`: the governing loss from the station to any positions (`losses`), by compiled code (`kernels`) or
  numpy;
- `margins`: levels, margins, success and spreading factor from losses (`template_case`, `answers`);
- `tiles`: an area cut up, shared out by a `scheduler`, kept and taken up again (`worked_off`);
- `coverage`: all cells of an area (`prepared_job`, `coverage`, `plan_coverage`); `geofiles`: as GeoTIFF and GeoJSON;
- `relay`: both hops of a link over a relay in every cell. `access` says where one may stand (`geojson`), `hops` what
  it is made of, `search` and `chain` look for one and for two in a row, `siting` puts it together (`result`), and
  `files` writes it.
"""
