"""Magnetic declination, so that a bearing can be followed by a compass."""

from linkcalc.link.case import LinkCase

MIDDLE_OF_TERM = 2027.5
"""The model stands from 2025 to 2030; asked for the middle, the same plan gives the same sheet."""


def declination_deg(case: LinkCase) -> float | None:
    """Magnetic declination in the middle of a link, degrees east of true north, to a tenth.

    None without positions or without the extra ``linkcalc[compass]``. World Magnetic Model 2025 (NOAA NCEI
    and the British Geological Survey), by the package pygeomag.
    """
    latitude, longitude = case.profile.latitude_deg, case.profile.longitude_deg
    if latitude is None or longitude is None or not case.positioned:
        return None
    try:
        from pygeomag import GeoMag
    except ImportError:
        return None
    middle = len(latitude) // 2
    model = GeoMag(coefficients_file="wmm/WMM_2025.COF")
    found = model.calculate(
        glat=float(latitude[middle]), glon=float(longitude[middle]), alt=0.0, time=MIDDLE_OF_TERM
    )
    return round(float(found.d), 1)
