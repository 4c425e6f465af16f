"""The lowest versions that pyproject.toml admits, as requirements for pip: python -m tests.packaging.lowest

What only checks style, types or packages is left out: it says nothing about how linkcalc runs.
"""

import re
import tomllib
from pathlib import Path

PYPROJECT = Path(__file__).parents[2] / "pyproject.toml"

CHECKERS = ("build", "ruff", "mypy", "scipy-stubs", "jupytext")


def lowest() -> list[str]:
    """Return each requirement of linkcalc and of its tests at its lowest version.

    >>> "numpy==1.26" in lowest(), "mypy==1.11" in lowest()
    (True, False)
    """
    project = tomllib.loads(PYPROJECT.read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    named = {*project["dependencies"], *(r for name in extras if name != "docs" for r in extras[name])}
    pinned = {r.replace(">=", "==") for r in named if re.split(r"\W*[>=]", r)[0] not in CHECKERS}
    if loose := [r for r in pinned if "==" not in r]:
        raise ValueError(f"{PYPROJECT.name} states no lowest version of {', '.join(loose)}")
    return sorted(pinned)


if __name__ == "__main__":
    print("\n".join(lowest()))
