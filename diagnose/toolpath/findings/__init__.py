"""What the engine can say of a job by itself, each with figures, confidence and the lines that show it."""

from diagnose.toolpath.findings import commands, filament, layers, outline, supply  # noqa: F401  (they register themselves)
from diagnose.toolpath.findings.ground import Ground
from diagnose.toolpath.findings.registry import REGISTRY, Finding, find

__all__ = ["REGISTRY", "Finding", "Ground", "find"]
