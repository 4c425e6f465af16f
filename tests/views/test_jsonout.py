import enum
import json
import math
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace

import jsonschema
import numpy as np
import pytest

from linkcalc.views import jsonout
from tests.views import factory


def strict(text):
    def refuse(constant):
        raise AssertionError(f"{constant} is not JSON")

    return json.loads(text, parse_constant=refuse)


@pytest.mark.parametrize("case", factory.CASES)
def test_every_result_fits_its_own_schema(case):
    read = strict(jsonout.to_json(factory.result(factory.CASES[case]())))
    schema = jsonout.result_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema).validate(read)


def test_the_agreed_keys_are_there():
    links = (factory.CASES["obstructed"](), factory.CASES["50 m"]())
    read = strict(jsonout.to_json(factory.result(*links)))
    assert {"schema_version", "links", "assumed", "warnings", "advice"} <= read.keys()
    link = read["links"][0]
    assert {"name", "verdict", "path", "directions", "advice", "warnings"} <= link.keys()
    assert {
        "distance_m",
        "worst_clearance_ratio",
        "worst_clearance_distance_m",
        "model",
        "models",
    } <= link["path"].keys()
    direction = link["directions"][0]
    assert {
        "from",
        "to",
        "path_loss_db",
        "received_power_dbm",
        "noise_power_dbm",
        "sensitivity_dbm",
        "fade_margin_db",
        "delivery_probability",
        "limited_by",
        "terms",
    } <= direction.keys()
    assert direction["terms"][0].keys() == {"name", "value_db", "group", "note"}
    assert "drawing" not in link
    assert len(read["links"]) == 2


def test_numbers_pass_unchanged_and_terms_still_add_up():
    link = factory.CASES["wooded"]()
    read = strict(jsonout.to_json(factory.result(link)))["links"][0]
    assert read["directions"][0]["fade_margin_db"] == link.directions[0].fade_margin_db
    total = math.fsum(t["value_db"] for t in read["directions"][0]["terms"])
    assert total == pytest.approx(link.directions[0].fade_margin_db, abs=1e-9)
    assert read["path"]["models"] == dict(link.path.models)


def test_what_is_not_finite_becomes_null():
    link = factory.CASES["obstructed"]()
    path = factory.replace(link.path, worst_clearance_ratio=math.nan)
    first = factory.replace(link.directions[0], rician_k_db=-math.inf)
    link = factory.replace(link, path=path, directions=(first, *link.directions[1:]))
    text = jsonout.to_json(factory.result(link))
    read = strict(text)["links"][0]
    assert read["directions"][0]["rician_k_db"] is None
    assert read["path"]["worst_clearance_ratio"] is None
    jsonschema.validate(strict(text), jsonout.result_schema())


def test_equal_results_give_equal_text():
    texts = {jsonout.to_json(factory.result(factory.CASES["wooded"]())) for _ in range(3)}
    assert len(texts) == 1
    assert texts.pop().endswith("}\n")


def test_advice_and_warnings_of_every_link_stand_at_the_top():
    one = factory.link(name="a", ground=factory.ridge(0.5, 60.0), warnings=("20 m of nodata bridged",))
    two = factory.link(name="b", ground=factory.ridge(0.5, 80.0))
    read = strict(jsonout.to_json(factory.result(one, two)))
    assert [a["link"] for a in read["advice"]] == ["a"] * len(one.advice) + ["b"] * len(two.advice)
    assert read["advice"][0]["text"] == one.advice[0].text
    assert "a: 20 m of nodata bridged" in read["warnings"]
    assert read["links"][0]["warnings"] == ["20 m of nodata bridged"]


class Colour(enum.Enum):
    BLUE = "blue"


class Word(enum.StrEnum):
    YES = "yes"


@dataclass(frozen=True)
class Section:
    hours: np.ndarray
    share: np.float64
    seen: np.bool_
    where: Path
    colour: Colour
    word: Word
    parts: tuple
    names: frozenset
    nested: OrderedDict

    @property
    def line(self):
        return "lasts four years"


def test_a_section_keeps_its_fields_and_the_line_that_sums_it_up():
    section = Section(
        hours=np.array([1.0, np.nan]),
        share=np.float64(0.25),
        seen=np.bool_(True),
        where=Path("a/b"),
        colour=Colour.BLUE,
        word=Word.YES,
        parts=(1, 2.5, None),
        names=frozenset({"b", "a"}),
        nested=OrderedDict(z=math.inf, a=np.int64(3)),
    )
    result = factory.result(sections={"energy": section, "limits": SimpleNamespace(line="not checked")})
    read = strict(jsonout.to_json(result))["sections"]
    assert read["energy"] == {
        "line": "lasts four years",
        "hours": [1.0, None],
        "share": 0.25,
        "seen": True,
        "where": "a/b",
        "colour": "blue",
        "word": "yes",
        "parts": [1, 2.5, None],
        "names": ["a", "b"],
        "nested": {"z": None, "a": 3},
    }
    assert read["limits"] == {"line": "not checked"}


def test_a_section_without_a_json_form_is_an_error_not_a_guess():
    @dataclass(frozen=True)
    class Odd:
        thing: object

    with pytest.raises(TypeError, match="no JSON form"):
        jsonout.to_json(factory.result(sections={"odd": Odd(object())}))


def test_the_schema_refuses_a_result_with_a_key_missing_or_misspelt():
    read = strict(jsonout.to_json(factory.result()))
    validator = jsonschema.Draft202012Validator(jsonout.result_schema())
    del read["links"][0]["directions"][0]["fade_margin_db"]
    assert not validator.is_valid(read)
    read = strict(jsonout.to_json(factory.result()))
    read["links"][0]["verdict"] = "perhaps"
    assert not validator.is_valid(read)
