"""Damaged plan files by the thousand: never anything but one line that names the file."""

import datetime
import random
import re
import string
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from linkcalc.cli import _shell, app
from linkcalc.errors import PlanError, TerrainError
from linkcalc.plan import load_plan
from linkcalc.plan.scenario import starter_profile
from linkcalc.plan.starter import starter_plan
from tests.plan.plans import PLAN

SEED = 20_260
ROUNDS = 400
"""Of each kind of damage."""

HOSTILE = (
    "nan", "-inf", "1e999", "-0.0", "0", "-1", "1e-320", "9" * 30, "9" * 5000, "0x" + "f" * 99, "true",
    "''", "'x'", '"\\u0000"', '"\\u001b[31m"', '"a\\nb"', f'"{"x" * 3000}"', "[]", "[[]]", "[1, 2]", "{}",
    "{ a = { b = 1 } }", "2020-01-01", "12:00:00", "1979-05-27T07:32:00Z", "6,5", '"6,5"', '"868 MHz"',
    '"33 45 30 S"', "'''\n'''", "inf", "+1", "1_0", "[" * 2000, "'../../../etc'", "'/'", "'C:\\x'",
    '"\\ud800"', "'\N{SNOWMAN}'", '"\\U0001F680"', "{ kind = 'css' }", "{ kind = [] }",
    "{ kind = { a = 1 } }", "[{}]", "[{}, 1]",
)  # fmt: skip

Damage = Callable[[random.Random, bytes], bytes]


def flip_bytes(rng: random.Random, raw: bytes) -> bytes:
    damaged = bytearray(raw)
    for _ in range(rng.randint(1, 6)):
        damaged[rng.randrange(len(damaged))] ^= 1 << rng.randrange(8)
    return bytes(damaged)


def put_bytes(rng: random.Random, raw: bytes) -> bytes:
    at = rng.randrange(len(raw) + 1)
    return raw[:at] + rng.randbytes(rng.randint(1, 8)) + raw[at + rng.randint(0, 8) :]


def truncate(rng: random.Random, raw: bytes) -> bytes:
    return raw[: rng.randrange(len(raw))]


def drop_lines(rng: random.Random, raw: bytes) -> bytes:
    lines = raw.splitlines(keepends=True)
    for _ in range(rng.randint(1, 3)):
        del lines[rng.randrange(len(lines))]
    return b"".join(lines)


def double_a_line(rng: random.Random, raw: bytes) -> bytes:
    lines = raw.splitlines(keepends=True)
    lines.insert(rng.randrange(len(lines)), rng.choice(lines))
    return b"".join(lines)


def swap_lines(rng: random.Random, raw: bytes) -> bytes:
    lines = raw.splitlines(keepends=True)
    a, b = rng.randrange(len(lines)), rng.randrange(len(lines))
    lines[a], lines[b] = lines[b], lines[a]
    return b"".join(lines)


def replace_values(rng: random.Random, raw: bytes) -> bytes:
    lines = raw.decode().split("\n")
    settings = [n for n, line in enumerate(lines) if re.match(r"\w+ = ", line)]
    for number in rng.sample(settings, rng.randint(1, 3)):
        lines[number] = lines[number].partition("=")[0] + "= " + rng.choice(HOSTILE)
    return "\n".join(lines).encode()


def swap_types(rng: random.Random, raw: bytes) -> bytes:
    lines = raw.decode().split("\n")
    settings = [n for n, line in enumerate(lines) if re.match(r"\w+ = ", line)]
    for number in rng.sample(settings, rng.randint(1, 3)):
        key, _, value = lines[number].partition(" = ")
        quoted = value.strip('"')
        lines[number] = f"{key} = " + rng.choice([f'"{quoted}"', quoted, f"[{value}]", f"{{ v = {value} }}"])
    return "\n".join(lines).encode()


def misspell_keys(rng: random.Random, raw: bytes) -> bytes:
    lines = raw.decode().split("\n")
    named = [n for n, line in enumerate(lines) if re.match(r"[\w\[]", line)]
    for number in rng.sample(named, rng.randint(1, 3)):
        end = lines[number].find("=") if "=" in lines[number] else len(lines[number])
        at = rng.randrange(max(end, 1))
        letter = rng.choice(string.ascii_lowercase + "_-. [\"'é")
        lines[number] = lines[number][:at] + letter + lines[number][at + rng.randint(0, 1) :]
    return "\n".join(lines).encode()


def random_toml(rng: random.Random, _: bytes) -> bytes:
    keys = [*re.findall(r"^(\w+) = ", PLAN, re.MULTILINE), "station", "link", "terrain", "x", '"\\n"', "''"]

    def value(depth: int) -> str:
        kind = rng.randrange(7 if depth < 3 else 5)
        if kind < 5:
            return rng.choice([*HOSTILE, str(rng.uniform(-1e3, 1e3)), str(rng.randint(-99, 99)), str(today)])
        if kind == 5:
            return f"[{', '.join(value(depth + 1) for _ in range(rng.randint(0, 3)))}]"
        pairs = (f"{rng.choice(keys)} = {value(depth + 1)}" for _ in range(rng.randint(0, 3)))
        return "{ " + ", ".join(pairs) + " }"

    today = datetime.date(2020, 2, 29)
    lines = []
    for _ in range(rng.randint(1, 12)):
        header = rng.choice(["[{}]", "[[{}]]", "[station.{}]", "[[link.{}]]"]).format(rng.choice(keys))
        lines.append(header if rng.random() < 0.3 else f"{rng.choice(keys)} = {value(0)}")
    return "\n".join(lines).encode()


def random_bytes(rng: random.Random, _: bytes) -> bytes:
    return rng.randbytes(rng.randint(0, 400))


DAMAGES: tuple[Damage, ...] = (
    flip_bytes, put_bytes, truncate, drop_lines, double_a_line, swap_lines, replace_values, swap_types,
    misspell_keys, random_toml, random_bytes,
)  # fmt: skip


@pytest.fixture(scope="module")
def originals(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[bytes]]:
    folder = tmp_path_factory.mktemp("fuzz")
    (folder / "path.csv").write_text(starter_profile())
    full = starter_plan("plan.toml", profile_csv="path.csv")
    return folder, [PLAN.encode(), re.sub(r"^#.*\n", "", full, flags=re.MULTILINE).encode(), full.encode()]


@pytest.mark.parametrize("damage", DAMAGES, ids=lambda d: d.__name__)
def test_a_damaged_plan_loads_or_is_refused_in_one_line(
    originals: tuple[Path, list[bytes]], damage: Damage
) -> None:
    folder, raws = originals
    rng = random.Random(f"{SEED} {damage.__name__}")
    file = folder / f"{damage.__name__}.toml"
    refused = 0
    for _ in range(ROUNDS):
        raw = damage(rng, rng.choice(raws))
        file.write_bytes(raw)
        try:
            load_plan(file)
        except (PlanError, TerrainError) as error:
            line = str(error)
            assert line.startswith(f"{file}: "), raw
            assert line.isprintable(), raw
            assert len(line) < 1500, raw
            refused += 1
    # the damage is real, and so is this test
    assert refused > ROUNDS / 10


def test_through_the_command_line_a_damaged_plan_is_a_code_and_never_a_traceback(
    originals: tuple[Path, list[bytes]],
    few: Callable[[int], int],
) -> None:
    folder, raws = originals
    rng = random.Random(SEED)
    file = folder / "plan.toml"
    codes: set[int] = set()
    for number in range(few(44)):
        file.write_bytes(DAMAGES[number % len(DAMAGES)](rng, rng.choice(raws)))
        done = CliRunner().invoke(app, ["check", str(file)])
        assert done.exception is None or isinstance(done.exception, SystemExit), file.read_bytes()
        assert "Traceback" not in done.output
        codes.add(done.exit_code)
        if done.exit_code == _shell.BAD_INPUT:
            assert done.stderr.startswith(f"linkcalc: {file}: "), done.stderr
            assert done.stderr.count("\n") == 1
            assert done.stdout == ""
    assert _shell.BAD_INPUT in codes
    assert codes <= {*_shell.EXIT_CODES.values(), _shell.BAD_INPUT}
