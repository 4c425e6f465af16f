"""The invented sample plans and rasters that come with linkcalc."""

from pathlib import Path

from linkcalc._kinds import kinds_checked
from linkcalc.errors import LinkcalcError

_HERE = Path(__file__).parent
_FLEET = "_fleet"
"""Ends the names of samples that are fleets, not plans."""


def samples_folder() -> Path:
    """The folder of the samples, not to be written to: ``linkcalc/samples``, in a clone ``terrain_samples``.

    >>> sorted(path.stem for path in samples_folder().glob("*.toml"))
    ['plain', 'upland', 'upland_fleet', 'wooded']
    """
    for folder in (_HERE / "samples", _HERE.parent / "terrain_samples"):
        if (folder / "upland.toml").is_file():
            return folder
    raise LinkcalcError(f"the sample plans are not where linkcalc is installed, {_HERE}")


def sample_names() -> list[str]:
    """The names of the sample plans.

    >>> sample_names()
    ['plain', 'upland', 'wooded']
    """
    return sorted(p.stem for p in samples_folder().glob("*.toml") if not p.stem.endswith(_FLEET))


def sample_fleet_path() -> Path:
    """The sample's fleet file.

    >>> sample_fleet_path().name
    'upland_fleet.toml'
    """
    return samples_folder() / f"upland{_FLEET}.toml"


@kinds_checked
def sample_path(name: str) -> Path:
    """Return the file of a sample: a plan, the fleet, or a list that goes with them.

    Parameters
    ----------
    name : str
        Of a plan ("plain", "upland", "wooded"); "upland_fleet", its list "upland_tanks"; "upland_readings" of
        that plan's link, and "upland_spots".

    Returns
    -------
    Path

    Raises
    ------
    LinkcalcError
        If there is no such sample.

    Examples
    --------
    >>> sample_path("upland").name, sample_path("upland_readings").name
    ('upland.toml', 'upland_readings.csv')
    """
    files = {p.stem: p for p in sorted(samples_folder().iterdir()) if p.suffix in (".toml", ".csv")}
    if name not in files:
        raise LinkcalcError(f"unknown sample {name!r}; samples: {', '.join(files)}")
    return files[name]


def copy_samples(folder: str | Path, *, replace: bool = False) -> list[Path]:
    """Copy the samples into a folder (made if missing), where they may be changed; returns the files.

    >>> import tempfile
    >>> [path.name for path in copy_samples(tempfile.mkdtemp())][:2]
    ['plain.tif', 'plain.toml']
    """
    from linkcalc.files import atomic_write, made_folder, refuse_to_overwrite

    target = Path(folder)
    sources = sorted(p for p in samples_folder().iterdir() if p.suffix in (".toml", ".tif", ".csv"))
    copies = [target / source.name for source in sources]
    if not replace:
        refuse_to_overwrite(copies, "; --force replaces it")
    made_folder(target)
    for source, copy in zip(sources, copies, strict=True):
        atomic_write(copy, source.read_bytes())
    return copies
