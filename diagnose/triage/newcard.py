"""A printer card of one's own: started from another card, filled with what a job says, explained in comments."""

from __future__ import annotations

import json
import tempfile
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel

from diagnose.errors import BadInput
from diagnose.knowledge.cards import Accelerations, Known, Printer, Speeds
from diagnose.knowledge.pack import Knowledge
from diagnose.triage.sources import card, card_number, machine_of
from diagnose.whole import write_whole

if TYPE_CHECKING:
    from diagnose.toolpath.jobfile import JobFile
    from diagnose.toolpath.settings import Setting

WIDTH = 110
IN_MS = ".least_move_ms"
"""The one number a job states in another unit than the card."""


@dataclass
class Made:
    """A new card as text, and what in it comes from the job."""

    id: str
    like: str
    job: Path | None
    text: str
    taken: dict[str, Setting] = field(default_factory=dict)
    """Dotted name of the number to the setting it was taken from."""
    values: dict[str, float] = field(default_factory=dict)
    """The same numbers in the units of the card."""
    left: list[Setting] = field(default_factory=list)
    """What the job says and the card cannot hold, such as limits by another corner rule."""
    told: list[str] = field(default_factory=list)
    """What else the job says of the printer, as sentences; nothing of it stands on a card."""
    numbers: int = 0
    ruled: Mapping[str, float | str] = field(default_factory=dict)
    """What changes with the corner rule that the job speaks of."""
    measured: Mapping[str, float] = field(default_factory=dict)
    """Dotted name to a number that somebody measured."""
    chosen: Mapping[str, Any] = field(default_factory=dict)
    """Dotted name to what somebody chose in place of what is no number."""

    def as_json(self, output: Path | None) -> dict[str, Any]:
        """Return what was made as plain data."""
        return {
            "id": self.id,
            "like": self.like,
            "job": None if self.job is None else str(self.job),
            "file": None if output is None else str(output),
            "from_job": [
                {"name": name, "value": self.values[name], "line": s.line, "because": s.because}
                for name, s in self.taken.items()
            ],
            "told": self.told,
            "text": self.text,
        }


def check_place(output: Path | None, force: bool) -> None:
    """Raise BadInput, before any work is done, where the card cannot be written."""
    if output is None:
        return
    where = f"-o {output}"
    if output.suffix not in (".yaml", ".yml"):
        raise BadInput("a printer card is a YAML file", f"call it {output.stem or 'my-printer'}.yaml", where)
    if output.is_dir() or not output.parent.is_dir():
        raise BadInput("there is no such folder", "make it first, or choose another place", where)
    if output.exists() and not force:
        raise BadInput("there is a file of this name already", "choose another name, or say --force", where)


def make(
    id: str,
    name: str | None,
    start: Printer,
    job: Path | None,
    known: Sequence[Printer],
    progress: Callable[[float, str], None] | None = None,
    cancel: Callable[[], bool] | None = None,
) -> Made:
    """Return a card that starts as `start` and takes what the job says."""
    made = Made(id, start.id, job, "", numbers=len(list(start.numbers())))
    replaced: dict[str, float | str] = {}
    if job is not None:
        from diagnose.toolpath.jobfile import read_file
        from diagnose.toolpath.settings import settings

        file = read_file(job, progress, cancel)
        if progress:
            progress(1.0, "done")
        found = settings(file)
        replaced = _rule(found, start, known)
        rule = replaced.get("motion.corner.rule", start.motion.corner.rule)
        for setting in found:
            dotted = card_number(setting.field) + (f".{setting.axis}" if setting.axis else "")
            if setting.field == ("corner_step" if rule == "radius" else "corner_deviation"):
                made.left.append(setting)
                continue
            made.taken[dotted] = setting
            made.values[dotted] = setting.value * (1000.0 if dotted.endswith(IN_MS) else 1.0)
        made.told = list(_told(file, made.values.get("hot_end.filament_mm", start.hot_end.filament_mm.value)))
    made.numbers = len({*(n for n, _, _ in start.numbers()), *made.taken, *(n for n in replaced if n.count(".") > 2)})
    made.ruled = replaced
    made.text = "\n".join(_lines(made, name, start, replaced)) + "\n"
    return made


def remade(made: Made, id: str, name: str | None, start: Printer, measured: Mapping[str, float], chosen: Mapping[str, Any]) -> Made:
    """Return a card made before, with what somebody measured and chose over what it said; its corner rule stays."""
    values = {n: v for n, v in made.values.items() if n not in measured}
    taken = {n: s for n, s in made.taken.items() if n not in measured}
    anew = replace(made, id=id, values=values, taken=taken, measured=dict(measured), chosen=dict(chosen))
    anew.text = "\n".join(_lines(anew, name, start, made.ruled)) + "\n"
    return anew


def check(made: Made, knowledge: Knowledge) -> None:
    """Raise BadInput unless the card reads back as it was meant, every number in its range."""
    with tempfile.TemporaryDirectory(prefix="diagnose-card-") as folder:
        path = Path(folder) / "card.yaml"
        path.write_text(made.text, encoding="utf-8")
        _read_back(made, knowledge, path)


def _read_back(made: Made, knowledge: Knowledge, path: Path) -> None:
    try:
        read = card(knowledge, str(path))
    except BadInput as fault:
        line = made.text.splitlines()[int(fault.where.split(":")[-2]) - 1].strip() if fault.where.count(":") >= 2 else ""
        raise BadInput(
            f"{'with what the job says ' if made.job else ''}this is no sound card: {fault.what}" + (f" ({line})" if line else ""),
            fault.hint or "start from another card with --like", str(made.job or made.id),
        ) from None  # fmt: skip
    machine_of(read)
    found = {name: (value, origin) for name, value, origin in read.numbers()}
    for name, value in made.values.items():
        if found.get(name) != (value, "job"):
            raise BadInput(f"the card would not hold {name} {value:g} as the job says it", "", str(made.job))
    for name, value in made.measured.items():
        if found.get(name) != (value, "measured"):
            raise BadInput(f"the card would not hold {name} {value:g}", "", made.id)


def write(made: Made, output: Path, force: bool) -> None:
    """Write the card whole or not at all, and never over a file that is there unless told to."""
    write_whole(output, made.text, f"-o {output}", new=not force)


def _rule(found: Sequence[Setting], start: Printer, known: Sequence[Printer]) -> dict[str, float | str]:
    """Return what changes on the card when the job's limits speak of the other corner rule than the card.

    A job that states both leaves the card's rule. Numbers of the other rule that it does not state come from another
    card that has them.
    """
    said = {s.field for s in found} & {"corner_step", "corner_deviation"}
    want = {"corner_step": "step", "corner_deviation": "radius"}.get(next(iter(said))) if len(said) == 1 else None
    if want is None or want == start.motion.corner.rule:
        return {}
    other = next((p for p in known if p.motion.corner.rule == want), None)
    if other is None:
        return {}
    numbers = {n: v for n, v, _ in other.numbers() if n.startswith("motion.corner.")}
    return {"motion.corner.rule": want, **numbers}


def _told(file: JobFile, filament_mm: float) -> Iterator[str]:
    """Yield what the job says that is of use to a person who fills the card."""
    from diagnose.toolpath.settings import implied_width
    from diagnose.toolpath.summary import bounds, heat

    told = heat(file)
    warm = [f"{name} {v['most']:.0f} degrees" for name, v in (("nozzle", told["nozzle_c"]), ("bed", told["bed_c"])) if v and v["most"] > 0]
    if warm:
        yield f"The job heats: {', '.join(warm)}."
    box = bounds(file)
    if box["x"] and box["y"] and box["z"] and box["x"][1] > box["x"][0]:
        spans = ", ".join(f"{axis} {box[axis][0]:.1f} to {box[axis][1]:.1f}" for axis in "xyz")
        yield f"It draws within {spans} mm: the bed is that large at least."
    width = implied_width(file, filament_mm)
    if width == width:
        yield f"With filament of {filament_mm:g} mm its outer lines are {width:.2f} mm wide; a nozzle is seldom wider than its lines."


def _lines(made: Made, name: str | None, start: Printer, replaced: Mapping[str, float | str]) -> Iterator[str]:
    """Yield the text of the card: every number, with what it is and where it came from."""
    source = f" and what {made.job.name} says of its printer" if made.job else ""
    yield from _comment(f"A printer card, begun from {made.like!r}{source}. Numbers marked `from: job` are the job's; those "
                        "without a mark are generic and believed by half at most. Write what you measure as "
                        "{value: 1500, from: measured}: it is believed by 0.95.", "")  # fmt: skip
    for said in made.told:
        yield from _comment(said, "")
    yield "printers:"
    yield f"  - id: {made.id}"
    yield f"    name: {json.dumps(name or f'{start.name}, my own', ensure_ascii=False)}"
    yield f"    about: {json.dumps(f'Begun from the card {start.id}.', ensure_ascii=False)}"
    yield f"    from: {start.origin}"
    explain = Printer.explain()
    for group in ("motion", "supply", "checkpoint", "hot_end", "drive", "bed", "printing"):
        if getattr(start, group) is None:
            continue
        yield ""
        yield f"    {group}:"
        yield from _part(getattr(start, group), f"{group}.", "      ", made, replaced, explain)


def _part(
    part: BaseModel, prefix: str, indent: str, made: Made, replaced: Mapping[str, float | str], explain: Mapping[str, str]
) -> Iterator[str]:
    for name in type(part).model_fields:
        dotted = f"{prefix}{name}"
        value = made.chosen.get(dotted, getattr(part, name))
        if dotted == "motion.corner":
            yield from _corner(value, indent, made, replaced, explain)
            continue
        if value is None:
            continue
        yield from _comment(explain.get(dotted, ""), indent)
        if isinstance(value, Known):
            yield f"{indent}{name}: {_number(dotted, value, made)}{_because(made, dotted)}"
        elif isinstance(value, Accelerations | Speeds):
            yield from _axes(value, dotted, indent, made)
        else:
            yield f"{indent}{name}: {json.dumps(value) if isinstance(value, bool) else value}"


def _corner(
    corner: Any, indent: str, made: Made, replaced: Mapping[str, float | str], explain: Mapping[str, str]
) -> Iterator[str]:
    """Yield the corner rule, which the job may have changed together with its numbers."""
    rule = replaced.get("motion.corner.rule", corner.rule)
    yield from _comment(explain.get("motion.corner.rule", ""), indent)
    yield f"{indent}corner:"
    yield f"{indent}  rule: {rule}"
    number = "motion.corner.deviation_mm" if rule == "radius" else "motion.corner.step_mm_s"
    yield from _comment(explain.get(number, ""), f"{indent}  ")
    if rule == "radius":
        held = corner.deviation_mm or Known[float].model_validate({"value": replaced[number]})
        yield f"{indent}  deviation_mm: {_number(number, held, made)}{_because(made, number)}"
    else:
        held = corner.step_mm_s or Speeds.model_validate({axis: replaced[f"{number}.{axis}"] for axis in "xyze"})
        yield from _axes(held, number, f"{indent}  ", made)


def _axes(axes: Accelerations | Speeds, dotted: str, indent: str, made: Made) -> Iterator[str]:
    yield f"{indent}{dotted.rpartition('.')[2]}:"
    for axis in type(axes).model_fields:
        name = f"{dotted}.{axis}"
        yield f"{indent}  {axis}: {_number(name, getattr(axes, axis), made)}{_because(made, name)}"


def _number(dotted: str, known: Known[Any], made: Made) -> str:
    if dotted in made.measured:
        return f"{{value: {_plain(made.measured[dotted])}, from: measured}}"
    if dotted in made.values:
        return f"{{value: {_plain(made.values[dotted])}, from: job}}"
    if known.origin is not None:
        return f"{{value: {_plain(known.value)}, from: {known.origin}}}"
    return _plain(known.value)


def _plain(value: float) -> str:
    """Return a number as YAML takes it: never 1e-05, which is a word to it."""
    if isinstance(value, int) or value == int(value):
        return str(int(value))
    return f"{value:.10f}".rstrip("0")


def _because(made: Made, dotted: str) -> str:
    """Return where the number stands in the job, as a comment."""
    s = made.taken.get(dotted)
    if s is None:
        return ""
    text = "".join(c if c.isprintable() else "?" for c in s.because)
    return f"    # line {s.line}: {text}" if s.line else f"    # {text}"


def _comment(text: str, indent: str) -> Iterator[str]:
    yield from textwrap.wrap(text, WIDTH, initial_indent=f"{indent}# ", subsequent_indent=f"{indent}# ")
