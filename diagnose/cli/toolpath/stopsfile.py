"""The stops of one or more jobs as a CSV file, written whole or not at all."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path

from diagnose.cli.toolpath.reading import Told
from diagnose.errors import BadInput
from diagnose.whole import write_whole

COLUMNS = ("job", "printer", "line", "x_mm", "y_mm", "z_mm", "t_s", "length_s", "why")
HEADER = ",".join(COLUMNS)


def check_place(path: Path, jobs: Sequence[Path]) -> None:
    """Raise BadInput, before any work is done, where the file would destroy something else."""
    if str(path) == "-":
        return
    if path.is_dir():
        raise BadInput("this is a folder", "give the name of a file to write", f"--csv {path}")
    if not path.parent.is_dir():
        raise BadInput("there is no such folder", "make it first, or choose another place", f"--csv {path}")
    if path.exists():
        if not path.is_file():
            raise BadInput("this is no ordinary file", "write `--csv -` for standard output", f"--csv {path}")
        if any(job.exists() and path.samefile(job) for job in jobs):
            raise BadInput("this is the job itself", "give another name for the list of stops", f"--csv {path}")
        try:
            with path.open("rb") as file:
                start = file.read(len(HEADER))
        except OSError as fault:
            raise BadInput(
                f"the file that is there cannot be read ({fault.strerror or fault})", "choose another name", f"--csv {path}"
            ) from None
        if start and start != HEADER.encode():
            raise BadInput(
                "there is another file of this name, and it holds no stops",
                "choose another name, or move that file away", f"--csv {path}",
            )  # fmt: skip


def text_of(told: Sequence[Told]) -> str:
    """Return the stops of all jobs that were read, one a line, in the order of the jobs."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for one in told:
        for s in one.stops:
            writer.writerow(
                (one.path, one.printer or "", s["line"], s["x"], s["y"], s["z"], s["t_s"], s["length_s"], s["why"])
            )
    return out.getvalue()


def write(path: Path, told: Sequence[Told]) -> None:
    """Write the stops to a file; an older list of stops is replaced."""
    write_whole(path, text_of(told), f"--csv {path}")
