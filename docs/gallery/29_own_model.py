"""An own loss model

A function of profile and situation takes part under its name; a plan may let it govern.
"""

import math

import linkcalc as lc


@lc.loss_model("log_distance", "fit of our own links")
def log_distance(profile: lc.Profile, situation: lc.Situation, near_m: float, far_m: float) -> float:
    return 92.0 + 36.0 * math.log10(profile.length_m / 1e3)


plan = lc.load_plan(lc.sample_path("plain")).changed({"conditions.governing_model": "log_distance"})
path = lc.check(plan, advice=False).links[0].path
print(path.model, round(path.models["log_distance"], 1), "dB;", path.model_reason)
print({name: round(loss_db, 1) for name, loss_db in path.models.items()})
lc.forget_loss_model("log_distance")
