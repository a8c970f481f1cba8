"""Words to moves: the modal state of a job, row by row."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from diagnose.toolpath._kernels import kernel
from diagnose.toolpath.columns import Bools, Bytes, Floats, Int32s, Ints

# Counters in `tally`.
MOTION, MOVING, EXTRUDING, ARCS, RETRACTS, RESTARTS, MAYBES, HOMED_LATE = range(8)
TALLIES = 8

TROUBLES = (
    "a number no machine can reach",
    "an arc whose end is not on its circle",
    "an arc that no circle of its radius can make",
    "a curve of G5, taken as a straight line",
    "a feed of nothing or less",
    "a tool number no machine has",
)
LARGE, OFF_CIRCLE, NO_CIRCLE, CURVE, NO_FEED, NO_TOOL = range(6)

FARTHEST = 1e6
"""mm; longer words are no part of a print: 1 km of filament is several spools."""
MOST_PIECES = 100_000
COARSEST_STEP = np.pi / 4
RADIUS_SLACK_MM, RADIUS_SLACK_INCH = 0.002, 0.0002 * 25.4
"""NISTIR 6556, 3.5.3.2: how far the end of an arc may lie off its circle. The slack of the test absorbs rounding."""
ROUNDING = 1e-9

# Flags of rows and columns of the side table, as the reader of words writes them.
FIRST, MAYBE = 1, 4
I, J, K, R, P, S, T, L = range(8)


@kernel
def rising(op: Int32s, x: Floats, y: Floats, e: Floats, stop: int) -> tuple[int, int]:
    """Return how often the extruder word rose from one drawn line to the next, and how many pairs there were.

    Rows before `stop` under absolute axes; a G92 that names the extruder starts anew.
    """
    rose = pairs = 0
    last = np.nan
    relative = False
    for r in range(stop):
        o = op[r]
        if o == 1000900:
            relative = False
        elif o == 1000910:
            relative = True
        elif o == 1000920:
            last = e[r] if e[r] == e[r] else last
        elif 1000000 <= o <= 1000030 and o % 10 == 0 and not relative and e[r] == e[r]:
            if x[r] == x[r] or y[r] == y[r]:
                if last == last:
                    pairs += 1
                    if e[r] > last:
                        rose += 1
            last = e[r]
    return rose, pairs


@kernel
def interpret(
    op: Int32s, wx: Floats, wy: Floats, wz: Floats, we: Floats, wf: Floats, bare: Int32s, side: Int32s, extra: Floats,
    line: Int32s, offset: Ints, all_: Int32s, code_: Int32s, flags: Bytes,
    mode_row: int, inferred_relative: bool, flow: float, chord_error: float, own_retract: Floats,
    mx: Floats, my: Floats, mz: Floats, me: Floats, mf: Floats, ma: Floats, mline: Int32s, moffset: Ints,
    mall: Int32s, mcode: Int32s, mlines: Int32s, mtool: NDArray[np.int16], marc: Bools,
    ev_kind: Bytes, ev_before: Ints, ev_line: Int32s, ev_value: Floats,
    start: Floats, tally: Ints, counts: Ints, first_lines: Int32s,
    row: int, nm: int, ne: int, si: Ints, sf: Floats,
) -> tuple[int, int, int]:  # fmt: skip
    """Interpret rows from `row` on until all are done or the columns of moves are full.

    Returns (next row, moves, events); call again with longer columns from there. `flow` > 0 means that M101 and M103
    switch the extruder and every mm of path pushes that much filament. `own_retract` is (length, speed) of G10.
    """
    n, room = len(op), len(mx)
    px, py, pz = sf[0], sf[1], sf[2]
    ox, oy, oz = sf[3], sf[4], sf[5]
    pe, feed, scale, speed_factor, flow_factor = sf[6], sf[7], sf[8], sf[9], sf[10]
    a_print, a_travel, a_retract = sf[11], sf[12], sf[13]
    retract_length, retract_speed, saved_speed = sf[14], sf[15], sf[16]
    known_x, known_y, known_z = si[0] != 0, si[1] != 0, si[2] != 0
    relative, e_relative, on, retracted = si[3] != 0, si[4] != 0, si[5] != 0, si[6] != 0
    plane, tool, mode = si[7], si[8], si[9]
    acc_all, acc_code, acc_lines = si[10], si[11], si[12]
    centre_absolute = si[13] != 0
    for r in range(row, n):
        o = op[r]
        trouble = -1
        pieces = 0
        is_arc = False
        bulk, bulk_code, bulk_lines = acc_all + all_[r], acc_code + code_[r], acc_lines + (flags[r] & 1)
        tx, ty, tz, de = px, py, pz, 0.0
        pace = feed
        # ------------------------------------------------------------------ motion
        motion = -1
        if 1000000 <= o <= 1000030 and o % 10 == 0:
            motion = (o - 1000000) // 10
        elif o == 0:  # a line without a command repeats the last motion
            motion = mode
        elif o == 1000050:
            motion = 1
            trouble = 3
        if motion >= 0:
            vx, vy, vz, ve, vf = wx[r], wy[r], wz[r], we[r], wf[r]
            s = side[r]
            if vf == vf:
                if vf > 0:
                    feed = vf * scale / 60.0
                    pace = feed
                else:
                    trouble = 4
            there = vx == vx or vy == vy or vz == vz or ve == ve
            curved = motion >= 2 and s >= 0 and (
                extra[s, 0] == extra[s, 0] or extra[s, 1] == extra[s, 1]
                or extra[s, 2] == extra[s, 2] or extra[s, 3] == extra[s, 3]
            )  # fmt: skip
            if abs(vx) > 1e6 or abs(vy) > 1e6 or abs(vz) > 1e6 or abs(ve) > 1e6:
                trouble = 0
                vx = vx if abs(vx) <= 1e6 else np.nan
                vy = vy if abs(vy) <= 1e6 else np.nan
                vz = vz if abs(vz) <= 1e6 else np.nan
                ve = ve if abs(ve) <= 1e6 else np.nan
            if vx == vx:
                if relative:
                    tx = px + vx * scale
                else:
                    tx = vx * scale + ox
                if not known_x:  # where the head stood before is what it is told to be now
                    known_x = True
                    if relative:
                        start[0] = 0.0
                    else:
                        start[0] = px = tx
                        for k in range(nm):
                            mx[k] = tx
            if vy == vy:
                if relative:
                    ty = py + vy * scale
                else:
                    ty = vy * scale + oy
                if not known_y:
                    known_y = True
                    if relative:
                        start[1] = 0.0
                    else:
                        start[1] = py = ty
                        for k in range(nm):
                            my[k] = ty
            if vz == vz:
                if relative:
                    tz = pz + vz * scale
                else:
                    tz = vz * scale + oz
                if not known_z:
                    known_z = True
                    if relative:
                        start[2] = 0.0
                    else:
                        start[2] = pz = tz
                        for k in range(nm):
                            mz[k] = tz
            e_is_relative = e_relative
            if r < mode_row:
                e_is_relative = inferred_relative
            if ve == ve:
                de = ve * scale if e_is_relative or relative else ve * scale - pe
            if there or curved:
                pieces = 1
            # -------------------------------------------------------------- arcs
            span = 0.0
            ca = cb = r0 = r1 = a0 = sweep = sa = sb = ea = eb = 0.0
            if curved:
                if plane == 17:
                    sa, sb, ea, eb, ia, ib = px, py, tx, ty, 0, 1
                elif plane == 18:
                    sa, sb, ea, eb, ia, ib = pz, px, tz, tx, 2, 0
                else:
                    sa, sb, ea, eb, ia, ib = py, pz, ty, tz, 1, 2
                same = sa == ea and sb == eb
                radius = extra[s, 3]
                da, db = extra[s, ia], extra[s, ib]
                good = True
                if da == da or db == db:
                    da = da * scale if da == da else 0.0
                    db = db * scale if db == db else 0.0
                    if centre_absolute:
                        ca, cb = da, db
                    else:
                        ca, cb = sa + da, sb + db
                    r0, r1 = np.hypot(sa - ca, sb - cb), np.hypot(ea - ca, eb - cb)
                    good = 0 < r0 <= 1e6 and 0 < r1 <= 1e6
                    slack = 0.002 if scale == 1.0 else 0.00508
                    if good and abs(r0 - r1) > slack + 1e-9:
                        trouble = 1
                elif radius == radius:
                    radius = radius * scale
                    chord = np.hypot(ea - sa, eb - sb)
                    deep = radius * radius - chord * chord / 4.0
                    # Printed digits may leave a half circle a hair too wide.
                    if chord == 0.0 or abs(radius) > 1e6 or deep < -0.002 * max(abs(radius), chord):
                        good = False
                        trouble = 2
                    else:
                        away = np.sqrt(max(deep, 0.0)) / chord
                        if (motion == 3) != (radius > 0):
                            away = -away
                        ca = (sa + ea) / 2.0 - away * (eb - sb)
                        cb = (sb + eb) / 2.0 + away * (ea - sa)
                        r0, r1 = np.hypot(sa - ca, sb - cb), np.hypot(ea - ca, eb - cb)
                else:
                    good = False
                if good:
                    a0 = np.arctan2(sb - cb, sa - ca)
                    sweep = np.arctan2(eb - cb, ea - ca) - a0
                    if motion == 3:
                        if same:
                            sweep = 2.0 * np.pi
                        elif sweep <= 0:
                            sweep += 2.0 * np.pi
                    else:
                        if same:
                            sweep = -2.0 * np.pi
                        elif sweep >= 0:
                            sweep -= 2.0 * np.pi
                    turns = extra[s, 4]
                    if 1.0 < turns <= 1000.0:
                        sweep += np.sign(sweep) * 2.0 * np.pi * np.floor(turns - 1.0)
                    step = min(2.0 * np.arccos(max(1.0 - chord_error / max(r0, r1), -1.0)), np.pi / 4.0)
                    pieces = int(min(max(np.ceil(abs(sweep) / step - 1e-9), 1.0), 100000.0))
                    span = abs(sweep) * (r0 + r1) / 2.0
                    is_arc = True
            if span == 0.0:
                span = np.hypot(tx - px, ty - py)
            length = np.sqrt(span * span + (tz - pz) ** 2) if plane == 17 or not is_arc else span
            if flow > 0:
                de = flow * length if on else 0.0
            if nm + pieces > room:
                break  # the caller makes room and comes back to this row; nothing of it is in the state but the feed
            if ve == ve:
                pe = pe + ve * scale if e_is_relative or relative else ve * scale
            if o != 0:
                tally[0] += 1
                mode = motion
            elif there or curved:
                tally[0] += 1
            if there or curved:
                tally[1] += 1
                if de > 0 and span > 0:
                    tally[2] += 1
                if motion >= 2:
                    tally[3] += 1
                if flags[r] & 4:
                    tally[6] += 1
            de *= flow_factor
            pace = feed * speed_factor
            if pieces == 1 and de == 0.0 and tx == px and ty == py and tz == pz:
                pieces = 0
        # ------------------------------------------------------------------ everything else
        elif o == 0:
            pass  # words before any motion was named
        elif o == 1 or o == 2:
            ev_kind[ne], ev_before[ne], ev_line[ne], ev_value[ne] = 12, nm, line[r], np.nan
            ne += 1
        elif o < 2000000:
            g = o - 1000000
            if g == 100 or g == 110:
                s = side[r]
                others = s >= 0 and (extra[s, 4] == extra[s, 4] or extra[s, 3] == extra[s, 3] or extra[s, 7] == extra[s, 7])
                others = others or wx[r] == wx[r] or wy[r] == wy[r] or wz[r] == wz[r]
                if g == 100 and others:  # sets temperatures or offsets of a tool
                    if s >= 0 and extra[s, 5] == extra[s, 5]:
                        ev_kind[ne], ev_before[ne], ev_line[ne], ev_value[ne] = 5, nm, line[r], extra[s, 5]
                        ne += 1
                else:
                    if nm + 1 > room:
                        break
                    tally[4 if g == 100 else 5] += 1
                    if retracted != (g == 100):
                        retracted = g == 100
                        de = -retract_length if retracted else retract_length
                        pace = retract_speed
                        pieces = 1
            elif g == 40:
                value = 0.0
                s = side[r]
                if s >= 0:
                    if extra[s, 5] == extra[s, 5]:
                        value = extra[s, 5]
                    elif extra[s, 4] == extra[s, 4]:
                        value = extra[s, 4] / 1000.0
                ev_kind[ne], ev_before[ne], ev_line[ne], ev_value[ne] = 1, nm, line[r], max(value, 0.0)
                ne += 1
            elif g == 170 or g == 180 or g == 190:
                plane = g // 10
            elif g == 200:
                scale = 25.4
            elif g == 210:
                scale = 1.0
            elif g == 900:
                relative = False
            elif g == 910:
                relative = True
            elif g == 901:
                centre_absolute = True
            elif g == 911:
                centre_absolute = False
            elif g == 920:
                named = bare[r] & (1 << 23 | 1 << 24 | 1 << 25 | 1 << 4)
                vx, vy, vz, ve = wx[r], wy[r], wz[r], we[r]
                none = named == 0 and vx != vx and vy != vy and vz != vz and ve != ve
                # A bare letter, and G92 alone, mean zero.
                if none or named & (1 << 23):
                    vx = 0.0
                if none or named & (1 << 24):
                    vy = 0.0
                if none or named & (1 << 25):
                    vz = 0.0
                if none or named & (1 << 4):
                    ve = 0.0
                if abs(vx) > 1e6 or abs(vy) > 1e6 or abs(vz) > 1e6 or abs(ve) > 1e6:
                    trouble = 0
                else:
                    if vx == vx:
                        if known_x:
                            ox = px - vx * scale
                        elif not none:
                            known_x = True
                            start[0] = px = vx * scale + ox
                            for k in range(nm):
                                mx[k] = px
                    if vy == vy:
                        if known_y:
                            oy = py - vy * scale
                        elif not none:
                            known_y = True
                            start[1] = py = vy * scale + oy
                            for k in range(nm):
                                my[k] = py
                    if vz == vz:
                        if known_z:
                            oz = pz - vz * scale
                        elif not none:
                            known_z = True
                            start[2] = pz = vz * scale + oz
                            for k in range(nm):
                                mz[k] = pz
                    if ve == ve:
                        pe = ve * scale
            elif g == 921 or g == 922:
                ox = oy = oz = 0.0
            elif g == 280:
                named = bare[r] & (1 << 23 | 1 << 24 | 1 << 25)
                every = named == 0 and wx[r] != wx[r] and wy[r] != wy[r] and wz[r] != wz[r]
                if every or named & (1 << 23) or wx[r] == wx[r]:
                    ox = 0.0
                if every or named & (1 << 24) or wy[r] == wy[r]:
                    oy = 0.0
                if every or named & (1 << 25) or wz[r] == wz[r]:
                    oz = 0.0
                if nm > 0:
                    tally[7] += 1
                ev_kind[ne], ev_before[ne], ev_line[ne], ev_value[ne] = 12, nm, line[r], np.nan
                ne += 1
            elif g == 530 or 540 <= g <= 599 or g == 800 or 930 <= g <= 959 or g == 610 or g == 640 or 400 <= g <= 499:
                pass
            elif g != 923 and g != 210:
                ev_kind[ne], ev_before[ne], ev_line[ne], ev_value[ne] = 12, nm, line[r], np.nan
                ne += 1
        elif o < 3000000:
            c = (o - 2000000) // 10
            s = side[r]
            vs = extra[s, 5] if s >= 0 else np.nan
            vp = extra[s, 4] if s >= 0 else np.nan
            kind = 0
            value = np.nan
            if c == 82:
                e_relative = False
            elif c == 83:
                e_relative = True
            elif c == 101:
                on = True
            elif c == 103:
                on = False
            elif c == 204:
                if vs == vs and vs > 0:
                    a_print = a_travel = vs * scale
                if vp == vp and vp > 0:
                    a_print = vp * scale
                if s >= 0 and extra[s, 6] > 0:
                    a_travel = extra[s, 6] * scale
                if s >= 0 and extra[s, 3] > 0:
                    a_retract = extra[s, 3] * scale
            elif c == 207:
                if vs == vs and 0 <= vs < 1e6 and own_retract[0] != own_retract[0]:
                    retract_length = vs * scale
                if wf[r] > 0 and own_retract[1] != own_retract[1]:
                    retract_speed = wf[r] * scale / 60.0
            elif c == 220:
                if vs == vs and vs > 0:
                    speed_factor = vs / 100.0
                    kind, value = 9, speed_factor
                elif bare[r] & (1 << 1):
                    saved_speed = speed_factor
                elif bare[r] & (1 << 17):
                    speed_factor = saved_speed
                    kind, value = 9, speed_factor
            elif c == 221:
                if vs == vs and vs > 0:
                    flow_factor = vs / 100.0
                    kind, value = 10, flow_factor
            elif c == 106 or c == 107:
                if not vp > 1:  # other fans do not blow on the part
                    kind = 7
                    value = 0.0 if c == 107 else 1.0
                    if c == 106 and vs == vs:
                        value = vs if 0 < vs < 1 else min(max(vs / 255.0, 0.0), 1.0)
            elif c == 104 or c == 109:
                value = vs if vs == vs else (extra[s, 3] if s >= 0 else np.nan)
                if c == 109:
                    ev_kind[ne], ev_before[ne], ev_line[ne], ev_value[ne] = 4, nm, line[r], value
                    ne += 1
                kind = 5 if value == value else 0
            elif c == 140 or c == 190:
                value = vs if vs == vs else (extra[s, 3] if s >= 0 else np.nan)
                if c == 190:
                    ev_kind[ne], ev_before[ne], ev_line[ne], ev_value[ne] = 4, nm, line[r], value
                    ne += 1
                kind = 6 if value == value else 0
            elif c == 191 or c == 116:
                kind, value = 4, vs
            elif c == 0 or c == 1 or c == 25 or c == 226 or c == 600 or c == 601:
                kind = 2
            elif c == 400:
                kind = 3
            elif c == 413:
                if vs == vs:
                    kind, value = 11, (1.0 if vs > 0 else 0.0)
            elif c == 6 or c == 135:
                vt = extra[s, 6] if s >= 0 else np.nan
                if 0 <= vt < 100 and int(vt) != tool:
                    tool = int(vt)
                    kind, value = 8, float(tool)
            elif c == 98 or c == 701 or c == 702:
                kind = 12
            if kind > 0:
                ev_kind[ne], ev_before[ne], ev_line[ne], ev_value[ne] = kind, nm, line[r], value
                ne += 1
        else:
            number = (o - 3000000) // 10
            if number >= 100:
                trouble = 5
            elif number != tool:
                tool = number
                ev_kind[ne], ev_before[ne], ev_line[ne], ev_value[ne] = 8, nm, line[r], float(number)
                ne += 1
        # ------------------------------------------------------------------ write
        if pieces > 0:
            moving = tx != px or ty != py or tz != pz or is_arc
            accel = a_retract if not moving else (a_print if de > 0 else a_travel)
            share = de / pieces
            for k in range(1, pieces + 1):
                qx, qy, qz = tx, ty, tz
                if is_arc and k < pieces:
                    part = k / pieces
                    angle = a0 + sweep * part
                    far = r0 + (r1 - r0) * part
                    qa, qb = ca + far * np.cos(angle), cb + far * np.sin(angle)
                    if plane == 17:
                        qx, qy, qz = qa, qb, pz + (tz - pz) * part
                    elif plane == 18:
                        qz, qx, qy = qa, qb, py + (ty - py) * part
                    else:
                        qy, qz, qx = qa, qb, px + (tx - px) * part
                mx[nm], my[nm], mz[nm], me[nm], mf[nm], ma[nm] = qx, qy, qz, share, pace, accel
                mline[nm], moffset[nm], mtool[nm], marc[nm] = line[r], offset[r], tool, is_arc
                mall[nm], mcode[nm], mlines[nm] = bulk, bulk_code, bulk_lines
                bulk = bulk_code = bulk_lines = 0
                nm += 1
        px, py, pz = tx, ty, tz
        acc_all, acc_code, acc_lines = bulk, bulk_code, bulk_lines
        if trouble >= 0:
            if counts[trouble] < first_lines.shape[1]:
                first_lines[trouble, counts[trouble]] = line[r]
            counts[trouble] += 1
        row = r + 1
    sf[0], sf[1], sf[2], sf[3], sf[4], sf[5] = px, py, pz, ox, oy, oz
    sf[6], sf[7], sf[8], sf[9], sf[10] = pe, feed, scale, speed_factor, flow_factor
    sf[11], sf[12], sf[13], sf[14], sf[15], sf[16] = a_print, a_travel, a_retract, retract_length, retract_speed, saved_speed
    si[0], si[1], si[2] = known_x, known_y, known_z
    si[3], si[4], si[5], si[6] = relative, e_relative, on, retracted
    si[7], si[8], si[9] = plane, tool, mode
    si[10], si[11], si[12], si[13] = acc_all, acc_code, acc_lines, centre_absolute
    return row, nm, ne
