"""What is sent over a link and what it controls: messages, the tank, the engine that fills it."""

from collections.abc import Iterable
from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from linkcalc.errors import quoted
from linkcalc.plan.base import Section, assumed, given, label, optional, plain

MessageKind = Literal["level_report", "run_permit", "start", "stop", "acknowledgement"]


class Message(Section):
    """One kind of message that is sent again and again."""

    name: str = label("unique name", examples=["permit"])
    kind: MessageKind = given(
        "what it is for; a run permit is a report that says: still below the stop level",
        examples=["run_permit"],
    )
    link: str = given("name of the link it goes over", min_length=1, examples=["level"])
    sender: str | None = optional(
        "station that sends it; default: the link's `from` station", min_length=1, examples=["tank"]
    )
    payload_bytes: int | None = optional(
        "payload; default: as the link states for that direction", ge=1, le=255, examples=[12]
    )
    interval_s: float | None = optional(
        "time between two of them, for one that is sent periodically, s", gt=0, le=2_592_000, examples=[600.0]
    )
    events_per_year: float | None = optional(
        "how often it is sent in a year, for one that follows an event", gt=0, le=1_000_000, examples=[200.0]
    )
    tries: int | None = optional(
        "times it is sent before it is given up; default: the link's tries", ge=1, le=20, examples=[3]
    )
    retry_wait_s: float = assumed(
        10.0, "from the start of the first try to the start of the second, s", gt=0, le=86_400
    )
    back_off: Literal["fixed", "exponential"] = assumed(
        "exponential", "further waits: all alike, or each twice the one before"
    )
    jitter: float = assumed(
        0.25, "each wait is longer or shorter at random by up to this share of it", ge=0, le=0.9
    )
    acknowledged: bool = assumed(
        True, "the other end answers, and a message that is not answered is tried again"
    )

    @model_validator(mode="after")
    def _periodic_or_not(self) -> Self:
        if self.interval_s is not None and self.events_per_year is not None:
            raise ValueError("give interval_s or events_per_year, not both")
        if self.interval_s is None and self.events_per_year is None:
            periodic = self.kind in ("level_report", "run_permit")
            raise ValueError(
                f"kind = {quoted(self.kind)} needs "
                + (
                    "interval_s, the time between two"
                    if periodic
                    else "events_per_year, how often it is sent"
                )
            )
        return self

    def idle_keys(self) -> Iterable[str]:
        # tries that are left out are the link's, which are not known here: the waits may matter
        return ["retry_wait_s", "back_off", "jitter"] if self.tries == 1 else []


class UprightCylinder(Section):
    """A round tank that stands upright."""

    kind: Literal["upright_cylinder"] = given("shape")
    diameter_m: float = given("inside diameter, m", gt=0, le=500, examples=[4.0])
    height_m: float = given("inside height up to the rim, m", gt=0, le=100, examples=[2.5])


class HorizontalCylinder(Section):
    """A round tank that lies on its side, with flat ends."""

    kind: Literal["horizontal_cylinder"] = given("shape")
    diameter_m: float = given("inside diameter, m", gt=0, le=100, examples=[2.0])
    length_m: float = given("inside length, m", gt=0, le=500, examples=[5.0])


class Rectangular(Section):
    """A tank with a rectangular floor and upright walls."""

    kind: Literal["rectangular"] = given("shape")
    length_m: float = given("inside length, m", gt=0, le=1000, examples=[4.0])
    width_m: float = given("inside width, m", gt=0, le=1000, examples=[3.0])
    height_m: float = given("inside height up to the rim, m", gt=0, le=100, examples=[2.0])


class LevelVolumeTable(Section):
    """Any other tank, by levels and the volumes up to them."""

    kind: Literal["table"] = given("shape")
    level_m: list[float] = given(
        "levels above the floor, from 0 up to the rim, m",
        min_length=2,
        max_length=1000,
        examples=[[0.0, 1.0, 2.0]],
    )
    volume_m3: list[float] = given(
        "volume up to each level, from 0, cubic metres",
        min_length=2,
        max_length=1000,
        examples=[[0.0, 8.0, 20.0]],
    )

    @model_validator(mode="after")
    def _both_increase(self) -> Self:
        if len(self.level_m) != len(self.volume_m3):
            raise ValueError(
                f"level_m has {len(self.level_m)} entries, volume_m3 {len(self.volume_m3)}:"
                " give one volume for each level"
            )
        for key, values in (("level_m", self.level_m), ("volume_m3", self.volume_m3)):
            if values[0] != 0:
                raise ValueError(f"{key} begins with {values[0]:g}: begin with 0, the floor")
            for i, (low, high) in enumerate(pairwise(values)):
                if high <= low:
                    raise ValueError(
                        f"{key} goes from {low:g} to {high:g} (entries {i + 1} and {i + 2}): sort the rows"
                        " so that both level_m and volume_m3 increase"
                    )
        return self


TankShape = Annotated[
    UprightCylinder | HorizontalCylinder | Rectangular | LevelVolumeTable, Field(discriminator="kind")
]


class Tank(Section):
    """The tank, its pump and what is drawn. Percent full is percent of the height, as a sensor sees it."""

    shape: TankShape = given("shape and size")
    start_percent: float = assumed(
        40.0, "level at which filling is requested", "common practice, no source: 30 to 50 %", ge=0, le=100
    )
    stop_percent: float = assumed(
        92.0, "level at which filling is to stop", "common practice, no source: 90 to 95 %", ge=0, le=100
    )
    overflow_percent: float = plain(100.0, "level at which water is lost", gt=0, le=100)
    outlet_percent: float = plain(0.0, "level of the outlet: below it nothing can be drawn", ge=0, lt=100)
    high_high_percent: float | None = optional(
        "level of the independent float, high-level stop or float valve; default: none",
        gt=0,
        le=100,
        examples=[97.5],
    )
    pump_flow_m3_h: float = given("flow of the pump, cubic metres an hour", gt=0, le=100_000, examples=[5.0])
    draw_m3_h: float | None = optional(
        "what is drawn, if it is the same all day, cubic metres an hour", gt=0, le=100_000, examples=[0.4]
    )
    hourly_draw_m3_h: list[Annotated[float, Field(ge=0, le=100_000)]] | None = optional(
        "what is drawn in each hour of the day, from midnight: 24 values, cubic metres an hour",
        examples=[[0.2] * 6 + [1.2] * 3 + [0.4] * 9 + [1.2] * 3 + [0.2] * 3],
    )
    report: str | None = optional(
        "name of the message that reports the level; default: the first run_permit, else level_report",
        min_length=1,
        examples=["permit"],
    )
    state_lasts_h: float = assumed(
        24.0, "how long one slow state of the link lasts (wet leaves, a parked truck), h", ge=1, le=8760
    )
    overflow_chance_per_year: float = assumed(
        0.01, "chance of an overflow in a year that is accepted (0 to 1)", gt=0, lt=1
    )

    @model_validator(mode="after")
    def _levels_in_order(self) -> Self:
        for lower, upper in pairwise(("outlet_percent", "start_percent", "stop_percent", "overflow_percent")):
            a, b = getattr(self, lower), getattr(self, upper)
            if a >= b:
                raise ValueError(
                    f"{lower} = {a:g} must be below {upper} = {b:g}: lower {lower} or raise {upper}"
                )
        if self.high_high_percent is not None and not (
            self.stop_percent < self.high_high_percent <= self.overflow_percent
        ):
            raise ValueError(
                f"high_high_percent = {self.high_high_percent:g} must be above stop_percent ="
                f" {self.stop_percent:g} and not above overflow_percent = {self.overflow_percent:g}"
            )
        return self

    @model_validator(mode="after")
    def _pump_wins(self) -> Self:
        if (self.draw_m3_h is None) == (self.hourly_draw_m3_h is None):
            both = self.draw_m3_h is not None
            raise ValueError(
                "give draw_m3_h or hourly_draw_m3_h"
                + (", not both" if both else ": what is drawn from the tank")
            )
        if self.hourly_draw_m3_h is not None and len(self.hourly_draw_m3_h) != 24:
            raise ValueError(
                f"hourly_draw_m3_h has {len(self.hourly_draw_m3_h)} values: give 24, one an hour"
            )
        if not any(self.draws_m3_h):
            raise ValueError(
                "hourly_draw_m3_h is 0 all day: a tank that is never drawn from is not filled again"
            )
        if max(self.draws_m3_h) >= self.pump_flow_m3_h:
            raise ValueError(
                f"pump_flow_m3_h = {self.pump_flow_m3_h:g} is not above the largest draw,"
                f" {max(self.draws_m3_h):g}: the tank would not fill; take a larger pump, or spread the draw"
            )
        return self

    @property
    def draws_m3_h(self) -> tuple[float, ...]:
        """What is drawn, one entry or one an hour."""
        return tuple(self.hourly_draw_m3_h) if self.hourly_draw_m3_h is not None else (self.draw_m3_h or 0.0,)


class Engine(Section):
    """The engine that drives the pump, and what stops it by itself."""

    watchdog_s: float | None = optional(
        "stops the engine when nothing has been heard for this long, s; default: none",
        gt=0,
        le=2_592_000,
        examples=[1800.0],
    )
    warm_up_s: float = assumed(60.0, "from the start until the pump runs, s", ge=0, le=7200)
    cool_down_s: float = assumed(120.0, "the engine runs on after the decision to stop, s", ge=0, le=7200)
    pump_runs_in_cool_down: bool = assumed(
        True,
        "water still flows while the engine cools down",
        "the cautious side; set false if a contactor opens first",
    )
    stop_delay_s: float = assumed(
        10.0, "from the decision to stop until contactor or valve have acted, s", ge=0, le=7200
    )
    max_run_time_h: float | None = optional(
        "the engine's own timer stops it after this long, h; default: none",
        gt=0,
        le=8760,
        examples=[10.0],
    )
    fuel_l_per_h: float | None = optional(
        "fuel while the engine runs, litres an hour; default: fuel is not counted",
        gt=0,
        le=10_000,
        examples=[2.5],
    )

    service_interval_h: float = assumed(
        250.0,
        "running hours from one service (oil, filters) to the next, h",
        "common practice, no source: 50 to 100 for small petrol engines, 250 for diesels; see its manual",
        gt=0,
        le=20_000,
    )

    @model_validator(mode="after")
    def _runs_longer_than_it_warms_up(self) -> Self:
        if self.max_run_time_h is not None and self.max_run_time_h * 3600.0 <= self.warm_up_s:
            raise ValueError(
                f"max_run_time_h = {self.max_run_time_h:g} is over before warm_up_s = {self.warm_up_s:g} is:"
                " the pump would never run; state the longest filling"
            )
        return self

    @property
    def stopping_s(self) -> float:
        """From the decision to stop until no more water flows."""
        return self.stop_delay_s + (self.cool_down_s if self.pump_runs_in_cool_down else 0.0)
