"""Advice in words: what alone would keep a job from starving."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from diagnose.cli.toolpath.draw import Pen
from diagnose.cli.toolpath.verdict import percent

CLEAN = {
    "queue": "with fewer moves in the queue than {clean:g} (now {now:g})",
    "speed": "above {clean:.0%} of the speeds it asks for",
    "save": "with saves longer than {clean:.0f} ms (now {now:.0f})",
    "link": "on a link slower than {clean:,.0f} bytes/s (now {now:,.0f})",
    "buffer": "with a host less than {clean:g} s ahead of the head (now {now:g})",
}
CURES = {
    "queue": "at least {clean:g} moves in the queue (now {now:g})",
    "speed": "at most {clean:.0%} of the speeds it asks for",
    "save": "saves of at most {clean:.0f} ms (now {now:.0f})",
    "link": "a link of at least {clean:,.0f} bytes/s (now {now:,.0f})",
    "buffer": "a host at least {clean:g} s ahead of the head (now {now:g})",
    "facets": "facets joined where that moves the path by no more than {clean:.3f} mm (diagnose ease does it)",
}


def advice_lines(a: dict[str, Any], pen: Pen) -> Iterator[str]:
    """Yield what would keep the queue from running dry, or how far the job is from starving."""
    if a["clean"]:
        yield from pen.folded(" ", "As it is, the head never stands or brakes for want of moves; it would begin to")
    else:
        yield from pen.folded(" ", "Advice: any one of these alone would keep the head moving")
    for name, text in (CLEAN if a["clean"] else CURES).items():
        edge = a[name]
        if edge is None:
            continue
        if not a["clean"] and name == "link" and edge["clean"] is not None and edge["clean"] <= edge["now"]:
            continue  # the link is quick enough already
        if edge["clean"] is None:
            said = f"no {name} in the range tried cures it by itself"
        elif edge["open_ended"] and a["clean"]:
            said = f"not even {text.format(**edge)}"
        else:
            said = text.format(**edge)
        yield from pen.folded("   - ", said)
    if a["checkpoints"]:
        yield from pen.folded(
            " ", f"It writes {a['checkpoints']:,} checkpoints: {percent(a['worn'])} of the writes that one place of the memory is "
            "rated for, were all to hit the same; memory that spreads its writes lasts longer"
        )  # fmt: skip
