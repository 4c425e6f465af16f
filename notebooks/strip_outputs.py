"""Take outputs, counts and private settings out of the notebooks: python notebooks/strip_outputs.py [--check]

Only the cells are stored, with what hides plumbing from a reader (`hide-input`) and checks of the figures altogether
(`remove-cell`). With --check nothing is written, and the exit code is 1 if something would be.
"""

import json
import sys
from pathlib import Path
from typing import Any

KEPT = ("tags", "jupyter")
"""Of a cell's settings: what hides its source, or all of it, from a reader."""
KERNEL = {"display_name": "Python 3", "language": "python", "name": "python3"}


def stripped(notebook: dict[str, Any]) -> dict[str, Any]:
    """The notebook without what running it has left."""
    cells = []
    for cell in notebook["cells"]:
        kept = {
            **cell,
            "metadata": {k: v for k, v in cell["metadata"].items() if k in KEPT},
        }
        if cell["cell_type"] == "code":
            kept |= {"execution_count": None, "outputs": []}
        cells.append(kept)
    return {
        **notebook,
        "cells": cells,
        "metadata": {"kernelspec": KERNEL, "language_info": {"name": "python"}},
    }


def main() -> int:
    check = "--check" in sys.argv[1:]
    changed = []
    for path in sorted(Path(__file__).parent.glob("*.ipynb")):
        old = json.loads(path.read_text(encoding="utf-8"))
        new = stripped(old)
        if new != old:
            changed.append(path.name)
            if not check:
                path.write_text(
                    json.dumps(new, indent=1, ensure_ascii=False) + "\n", encoding="utf-8"
                )
    if changed:
        print(("to be stripped: " if check else "stripped: ") + ", ".join(changed))
    return 1 if check and changed else 0


if __name__ == "__main__":
    raise SystemExit(main())
