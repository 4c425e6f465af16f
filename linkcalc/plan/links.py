"""Links: which stations talk, with which signal, and what is asked of it."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from linkcalc.plan.base import Section, assumed, given, label, optional, plain

MOST_TRIES = 20


class ChirpModulation(Section):
    """Chirp spread spectrum (CSS)."""

    kind: Literal["css"] = given("chirp spread spectrum")
    spreading_factor: int = given("spreading factor", ge=5, le=12, examples=[10])
    bandwidth_khz: float = assumed(125.0, "bandwidth, kHz", ge=7.8, le=1000)
    coding_rate: Literal["4/5", "4/6", "4/7", "4/8"] = assumed("4/5", "coding rate")
    preamble_symbols: int = assumed(8, "preamble length, symbols", ge=2, le=65535)
    explicit_header: bool = assumed(True, "an explicit header is sent")
    crc: bool = assumed(True, "a CRC follows the payload")
    low_data_rate_optimisation: Literal["auto", "on", "off"] = assumed(
        "auto", "on when the symbol lasts 16 ms or longer"
    )


class FskModulation(Section):
    """Two-level (Gaussian) frequency shift keying."""

    kind: Literal["fsk"] = given("2-(G)FSK")
    bit_rate_bps: float = given("bit rate, bit/s", ge=50, le=2_000_000, examples=[4800.0])
    deviation_hz: float = given(
        "frequency deviation from the carrier, Hz", ge=10, le=2_000_000, examples=[5000.0]
    )
    required_snr_db: float = given(
        "SNR the demodulator needs in its bandwidth, dB", ge=-10, le=40, examples=[10.0]
    )
    bandwidth_khz: float | None = optional(
        "receiver bandwidth; default: Carson's rule, 2 deviation + bit rate", gt=0, examples=[14.8]
    )
    preamble_bytes: int = assumed(5, "preamble, bytes", ge=0, le=255)
    sync_bytes: int = assumed(4, "sync word, bytes", ge=0, le=32)
    overhead_bytes: int = assumed(3, "length field and CRC, bytes", ge=0, le=64)

    @model_validator(mode="after")
    def _receiver_holds_the_signal(self) -> Self:
        # narrower, it would hear less noise than any receiver of this signal can
        least_khz = max(self.bit_rate_bps, 2.0 * self.deviation_hz) / 1e3
        if self.bandwidth_khz is not None and self.bandwidth_khz < least_khz:
            raise ValueError(
                f"bandwidth_khz = {self.bandwidth_khz:g} is narrower than the signal of bit_rate_bps and"
                f" deviation_hz: at least {least_khz:g}; leave it out for Carson's rule"
            )
        return self


Modulation = Annotated[ChirpModulation | FskModulation, Field(discriminator="kind")]


class Obstacle(Section):
    """A known obstacle on the path, seen from the link's first station."""

    distance_m: float = given("distance of its middle from the `from` station, m", ge=0, examples=[400.0])
    height_m: float = given("height above ground, m", gt=0, le=500, examples=[5.0])
    width_m: float = given("extent along the path, m", gt=0, le=100_000, examples=[20.0])
    kind: Literal["trees", "building", "tank"] = given("what it is")


class Link(Section):
    """One link between two named stations, budgeted both ways."""

    name: str = label("unique name")
    from_: str = Field(alias="from", description="the sending station: the sensor's end", min_length=1)
    to: str = given("the other station", min_length=1)
    frequency_mhz: float = given("carrier frequency, MHz", ge=30, le=6000, examples=[868.0])
    modulation: Modulation = given("the signal")
    payload_bytes: int = assumed(20, "payload of the `from` station's message, bytes", ge=1, le=255)
    reply_payload_bytes: int = assumed(
        8, "payload of the acknowledgement or command coming back", ge=1, le=255
    )
    required_success: float = assumed(
        0.99,
        "share of the messages, each with its tries, that must arrive in each direction (0 to 1)",
        gt=0,
        lt=1,
    )
    confidence: float = assumed(
        0.9,
        "share of such sites at which that must be so before anybody has measured there (0 to 1)",
        ge=0.5,
        lt=1,
    )
    required_margin_db: float | None = optional(
        "fade margin that the median prediction must have besides, dB",
        ge=0,
        le=60,
        examples=[20.0],
    )
    channel_busy_percent: float = assumed(
        1.0,
        "share of the time that other users of the channel spoil a try, percent",
        "868 MHz at six residential places: mostly below 1 %, at most 2 % (Sensors 21(23) 7805, 2021)",
        ge=0,
        le=99,
    )
    tries: int = assumed(1, "times one message is sent before it is given up", ge=1, le=MOST_TRIES)
    hopping_bandwidth_mhz: float = plain(
        0.0,
        "span of the channels that the tries of a message hop over, MHz; 0: all on one channel",
        ge=0,
        le=200,
        examples=[26.0],
    )
    obstacle: list[Obstacle] = plain([], "known obstacles on this path")
    profile_csv: str | None = optional(
        "surveyed profile of this path: CSV with distance_m, ground_m and optional clutter_m",
        examples=["profile.csv"],
    )

    @model_validator(mode="after")
    def _two_ends(self) -> Self:
        if self.from_ == self.to:
            raise ValueError(f'from and to are both "{self.to}": a link needs two different stations')
        return self
