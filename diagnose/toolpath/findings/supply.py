"""What the motion queue and its supply do on the machine of the card."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from diagnose.toolpath.columns import Floats
from diagnose.toolpath.findings.ground import Ground
from diagnose.toolpath.findings.registry import Said, finding, grade

# Limits are common practice, no source.
SHORT_S, VERY_SHORT_S = 1.0, 0.2
SHORTEST_SHARE = 0.01
CAPPED_SOME, CAPPED_MUCH = 0.01, 0.10
HALF_LOAD, FULL_LOAD = 0.5, 0.95
RISKY_SHARE = 0.01
REGION_SHARE = 0.7
WINDOW_S = 0.5

MOTION = ("acceleration", "axis_speed", "axis_acceleration")
QUEUE = ("queue_moves", *MOTION)
LINK = ("bytes_per_s", "line_time", "reply_time")


@finding("look-ahead-capped", *QUEUE)
def look_ahead(ground: Ground) -> Said | None:
    """Grade the share of the extruded path whose speed the queue's length decides."""
    drawing = ground.draws
    total = float(ground.length[drawing].sum())
    if not total:
        return None
    capped = np.flatnonzero(ground.run.capped & drawing)
    share = float(ground.length[capped].sum()) / total
    answer = grade(share, (CAPPED_SOME, "none"), (CAPPED_MUCH, "some"), above="much")
    machine = ground.run.machine
    return Said(
        answer, share, "of the extruded path",
        f"on {share:.1%} of the extruded path the {machine.queue_moves} queued moves are too short to reach the speed "
        "that job and printer allow", ground.lines_of(capped),
    )  # fmt: skip


@finding("least-reserve", *QUEUE)
def least_reserve(ground: Ground) -> Said | None:
    """Grade what the reserve of a full queue falls to in the shortest hundredth of the extruding time."""
    found = _reserve(ground)
    if found is None:
        return None
    reserve, spent, moves = found
    order = np.argsort(reserve)
    along = np.cumsum(spent[order])
    at = int(np.searchsorted(along, SHORTEST_SHARE * along[-1]))
    least = float(reserve[order[at]])
    answer = grade(least, (VERY_SHORT_S, "very-short"), (SHORT_S, "short"), above="ample")
    shown = np.sort(moves[order[: at + 1]])
    return Said(
        answer, least * 1e3, "ms",
        f"where moves are shortest, such as line {ground.moves.line[moves[order[at]]]}, a full queue of "
        f"{ground.run.machine.queue_moves} moves lasts {least * 1e3:.0f} ms", ground.lines_of(shown),
    )  # fmt: skip


@finding("reserve-at-saves", *QUEUE, "checkpoint_every", "checkpoint_takes")
def reserve_at_saves(ground: Ground) -> Said | None:
    """Compare the reserve all over the part with the length of one save."""
    machine = ground.run.machine
    found = _reserve(ground)
    if found is None:
        return None
    if not machine.checkpoint_every:
        return Said("no-saves", None, "ms", "the printer card says that the board saves no checkpoints")
    reserve, spent, moves = found
    short = reserve < machine.checkpoint_takes
    share = float(spent[short].sum() / spent.sum())
    takes = machine.checkpoint_takes * 1e3
    if share < 0.002:
        return Said("longer", takes, "ms", f"the queue outlasts a save of {takes:.0f} ms everywhere on the part")
    return Said(
        "shorter", takes, "ms",
        f"for {share:.0%} of the extruding time the queue lasts less than the {takes:.0f} ms that a save takes",
        ground.lines_of(moves[short]),
    )  # fmt: skip


@finding("starves-at-checkpoints", *QUEUE, "checkpoint_every", "checkpoint_takes")
def starves_at_checkpoints(ground: Ground) -> Said | None:
    """Say whether the simulated run stops or dips at checkpoint saves."""
    machine, supply = ground.run.machine, ground.run.supply
    if not machine.checkpoint_every:
        return Said("no", 0, "stops", "the printer card says that the board saves no checkpoints")
    return _starving(ground, ("checkpoint",), f"in {len(supply.saves.move)} checkpoint saves")


@finding("starves-on-link", *QUEUE, *LINK)
def starves_on_link(ground: Ground) -> Said | None:
    """Say whether the simulated run stops or dips because moves arrive too slowly."""
    return _starving(ground, ("link-rate", "line-time", "round-trip"), "from the rate at which moves arrive")


@finding("link-load", *MOTION, *LINK)
def link_load(ground: Ground) -> Said | None:
    """Compare the time the supply needs for the busiest half second with the time its moves take."""
    body = ground.body
    spent = np.cumsum(ground.run.duration[body])
    if not len(spent) or spent[-1] < WINDOW_S:
        return None
    window = (spent / WINDOW_S).astype(np.int64)
    needs = np.bincount(window, ground.run.supply_time[body])
    takes = np.bincount(window, ground.run.duration[body])
    full = np.flatnonzero(takes > 0.5 * WINDOW_S)
    if not len(full):
        return None
    busiest = int(full[np.argmax(needs[full] / takes[full])])
    load = float(needs[busiest] / takes[busiest])
    line = int(ground.moves.line[body.start + int(np.searchsorted(window, busiest))])
    machine = ground.run.machine
    way = "memory card" if machine.feed == "card" else "cable"
    rate = float(np.bincount(window, ground.moves.bytes_all[body])[busiest] / takes[busiest])
    answer = grade(load, (HALF_LOAD, "light"), (FULL_LOAD, "near"), above="above")
    return Said(
        answer, load, "of what it can carry",
        f"in the busiest half second, around line {line}, the job needs {rate:.0f} bytes a second and "
        f"{load:.0%} of the time that the {way} has", [line],
    )  # fmt: skip


@finding("sustained-starvation", *QUEUE, *LINK)
def sustained(ground: Ground) -> Said | None:
    """Say whether moves arrive more slowly than they run along whole stretches."""
    stretches = ground.run.supply.sustained
    if not len(stretches.move):
        return Said("no", 0, "stretches", "nowhere do moves arrive more slowly than they run for long")
    lines = ground.lines_of(stretches.move, 10)
    return Said(
        "yes", len(stretches.move), "stretches",
        f"along {len(stretches.move)} stretches, the first from line {lines[0]} on, moves arrive more slowly than they run",
        lines,
    )  # fmt: skip


@finding("random-stall-risk", *QUEUE, "hiccups_per_min", "hiccup_takes")
def random_stalls(ground: Ground) -> Said | None:
    """Grade the share of extruding time in which a random stall of the stated length would empty the queue."""
    machine = ground.run.machine
    found = _reserve(ground)
    if found is None:
        return None
    reserve, spent, moves = found
    open_to = reserve < machine.hiccup_takes
    share = float(spent[open_to].sum() / spent.sum())
    if not machine.hiccups_per_min or not machine.hiccup_takes:
        return Said("low", 0.0, "of the extruding time", "the printer card states no random stalls")
    expected = machine.hiccups_per_min / 60 * float(spent[open_to].sum())
    return Said(
        "high" if share >= RISKY_SHARE else "low", share, "of the extruding time",
        f"a random stall of {machine.hiccup_takes * 1e3:.0f} ms would empty the queue in {share:.0%} of the extruding "
        f"time; about {expected:.1f} are to be expected there",
        ground.lines_of(moves[open_to]),
    )  # fmt: skip


@finding("stop-extent", *QUEUE, *LINK, "checkpoint_every", "checkpoint_takes")
def stop_extent(ground: Ground) -> Said | None:
    """Say over which part of the height the stops lie."""
    stops = ground.run.supply.stops
    top = float(ground.file.shape.layer_z[-1]) if ground.layers else 0.0
    if not top:
        return None
    if not len(stops.move):
        return Said("none", 0.0, "of the height", "the simulated run has no stops")
    low, high = np.quantile(stops.z, [0.05, 0.95])
    share = float(high - low) / top
    return Said(
        "region" if share < REGION_SHARE else "throughout", share, "of the height",
        f"nine in ten of the {len(stops.move)} predicted stops lie between {low:.1f} and {high:.1f} mm of a part "
        f"{top:.1f} mm high", stops.line[:10].tolist(),
    )  # fmt: skip


def _starving(ground: Ground, why: Iterable[str], where: str) -> Said:
    """Say whether stops or dips of these kinds happen in the simulated run."""
    stops, dips = ground.run.supply.stops, ground.run.supply.dips
    stopped, dipped = np.isin(stops.why, list(why)), np.isin(dips.why, list(why))
    if stopped.any():
        length = float(np.median(stops.length[stopped])) * 1e3
        return Said(
            "yes", int(stopped.sum()), "stops",
            f"{int(stopped.sum())} stops {where}, {length:.0f} ms long in the middle", stops.line[stopped][:10].tolist(),
        )  # fmt: skip
    if dipped.any():
        return Said(
            "dips", int(dipped.sum()), "dips",
            f"no stop, but the head brakes {int(dipped.sum())} times {where}", dips.line[dipped][:10].tolist(),
        )  # fmt: skip
    return Said("no", 0, "stops", f"no stop and no dip {where}")


def _reserve(ground: Ground) -> tuple[Floats, Floats, Floats] | None:
    """Return reserve of a full queue (s), time taken (s) and index of the drawing moves; None when there are none.

    The ends of the job, where the queue fills and runs out, are left out.
    """
    body, queue = ground.body, ground.run.machine.queue_moves
    start, stop = body.start, max(body.start + 1, body.stop - queue)
    moves = start + np.flatnonzero(ground.draws[start:stop])
    if not len(moves):
        return None
    return ground.run.reserve[moves], ground.run.duration[moves], moves
