"""Rows of a record on what stands at the two stations: as planned, as set, as built."""

from linkcalc.link.modulation import Signal
from linkcalc.plan import ChirpModulation
from linkcalc.radio import css
from linkcalc.site.record import Record, Site
from linkcalc.terrain import geodesy
from linkcalc.views import units
from linkcalc.views.html import typeset
from linkcalc.views.record.measured import end_words, fitted_words
from linkcalc.views.record.words import degrees, level, metres, power
from linkcalc.views.words import decibel_words, time_words, trimmed

Rows = list[tuple[str, list[str]]]
"""What is told, and what of it at each station."""


def site_rows(record: Record) -> Rows:
    """Both stations as the plan has them."""
    sites = record.sites
    return [
        ("Position, WGS 84", [_position(s) for s in sites]),
        ("Ground above sea level", [metres(s.ground_m) for s in sites]),
        ("Antenna above ground", [metres(s.station.antenna_height_m) for s in sites]),
        (
            "Azimuth of the other, from true north",
            ["unknown" if s.bearing_deg is None else degrees(s.bearing_deg) for s in sites],
        ),
        ("Elevation of the other", [f"{s.elevation_deg:+.2f}°" for s in sites]),
        ("Antenna", [_antenna(s) for s in sites]),
        ("Feeder", [f"{s.feeder}: {decibel_words(s.feeder_loss_db)}" if s.feeder else "none" for s in sites]),
        ("Other losses", [_others(s) for s in sites]),
        ("Transmit power at the radio", [level(s.station.transmit_power_dbm) for s in sites]),
        ("Radiated in the main beam", [f"{level(s.eirp_dbm)} EIRP, {level(s.erp_dbm)} ERP" for s in sites]),
        ("Receiver noise figure", [decibel_words(s.station.noise_figure_db) for s in sites]),
        ("Radio noise around", [_noise(s) for s in sites]),
        ("Inside a building", [_building(s) for s in sites]),
    ]


def _position(site: Site) -> str:
    from markupsafe import Markup

    s = site.station
    if site.position_deg is None:
        return "not in the plan"
    words = geodesy.position_text(*site.position_deg)
    if s.easting_m is None or s.northing_m is None:
        return words
    # metres whatever the units in force: they are of the grid
    grid = Markup("{}<br>E {:.1f}\u00a0m, N {:.1f}\u00a0m, EPSG\u00a0{}")
    return grid.format(typeset(words), s.easting_m, s.northing_m, s.epsg)


def _antenna(site: Site) -> str:
    a = site.station.antenna
    words = f"{a.type.replace('_', ' ')}, {trimmed(site.antenna_gain_dbi)} dBi, {a.polarisation}"
    if a.azimuth_deg is not None:
        words += f", turned to {degrees(a.azimuth_deg)}"
    if a.tilt_deg:
        words += f", tilted {a.tilt_deg:+.1f}°"
    return words


def _others(site: Site) -> str:
    return "; ".join(f"{x.reason}: {x.loss_db:.1f} dB" for x in site.station.extra_loss) or "none"


def _noise(site: Site) -> str:
    s = site.station
    words = s.noise_environment.replace("_", " ")
    return f"{words}, engine and electronics {s.noise_rise_db:.1f} dB" if s.noise_rise_db else words


def _building(site: Site) -> str:
    kind = site.station.building
    return "no" if kind == "none" else kind.replace("_", " ")


def setting_rows(record: Record) -> Rows:
    """What is loaded into both radios."""
    link = record.link
    return [
        *((name, [value, value]) for name, value in _modulation(record)),
        ("Transmit power at the connector", [power(s.station.transmit_power_dbm) for s in record.sites]),
        ("Payload it sends", [f"{n} bytes" for n in (link.payload_bytes, link.reply_payload_bytes)]),
        ("Time on air of that", [time_words(d.time_on_air_s) for d in record.result.directions]),
        ("Tries of a message, at most", [str(link.tries)] * 2),
    ]


def _modulation(record: Record) -> list[tuple[str, str]]:
    link, m = record.link, record.link.modulation
    carrier = ("Carrier frequency", f"{trimmed(link.frequency_mhz, 6)} MHz")
    if not isinstance(m, ChirpModulation):
        return [
            carrier,
            ("Modulation", "two-level (Gaussian) frequency shift keying"),
            ("Bit rate", f"{m.bit_rate_bps:g} bit/s"),
            ("Frequency deviation", f"{m.deviation_hz:g} Hz"),
            ("Receiver bandwidth", f"{Signal.of(m).bandwidth_hz / 1e3:g} kHz"),
            ("Preamble", f"{m.preamble_bytes} bytes"),
            ("Sync word", f"{m.sync_bytes} bytes"),
            ("Length field and CRC", f"{m.overhead_bytes} bytes"),
        ]
    optimised: str = m.low_data_rate_optimisation
    if optimised == "auto":
        optimised = "on" if css.low_data_rate_optimised(m.spreading_factor, m.bandwidth_khz * 1e3) else "off"
    return [
        carrier,
        ("Modulation", "chirp spread spectrum (CSS)"),
        ("Spreading factor", str(m.spreading_factor)),
        ("Bandwidth", f"{m.bandwidth_khz:g} kHz"),
        ("Coding rate", m.coding_rate),
        ("Preamble", f"{m.preamble_symbols} symbols"),
        ("Header", "explicit" if m.explicit_header else "implicit"),
        ("CRC of the payload", "on" if m.crc else "off"),
        ("Low data rate optimisation", optimised),
    ]


def as_built_rows(record: Record) -> Rows:
    """What is to be filled in on site; heights and parts as the last reading that says so has them."""
    by_hand = (
        "Antenna azimuth, ° from true north",
        "Antenna: type, serial number",
        units.label("Feeder: type, length, m"),
        "Arrestor and earth checked by",
        "Radio: type, serial number",
        "Firmware",
        "Address, sync word or network identity",
        "Settings loaded and read back by",
    )
    return [
        (units.label("Antenna above ground, m"), _mounted(record)),
        ("Set and fitted, as the last reading says", _fitted(record)),
        *((name, ["", ""]) for name in by_hand),
    ]


def _mounted(record: Record) -> list[str]:
    readings = () if record.readings is None else record.readings.readings
    stated = (
        [r.near_height_m for r in readings if r.near_height_m is not None],
        [r.far_height_m for r in readings if r.far_height_m is not None],
    )
    return [f"{units.figure(heights[-1], 'm'):.4g}" if heights else "" for heights in stated]


def _fitted(record: Record) -> list[str]:
    readings = () if record.readings is None else record.readings.readings
    stated = [r for r in readings if fitted_words(r)]
    if not stated:
        return ["", ""]
    r = stated[-1]
    signal = f"SF{r.spreading_factor}, " if r.spreading_factor is not None else ""
    return [f"{signal}{end_words(r, end)}".strip(", ") for end in ("near", "far")]
