"""What the plan says about legal limits, exposure, and where a station's energy comes from."""

from collections.abc import Iterable
from typing import Any, Literal, Self

from pydantic import model_validator

from linkcalc.plan.base import COMMON_PRACTICE, Section, assumed, given, optional, plain

Region = Literal[
    "eu", "uk", "us", "ca", "au", "nz", "in", "za", "jp", "kr", "br", "ke", "my", "sg", "th", "tw", "ph",
    "vn", "cn", "ua", "mx",
]  # fmt: skip
BatteryChemistry = Literal["li_socl2", "li_mno2", "alkaline", "lifepo4", "li_ion", "lead_acid"]
StorageChemistry = Literal["lifepo4", "li_ion", "lead_acid"]


class Regulation(Section):
    """Whose limits are held against the transmitters, and how they share the band."""

    region: Region | None = optional(
        "region of the legal limits; default: none, and the limits are unknown", examples=["eu"]
    )
    report_interval_s: float | None = optional(
        "time between two messages of a link that no [[message]] is sent over, s",
        gt=0,
        le=31_557_600,
        examples=[600.0],
    )
    hopping_channels: int = plain(
        1,
        "channels the radios hop over, all alike in pseudo-random order; 1 is a fixed channel",
        ge=1,
        le=10_000,
    )
    listen_before_talk: bool = plain(
        False, "the radios listen before talk as the rule asks, with frequency agility where it asks for that"
    )
    conditions_met: list[str] = plain(
        [],
        "rules whose further condition, which the table of limits cannot judge, the radios are known to meet",
        max_length=20,
        examples=[["eu-865-network"]],
    )


class Exposure(Section):
    """How the distance to keep from an antenna is worked out."""

    duty_credit: bool = plain(
        False, "average over the pauses between messages, as the guidelines allow; without it none is taken"
    )


_JUDGED_AT_C = assumed(
    0.0,
    "temperature the battery is judged at, degrees Celsius",
    "common practice, no source: the cold season counts",
    ge=-40,
    le=60,
)
RECEIVE_CURRENT_MA = assumed(10.0, "drawn while receiving, mA", ge=0, le=5_000)
RECEIVE_WINDOW_S = optional(
    "the receiver is on after each transmission; default: the answer's time on air and 0.1 s",
    ge=0,
    le=3_600,
    examples=[0.5],
)
SLEEP_CURRENT_MA = assumed(0.015, "drawn all the time by board and regulator, mA", ge=0, le=5_000)


class Battery(Section):
    """A battery that is not recharged."""

    chemistry: BatteryChemistry = assumed("li_socl2", "kind of cell")
    capacity_mah: float = given("rated capacity of the battery, mAh", gt=0, le=10_000_000, examples=[13000.0])
    temperature_c: float = _JUDGED_AT_C
    usable_percent: float | None = optional(
        "share of the rated capacity that can be used at this temperature, percent; default: generic",
        gt=0,
        le=100,
        examples=[75.0],
    )
    self_discharge_percent_per_year: float | None = optional(
        "share of the rated capacity lost each year, percent; default: generic",
        ge=0,
        le=100,
        examples=[1.0],
    )


class Solar(Section):
    """A small panel and the battery it charges, to be sized."""

    worst_month_peak_sun_h: float = given(
        "peak sun hours a day in the worst month, on the panel as it is mounted, h",
        gt=0,
        le=12,
        examples=[2.0],
    )
    efficiency: float = assumed(
        0.70, "charger, wiring, dirt and heat together (0 to 1)", "a community wiki's rule", gt=0, le=1
    )
    autonomy_days: float | None = optional(
        "days without sun the battery carries the station; default: 10 where a message starts or stops an"
        " engine, else 5",
        ge=1,
        le=60,
        examples=[10.0],
    )
    recovery_days: float = assumed(
        20.0,
        "days of the worst month's sun in which the panel fills an empty battery again, beside the daily use",
        ge=1,
        le=365,
    )
    temperature_c: float = _JUDGED_AT_C
    chemistry: StorageChemistry = assumed("lifepo4", "kind of cell")
    voltage_v: float = assumed(3.2, "nominal voltage of the battery, V", gt=0, le=60)
    size_factor: float = assumed(
        1.3, "panel and battery are recommended larger than the bare sum by this", ge=1, le=10
    )


class PowerSupply(Section):
    """What one station draws, and from what. Currents are those drawn from the battery."""

    station: str = given("name of the station", min_length=1, examples=["tank"])
    transmit_current_ma: float | None = optional(
        "drawn while sending; default: a generic table by transmit power, mA",
        gt=0,
        le=20_000,
        examples=[35.0],
    )
    receive_current_ma: float = RECEIVE_CURRENT_MA
    receive_window_s: float | None = RECEIVE_WINDOW_S
    listening_share: float | None = optional(
        "share of all time the receiver is on besides (0 to 1); default: 1 for a station that waits for"
        " calls, else 0",
        ge=0,
        le=1,
        examples=[0.05],
    )
    sleep_current_ma: float = SLEEP_CURRENT_MA
    sensor_current_ma: float = assumed(
        30.0,
        "drawn by the sensor while it warms up and measures, for each message this station reports, mA",
        ge=0,
        le=5_000,
    )
    sensor_warm_up_s: float = assumed(
        0.5, "time the sensor is on for each message this station reports, s", ge=0, le=3_600
    )
    battery: Battery | None = optional("its battery, if it is not recharged")
    solar: Solar | None = optional("its solar supply, if it has one")

    @model_validator(mode="after")
    def _one_source(self) -> Self:
        if self.battery is not None and self.solar is not None:
            raise ValueError("give battery or solar, not both: a recharged battery is sized under solar")
        return self

    def implied(self) -> Iterable[tuple[str, Any, str]]:
        if self.receive_window_s is None:
            yield "receive_window_s", "the answer's time on air and 0.1 s", COMMON_PRACTICE
