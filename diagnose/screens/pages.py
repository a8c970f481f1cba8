"""What the pages say: why a question is asked, the whole ledger, tests and remedies, the keys."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from textual.app import App
from textual.binding import ActiveBinding, Binding
from textual.content import Content
from textual.screen import Screen

from diagnose.knowledge.models import Cause, Costed, Question, Remedy
from diagnose.knowledge.pack import Knowledge
from diagnose.screens import look
from diagnose.screens.dialogs import Page, text_page
from diagnose.screens.panels import largest_first, ledger_line
from diagnose.triage import Given, LedgerLine, NextStep, TestView, Triage
from diagnose.triage.explain import say_result
from diagnose.triage.manual import Section
from diagnose.triage.similar import Similar
from diagnose.triage.wording import cost, decibans, percent


def why_page(question: Question, step: NextStep | None) -> Page:
    """Return what the answer of a question is worth now."""
    said: list[str | Content] = [look.styled(question.ask, look.BOLD)]
    if any(answer.stop for answer in question.answers):
        said.append("One of its answers means danger: it is asked early, whatever else it tells.")
    if step is None:
        said.append("You chose this question yourself; it is not one that would tell much now.")
    else:
        said.append(
            f"Its answer is expected to tell {step.bits:.2f} bits about which cause it is (one bit halves the doubt), "
            f"for {look.minutes(step.minutes)} of your time."
        )
        if step.tells_apart:
            said.append("It would best tell apart:")
            said.append(look.lines(Content(f"  {look.plain(name)}") for name in step.tells_apart))
    if question.look:
        said.append(look.styled(f"How to look: {question.look}", look.QUIET))
    return text_page("Why this question", said)


class LedgerPage(Page):
    """Everything for and against a cause; one key leads on to all that the rules say of it."""

    BINDINGS = [
        Binding("r", "manual", "All the rules say", id="manual-page", tooltip="Everything the rules say of this cause, as a page."),
    ]

    def __init__(self, title: str, build: Callable[[int], Content], manual: Callable[[], Page]) -> None:
        super().__init__(title, build)
        self.manual = manual

    def action_manual(self) -> None:
        """Lay the page of the manual over this one."""
        self.app.push_screen(self.manual())


def ledger_page(
    cause: Cause, lines: Sequence[LedgerLine], asked: Mapping[str, str], share: float, manual: Callable[[], Sequence[Section]]
) -> Page:  # fmt: skip
    """Return everything for and against a cause, with the place of each rule, and what it adds up to.

    ``manual`` makes what the rules say of the cause, once somebody wants to read it.
    """
    total = sum(line.decibans for line in lines)

    def build(width: int) -> Content:
        parts = [
            *look.fold(cause.about, width),
            Content(""),
            look.styled(
                "Weights in decibans: +10 makes a cause ten times as likely against all others, -10 ten times less. "
                "Each is taken given the answers before it; together they make the share.",
                look.QUIET,
            ),
            Content(""),
        ]
        for line in largest_first(lines):
            parts += [ledger_line(line, asked.get(line.id, ""), width, whole=True), Content("")]
        parts.append(Content.assemble((f"{decibans(total)} dB together", "bold"), f", a share of {percent(share)}"))
        if cause.misleads:
            parts += [Content(""), look.hang(Content("It misleads: "), cause.misleads, width)]
        return look.lines(parts)

    return LedgerPage(f"Why {cause.name}", build, lambda: manual_page(cause.name, manual()))


def manual_page(title: str, sections: Sequence[Section]) -> Page:
    """Return an entry of the rules as a page of the manual."""
    return Page(title, lambda width: laid_sections(sections, width))


def laid_sections(sections: Sequence[Section], width: int) -> Content:
    """Return sections of the manual laid out in a width."""
    tones = {"plain": "", "strong": look.BOLD, "quiet": look.QUIET}
    parts: list[Content] = []
    for section in sections:
        parts += [Content("")] if parts else []
        parts.append(look.styled(section.title, look.STRONG))
        for line in section.lines:
            if line.tone == "caution":
                parts += (Content("  " * line.inside) + each for each in caution(line.text, width - 2 * line.inside).split("\n"))
            else:
                indent = Content("  " * line.inside)
                parts.append(look.hang(indent, look.styled(line.text, tones[line.tone]), width))
    return look.lines(parts)


def similar_page(found: Sequence[Similar], k: Knowledge) -> Page:
    """Return the solved cases like one at hand: what they were, what cured them, and which answers say so."""

    def build(width: int) -> Content:
        parts: list[Content] = [] if found else [Content("No solved case of this casebook is like it yet.")]
        for one in found:
            case = one.case
            parts += [Content("")] if parts else []
            parts.append(look.hang(Content(f"{one.distance:.2f}  "), look.styled(case.title or case.id, look.BOLD), width))
            remedy = k.remedies.get(case.cured.remedy) if case.cured else None
            named = k.causes[one.cause].name if one.cause in k.causes else one.cause
            was = f"It was: {named}" + (f"; cured by: {remedy.name}" if remedy else "")
            parts.append(look.hang(Content("      "), look.plain(was), width))
            for word, abouts in (("alike", one.agree), ("unlike", one.differ)):
                asked = [k.asked(about) for about in abouts[:SHOWN_ANSWERS]]
                said = "; ".join(a.ask if isinstance(a, Question) else a.name for a in asked if a is not None)
                if said:
                    parts.append(look.hang(Content(f"      {word}: "), look.plain(said), width, look.QUIET))
        return look.lines(parts)

    return Page("Solved cases like this one: 0 is the same, 1 nothing in common", build)


SHOWN_ANSWERS = 3
"""Answers named beside a solved case."""


def steps_rows(steps: Sequence[NextStep]) -> list:  # type: ignore[type-arg]
    """Return the open steps as rows to choose from."""

    def row(step: NextStep, width: int) -> Content:
        worth = f"{step.bits:.2f} bits, {look.minutes(step.minutes)}"
        apart = f"; tells apart: {' / '.join(step.tells_apart[:2])}" if step.tells_apart else ""
        return look.lines(
            [*look.fold(step.ask, width), look.hang(Content("  "), worth + apart, width, look.QUIET)]
        )  # fmt: skip

    return [lambda width, step=step: row(step, width) for step in steps]


def caution(text: str, width: int) -> Content:
    """Return a caution: a word and a sign, never colour alone."""
    return look.hang(Content.styled("▲ CAUTION: ", "bold $alarm"), text, width)


WHILE_DANGER = (
    "While the danger stands, tests that run the machine are left out: make safe first. "
    "They come back when the answer is taken back."
)


class CurePage(Page):
    """How to confirm and cure one cause. A digit records the result of that test; the result is its question."""

    BINDINGS = [
        Binding(str(n), f"record({n})", "Record a result", show=n == 1, key_display="1-9" if n == 1 else None,
                id=f"record-{n}", tooltip="Record the result of the test of that number.")
        for n in range(1, 10)
    ]  # fmt: skip

    def __init__(
        self, cause: Cause, tests: Sequence[TestView], remedies: Sequence[Remedy], tried: Mapping[str, str],
        danger: bool = False,
    ) -> None:  # fmt: skip
        super().__init__(cause.name, self._text)
        self.cause, self.tests, self.remedies = cause, tests, remedies
        self.tried = tried
        """Remedy id to what came of it."""
        self.danger = danger
        """Whether an alarm stands."""

    def action_record(self, number: int) -> None:
        """Close with the question that takes the result of a test."""
        if number <= len(self.tests):
            self.dismiss(self.tests[number - 1].question.id)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """A test must be there to have a result."""
        if action == "record":
            return len(self.tests) >= int(str(parameters[0])) or None
        return super().check_action(action, parameters)

    def why_not(self, action: str) -> str:
        """Return why no result can be recorded."""
        count = len(self.tests)
        return f"There is no test of that number; the numbers go to {count}." if count else "There is no test to record."

    def _text(self, width: int) -> Content:
        parts: list[Content] = [*look.fold(self.cause.about, width), Content("")]
        if self.danger:
            parts = [look.hang(Content.styled("▲ ", "bold $alarm"), WHILE_DANGER, width), Content(""), *parts]
        parts.append(look.styled("To confirm it", look.STRONG))
        if not self.tests:
            parts.append(Content("None without running the machine." if self.danger else "The rules name no test for this cause."))
        for number, view in enumerate(self.tests, 1):
            parts += self._test(number, view, width)
        parts += [Content(""), look.styled("To cure it", look.STRONG)]
        if not self.remedies:
            parts.append(Content("The rules name no remedy for this cause."))
        for remedy in self.remedies:
            parts += self._remedy(remedy, width)
        return look.lines(parts)

    def _test(self, number: int, view: TestView, width: int) -> Iterable[Content]:
        test = view.test
        state = "result recorded" if view.done else f"would tell {view.bits:.2f} bits"
        yield Content("")
        yield look.hang(
            Content.styled(f"{number}  ", look.ACCENT),
            Content.assemble((look.plain(test.name), "bold"), (f"  {state}", look.QUIET)), width,
        )  # fmt: skip
        yield from body(test, width)
        yield look.hang(Content("   How to read it: "), test.how_to_read, width)

    def _remedy(self, remedy: Remedy, width: int) -> Iterable[Content]:
        yield Content("")
        state = f"  tried: {say_result(self.tried[remedy.id])}" if remedy.id in self.tried else ""
        name = Content.assemble((look.plain(remedy.name), "bold"), (state, look.QUIET))
        yield look.hang(Content.styled("•  ", look.ACCENT), name, width)
        yield from body(remedy, width)


def body(entry: Costed, width: int) -> Iterable[Content]:
    """Yield a test or remedy below its name: caution first, what to do, what it costs, wears and gives up."""
    indent = Content("   ")
    if entry.caution:
        yield from (indent + line for line in caution(entry.caution, width - 3).split("\n"))
    yield look.hang(indent, entry.do, width)
    yield look.hang(indent, f"Costs {cost(entry.minutes, entry.machine_minutes, entry.grams, entry.money)}.", width, look.QUIET)
    if entry.wear:
        yield look.hang(Content("   It wears: "), entry.wear, width)
    if entry.gives_up:
        yield look.hang(Content("   It gives up: "), entry.gives_up, width)


def help_page(active: Iterable[ActiveBinding], display: Mapping[str, str]) -> Page:
    """Return the keys that work now, from the live bindings, those of the screen before those that move a cursor.

    `display` maps keys to how they are written.
    """
    active = sorted(active, key=lambda a: 0 if isinstance(a.node, Screen) else 1 if isinstance(a.node, App) else 2)
    groups: dict[tuple[str, str], list[str]] = defaultdict(list)
    dead: set[tuple[str, str]] = set()
    for _, binding, enabled, tooltip in active:
        if not binding.id or not binding.description:
            continue
        key = (binding.description, tooltip or binding.tooltip)
        if display[binding.key] not in groups[key]:
            groups[key].append(display[binding.key])
        if not enabled:
            dead.add(key)

    def build(width: int) -> Content:
        parts = []
        for (description, tooltip), keys in groups.items():
            shown = f"{keys[0]}-{keys[-1]}" if len(keys) > 2 else " ".join(keys)
            now = "  (not now)" if (description, tooltip) in dead else ""
            words = Content.assemble((description, "bold"), (now, look.QUIET), "  ", (tooltip, look.QUIET))
            parts.append(look.hang(Content.styled(f"{shown:<12}", look.ACCENT), words, width))
        return look.lines(parts)

    return Page("Keys that work here", build)


def weightiest_first(given: Sequence[Given], weights: Mapping[str, float]) -> list[Given]:
    """Return findings with those first that count for or against the leading suspects, stops of the run before others.

    `weights`: finding id to the largest weight that it has with one of them, in dB.
    """
    from diagnose.toolpath.findings import REGISTRY

    def key(one: Given) -> tuple[bool, bool, float]:
        weight = weights.get(one.id, 0.0)
        counts = weight >= look.LEAST
        of_stops = one.id in REGISTRY and OF_THE_RUN in REGISTRY[one.id].rests_on
        return not counts, not (counts and of_stops), -weight

    return sorted(given, key=key)


OF_THE_RUN = "queue_moves"
"""The machine's field that every finding about stops and reserve of the simulated run rests on."""


def weights_with(triage: Triage, causes: Iterable[str]) -> dict[str, float]:
    """Return what is on a case with the largest weight it has with one of these causes, in dB."""
    weights: dict[str, float] = {}
    for cause in causes:
        for line in triage.ledger(cause):
            weights[line.id] = max(weights.get(line.id, 0.0), abs(line.decibans))
    return weights


NOTEWORTHY = 0.5
"""Decibans under which an answer hardly speaks for or against a cause."""


def finding_page(x: Mapping[str, Any]) -> Page:
    """Return how one finding of a job was found: how sure it is, in which lines, and for which causes it speaks."""

    def build(width: int) -> Content:
        indent = Content("  ")
        parts: list[Content] = [look.hang(Content(""), look.styled(look.sentence(x["say"] or x["answer"]), look.BOLD), width)]
        parts.append(look.hang(Content("Found: "), look.sentence(look.plain(x["because"])), width))
        if x["value"] is not None:
            parts.append(look.hang(Content("Value: "), f"{x['value']:g} {x['unit']}", width))
        parts.append(look.hang(Content("Sure: "), f"{x['confidence']:.2f}; {look.plain(x['caps'])}", width))
        if x["usual"] is not None:
            parts.append(look.hang(Content("Usual: "), f"{percent(x['usual'])} of bad prints show this whatever ails them", width))
        if x["explain"]:
            parts += [Content(""), look.hang(Content(""), look.plain(x["explain"]), width)]
        if x["quoted"]:
            parts += [Content(""), look.styled("Lines of the job that show it", look.STRONG)]
            parts += [look.hang(Content.styled(f"{q['line']:>9,}  ", look.QUIET), look.plain(q["text"]), width) for q in x["quoted"]]
        if x["rests_on"]:
            parts += [Content(""), look.styled("Numbers of the printer card it rests on", look.STRONG)]
            parts += [look.hang(indent, f"{n['name']} {n['value']:g} ({n['from']})", width) for n in x["rests_on"]]
        for side, title in ((1, "Speaks for"), (-1, "Speaks against")):
            mine = [s for s in x["speaks_for"] if s["decibans"] * side >= NOTEWORTHY]
            if mine:
                parts += [Content(""), look.styled(title, look.STRONG)]
            for one in mine:
                head = Content(f"{decibans(one['decibans'])} dB  ")
                parts.append(look.hang(head, look.plain(f"{one['name']}: {one['because']}"), width))
                parts.append(look.hang(Content(" " * head.cell_length), look.plain(f"rule: {one['rule']}"), width, look.QUIET))
        return look.lines(parts)

    return Page(look.plain(x["asks"] or x["id"]), build)
