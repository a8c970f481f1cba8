"""Writing the case from within the interview: as a page, or as answers that can be ranked again."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from diagnose.cli.report import FORMATS
from diagnose.errors import BadInput
from diagnose.triage import Triage
from diagnose.triage.report import report as report_of
from diagnose.whole import write_whole

ANSWERS = (".yaml", ".yml")


def save(triage: Triage, name: str) -> Path:
    """Write the case into a new file; returns its path. The end of its name says what is written.

    Raises BadInput for another end, or where a file is there already or cannot be written.
    """
    try:
        path = Path(name).expanduser()
    except RuntimeError as error:
        raise BadInput("there is no such home folder", "write the path out, without `~`", name) from error
    if "\0" in name:
        raise BadInput("no path holds a zero character", "take it out", repr(name))
    if path.suffix in ANSWERS:
        text = answers(triage)
    elif path.suffix in FORMATS:
        text = FORMATS[path.suffix](report_of(triage))
    else:
        raise BadInput(f"a case is saved as {', '.join([*FORMATS, *ANSWERS])}", f"call it {path.stem or 'case'}.html", name)
    write_whole(path, text, name, new=True)
    return path


def answers(triage: Triage) -> str:
    """Return the answers of a case, its job and its printer as `diagnose rank` reads them; measured marks stay with the case."""
    import yaml

    case = triage.case
    told: dict[str, Any] = {"answers": {id: ["unknown"] if given is None else list(given) for id, given in case.answers.items()}}
    told["answers"] = {id: given[0] if len(given) == 1 else given for id, given in told["answers"].items()}
    if case.tried:
        told["tried"] = dict(case.tried)
    if case.job and case.job.get("path"):
        told["job"] = str(case.job["path"])
    if case.printer:
        told["printer"] = case.printer
    return yaml.safe_dump(told, sort_keys=False, allow_unicode=True, width=110)
