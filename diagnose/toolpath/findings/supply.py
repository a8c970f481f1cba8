"""What the motion queue and its supply do on the machine of the card."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from diagnose.toolpath.findings.ground import Ground, beyond, weighted_quantile
from diagnose.toolpath.findings.registry import Said, finding, grade, times

# Limits are common practice, no source.
SHORT_MS, VERY_SHORT_MS = 1000.0, 200.0
SHORTEST_SHARE = 0.01
CAPPED_SOME, CAPPED_MUCH = 0.01, 0.10
HALF_LOAD, FULL_LOAD = 0.5, 0.95
RISKY_SHARE = 0.01
RARE_SHARE = 0.002
LIKELY_STOPS = 0.5
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
    """Grade what the reserve of the settled queue falls to in the shortest hundredth of the extruding time."""
    run = ground.run
    least = weighted_quantile(run.reserve_ms, run.seconds, SHORTEST_SHARE, ground.settled)
    if np.isnan(least):
        return None
    _, shortest = beyond(run.reserve_ms, run.seconds, least, ground.settled)
    answer = grade(least, (VERY_SHORT_MS, "very-short"), (SHORT_MS, "short"), above="ample")
    return Said(
        answer, least, "ms",
        f"where moves are shortest, such as line {ground.moves.line[shortest[0]]}, {_store(ground)} would keep the head "
        f"moving for {least:.0f} ms",
        ground.lines_of(shortest),
    )  # fmt: skip


@finding("reserve-at-saves", *QUEUE, "checkpoint_every", "checkpoint_takes")
def reserve_at_saves(ground: Ground) -> Said | None:
    """Compare the reserve all over the part with the length of one save."""
    machine = ground.run.machine
    if not ground.settled.any():
        return None
    if not machine.checkpoint_every:
        return Said("no-saves", None, "ms", "the printer card says that the board saves no checkpoints")
    takes = machine.checkpoint_takes * 1e3
    share, short = beyond(ground.run.reserve_ms, ground.run.seconds, np.nextafter(takes, 0.0), ground.settled)
    if share < RARE_SHARE:
        return Said("longer", takes, "ms", f"the queue outlasts a save of {takes:.0f} ms everywhere on the part")
    return Said(
        "shorter", takes, "ms",
        f"for {share:.0%} of the extruding time the queue lasts less than the {takes:.0f} ms that a save takes",
        ground.lines_of(short),
    )  # fmt: skip


@finding("starves-at-checkpoints", *QUEUE, "checkpoint_every", "checkpoint_takes")
def starves_at_checkpoints(ground: Ground) -> Said | None:
    """Say whether the simulated run stops or dips at checkpoint saves."""
    if not ground.run.machine.checkpoint_every:
        return Said("no", 0, "stops", "the printer card says that the board saves no checkpoints")
    saves, anywhere = len(ground.run.saves), ground.run.anywhere
    # When the first save falls due is not known: the simulated stops are one case of many.
    likely = anywhere.share * anywhere.expected
    if not saves and likely < LIKELY_STOPS:
        return Said("no", 0, "stops", "no checkpoint is saved while the job runs")
    said = _starving(ground, ("checkpoint",), f"at the {saves} checkpoint saves")
    anyhow = (
        f"; whenever the first save falls due, {likely:.1f} of {anywhere.expected:.1f} stop it on average"
        if likely >= LIKELY_STOPS / 10 else ""
    )  # fmt: skip
    if said.answer != "yes" and likely >= LIKELY_STOPS:
        return replace(said, answer="yes", value=likely, because=said.because + anyhow, sure=likely / (1 + likely))
    if said.answer == "yes" and likely < LIKELY_STOPS:
        return replace(said, because=said.because + anyhow, sure=0.5)
    return replace(said, because=said.because + anyhow)


@finding("starves-on-link", *QUEUE, *LINK)
def starves_on_link(ground: Ground) -> Said | None:
    """Say whether the simulated run stops or dips because moves arrive too slowly."""
    return _starving(ground, ("link-rate", "line-time", "round-trip"), "from the rate at which moves arrive")


@finding("link-load", *MOTION, *LINK)
def link_load(ground: Ground) -> Said | None:
    """Compare the time the supply needs for the busiest half second with the time its moves take."""
    (_, takes, first, needs, carried), seconds = ground.busiest(WINDOW_S, planned=True)
    if seconds < WINDOW_S or first < 0:
        return None
    load = float(needs / takes)
    line = int(ground.moves.line[int(first)])
    machine = ground.run.machine
    way = "memory card" if machine.feed == "card" else "cable"
    rate = float(carried / takes)
    answer = grade(load, (HALF_LOAD, "light"), (FULL_LOAD, "near"), above="above")
    return Said(
        answer, load, "of what it can carry",
        f"in the busiest half second, around line {line}, the job needs {rate:.0f} bytes a second, and the "
        f"{way} is busy {load:.0%} of the time", [line],
    )  # fmt: skip


@finding("sustained-starvation", *QUEUE, *LINK)
def sustained(ground: Ground) -> Said | None:
    """Say whether moves arrive more slowly than they run along whole stretches."""
    stretches = ground.run.stretches
    if not len(stretches):
        return Said("no", 0, "stretches", "nowhere do moves arrive more slowly than they run for long")
    lines = ground.lines_of(stretches.first, 10)
    return Said(
        "yes", len(stretches), "stretches",
        f"along {len(stretches)} stretches, {float(stretches.length_s.sum()):.1f} s in all, the first from line "
        f"{lines[0]} on, moves arrive more slowly than they run", lines,
    )  # fmt: skip


@finding("random-stall-risk", *QUEUE, "hiccups_per_min", "hiccup_takes")
def random_stalls(ground: Ground) -> Said | None:
    """Grade the share of extruding time in which a random stall of the mean length would empty the queue."""
    from diagnose.toolpath.chances import resends

    risk, settled = ground.run.risk, ground.settled
    if not settled.any():
        return None
    stalls = bool(risk.per_min and risk.stall_ms)
    if not stalls and not len(risk.per_move):
        return Said("low", 0.0, "of the extruding time", "the printer card states no random stalls")
    share, shown = beyond(ground.run.reserve_ms, ground.run.seconds, np.nextafter(risk.stall_ms, 0.0), settled)
    if not stalls:
        share = 0.0
    if not len(shown):
        shown = np.flatnonzero(settled & (risk.per_move > 0.1 * risk.per_move.max(initial=0.0)))
    high = share >= RISKY_SHARE or (not stalls and risk.expected_stops >= LIKELY_STOPS)
    a_stall = f"a random stall of {risk.stall_ms:.0f} ms would empty the queue in {share:.0%} of the extruding time; "
    return Said(
        "high" if high else "low", share, "of the extruding time",
        (a_stall if stalls else "") + f"over stalls of all lengths{' and resends' if resends(ground.run.machine) else ''}, "
        f"{risk.expected_stops:.1f} stops are to be expected in the job, with 90 % from {risk.low} to {risk.high}",
        ground.lines_of(shown),
    )  # fmt: skip


@finding("stop-extent", *QUEUE, *LINK, "checkpoint_every", "checkpoint_takes")
def stop_extent(ground: Ground) -> Said | None:
    """Say over which part of the height the stops lie."""
    stops = ground.run.stops
    top = float(ground.file.shape.layer_z[-1]) if ground.layers else 0.0
    if not top:
        return None
    if not len(stops):
        return Said("none", 0.0, "of the height", "the simulated run has no stops")
    count = len(stops)
    low, high = np.quantile(stops.z, [0.05, 0.95])
    # Few places drawn from a stretch span less than the stretch: n of them (n - 1) / n of it, nine tenths of that here.
    share = float(high - low) / 0.9 * count / max(count - 1, 1) / top
    return Said(
        "region" if share < REGION_SHARE else "throughout", min(share, 1.0), "of the height",
        f"nine in ten of the {count} predicted stops lie between {low:.1f} and {high:.1f} mm of a part {top:.1f} mm high",
        stops.line, 0.95 if count >= 5 else 0.5,
    )  # fmt: skip


def _starving(ground: Ground, kinds: Iterable[str], where: str) -> Said:
    """Say whether stops or dips of these kinds happen in the simulated run."""
    from diagnose.toolpath.starvation import WHY

    codes = [WHY.index(kind) for kind in kinds]
    stops, dips = ground.run.stops, ground.run.dips
    stopped, dipped = np.isin(stops.why, codes), np.isin(dips.why, codes)
    count, braked = int(stopped.sum()), int(dipped.sum())
    if count:
        middle = float(np.median(stops.length_s[stopped])) * 1e3
        low, high = float(stops.z[stopped].min()), float(stops.z[stopped].max())
        return Said(
            "yes", count, "stops",
            f"the head stands {times(count)} {where}, {middle:.0f} ms in the middle, between {low:.1f} and {high:.1f} mm "
            "of height", stops.line[stopped].tolist(),
        )  # fmt: skip
    if braked:
        return Said(
            "dips", braked, "dips", f"the head never stands {where}, but brakes {times(braked)}",
            dips.line[dipped].tolist(),
        )  # fmt: skip
    return Said("no", 0, "stops", f"the head neither stands nor brakes {where}")


def _store(ground: Ground) -> str:
    """Return what holds the moves on their way to the head."""
    machine = ground.run.machine
    if machine.planning == "host":
        return f"the {machine.buffer_time:g} s of steps that the host streams ahead"
    return f"the queue of {machine.queue_moves} moves"
