"""Ask the table of legal limits what the rules themselves answer.

    python -m tests.validation limits [--all]

Every row of `tests/reference/limits_quiz.csv` is one transmitter with the answer its rule gives, and its
source. The exit code is 1 if one answer is wrong, if a limit of the table is not asked from both sides, or if
the quiz is shorter than it was. Without `--all` only what is wrong is printed besides the summary.
"""

import argparse
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from linkcalc.rules.found import LimitsCheck
from linkcalc.rules.limits import check
from linkcalc.rules.table import Rule, rules
from linkcalc.rules.transmission import Transmission
from tests.validation.tables import number, read_rows, required

QUIZ = Path(__file__).parents[1] / "reference" / "limits_quiz.csv"
LEAST_CASES, LEAST_REGIONS = 150, 20

_SEVERITY = {"within": "FALSE WITHIN", "over": "legal called over", "unknown": "unknown where a row exists"}


@dataclass(frozen=True)
class Answered:
    """One question with what was found."""

    region: str
    case: str
    expected: str
    source: str
    sent: Transmission
    found: LimitsCheck

    @property
    def right(self) -> bool:
        return self.found.status == self.expected

    @property
    def line(self) -> str:
        word = "ok" if self.right else _SEVERITY[self.found.status]
        mhz = f"{self.sent.frequency_hz / 1e6:.6g} MHz"
        return f"{word}: {self.region} {mhz}, {self.case}: {self.found.status}, should be {self.expected}"


def answers(table: Sequence[Rule] | None = None, region: str | None = None) -> Iterator[Answered]:
    """Put the questions of the quiz, of one region or of all, to the table or to another one."""
    for row in read_rows(QUIZ):
        if region not in (None, row["region"]):
            continue
        sent = Transmission(
            frequency_hz=required(row, "frequency_mhz") * 1e6,
            bandwidth_hz=required(row, "bandwidth_khz") * 1e3,
            conducted_power_dbm=required(row, "power_dbm"),
            antenna_gain_dbi=required(row, "gain_dbi"),
            feeder_loss_db=required(row, "feeder_db"),
            time_on_air_s=required(row, "airtime_s"),
            interval_s=number(row, "interval_s"),
            tries=int(required(row, "tries")),
            retry_wait_s=number(row, "retry_wait_s"),
            hopping_channels=int(required(row, "hop")),
            listen_before_talk=row["listen"] == "1",
        )
        found = check(sent, row["region"], table=table)
        yield Answered(row["region"], row["case"], row["expected"], row["source"], sent, found)


def one_sided(asked: Sequence[Answered]) -> list[str]:
    """Limits of the table that the quiz asks from one side only, or not at all."""
    seen: set[tuple[str, str, str]] = set()
    for answer in asked:
        for rule in answer.found.rules:
            for finding in rule.findings:
                seen |= {(part, finding.quantity, finding.status) for part in rule.id.split("+")}
    return [
        f"{rule.id}: {quantity} never {side}"
        for rule in rules()
        for quantity in rule.quantities
        for side in _sides(rule, quantity)
        if (rule.id, quantity, side) not in seen
    ]


def _sides(rule: Rule, quantity: str) -> tuple[str, ...]:
    if rule.barred:
        return ("over",)
    if quantity == "listen" and rule.listen_before_talk == "instead_of_duty":
        return ()  # judged with the duty cycle
    return ("within", "over")


def main(argv: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.validation limits", description=__doc__)
    parser.add_argument("--all", action="store_true", help="print the right answers too")
    options = parser.parse_args(argv)
    asked = list(answers())
    wrong = [a for a in asked if not a.right]
    for answer in asked if options.all else wrong:
        print(answer.line)
        print(f"    {answer.source}\n    {answer.found.reason}")
    missing = one_sided(asked)
    for line in missing:
        print(f"not asked from both sides: {line}")
    regions = {a.region for a in asked}
    false = sum(a.found.status == "within" for a in wrong)
    expected = Counter(a.expected for a in asked)
    print(
        f"{len(asked)} cases in {len(regions)} regions"
        f" ({', '.join(f'{count} {word}' for word, count in expected.items())}):"
        f" {len(wrong)} wrong, {false} of them a false within; {len(missing)} limits asked from one side"
    )
    short = len(asked) < LEAST_CASES or len(regions) < LEAST_REGIONS
    return 1 if wrong or missing or short else 0
