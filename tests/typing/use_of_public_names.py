"""A program as a user writes it, held to strict types and run: it imports nothing but the public names.

`test_strict_types.py` checks it in the repository, `python -m tests.packaging` from the wheel.
"""

import linkcalc as lc


def weakest(result: lc.Result) -> float:
    return min(direction.fade_margin_db for link in result.links for direction in link.directions)


def surveyed() -> lc.LoadedPlan:
    profile: lc.Profile = lc.profile_from([0.0, 1500.0, 3000.0], [40.0, 52.0, 44.0])
    return lc.plan_from(
        station=[{"name": "tank", "antenna_height_m": 4.0}, {"name": "shed", "antenna_height_m": 6.0}],
        link=[
            {
                "name": "level",
                "from": "tank",
                "to": "shed",
                "frequency_mhz": 868.3,
                "modulation": {"kind": "css", "spreading_factor": 9},
            }
        ],
        profiles={"level": profile},
    )


def table(loaded: lc.LoadedPlan) -> lc.Sweep:
    return lc.sweep_plan(loaded, {"sf": range(7, 13), "far.height": [2.0, 4.0, 8.0]})


def refused() -> str:
    try:
        lc.load_plan("absent.toml")
    except lc.PlanError as error:
        text: str = str(error)
        return text
    raise AssertionError("an absent plan was loaded")


def main() -> None:
    loaded: lc.LoadedPlan = lc.load_plan(lc.sample_path("plain"))
    plan: lc.Plan = loaded.plan
    result: lc.Result = lc.with_sections(lc.check_plan(loaded), plan)
    margin: float = weakest(result)
    found: lc.Sweep = table(surveyed())
    shape: tuple[int, ...] = found.shape
    html: str = lc.show(result, pictures=False).html
    assert plan.link[0].frequency_mhz > 0.0
    assert margin == margin
    assert shape == (6, 3)
    assert found["verdict"].shape == shape
    assert html.startswith("<div")
    assert refused().startswith("absent.toml: no such file")
    print(lc.__version__, result.links[0].headline)


if __name__ == "__main__":
    main()
