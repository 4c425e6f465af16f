"""A fleet in words: does every node get through, the worst ones, each shed's air, and the remedies."""

import math
from collections.abc import Iterator, Sequence
from typing import Any, Unpack

from linkcalc.fleets.limits import Held
from linkcalc.fleets.reach import regime_words
from linkcalc.fleets.result import FleetResult, LoadPoint, NodeAnswer
from linkcalc.link.verdict import CAUTIONS
from linkcalc.radio.energy import CAUTION as ENERGY_CAUTION
from linkcalc.radio.energy import LONGEST_QUOTED_YEARS, life_words
from linkcalc.rules.found import CAUTION as LIMITS_CAUTION
from linkcalc.views.jsonout import plain_data, rows_csv, shown_names
from linkcalc.views.page import Columns, Page, Screen
from linkcalc.views.words import counted, probability_words, trimmed

_WORST = 10
_LIMITS = {"within": "within", "over": "OVER", "unknown": "unknown"}


def fleet_report(result: FleetResult, **screen: Unpack[Screen]) -> str:
    page = Page(**screen)
    page.wrap(f"Fleet: {headline(result)}", bold=True)
    if result.title:
        page.wrap(result.title)
    page.wrap(setup(result))
    page.items("In short", summary(result))
    page.items("Remedies", result.remedies)
    page.heading("Base stations")
    _sheds(page, result)
    shown = min(_WORST, len(result.nodes))
    page.heading("The node" if shown == 1 else f"The {shown} nodes with the least success")
    _worst(page, result)
    page.heading("How nodes send" if not result.assigned else "How nodes should send")
    _signals(page, result)
    page.heading("With more or less traffic")
    _loads(page, result)
    refused = (f"row {row}{f', {name}' if name else ''}: {reason}" for row, name, reason in result.refused)
    page.items("Not answered", refused)
    page.items("Notes", notes(result))
    return page.text()


def headline(result: FleetResult) -> str:
    n, met = len(result.nodes), result.met
    asked = _asked(result.required_success)
    if met == n:
        every = "the node gets" if n == 1 else f"all {n} nodes get"
        words = f"{every} at least {asked} of {_messages(n)} through"
    else:
        few = n - met
        who = "the node" if n == 1 else f"{few} of {n} nodes"
        words = f"{who} may get fewer than {asked} of {_messages(few)} through"
        out = sum(node.verdict == "does_not_close" for node in result.nodes)
        if out:
            words += (
                " and is predicted to get fewer than half" if few == 1 else f", {out} of them fewer than half"
            )
    if result.refused:
        words += f"; {len(result.refused)} more not answered"
    return words


def sites_words(confidence: float) -> str:
    """Say at how many sites."""
    return "nine such sites in ten" if abs(confidence - 0.9) < 1e-9 else f"{_asked(confidence)} of such sites"


def _messages(n: int) -> str:
    return "its messages" if n == 1 else "their messages"


def _asked(share: float) -> str:
    return f"{share * 100.0:.4g} %"


def setup(result: FleetResult) -> str:
    stations = f"{counted(len(result.nodes), 'node')}, {counted(len(result.sheds), 'base station')}"
    carrier = f"{trimmed(result.frequency_hz / 1e6, 4)} MHz, {counted(result.channels, 'channel')}"
    tries = "1 try" if result.tries == 1 else f"up to {result.tries} tries"
    return (
        f"{stations}, {carrier}, {result.signal}, {tries} a message. Every path has its own terrain profile and the "
        "model of a single check."
    )


def summary(result: FleetResult) -> Iterator[str]:
    worst = result.worst
    yield (
        f"Worst node: {worst.name}, {success_words(worst, result.required_success)} of its messages or more "
        f"to {worst.shed} at {sites_words(result.confidence)} "
        f"({probability_words(worst.success_predicted)} at the predicted margin), margin {_margin(worst)}, "
        f"{signal_words(worst)}"
    )
    none = sum(not node.reached for node in result.nodes)
    two = sum(len(node.reached) > 1 for node in result.nodes)
    reach = f"{len(result.nodes) - none} of {len(result.nodes)} nodes reach a base station at the predicted margin"
    if len(result.nodes) == 1:
        reach = f"It {'does not reach' if none else 'reaches'} a base station at the predicted margin"
    if len(result.sheds) > 1 and len(result.nodes) > 1:
        reach += f", {two} of them more than one"
    yield reach
    busiest = max(result.sheds, key=lambda s: s.load)
    yield (
        f"Busiest base station: {busiest.name}, {counted(busiest.nodes, 'node')} of its own, "
        f"{busiest.heard} heard; packets are on its air {_share(busiest.load)} of the time, "
        f"and its own answers {_share(busiest.answering_share)}"
    )
    if (planned := result.planned) is not None:
        met = f"{planned.nodes_met} of {len(result.nodes)} nodes would reach the required success, the worst"
        if len(result.nodes) == 1:
            met = f"it would {'' if planned.nodes_met else 'not '}reach the required success,"
        yield (
            f"As planned {met} {probability_words(planned.worst)}, at {_charge(planned.charge_mah_per_day)} a day for "
            f"all; as proposed below {_charge(result.charge_mah_per_day)}"
        )
    lives = [(n.battery_years, n.name) for n in result.nodes if n.battery_years is not None]
    if lives:
        years, name = min(lives, key=lambda life: life[0])
        every = years >= LONGEST_QUOTED_YEARS
        whose = "Battery life of every node:" if every else f"Shortest battery life: {name},"
        yield f"{whose} {life_words(years)}"
    yield limits_line(result)


def limits_line(result: FleetResult) -> str:
    if result.region is None:
        return "Limits: unknown here, no region stated"
    nodes = [(n.name, n.limits) for n in result.nodes]
    sheds = [(s.name, s.limits) for s in result.sheds if s.limits is not None]
    parts = []
    for status in ("over", "unknown"):
        if those := [(name, held) for name, held in nodes if held.status == status]:
            name, held = those[0]
            parts.append(f"{status} at {counted(len(those), 'node')} ({name}: {held.reason})")
        parts += [f"{status} at {name} ({held.reason})" for name, held in sheds if held.status == status]
    doubt = ", unverified" if any(held.unverified for _, held in nodes + sheds) else ""
    found = "; ".join(parts) or "within, nodes and base stations"
    return f"Limits {result.region}: {found}{doubt}; ask your regulator"


def _sheds(page: Page, result: FleetResult) -> None:
    columns: Columns = [
        ("", 18, lambda s: shortened(s.name, 16)),
        ("nodes", 7, lambda s: str(s.nodes)),
        ("heard", 7, lambda s: str(s.heard)),
        ("heard, s/h", 12, lambda s: f"{s.load * 3600.0:.1f}"),
        ("answers, s/h", 14, lambda s: f"{s.answering_s_per_hour:.1f}"),
        ("limits, duty", 20, lambda s: _limits_words(s.limits)),
    ]
    page.table(columns, result.sheds)


def _limits_words(held: Held | None) -> str:
    """Status, and the share of the worst hour on the air."""
    if held is None:
        return "no answers"
    duty = "" if held.duty_cycle is None else f", {_share(held.duty_cycle)}"
    return f"{_LIMITS[held.status]}{duty}"


def _worst(page: Page, result: FleetResult) -> None:
    columns: Columns = [
        ("", 17, lambda n: shortened(n.name, 16)),
        ("base station", 13, lambda n: shortened(n.shed, 12)),
        ("signal", 12, lambda n: signal_words(n, short=True)),
        ("margin", 8, lambda n: _margin(n, "")),
        ("predicted", 11, lambda n: probability_words(n.success_predicted)),
        ("assured", 9, lambda n: success_words(n, result.required_success)),
        ("alone", 8, lambda n: probability_words(n.success_alone)),
    ]
    page.table(columns, result.worst_first[:_WORST])
    reasons: dict[str, list[str]] = {}
    for node in (n for n in result.worst_first[:_WORST] if n.lacks):
        reasons.setdefault(node.lacks, []).append(node.name)
    for lacks, names in reasons.items():
        who = ", ".join(names) if len(names) <= 3 else f"{len(names)} of these"
        page.item(
            f"{who}: {'lacks' if len(names) == 1 else 'lack'} {lacks}" if "dB" in lacks else f"{who}: {lacks}"
        )
    page.wrap(
        "margin in dB; predicted: share of its messages that arrive with their tries at that margin, all nodes "
        f"sending; assured: the share that {sites_words(result.confidence)} have at least, to be compared with the "
        f"{_asked(result.required_success)} required; alone: the same if no other node sent.",
        indent=2,
    )


def _signals(page: Page, result: FleetResult) -> None:
    widths = (22, 8, *(11,) * len(result.sheds[:4]))
    page.row(["signal", "nodes", *(shortened(s.name, 10) for s in result.sheds[:4])], widths)
    for place, (words, _, _) in enumerate(result.sheds[0].by_signal):
        counts = [s.by_signal[place][1] for s in result.sheds]
        if sum(counts):
            page.row([words, str(sum(counts)), *(str(c) for c in counts[:4])], widths)
    powers = sorted({n.power_dbm for n in result.nodes})
    counted = ", ".join(f"{sum(n.power_dbm == p for n in result.nodes)} at {p:g} dBm" for p in powers)
    page.wrap(f"Powers: {counted}. nodes.csv has every node.", indent=2)


def _played_words(load: LoadPoint) -> str:
    return "" if load.played is None else f" ({load.played * 100.0:.1f} simulated)"


def _loads(page: Page, result: FleetResult) -> None:
    columns: Columns = [
        ("traffic", 20, lambda p: times_words(p.times)),
        ("worst", 9, lambda p: probability_words(p.worst)),
        ("worst tenth", 14, lambda p: probability_words(p.tenth)),
        ("median", 9, lambda p: probability_words(p.median)),
        ("tries received", 26, lambda p: f"{p.tries_received * 100.0:.1f} %{_played_words(p)}"),
    ]
    page.table(columns, result.loads)
    page.wrap(
        f"Messages that arrive at {sites_words(result.confidence)}, by the closed form; tries received: mean "
        "of all nodes at the predicted margins, beside that of a simulation packet by packet.",
        indent=2,
    )


def shortened(name: str, most: int = 18) -> str:
    """A name of at most so many characters, its end kept: names of a fleet often differ there alone."""
    if len(name) <= most:
        return name
    tail = (most - 1) * 3 // 5
    return f"{name[: most - 1 - tail]}…{name[-tail:]}"


def times_words(times: float) -> str:
    """Say how much traffic there is."""
    words = {0.125: "an eighth", 0.25: "a quarter", 0.5: "half", 1.0: "as planned", 2.0: "twice"}
    return words.get(times, f"{times:g} times")


def signal_words(node: NodeAnswer, *, short: bool = False) -> str:
    factor = f"SF{node.spreading_factor}" if node.spreading_factor else "FSK"
    return f"{factor} {'' if short else 'at '}{node.power_dbm:g} dBm"


def success_words(node: NodeAnswer, required: float) -> str:
    """A node's success, never rounded up to what it lacks."""
    if required - 0.01 < node.assured < required:
        return f"{math.floor(node.assured * 1000.0) / 10.0:.1f} %"
    return probability_words(node.assured)


def _margin(node: NodeAnswer, unit: str = " dB") -> str:
    return f"{node.margin_db:+.1f}{unit}" if math.isfinite(node.margin_db) else "no path"


def _charge(mah: float) -> str:
    return f"{mah:.0f} mAh" if mah >= 100.0 else f"{mah:.3g} mAh"


def _share(share: float) -> str:
    return "<0.01 %" if 0.0 < share < 1e-4 else f"{share * 100.0:.2g} %"


def notes(result: FleetResult) -> Sequence[str]:
    over, hears = "what the demodulator needs over noise", []
    if result.factors != (0,):
        over = "the measured threshold of their spreading factors (Croce et al. 2018)"
        hears = [
            "A base station hears all spreading factors and channels at once. For a plain radio that hears one: "
            "spreading_factors = [9] (say), channels = 1, demodulators = 1."
        ]
    return [
        f"Of two packets that overlap on one channel the one survives that is stronger by {over}; each "
        "interferer counts by itself. Arrivals count as random (Poisson); "
        + ("of the fading each packet has its own." if result.fading else "packets do not fade, as stated."),
        *hears,
        *result.notes,
        LIMITS_CAUTION,
        ENERGY_CAUTION,
        "A prediction, not a measurement: take readings on site before you buy.",
        CAUTIONS[0],
    ]


def fleet_dict(result: FleetResult) -> dict[str, Any]:
    fleet = {
        "line": result.line,
        "headline": headline(result),
        **{name: getattr(result, name) for name in shown_names(result) if name not in _APART},
        **{name: getattr(result, name) for name in ("planned", "sheds", "nodes")},
        "refused": [{"row": row, "name": name, "reason": why} for row, name, why in result.refused],
        "loads": result.loads,
        "limits_line": limits_line(result),
        "cautions": [LIMITS_CAUTION, CAUTIONS[0]],
    }
    return {"fleet": _to_ten_figures(plain_data(fleet))}


_APART = {"nodes", "sheds", "refused", "loads", "planned"}


def _to_ten_figures(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _to_ten_figures(v) for k, v in value.items()}
    if isinstance(value, list):
        return [_to_ten_figures(v) for v in value]
    return float(f"{value:.10g}") if isinstance(value, float) else value


def nodes_csv(result: FleetResult) -> str:
    """Every node with how it sends and fares, as CSV."""
    return rows_csv(map(_node_row, result.nodes))


def _node_row(n: NodeAnswer) -> dict[str, Any]:
    return {
        "name": n.name,
        "latitude_deg": f"{n.latitude_deg:.6f}",
        "longitude_deg": f"{n.longitude_deg:.6f}",
        "antenna_height_m": f"{n.antenna_height_m:g}",
        "verdict": n.verdict,
        "shed": n.shed,
        "spreading_factor": n.spreading_factor,
        "transmit_power_dbm": f"{n.power_dbm:g}",
        "distance_m": _digits(n.distance_m, 0),
        "path": n.path,
        "margin_db": _digits(n.margin_db, 2),
        "assured": f"{n.assured:.5f}",
        "success_alone": f"{n.success_alone:.5f}",
        "success_predicted": f"{n.success_predicted:.5f}",
        "tries_sent": f"{n.transmissions:.4f}",
        "collided": f"{n.collided:.5f}",
        "interval_s": f"{n.interval_s:g}",
        "time_on_air_s": f"{n.time_on_air_s:.6f}",
        "airtime_s_per_day": f"{n.airtime_s_per_day:.3f}",
        "charge_mah_per_day": f"{n.charge_mah_per_day:.4f}",
        "battery_years": _digits(n.battery_years, 2),
        "reached": "; ".join(n.reached),
        "limits": n.limits.status,
        "lacks": n.lacks,
    }


def reach_csv(result: FleetResult) -> str:
    """Every path from a node to a shed, with its margin for each signal at the highest power, as CSV."""
    signals = [f"margin_sf{f}_db" if f else "margin_db" for f in result.factors]
    found = result.drawing
    return rows_csv(
        {
            "name": node.name,
            "shed": shed.name,
            "distance_m": _digits(found.length_m[k, j], 0),
            "path_loss_db": _digits(found.loss_db[k, j], 2),
            "path": regime_words(int(found.regime[k, j])),
            "uncertainty_db": _digits(found.sigma_db[k, j], 1),
            **{name: _digits(v, 2) for name, v in zip(signals, node.margins_db[j], strict=True)},
        }
        for k, node in enumerate(result.nodes)
        for j, shed in enumerate(result.sheds)
    )


def _digits(value: float | None, digits: int) -> str:
    return "" if value is None or not math.isfinite(value) else f"{value:.{digits}f}"
