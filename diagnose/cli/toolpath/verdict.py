"""What a job will do on a printer, in a word, a sentence, and an order of risk. Works on the JSON of `summary`."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

WHILE = {
    "checkpoint": "while a checkpoint is saved",
    "link-rate": "because bytes come too slowly",
    "line-time": "because the board takes too long over each line",
    "round-trip": "because each line waits for an answer",
    "random-stall": "because the supply stalls at random",
}
SHORT = {"checkpoint": "saves", "link-rate": "bytes", "line-time": "board", "round-trip": "answers", "random-stall": "stalls"}
"""Why, in a clause and in a word; one that is not here is shown as it is."""

RISKY_STOPS = 0.3
"""Stops by chance, mean number a job, from which one that never stops as planned is called at risk: a print in four."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What happens to the motion."""

    word: str
    """STOPS, BRAKES, AT RISK, RUNS ON; NOT RUN without a printer card."""
    sentence: str
    short: str
    """The sentence for a table, some twenty characters."""
    order: tuple[float, ...]
    """The more, the riskier."""


def verdict(s: dict[str, Any]) -> Verdict:
    """Judge one job from its summary."""
    if s["stops"] is None:
        demand = s["facets"]["demand_per_s"]
        asks = f"It asks for up to {demand:.0f} moves a second. " if demand else ""
        return Verdict(
            "NOT RUN",
            f"{asks}Name a printer card (--printer) to see whether the queue of moves keeps up.",
            f"asks {demand:.0f} moves/s" if demand else "",
            (0.0, demand or 0.0),
        )
    stops, dips, risk, least = s["stops"], s["dips"], s["risk"], s["reserve"]["least_ms"]
    near = -(least if least is not None else 1e12)
    if stops["count"]:
        count = stops["count"]
        each = 1000 * stops["total_s"] / count
        return Verdict(
            "STOPS",
            f"The head stands still {times(count)} for want of moves, {where(stops)}, {_reasons(stops['by_why'])}: "
            f"{seconds(stops['total_s'])} in all" + (f", about {each:.0f} ms each." if count > 1 else "."),
            f"{_span(stops)}: {_mostly(stops['by_why'])}",
            (3.0, stops["total_s"], float(count)),
        )
    if dips["count"]:
        reasons: dict[str, int] = {}
        for dip in dips["list"]:
            reasons[dip["why"]] = reasons.get(dip["why"], 0) + 1
        return Verdict(
            "BRAKES",
            f"The head never stands still, but {times(dips['count'])} it brakes for want of moves, {where(dips)}, "
            f"{_reasons(reasons)}.",
            f"{_span(dips)}: {_mostly(reasons)}",
            (2.0, float(dips["count"]), near),
        )
    if risk["expected_stops"] >= RISKY_STOPS:
        return Verdict(
            "AT RISK",
            f"As planned the head never waits for moves. Random stalls of card or cable, {risk['stall_ms']:.0f} ms on the "
            f"average, may stop it {_number_of(risk)}, nobody knows where; the chance of one at least is "
            f"{percent(min(risk['any'], 0.99))}.",
            f"{risk['low']}-{risk['high']} stops by chance",
            (1.0, risk["expected_stops"], near),
        )
    saves = s["checkpoints"]
    if saves["share_that_stops"] and saves["share_that_stops"] * saves["count"] >= RISKY_STOPS:
        often = saves["share_that_stops"] * saves["count"]
        return Verdict(
            "AT RISK",
            f"In this run every save falls where the queue outlasts it. When the first falls due nobody knows, and one at "
            f"the wrong moment stops the head: {_about(often)} in a job, on the average.",
            f"{_about(often)} by saves",
            (1.0, often, near),
        )
    chance = -math.expm1(-risk["expected_stops"] - (saves["share_that_stops"] or 0.0) * saves["count"])
    return Verdict(
        "RUNS ON",
        "The head never waits for moves. "
        + (f"By chance it stops in about {percent(chance)} of prints." if chance >= 0.01 else "Hardly any chance stops it."),
        "",
        (0.0, risk["expected_stops"], near),
    )


def _about(often: float) -> str:
    return f"{often:.1f} times" if often < 9.95 else f"{often:.0f} times"


def _number_of(risk: dict[str, Any]) -> str:
    """Return how many random stops are to be expected, in words."""
    if risk["high"] <= 1:
        return "once"
    return f"{risk['low']:,} to {risk['high']:,} times"


def where(places: dict[str, Any]) -> str:
    """Return the heights of stops or dips in words."""
    low, high = places["from_mm"], places["to_mm"]
    if low is None:
        return "nowhere"
    return f"at {mm(low)} of height" if mm(low) == mm(high) else f"between {number(low)} and {mm(high)} of height"


def _span(places: dict[str, Any]) -> str:
    low, high = number(places["from_mm"]), number(places["to_mm"])
    return f"{low} mm" if low == high else f"{low}-{high} mm"


def _mostly(by_why: dict[str, int]) -> str:
    why = max(by_why, key=lambda name: by_why[name])
    return SHORT.get(why, why)


def _reasons(by_why: dict[str, int]) -> str:
    if len(by_why) == 1:
        return WHILE.get(next(iter(by_why)), next(iter(by_why)))
    ordered = sorted(by_why.items(), key=lambda item: -item[1])
    return ", ".join(f"{times(count)} {WHILE.get(why, why)}" for why, count in ordered)


def times(count: int) -> str:
    """Return a count of happenings: once, 3 times."""
    return "once" if count == 1 else "twice" if count == 2 else f"{count:,} times"


def number(value: float) -> str:
    """Return a length in mm as a person reads one from a ruler: a tenth at most."""
    return f"{value:.1f}".removesuffix(".0")


def mm(value: float) -> str:
    """Return a length with its unit."""
    return f"{number(value)} mm"


def seconds(value: float) -> str:
    """Return a short time: 0.05 s is 50 ms."""
    return f"{1000 * value:.0f} ms" if value < 0.9995 else f"{value:.1f} s" if value < 100 else clock(value)


def milliseconds(value: float) -> str:
    """Return a reserve: 145 ms, 3.9 s."""
    return seconds(value / 1000)


def clock(value: float) -> str:
    """Return a time as hours, minutes and seconds."""
    whole = round(value)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def rough_clock(value: float) -> str:
    """Return a time for a table: 21 s, 54 min, 2:02 h."""
    if value < 59.5:
        return f"{value:.0f} s"
    minutes = round(value / 60)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60}:{minutes % 60:02d} h"


def percent(share: float) -> str:
    """Return a share in percent; what is more than nothing is never 0."""
    return f"{100 * share:.0f} %" if share >= 0.01 or share == 0 else "under 1 %"


def size(count: int) -> str:
    """Return bytes as a person says them."""
    for limit, unit, digits in ((1e9, "GB", 1), (1e6, "MB", 1), (1e3, "kB", 0)):
        if count >= limit:
            return f"{count / limit:.{digits}f} {unit}"
    return f"{count} bytes"
