"""Words to moves: the modal state of a job, row by row."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from diagnose.toolpath._kernels import kernel
from diagnose.toolpath.columns import Bools, Bytes, EventKind, Floats, Int32s, Ints, Singles

# Counters in `tally`.
MOTION, MOVING, EXTRUDING, ARCS, RETRACTS, RESTARTS, MAYBES, HOMED_LATE, OWN_FILAMENT = range(9)
TALLIES = 9

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
FASTEST = 1e12
"""mm/min, and mm/s2; jobs ask for 999999999 and mean "as fast as you can"."""
MOST_PIECES = 100_000
MOST_TURNS = 1000.0
COARSEST_STEP = np.pi / 4
RADIUS_SLACK_MM, RADIUS_SLACK_INCH = 0.002, 0.0002 * 25.4
"""NISTIR 6556, 3.5.3.2: how far the end of an arc may lie off its circle. The slack of the test absorbs rounding."""
ROUNDING = 1e-9

_LETTERS = {letter: 1 << (ord(letter) - 65) for letter in "XYZEBR"}
X_BIT, Y_BIT, Z_BIT, E_BIT, B_BIT, R_BIT = (_LETTERS[letter] for letter in "XYZEBR")
AXES = X_BIT | Y_BIT | Z_BIT | E_BIT
DWELL, PAUSE, WAIT_MOVES, HEAT_WAIT, NOZZLE_TEMP, BED_TEMP, FAN, TOOL = (int(kind) for kind in list(EventKind)[:8])
SPEED_OVERRIDE, FLOW_OVERRIDE, RESUME_SAVING, UNKNOWN_MOTION = (int(kind) for kind in list(EventKind)[8:])

# Events that only the caller of `interpret` sees: limits set by the row that is their value, in mm or inches, and moves of
# G10 and G11 (value 0 and 1).
LIMITS_MM, LIMITS_INCH, BY_BOARD = 250, 251, 252
MOST_TOOLS = 100

# What `interpret` keeps between rows and calls: integers (flags are 0 or 1) and real numbers.
KNOWN_X, KNOWN_Y, KNOWN_Z, RELATIVE, LENGTHS, ON, RETRACTED, PLANE, TOOL_NOW, MODE = range(10)
BYTES_ALL, BYTES_CODE, LINES_CODE, CENTRE_ABSOLUTE, OTHER_TOOL, PIECES, INTEGERS = range(10, 17)
X, Y, Z, SHIFT_X, SHIFT_Y, SHIFT_Z, FILAMENT, FEED, SCALE, SPEED_FACTOR, FLOW_FACTOR = range(11)
A_PRINT, A_TRAVEL, A_RETRACT, BACK_MM, BACK_SPEED, SAVED_SPEED, PUSHED, REALS = range(11, 19)

# As the reader of words writes them: flags of rows are 1 for the first of a line and 4 for a conditional one; the side
# table holds I J K R P S T L B in this order, so that `extra[s, 5]` is an S word.


@kernel
def rising(op: Int32s, x: Floats, y: Floats, e: Floats, stop: int, state: Floats) -> None:
    """Count how often the extruder word rose from one drawn line to the next, and how many pairs there were.

    Rows before `stop` under absolute axes; a G92 that names the extruder starts anew. `state` is (rose, pairs, last
    extruder word, whether axes are relative) and goes on from piece to piece.
    """
    rose, pairs, last, relative = state[0], state[1], state[2], state[3] != 0
    for r in range(stop):
        o = op[r]
        if o == 1000900:
            relative = False
        elif o == 1000910:
            relative = True
        elif o == 1000920:
            last = e[r] if e[r] == e[r] else last
        elif 1000000 <= o <= 1000030 and o % 10 == 0 and not relative and e[r] == e[r]:
            if last == last and (x[r] == x[r] or y[r] == y[r]):
                pairs += 1.0
                if e[r] > last:
                    rose += 1.0
            last = e[r]
    state[0], state[1], state[2], state[3] = rose, pairs, last, 1.0 if relative else 0.0


@kernel
def circle(
    sa: float, sb: float, ea: float, eb: float, da: float, db: float, radius: float, turns: float, anticlockwise: bool,
    centre_absolute: bool, slack: float,
) -> tuple[float, float, float, float, float, float, int]:  # fmt: skip
    """Return centre, radius at start and end, angle of the start, sweep (0: a straight line), and trouble (-1: none).

    From start and end in the plane, and either the way to the centre (NaN: 0) or a radius, positive for at most half a
    turn (NISTIR 6556, 3.5.3). A full circle has its end on its start; `turns` beyond one are added.
    """
    same = sa == ea and sb == eb
    fault = -1
    if da == da or db == db:
        da = da if da == da else 0.0
        db = db if db == db else 0.0
        ca, cb = (da, db) if centre_absolute else (sa + da, sb + db)
        r0, r1 = np.hypot(sa - ca, sb - cb), np.hypot(ea - ca, eb - cb)
        if not (0 < r0 <= FARTHEST and 0 < r1 <= FARTHEST):
            return ca, cb, r0, r1, 0.0, 0.0, fault
        if abs(r0 - r1) > slack + ROUNDING:
            fault = OFF_CIRCLE
    else:
        chord = np.hypot(ea - sa, eb - sb)
        deep = radius * radius - chord * chord / 4.0
        # Printed digits may leave a half circle a hair too wide.
        if not (chord > 0 and 0 < abs(radius) <= FARTHEST and deep >= -slack * max(abs(radius), chord)):
            return sa, sb, 0.0, 0.0, 0.0, 0.0, NO_CIRCLE
        away = np.sqrt(max(deep, 0.0)) / chord
        if anticlockwise != (radius > 0):
            away = -away
        ca = (sa + ea) / 2.0 - away * (eb - sb)
        cb = (sb + eb) / 2.0 + away * (ea - sa)
        r0, r1 = np.hypot(sa - ca, sb - cb), np.hypot(ea - ca, eb - cb)
    a0 = np.arctan2(sb - cb, sa - ca)
    sweep = 0.0 if same else np.arctan2(eb - cb, ea - ca) - a0
    if anticlockwise and sweep <= 0:
        sweep += 2.0 * np.pi
    elif not anticlockwise and sweep >= 0:
        sweep -= 2.0 * np.pi
    if 1.0 < turns <= MOST_TURNS:
        sweep += np.sign(sweep) * 2.0 * np.pi * np.floor(turns - 1.0)
    return ca, cb, r0, r1, a0, sweep, fault


@kernel
def command(
    o: int, vx: float, vy: float, vz: float, ve: float, vf: float, bits: int, s: int, extra: Floats, r: int, nm: int,
    own_retract: Floats, start: Floats, late: Ints, filament: Floats, tally: Ints, si: Ints, sf: Floats,
) -> tuple[int, int, float, int]:  # fmt: skip
    """Carry out a row that is no motion; return (kind of event, one before it, value, trouble), 0 and -1 for none.

    What the row changes goes to the state. A move of filament alone is left in PIECES and PUSHED.
    """
    kind = also = 0
    trouble = -1
    value = np.nan
    scale = sf[SCALE]
    if o == 1 or o == 2:
        kind = UNKNOWN_MOTION
    elif o < 2000000:
        g = o - 1000000
        if g == 100 or g == 110:
            others = s >= 0 and (extra[s, 4] == extra[s, 4] or extra[s, 3] == extra[s, 3] or extra[s, 7] == extra[s, 7])
            if g == 100 and (others or vx == vx or vy == vy or vz == vz):  # sets temperatures or offsets of a tool
                value = extra[s, 5] if s >= 0 else np.nan
                kind = NOZZLE_TEMP if value == value else 0
            else:
                tally[RETRACTS if g == 100 else RESTARTS] += 1
                back = g == 100
                if (si[RETRACTED] != 0) != back:
                    si[RETRACTED] = back
                    si[PIECES] = 1
                    sf[PUSHED] = -sf[BACK_MM] if back else sf[BACK_MM]
                    kind, value = BY_BOARD, 0.0 if back else 1.0
        elif g == 40:
            kind, value = DWELL, 0.0
            if s >= 0 and extra[s, 5] == extra[s, 5]:
                value = max(extra[s, 5], 0.0)
            elif s >= 0 and extra[s, 4] == extra[s, 4]:
                value = max(extra[s, 4] / 1000.0, 0.0)
        elif g == 170 or g == 180 or g == 190:
            si[PLANE] = g // 10
        elif g == 200 or g == 210:
            sf[SCALE] = 25.4 if g == 200 else 1.0
        elif g == 900 or g == 910:
            si[RELATIVE] = g == 910
        elif g == 901 or g == 911:
            si[CENTRE_ABSOLUTE] = g == 901
        elif g == 920:
            named = bits & AXES
            if named == 0 and vx != vx and vy != vy and vz != vz and ve != ve:
                named = AXES  # G92 alone, and a bare letter, mean zero
            ve = 0.0 if named & E_BIT else ve * scale
            far = abs(ve) > FARTHEST
            for k in range(3):
                v = 0.0 if named & (X_BIT << k) else (vx if k == 0 else vy if k == 1 else vz) * scale
                far = far or abs(v) > FARTHEST
            if far:
                trouble = LARGE
            else:
                for k in range(3):
                    v = 0.0 if named & (X_BIT << k) else (vx if k == 0 else vy if k == 1 else vz) * scale
                    if v == v and si[KNOWN_X + k] != 0:
                        sf[SHIFT_X + k] = sf[X + k] - v
                    elif v == v and named != AXES:  # an axis never stated stands where it is told to stand
                        si[KNOWN_X + k] = 1
                        sf[X + k] = v + sf[SHIFT_X + k]
                        start[k] = sf[X + k]
                        late[k] = nm
                if ve == ve:
                    sf[FILAMENT] = ve
                    si[OTHER_TOOL] = 0
        elif g == 921 or g == 922:
            sf[SHIFT_X] = sf[SHIFT_Y] = sf[SHIFT_Z] = 0.0
        elif g == 280:
            every = bits & (X_BIT | Y_BIT | Z_BIT) == 0 and vx != vx and vy != vy and vz != vz
            sf[SHIFT_X] = 0.0 if every or bits & X_BIT or vx == vx else sf[SHIFT_X]
            sf[SHIFT_Y] = 0.0 if every or bits & Y_BIT or vy == vy else sf[SHIFT_Y]
            sf[SHIFT_Z] = 0.0 if every or bits & Z_BIT or vz == vz else sf[SHIFT_Z]
            tally[HOMED_LATE] += nm > 0
            kind = UNKNOWN_MOTION
        elif not (400 <= g <= 499 or 530 <= g <= 599 or g == 610 or g == 640 or g == 800 or g == 923 or 930 <= g <= 959):
            kind = UNKNOWN_MOTION
    elif o < 3000000:
        c = (o - 2000000) // 10
        vs = extra[s, 5] if s >= 0 else np.nan
        vp = extra[s, 4] if s >= 0 else np.nan
        vr = extra[s, 3] if s >= 0 else np.nan
        vt = extra[s, 6] if s >= 0 else np.nan
        if c == 82 or c == 83:
            si[LENGTHS] = c == 83
        elif c == 101 or c == 103:
            si[ON] = c == 101
        elif c == 201 or c == 203 or c == 205 or c == 566:
            kind = LIMITS_MM if scale == 1.0 else LIMITS_INCH
            value = float(r)
        elif c == 204:
            sf[A_PRINT] = vs * scale if 0 < vs <= FASTEST else sf[A_PRINT]
            sf[A_TRAVEL] = vs * scale if 0 < vs <= FASTEST else sf[A_TRAVEL]
            sf[A_PRINT] = vp * scale if 0 < vp <= FASTEST else sf[A_PRINT]
            sf[A_TRAVEL] = vt * scale if 0 < vt <= FASTEST else sf[A_TRAVEL]
            sf[A_RETRACT] = vr * scale if 0 < vr <= FASTEST else sf[A_RETRACT]
        elif c == 207:  # a printer card that states its retraction wins
            if 0 <= vs < FARTHEST and own_retract[0] != own_retract[0]:
                sf[BACK_MM] = vs * scale
            if 0 < vf <= FASTEST and own_retract[1] != own_retract[1]:
                sf[BACK_SPEED] = vf * scale / 60.0
        elif c == 220:
            if 0 < vs <= FARTHEST:
                kind, sf[SPEED_FACTOR] = SPEED_OVERRIDE, vs / 100.0
            elif bits & B_BIT:
                sf[SAVED_SPEED] = sf[SPEED_FACTOR]
            elif bits & R_BIT:
                kind, sf[SPEED_FACTOR] = SPEED_OVERRIDE, sf[SAVED_SPEED]
            value = sf[SPEED_FACTOR]
        elif c == 221:
            if 0 < vs <= FARTHEST:
                kind, sf[FLOW_FACTOR] = FLOW_OVERRIDE, vs / 100.0
            value = sf[FLOW_FACTOR]
        elif c == 106 or c == 107:
            if not vp > 1:  # fans of higher numbers do not blow on the part
                kind = FAN
                value = 0.0 if c == 107 else 1.0
                if c == 106 and vs == vs:
                    value = vs if 0 < vs < 1 else min(max(vs / 255.0, 0.0), 1.0)
        elif c == 104 or c == 109 or c == 140 or c == 190:
            value = vs if vs == vs else vr
            kind = (NOZZLE_TEMP if c < 140 else BED_TEMP) if value == value else 0
            also = HEAT_WAIT if c == 109 or c == 190 else 0
        elif c == 191 or c == 116:
            kind, value = HEAT_WAIT, vs
        elif c == 0 or c == 1 or c == 25 or c == 226 or c == 600 or c == 601:
            kind = PAUSE
        elif c == 400:
            kind = WAIT_MOVES
        elif c == 413 and vs == vs:
            kind, value = RESUME_SAVING, 1.0 if vs > 0 else 0.0
        elif (c == 6 or c == 135) and 0 <= vt < MOST_TOOLS:
            if int(vt) != si[TOOL_NOW]:
                filament[si[TOOL_NOW]] = sf[FILAMENT]
                si[TOOL_NOW], si[OTHER_TOOL] = int(vt), 1
                kind, value = TOOL, float(si[TOOL_NOW])
        elif c == 98 or c == 701 or c == 702:
            kind = UNKNOWN_MOTION
    else:
        number = (o - 3000000) // 10
        if number >= MOST_TOOLS:
            trouble = NO_TOOL
        elif number != si[TOOL_NOW]:
            filament[si[TOOL_NOW]] = sf[FILAMENT]
            si[TOOL_NOW], si[OTHER_TOOL] = number, 1
            kind, value = TOOL, float(number)
    if abs(value) > FARTHEST and kind < LIMITS_MM:
        value = np.nan
    return kind, also, value, trouble


@kernel
def interpret(
    op: Int32s, wx: Floats, wy: Floats, wz: Floats, we: Floats, wf: Floats, bare: Int32s, side: Int32s, extra: Floats,
    line: Int32s, lines_before: int, all_: Int32s, code_: Int32s, flags: Bytes,
    flow: float, chord_error: float, own_retract: Floats,
    mx: Floats, my: Floats, mz: Floats, me: Floats, mf: Singles, ma: Floats, mline: Int32s,
    mall: Int32s, mcode: Int32s, mlines: Int32s, mtool: NDArray[np.int16], marc: Bools,
    ev_kind: Bytes, ev_before: Ints, ev_line: Int32s, ev_value: Floats,
    start: Floats, late: Ints, filament: Floats, tally: Ints, counts: Ints, first_lines: Int32s,
    row: int, nm: int, ne: int, si: Ints, sf: Floats,
) -> tuple[int, int, int]:  # fmt: skip
    """Interpret rows from `row` on until all are done or the columns of moves are full.

    Returns (next row, moves, events); call again with longer columns from there. `flow` > 0 means that M101 and M103
    switch the extruder and every mm of path pushes that much filament. `own_retract` is (length, speed) of G10.
    `lines_before` are those of the file before the first of `line`.
    `late` (3,) becomes the number of moves before an axis was first stated, all of which stood at `start`. `filament` (100,)
    is where the extruder word of each tool stood when it was left. Accelerations `ma` are only written where there is room for them;
    `mtool` and `marc` come as zeros, and stay untouched memory where the job has one tool and no arcs.
    """
    n, room, paced = len(op), len(mx), len(ma) > 0
    px, py, pz, pe = sf[X], sf[Y], sf[Z], sf[FILAMENT]
    for r in range(row, n):
        o = op[r]
        s = side[r]
        here = lines_before + line[r]
        vx, vy, vz, ve, vf = wx[r], wy[r], wz[r], we[r], wf[r]
        trouble = -1
        pieces = 0
        is_arc = False
        ca = cb = r0 = r1 = a0 = sweep = 0.0
        tx, ty, tz, de = px, py, pz, 0.0
        pace = 0.0
        motion = -1
        if 1000000 <= o <= 1000030 and o % 10 == 0:
            motion = (o - 1000000) // 10
        elif o == 0:  # a line without a command repeats the last motion
            motion = si[MODE]
        elif o == 1000050:
            motion = 1
            trouble = CURVE
        if motion >= 0:
            scale = sf[SCALE]
            relative = si[RELATIVE] != 0
            lengths = relative or si[LENGTHS] != 0
            if vf == vf:
                if 0 < vf <= FASTEST:
                    sf[FEED] = vf * scale / 60.0
                else:
                    trouble = LARGE if vf > 0 else NO_FEED
            there = vx == vx or vy == vy or vz == vz or ve == ve
            curved = motion >= 2 and s >= 0 and (
                extra[s, 0] == extra[s, 0] or extra[s, 1] == extra[s, 1]
                or extra[s, 2] == extra[s, 2] or extra[s, 3] == extra[s, 3]
            )  # fmt: skip
            if abs(vx) > FARTHEST or abs(vy) > FARTHEST or abs(vz) > FARTHEST or abs(ve) > FARTHEST:
                trouble = LARGE
                vx = vx if abs(vx) <= FARTHEST else np.nan
                vy = vy if abs(vy) <= FARTHEST else np.nan
                vz = vz if abs(vz) <= FARTHEST else np.nan
                ve = ve if abs(ve) <= FARTHEST else np.nan
            if vx == vx:
                tx = px + vx * scale if relative else vx * scale + sf[SHIFT_X]
                if si[KNOWN_X] == 0:  # where the head stood before is what it is told to be now
                    si[KNOWN_X], late[0] = 1, nm
                    px = px if relative else tx
                    start[0] = px
            if vy == vy:
                ty = py + vy * scale if relative else vy * scale + sf[SHIFT_Y]
                if si[KNOWN_Y] == 0:
                    si[KNOWN_Y], late[1] = 1, nm
                    py = py if relative else ty
                    start[1] = py
            if vz == vz:
                tz = pz + vz * scale if relative else vz * scale + sf[SHIFT_Z]
                if si[KNOWN_Z] == 0:
                    si[KNOWN_Z], late[2] = 1, nm
                    pz = pz if relative else tz
                    start[2] = pz
            if ve == ve:
                if lengths:
                    de = ve * scale
                else:
                    if si[OTHER_TOOL] != 0:  # it goes on from where this tool stood, or from where the last one stands
                        own = filament[si[TOOL_NOW]] if filament[si[TOOL_NOW]] == filament[si[TOOL_NOW]] else 0.0
                        if abs(ve * scale - own) < abs(ve * scale - pe):
                            pe = own
                            tally[OWN_FILAMENT] += 1
                        si[OTHER_TOOL] = 0
                    de = ve * scale - pe
            if there or curved:
                pieces = 1
            span = 0.0
            if curved:
                if si[PLANE] == 17:
                    sa, sb, ea, eb, da, db = px, py, tx, ty, extra[s, 0], extra[s, 1]
                elif si[PLANE] == 18:
                    sa, sb, ea, eb, da, db = pz, px, tz, tx, extra[s, 2], extra[s, 0]
                else:
                    sa, sb, ea, eb, da, db = py, pz, ty, tz, extra[s, 1], extra[s, 2]
                ca, cb, r0, r1, a0, sweep, fault = circle(
                    sa, sb, ea, eb, da * scale, db * scale, extra[s, 3] * scale, extra[s, 4], motion == 3,
                    si[CENTRE_ABSOLUTE] != 0, RADIUS_SLACK_MM if scale == 1.0 else RADIUS_SLACK_INCH,
                )  # fmt: skip
                trouble = fault if fault >= 0 else trouble
                if sweep != 0.0:
                    step = min(2.0 * np.arccos(max(1.0 - chord_error / max(r0, r1), -1.0)), COARSEST_STEP)
                    pieces = int(min(max(np.ceil(abs(sweep) / step - ROUNDING), 1.0), float(MOST_PIECES)))
                    span = abs(sweep) * (r0 + r1) / 2.0
                    is_arc = True
            if flow > 0:
                if not is_arc:
                    span = np.hypot(tx - px, ty - py)
                de = flow * np.hypot(span, tz - pz) if si[ON] != 0 else 0.0
            if nm + pieces > room:
                break  # the caller makes room and comes back to this row; it will find the same state
            if ve == ve:
                pe = pe + ve * scale if lengths else ve * scale
            if o != 0:
                tally[MOTION] += 1
                si[MODE] = motion
            elif there or curved:
                tally[MOTION] += 1
            if there or curved:
                tally[MOVING] += 1
                if de > 0 and (is_arc or tx != px or ty != py):
                    tally[EXTRUDING] += 1
                if motion >= 2:
                    tally[ARCS] += 1
                if flags[r] & 4:
                    tally[MAYBES] += 1
            de *= sf[FLOW_FACTOR]
            pace = sf[FEED] * sf[SPEED_FACTOR]
            if pieces == 1 and de == 0.0 and tx == px and ty == py and tz == pz:
                pieces = 0
        elif o != 0:
            if nm + 1 > room:
                break
            sf[X], sf[Y], sf[Z], sf[FILAMENT] = px, py, pz, pe
            si[PIECES] = 0
            kind, also, value, trouble = command(
                o, vx, vy, vz, ve, vf, bare[r], s, extra, r, nm, own_retract, start, late, filament, tally, si, sf
            )
            if also > 0:
                ev_kind[ne], ev_before[ne], ev_line[ne], ev_value[ne] = also, nm, here, value
                ne += 1
            if kind > 0:
                ev_kind[ne], ev_before[ne], ev_line[ne], ev_value[ne] = kind, nm, here, value
                ne += 1
            px, py, pz, pe = sf[X], sf[Y], sf[Z], sf[FILAMENT]
            tx, ty, tz = px, py, pz
            pieces = si[PIECES]
            if pieces > 0:
                de, pace = sf[PUSHED], sf[BACK_SPEED]
        si[BYTES_ALL] += all_[r]
        si[BYTES_CODE] += code_[r]
        si[LINES_CODE] += flags[r] & 1
        if pieces > 0:
            moving = tx != px or ty != py or tz != pz or is_arc
            accel = sf[A_RETRACT] if not moving else (sf[A_PRINT] if de > 0 else sf[A_TRAVEL])
            share = de / pieces if pieces > 1 else de
            for k in range(1, pieces + 1):
                qx, qy, qz = tx, ty, tz
                if is_arc and k < pieces:
                    part = k / pieces
                    angle = a0 + sweep * part
                    far = r0 + (r1 - r0) * part
                    qa, qb = ca + far * np.cos(angle), cb + far * np.sin(angle)
                    if si[PLANE] == 17:
                        qx, qy, qz = qa, qb, pz + (tz - pz) * part
                    elif si[PLANE] == 18:
                        qz, qx, qy = qa, qb, py + (ty - py) * part
                    else:
                        qy, qz, qx = qa, qb, px + (tx - px) * part
                mx[nm], my[nm], mz[nm], me[nm], mf[nm] = qx, qy, qz, share, pace
                if paced:
                    ma[nm] = accel
                mline[nm] = here
                if si[TOOL_NOW] != 0:
                    mtool[nm] = si[TOOL_NOW]
                if is_arc:
                    marc[nm] = True
                mall[nm], mcode[nm], mlines[nm] = si[BYTES_ALL], si[BYTES_CODE], si[LINES_CODE]
                si[BYTES_ALL] = si[BYTES_CODE] = si[LINES_CODE] = 0
                nm += 1
        px, py, pz = tx, ty, tz
        if trouble >= 0:
            if counts[trouble] < first_lines.shape[1]:
                first_lines[trouble, counts[trouble]] = here
            counts[trouble] += 1
        row = r + 1
    sf[X], sf[Y], sf[Z], sf[FILAMENT] = px, py, pz, pe
    return row, nm, ne
