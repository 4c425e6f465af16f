"""Build sdist and wheel and try the wheel as a stranger would: `python -m tests.packaging`.

The wheel is built from the sdist, holds what it must and nothing else, and is installed in a new environment;
there, in an empty folder and without this repository, the samples are copied out and checked, and a program
that uses the public names passes a strict type check. Takes a few minutes and needs a package index. The
exit code is 1 if something fails.
"""

import argparse
import shutil
import subprocess
import sys
import tarfile
import tempfile
import venv
import zipfile
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).parents[2]
USE = ROOT / "tests" / "typing" / "use_of_public_names.py"

IN_WHEEL = (
    "linkcalc/py.typed",
    "linkcalc/propagation/free_space.pyi",
    "linkcalc/rules/table.toml",
    "linkcalc/samples/upland.toml",
    "linkcalc/samples/upland.tif",
    "linkcalc/samples/wooded_surface.tif",
)
IN_SDIST = (
    "CHANGELOG.md",
    "CITATION.cff",
    "DEVELOPERS.md",
    "LICENSE",
    "SECURITY.md",
    "terrain_samples/make_samples.py",
    "tests/sites.py",
)


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.packaging", description=__doc__)
    parser.parse_args(argv)
    with tempfile.TemporaryDirectory() as folder:
        try:
            sdist, wheel = built(Path(folder))
            faults = [*contents(sdist, wheel), *tried(wheel, Path(folder))]
        except subprocess.CalledProcessError as error:
            faults = [f"{' '.join(map(str, error.cmd))}: exit code {error.returncode}\n{error.stdout or ''}"]
    print("\n".join(faults) or "sdist and wheel are sound")
    return 1 if faults else 0


def built(folder: Path) -> tuple[Path, Path]:
    """Build the sdist, and the wheel from it."""
    run(sys.executable, "-m", "build", "--outdir", folder, ROOT)
    (sdist,), (wheel,) = folder.glob("*.tar.gz"), folder.glob("*.whl")
    return sdist, wheel


def contents(sdist: Path, wheel: Path) -> list[str]:
    """What is missing, and what does not belong there."""
    with zipfile.ZipFile(wheel) as archive:
        inside = set(archive.namelist())
        metadata = next(n for n in inside if n.endswith(".dist-info/METADATA"))
        described = archive.read(metadata).decode()
    version = wheel.name.split("-")[1]
    modules = {p.relative_to(ROOT).as_posix() for p in (ROOT / "linkcalc").rglob("*.py")}
    faults = [f"the wheel lacks {name}" for name in sorted({*IN_WHEEL, *modules} - inside)]
    strange = {n for n in inside if n.split("/")[0] not in ("linkcalc", metadata.split("/")[0])}
    faults += [f"the wheel holds {name}" for name in sorted(strange)]
    faults += [f"the metadata lacks {w!r}" for w in (f"Version: {version}", "Requires-Python: >=3.11",
               "License-Expression: MIT", "Classifier: Typing :: Typed") if w not in described]  # fmt: skip
    with tarfile.open(sdist) as archive:
        names = {name.partition("/")[2] for name in archive.getnames()}
    return faults + [f"the sdist lacks {name}" for name in IN_SDIST if name not in names]


def tried(wheel: Path, folder: Path) -> list[str]:
    """Install the wheel in a new environment and use it in an empty folder."""
    environment, empty = folder / "environment", folder / "empty"
    empty.mkdir()
    venv.create(environment, with_pip=True)
    python, linkcalc = environment / "bin" / "python", environment / "bin" / "linkcalc"
    run(python, "-m", "pip", "install", "-q", wheel, "mypy>=1.11")
    faults = []
    version = run(linkcalc, "--version", cwd=empty).split()[-1]
    if version != wheel.name.split("-")[1]:
        faults.append(f"the program says it is {version}")
    run(linkcalc, "samples", "demo", cwd=empty)
    checked = subprocess.run(
        [linkcalc, "check", "demo/upland.toml", "--out", "out"], cwd=empty, capture_output=True, text=True
    )
    if checked.returncode not in (0, 3, 4) or not (empty / "out" / "result.json").is_file():
        faults.append(f"check of a sample: exit code {checked.returncode}\n{checked.stderr}")
    run(linkcalc, "sweep", "demo/plain.toml", "--vary", "sf=7:12", "--table", "sweep.csv", cwd=empty)
    # a copy: beside the original, imports would find the repository
    program = Path(shutil.copy(USE, empty / "program.py"))
    run(python, program, cwd=empty)
    run(python, "-m", "mypy", "--strict", "--cache-dir", folder / "cache", program, cwd=empty)
    return faults


def run(*command: str | Path, cwd: Path | None = None) -> str:
    done = subprocess.run(
        command, cwd=cwd, check=True, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    return done.stdout


if __name__ == "__main__":
    sys.exit(main())
