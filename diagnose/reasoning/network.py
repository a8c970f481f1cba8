"""A pack compiled into one Bayesian network over *reported* answers.

Given the cause, every question (each option of a question of kind several) and every finding is a node. Its parents
are the cause, the questions its evidence is `given`, and the questions that gate it; the result of a remedy tried is a node
that hangs on the cause alone. Row 0 of every table is
*something not in the rules*, which shows everything as usual; rows 1..C are the causes in the order of the packs.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from diagnose.knowledge.frequency import LEAST
from diagnose.knowledge.models import OPTION_USUAL, RATES, Answer, Cause, Evidence, Finding, Question
from diagnose.knowledge.pack import Knowledge
from diagnose.reasoning import trials
from diagnose.reasoning.again import look_again
from diagnose.reasoning.learning import Taught, teach

Array = NDArray[np.float64]

UNEXPLAINED_SHARE = 0.05
"""Prior of *something not in the rules*, whatever the size of the pack."""
YES, NO = 0, 1


def entropy_bits(shares: Array, axis: int = -1) -> Array:
    """Return the Shannon entropy along an axis, in bits; 0 log 0 is 0."""
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = np.where(shares > 0, -shares * np.log2(shares), 0.0)
    return np.asarray(terms.sum(axis=axis))


@dataclass(frozen=True, slots=True)
class Block:
    """The causes of one node whose evidence is given the same contexts."""

    rows: NDArray[np.intp]
    contexts: tuple[int, ...]
    """Nodes whose answer these frequencies depend on."""
    stated: Array
    """(rows, *context sizes, states): P* of the design, before slips."""


@dataclass(slots=True)
class Node:
    """One reported answer.

    ``states`` are the answers; a gated node has one more state, *does not apply*, with index ``len(states)``.
    """

    id: str
    about: str
    """Question, finding or remedy tried; the same for all options of one question."""
    option: str | None
    states: tuple[str, ...]
    slips: float = 0.0
    missed: float = 0.0
    gates: tuple[tuple[tuple[int, NDArray[np.bool_]], ...], ...] = ()
    """All groups must hold; a group holds when one of its (node, states that open it) does."""
    usual_contexts: tuple[int, ...] = ()
    """The defect node where the usual shares are given by defect."""
    usual: Array = field(default_factory=lambda: np.empty(0))
    """(*usual context sizes, states)."""
    blocks: tuple[Block, ...] = ()
    """Rows that no block holds show everything as usual."""
    contexts: tuple[int, ...] = ()
    """All nodes that some row's frequencies depend on."""
    taught: list[Taught] = field(default_factory=list)
    """What a shop's own cases changed."""
    _reported: dict[tuple[object, ...], Array] = field(default_factory=dict)
    _entropies: dict[int, tuple[Array, Array]] = field(default_factory=dict)
    """Number of a table in memory to that table and the entropies of its rows."""

    @property
    def size(self) -> int:
        """Number of states, *does not apply* included."""
        return len(self.states) + bool(self.gates)

    def reported(
        self, known: Mapping[int, int], sizes: Mapping[int, int], rows: int, slips: float | None = None
    ) -> tuple[Array, tuple[int, ...]]:
        """Return P(reported answer | cause, contexts left) and the contexts left, given the known contexts.

        The table is (rows, *contexts left, states). Slips are mixed in, P = (1 - s) P* + s usual, and missed options
        moved from yes to no. A finding of confidence k is reported with slips 1 - k.
        """
        s = self.slips if slips is None else slips
        left = tuple(c for c in self.contexts if c not in known)
        key = (s, *((c, known.get(c)) for c in self.contexts))
        if key in self._reported:
            return self._reported[key], left
        shape = (rows, *(sizes[c] for c in left), len(self.states))
        usual = np.broadcast_to(_at(self.usual, self.usual_contexts, known, left), shape)
        stated = usual.copy()
        for block in self.blocks:
            stated[block.rows] = _at(block.stated, block.contexts, known, left, leading=1)
        mixed: Array = (1.0 - s) * stated + s * usual
        if self.option is not None and self.missed:
            mixed[..., YES] *= 1.0 - self.missed
            mixed[..., NO] = 1.0 - mixed[..., YES]
        for taught in self.taught:
            taught.apply(mixed, known, left)
        if len(self._reported) > MOST_KEPT:
            self.forget()
        self._reported[key] = mixed
        return mixed, left


    def forget(self) -> None:
        """Drop the tables kept for contexts met before."""
        self._reported.clear()
        self._entropies.clear()

    def contexts_of(self, row: int) -> tuple[int, ...]:
        """Return the nodes that the frequencies of a row depend on, but for those that the usual shares depend on."""
        block = next((b for b in self.blocks if row in b.rows), None)
        return tuple(c for c in (block.contexts if block else ()) if c not in self.usual_contexts)


MOST_KEPT = 64
"""Tables a node keeps for contexts met before."""


def _at(
    table: Array, contexts: tuple[int, ...], known: Mapping[int, int], left: tuple[int, ...], leading: int = 0
) -> Array:
    """Fix the known contexts of a table and line the others up with ``left``, length 1 where it lacks one."""
    where: list[int | slice | None] = [slice(None)] * leading
    where += [known[c] if c in known else slice(None) for c in contexts]
    table = table[tuple(where)]
    there = [c for c in contexts if c not in known]
    spread = [slice(None)] * leading + [slice(None) if c in there else None for c in left]
    return np.asarray(table[tuple(spread)])


@dataclass(slots=True)
class Network:
    """The compiled pack."""

    causes: tuple[str, ...]
    nodes: list[Node]
    log_prior: Array
    """(1 + C,) natural log of the prior shares; entry 0 is *something not in the rules*."""
    index: dict[str, int]
    """Node id (`question`, `question:option`, finding, or `trials.key` of a remedy) to its place in ``nodes``."""
    of: dict[str, tuple[int, ...]]
    """Question id, finding id or key of a remedy to its nodes."""
    kind: dict[str, str]
    """The same to one | several | finding | remedy."""
    sizes: dict[int, int]
    """Node to its number of states, *does not apply* included."""
    temper: float = 1.0
    """Exponent on the evidence of answers and findings."""
    log_rates_of: dict[str, Array] = field(default_factory=dict)
    """Printer card or plastic to what it adds to the log prior, (1 + C,): what a shop learnt of it."""

    def for_print(self, *of: str | None) -> Network:
        """Return the network with the rates of a printer card and a plastic; itself where nothing was learnt of them."""
        learnt = [self.log_rates_of[name] for name in of if name is not None and name in self.log_rates_of]
        if not learnt:
            return self
        log = self.log_prior.copy()
        log[1:] += np.sum(learnt, axis=0)[1:]
        log[1:] += np.log1p(-np.exp(log[0])) - np.logaddexp.reduce(log[1:])
        return replace(self, log_prior=log)

    def reported(self, i: int, known: Mapping[int, int], slips: float | None = None) -> tuple[Array, tuple[int, ...]]:
        """Return P(reported answer of node i | cause, contexts left), (1 + C, *left, states), and those contexts."""
        return self.nodes[i].reported(known, self.sizes, len(self.log_prior), slips)

    def reported_alone(self, i: int, known: Mapping[int, int], slips: float | None = None) -> tuple[Array, Array]:
        """Return P(reported answer | cause), (1 + C, states), of a node whose contexts are all known, and the entropy
        of each row in bits, (1 + C,).
        """
        table, _ = self.reported(i, known, slips)
        kept = self.nodes[i]._entropies
        if id(table) not in kept:
            kept[id(table)] = table, entropy_bits(table)
        return kept[id(table)]

    def row(self, cause: str) -> int:
        """Return the row of a cause; raises ValueError for one that is not in the pack."""
        return self.causes.index(cause) + 1


def compile_network(knowledge: Knowledge) -> Network:
    """Compile a checked pack. Cost grows with causes times answers times contexts actually named."""
    causes = list(knowledge.causes.values())
    nodes, of, kind = _nodes(knowledge)
    index = {node.id: i for i, node in enumerate(nodes)}
    defect = knowledge.by_role("defect")
    lines = _lines_by_node(causes, knowledge, defect.id if defect else None)
    asked: dict[str, Question | Finding] = {**knowledge.questions, **knowledge.findings}
    for node in nodes:
        question = asked[node.about]
        if isinstance(question, Question):
            node.gates = _gates(question, knowledge, index, nodes)
    for node in nodes:
        _fill(node, nodes, _answers(node, asked), lines.get(node.id, {}), index, index[defect.id] if defect else None)
    for node in _trials(knowledge):
        index[node.id], of[node.id], kind[node.id] = len(nodes), (len(nodes),), "remedy"
        nodes.append(node)
    again = knowledge.by_role("defect-again")
    if defect is not None and again is not None:
        _fill_again(nodes[index[again.id]], index[defect.id], nodes, len(causes) + 1)
    sizes = {i: node.size for i, node in enumerate(nodes)}
    rates = np.array([RATES[c.rate] for c in causes], dtype=float)
    prior = np.empty(len(causes) + 1)
    prior[0] = UNEXPLAINED_SHARE if causes else 1.0
    prior[1:] = (1.0 - UNEXPLAINED_SHARE) * rates / rates.sum() if causes else 0.0
    network = Network(tuple(c.id for c in causes), nodes, np.log(prior), index, of, kind, sizes)
    if knowledge.learnt is not None:
        teach(network, knowledge.learnt)
    return network


def _nodes(knowledge: Knowledge) -> tuple[list[Node], dict[str, tuple[int, ...]], dict[str, str]]:
    nodes: list[Node] = []
    of: dict[str, tuple[int, ...]] = {}
    kind: dict[str, str] = {}
    for question in knowledge.questions.values():
        first = len(nodes)
        if question.kind == "several":
            for a in question.answers:
                nodes.append(
                    Node(f"{question.id}:{a.id}", question.id, a.id, ("yes", "no"),
                         slips=question.slips.value, missed=question.missed.value)
                )  # fmt: skip
        else:
            nodes.append(
                Node(question.id, question.id, None, tuple(a.id for a in question.answers), slips=question.slips.value)
            )
        of[question.id] = tuple(range(first, len(nodes)))
        kind[question.id] = question.kind
    for finding in knowledge.findings.values():
        if finding.fills:
            continue
        of[finding.id] = (len(nodes),)
        kind[finding.id] = "finding"
        nodes.append(Node(finding.id, finding.id, None, tuple(a.id for a in finding.answers)))
    return nodes, of, kind


def _trials(knowledge: Knowledge) -> Iterator[Node]:
    """Yield a node for each remedy: what comes of trying it hangs on whether the cause is one that it cures."""
    cured: dict[str, list[int]] = {}
    for row, cause in enumerate(knowledge.causes.values(), 1):
        for id in cause.remedies:
            cured.setdefault(id, []).append(row)
    for remedy in knowledge.remedies.values():
        name, rows = trials.key(remedy.id), cured.get(remedy.id, [])
        stated = np.tile(trials.frequencies(remedy.sure.value), (len(rows), 1))
        blocks = (Block(np.array(rows, dtype=np.intp), (), stated),) if rows else ()
        yield Node(name, name, None, trials.RESULTS, usual=np.array(trials.BY_CHANCE), blocks=blocks)


def _answers(node: Node, asked: Mapping[str, Question | Finding]) -> tuple[Answer, ...]:
    answers = asked[node.about].answers
    return answers if node.option is None else tuple(a for a in answers if a.id == node.option)


def _lines_by_node(
    causes: Sequence[Cause], knowledge: Knowledge, defect: str | None
) -> dict[str, dict[int, list[Evidence]]]:
    """Return node id to row to its lines of evidence; the `defects` of a cause are lines on the defect question."""
    several = {q.id for q in knowledge.questions.values() if q.kind == "several"}
    found: dict[str, dict[int, list[Evidence]]] = {}
    for row, cause in enumerate(causes, start=1):
        if defect is not None:
            found.setdefault(defect, {})[row] = [
                Evidence(question=defect, answer=answer, seen=seen, because=cause.about)
                for answer, seen in cause.defects.items()
            ]
        for line in cause.evidence:
            if line.about in several:
                line = line.model_copy(update={"answer": "yes", "question": f"{line.about}:{line.answer}"})
            found.setdefault(line.about, {}).setdefault(row, []).append(line)
    return found


def _gates(
    question: Question, knowledge: Knowledge, index: Mapping[str, int], nodes: Sequence[Node]
) -> tuple[tuple[tuple[int, NDArray[np.bool_]], ...], ...]:
    """Return the gate groups: a condition on the main defect also opens on the second one, and on a second look."""
    others = [q.id for q in knowledge.other_defects() if q.id != question.id]
    groups = []
    for about, answers in question.ask_if.items():
        asked = knowledge.questions.get(about)
        members = [about]
        if asked is not None and asked.role == "defect":
            members += others
        group = []
        for member in members:
            node = nodes[index[member]]
            opens = np.array([state in answers for state in node.states] + [False])
            group.append((index[member], opens))
        groups.append(tuple(group))
    return tuple(groups)


def usual_shares(answers: Sequence[Answer], defect: str | None) -> Array:
    """Return the usual share of each answer, shape (answers,): stated ones, the rest shared equally, scaled to 1."""
    stated = [a.usual_for(defect) for a in answers]
    open_ones = [s is None for s in stated]
    total = sum(s for s in stated if s is not None)
    if any(open_ones):
        rest = max(1.0 - total, LEAST * sum(open_ones)) / sum(open_ones)
        shares = np.array([rest if s is None else s for s in stated])
    else:
        shares = np.array(stated, dtype=float)
    return np.asarray(shares / shares.sum())


def stated_shares(said: Mapping[int, float], usual: Array) -> Array:
    """Return P* of one cell, shape (answers,): what is said, the rest of the mass shared in proportion to usual."""
    shares = np.zeros(len(usual))
    for answer, seen in said.items():
        shares[answer] = seen
    silent = np.ones(len(usual), dtype=bool)
    silent[list(said)] = False
    if not silent.any():
        return np.asarray(shares / shares.sum())
    total = float(shares.sum())
    # An answer nobody spoke of can still come: it keeps at least the least share that anything has.
    if total > 1.0 - LEAST:
        shares *= (1.0 - LEAST) / total
        total = 1.0 - LEAST
    shares[silent] = (1.0 - total) * usual[silent] / usual[silent].sum()
    return shares


def _fill(
    node: Node,
    nodes: Sequence[Node],
    answers: Sequence[Answer],
    own: Mapping[int, list[Evidence]],
    index: Mapping[str, int],
    defect: int | None,
) -> None:
    """Fill in the usual shares and one block of stated shares for each set of contexts that causes name."""
    by_defect = defect is not None and any(isinstance(a.usual, dict) for a in answers)
    names: tuple[str | None, ...] = (None,)
    if by_defect and defect is not None:
        node.usual_contexts = (defect,)
        names = nodes[defect].states
    usual = np.array([_usual_of(node, answers, name) for name in names])
    node.usual = usual if by_defect else usual[0]
    grouped: dict[tuple[int, ...], list[int]] = {}
    for row, said in own.items():
        named = {index[about] for line in said for about in line.given} | set(node.usual_contexts)
        grouped.setdefault(tuple(sorted(named)), []).append(row)
    blocks = []
    for contexts, rows in grouped.items():
        sizes = tuple(nodes[c].size for c in contexts)
        stated = np.empty((len(rows), *sizes, len(node.states)))
        for where in np.ndindex(*sizes):
            # A context that does not apply has no name, and no `given` speaks of it.
            given = {
                nodes[c].about: nodes[c].states[at]
                for c, at in zip(contexts, where, strict=True)
                if at < len(nodes[c].states)
            }
            shares = usual[where[contexts.index(defect)]] if by_defect and defect is not None else usual[0]
            for n, row in enumerate(rows):
                cell = _most_specific(own[row], given, node)
                stated[(n, *where)] = stated_shares(cell, shares) if cell else shares
        blocks.append(Block(np.array(rows, dtype=np.intp), contexts, stated))
    node.blocks = tuple(blocks)
    node.contexts = tuple(sorted({c for block in blocks for c in block.contexts} | set(node.usual_contexts)))


def _fill_again(node: Node, first: int, nodes: Sequence[Node], rows: int) -> None:
    """Fill in a second look at the question of node ``first``: what is there, given what was reported at first.

    Its slips are looks that only repeat the first one, and the usual shares say just that: mostly the same again.
    """
    before = nodes[first]
    stated = np.broadcast_to(before.usual, (rows, len(before.states))).copy()
    for block in before.blocks:
        stated[block.rows] = block.stated
    order = [before.states.index(state) for state in node.states]
    table = look_again(stated, before.usual, before.slips)[:, :, order]
    node.usual_contexts = node.contexts = (first,)
    node.usual = table[0]
    node.blocks = (Block(np.arange(1, rows), (first,), table[1:]),)


def _usual_of(node: Node, answers: Sequence[Answer], defect: str | None) -> Array:
    if node.option is None:
        return usual_shares(answers, defect)
    yes = answers[0].usual_for(defect)
    yes = OPTION_USUAL if yes is None else yes
    return np.array([yes, 1.0 - yes])


def _most_specific(said: Sequence[Evidence], given: Mapping[str, str], node: Node) -> dict[int, float]:
    best: dict[int, tuple[int, float]] = {}
    for line in said:
        if all(given.get(about) in answers for about, answers in line.given.items()):
            state = node.states.index(line.answer)
            if state not in best or len(line.given) > best[state][0]:
                best[state] = (len(line.given), line.seen.value)
    return {state: seen for state, (_, seen) in best.items()}
