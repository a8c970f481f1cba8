"""What a coupon is printed with: the room it may take, temperatures, limits, and a person's own start and end lines."""

from __future__ import annotations

import re
from dataclasses import dataclass

from diagnose.errors import BadInput
from diagnose.knowledge.cards import Bed, Printer, Printing
from diagnose.knowledge.materials import Material
from diagnose.toolpath.machine import Machine


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """One printer made ready with one plastic."""

    printer: str
    """Name of its card."""
    machine: Machine
    bed: Bed
    printing: Printing
    nozzle_c: float
    bed_c: float
    density: float
    """g/cm3."""
    heat_range: tuple[float, float]
    """Coolest and hottest that the nozzle may print this plastic with, within what the card allows, degrees C."""
    plastic: str
    """Name of the material, empty where none was named."""

    @property
    def middle(self) -> tuple[float, float]:
        """Middle of the bed, mm."""
        if self.bed.zero == "middle":
            return 0.0, 0.0
        return self.bed.width_mm.value / 2, self.bed.depth_mm.value / 2

    @property
    def line_width(self) -> float:
        """mm, an eighth wider than the nozzle (common practice, no source)."""
        return round(1.125 * self.machine.nozzle_diameter, 3)

    @property
    def layer_height(self) -> float:
        """mm, half the nozzle (common practice, no source)."""
        return round(0.5 * self.machine.nozzle_diameter, 3)

    def speed_for(self, wished: float, *, width: float | None = None, height: float | None = None) -> float:
        """Return the speed in mm/s nearest to what is wished that leaves a fifth of the melt rate and of the axes' speed free."""
        section = (width or self.line_width) * (height or self.layer_height)
        axes = min(self.machine.axis_speed[:2])
        return min(wished, 0.8 * self.machine.melt_rate / section, 0.8 * axes)


def setup_for(
    printer: Printer,
    machine: Machine,
    *,
    material: Material | None = None,
    nozzle_c: float | None = None,
    bed_c: float | None = None,
    space: str | None = None,
) -> Setup:
    """Return what a coupon is printed with: what is said here wins over the card, and the card over the material.

    Parameters
    ----------
    machine
        The same card as the engine sees it.
    space
        Room of the bed as ``220x220x250``, mm, zero in its front left corner; by default the card's.

    Raises
    ------
    BadInput
        The room or a temperature is not known, or hotter than the card allows.
    """
    bed = bed_of(space) if space else printer.bed
    if bed is None:
        raise BadInput(
            f"the printer card {printer.id!r} does not say how large the bed is",
            "give --space WIDTHxDEPTHxHEIGHT in mm, such as 220x220x250, or write `bed:` into your own card",
        )
    printing = printer.printing or Printing()
    own = [None if known is None else known.value for known in (printing.nozzle_c, printing.bed_c)]
    usual = [None, None] if material is None else [material.nozzle_c.middle, material.bed_c.middle]
    nozzle, plate = (_first(*wishes) for wishes in zip((nozzle_c, bed_c), own, usual, strict=True))
    if nozzle is None or plate is None:
        which, option = ("nozzle", "--nozzle 210") if nozzle is None else ("bed", "--bed 60")
        raise BadInput(
            f"how hot the {which} shall be is not known",
            f"give {option} (degrees C, see the label of the spool; --bed 0 without a heater), or --material, or `printing:` in your card",
        )
    for what, asked, most, option in (
        ("nozzle", nozzle, printing.nozzle_most_c.value, "--nozzle"),
        ("bed", plate, printing.bed_most_c.value, "--bed"),
    ):
        if asked > most:
            raise BadInput(
                f"{asked:g} degrees C is hotter than the {most:g} this card allows the {what}",
                "choose a cooler temperature or plastic; raise the limit in your card only if the maker of the hot end allows it",
                option,
            )
        if asked < 0:
            raise BadInput(f"{asked:g} degrees C is no temperature for the {what}", "0 leaves a bed unheated", option)
    if nozzle < COLDEST_NOZZLE_C:
        raise BadInput(
            f"at {nozzle:g} degrees C no plastic leaves a nozzle", f"give at least {COLDEST_NOZZLE_C:g}", "--nozzle"
        )
    density = material.density_g_cm3.value if material is not None else printing.density_g_cm3.value
    least, most = (nozzle - HEAT_ROOM_C, nozzle + HEAT_ROOM_C) if material is None else material.nozzle_c.bounds
    coolest, hottest = max(COLDEST_NOZZLE_C, min(least, nozzle)), min(printing.nozzle_most_c.value, max(most, nozzle))
    return Setup(
        printer=printer.name, machine=machine, bed=bed, printing=printing, nozzle_c=float(nozzle), bed_c=float(plate),
        density=float(density), heat_range=(float(coolest), float(hottest)), plastic="" if material is None else material.name,
    )  # fmt: skip


HEAT_ROOM_C = 10.0
"""How far from the temperature that was asked for an unnamed plastic may be printed (common practice, no source)."""
COLDEST_NOZZLE_C = 150.0
"""Below it boards refuse to push filament (common practice, no source)."""


def bed_of(space: str) -> Bed:
    """Return the bed written as ``220x220x250``.

    Raises
    ------
    BadInput
        When it is not three lengths.
    """
    found = re.fullmatch(r"\s*([\d.]+)\s*[x*,]\s*([\d.]+)\s*[x*,]\s*([\d.]+)\s*", space)
    try:
        wide, deep, high = (float(part) for part in found.groups()) if found else (0.0, 0.0, 0.0)
    except ValueError:
        wide = deep = high = 0.0
    if not all(20 <= side <= 5000 for side in (wide, deep, high)):
        raise BadInput(
            f"{space!r} is no room for a print", "write width, depth and height in mm, such as 220x220x250", "--space"
        )
    return Bed.model_validate({"width_mm": wide, "depth_mm": deep, "height_mm": high})


def _first(*values: float | None) -> float | None:
    return next((value for value in values if value is not None), None)
