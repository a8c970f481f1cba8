"""Moves built directly, without a job file: tubes, chains, and machines whose corners and links do not limit."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from diagnose.toolpath.columns import EventKind, Events, Moves
from diagnose.toolpath.machine import Machine

LINE_BYTES = 40

PLAIN = Machine(
    planning="board",
    buffer_time=0.0,
    queue_moves=16,
    queue_seen=16,
    acceleration=3000.0,
    travel_acceleration=3000.0,
    axis_speed=(1000.0,) * 4,
    axis_acceleration=(1e6,) * 4,
    corner_rule="radius",
    corner_deviation=0.05,
    corner_step=(10.0, 10.0, 0.4, 5.0),
    least_speed=0.0,
    least_travel_speed=0.0,
    least_move=0.0,
    stretch_below=0,
    job_sets_limits=True,
    tool_change_time=0.0,
    feed="card",
    bytes_per_s=100_000.0,
    line_time=0.0005,
    reply_time=0.0,
    reply_bytes=0,
    window_lines=1,
    checkpoint_every=0.0,
    checkpoint_takes=0.0,
    rated_writes=10_000,
    hiccups_per_min=0.0,
    hiccup_takes=0.1,
    resends_per_1000=0.0,
    resend_lines=0,
    filament_diameter=1.75,
    nozzle_diameter=0.4,
    melt_rate=12.0,
    retract_length=1.0,
    retract_speed=40.0,
    ooze_rate=0.5,
)


def machine(**changes) -> Machine:
    """Return the plain machine with some numbers changed; the planner sees the whole queue unless told otherwise."""
    if "queue_moves" in changes:
        changes.setdefault("queue_seen", changes["queue_moves"])
    return replace(PLAIN, **changes)


def moves_through(points, feed, *, filament_per_mm=0.03, line_bytes=LINE_BYTES, accel=math.nan, filament=None) -> Moves:
    """Return moves from the first of the points (n + 1, 3) through all others; feed is one number or (n,) mm/s."""
    points = np.asarray(points, float)
    n = len(points) - 1
    path = np.linalg.norm(np.diff(points, axis=0), axis=1)
    size = np.full(n, line_bytes, np.int32) if np.isscalar(line_bytes) else np.asarray(line_bytes, np.int32)
    return Moves(
        start=points[0].copy(),
        x=points[1:, 0].copy(),
        y=points[1:, 1].copy(),
        z=points[1:, 2].copy(),
        e=path * filament_per_mm if filament is None else np.asarray(filament, float),
        feed=np.full(n, feed, np.float32) if np.isscalar(feed) else np.asarray(feed, np.float32),
        accel=np.full(n, float(accel)) if np.isscalar(accel) else np.asarray(accel, float),
        line=np.arange(1, n + 1, dtype=np.int32),
        bytes_all=size,
        bytes_code=size.copy(),
        lines_code=np.ones(n, np.int32),
        tool=np.zeros(n, np.int16),
        arc=np.zeros(n, bool),
    )


def tube(facets=150, speed=150.0, seconds=60.0, radius=20.0, rise=0.2) -> Moves:
    """Return a spiral tube of about so many seconds at its nominal speed, centred on the origin."""
    side = 2 * radius * math.sin(math.pi / facets)
    k = np.arange(round(seconds * speed / side) + 1)
    angle = 2 * math.pi * k / facets
    return moves_through(np.column_stack((radius * np.cos(angle), radius * np.sin(angle), rise * k / facets)), speed)


def chain(lengths, speed) -> Moves:
    """Return moves straight on along x."""
    x = np.concatenate(([0.0], np.cumsum(lengths)))
    return moves_through(np.column_stack((x, np.zeros_like(x), np.zeros_like(x))), speed)


def events(*entries: tuple[EventKind, int, float]) -> Events:
    """Return events from (kind, move that follows, value), in order."""
    kind, before, value = zip(*entries, strict=True) if entries else ((), (), ())
    return Events(
        np.array(kind, np.uint8), np.array(before, np.int64), np.zeros(len(kind), np.int32), np.array(value, float)
    )
