"""Which coupons there are: one function each, which draws it for a printer that is made ready."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module

from diagnose.coupons.setup import Setup
from diagnose.coupons.sheet import Body

Draw = Callable[[Setup], Body]

_DRAWN: dict[str, Draw] = {}
_MODULES = ("ladder", "clock", "tubes", "layered", "plates")


def coupon(id: str) -> Callable[[Draw], Draw]:
    """Register what draws the coupon of this id in the rules; it raises BadInput where the printer cannot print it."""

    def keep(draw: Draw) -> Draw:
        _DRAWN[id] = draw
        return draw

    return keep


def drawn() -> dict[str, Draw]:
    """Return every coupon by its id in the rules."""
    for name in _MODULES:
        import_module(f"diagnose.coupons.{name}")
    return dict(_DRAWN)
