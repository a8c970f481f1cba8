"""``diagnose rules``: check, test, list and show what the program knows."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

import click

from diagnose.cli.common import json_option, print_json, quiet_option, rules_option
from diagnose.cli.words import costs, indented, material, remedy
from diagnose.errors import BadInput, nearest
from diagnose.knowledge.builtin import rules_folder
from diagnose.knowledge.check import check as check_knowledge
from diagnose.knowledge.materials import Material
from diagnose.knowledge.models import Cause, ConfirmingTest, Coupon, Finding, Question, Remedy
from diagnose.knowledge.pack import Knowledge, load
from diagnose.reasoning.network import compile_network
from diagnose.triage import knowledge_from
from diagnose.triage.contract import rules_json
from diagnose.triage.facts import run_examples
from diagnose.triage.reach import Reach, reach
from diagnose.triage.sources import unpublished_findings
from diagnose.triage.wording import times

ANSWERS_ALONE, WITH_RESULTS = "answers_alone", "with_test_results"
KINDS = ("causes", "questions", "findings", "tests", "remedies", "printers", "materials", "coupons", "sources")


@click.group()
def rules() -> None:
    """Check, test, list and show the rules."""


@rules.command()
@rules_option
@json_option
@quiet_option
@click.option("--strict", is_flag=True, help="Advice counts as a fault too.")
@click.option("--reach", "reaching", is_flag=True, help="Try whether each cause comes first in a case made for it.")
def check(packs: tuple[Path, ...], as_json: bool, quiet: bool, strict: bool, reaching: bool) -> None:
    """Check every rule file and print all faults at once.

    Exits with 1 when there is a fault, or a cause that is not reached.
    """
    knowledge, problems = load([rules_folder(), *packs])
    problems += check_knowledge(knowledge) + unpublished_findings(knowledge)
    problems.sort()
    faults = [p for p in problems if p.hard or strict]
    reached = _reached(knowledge) if reaching and not any(p.hard for p in problems) else {}
    if as_json:
        print_json({
            "problems": [asdict(p) for p in problems], "faults": len(faults),
            **({"reach": {name: [asdict(r) | {"reached": r.reached} for r in found] for name, found in reached.items()}} if reaching else {}),
        })  # fmt: skip
    else:
        for problem in problems:
            if problem.hard or not quiet:
                click.echo(f"{problem}{'' if problem.hard else ' (advice)'}")
        counted = ", ".join(f"{len(getattr(knowledge, kind))} {kind}" for kind in KINDS)
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


@rules.command()
@rules_option
@json_option
@quiet_option
@click.option("--only", "containing", default="", metavar="TEXT", help="Run the examples whose name contains TEXT.")
def test(packs: tuple[Path, ...], as_json: bool, quiet: bool, containing: str) -> None:
    """Run the worked examples of the rules.

    Exits with 1 when one does not come out as it says.
    """
    knowledge = knowledge_from(packs)
    outcomes = run_examples(knowledge, compile_network(knowledge), containing)
    failed = [o for o in outcomes if not o.passed]
    if as_json:
        rows = [
            {"name": o.example.name, "passed": o.passed, "got": o.got, "failures": list(o.failures)} for o in outcomes
        ]
        print_json({"examples": rows, "passed": len(outcomes) - len(failed), "failed": len(failed)})
    else:
        for outcome in failed:
            click.echo(f"FAILED {outcome.example.name}: {'; '.join(outcome.failures)} (got {outcome.got})")
        if not quiet or failed:
            click.echo(f"{len(outcomes) - len(failed)} examples passed, {len(failed)} failed")
    sys.exit(1 if failed else 0)


@rules.command("list")
@rules_option
@json_option
@click.argument("kind", required=False, type=click.Choice(KINDS))
def list_(packs: tuple[Path, ...], as_json: bool, kind: str | None) -> None:
    """List causes, questions, findings, tests, remedies, printers, materials, coupons and sources."""
    knowledge = knowledge_from(packs)
    if as_json:
        print_json(rules_json(knowledge))
        return
    for name in [kind] if kind else KINDS:
        click.echo(name)
        for entry in getattr(knowledge, name).values():
            text = getattr(entry, "name", None) or getattr(entry, "ask", None) or getattr(entry, "cite", "")
            click.echo(f"  {entry.id:<28} {text}")
            if isinstance(entry, Question):
                for line in indented(", ".join(a.id for a in entry.answers), 31):
                    click.echo(line)


@rules.command()
@click.argument("id")
@rules_option
@json_option
def show(id: str, packs: tuple[Path, ...], as_json: bool) -> None:
    """Show one entry of the rules as a page: a cause, question, finding, test, remedy or material.

    Where entries of several kinds have the id, all are shown; as JSON, each under its kind.
    """
    knowledge = knowledge_from(packs)
    found = [(kind, getattr(knowledge, kind)[id]) for kind in KINDS if id in getattr(knowledge, kind)]
    if not found:
        known = [i for kind in KINDS for i in getattr(knowledge, kind)]
        raise BadInput(f"the rules have no {id!r}", nearest(id, known) or "`diagnose rules list` shows every id")
    if as_json:
        dumped = [entry.model_dump(mode="json", by_alias=True, exclude_none=True) for _, entry in found]
        print_json(dumped[0] if len(dumped) == 1 else {kind: entry for (kind, _), entry in zip(found, dumped, strict=True)})
        return
    for number, (kind, entry) in enumerate(found):
        if number:
            click.echo()
        origin = knowledge.origins[kind, id]
        over = f", over {origin.over}" if origin.over else ""
        click.echo(f"{id}  ({kind}, {origin}, pack {origin.pack}{over})")
        for line in _page(knowledge, entry):
            click.echo(line)


def _page(k: Knowledge, entry: object) -> Iterator[str]:
    if isinstance(entry, Cause):
        yield from _cause_page(k, entry)
    elif isinstance(entry, Question | Finding):
        yield from indented(entry.ask if isinstance(entry, Question) else f"{entry.name}: {entry.explain}", 2)
        if isinstance(entry, Question):
            if entry.look:
                yield from indented(entry.look, 2)
            for about, answers in entry.ask_if.items():
                yield f"  asked if {about} is {' or '.join(answers)}"
        for answer in entry.answers:
            picture = f"  {answer.picture}" if answer.picture else ""
            yield f"    {answer.id:<20} {answer.say}{picture}"
        speaking = [c.id for c in k.causes.values() if any(e.about == entry.id for e in c.evidence)]
        yield from indented(f"speaks for or against: {', '.join(speaking) or 'nothing yet'}", 2)
    elif isinstance(entry, ConfirmingTest):
        yield from indented(entry.do, 2)
        yield from indented(f"How to read it: {entry.how_to_read}", 2)
        yield from costs(entry, 2)
    elif isinstance(entry, Remedy):
        yield from remedy(entry)
    elif isinstance(entry, Coupon):
        yield from _coupon_page(k, entry)
    elif isinstance(entry, Material):
        yield from material(entry)
    else:
        yield from indented(str(getattr(entry, "cite", getattr(entry, "about", ""))), 2)


def _coupon_page(k: Knowledge, entry: Coupon) -> Iterator[str]:
    yield from indented(f"{entry.name} {entry.about}", 2)
    yield from indented(f"How to read it: {entry.reads}", 2)
    tests = {t.id for t in k.tests.values() if t.coupon == entry.id}
    confirms = [c.id for c in k.causes.values() if tests & set(c.confirm)]
    yield from indented(f"helps to confirm: {', '.join(confirms) or 'nothing yet'}", 2)
    for caution in entry.cautions:
        yield from indented(f"CAUTION: {caution}", 2)


def _cause_page(k: Knowledge, cause: Cause) -> Iterator[str]:
    yield f"  {cause.name}"
    yield from indented(cause.about, 2)
    yield f"  {cause.rate}; family {cause.family}; source: {cause.source or 'common practice'}"
    yield "  How it shows"
    for defect, seen in cause.defects.items():
        yield f"    {defect:<20} {seen.said}"
    yield "  Evidence"
    for index, line in enumerate(cause.evidence):
        given = "".join(f", when {q} is {' or '.join(a)}" for q, a in line.given.items())
        yield f"    {line.about} = {line.answer}: {line.seen.said}{given}"
        yield from indented(f"{line.because} [{k.lines.get((cause.id, index), '')}]", 6)
    if cause.misleads:
        yield from indented(f"Misleads: {cause.misleads}", 2)
    if cause.confirm:
        yield "  Confirm it with"
        for test in cause.confirm:
            coupon = f" (coupon {k.tests[test].coupon})" if k.tests[test].coupon else ""
            yield f"    {k.tests[test].name} [{test}]{coupon}"
    if cause.remedies:
        yield "  Cure it with"
        for name in cause.remedies:
            yield from (f"  {line}" for line in remedy(k.remedies[name]))
