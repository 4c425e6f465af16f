"""What pyproject.toml cannot say: the samples at the top of the repository are shipped inside the package."""

from setuptools import find_packages, setup

setup(
    packages=[*find_packages(include=["linkcalc", "linkcalc.*"]), "linkcalc.samples"],
    package_dir={"linkcalc.samples": "terrain_samples"},
)
