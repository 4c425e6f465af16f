"""Heights that are at hand as an array with coordinates: the profile between two places, and the ray's clearance."""

import math
from contextlib import ExitStack
from typing import TYPE_CHECKING, Any
from uuid import uuid4

import numpy as np

from linkcalc._arrays import checked
from linkcalc._kinds import kinds_checked
from linkcalc.errors import DomainError
from linkcalc.propagation import fresnel
from linkcalc.terrain.cutting import cut_profile
from linkcalc.terrain.profile import Profile
from linkcalc.terrain.raster import CANOPY_LIMITS_M, GROUND_LIMITS_M, HeightUnit
from linkcalc.terrain.rasters import Mosaic, open_mosaic

if TYPE_CHECKING:
    import xarray

_EAST = ("x", "lon", "longitude", "easting", "x_m", "easting_m", "longitude_deg")
_NORTH = ("y", "lat", "latitude", "northing", "y_m", "northing_m", "latitude_deg")
_DEGREES = ("lon", "longitude", "longitude_deg")
_UNITS: dict[str, HeightUnit] = {
    **dict.fromkeys(("", "m", "metre", "metres", "meter", "meters"), "m"),
    **dict.fromkeys(("ft", "feet", "foot"), "ft"),
    **dict.fromkeys(("us_survey_ft", "us_survey_foot", "us-ft"), "us_survey_ft"),
}
_UNEVEN = 1e-3
"""Share of the spacing by which coordinates may be off an even grid."""


@kinds_checked
def profile_of_array(
    ground: "xarray.DataArray",
    start_deg: tuple[float, float],
    end_deg: tuple[float, float],
    *,
    crs: Any = None,
    surface: "xarray.DataArray | None" = None,
    canopy: "xarray.DataArray | None" = None,
    step_m: float | None = None,
) -> Profile:
    """Cut the profile between two places from heights in an array, by the rules for rasters.

    Parameters
    ----------
    ground : xarray.DataArray, m, (rows, columns)
        Bare ground above sea level on an even grid; its coordinates are the cells' middles, called ``x`` and ``y``,
        ``lon`` and ``lat``, ``longitude`` and ``latitude``, or ``easting`` and ``northing``. NaN: no data. An
        attribute ``units`` of feet is understood.
    start_deg, end_deg : (latitude, longitude), degrees
        WGS 84; the profile runs from the first to the second.
    crs : optional
        Of the coordinates: an EPSG code, or whatever pyproj takes. By default what the array says (its attribute
        ``crs``, or a coordinate ``spatial_ref`` as rioxarray writes it); latitude and longitude are WGS 84.
    surface, canopy : xarray.DataArray, m, optional
        Top of whatever stands there, above sea level; height of trees above ground.
    step_m : float, m, optional
        Largest spacing of the points; by default the array's own.

    Returns
    -------
    Profile
        As `linkcalc.cut_profile` cuts it from a raster of the same heights.

    Raises
    ------
    DomainError
        If the array has no two coordinates of a place, is uneven, or nobody says in which CRS it is.
    TerrainError
        If a place lies outside of it or on NaN.

    Examples
    --------
    >>> import xarray
    >>> x, y = np.arange(500_000.0, 503_000.0, 30.0), np.arange(1_000_000.0, 1_003_000.0, 30.0)
    >>> slope = xarray.DataArray((x - x[0]) / 100 + 0 * y[:, None], {"y": y, "x": x}, ("y", "x"), attrs={"crs": 32631})
    >>> profile = profile_of_array(slope, (9.0510, 3.0010), (9.0560, 3.0210))
    >>> round(profile.length_m), profile.ground_m[[0, -1]].round(1).tolist()
    (2267, [1.1, 23.1])
    """
    given = {"ground": ground, "surface": surface, "canopy": canopy}
    with ExitStack() as made:
        files = {what: _written(array, crs, made) for what, array in given.items() if array is not None}
        units = {unit for _, unit in files.values()}
        if len(units) > 1:
            raise DomainError(
                f"the arrays' heights are in {' and '.join(sorted(units))}: give them in one unit"
            )
        (unit,) = units

        def opened(what: str, limits_m: tuple[float, float]) -> Mosaic:
            names = [files[what][0]] if what in files else []
            return made.enter_context(open_mosaic(names, limits_m=limits_m, height_unit=unit))

        return cut_profile(
            *start_deg,
            *end_deg,
            opened("ground", GROUND_LIMITS_M),
            surface_rasters=opened("surface", GROUND_LIMITS_M),
            canopy_rasters=opened("canopy", CANOPY_LIMITS_M),
            step_m=step_m,
        )


def _written(array: "xarray.DataArray", crs: Any, made: ExitStack) -> tuple[str, HeightUnit]:
    """Write an array as a raster in memory, gone when the stack ends: its name, and in what its heights count."""
    import rasterio.shutil

    array = array.squeeze(drop=False)
    east = next((d for d in array.dims if str(d).lower() in _EAST), None)
    north = next((d for d in array.dims if str(d).lower() in _NORTH), None)
    if array.ndim != 2 or east is None or north is None:
        dims = ", ".join(map(str, array.dims)) or "none"
        raise DomainError(f"the array's dimensions are {dims}; one of {', '.join(_EAST)} and one of "
                          f"{', '.join(_NORTH)} are needed")  # fmt: skip
    known = _crs_of(array, crs, str(east).lower() in _DEGREES)
    x, y = (np.asarray(array[d].values, dtype=np.float64) for d in (east, north))
    for label, values in ((east, x), (north, y)):
        step = np.diff(values)
        if values.size < 2 or np.abs(step - step.mean()).max() > _UNEVEN * abs(step.mean()):
            raise DomainError(
                f"coordinate {label} of the array is not evenly spaced: put it on an even grid first"
            )
    heights = np.asarray(array.transpose(north, east).values, dtype=np.float64)
    # arrays often run from south to north; a raster begins at its north-west corner
    if x[1] < x[0]:
        x, heights = x[::-1], heights[:, ::-1]
    if y[1] > y[0]:
        y, heights = y[::-1], heights[::-1]
    # over the whole length: a single step has the rounding of its two coordinates in it
    dx, dy = float(x[-1] - x[0]) / (x.size - 1), float(y[-1] - y[0]) / (y.size - 1)
    transform = rasterio.Affine(dx, 0.0, x[0] - dx / 2.0, 0.0, dy, y[0] - dy / 2.0)
    unit = str(array.attrs.get("units", "")).strip().lower()
    if unit not in _UNITS:
        raise DomainError(f"the array's units are {unit!r}; metres or feet are needed")
    name = f"/vsimem/linkcalc-{uuid4().hex}.tif"
    with rasterio.open(
        name, "w", driver="GTiff", count=1, width=x.size, height=y.size, dtype="float64", crs=known,
        transform=transform, nodata=math.nan,
    ) as file:  # fmt: skip
        file.write(heights, 1)
    made.callback(rasterio.shutil.delete, name)
    return name, _UNITS[unit]


def _crs_of(array: "xarray.DataArray", given: Any, degrees: bool) -> str:
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    said = given
    if said is None:
        holder = array.attrs.get("grid_mapping", array.encoding.get("grid_mapping", "spatial_ref"))
        attrs = array.coords[holder].attrs if holder in array.coords else {}
        said = array.attrs.get("crs") or attrs.get("crs_wkt") or attrs.get("spatial_ref")
    if said is None and degrees:
        said = 4326
    if said is None:
        raise DomainError("the CRS of the array is not stated: give crs, as in crs=32633")
    try:
        return str(CRS.from_user_input(said).to_wkt())
    except CRSError:
        raise DomainError(
            f"crs {str(said)[:80]!r} is none that is known; an EPSG code such as 32633 is"
        ) from None


@kinds_checked
def clearance_of(
    profile: Profile,
    frequency_hz: float,
    heights_m: tuple[float, float],
    *,
    k_factor: float = 4.0 / 3.0,
) -> "xarray.Dataset":
    """The ray over a profile: its height and its clearance at every point.

    Parameters
    ----------
    profile : Profile
        From `profile_of_array`, `linkcalc.cut_profile`, `linkcalc.profile_from` or a survey.
    frequency_hz : float, Hz, above 0
    heights_m : (float, float), m, above 0
        Antennas above ground, at the profile's start and end.
    k_factor : float
        Effective earth radius factor.

    Returns
    -------
    xarray.Dataset
        Along ``distance_m``: ground, clutter, ray and earth bulge, first Fresnel zone radius, clearance in m over all
        that stands there and as a ratio of that radius (NaN at the ends); latitude and longitude where known.

    Raises
    ------
    DomainError
        If an argument is outside its range.

    References
    ----------
    Rec. ITU-R P.530, P.526: see `linkcalc.propagation.fresnel`.

    Examples
    --------
    >>> from linkcalc.terrain.profile import profile_from
    >>> found = clearance_of(profile_from([0, 1000, 2000], [40, 44, 41]), 868e6, (6.0, 8.0))
    >>> [round(float(found[name].values[1]), 3) for name in ("clearance_m", "clearance_ratio")]
    [3.441, 0.262]
    """
    import xarray

    near, far = (float(checked("heights_m", h, above=0.0)) for h in heights_m)
    d = profile.distance_m
    start, end = profile.ground_m[0] + near, profile.ground_m[-1] + far
    ray = start + (end - start) * d / d[-1]
    bulge = np.asarray(fresnel.earth_bulge_m(d, d[-1] - d, k_factor))
    radius = np.asarray(fresnel.fresnel_radius_m(d, d[-1] - d, frequency_hz))
    clear = ray - profile.ground_m - profile.clutter_m - bulge
    ratio = np.divide(clear, radius, out=np.full(d.shape, np.nan), where=radius > 0.0)
    columns: dict[str, tuple[Any, str, str]] = {
        "ground_m": (profile.ground_m, "m", "ground above sea level"),
        "clutter_m": (profile.clutter_m, "m", "what stands there, above ground"),
        "ray_m": (ray, "m", "ray above sea level"),
        "earth_bulge_m": (bulge, "m", "rise of the earth into the ray"),
        "fresnel_radius_m": (radius, "m", "radius of the first Fresnel zone"),
        "clearance_m": (clear, "m", "ray over all that stands there"),
        "clearance_ratio": (ratio, "", "the same in first Fresnel zone radii"),
    }
    coords: dict[str, Any] = {"distance_m": ("distance_m", d, {"units": "m"})}
    if profile.latitude_deg is not None and profile.longitude_deg is not None:
        for name, values in (
            ("latitude_deg", profile.latitude_deg),
            ("longitude_deg", profile.longitude_deg),
        ):
            coords[name] = ("distance_m", values, {"units": "degrees"})
    return xarray.Dataset(
        {
            n: ("distance_m", v, {"units": unit, "long_name": words})
            for n, (v, unit, words) in columns.items()
        },
        coords=coords,
        attrs={
            "crs": "EPSG:4326",
            "frequency_hz": frequency_hz,
            "k_factor": k_factor,
            "source": profile.source,
        },
    )
