"""The JSON Schema of a plan, of a fleet, or of a result."""

from typing import Literal

from linkcalc.cli._options import argument
from linkcalc.cli._output import show

File = Literal["plan", "fleet", "result"]


def schema(
    file: File = argument("[plan|fleet|result]", "Whose schema.", default="plan"),
) -> None:
    """Print the JSON Schema of the plan file, of the fleet file, or of what check --json prints.

    \b
    Example:
      linkcalc schema > linkcalc-plan.schema.json
      linkcalc schema fleet > linkcalc-fleet.schema.json
      linkcalc schema result > result.schema.json

    Editors that know TOML take it from a file's first line: #:schema ./linkcalc-plan.schema.json
    """
    show(schema_text(file))


def schema_text(file: File) -> str:
    """A schema as JSON."""
    from linkcalc.plan import Plan
    from linkcalc.plan.fleet import Fleet
    from linkcalc.plan.keys import file_schema
    from linkcalc.views.jsonout import json_text, result_schema

    described = result_schema() if file == "result" else file_schema(Fleet if file == "fleet" else Plan)
    return json_text(described)
