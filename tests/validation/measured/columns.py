"""What the columns of a measurement table mean: recognised by name, with obvious variants and units."""

import math
import re
from collections.abc import Iterable

import numpy as np

UNITS = {"dbm", "db", "dbi", "dbd", "m", "km", "hz", "khz", "mhz", "ghz", "bytes", "byte", "deg", "degrees"}
UNITS |= {"s", "ms", "sec", "pct", "percent", "w", "mw"}
WRITTEN = {"hz": "Hz", "khz": "kHz", "mhz": "MHz", "ghz": "GHz"}
STATISTICS = {"median", "mean", "avg", "average"}
FILLERS = {
    "0dbi",
    "derived",
    "estimated",
    "est",
    "value",
    "antenna",
    "the",
    "of",
    "reported",
    "measured",
    "raw",
}

SAME = {
    "latitude": "lat",
    "longitude": "lon",
    "lng": "lon",
    "long": "lon",
    "gateway": "rx",
    "gw": "rx",
    "receiver": "rx",
    "base": "rx",
    "transmitter": "tx",
    "node": "tx",
    "device": "tx",
    "dev": "tx",
    "sender": "tx",
    "transmit": "tx",
    "dist": "distance",
    "freq": "frequency",
    "bw": "bandwidth",
    "pwr": "power",
    "loc": "location",
    "pkt": "packet",
    "pkts": "packets",
    "msg": "message",
    "seq": "sequence",
    "len": "length",
    "eui": "id",
    "addr": "id",
    "address": "id",
    "name": "id",
    "nb": "n",
    "num": "n",
    "number": "nr",
    "no": "nr",
    "count": "n",
    "amsl": "asl",
}

NAMES = {
    "rssi": "rssi, packet rssi, rx rssi, total power",
    "snr": "snr, packet snr, lsnr, rx snr",
    "signal": "signal, signal power, signal level, signal strength, esp, received power, rx power, rx level, "
    "level",
    "noise": "noise, noise floor, noise power",
    "path_loss": "path loss, pathloss, basic transmission loss",
    "distance": "distance, link distance, range, path length, d, separation, tx rx distance",
    "tx_lat": "lat, tx lat, place lat, location lat",
    "tx_lon": "lon, tx lon, place lon, location lon",
    "rx_lat": "rx lat",
    "rx_lon": "rx lon",
    "receiver": "rx, rx id, station, station id",
    "transmitter": "tx, tx id, sensor, sensor id",
    "link": "link, link id, path, path id, pair, scenario, route",
    "place": "place, place id, location, location id, site, site id, point, point id, position, spot",
    "in_sight": "los, in sight, line sight, sight, visibility, visible, clear sight, is los, condition, "
    "los nlos, environment, type, propagation",
    "out_of_sight": "nlos, out sight, is nlos, blocked, obstructed",
    "spreading_factor": "sf, spreading factor, spreadingfactor, spread factor",
    "bandwidth": "bandwidth, channel bandwidth",
    "data_rate": "data rate, datr, dr, datarate",
    "tx_power": "tx power, power, tp, txp, txpower, output power, conducted power, eirp, tx eirp",
    "frequency": "frequency, channel frequency, carrier frequency, carrier, tx frequency",
    "payload": "payload, payload size, payload length, size, packet size, packet length, length",
    "received": "received, delivered, heard, success, ok, rx ok, decoded, crc ok, acked, ack",
    "sent": "sent, transmitted, total, total packets, expected",
    "lost": "lost, missed, missing",
    "delivery_ratio": "pdr, prr, delivery ratio, packet delivery ratio, delivery, delivery rate, "
    "success rate, packet reception ratio, reception ratio",
    "loss_ratio": "per, plr, loss ratio, packet error rate, packet loss, packet loss ratio, loss rate",
    "count": "n, packets, n packets, nr packets, packet n, samples, n samples",
    "tx_height": "tx height, height tx, tx height agl, height",
    "rx_height": "rx height, rx height agl",
    "tx_ground": "tx ground, tx ground height, tx ground elevation, tx elevation",
    "rx_ground": "rx ground, rx ground height, rx ground elevation, rx elevation",
    "tx_altitude": "tx altitude, tx height asl, tx asl",
    "rx_altitude": "rx altitude, rx height asl, rx asl",
    "profile": "profile, profile file, profile csv",
    "tx_gain": "tx gain",
    "rx_gain": "rx gain",
    "time": "time, timestamp, datetime, date time, utc, time utc, rx time, tx time, received at",
    "sequence": "sequence, sequence nr, counter, fcnt, frame counter, packet id, packet nr, message id, "
    "message nr, packet, seqno, uplink counter, frame nr, message",
}
COUNTED = {"n", "nr", "packet", "packets", "messages", "frames", "total"}
"""Words that make a count of received, sent or lost: "packets received", "n_sent"."""

MEANING: dict[frozenset[str], str] = {}
for _role, _names in NAMES.items():
    for _words in _names.split(", "):
        MEANING.setdefault(frozenset(_words.split()), _role)
TEXT_ROLES = {
    "receiver",
    "transmitter",
    "link",
    "place",
    "in_sight",
    "out_of_sight",
    "time",
    "data_rate",
    "profile",
}

YES = {"1", "1.0", "true", "yes", "y", "t", "los", "insight", "lineofsight", "visible", "clear", "line"}
NO = {"0", "0.0", "false", "no", "n", "f", "nlos", "outofsight", "nonlineofsight", "blocked", "obstructed"}
NO |= {"nonlos", "notvisible", "hidden"}


def role_of(header: str) -> tuple[str | None, str, bool]:
    """Role of a column, its unit as written ("" if none), and whether it holds a median or mean.

    >>> role_of("Distance (km)"), role_of("gateway_latitude"), role_of("SNR"), role_of("colour")
    (('distance', 'km', False), ('rx_lat', '', False), ('snr', '', False), (None, '', False))
    """
    plain = header.replace("%", " percent ")
    for text in (plain, re.sub(r"(?<=[a-z])(?=[A-Z])", " ", plain)):
        words = [w for w in re.split(r"[^a-z0-9]+", text.lower()) if w]
        statistic = any(w in STATISTICS for w in words)
        words = [SAME.get(w, w) for w in words if w not in STATISTICS and w not in FILLERS]
        unit = ""
        while len(words) > 1 and words[-1] in UNITS:
            unit = words.pop()
        role = MEANING.get(frozenset(words)) or _count(words)
        if role:
            return role, unit, statistic
    return None, "", False


def _count(words: list[str]) -> str | None:
    """Packets received, sent or lost, whatever word makes it a count."""
    what = frozenset(words) - COUNTED
    role = {frozenset({"rx"}): "received", frozenset({"tx"}): "sent"}.get(what) or MEANING.get(what)
    return role if what != frozenset(words) and role in ("received", "sent", "lost") else None


def numbers(cells: Iterable[str], *, decimal_comma: bool = False) -> np.ndarray:
    """Cells as floats; what is no number is NaN."""
    return np.array(
        [_number(cell.replace(",", ".") if decimal_comma else cell) for cell in cells], dtype=float
    )


def _number(cell: str) -> float:
    try:
        value = float(cell)
    except ValueError:
        return {"true": 1.0, "yes": 1.0, "false": 0.0, "no": 0.0}.get(cell.strip().lower(), math.nan)
    return value if math.isfinite(value) else math.nan


def truths(cells: Iterable[str]) -> np.ndarray:
    """1 for yes or in sight, 0 for no or out of sight, else NaN."""
    found = []
    for cell in cells:
        word = re.sub(r"[^a-z0-9.]", "", cell.lower())
        found.append(1.0 if word in YES else 0.0 if word in NO else math.nan)
    return np.array(found)


def scaled(role: str, unit: str, values: np.ndarray) -> tuple[np.ndarray, str]:
    """Values in m, Hz, dBm or a ratio, and what was assumed of a unit that is not written."""
    known = values[np.isfinite(values)]
    typical = float(np.median(np.abs(known))) if known.size else 0.0
    largest = float(np.abs(known).max()) if known.size else 0.0
    if role == "distance":
        if unit in ("m", "km"):
            return values * (1e3 if unit == "km" else 1.0), ""
        kilometres = largest < 100.0
        return values * (1e3 if kilometres else 1.0), f"distance taken to be in {'km' if kilometres else 'm'}"
    if role in ("frequency", "bandwidth"):
        factors = {"hz": 1.0, "khz": 1e3, "mhz": 1e6, "ghz": 1e9}
        if unit in factors:
            return values * factors[unit], ""
        steps = ((1e7, "hz"), (1e5, "khz"), (30.0, "mhz"), (0.0, "ghz"))
        if role == "bandwidth":
            steps = ((1e3, "hz"), (1.0, "khz"), (0.0, "mhz"))
        guess = next(unit for least, unit in steps if typical >= least)
        return values * factors[guess], f"{role} taken to be in {WRITTEN[guess]}"
    if role == "tx_power" and unit in ("mw", "w"):
        with np.errstate(divide="ignore", invalid="ignore"):
            return 10.0 * np.log10(values * (1.0 if unit == "mw" else 1e3)), ""
    if role in ("delivery_ratio", "loss_ratio") and (unit in ("pct", "percent") or largest > 1.0):
        return values / 100.0, ""
    return values, ""


def data_rates(cells: Iterable[str]) -> tuple[np.ndarray, np.ndarray]:
    """Spreading factor and bandwidth in Hz out of words such as SF9BW125."""
    found = [re.search(r"sf\s*(\d+)\D*?(?:bw\s*(\d+))?\s*$", cell.strip().lower()) for cell in cells]
    sf = np.array([float(m[1]) if m else math.nan for m in found])
    bandwidth = np.array([1e3 * float(m[2]) if m and m[2] else math.nan for m in found])
    return sf, bandwidth


def from_file_name(name: str) -> dict[str, float]:
    """Settings that a file's name, or its folder's, carries: sf7, bw125, 14dbm, 350m, 1.2km, los, nlos.

    >>> from_file_name("roof_nlos_sf9_1.2km")
    {'in_sight': 0.0, 'spreading_factor': 9.0, 'distance': 1200.0}
    """
    words = re.split(r"[^a-z0-9.]+", name.lower())
    found: dict[str, float] = {}
    if "nlos" in words or "los" in words:
        found["in_sight"] = 0.0 if "nlos" in words else 1.0
    for role, pattern, factor in (
        ("spreading_factor", r"sf(\d+)", 1.0),
        ("bandwidth", r"bw(\d+)(?:khz)?", 1e3),
        ("tx_power", r"(\d+)dbm", 1.0),
        ("distance", r"(\d+(?:\.\d+)?)m", 1.0),
        ("distance", r"(\d+(?:\.\d+)?)km", 1e3),
    ):
        for word in words:
            if match := re.fullmatch(pattern, word):
                found[role] = factor * float(match[1])
    return found
