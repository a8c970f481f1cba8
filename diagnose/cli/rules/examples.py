"""``diagnose rules test``: the worked examples, and what made one fail."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from xml.etree import ElementTree

import click

from diagnose.cli.common import json_option, print_json, quiet_option, rules_option
from diagnose.cli.words import indented
from diagnose.reasoning.network import compile_network
from diagnose.triage import knowledge_from
from diagnose.triage.examples import Outcome, run_examples
from diagnose.whole import write_whole


@click.command()
@rules_option
@json_option
@quiet_option
@click.option("--only", "containing", default="", metavar="TEXT", help="Run the examples whose name contains TEXT.")
@click.option("--junit", metavar="FILE", type=click.Path(path_type=Path), help="Write the results as JUnit XML too.")
def test(packs: tuple[Path, ...], as_json: bool, quiet: bool, containing: str, junit: Path | None) -> None:
    """Run the worked examples of the rules.

    Exits with 1 when one does not come out as it says.
    """
    knowledge = knowledge_from(packs)
    outcomes = run_examples(knowledge, compile_network(knowledge), containing)
    if junit is not None:
        write_whole(junit, as_junit(outcomes), f"--junit {junit}")
    failed = [o for o in outcomes if not o.passed]
    if as_json:
        print_json({
            "examples": [_row(o) for o in outcomes], "passed": len(outcomes) - len(failed), "failed": len(failed)
        })  # fmt: skip
    else:
        for outcome in failed:
            click.echo(f"FAILED {outcome.example.name}" + (f"  [{outcome.origin}]" if outcome.origin else ""))
            for failure in outcome.failures:
                for line in (f"expected: {failure.cause} {failure.expected}", f"got: {failure.got} ({outcome.got})"):
                    for part in indented(line, 4, 2):
                        click.echo(part)
                if failure.because:
                    for part in indented(f"because of: {failure.because}", 4, 2):
                        click.echo(part)
        if not quiet or failed:
            click.echo(f"{len(outcomes) - len(failed)} examples passed, {len(failed)} failed")
    sys.exit(1 if failed else 0)


def _row(outcome: Outcome) -> dict[str, object]:
    return {
        "name": outcome.example.name,
        "passed": outcome.passed,
        "got": outcome.got,
        "failures": [str(f) for f in outcome.failures],
        "told": [{"cause": f.cause, "expected": f.expected, "got": f.got, "because": f.because} for f in outcome.failures],
        "file": outcome.origin.file if outcome.origin else "",
        "line": outcome.origin.line if outcome.origin else 0,
    }


def as_junit(outcomes: Sequence[Outcome]) -> bytes:
    """Return the outcomes in the XML that build servers read: one test case each, named by file and example."""
    failed = sum(not o.passed for o in outcomes)
    suite = ElementTree.Element("testsuite", name="rules", tests=str(len(outcomes)), failures=str(failed), errors="0")
    for outcome in outcomes:
        where = outcome.origin.short or outcome.origin.file if outcome.origin else ""
        case = ElementTree.SubElement(suite, "testcase", classname=where, name=outcome.example.name)
        if outcome.origin:
            case.set("file", outcome.origin.file)
            case.set("line", str(outcome.origin.line))
        for failure in outcome.failures:
            told = ElementTree.SubElement(case, "failure", message=f"{failure.got}, not {failure.expected}")
            told.text = f"got {outcome.got}\n{failure.because}"
    whole = ElementTree.Element("testsuites")
    whole.append(suite)
    return bytes(ElementTree.tostring(whole, encoding="utf-8", xml_declaration=True))
