"""What was set and fitted for a reading, put into the link; and the parts at hand on site."""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, TypeVar

from linkcalc.errors import LinkcalcError
from linkcalc.link.case import ENDS, End, LinkCase, figures
from linkcalc.plan import Antenna, ChirpModulation, Feeder, Plan, Station
from linkcalc.radio.antenna_types import ANTENNA_TYPES

if TYPE_CHECKING:
    from linkcalc.site.readings import Reading

AS_PLANNED = "as planned"
NO_FEEDER = "no feeder"

T = TypeVar("T")


class UnmappedError(LinkcalcError):
    """What a reading says was fitted is nothing this plan knows."""


@dataclass(frozen=True)
class FittedEnd:
    """What was fitted at one end; None and empty: as planned."""

    power_dbm: float | None = None
    antenna: str = ""
    antenna_gain_dbi: float | None = None
    feeder: str = ""
    feeder_loss_db: float | None = None


@dataclass(frozen=True)
class Fitted:
    """What was set and fitted for a reading."""

    spreading_factor: int | None = None
    bandwidth_khz: float | None = None
    near: FittedEnd = FittedEnd()
    far: FittedEnd = FittedEnd()

    @classmethod
    def of(cls, reading: "Reading") -> "Fitted":
        """Read it off a reading."""

        def end(of: End) -> FittedEnd:
            return FittedEnd(*(getattr(reading, f"{of}_{f.name}") for f in fields(FittedEnd)))

        return cls(reading.spreading_factor, reading.bandwidth_khz, end("near"), end("far"))

    def case(self, case: LinkCase, plan: Plan | None = None) -> LinkCase:
        """Return the link with this in it; `UnmappedError` where the plan knows no such name or setting."""
        modulation = case.link.modulation
        if not isinstance(modulation, ChirpModulation):
            if self.spreading_factor is not None:
                raise UnmappedError(
                    f"spreading_factor = {self.spreading_factor}, and the plan's link sends FSK: it has none"
                )
            own_khz = case.signal.bandwidth_hz / 1e3
            if self.bandwidth_khz is not None and abs(self.bandwidth_khz - own_khz) > 0.01 * own_khz:
                raise UnmappedError(
                    f"bandwidth_khz = {self.bandwidth_khz:g}, and the plan's FSK signal has {own_khz:g}"
                )
        else:
            changed = {
                "spreading_factor": self.spreading_factor or modulation.spreading_factor,
                "bandwidth_khz": self.bandwidth_khz or modulation.bandwidth_khz,
            }
            if changed != {key: getattr(modulation, key) for key in changed}:
                case = case.with_modulation(modulation.model_copy(update=changed))
        fitted = {end: _station(case, plan, end, getattr(self, end)) for end in ENDS}
        return case.with_stations(fitted)


NOTHING_ELSE = Fitted()
"""All as planned."""


def _station(case: LinkCase, plan: Plan | None, end: End, fitted: FittedEnd) -> Station:
    station = case.station(end)
    antenna, feeder = station.antenna, station.feeder
    if fitted.antenna:
        antenna = _named(f"{end}_antenna", fitted.antenna, antennas_at_hand(plan, case, end))
    gain_dbi = fitted.antenna_gain_dbi
    if gain_dbi is not None and abs(figures(antenna).gain_dbi - gain_dbi) > 0.05:
        antenna = antenna.model_copy(update={"gain_dbi": gain_dbi, "gain_dbd": None})
    if fitted.feeder:
        feeder = _named(f"{end}_feeder", fitted.feeder, feeders_at_hand(plan, case, end))
    if fitted.feeder_loss_db is not None:
        # what was stated holds the connectors too: 100 m without any lose just that
        feeder = Feeder(length_m=100.0, loss_db_per_100m=fitted.feeder_loss_db)
    power = station.transmit_power_dbm if fitted.power_dbm is None else fitted.power_dbm
    if (antenna, feeder, power) == (station.antenna, station.feeder, station.transmit_power_dbm):
        return station
    return station.model_copy(update={"antenna": antenna, "feeder": feeder, "transmit_power_dbm": power})


def _named(column: str, name: str, at_hand: Sequence[tuple[str, T]]) -> T:
    plain = _plain(name)
    for known, part in at_hand:
        if _plain(known) == plain:
            return part
    words = ", ".join(f'"{known}"' for known, _ in at_hand)
    raise UnmappedError(f'{column} = "{name}" is nothing the plan knows; it has {words}')


def _plain(name: str) -> str:
    return " ".join(name.replace("_", " ").casefold().split())


def antennas_at_hand(plan: Plan | None, case: LinkCase, end: End) -> list[tuple[str, Antenna]]:
    """The planned antenna, then those of the plan's choice, or where it lists none the generic types."""
    own = case.station(end).antenna
    if plan is not None and plan.antenna_choice:
        return [
            (AS_PLANNED, own),
            *(
                (c.name, own.model_copy(update={k: v for k, v in c.model_dump().items() if k != "name"}))
                for c in plan.antenna_choice
            ),
        ]
    generic = [own.of_type(t) for t in ANTENNA_TYPES]
    return [
        (AS_PLANNED, own),
        *((a.type.replace("_", " "), a) for a in generic if _shape(a) != _shape(own)),
    ]


def feeders_at_hand(plan: Plan | None, case: LinkCase, end: End) -> list[tuple[str, Feeder]]:
    """The planned feeder, then those of the plan's choice; where it lists none, the other end's and none."""
    own = case.station(end).feeder
    if plan is not None and plan.feeder_choice:
        at_hand = [(c.name, Feeder(**c.model_dump(exclude={"name"}))) for c in plan.feeder_choice]
        return [(AS_PLANNED, own), *at_hand]
    other = case.station("far" if end == "near" else "near")
    found = [(AS_PLANNED, own)]
    for name, feeder in ((f"as at {other.name}", other.feeder), (NO_FEEDER, Feeder())):
        if all(feeder != known for _, known in found):
            found.append((name, feeder))
    return found


def _shape(antenna: Antenna) -> tuple[object, ...]:
    a = figures(antenna)
    return a.type, a.azimuth, a.elevation, a.gain_dbi, a.horizontal_beamwidth_deg, a.vertical_beamwidth_deg
