"""The oracle of the limits: one move after the other, with vectors, angles, and a look at what holds for each."""

from __future__ import annotations

import math

import numpy as np


def in_force(machine, job, i: int) -> dict:
    """Return what holds for move i: the card, then every row of the job up to there."""
    own = {
        "axis_speed": np.array(machine.axis_speed, float),
        "axis_acceleration": np.array(machine.axis_acceleration, float),
        "corner_step": np.array(machine.corner_step, float),
        "corner_deviation": machine.corner_deviation,
        "lowest_speed": np.array([machine.least_speed, machine.least_travel_speed]),
        "shortest": machine.least_move,
    }
    if job is None or not machine.job_sets_limits:
        return own
    rows = [j for j in range(len(job)) if job.before[j] <= i]
    if not rows:
        return own
    for name, value in own.items():
        said = getattr(job, name)[rows[-1]]
        sense = said > 0 if name.startswith("axis") else said >= 0
        own[name] = np.where(np.isfinite(said) & sense, said, value)
    return own


def plain_limits(moves, machine, waits=(), job=None) -> list[tuple[float, float, float, float]]:
    """Return (length mm, cap mm/s, acceleration mm/s2, most at the start mm/s) of each move."""
    found, last = [], None
    here = np.array(moves.start, float)
    for i in range(len(moves)):
        hold = in_force(machine, job, i)
        there = np.array([moves.x[i], moves.y[i], moves.z[i]])
        step = np.append(np.nan_to_num(there - here), moves.e[i])
        here = there
        head = float(np.linalg.norm(step[:3]))
        path = head or abs(float(step[3]))
        rests = i == 0 or i in waits
        if not path:
            cap, accel = (last["cap"], last["accel"]) if last else (1.0, machine.acceleration)
            found.append((0.0, cap, accel, 0.0 if rests or last is None else cap))
            continue
        share = step / path
        extrudes = step[3] != 0
        asked = moves.feed[i] if moves.feed[i] > 0 else math.inf
        asked = max(asked, hold["lowest_speed"][0 if extrudes else 1])
        gains = moves.accel[i] if machine.job_sets_limits else math.nan
        if not gains > 0:
            gains = machine.acceleration if extrudes else machine.travel_acceleration
        axes = [k for k in range(4) if share[k]]
        cap = min(asked, *(hold["axis_speed"][k] / abs(share[k]) for k in axes))
        accel = min(gains, *(hold["axis_acceleration"][k] / abs(share[k]) for k in axes))
        now = {"share": share, "cap": cap, "accel": accel, "head": bool(head)}
        start = 0.0 if rests or last is None else corner(last, now, machine, hold)
        found.append((path, cap, accel, start))
        last = now
    return found


def corner(last, now, machine, hold) -> float:
    """Return mm/s at the corner between two moves."""
    slower = min(last["cap"], now["cap"])
    turn = now["share"] - last["share"]
    if machine.corner_rule == "step":
        return min([slower, *(hold["corner_step"][k] / abs(turn[k]) for k in range(4) if turn[k])])
    if last["head"] != now["head"]:
        return 0.0
    if not now["head"]:
        return slower if turn[3] == 0 else 0.0
    if np.linalg.norm(turn[:3]) < 2e-10:
        return slower
    inner = math.pi - 2 * math.asin(min(1.0, np.linalg.norm(turn[:3]) / 2))
    s = math.sin(inner / 2)
    inward = turn[:3] / np.linalg.norm(turn[:3])
    accel = min(
        now["accel"], last["accel"], *(hold["axis_acceleration"][k] / abs(inward[k]) for k in range(3) if inward[k])
    )
    return min(slower, math.sqrt(accel * hold["corner_deviation"] * s / (1 - s)))
