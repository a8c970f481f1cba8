"""One case in progress: the only thing that the faces talk to."""

from diagnose.triage.case import Triage
from diagnose.triage.sources import card, knowledge_from, machine_of
from diagnose.triage.views import Given, LedgerLine, NextStep, Suspect, TestView

__all__ = [
    "Given", "LedgerLine", "NextStep", "Suspect", "TestView", "Triage", "card", "knowledge_from", "machine_of",
]  # fmt: skip
