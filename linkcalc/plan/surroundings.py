"""Terrain sources and the conditions the path is judged under."""

from collections.abc import Iterable
from typing import Any, Literal, Self

from pydantic import field_validator, model_validator

from linkcalc.errors import quoted
from linkcalc.plan.base import Section, assumed, optional, plain
from linkcalc.propagation.loss_models import RULES, governing_fault

GroundType = Literal["sea_water", "fresh_water", "wet_ground", "medium_dry_ground", "very_dry_ground"]

FOLIAGE_KEYS = ("conditions.leaf", "conditions.wet_foliage")
"""Keys of a file that matter where trees are known alone."""


class Terrain(Section):
    """Where the heights come from. Paths are relative to the plan file; a folder is all that is in it."""

    rasters: list[str] = plain(
        [],
        "ground elevation rasters (bare-earth): files, folders, patterns; the finest one that holds a "
        "point wins",
        examples=[["ground.tif"]],
    )
    surface_rasters: list[str] = plain(
        [],
        "surface models: the top of whatever stands there, same datum as the ground",
        examples=[["surface.tif"]],
    )
    canopy_rasters: list[str] = plain([], "canopy height above ground", examples=[["canopy.tif"]])
    land_cover_rasters: list[str] = plain(
        [],
        "land cover of 11 classes (10 trees, 50 built-up, ...): what surrounds the stations where they do not say, and "
        "what stands along the path where no surface or canopy shows it",
        examples=[["land_cover.tif"]],
    )
    surface_kind: Literal["trees", "building"] = assumed(
        "trees", "what stands between surface and ground along the path"
    )
    height_unit: Literal["m", "ft", "us_survey_ft"] | None = optional(
        "what the heights of all rasters count in, whatever the files say; default: what each file says, "
        "metres where it says nothing",
        examples=["ft"],
    )
    feet_rasters: list[str] = plain(
        [],
        "those of the rasters named above whose heights are in feet, whatever the files and height_unit say",
        examples=[["ground.tif"]],
    )
    network: bool = plain(
        False, "rasters may be read over the network (https://... in rasters); without it nothing ever is"
    )
    step_m: float | None = optional(
        "spacing of profile points; default: the finest raster's own spacing",
        gt=0,
        le=10_000,
        examples=[10.0],
    )
    largest_hole_m: float = assumed(
        250.0,
        "nodata holes along the path up to this length are bridged and reported; longer ones are an error",
        ge=0,
        le=100_000,
    )

    sea_without_data: bool = plain(
        False, "what no raster holds is open sea at 0 m (tiles of sea do not exist); never under a station"
    )

    @model_validator(mode="after")
    def _feet_of_what_is_named(self) -> Self:
        # a misspelt name would leave heights in feet to be read as metres
        named = [*self.rasters, *self.surface_rasters, *self.canopy_rasters]
        for name in self.feet_rasters:
            if name not in named:
                raise ValueError(
                    f"feet_rasters and the lists of rasters go together: {quoted(name)} is in none"
                )
        return self

    @property
    def shows_trees(self) -> bool:
        """Whether trees along a path may be known from a raster."""
        return bool(self.canopy_rasters or self.surface_rasters or self.land_cover_rasters)

    def reading(self) -> dict[str, Any]:
        """How its rasters are opened: keywords of `linkcalc.terrain.rasters.open_mosaic`."""
        return {"height_unit": self.height_unit, "feet": self.feet_rasters, "network": self.network}

    def idle_keys(self) -> Iterable[str]:
        if not self.surface_rasters:
            yield "surface_kind"
        if not self.rasters:
            yield "largest_hole_m"

    def implied(self) -> Iterable[tuple[str, Any, str]]:
        """What stands for a class of land cover along a path, and where it does."""
        if self.land_cover_rasters:
            # numpy comes with it; a plan alone does without
            from linkcalc.terrain.land_cover import BUILT_UP_M, REACH_M, TREES_M

            heights = f"trees {TREES_M:g} m, built-up land {BUILT_UP_M:g} m, all else 0"
            why = (
                f"Rec. ITU-R P.1812, table 2, where land cover is all that is known, {REACH_M:g} m and more from a "
                "station"
            )
            yield "heights along the path by land cover", heights, why


class Conditions(Section):
    """Refractivity, ground, foliage, and how much of the year is asked for."""

    delta_n: float | None = optional(
        "mean lapse of refractivity in the lowest kilometre, N-units/km", ge=10, le=150, examples=[45.0]
    )
    climate: Literal["temperate", "continental", "maritime", "desert", "subtropical", "equatorial"] = assumed(
        "temperate", "climate, for refractivity and its variation"
    )
    month: int | None = optional(
        "month of the refractivity (1 to 12); default: the year", ge=1, le=12, examples=[7]
    )
    surface_refractivity_n0: float | None = optional(
        "sea-level surface refractivity, N-units; default: the climate's", ge=250, le=400, examples=[325.0]
    )
    ground: GroundType = assumed("medium_dry_ground", "ground class for reflection", "Rec. ITU-R P.527")
    surface_roughness_m: float | None = optional(
        "rms height of the surface where the ray reflects (crop, furrows), m; default: from the profile",
        ge=0,
        le=20,
        examples=[0.1],
    )
    leaf: Literal["in_leaf", "out_of_leaf"] = assumed("in_leaf", "foliage state the verdict is for")
    wet_foliage: bool = assumed(True, "leaves may be wet")
    woodland_depth_m: float | None = optional(
        "depth of trees in the path when no raster or obstacle shows them, m",
        ge=0,
        le=20_000,
        examples=[50.0],
    )
    model_error_db: float | None = optional(
        "standard deviation of the path loss prediction before a site reading, dB; default: by kind of path, "
        "4.9 to 10",
        ge=0,
        le=30,
        examples=[9.0],
    )
    governing_model: str = plain(
        RULES,
        "the governing path loss model: linkcalc's rules, or as you choose delta_bullington, bullington, "
        "cascaded_knife_edges, p1812, irregular_terrain or one of your own; the uncertainty then holds how far it is "
        "from the rules",
    )
    installation_db: float = assumed(
        1.5,
        "loss of each installation that its parts do not show, dB; what surrounds a low antenna holds it already",
        "elevated links in the clear lose some 3 dB more than nominal (open measurements at 868 MHz)",
        ge=0,
        le=20,
    )
    surroundings_error_db: float = assumed(
        2.0,
        "standard deviation over the year of what no model holds: wet ground, crops, snow, vehicles, dB",
        ge=0,
        le=20,
    )
    antenna_gain_error_db: float = assumed(
        1.5, "standard deviation of each antenna's gain as mounted, dB", ge=0, le=10
    )
    height_error_m: float = assumed(
        0.5, "standard deviation of each antenna height above ground, m", ge=0, le=20
    )
    year_share_percent: float = assumed(
        99.0, "share of the year the message success is stated for, percent", ge=50, le=99.99
    )

    @field_validator("governing_model")
    @classmethod
    def _model_exists(cls, name: str) -> str:
        fault = governing_fault(name)
        if fault:
            raise ValueError(fault)
        return name

    @model_validator(mode="after")
    def _one_refractivity(self) -> Self:
        if self.delta_n is not None and self.month is not None:
            raise ValueError("give delta_n, or climate with month, not both")
        return self
