"""The first command of a newcomer: what `linkcalc check` of a sample takes, over loading its libraries.

Both are whole processes that take turns in one run; their CPU time counts, so that a busy machine does not.
"""

import os
import resource
import subprocess
import sys

from linkcalc.files import sample_names, sample_path
from tests.benchmarks.measure import Row

STACK = "import numpy, scipy.special, rasterio, pydantic, typer"
CHECK = "import sys; from linkcalc.cli import main; sys.argv[1:] = ['check', {!r}]; main()"
REPEATS = 7
BAR = 1.6


def cpu_s(code: str) -> float:
    """User and system time of a process that runs `code`, its compiled modules kept as in an installation."""
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, check=False)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode not in (0, 3, 4):
        raise RuntimeError(done.stderr.decode())
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def rows() -> list[Row]:
    codes = {"": STACK} | {name: CHECK.format(str(sample_path(name))) for name in sample_names()}
    for code in codes.values():
        cpu_s(code)
    least = {name: min(times) for name, times in _turns(codes).items()}
    stack_s = least.pop("")
    return [
        Row(
            f"first minute: check of {name} over loading the libraries", seconds / stack_s, BAR, "<=",
            "numpy, scipy.special, rasterio, pydantic, typer; CPU time of whole processes",
        )
        for name, seconds in least.items()
    ]  # fmt: skip


def _turns(codes: dict[str, str]) -> dict[str, list[float]]:
    times: dict[str, list[float]] = {name: [] for name in codes}
    for _ in range(REPEATS):
        for name, code in codes.items():
            times[name].append(cpu_s(code))
    return times
