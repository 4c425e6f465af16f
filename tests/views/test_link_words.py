"""The words for what is found: every code has its own, and no sentence is needed to get at a figure."""

import typing

import pytest

from linkcalc.link import findings
from linkcalc.link.findings import Excess, Finding, Limit, LimitKind, ModelReason, Setting, TermKind
from linkcalc.views import link_words

STEPS = (
    findings.SlowerSignal(10, 8, 0.37, 0.103, limits_known=False),
    findings.NarrowerSignal(62.5e3, 125.0, 0.74),
    findings.MorePower((Setting("tank", 20.0, 14.0),), "eu", ("two rows differ",)),
    findings.BetterAntenna("yagi", 9.5, ("tank", "shed"), (Setting("shed", 8.0, 14.0),)),
    findings.OutsideAntenna("shed"),
    findings.Repair("tank", 3.0, "wet connector"),
    findings.AimedAntenna("tank", 271.0, -2.0),
    findings.WiderBeam("shed", 12.0),
    findings.TurnedPolarisation("shed", "vertical", "horizontal"),
    findings.BetterFeeder((("rg213", "shed", 1.9),)),
    findings.LessNoise(("shed",)),
    findings.RaisedAntennas((Setting("tank", 7.3, 4.0),), (Setting("tank", 8.3, 5.0),)),
    findings.RelayOnLine("tank", 1830.0, 6.0, 21.4, ("none",)),
    findings.SiteReading(12.0, 2.3),
)


def test_every_line_of_a_budget_has_a_name_of_its_own() -> None:
    names = [link_words.TERMS[kind] for kind in typing.get_args(TermKind)]
    assert len(set(names)) == len(names) == len(link_words.TERMS)


@pytest.mark.parametrize("kind", typing.get_args(LimitKind))
def test_every_limiting_factor_has_words_that_name_all_it_has(kind: LimitKind) -> None:
    limit = Limit(kind, "tank", "terrain", 4060.0, 32.0, "wet connector")
    words = link_words.limiting_factor(limit)
    assert words
    assert "{" not in words
    if kind in (
        "surroundings",
        "engine_noise",
        "radio_noise",
        "power",
        "feeder",
        "off_beam",
        "building_entry",
    ):
        assert "tank" in words
    if kind in ("blocked", "fresnel_zone"):
        assert "terrain" in words
        assert "4.06 km from tank" in words


def test_every_change_there_is_has_a_sentence_with_all_its_stations_and_figures() -> None:
    assert {type(step) for step in STEPS} == set(typing.get_args(findings.Step))
    for step in STEPS:
        words = link_words.step_words(step)
        assert words.endswith(".")
        assert words[0].isupper()
        for one in (v for name, v in step._asdict().items() if name in ("station", "from_", "reason")):
            assert one in words
    assert "if the local airtime limit allows it" in link_words.step_words(STEPS[0])
    assert "20 dBm at tank instead of 14" in link_words.step_words(STEPS[2])
    assert "(two rows differ)" in link_words.step_words(STEPS[2])
    assert "at tank and shed, power reduced to 8 dBm at shed" in link_words.step_words(STEPS[3])
    assert "271° from true north, -2° up" in link_words.step_words(STEPS[6])
    assert "to 7.3 m above ground. The feeder at tank is then 8.3 m long." in link_words.step_words(STEPS[11])
    assert "1.83 km from tank" in link_words.step_words(STEPS[12])


def test_what_is_no_change_has_no_sentence() -> None:
    with pytest.raises(TypeError):
        link_words.step_words(Limit("trees"))


@pytest.mark.parametrize(
    ("verdict", "over", "word"),
    [
        ("closes", (), "Closes"),
        ("at_risk", (), "At risk"),
        ("does_not_close", (), "Does not close"),
        ("closes", (Excess("shed", 14.0, None, "duty cycle"),), "At risk"),
        ("does_not_close", (Excess("shed", 14.0, None, "duty cycle"),), "Does not close"),
    ],
)
def test_the_headline_is_the_verdict_and_the_statement(
    verdict: typing.Any, over: typing.Any, word: str
) -> None:
    found = Finding(verdict, "tank", "shed", 21.0, 18.5, 0.91, 0.9996, over)
    headline, statement = link_words.headline(found), link_words.statement(found)
    assert headline.startswith(f"{word}: ")
    assert headline.casefold() == f"{word}: {statement}".casefold()
    assert statement[0].isupper() or statement[0].isdigit()


def test_more_than_one_transmitter_over_the_limits_is_told_of_each() -> None:
    over = (Excess("tank", 20.0, 14.0, "power"), Excess("shed", 17.0, 13.5, "power"))
    words = link_words.headline(Finding("at_risk", "tank", "shed", 3.0, 20.0, 0.4, 0.99, over))
    assert "at the legal 14.0 dBm at tank and the legal 13.5 dBm at shed" in words
    assert "the planned 20 dBm is 6.0 dB over and the planned 17 dBm is 3.5 dB over" in words


@pytest.mark.parametrize(
    ("trees", "words"), [("over", "over the trees"), ("through", "through 32 m of trees")]
)
def test_the_reason_of_a_model_tells_of_trees(trees: typing.Any, words: str) -> None:
    assert words in link_words.model_reason(ModelReason("delta_bullington", None, trees, 32.4))


def test_a_margin_that_is_enough_is_not_said_to_be_short_where_the_ground_is_not_known() -> None:
    words = link_words.headline(Finding("at_risk", "tank", "shed", 68.0, 32.8, 0.99, 0.99, ()))
    assert words.startswith("At risk: the ground between is not known")
    assert "short" not in words
