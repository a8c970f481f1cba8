"""What can be typed in the interview beside an answer: each order a word, and a letter for who types it often."""

from __future__ import annotations

from dataclasses import dataclass

from diagnose.errors import BadInput, nearest


@dataclass(frozen=True, slots=True)
class Order:
    """One order."""

    word: str
    letter: str
    """Empty where it has none."""
    takes: str
    """What stands behind it; empty where nothing may."""
    about: str


ORDERS = (
    Order("why", "w", "", "why this is asked: what the answer is worth, and what it would tell apart"),
    Order("back", "b", "", "undo the last thing done, step by step"),
    Order("later", "s", "", "leave this question for later"),
    Order("list", "d", "", "everything answered and found so far, numbered"),
    Order("change", "", "N", "answer number N of that list again"),
    Order("drop", "", "N", "take number N of that list back: an answer, a result, the job, the marks"),
    Order("steps", "n", "", "everything worth looking at next, numbered"),
    Order("ask", "", "N", "ask number N of these now"),
    Order("rank", "r", "", "the ranking"),
    Order("ledger", "l", "[N]", "everything for and against the first suspect, or the Nth"),
    Order("tests", "t", "[N]", "how to confirm and cure the first suspect, or the Nth"),
    Order("manual", "", "[N]", "all that the rules say of the first suspect, or the Nth"),
    Order("doubts", "", "", "what to look at again before believing the ranking"),
    Order("similar", "k", "", "solved cases like this one, and what cured them"),
    Order("plan", "c", "[N]", "what to try, in order of least cost; with a number or a remedy's id: what came of it"),
    Order("attach", "j", "FILE", "attach the job file (G-code)"),
    Order("printer", "p", "[CARD]", "choose the printer card; alone: which there are"),
    Order("marks", "m", "[FILE | -]", "type the marks on the part, one a line, in place of any before; or read them from a CSV file; or leave "
          "them out. Counted otherwise than counter-clockwise from the right: marks front cw, marks FILE left ccw"),
    Order("save", "", "FILE", "write the case as a page (.html, .md, .json), or as answers for `diagnose rank` (.yaml)"),
    Order("go-on", "f", "", "once the case is closed: something else is wrong, go on with that"),
    Order("help", "?", "", "this list"),
    Order("quit", "q", "", "stop; the case is kept"),
)  # fmt: skip
NEEDS = {"change": "a number of the list", "drop": "a number of the list", "ask": "a number of the steps", "attach": "the path of the file", "save": "the name of a file"}
_BY_NAME = {name: order for order in ORDERS for name in (order.word, order.letter) if name}


def order_in(line: str) -> tuple[str, str] | None:
    """Return the word of the order on a line, and what stands behind it; None where the line begins with none.

    Raises BadInput where something has to stand behind it and nothing does.
    """
    first, _, rest = line.partition(" ")
    order = _BY_NAME.get(first if len(first) == 1 else first.casefold())
    if order is None or (rest.strip() and not order.takes):
        return None
    if order.word in NEEDS and not rest.strip():
        raise BadInput(f"{order.word} needs {NEEDS[order.word]} behind it", f"write {order.word} {order.takes}")
    return order.word, rest.strip()


def hint(line: str) -> str:
    """Return what may have been meant by a line that is neither an order nor an answer."""
    first = line.partition(" ")[0].casefold()
    return nearest(first, [order.word for order in ORDERS]) if first.isalpha() else ""


def number(typed: str, count: int, of: str) -> int:
    """Return an index from a number typed, from 1; raises BadInput for one that is not there."""
    if not typed.isdecimal() or not 1 <= int(typed[:9]) <= count:
        raise BadInput(f"there is no number {typed} {of}", f"they go from 1 to {count}" if count else "there is none yet")
    return int(typed) - 1
