"""What becomes of messages, against worked figures, a plain simulation, and laws that must hold."""

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.special import ndtr

from linkcalc.errors import DomainError, PlanError
from linkcalc.operation.channel import (
    FadingChannel,
    Retries,
    by_site,
    delivered_by_try,
    delivery_delay,
    loss,
    unconfirmed,
)
from linkcalc.operation.messages import airtimes_s, often_words, section
from linkcalc.operation.tank.answer import section as tank_section
from linkcalc.radio.energy import expected_transmissions
from linkcalc.views.messages.text import delay_words
from tests.steady_channel import steady
from tests.tank_plans import link_result, plan

WORKED = [
    # loss of one try each way, tries, all lost, no acknowledgement heard (worked from p^n and the
    # product of both directions; the first and the last as commonly quoted for telemetry links)
    (0.05, 2, 0.0025, None),
    (0.05, 3, 0.000125, 0.00093),
    (0.30, 3, 0.027, 0.13),
]


@pytest.mark.parametrize(("single", "tries", "lost", "unheard"), WORKED)
def test_independent_tries_give_the_worked_retry_figures(
    single: float, tries: int, lost: float, unheard: float | None
) -> None:
    channel = steady(single)
    assert loss(channel, tries) == pytest.approx(lost, rel=1e-12)
    assert delivered_by_try(channel, tries).sum() == pytest.approx(1.0 - lost, rel=1e-12)
    if unheard is not None:
        assert unconfirmed(channel, channel, tries) == pytest.approx(unheard, rel=0.025)


channels = st.builds(
    FadingChannel,
    st.floats(-10.0, 40.0),
    st.floats(0.0, 12.0),
    st.floats(0.0, 6.0),
    st.sampled_from([-np.inf, 5.0, 10.0]),
)


@given(channels, st.integers(1, 8))
def test_a_shadowed_link_is_not_made_good_by_retrying(channel: FadingChannel, tries: int) -> None:
    optimistic = loss(channel, 1) ** tries
    assert loss(channel, tries) >= optimistic * (1.0 - 1e-6)
    assert loss(channel, tries) <= loss(channel, 1) * (1.0 + 1e-9)


@given(st.floats(0.0, 30.0), st.integers(1, 6))
def test_without_slow_variation_tries_are_independent(margin_db: float, tries: int) -> None:
    channel = FadingChannel(margin_db)
    assert loss(channel, tries) == pytest.approx(loss(channel, 1) ** tries, rel=1e-6)


@given(channels, st.integers(1, 6))
def test_what_is_not_delivered_by_any_try_is_lost(channel: FadingChannel, tries: int) -> None:
    by_try = delivered_by_try(channel, tries)
    assert by_try.shape == (tries,)
    assert (by_try >= 0).all()
    assert 1.0 - by_try.sum() == pytest.approx(loss(channel, tries), abs=1e-9)


@given(channels, channels, st.integers(1, 5))
def test_an_acknowledgement_is_heard_less_often_than_the_message(
    there: FadingChannel, back: FadingChannel, tries: int
) -> None:
    assert unconfirmed(there, back, tries) >= loss(there, tries) - 1e-9


@pytest.mark.parametrize("back_off", ["fixed", "exponential"])
@pytest.mark.parametrize("jitter", [0.25, 0.9])
def test_the_delay_agrees_with_a_plain_simulation_of_the_tries(back_off: str, jitter: float) -> None:
    """Distance between the curves: 1.95 / sqrt(n) is exceeded once in a thousand runs (Kolmogorov)."""
    n, tries, single, airtime = 200_000, 4, 0.4, 0.37
    retries = Retries(tries, 10.0, back_off, jitter)  # type: ignore[arg-type]
    rng = np.random.default_rng(7)
    waits = [10.0 * (2.0**k if back_off == "exponential" else 1.0) for k in range(tries - 1)]
    delay = np.full(n, np.inf)
    sent_at = np.zeros(n)
    for k in range(tries):
        if k:
            sent_at = sent_at + waits[k - 1] * rng.uniform(1.0 - jitter, 1.0 + jitter, n)
        heard = (rng.random(n) >= single) & ~np.isfinite(delay)
        delay[heard] = sent_at[heard] + airtime
    found = delivery_delay(delivered_by_try(steady(single), tries), retries, airtime)
    at, curve = np.array(found.drawing.time_s), np.array(found.drawing.delivered)
    played = np.searchsorted(np.sort(delay), at, side="right") / n
    assert np.abs(played - curve).max() < 1.95 / np.sqrt(n)
    arrived = delay[np.isfinite(delay)]
    assert found.mean_s == pytest.approx(arrived.mean(), abs=4.0 * arrived.std() / np.sqrt(arrived.size))
    assert found.p95_s == pytest.approx(np.quantile(delay, 0.95, method="lower"), rel=0.02)


def test_a_share_that_never_arrives_has_no_delay() -> None:
    found = delivery_delay(delivered_by_try(steady(0.3), 2), Retries(2, 60.0), 0.5)
    assert found.median_s == 0.5
    assert found.p95_s is None  # 9 % are lost
    assert found.p99_s is None
    nothing = delivery_delay(delivered_by_try(steady(1.0), 2), Retries(2, 60.0), 0.5)
    assert nothing.mean_s is None
    assert nothing.median_s is None


def test_tries_without_jitter_are_delivered_at_their_own_times() -> None:
    found = delivery_delay([0.5, 0.25, 0.125], Retries(3, 10.0, "exponential"), 1.0)
    times, curve = np.array(found.drawing.time_s), np.array(found.drawing.delivered)
    for time, before, after in ((1.0, 0.0, 0.5), (11.0, 0.5, 0.75), (31.0, 0.75, 0.875)):
        assert np.interp(time - 1e-3, times, curve) == pytest.approx(before, abs=1e-6)
        assert np.interp(time + 1e-3, times, curve) == pytest.approx(after, abs=1e-6)
    assert found.mean_s == pytest.approx((0.5 * 1 + 0.25 * 11 + 0.125 * 31) / 0.875)


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        ({"tries": 0}, "tries"),
        ({"wait_s": 0.0}, "wait_s"),
        ({"jitter": 1.5}, "jitter"),
        ({"back_off": "linear"}, "back_off"),
    ],
)
def test_a_schedule_that_makes_no_sense_is_refused_by_name(arguments: dict[str, object], word: str) -> None:
    with pytest.raises(DomainError, match=word):
        Retries(**{"tries": 3, **arguments})  # type: ignore[arg-type]


def test_a_channel_reads_margin_and_spread_off_a_direction() -> None:
    there = link_result(17.0, site_db=9.0, conditions_db=3.0).directions[0]
    assert FadingChannel.of(there) == FadingChannel(17.0, 9.0, 3.0, -np.inf)
    assert FadingChannel.of(there, after_reading=True).site_sigma_db == 2.0


def test_every_message_of_a_plan_is_answered() -> None:
    found = section(plan(), [link_result(18.0, 8.0, 4.0)])
    assert found is not None
    permit, stop = found.messages
    assert (permit.from_, permit.to) == ("tank", "shed")
    assert permit.per_year == pytest.approx(365 * 144)
    assert permit.lost_per_year == pytest.approx(permit.per_year * permit.loss)
    assert stop.loss == permit.loss
    # the year at the site as predicted, on average, and where one site in ten is worse
    assert stop.lost_per_year_predicted_site < stop.lost_per_year < stop.lost_per_year_poor_site * 3
    assert stop.loss_predicted_site < stop.loss_poor_site
    assert stop.loss_independent_tries < stop.loss
    assert stop.loss_after_reading < stop.loss
    assert stop.unconfirmed is not None
    assert stop.unconfirmed > stop.loss
    assert any("retries do not cure" in note for note in stop.notes)
    assert stop.loss_working_site < stop.loss
    assert stop.lost_per_year_working_site == pytest.approx(stop.per_year * stop.loss_working_site)
    assert "not a safety function" in found.caution
    assert len(found.line) <= 76
    assert "linkcalc messages" in found.line


def test_a_plan_without_messages_has_no_section() -> None:
    assert section(plan(message=None, tank=None, engine=None), [link_result()]) is None


def test_airtime_a_day_counts_every_try_and_every_answer() -> None:
    """Against the mean number of transmissions as the energy reckoning has it (truncated geometric)."""
    steady = link_result(6.0, 0.0, 0.0)
    p = plan()
    found = section(p, [steady])
    assert found is not None
    permit = found.messages[0]
    own_s, answer_s = airtimes_s(p, p.message[0])
    success = 1.0 - permit.single_loss
    sent = expected_transmissions(success * success, 3)
    assert permit.tries_sent == pytest.approx(sent, rel=1e-6)
    assert permit.airtime_s_per_day == pytest.approx(144 * sent * own_s, rel=1e-6)
    assert permit.acknowledgement_airtime_s_per_day == pytest.approx(
        144 * sent * success * answer_s, rel=1e-6
    )


def test_a_message_that_is_not_acknowledged_is_sent_all_its_times() -> None:
    message = {"name": "permit", "kind": "run_permit", "link": "level", "interval_s": 600.0, "tries": 3}
    found = section(
        plan(message=[{**message, "acknowledged": False}], tank=None, engine=None), [link_result()]
    )
    assert found is not None
    assert found.messages[0].tries_sent == 3.0
    assert found.messages[0].unconfirmed is None
    assert found.messages[0].acknowledgement_airtime_s_per_day == 0.0


def test_a_command_of_the_shed_takes_the_other_direction() -> None:
    message = {"name": "wake", "kind": "start", "link": "level", "sender": "shed", "events_per_year": 50.0}
    found = section(
        plan(message=[message], tank=None, engine=None), [link_result(20.0, 8.0, 4.0, back_db=5.0)]
    )
    assert found is not None
    assert (found.messages[0].from_, found.messages[0].fade_margin_db) == ("shed", 5.0)
    assert any("one try only" in note for note in found.messages[0].notes)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"interval_s": 20.0}, r"interval_s = 20 is shorter than the .* its tries \(3\) may take; make it"),
        ({"interval_s": 0.1, "tries": 1}, "interval_s = 0.1 is shorter than"),
        ({"retry_wait_s": 0.2}, "retry_wait_s = 0.2 with jitter 0.25 can be shorter than .* make it"),
    ],
)
def test_tries_that_do_not_fit_on_the_air_are_refused_with_a_mend(
    change: dict[str, float], words: str
) -> None:
    message = {"name": "permit", "kind": "run_permit", "link": "level", "interval_s": 600.0, "tries": 3}
    with pytest.raises(PlanError, match=words) as caught:
        section(plan(message=[{**message, **change}], tank=None, engine=None), [link_result()])
    assert str(caught.value).startswith('message "permit" ')


def test_odds_are_said_in_words() -> None:
    assert often_words(0.031, "lost") == "1 in 32 lost"
    assert often_words(0.0, "lost") == "less than 1 in a million lost"
    assert often_words(1.0 / 7168.0, "lost") == "1 in 7 200 lost"  # two figures are enough


def test_whether_a_site_works_and_how_often_a_message_is_lost_there_are_told_apart() -> None:
    """A margin of 10 dB, sites of 10 dB spread, steady otherwise: by hand."""
    sites = FadingChannel(10.0, site_sigma_db=10.0)
    found = by_site(sites, 1, accepted_loss=0.1)
    # Rayleigh: half are lost at a margin of -10 log10(ln 2) = 1.59 dB, a tenth at 9.77 dB
    assert found.dead_chance == pytest.approx(float(ndtr((1.59 - 10.0) / 10.0)), abs=0.01)
    assert found.working_chance == pytest.approx(1.0 - float(ndtr((9.77 - 10.0) / 10.0)), abs=0.01)
    assert found.working_loss < 0.1 < loss(sites, 1)
    assert by_site(steady(0.6), 1).dead_chance == 1.0
    assert by_site(steady(0.6), 8).dead_chance == 0.0


def test_a_delay_says_how_many_arrive_at_all_and_not_that_all_are_lost() -> None:
    found = section(plan(), [link_result(2.0, 12.0, 4.0)])
    assert found is not None
    words = delay_words(found.messages[0])
    assert "not at all" not in words
    assert "arrive at all" in words


def notes_of(margin_db: float = 30.0, **change: object) -> tuple[str, ...]:
    """What is said of one message of three tries, 10 s apart give or take a quarter."""
    message = {"name": "m", "kind": "stop", "link": "level", "events_per_year": 140.0, "tries": 3}
    found = section(plan(message=[{**message, **change}], tank=None, engine=None), [link_result(margin_db)])
    assert found is not None
    return found.messages[0].notes


@pytest.mark.parametrize(
    ("from_", "to", "said"),
    [
        ("shed", "pump", True),  # the shed passes it on
        ("probe", "tank", True),  # the tank passed it on
        ("pump", "shed", False),  # another tank of the same shed
        ("tank", "pump", False),  # a second engine
    ],
)
def test_what_is_counted_over_one_of_several_hops_says_so(from_: str, to: str, said: bool) -> None:
    first = plan().model_dump(by_alias=True, exclude_unset=True)["link"][0]
    stations = [{"name": n, "antenna_height_m": 4.0} for n in ("tank", "shed", "pump", "probe")]
    hops = plan(station=stations, link=[first, first | {"name": "hop 2", "from": from_, "to": to}])
    found = section(hops, [link_result()])
    assert found is not None
    answer = tank_section(hops, [link_result()])
    assert answer is not None
    for notes in (*(m.notes for m in found.messages), answer.notes):
        assert (
            any('counted over "level" alone: where a message also passes "hop 2"' in n for n in notes) == said
        )


def test_the_shortest_wait_is_shorter_by_the_jitter() -> None:
    """10 s less a quarter: 7.5 s, so an answer that takes 8 s would meet the next try (worked)."""
    assert Retries(3, 10.0, jitter=0.25).shortest_wait_s == 7.5
    assert Retries(1, 10.0, jitter=0.25).shortest_wait_s == np.inf
    there_s, back_s = airtimes_s(plan(), plan().message[0])
    wait_s = (there_s + back_s) / 0.75
    with pytest.raises(PlanError, match="can be shorter than"):
        notes_of(retry_wait_s=0.99 * wait_s, jitter=0.25)
    assert notes_of(retry_wait_s=1.01 * wait_s, jitter=0.25)


def test_only_a_start_or_stop_that_nobody_confirms_is_noted_as_such() -> None:
    for kind, acknowledged, noted in (
        ("stop", False, True), ("start", False, True), ("stop", True, False), ("level_report", False, False),
    ):  # fmt: skip
        notes = notes_of(kind=kind, acknowledged=acknowledged)
        assert any("not acknowledged" in note for note in notes) == noted, kind


def test_retries_are_said_not_to_cure_what_loses_more_than_one_message_in_ten_thousand() -> None:
    """Beyond three times what independent tries would lose; at such spreads that is told by the loss alone."""

    def margin_db(lost: float) -> float:
        return float(brentq(lambda m: np.log(loss(FadingChannel(m, 8.0, 4.0), 3) / lost), 0.0, 80.0))

    for lost, noted in ((1.5e-4, True), (0.7e-4, False)):
        notes = notes_of(margin_db(lost))
        assert any("retries do not cure a shadowed link" in note for note in notes) == noted, lost


def test_a_message_s_losses_by_hand() -> None:
    """Rayleigh at 20 dB: 1 - exp(-0.01) = 0.00995 of the tries are lost, of three 9.85e-7. One site in ten of 8 dB
    spread is 10.25 dB worse: 1 - exp(-0.1060) = 0.1006 and 1.017e-3. 140 stops a year."""
    message = {"name": "m", "kind": "stop", "link": "level", "events_per_year": 140.0, "tries": 3}
    found = section(plan(message=[message], tank=None, engine=None), [link_result(20.0, 8.0, 0.0)])
    assert found is not None
    (m,) = found.messages
    assert m.loss_predicted_site == pytest.approx(9.85e-7, rel=1e-3)
    assert m.loss_poor_site == pytest.approx(1.017e-3, rel=2e-3)
    assert m.loss_after_reading == loss(FadingChannel(20.0, 2.0, 0.0), 3)
    assert m.per_year == 140.0
    for a_year, each in (
        (m.lost_per_year, m.loss),
        (m.lost_per_year_working_site, m.loss_working_site),
        (m.lost_per_year_predicted_site, m.loss_predicted_site),
        (m.lost_per_year_poor_site, m.loss_poor_site),
        (m.lost_per_year_after_reading, m.loss_after_reading),
    ):
        assert a_year == 140.0 * each
    assert m.loss_independent_tries == m.single_loss**3
    assert m.airtime_s_per_day == pytest.approx(m.tries_sent * m.time_on_air_s * 140.0 / 365.0)
    assert (m.payload_bytes, m.from_, m.to) == (20, "tank", "shed")


@pytest.mark.parametrize(("required", "accepted"), [(0.95, 0.05), (0.99, 0.01)])
def test_a_site_works_where_no_more_is_lost_than_the_link_allows(required: float, accepted: float) -> None:
    message = {"name": "m", "kind": "stop", "link": "level", "events_per_year": 140.0}
    wanted = plan(message=[message], tank=None, engine=None)
    link = wanted.link[0].model_copy(update={"required_success": required})
    found = section(wanted.model_copy(update={"link": [link]}), [link_result(12.0, 8.0, 0.0)])
    assert found is not None
    (m,) = found.messages
    assert m.accepted_loss == pytest.approx(accepted)
    # one try, Rayleigh: 0.05 is lost at 12.90 dB, 0.01 at 19.98 dB
    needed_db = {0.05: 12.90, 0.01: 19.98}[accepted]
    assert m.working_chance == pytest.approx(float(ndtr((12.0 - needed_db) / 8.0)), abs=0.01)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        # 0.185344 s and an answer of 0.123904 s; 10 and 20 s between the tries, a quarter more at most
        (
            {"retry_wait_s": 0.2},
            "the 0.309 s that one try and its answer take; make it 0.62 or more",
        ),  # / 0.75 x 1.5
        (
            {"retry_wait_s": 0.2, "acknowledged": False},
            "the 0.185 s that one try takes; make it 0.38 or more",
        ),
        ({"interval_s": 37.8}, "the 37.8 s that one message with its tries (3) may take; make it 42 or more"),
        ({"interval_s": 37.6, "acknowledged": False}, "the 37.7 s that one message"),
        ({"interval_s": 37.9}, ""),
        ({"interval_s": 37.7, "acknowledged": False}, ""),
    ],
)
def test_what_does_not_fit_on_the_air_is_refused_with_the_figure_that_does(
    change: dict[str, object], words: str
) -> None:
    message = {"name": "permit", "kind": "run_permit", "link": "level", "interval_s": 600.0, "tries": 3}
    made = plan(message=[{**message, **change}], tank=None, engine=None)
    if words:
        with pytest.raises(PlanError, match=re.escape(words)):
            section(made, [link_result()])
    else:
        assert section(made, [link_result()]) is not None


def test_the_line_names_the_stop_that_is_lost_most() -> None:
    often = {"kind": "run_permit", "link": "level", "interval_s": 600.0, "tries": 1, "name": "permit"}
    stop = {"kind": "stop", "link": "level", "events_per_year": 140.0}
    good = {**stop, "name": "three of them", "tries": 3}
    bad = {**stop, "name": "one of them all", "tries": 1}
    for messages, named in (
        ([often, good, bad], "one of them…"),
        ([often, good], "three of th…"),
        ([often], "permit"),
    ):
        found = section(plan(message=messages, tank=None, engine=None), [link_result(20.0, 8.0, 4.0)])
        assert found is not None
        assert found.line.startswith(f'Messages: "{named}" ')
        assert found.line.endswith("% of sites dead; linkcalc messages")
    sure = section(plan(message=[often], tank=None, engine=None), [link_result(60.0, 1.0, 0.0)])
    assert sure is not None
    assert sure.line.endswith("lost; see linkcalc messages")


def test_tries_less_than_a_second_apart_are_said_to_share_a_fade() -> None:
    for wait_s, tries, noted in ((0.9, 3, True), (0.9, 2, True), (1.0, 3, False), (0.9, 1, False)):
        notes = notes_of(retry_wait_s=wait_s, tries=tries, acknowledged=False)
        assert any("may share a fade" in note for note in notes) == noted


@pytest.mark.parametrize(
    ("margin_db", "ending"),
    [(27.1, " % of sites dead; linkcalc messages"), (28.5, " lost; see linkcalc messages")],
)
def test_the_line_tells_of_dead_sites_from_one_in_two_thousand_on(margin_db: float, ending: str) -> None:
    """One try is lost half the time 1.59 dB over the threshold: (1.59 - 27.1) / 8 dB is -3.19, 0.07 % of sites, and
    (1.59 - 28.5) / 8 dB is -3.36, 0.04 %."""
    message = {"name": "m", "kind": "stop", "link": "level", "events_per_year": 140.0, "tries": 1}
    found = section(plan(message=[message], tank=None, engine=None), [link_result(margin_db, 8.0, 0.0)])
    assert found is not None
    assert found.line.endswith(ending)
