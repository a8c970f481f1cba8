"""What `printers add` tells of a card that was made: what in it comes from the job, and what is still to do."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from diagnose.cli.toolpath.draw import Pen
from diagnose.triage.newcard import Made


def report(made: Made, output: Path, pen: Pen) -> Iterator[str]:
    """Yield what was written and what is still to do."""
    if made.job is None:
        yield from pen.folded("", f"{output}: a printer card like {made.like}, for you to fill")
    else:
        count = f"{len(made.taken)} of its {made.numbers} numbers are" if made.taken else "none of its numbers is"
        yield from pen.folded("", f"{output}: a printer card like {made.like}; {count} taken from {made.job.name}")
    for name, said in _gathered(made):
        yield from pen.folded(f"  {name:<32} ", said)
    for s in made.left:
        yield from pen.folded("  left out: ", f"{s.field} {s.axis} {s.value:g} {s.unit} is of the other corner rule".replace("  ", " "))
    for said in made.told:
        yield from pen.folded("  ", said)
    yield from pen.folded(
        "", "The other numbers are generic. The ones worth measuring first: queue_moves, line_time_ms, checkpoint; write them "
        "as {value: 16, from: measured}.",
    )  # fmt: skip
    yield from pen.folded("", f"Try it: diagnose toolpath {made.job or 'JOB'} --printer {output}")


def _gathered(made: Made) -> Iterator[tuple[str, str]]:
    """Yield the numbers taken from the job, those of one kind and line together, with where they stand in the job."""
    groups: dict[tuple[str, int | None, str], list[str]] = {}
    for name, s in made.taken.items():
        short = name.removesuffix(f".{s.axis}") if s.axis else name
        groups.setdefault((short, s.line, s.because), []).append(f"{s.axis} {made.values[name]:g}".strip())
    for (short, line, because), values in groups.items():
        yield short, f"{', '.join(values)}  ({f'line {line:,}: ' if line else ''}{because})"
