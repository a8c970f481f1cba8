"""What may hurt in a test or remedy, told by the words that say what to do."""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType

from diagnose.knowledge.models import ConfirmingTest, Costed

HAZARDS: Mapping[str, re.Pattern[str]] = MappingProxyType(
    {
        name: re.compile(rf"\b(?:{words})\b", re.IGNORECASE)
        for name, words in {
            "heat": r"hot|hotter|heat(?![- ]?(?:sinks?|breaks?)\b)|heats|heated|heating|heaters?|preheat\w*|warm it|warm through"
            r"|warmed|melt\w*|burns?|boil\w*|glowing|dry it|dries|drying|cold pulls?|at printing temperature|and cold|cold and"
            r"|let it cool|block|M303|degrees higher|raise the nozzle by \d+ degrees|raise it by \d+ degrees",
            "motion": r"homing|home it|let it home|fingers?|while it (?:runs|moves|prints)|turning parts"
            r"|test print|print (?:a|an|the|it|two|one|again|some)|reprint\w*"
            r"|by hand|belts?|pulleys?|gears?|couplings?|idlers?|rollers?|bearings?|beams?|eccentric|frame|(?<!a )screws?"
            r"|springs?|levers?|fins|ducts?|raise (?:the )?(?:travel )?speed|(?<!upright )axis|axes|arms|motors?(?! steps)",
            "mains": r"mains|plugs?(?!-)|unplug\w*|power supply|supply unit|sockets?|wiring|rewire|terminals?|drivers?|fuses?",
            "fumes": r"fumes?|vapours?|solvents?|acetone|alcohol|isopropyl|sprays?|smoke",
            "ovens": r"ovens?|dehydrators?|filament dryers?",
            "fire": r"fires?|flames?|lighters?|torch(?:es)?|burning",
        }.items()
    }
)
"""What is touched, and the words that tell. They err on the side of asking for a caution."""
RUNS = "a running machine"


def hazards(entry: Costed) -> list[str]:
    """Return what a test or remedy touches that can hurt; a test that runs the machine touches heat and motion."""
    found = [name for name, words in HAZARDS.items() if words.search(entry.do)]
    if isinstance(entry, ConfirmingTest) and entry.machine_minutes > 0:
        found.append(RUNS)
    return found
