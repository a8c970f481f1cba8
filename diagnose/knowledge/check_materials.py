"""What must hold of materials, and of the sources that everything cites."""

from __future__ import annotations

from collections.abc import Iterator

from diagnose.errors import nearest
from diagnose.knowledge.models import FREE_SOURCES
from diagnose.knowledge.pack import Knowledge
from diagnose.knowledge.reader import Problem

DRYER_ERROR_C = 5.0
"""Dryers, ovens and heated beds miss their setting by as much (common practice, no source)."""


def drying_stays_below_softening(k: Knowledge) -> Iterator[Problem]:
    """Checks that no drying temperature reaches the softening point: the spool would fuse, and may start a fire."""
    for m in k.materials.values():
        at, least = m.drying.at_c, m.softens_c.least
        path = ("drying", "at_c")
        if at >= least:
            yield k.problem(
                "materials", m.id, path, f"is dried at {at:g} °C and softens from {least:g} °C",
                f"write at most {least - DRYER_ERROR_C:g}: dryers miss their setting by some degrees",
            )  # fmt: skip
        elif at > least - DRYER_ERROR_C:
            yield k.problem(
                "materials", m.id, path, f"is dried at {at:g} °C, near the {least:g} °C from which it softens",
                f"write at most {least - DRYER_ERROR_C:g}: dryers miss their setting by some degrees", hard=False,
            )  # fmt: skip


def printing_is_hotter_than_softening(k: Knowledge) -> Iterator[Problem]:
    """Checks that the nozzle is hotter than the softening point and the bed: anything else is a slip of the pen."""
    for m in k.materials.values():
        below = max(m.softens_c.least, m.bed_c.most)
        if m.nozzle_c.least <= below:
            yield k.problem(
                "materials", m.id, ("nozzle_c",), f"is printed from {m.nozzle_c.least:g} °C, no hotter than {below:g} °C",
                "the nozzle is hotter than the bed and than the softening point: look at all three",
            )  # fmt: skip


def figures_name_known_sources(k: Knowledge) -> Iterator[Problem]:
    """Checks the source of every number of a material."""
    for m in k.materials.values():
        for path, figure in m.figures():
            source = figure.source
            if source not in FREE_SOURCES and source not in k.sources and ("sources", source) not in k.broken:
                yield k.problem(
                    "materials", m.id, (*path, "source"), f"the source {source!r} is not known",
                    nearest(source, [*k.sources, *FREE_SOURCES]) or "add it under `sources:` or write `from memory`",
                )  # fmt: skip


def sources_are_cited(k: Knowledge) -> Iterator[Problem]:
    """Checks (softly) that every source is cited by some entry."""
    cited = {m.source for m in k.materials.values()} | {
        figure.source for m in k.materials.values() for _, figure in m.figures()
    }
    for kind in ("causes", "questions", "findings", "tests", "remedies", "printers"):
        cited |= {entry.source for entry in getattr(k, kind).values()}
    cited |= {line.source for cause in k.causes.values() for line in cause.evidence}
    for source in k.sources.values():
        if source.id not in cited:
            yield k.problem(
                "sources", source.id, (), "no entry cites it", "cite it where a number rests on it, or take it out",
                hard=False,
            )  # fmt: skip


MATERIAL_CHECKS = (
    drying_stays_below_softening, printing_is_hotter_than_softening, figures_name_known_sources, sources_are_cited,
)  # fmt: skip
