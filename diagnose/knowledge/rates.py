"""What time and things are worth: the rates by which costs of unlike kinds are added up."""

from __future__ import annotations

from pydantic import Field

from diagnose.knowledge.models import Costed, Part


class Rates(Part):
    """A shop's own rates, in its own currency. A pack changes the ones it states, and leaves the others alone.

    The values the program starts with are plain guesses of ours for a small shop (common practice, no source).
    """

    hour: float = Field(20.0, ge=0)
    """Of a person's attention."""
    machine_hour: float = Field(1.0, ge=0)
    """Of the machine, wear and power included."""
    kilogram: float = Field(25.0, ge=0)
    """Of filament."""
    help: float = Field(120.0, ge=0)
    """Giving up: somebody else takes over and cures it."""
    print_minutes: float = Field(5.0, ge=0)
    """Attention that the print takes which shows whether a remedy cured."""
    print_machine_minutes: float = Field(60.0, ge=0)
    print_grams: float = Field(20.0, ge=0)

    def cost(self, what: Costed) -> float:
        """Return what a test or remedy costs, without the print that verifies it."""
        return self._sum(what.minutes, what.machine_minutes, what.grams) + what.money

    @property
    def verifying_print(self) -> float:
        """What the print costs that shows whether a remedy cured."""
        return self._sum(self.print_minutes, self.print_machine_minutes, self.print_grams)

    def _sum(self, minutes: float, machine_minutes: float, grams: float) -> float:
        return minutes / 60 * self.hour + machine_minutes / 60 * self.machine_hour + grams / 1000 * self.kilogram
