"""Plastics: what they weigh, where they soften, how they are dried and printed, with a source for every number."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from diagnose.knowledge.models import Entry, Part, Text

GAS_CONSTANT = 8.314462618
"""J/(mol K), exact since 2019 (CODATA)."""
WATER_KG_PER_MOL = 0.018015268
ATMOSPHERE_PA = 101_325.0
ZERO_CELSIUS_K = 273.15

Celsius = Annotated[float, Field(ge=-100, le=500)]
Percent = Annotated[float, Field(ge=0, le=30)]


class Sourced(Part):
    """A number, or several that belong together, with the source they are from."""

    source: Text
    """``common practice``, ``from memory`` or the id of an entry under ``sources``."""
    note: Text | None = None
    """Why it is what it is, where that is not plain."""


class Density(Sourced):
    """Mass of the solid plastic in g/cm3."""

    value: float = Field(gt=0.3, le=10)


class _Range(Sourced):
    @model_validator(mode="after")
    def _rises(self) -> _Range:
        least, most = self.bounds
        if least > most:
            raise PydanticCustomError(
                "rule", "{what}",
                {"what": f"goes from {least:g} to {most:g}", "instead": "write the smaller number under `from`"},
            )  # fmt: skip
        return self

    @property
    def bounds(self) -> tuple[float, float]:
        """Least and most."""
        raise NotImplementedError


class Temperatures(_Range):
    """A range of temperatures in degrees Celsius."""

    least: Celsius = Field(alias="from")
    most: Celsius = Field(alias="to")

    @property
    def bounds(self) -> tuple[float, float]:
        return self.least, self.most

    @property
    def middle(self) -> float:
        """To the degree."""
        return float(round((self.least + self.most) / 2))


class Softening(Temperatures):
    """Where the plastic softens; ``from`` is the first grade to give way.

    The glass transition tells it for plastics without crystals. Those with crystals stay stiff above theirs, so the
    Vicat temperature, at which a loaded needle sinks in by 1 mm, tells it for them.
    """

    measure: Literal["glass-transition", "vicat"]


class Uptake(_Range):
    """Water taken up, in percent of the mass, after long storage at 23 degrees and half humidity."""

    least: Percent = Field(alias="from")
    most: Percent = Field(alias="to")

    @property
    def bounds(self) -> tuple[float, float]:
        return self.least, self.most


class Limit(Sourced):
    """Most water, in percent of the mass, with which it prints well."""

    value: float = Field(gt=0, le=30)


class Drying(Sourced):
    """How a spool is dried: degrees Celsius and hours."""

    at_c: Celsius
    hours: float = Field(gt=0, le=200)


class Water(Sourced):
    """How water gets at the plastic, and how much it bears."""

    sensitivity: Literal["low", "moderate", "high", "very-high"]
    uptake_percent: Uptake | None = None
    limit_percent: Limit | None = None


class Material(Entry):
    """One plastic."""

    name: Text = Field(max_length=70)
    about: Text
    density_g_cm3: Density
    softens_c: Softening
    drying: Drying
    water: Water
    nozzle_c: Temperatures
    bed_c: Temperatures

    def figures(self) -> Iterator[tuple[tuple[str, ...], Sourced]]:
        """Yield the path of every number in the entry, and the number with its source."""
        for name in ("density_g_cm3", "softens_c", "drying", "water", "nozzle_c", "bed_c"):
            yield (name,), getattr(self, name)
        for name in ("uptake_percent", "limit_percent"):
            figure = getattr(self.water, name)
            if figure is not None:
                yield ("water", name), figure

    def metres_per_kg(self, diameter_mm: float) -> float:
        """Return the length of a kilogram of round filament, in m: mass over density and area."""
        return 1e3 / self.density_g_cm3.value / (math.pi * diameter_mm**2 / 4)

    def steam_volume(self, water_percent: float, celsius: float) -> float:
        """Return the volume of the steam that water in the plastic becomes, as a multiple of the plastic's volume.

        Ideal gas at atmospheric pressure, w rho R T / (M p) with w the share of water by mass; steam is within 1 % of
        it at printing temperatures.
        """
        moles = water_percent / 100 * self.density_g_cm3.value * 1e3 / WATER_KG_PER_MOL  # in a m3 of plastic
        return moles * GAS_CONSTANT * (celsius + ZERO_CELSIUS_K) / ATMOSPHERE_PA
