"""Compare what the default rules say with measured receptions.

    python -m tests.validation measured --data DIR [--terrain TIF]... [--summary | --hold-out] [--json | --markdown]

DIR is the folder of one set, or holds one folder a set; each has tables as CSV files, whose columns are
recognised by name and unit, and may have rasters of its ground. The exit code is 1 if a stated bar is missed
by more than so few links may be by chance, or if nothing could be judged. In Python:
`tests.validation.measured.predicted.judged_sets`.
"""

import argparse
import os
import sys
from collections.abc import Sequence
from pathlib import Path

from tests.validation.measured.blocks import as_json, as_markdown, as_text
from tests.validation.measured.hold_out import report_held_out
from tests.validation.measured.predicted import Ways, together
from tests.validation.measured.report import report_on, report_together
from tests.validation.measured.sets import Assumed, find_sets

START, END = "<!-- measured -->", "<!-- end -->"


def main(argv: Sequence[str] | None = None) -> int:
    options = _parser().parse_args(argv)
    root = os.environ.get("LINKCALC_REFERENCE_DATA")
    folder = options.data or (Path(root) / "measured" if root else None)
    if folder is None or not folder.is_dir():
        where = folder or "LINKCALC_REFERENCE_DATA is not set and --data not given"
        print(f"no measured data: {where}", file=sys.stderr)
        return 1
    ways = Ways(mapped_cover=not options.bare_ground, keep_paths=options.hold_out)
    found = [report_on(one, _assumed(options), options.terrain, ways) for one in find_sets(folder)]
    if not found:
        print(f"no tables (CSV) in {folder} or its folders", file=sys.stderr)
        return 1
    reports, judged = [report for report, _ in found], [j for _, j in found if j is not None]
    if options.hold_out:
        reports = list(report_held_out(together(judged))) if judged else []
    elif judged:
        reports = [*([] if options.summary else reports), report_together(judged)]
    if options.page is not None and judged:
        _write(options.page, as_markdown(reports[-1:]))
    form = as_json if options.json else as_markdown if options.markdown else as_text
    print(form(reports))
    missed = any(bar.missed for report in reports for bar in report.bars)
    return 1 if missed or not any(report.judged for report in reports) else 0


def _write(page: Path, summary: str) -> None:
    before, found, rest = page.read_text(encoding="utf-8").partition(START)
    _, end, after = rest.partition(END)
    if not (found and end):
        raise SystemExit(f"{page}: has no {START} with an {END} after it")
    page.write_text(f"{before}{START}\n{summary}\n{END}{after}", encoding="utf-8")


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m tests.validation measured",
        description="Compare what the default rules say with measured receptions.",
    )
    parser.add_argument(
        "--data", type=Path, metavar="DIR", help="default: the folder measured in $LINKCALC_REFERENCE_DATA"
    )
    parser.add_argument(
        "--terrain",
        type=Path,
        metavar="TIF",
        action="append",
        default=[],
        help="ground elevation for sets whose positions it covers, beside what they bring; repeatable",
    )
    parser.add_argument(
        "--bare-ground", action="store_true", help="leave out trees and buildings of profiles"
    )
    parser.add_argument("--summary", action="store_true", help="only the tables over all sets, and the bars")
    parser.add_argument(
        "--page",
        type=Path,
        metavar="FILE",
        help=f"write the summary into a page of the documentation, between {START} and {END}",
    )
    parser.add_argument(
        "--hold-out",
        action="store_true",
        help="fit what was fitted again without some of the sites and judge these (some minutes)",
    )
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="print the report as JSON")
    form.add_argument("--markdown", action="store_true", help="print the report as Markdown")
    usual = Assumed()
    what = parser.add_argument_group("where a set does not say")
    for name, value in (
        ("frequency-mhz", usual.frequency_hz / 1e6),
        ("tx-height-m", usual.tx_height_m),
        ("rx-height-m", usual.rx_height_m),
        ("tx-power-dbm", usual.tx_power_dbm),
        ("bandwidth-khz", usual.bandwidth_hz / 1e3),
        ("payload-bytes", usual.payload_bytes),
    ):
        what.add_argument(f"--{name}", type=float, default=value, metavar="X", help=f"assumed: {value:g}")
    what.add_argument("--spreading-factor", type=float, default=usual.spreading_factor, metavar="X")
    return parser


def _assumed(options: argparse.Namespace) -> Assumed:
    return Assumed(
        frequency_hz=options.frequency_mhz * 1e6,
        tx_height_m=options.tx_height_m,
        rx_height_m=options.rx_height_m,
        tx_power_dbm=options.tx_power_dbm,
        bandwidth_hz=options.bandwidth_khz * 1e3,
        payload_bytes=options.payload_bytes,
        spreading_factor=options.spreading_factor,
    )


if __name__ == "__main__":
    sys.exit(main())
