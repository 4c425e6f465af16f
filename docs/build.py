"""Build the documentation and check it: python docs/build.py [FOLDER]

Fails on any warning of the generator, a link or anchor that leads nowhere inside the pages, a page that would
load something from elsewhere, shows a table as raw pipes or takes a sentence for a type. Needs no network.

Notebooks without outputs are executed; ones that were executed already may lie in a folder named by
LINKCALC_NOTEBOOKS.
"""

import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE / "tools"))


def main() -> int:
    from links import faults
    from sphinx.cmd.build import main as sphinx

    target = Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "_build" / "html"
    cache = target.with_name(f"{target.name}.doctrees")
    failed = sphinx(["-q", "-W", "--keep-going", "-d", str(cache), str(HERE), str(target)])
    if failed:
        return failed
    found = faults(target)
    print(
        "\n".join(found)
        if found
        else f"{target}: every link inside leads somewhere, nothing comes from elsewhere"
    )
    return 1 if found else 0


if __name__ == "__main__":
    raise SystemExit(main())
