"""``diagnose rules check``: every fault of the rules at once, for people, editors and build servers."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any
from urllib.parse import quote

import click

from diagnose import __version__
from diagnose.cli.common import json_option, print_json, quiet_option, rules_option
from diagnose.cli.words import indented
from diagnose.knowledge.builtin import rules_folder
from diagnose.knowledge.check import check as check_knowledge
from diagnose.knowledge.pack import ENTRY_KINDS, Knowledge, load
from diagnose.knowledge.reader import Problem
from diagnose.reasoning.network import compile_network
from diagnose.triage.reach import Reach, reach
from diagnose.triage.sources import unpublished_findings
from diagnose.triage.wording import times

ANSWERS_ALONE, WITH_RESULTS = "answers_alone", "with_test_results"

@click.command()
@rules_option
@json_option
@quiet_option
@click.option("--sarif", "as_sarif", is_flag=True, help="Print SARIF 2.1.0, which editors and build servers show in place.")
@click.option("--strict", is_flag=True, help="Advice counts as a fault too.")
@click.option("--reach", "reaching", is_flag=True, help="Try whether each cause comes first in a case made for it.")
def check(packs: tuple[Path, ...], as_json: bool, quiet: bool, as_sarif: bool, strict: bool, reaching: bool) -> None:
    """Check every rule file and print all faults at once.

    Exits with 1 when there is a fault, or a cause that is not reached.
    """
    knowledge, problems = load([rules_folder(), *packs])
    problems += check_knowledge(knowledge) + unpublished_findings(knowledge)
    problems.sort()
    faults = [p for p in problems if p.hard or strict]
    reached = _reached(knowledge) if reaching and not any(p.hard for p in problems) else {}
    if as_sarif:
        print_json(sarif(problems, strict=strict))
    elif as_json:
        print_json({
            "problems": [asdict(p) for p in problems], "faults": len(faults),
            **({"reach": {name: [asdict(r) | {"reached": r.reached} for r in found] for name, found in reached.items()}} if reaching else {}),
        })  # fmt: skip
    else:
        for problem in problems:
            if problem.hard or not quiet:
                click.echo(f"{problem}{'' if problem.hard else ' (advice)'}")
        counted = ", ".join(f"{len(getattr(knowledge, kind))} {kind}" for kind in ENTRY_KINDS)
        if not quiet:
            click.echo(f"{counted}, {len(knowledge.examples)} examples: {times(len(faults), 'fault')}")
        for name, found in reached.items():
            for line in _reach_lines(name, found):
                click.echo(line)
    sys.exit(1 if faults or any(not r.reached for r in reached.get(ANSWERS_ALONE, ())) else 0)


def _reached(knowledge: Knowledge) -> dict[str, list[Reach]]:
    network = compile_network(knowledge)
    return {
        ANSWERS_ALONE: reach(knowledge, network), WITH_RESULTS: reach(knowledge, network, results=True)
    }  # fmt: skip


def _reach_lines(name: str, found: list[Reach]) -> Iterator[str]:
    missed = sorted((r for r in found if not r.reached), key=lambda r: r.share)
    for r in missed:
        yield f"{r.cause} is not reached: it has {r.share:.2f}, {r.rival or 'something not in the rules'} {r.rival_share:.2f}"
        said = "; ".join(f"{about}={','.join(r.answers[about]) or '-'}" for about in r.speaking)
        yield from indented(said or "no answer speaks of either", 4)
    yield f"{name.replace('_', ' ')}: {len(found) - len(missed)} of {times(len(found), 'cause')} reached"


def sarif(problems: Sequence[Problem], *, strict: bool = False) -> dict[str, Any]:
    """Return problems in the Static Analysis Results Interchange Format (OASIS standard, version 2.1.0)."""
    kinds = sorted({p.rule for p in problems})
    return {
        "version": "2.1.0",
        "$schema": "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json",
        "runs": [{
            "tool": {"driver": {"name": "diagnose", "version": __version__, "rules": [{"id": kind} for kind in kinds]}},
            "columnKind": "unicodeCodePoints",
            "results": [_result(p, kinds.index(p.rule), strict) for p in problems],
        }],
    }  # fmt: skip


def _result(problem: Problem, rule: int, strict: bool) -> dict[str, Any]:
    entry = f"{problem.id}: " if problem.id else ""
    result: dict[str, Any] = {
        "ruleId": problem.rule,
        "ruleIndex": rule,
        "level": "error" if problem.hard or strict else "note",
        "message": {"text": f"{entry}{problem.what}: {problem.instead}"},
    }
    if problem.file:
        result["locations"] = [{
            "physicalLocation": {
                "artifactLocation": {"uri": _uri(Path(problem.file))},
                "region": {"startLine": problem.line, "startColumn": problem.column},
            }
        }]  # fmt: skip
    return result


def _uri(file: Path) -> str:
    """Return a file as seen from the folder the check runs in, where it lies below that; else whole."""
    try:
        return quote(file.absolute().relative_to(Path.cwd()).as_posix())
    except ValueError:
        return file.absolute().as_uri()
