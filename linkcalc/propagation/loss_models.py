"""The path loss models by name: the rules, a standard's, and one's own in Python. Knows no numpy."""

from collections.abc import Callable
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any, TypeVar

from linkcalc._kinds import kinds_checked
from linkcalc.errors import DomainError

MODEL_NAMES = {
    "free_space": "free space (P.525)",
    "plane_earth": "plane earth",
    "two_ray": "two-ray",
    "spherical_earth": "smooth earth (P.526)",
    "bullington": "Bullington (P.526)",
    "cascaded_knife_edges": "cascaded knife edges",
    "delta_bullington": "delta-Bullington (P.526)",
    "rounded_obstacle": "rounded obstacle (P.526)",
    "p1812": "P.1812",
    "irregular_terrain": "irregular terrain model",
}
"""How the models are called in reports, in the order they are listed."""

RULES = "rules"
"""The rules of `linkcalc.link.path_loss`: validated on measured links."""

STANDARD = ("delta_bullington", "bullington", "cascaded_knife_edges", "p1812", "irregular_terrain")
"""Models of a standard or handbook that a plan may choose instead: those of any path over terrain."""

Model = Callable[[Any, Any, float, float], float]
F = TypeVar("F", bound=Model)


@dataclass(frozen=True)
class OwnModel:
    """A loss model written in Python."""

    name: str
    words: str
    """What it is called in reports."""
    function: Model

    def loss_db(self, profile: Any, situation: Any, near_m: float, far_m: float) -> float:
        """Its basic transmission loss, checked.

        Raises
        ------
        DomainError
            If it raises anything, or gives no finite number: in one line, with its name.
        """
        try:
            found = float(self.function(profile, situation, near_m, far_m))
        except DomainError:
            raise
        except Exception as error:
            line = " ".join(str(error).split()) or type(error).__name__
            raise DomainError(f"loss model {self.name}: {type(error).__name__}: {line}"[:300]) from error
        if not abs(found) < 1000.0:
            raise DomainError(f"loss model {self.name} gave {found}; a loss in dB is needed")
        return found


_OWN: dict[str, OwnModel] = {}


@kinds_checked
def loss_model(name: str, words: str = "") -> Callable[[F], F]:
    """Register a function as a path loss model under a name.

    Checks then list its loss beside the others', and a plan may let it govern: ``governing_model = "name"`` in
    [conditions].

    Parameters
    ----------
    name : str
        Lower-case letters, digits and underscores; not that of another model. A second function under an own name
        takes its place, as when a notebook's cell is run again.
    words : str
        What reports call it; default: its name.

    Returns
    -------
    decorator
        Of a function of a `linkcalc.Profile`, a `linkcalc.link.losses.Situation`, and both antennas' heights above
        ground in m, near and far: its basic transmission loss in dB between the antennas, median. It should raise
        `linkcalc.DomainError` where it is not defined: it is then omitted there. What surrounds the antennas
        and the allowance for installations come on top, as with every model.

    Raises
    ------
    DomainError
        If the name cannot be used.

    Examples
    --------
    >>> import linkcalc as lc
    >>> @lc.loss_model("log_distance", "fit of our own links")
    ... def log_distance(profile, situation, near_m, far_m):
    ...     return 92.0 + 36.0 * (profile.length_m / 1e3)
    >>> link = lc.check_plan(lc.load_plan(lc.sample_path("plain")), advice=False).links[0]
    >>> round(link.path.models["log_distance"] - 36.0 * link.path.distance_m / 1e3, 6)
    92.0
    >>> forget_loss_model("log_distance")
    """
    legible = name.isascii() and name.isidentifier() and name == name.lower() and len(name) <= 40
    if not legible:
        raise DomainError(f"loss model {name!r}: lower-case letters, digits and underscores, as in farm_fit")
    if name == RULES or (name in MODEL_NAMES and name not in _OWN):
        raise DomainError(f"loss model {name!r} exists already; choose another name")

    def registered(function: F) -> F:
        if not callable(function):
            raise DomainError(f"loss model {name!r}: put @loss_model above a function")
        _OWN[name] = OwnModel(name, words or name, function)
        MODEL_NAMES[name] = words or name
        return function

    return registered


@kinds_checked
def forget_loss_model(name: str) -> None:
    """Take an own model away again; nothing happens where there is none of that name.

    >>> _ = loss_model("level_ground")(lambda profile, situation, near_m, far_m: 120.0)
    >>> forget_loss_model("level_ground")
    >>> "level_ground" in own_models()
    False
    """
    if _OWN.pop(name, None) is not None:
        del MODEL_NAMES[name]


def own_models() -> dict[str, OwnModel]:
    """Those registered, by name.

    >>> own_models()
    {}
    """
    return dict(_OWN)


def governing_fault(name: str) -> str | None:
    """What is wrong with a plan's choice of model, in one line; None: nothing.

    >>> governing_fault("rules"), str(governing_fault("p1821"))[:57]
    (None, 'unknown governing model "p1821"; did you mean p1812?; all')
    """
    known = (RULES, *STANDARD, *_OWN)
    if name in known:
        return None
    near = get_close_matches(name[:80].lower(), known, n=1)
    near_by = f"; did you mean {near[0]}?" if near else ""
    return (
        f'unknown governing model "{name[:80]}"{near_by}; allowed: {", ".join(known)}; one of your own is registered '
        "in Python with linkcalc.loss_model before the plan is loaded"
    )
