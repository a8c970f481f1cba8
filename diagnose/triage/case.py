"""A case in progress: answers in, ranking, ledger and next question out."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from diagnose.cases.journal import Case, Casebook, Journal, fold
from diagnose.errors import BadInput, nearest
from diagnose.knowledge.models import EFFORT_MINUTES, Cause, Question, Remedy
from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning import doubt, inquiry, ledger
from diagnose.reasoning.answers import Found, Report, Setaside, checked_answer, reports
from diagnose.reasoning.inference import Seen, posterior
from diagnose.reasoning.network import Array, Network, compile_network
from diagnose.triage import explain
from diagnose.triage.sources import card, expected_findings, machine_of
from diagnose.triage.views import Given, LedgerLine, NextStep, Suspect, TestView

if TYPE_CHECKING:
    from diagnose.toolpath.job import Job

JOB_STEP = "job"
JOB_EFFORT = "handle"
"""Finding and attaching the job file is about as much work as handling the part."""


@dataclass(frozen=True)
class Standing:
    """What the answers of a case come to."""

    network: Network
    reports: list[Report]
    aside: list[Setaside]
    warnings: list[str]
    links: ledger.Chain

    @cached_property
    def observed(self) -> dict[int, Seen]:
        return {i: seen for report in self.reports for i, seen in report.seen}

    @cached_property
    def shares(self) -> Array:
        return posterior(self.network, self.links.log_likelihoods[-1], self.links.temper)

    @cached_property
    def log_odds(self) -> Array:
        return ledger.log_odds(self.network, self.links.log_likelihoods[-1], self.links.temper)


class Triage:
    """One case: its answers, its job, and everything that follows from them.

    Every change is written to the journal before it counts, where there is a journal. Nothing here draws or prints.
    """

    def __init__(self, knowledge: Knowledge, journal: Journal | None = None, network: Network | None = None) -> None:
        self.knowledge = knowledge
        self.network = network or compile_network(knowledge)
        self.journal = journal
        self._events: list[dict[str, Any]] = journal.read() if journal else []
        self.case = self._folded()
        self._standing: Standing | None = None
        self._before: Array | None = None
        self._may_bring: tuple[str | None, dict[str, float]] | None = None
        """Printer card to the findings that a job run on it may bring, each with how far it will be believed."""

    @classmethod
    def start(cls, knowledge: Knowledge, casebook: Casebook, title: str = "", network: Network | None = None) -> Triage:
        """Start a new case in a casebook."""
        return cls(knowledge, casebook.start(title), network)

    @classmethod
    def resume(cls, knowledge: Knowledge, casebook: Casebook, id: str, network: Network | None = None) -> Triage:
        """Open an existing case with everything that was said; raises BadInput when there is none."""
        return cls(knowledge, casebook.open(id), network)

    # -- what the user does ------------------------------------------------------------------------------------------

    def answer(self, question: str, *answers: str) -> None:
        """Record an answer (several for a question that takes several, none of its options with no answers).

        Raises BadInput for an unknown question or answer; nothing is changed then.
        """
        given = checked_answer(self.knowledge, question, answers)
        kind = self.knowledge.questions[question].kind
        unknown = answers == ("unknown",) or (not given and kind == "one")
        self._record({"do": "answer", "question": question, "answers": None if unknown else list(given)})

    def unknown(self, question: str) -> None:
        """Record that the user cannot tell: it carries no weight, and the question is not asked again."""
        self.answer(question, "unknown")

    def take_back(self, question: str) -> None:
        """Take an answer back; the question may be asked again."""
        if question not in self.case.answers:
            raise BadInput(f"{question!r} has not been answered", nearest(question, self.case.answers))
        self._record({"do": "take-back", "question": question})

    def undo(self) -> bool:
        """Take back the last thing done; returns False when there was nothing."""
        if not self.case.events:
            return False
        self._record({"do": "undo"})
        return True

    def choose_printer(self, name: str | None) -> None:
        """Choose the printer card by id or path; raises BadInput for one that cannot be used."""
        if name is not None:
            card(self.knowledge, name)
            if name not in self.knowledge.printers:
                name = str(Path(name).absolute())  # the case may be resumed from another folder
        self._record({"do": "printer", "printer": name})

    def read_job(
        self,
        path: str | Path,
        progress: Callable[[float, str], None] | None = None,
        cancel: Callable[[], bool] | None = None,
        printer: str | None = None,
    ) -> Job:
        """Read and run a job file on a printer, the chosen one by default. Changes nothing: safe on another thread.

        Raises BadInput for a file that cannot be used.
        """
        from diagnose.toolpath.job import read_job

        name = printer or self.case.printer
        machine = machine_of(card(self.knowledge, name)) if name else None
        try:
            file = Path(path).expanduser()
        except RuntimeError as error:
            raise BadInput("there is no such home folder", "write the path out, without `~`", str(path)) from error
        if "\0" in str(file):
            raise BadInput("no path holds a zero character", "take it out", repr(str(path)))
        return read_job(file, machine, progress=progress, cancel=cancel)

    def attach(self, job: Job) -> None:
        """Take the findings of a job that was read into the case."""
        findings = [finding.as_json() for finding in job.findings]
        path = str(job.file.path.absolute())
        self._record({"do": "job", "job": {"path": path, "printer": self.case.printer, "findings": findings}})

    def believe(self, findings: Mapping[str, str], confidence: float) -> None:
        """Take stated findings (id to answer) into the case as if a job had shown them; for worked examples."""
        stated = [
            {"id": id, "answer": answer, "confidence": confidence, "because": "stated"} for id, answer in findings.items()
        ]
        self._record({"do": "job", "job": {"path": "", "findings": stated}})

    def detach(self) -> None:
        """Leave the job file out again."""
        self._record({"do": "job", "job": None})

    # -- what follows ------------------------------------------------------------------------------------------------

    @property
    def standing(self) -> Standing:
        """The answers lined up and weighed; worked out once after each change."""
        if self._standing is None:
            lined_up, aside, warnings = reports(self.knowledge, self.network, self.case.answers, self._found())
            ran_on = (self.case.job or {}).get("printer", self.case.printer)
            if ran_on != self.case.printer:
                warnings.append(
                    f"The job file was run on {f'the card {ran_on}' if ran_on else 'no printer card'}, "
                    "and another one is chosen now: attach it again."
                )
            self._standing = Standing(
                self.network, lined_up, aside, warnings, ledger.chain(self.network, lined_up)
            )
        return self._standing

    def ranking(self) -> list[Suspect]:
        """Return the causes, likeliest first; shares and `unexplained` sum to 1."""
        now = self.standing
        before = self._before if self._before is not None else now.log_odds
        change = now.log_odds - before
        order = sorted(range(1, len(now.shares)), key=lambda row: (-now.shares[row], row))
        causes = list(self.knowledge.causes.values())
        return [
            Suspect(
                causes[row - 1].id, causes[row - 1].name, causes[row - 1].family, float(now.shares[row]),
                float(change[row]),
            )
            for row in order
        ]  # fmt: skip

    @property
    def unexplained(self) -> float:
        """The share of *something not in the rules*."""
        return float(self.standing.shares[0])

    @property
    def unexplained_change(self) -> float:
        """What the last answer did to it, in decibans."""
        return float(self.standing.log_odds[0] - self._before[0]) if self._before is not None else 0.0

    def ledger(self, cause_id: str) -> list[LedgerLine]:
        """Return every piece of evidence for and against a cause; their decibans sum to its log-odds."""
        cause = self.cause(cause_id)
        row = self.network.row(cause_id)
        prior, each = ledger.weights(self.network, self.standing.links)
        context = {r.about: r.answers[0] for r in self.standing.reports if len(r.answers) == 1}
        lines = [explain.rate_line(self.knowledge, cause, float(prior[row]))]
        for report, weight in zip(self.standing.reports, each, strict=True):
            lines.append(explain.report_line(self.knowledge, cause, report, context, float(weight[row])))
        return lines

    def next_steps(self, most: int | None = None) -> list[NextStep]:
        """Return what is worth looking at, most information a minute first; attaching the job competes."""
        now = self.standing
        results = self.knowledge.result_questions()
        open_questions = [q for q in self.knowledge.questions if q not in self.case.answers and q not in results]
        settled = {f.fills for f in self.knowledge.findings.values() if f.fills and f.id in self._finding_ids()}
        told = {
            gain.about: gain
            for gain in inquiry.gains(
                self.network, [q for q in open_questions if q not in settled], now.observed, now.shares
            )
        }
        steps = [step for id in told if inquiry.is_worth((step := self._step(id, told)).bits, step.minutes)]
        if self.case.job is None:
            bits = inquiry.job_gain(self.network, self._job_may_bring(), now.observed, now.shares)
            if inquiry.is_worth(bits, EFFORT_MINUTES[JOB_EFFORT]):
                steps.append(
                    NextStep(JOB_STEP, "job", "Can you attach the job file (G-code) of this print?", bits,
                             JOB_EFFORT, EFFORT_MINUTES[JOB_EFFORT], (), ())
                )  # fmt: skip
        steps.sort(key=lambda step: (-inquiry.pace(step.bits, step.minutes), step.id))
        # Danger comes before any diagnosis; then everything else hangs on what is wrong with the part.
        for first in (self.knowledge.by_role("defect"), self.knowledge.danger_question()):
            if first is not None and first.id in open_questions:
                steps = [self._step(first.id, told)] + [step for step in steps if step.id != first.id]
        return steps[:most]

    def next_question(self) -> NextStep | None:
        """Return the best question to ask now, or None when no question is worth its effort."""
        return next((step for step in self.next_steps() if step.kind == "question"), None)

    @property
    def enough(self) -> bool:
        """True when a leader holds 90 % or nothing is worth asking."""
        return float(self.standing.shares[1:].max(initial=0.0)) >= inquiry.ENOUGH or self.next_question() is None

    def conflict(self) -> doubt.Conflict:
        """Return how badly the answers go together."""
        return doubt.conflict(self.network, self.standing.reports)

    def surprise(self) -> float:
        """Return how far below its expectation even the leader predicts the answers, in standard deviations."""
        now = self.standing
        if not now.reports or len(now.shares) < 2:
            return 0.0
        return doubt.surprise(self.network, now.links, int(np.argmax(now.shares[1:])) + 1)

    def doubts(self) -> list[str]:
        """Return, in sentences, what the user should look at again before believing the ranking."""
        said = list(self.standing.warnings)
        conflict = self.conflict()
        if conflict.spoken:
            asked = " and ".join(f'"{self._ask_of(id)}"' for id in conflict.answers)
            said.append(f"These answers do not go together ({conflict.bits:.1f} bits). Look again at {asked}.")
        told = [r for r in self.standing.reports if doubt.speaks(self.network, r)]
        if len(told) >= doubt.LEAST_REPORTS and self.surprise() < doubt.SURPRISE:
            said.append(
                "Even the first suspect explains these answers badly: "
                "it may be something that is not in the rules, or more than one cause at once."
            )
        if told and self.unexplained > float(self.standing.shares[1:].max(initial=0.0)):
            said.append(
                "The likeliest of all is something not in the rules: they know little of such a print, "
                "so look further than this list."
            )
        return said

    def alarms(self) -> list[str]:
        """Return what to do at once because an answer means danger; the interview waits for it."""
        found = []
        for id, given in self.case.answers.items():
            for answer in self.knowledge.questions[id].answers:
                if given and answer.id in given and answer.stop:
                    found.append(answer.stop)
        return found

    def confirming(self, cause_id: str) -> list[TestView]:
        """Return the confirming tests of a cause, those that tell most for their time first.

        While an alarm stands, tests that run the machine are left out: nobody should heat what may be burning.
        """
        now = self.standing
        views = []
        tests = [self.knowledge.tests[t] for t in self.cause(cause_id).confirm]
        if self.alarms():
            tests = [test for test in tests if test.machine_minutes == 0]
        told = inquiry.gains(self.network, {t.question for t in tests}, now.observed, now.shares, only_open=False)
        bits = {gain.about: gain.bits for gain in told}
        for test in tests:
            question = self.knowledge.questions[test.question]
            done = self.case.answers.get(question.id) is not None
            views.append(TestView(test, question, 0.0 if done else bits[question.id], done))
        return sorted(views, key=lambda v: (v.done, -v.bits / (v.test.minutes + v.test.machine_minutes / 10 + 1)))

    def remedies(self, cause_id: str) -> list[Remedy]:
        """Return the remedies of a cause in the order of its rule."""
        return [self.knowledge.remedies[r] for r in self.cause(cause_id).remedies]

    def given(self) -> list[Given]:
        """Return every answer and finding on the case, and whether it counts."""
        aside = {s.id: s.why for s in self.standing.aside}
        listed = []
        for id, answers in self.case.answers.items():
            question = self.knowledge.questions[id]
            counts = answers is not None and id not in aside
            why = aside.get(id, "" if counts else "you could not tell")
            listed.append(
                Given(id, "test" if id in self.knowledge.result_questions() else "question", question.ask,
                      answers or (), "can't tell" if answers is None else explain.say(self.knowledge, id, answers),
                      counts, why)
            )  # fmt: skip
        counted = {r.id for r in self.standing.reports}
        for finding in self._findings():
            known = self.knowledge.findings.get(finding["id"])
            if known:
                listed.append(
                    Given(known.id, "finding", known.name, (finding["answer"],),
                          explain.say(self.knowledge, known.id, (finding["answer"],)), known.id in counted,
                          aside.get(known.id, finding["because"]))
                )  # fmt: skip
        return listed

    def question(self, id: str) -> Question:
        """Return a question; raises BadInput when there is none of that id."""
        if id not in self.knowledge.questions:
            raise BadInput(f"there is no question {id!r}", nearest(id, self.knowledge.questions) or "`rules list` shows every id")
        return self.knowledge.questions[id]

    def cause(self, id: str) -> Cause:
        """Return a cause; raises BadInput when there is none of that id."""
        if id not in self.knowledge.causes:
            raise BadInput(f"there is no cause {id!r}", nearest(id, self.knowledge.causes) or "`rules list` shows every id")
        return self.knowledge.causes[id]

    # -- inside ------------------------------------------------------------------------------------------------------

    def _record(self, event: dict[str, Any]) -> None:
        before = self.standing.log_odds
        if self.journal is not None:
            self.journal.append(event)
            self._events = self.journal.read()  # another window may have the same case open
        else:
            self._events.append(event)
        self.case = self._folded()
        self._standing = None
        self._before = before

    def _folded(self) -> Case:
        """Answers to questions that the rules no longer have stay in the journal and are left out of the case."""
        case = fold(self.journal.id if self.journal else "unsaved", self._events)
        for id, given in list(case.answers.items()):
            try:
                checked_answer(self.knowledge, id, given or ("unknown",))
            except BadInput:
                del case.answers[id]
        return case

    def _findings(self) -> Sequence[dict[str, Any]]:
        return self.case.job["findings"] if self.case.job else ()

    def _finding_ids(self) -> set[str]:
        return {f["id"] for f in self._findings()}

    def _found(self) -> list[Found]:
        return [Found(f["id"], f["answer"], float(f["confidence"])) for f in self._findings()]

    def _job_may_bring(self) -> dict[str, float]:
        if self._may_bring is None or self._may_bring[0] != self.case.printer:
            machine = None
            if self.case.printer:
                with suppress(BadInput):  # a card that has gone is told when the job is read
                    machine = machine_of(card(self.knowledge, self.case.printer))
            expected = {id: sure for id, sure in expected_findings(machine).items() if id in self.network.of}
            self._may_bring = self.case.printer, expected
        return self._may_bring[1]

    def _ask_of(self, id: str) -> str:
        if id in self.knowledge.questions:
            return self.knowledge.questions[id].ask
        return self.knowledge.findings[id].name

    def _step(self, id: str, told: Mapping[str, inquiry.Gain]) -> NextStep:
        question = self.knowledge.questions[id]
        gain = told.get(id, inquiry.Gain(id, 0.0, ()))
        names = tuple(self.knowledge.causes[c].name for c in gain.tells_apart)
        return NextStep(
            question.id, "question", question.ask, gain.bits, question.effort, EFFORT_MINUTES[question.effort],
            names, gain.tells_apart,
        )  # fmt: skip
