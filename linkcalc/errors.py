"""What can go wrong, as one small family.

::

    LinkcalcError
    ├── PlanError (also ValueError)     the plan file: unknown key, bad value, contradiction
    ├── TerrainError (also OSError)     rasters and profiles: outside, nodata, unreadable
    ├── ReadingsError (also ValueError) a file of readings of which nothing can be used
    ├── DomainError (also ValueError)   an argument for which a formula is not defined
    └── ArgumentError (also TypeError)  an argument of a kind that a function does not take

    OutOfRangeWarning (UserWarning)     a model used outside the range its source states;
                                        the number is still given
"""


class LinkcalcError(Exception):
    """Base of every error that linkcalc raises on purpose; its text is one clear line."""


class PlanError(LinkcalcError, ValueError):
    """The plan file cannot be used as it stands."""


class TerrainError(LinkcalcError, OSError):
    """A raster or a surveyed profile cannot give the heights that were asked of it."""


class ReadingsError(LinkcalcError, ValueError):
    """A file of signal readings cannot be read, or no row of it can be used."""


class DomainError(LinkcalcError, ValueError):
    """An argument lies where the formula is not defined."""


class ArgumentError(LinkcalcError, TypeError):
    """An argument is of a kind that the function does not take."""


class OutOfRangeWarning(UserWarning):
    """A model is used outside the range its source states; the number is still given."""
