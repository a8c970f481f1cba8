"""A case in progress: answers in, ranking, ledger and next question out."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from diagnose.cases.book import Casebook
from diagnose.cases.journal import Case, Journal, fold
from diagnose.errors import BadInput, nearest
from diagnose.knowledge.models import Cause, Question, Remedy
from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning import doubt, inquiry, ledger
from diagnose.reasoning.answers import Found, Report, Setaside, checked_answer, checked_trial, reports
from diagnose.reasoning.inference import Seen, posterior
from diagnose.reasoning.network import Array, Network, compile_network
from diagnose.reasoning.trials import CURED
from diagnose.triage import account, cure, explain, filing, steps
from diagnose.triage import marks as marked
from diagnose.triage.manual import Section, cause_page
from diagnose.triage.sources import card, machine_of
from diagnose.triage.views import Given, LedgerLine, NextStep, Suspect, TestView

if TYPE_CHECKING:
    from diagnose.marks.model import Marks
    from diagnose.toolpath.job import Job


ZERO, TURN = "right", "ccw"
"""How a part is held when angles are measured, where nobody says: from the x axis, as angles are counted in G-code."""


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
        return posterior(self.network, self.links.log_likelihoods[-1], self.links.temper, self.links.marks)

    @cached_property
    def log_odds(self) -> Array:
        return ledger.log_odds(self.network, self.links.log_likelihoods[-1], self.links.temper, self.links.marks)


class Triage:
    """One case: its answers, its job, and everything that follows from them.

    Every change is written to the journal before it counts, where there is a journal. Nothing here draws or prints.
    """

    def __init__(self, knowledge: Knowledge, journal: Journal | None = None, network: Network | None = None) -> None:
        self.knowledge = knowledge
        self.compiled = network or compile_network(knowledge)
        """The rules as a network, whatever the print."""
        self.journal = journal
        self._events: list[dict[str, Any]] = journal.read() if journal else []
        self.case = self._folded()
        self.network = self._of_this_print()
        """The same with the rates of the printer and the plastic, where something was learnt of them."""
        self._standing: Standing | None = None
        self._before: Array | None = None
        self._job: Job | None = None
        """The job file as read last, so that marks typed later need not read it again."""
        self.asks = marked.asks(knowledge)
        """Cause id to what it asks of the marks, of those that ask anything."""
        self._others: list[Case] | None = None
        self._digests: dict[str, str | None] = {}
        """Path of a job that was read to the digest of its bytes."""
        self._may_bring: tuple[str | None, dict[str, float]] | None = None
        """Printer card to the findings that a job run on it may bring, each with how far it will be believed."""

    @classmethod
    def start(
        cls, knowledge: Knowledge, casebook: Casebook, title: str = "", network: Network | None = None, follows: str = ""
    ) -> Triage:
        """Start a new case in a casebook, of what remains of another one where ``follows`` names that."""
        return cls(knowledge, casebook.start(title, follows), network)

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
        self.record({"do": "answer", "question": question, "answers": None if unknown else list(given)})

    def unknown(self, question: str) -> None:
        """Record that the user cannot tell: it carries no weight, and the question is not asked again."""
        self.answer(question, "unknown")

    def take_back(self, question: str) -> None:
        """Take an answer back; the question may be asked again."""
        if question not in self.case.answers:
            raise BadInput(f"{question!r} has not been answered", nearest(question, self.case.answers))
        self.record({"do": "take-back", "question": question})

    def try_remedy(self, remedy: str, result: str) -> None:
        """Record what came of a remedy, `cured`, `better` or `no-change`, in place of what was said of it before.

        A cure closes the case, with the causes it was against. Raises BadInput for an unknown remedy or result; nothing
        is changed then.
        """
        checked_trial(self.knowledge, remedy, result)
        event: dict[str, Any] = {"do": "tried", "remedy": remedy, "result": result}
        if result == CURED:
            event |= {"closes": True, "causes": list(cure.causes_met(self, remedy))}
        self.record(event)
        filing.file_if_closed(self)

    def forget_trial(self, remedy: str) -> None:
        """Take back what was said of a remedy; the case is open again where that closed it."""
        if remedy not in self.case.tried:
            raise BadInput(f"{remedy!r} has not been tried", nearest(remedy, self.case.tried))
        self.record({"do": "tried", "remedy": remedy, "result": None})

    def undo(self) -> bool:
        """Take back the last thing done; returns False when there was nothing."""
        if not self.case.events:
            return False
        self.record({"do": "undo"})
        return True

    def choose_printer(self, name: str | None) -> None:
        """Choose the printer card by id or path; raises BadInput for one that cannot be used."""
        if name is not None:
            card(self.knowledge, name)
            if name not in self.knowledge.printers:
                name = str(Path(name).absolute())  # the case may be resumed from another folder
        self.record({"do": "printer", "printer": name})

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
        job = read_job(file, machine, progress=progress, cancel=cancel)
        self._digests[str(job.file.path)] = filing.digest(job.file.path)  # here, where nobody waits for a key
        return job

    def attach(self, job: Job, weighed: dict[str, Any] | None = None) -> None:
        """Take the findings of a job that was read into the case, and what the marks on the case say on it.

        ``weighed`` is what `weigh` returned for this job, where that was done on another thread; else it is done here.
        """
        findings = [finding.as_json() for finding in job.findings]
        path = str(job.file.path.absolute())
        self._job = job
        taken = {"path": path, "printer": self.case.printer, "findings": findings, "bytes": job.file.bytes}
        sha256 = self._digests.get(str(job.file.path))
        event: dict[str, Any] = {"do": "job", "job": taken | ({"sha256": sha256} if sha256 else {})}
        if self.marks is not None:
            event["weighed"] = weighed or self.weigh(self.marks, job)
        self.record(event)

    def believe(self, findings: Mapping[str, str], confidence: float) -> None:
        """Take stated findings (id to answer) into the case as if a job had shown them; for worked examples."""
        stated = [
            {"id": id, "answer": answer, "confidence": confidence, "because": "stated"} for id, answer in findings.items()
        ]
        self.record({"do": "job", "job": {"path": "", "findings": stated}})

    def detach(self) -> None:
        """Leave the job file out again; marks stay on the case and wait for another one."""
        self._job = None
        self.record({"do": "job", "job": None})

    @staticmethod
    def read_marks(path: str | Path, zero: str | None = None, turn: str | None = None) -> Marks:
        """Read a CSV file of marks; raises BadInput, with the line, for one that cannot be used."""
        from diagnose.marks.reading import read_marks

        return read_marks(Path(path), zero=zero or ZERO, turn=turn or TURN)

    @staticmethod
    def typed_marks(lines: Sequence[str], zero: str | None = None, turn: str | None = None) -> Marks:
        """Return marks typed one a line, such as ``12.4 @ 35``; raises BadInput that names the line it cannot read."""
        from diagnose.marks.reading import typed_marks

        return typed_marks(lines, zero=zero or ZERO, turn=turn or TURN)

    def weigh(
        self,
        marks: Marks,
        job: Job | None = None,
        progress: Callable[[float, str], None] | None = None,
        cancel: Callable[[], bool] | None = None,
    ) -> dict[str, Any] | None:
        """Hold marks against a job, the one on the case by default; returns the JSON of what they say.

        Changes nothing: safe on another thread. None where the case has no job file. Raises BadInput where its job file
        cannot be read any more.
        """
        job = job or self.job_again(progress, cancel)
        if job is None:
            return None
        ran_on = self.case.printer if job is not self._job else (self.case.job or {}).get("printer", self.case.printer)
        return marked.weigh(self.knowledge, marks, job, ran_on, self.asks, progress, cancel)

    def advice(
        self, progress: Callable[[float, str], None] | None = None, cancel: Callable[[], bool] | None = None
    ) -> dict[str, Any] | None:
        """Return what would each alone keep the job on the case from starving, found by running it again on its printer.

        None where it does not starve, and where there is no job or no printer card. Raises BadInput where the job file
        cannot be read any more.
        """
        job = self.job_again(progress, cancel)
        run = job.run if job else None
        if job is None or run is None or not (len(run.stops) or len(run.dips) or run.anywhere.share > 0):
            return None
        from diagnose.toolpath.summary import advice_json

        found = job.advise(progress, cancel)
        return advice_json(found) if found else None

    def put_marks(self, marks: Marks, weighed: dict[str, Any] | None = None, source: str = "") -> None:
        """Take measured marks into the case, in place of any before; ``weighed`` is what `weigh` returned for them."""
        event = {"do": "marks", "marks": {"columns": marked.packed(marks), "source": source}}
        self.record({**event, "weighed": weighed} if weighed else event)

    def drop_marks(self) -> None:
        """Leave the marks out again."""
        self.record({"do": "marks", "marks": None})

    # -- what follows ------------------------------------------------------------------------------------------------

    @property
    def standing(self) -> Standing:
        """The answers lined up and weighed; worked out once after each change."""
        if self._standing is None:
            weighed = self.weighed
            lined_up, aside, warnings = reports(
                self.knowledge, self.network, self.case.answers, self._found(),
                tried=self.case.tried, marks_measured=weighed is not None and weighed.enough,
            )  # fmt: skip
            ran_on = (self.case.job or {}).get("printer", self.case.printer)
            if ran_on != self.case.printer:
                warnings.append(
                    f"The job file was run on {f'the card {ran_on}' if ran_on else 'no printer card'}, "
                    "and another one is chosen now: attach it again."
                )
            spoken = None
            if weighed is not None:
                spoken = weighed.decibans(self.asks) or None
                warnings += account.of_marks(weighed, self.asks)
            links = ledger.chain(self.network, lined_up, self.network.temper, spoken)
            self._standing = Standing(self.network, lined_up, aside, warnings, links)
        return self._standing

    @property
    def marks(self) -> Marks | None:
        """The marks measured on the part, or None."""
        if self.case.marks is None:
            return None
        with suppress(ValueError):  # a journal changed by hand
            return marked.unpacked(self.case.marks["columns"])
        return None

    @property
    def weighed(self) -> marked.Weighed | None:
        """What the marks say on the job attached; None without marks, or while there is no job to hold them against."""
        return marked.Weighed.of(self.case.weighed) if self.case.weighed else None

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
        for report, weight in zip(self.standing.reports, each, strict=False):
            lines.append(explain.report_line(self.knowledge, cause, report, context, float(weight[row])))
        weighed = self.weighed
        if weighed is not None and self.standing.links.marks is not None:
            lines.append(explain.marks_line(self.knowledge, cause, weighed, self.asks.get(cause_id), float(each[-1][row])))
        return lines

    def next_steps(self, most: int | None = None) -> list[NextStep]:
        """Return what is worth looking at, most information a minute first; job file and marks compete.

        Nothing is, once the case is closed.
        """
        return [] if self.case.cured else steps.next_steps(self)[:most]

    def next_question(self) -> NextStep | None:
        """Return the best question to ask now, or None when none is worth its effort or the case is closed."""
        return None if self.case.cured else steps.next_question(self)

    @property
    def enough(self) -> bool:
        """True when a leader holds 90 %, nothing is worth asking, or the case is closed."""
        return float(self.standing.shares[1:].max(initial=0.0)) >= inquiry.ENOUGH or self.next_question() is None

    @property
    def defect(self) -> str | None:
        """The answer to what is wrong with the part, or None."""
        question = self.knowledge.by_role("defect")
        given = self.case.answers.get(question.id) if question is not None else None
        return given[0] if given else None

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
        return account.doubts(self)

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
        """Return every answer and finding on the case, and the marks, and whether each counts."""
        return account.given(self)

    def manual(self, cause_id: str) -> list[Section]:
        """Return all that the rules say of a cause, as a page, with the closed cases of this casebook."""
        return cause_page(self.knowledge, self.network, self.cause(cause_id), self.other_cases())

    def other_cases(self) -> list[Case]:
        """Return the cases of the casebook that this one is kept in, as they were when it was opened."""
        if self._others is None:
            self._others = Casebook(self.journal.path.parent).cases() if self.journal else []
        return self._others

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

    def record(self, event: dict[str, Any]) -> None:
        """Write an event to the case, before it counts."""
        before = self.standing.log_odds
        if self.journal is not None:
            self.journal.append(event)
            self._events = self.journal.read()  # another window may have the same case open
        else:
            self._events.append(event)
        self.case = self._folded()
        self.network = self._of_this_print()
        self._standing = None
        self._before = before

    def _of_this_print(self) -> Network:
        plastic = self.knowledge.by_role("material")
        said = self.case.answers.get(plastic.id) if plastic is not None else None
        return self.compiled.for_print(self.case.printer, said[0] if said else None)

    def _folded(self) -> Case:
        """Answers and remedies that the rules no longer have stay in the journal and are left out of the case."""
        case = fold(self.journal.id if self.journal else "unsaved", self._events)
        for id, given in list(case.answers.items()):
            try:
                checked_answer(self.knowledge, id, given or ("unknown",))
            except BadInput:
                del case.answers[id]
        for remedy, result in list(case.tried.items()):
            with suppress(BadInput):
                checked_trial(self.knowledge, remedy, result)
                continue
            del case.tried[remedy]
        return case

    def found(self) -> Sequence[dict[str, Any]]:
        """The findings of the job on the case, as they were computed."""
        return self.case.job["findings"] if self.case.job else ()

    def _finding_ids(self) -> set[str]:
        return {f["id"] for f in self.found()}

    def _found(self) -> list[Found]:
        return [Found(f["id"], f["answer"], float(f["confidence"])) for f in self.found()]

    def job_may_bring(self) -> dict[str, float]:
        """Return the findings that a job run on the chosen printer may bring, each with how far it will be believed."""
        if self._may_bring is None or self._may_bring[0] != self.case.printer:
            self._may_bring = self.case.printer, steps.job_may_bring(self)
        return self._may_bring[1]

    def job_again(
        self, progress: Callable[[float, str], None] | None, cancel: Callable[[], bool] | None
    ) -> Job | None:
        """Return the job on the case, read again where it was not read by this program run."""
        told = self.case.job
        if not told or not told.get("path"):
            return None
        if self._job is None or str(self._job.file.path.absolute()) != told["path"]:
            self._job = self.read_job(told["path"], progress, cancel, told.get("printer"))
        return self._job
