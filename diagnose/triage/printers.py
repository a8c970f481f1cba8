"""Printer cards in words: what matters most of one, and everything it says in the order of the card."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from pydantic import BaseModel

from diagnose.knowledge.cards import Known, Printer


def in_short(printer: Printer) -> str:
    """Return what matters most for the queue of moves in one sentence."""
    motion, supply, save = printer.motion, printer.supply, printer.checkpoint
    way = "a memory card" if supply.feed == "card" else "a cable"
    saves = f"saves for {save.takes_ms.value:g} ms every {save.every_s.value:g} s" if save.every_s.value else "saves nothing"
    return (
        f"plans {motion.queue_moves.value:,} moves ahead on the {motion.planning}; fed from {way} at "
        f"{supply.bytes_per_s.value / 1000:g} kB/s, {supply.line_time_ms.value:g} ms a line; {saves}"
    )


def shown_fields(printer: Printer) -> Iterator[tuple[str, Any, str | None]]:
    """Yield everything a card says, in the order of the card: dotted name, value, origin; None for what is no number."""
    def walk(part: BaseModel, prefix: str) -> Iterator[tuple[str, Any, str | None]]:
        for name in type(part).model_fields:
            value = getattr(part, name)
            if isinstance(value, Known):
                yield f"{prefix}{name}", value.value, value.origin or printer.origin
            elif isinstance(value, BaseModel):
                yield from walk(value, f"{prefix}{name}.")
            elif prefix and value is not None:
                yield f"{prefix}{name}", value, None

    yield from walk(printer, "")
