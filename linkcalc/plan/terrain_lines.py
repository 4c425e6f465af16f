"""Lines of a plan file's [terrain], put in by a program: everything else stays as its owner wrote it."""

import json
import re
import tomllib
from collections.abc import Mapping
from typing import Any

from linkcalc.errors import PlanError

_HEADER = re.compile(r"^\s*\[terrain\]\s*(#.*)?$")
_NEXT = re.compile(r"^\s*\[")


def terrain_lines(values: Mapping[str, Any]) -> list[str]:
    """Write keys of [terrain] as lines, long lists one element a line.

    >>> terrain_lines({"rasters": ["a.tif"], "network": True})
    ['rasters = ["a.tif"]', 'network = true']
    """
    lines = []
    for key, value in values.items():
        text = json.dumps(value, ensure_ascii=False)
        if isinstance(value, list) and len(text) > 80:
            lines += [f"{key} = [", *(f"  {json.dumps(v, ensure_ascii=False)}," for v in value), "]"]
        else:
            lines.append(f"{key} = {text}")
    return lines


def with_terrain(text: str, values: Mapping[str, Any]) -> str:
    """Set keys of a plan file's [terrain]; comments, order and all other values stay as they were.

    Raises `PlanError` where the file writes its terrain in a form that this does not change safely; the line shows
    what to write.

    >>> print(with_terrain('title = "x"\\n[terrain]\\nrasters = []  # none yet\\n', {"rasters": ["a.tif"]}))
    title = "x"
    [terrain]
    rasters = ["a.tif"]
    <BLANKLINE>
    """
    before = tomllib.loads(text)
    lines = text.split("\n")
    at = next((i for i, line in enumerate(lines) if _HEADER.match(line)), None)
    if at is None:
        new = [*lines, *([""] if lines[-1] else []), "[terrain]", *terrain_lines(values), ""]
    else:
        end = next((i for i in range(at + 1, len(lines)) if _NEXT.match(lines[i])), len(lines))
        body, skipping = [], False
        for line in lines[at + 1 : end]:
            own = re.match(r"\s*([A-Za-z_]+)\s*=\s*(.*)$", line)
            if skipping:
                skipping = not line.strip().startswith("]")
            elif own and own[1] in values:
                # a list over several lines ends with a bracket on a line of its own
                skipping = own[2].split("#")[0].strip() == "["
            else:
                body.append(line)
        new = [*lines[: at + 1], *terrain_lines(values), *body, *lines[end:]]
    written = "\n".join(new)
    wanted = {**before, "terrain": {**before.get("terrain", {}), **values}}
    try:
        right = tomllib.loads(written) == wanted
    except tomllib.TOMLDecodeError:
        right = False
    if not right:
        raise PlanError(
            f"[terrain] is written in a form that is not changed by a program; set in it: "
            f"{'; '.join(terrain_lines(values))}"
        )
    return written
