"""Bytes of a job file to columns: one pass over the bytes, one row a command."""

from __future__ import annotations

import numpy as np

from diagnose.toolpath._kernels import kernel
from diagnose.toolpath.columns import Bytes, Floats, Int32s, Ints

# Codes of operations: letter base + 10 * number + first decimal, so that M862.3 has a code of its own.
NONE, MACRO, CONDITION = 0, 1, 2
G_BASE, M_BASE, T_BASE = 1_000_000, 2_000_000, 3_000_000

EXTRA = "IJKRPSTLB"
"""Letters that few rows carry; they live in a side table."""
EXTRA_BITS = sum(1 << (ord(letter) - 65) for letter in EXTRA)
HEAD_BITS = sum(1 << (ord(letter) - 65) for letter in "XYZE")

FIRST, JUNK, MAYBE = 1, 2, 4
"""Flags of a row: first of its line; its line holds unreadable bytes; inside a conditional block."""

TROUBLES = (
    "the checksum does not match the line",
    "unreadable characters",
    "a placeholder was never filled in",
    "a quoted text is not closed",
    "a comment in parentheses is not closed",
    "a number has two decimal points",
    "the line number does not follow on",
)
FIRST_LINES = 10

# What `read` keeps between calls, in one array of integers.
POS, ROW, SIDE, LINE, LAST_END, DEPTH, INDENT, CODE_LINES, JUNK_LINES, BASE, NUMBER_1, NUMBER_1_LINE, NUMBER = range(13)
MOVING = 13
STATE_SIZE = 14
DONE, ROWS_FULL, SIDE_FULL = range(3)

PAD = 4
"""Line ends that must stand behind the data, so that no loop needs to ask where they end."""

TENS = 10.0 ** np.arange(23)
LARGEST = 10**17
_HASH_IF, _HASH_ELIF, _HASH_ELSE, _HASH_ENDIF, _HASH_WHILE = (
    int(sum((ord(c) & 31) << (5 * k) for k, c in enumerate(reversed(word))))
    for word in ("if", "elif", "else", "endif", "while")
)


@kernel
def is_text_command(op: int) -> bool:
    """Return whether the rest of the line is text: messages, file names, names of objects and machines."""
    number = (op - 2_000_000) // 10
    return (
        number == 117 or number == 118 or number == 23 or number == 28 or number == 30 or number == 32
        or number == 36 or number == 486 or number == 550 or number == 587 or number == 928
    )  # fmt: skip


@kernel
def end_of_line(data: Bytes, i: int) -> int:
    """Return where the line ends, from inside it."""
    while data[i] != 10 and data[i] != 13:
        i += 1
    return i


@kernel
def end_of_code(data: Bytes, i: int) -> int:
    """Return where the line ends or its comment begins."""
    while data[i] != 10 and data[i] != 13 and data[i] != 59:
        i += 1
    return i


@kernel
def name_at(data: Bytes, i: int) -> int:
    """Return the letters that begin here as one number, capital or not."""
    word = 0
    while 65 <= (data[i] & 0xDF) <= 90 and word < 1 << 30:
        word = (word << 5) | (int(data[i]) & 31)
        i += 1
    return word


@kernel
def checksum(data: Bytes, line0: int, first: int, star: int) -> tuple[int, int]:
    """Return where the checksum after a star ends, and 0 if it agrees, 1 if not, 2 if there is none.

    XOR of the bytes before the star, in decimal (community G-code reference), with the blanks before the first or without.
    """
    k = star + 1
    while data[k] == 32 or data[k] == 9:
        k += 1
    if not (48 <= data[k] <= 57):
        return k, 2
    stated = 0
    while 48 <= data[k] <= 57:
        stated = min(stated * 10 + (int(data[k]) - 48), 999)
        k += 1
    before = total = 0
    for b in range(line0, first):
        before ^= int(data[b])
    for b in range(first, star):
        total ^= int(data[b])
    return k, 0 if stated == total or stated == (total ^ before) else 1


@kernel
def exponent(data: Bytes, k: int) -> tuple[int, int]:
    """Return a power of ten and where it ends, from behind its e; no digits: where it began."""
    begun = k
    down = data[k] == 45
    if down or data[k] == 43:
        k += 1
    if not (48 <= data[k] <= 57):
        return 0, begun
    digits = 0
    while 48 <= data[k] <= 57:
        digits = min(digits * 10 + (int(data[k]) - 48), 9999)
        k += 1
    return -digits if down else digits, k


@kernel
def read(
    data: Bytes, stop: int, state: Ints,
    op_: Int32s, line_: Int32s, all_: Int32s, code_: Int32s, bare_: Int32s, flags_: Bytes, side_: Int32s,
    x_: Floats, y_: Floats, z_: Floats, e_: Floats, f_: Floats, extra_: Floats,
    counts: Ints, first_lines: Int32s, extra_letters: Bytes, values: Floats,
) -> int:  # fmt: skip
    """Read every line that starts before `stop`; return DONE, or what is full (grow it and call again).

    The data end with PAD bytes 10 that do not count. `state` says where to begin and is brought up to date line by line, so a call may be repeated from there. BASE is where
    in the file the data begin. Numbers of lines (N) must follow on where a checksum stands too, as on a cable; NUMBER_1 is
    the first of them, NUMBER the last (-1: none yet).
    `values` (26,) is room for the words of a line.
    Columns end in `_`, (rows,), `extra_` is (side rows, 9). `all_` and `code_` are bytes since the line of the row
    before: the whole of the file, and what is left without comments and blank lines.
    """
    n = len(data) - PAD
    rows, sides = len(op_), len(extra_)
    i, row, side, line, last_end = state[POS], state[ROW], state[SIDE], state[LINE], state[LAST_END]
    depth, block, base = state[DEPTH], state[INDENT], state[BASE]
    fresh = True
    opened = False
    mask = bare = op = 0
    line0 = indent = first_row = bad = paren = note = noted = moving = 0
    code_start = code_end = number = -1
    junk_row = counted = False
    while True:
        if fresh:
            if i >= stop:
                break
            line0 = i
            if i == 0 and base == 0 and n >= 3 and data[0] == 0xEF and data[1] == 0xBB and data[2] == 0xBF:
                i = 3
            while data[i] == 32 or data[i] == 9:
                i += 1
            indent = i - line0
            first_row = -1
            bad = paren = note = noted = moving = 0
            code_start = code_end = -1
            number = -1
            counted = False
            opened = False
            mask = bare = op = 0
        glued = False
        while True:
            c = int(data[i])
            if c <= 32:
                if c == 10 or c == 13:
                    break
                i += 1
                continue
            if c == 59:  # ; comment to the end of the line
                i = end_of_line(data, i)
                break
            if c == 40:  # ( comment )
                begun = i
                while data[i] != 41 and data[i] != 10 and data[i] != 13:
                    i += 1
                if data[i] == 41:
                    i += 1
                else:
                    bad |= 16
                if code_end > note:  # the comments before this one stood inside the code
                    paren += noted
                    noted = 0
                note = begun if noted == 0 else note
                noted += i - begun if code_start >= 0 else 0
                continue
            if code_start < 0:
                code_start = i
            u = c & 0xDF
            if 65 <= u <= 90 and c != 64:
                j = i + 1
                if not opened and u != 78:
                    nxt = data[j] & 0xDF
                    if (65 <= nxt <= 90) or (data[j] == 95):
                        word = name_at(data, i)
                        op = 1
                        if word in (_HASH_IF, _HASH_ELIF, _HASH_ELSE, _HASH_ENDIF, _HASH_WHILE):
                            op = 2
                        opened = True
                        i = end_of_code(data, i)
                        code_end = i
                        continue
                while data[j] == 32 or data[j] == 9 or data[j] == 61:
                    j += 1
                begun = j
                negative = False
                if data[j] == 45 or data[j] == 43:
                    negative = data[j] == 45
                    j += 1
                command = u == 71 or u == 77  # G, M
                plain = not (command or u == 84 or u == 78)  # neither T nor N
                m = decimals = dropped = fraction = 0
                seen = False
                while j < n:
                    d = int(data[j])
                    if 48 <= d <= 57:
                        seen = True
                        if m < LARGEST:
                            m = m * 10 + (d - 48)
                            decimals += fraction
                        else:
                            dropped += 1 - fraction
                        j += 1
                    elif d == 46 and fraction == 0:
                        fraction = 1
                        j += 1
                    elif d == 32 or d == 9:
                        k = j + 1
                        while data[k] == 32 or data[k] == 9:
                            k += 1
                        # White space may stand inside a number (NISTIR 6556, 3.3.2), but not where text may follow one.
                        if (opened or plain) and (48 <= data[k] <= 57 or (data[k] == 46 and fraction == 0)):
                            j = k
                        else:
                            break
                    else:
                        break
                if seen:
                    if command and opened:
                        glued = True
                        break
                    power = dropped - decimals
                    # A small e glued to the digits of a capital word is an exponent, as careless writers print it;
                    # anything else is an extruder word, as the standard has it.
                    if data[j] == 101 and c < 96:
                        more, k = exponent(data, j + 1)
                        if k > j + 1:
                            power += more
                            j = k
                    value = float(m)
                    if power < 0:
                        value = value / TENS[-power] if power >= -22 else value * 10.0 ** float(power)
                    elif power > 0:
                        value = value * TENS[power] if power <= 22 else value * 10.0 ** float(power)
                    if negative:
                        value = -value
                    if data[j] == 46:
                        while data[j] == 46 or 48 <= data[j] <= 57:
                            j += 1
                        if op < 2_000_000:  # versions such as U3.7.1 are no concern
                            bad |= 32
                    if not opened:
                        if u == 78:  # N: number of the line
                            number = int(min(max(value, 0.0), 1e15))
                            i = j
                            code_end = i
                            continue
                        opened = True
                        if command or u == 84:
                            op = (1_000_000 if u == 71 else 2_000_000 if u == 77 else 3_000_000) + int(
                                min(max(value, 0.0), 99999.0) * 10.0 + 0.5
                            )
                            i = j
                            code_end = i
                            if data[j] == 95:  # a macro whose name begins like a command
                                op = 1
                            if op == 1 or (u == 77 and is_text_command(op)):
                                i = end_of_code(data, i)
                                code_end = i
                            continue
                    if u == 78:
                        number = int(min(max(value, 0.0), 1e15))
                    else:
                        values[u - 65] = value
                        mask |= 1 << (u - 65)
                    i = j
                else:
                    # A bare letter; or a placeholder some program should have filled in.
                    j = begun
                    if data[j] == 123 or data[j] == 91:
                        close = 125 if data[j] == 123 else 93
                        while data[j] != close and data[j] != 10 and data[j] != 13:
                            j += 1
                        if data[j] == close:
                            j += 1
                        bad |= 4
                    else:
                        j = i + 1
                        if not opened:
                            bad |= 2
                    bare |= 1 << (u - 65)
                    i = j
                code_end = i
                continue
            if c == 42:  # * checksum
                k, verdict = checksum(data, line0, line0 + indent, i)
                counted = verdict < 2
                bad |= verdict
                i = k
                code_end = i
                continue
            if c == 34:  # "text"
                i += 1
                while data[i] != 34 and data[i] != 10 and data[i] != 13:
                    i += 1
                if data[i] == 34:
                    i += 1
                else:
                    bad |= 8
                code_end = i
                continue
            if (c == 123 or c == 91) and not opened:  # { or [ in place of a command
                k = i + 1
                while data[k] == 32 or data[k] == 9:
                    k += 1
                word = name_at(data, k)
                op = 1
                if word == _HASH_IF:
                    op = 2
                    depth += 1
                elif word == _HASH_ENDIF:
                    op = 2
                    depth = max(0, depth - 1)
                elif word in (_HASH_ELIF, _HASH_ELSE):
                    op = 2
                opened = True
                i = end_of_code(data, i)
                code_end = i
                continue
            # / asks that a line may be left out, % frames a program: neither says anything here.
            if not ((c == 47 and not opened) or c == 37):
                bad |= 2
            i += 1
            code_end = i
        if opened:
            other = mask & EXTRA_BITS
            # The line is read again once there is room: nothing of it has entered the state.
            if row >= rows:
                return ROWS_FULL
            if other != 0 and side >= sides:
                return SIDE_FULL
            if block >= 0 and first_row < 0 and indent <= block:
                block = -1
            junk_row = (bad & 2) != 0
            op_[row] = op
            line_[row] = line
            all_[row] = 0
            code_[row] = 0
            if mask & 1 and not mask & 16:  # A is an older name of the extruder
                values[4] = values[0]
                mask |= 16
            if bare & 1:
                bare |= 16
            bare_[row] = bare
            flags_[row] = (
                (1 if first_row < 0 else 0) | (2 if junk_row else 0) | (4 if depth > 0 or block >= 0 else 0)
            )
            x_[row] = values[23] if mask & (1 << 23) else np.nan
            y_[row] = values[24] if mask & (1 << 24) else np.nan
            z_[row] = values[25] if mask & (1 << 25) else np.nan
            e_[row] = values[4] if mask & (1 << 4) else np.nan
            f_[row] = values[5] if mask & (1 << 5) else np.nan
            side_[row] = -1
            if other != 0:
                for k in range(len(extra_letters)):
                    letter = int(extra_letters[k]) - 65
                    extra_[side, k] = values[letter] if mask & (1 << letter) else np.nan
                side_[row] = side
                side += 1
            if first_row < 0:
                first_row = row
            row += 1
            if G_BASE <= op <= G_BASE + 30 and op % 10 == 0 and mask & HEAD_BITS:
                moving += 1
            if op == 2 and depth == 0:
                block = indent
        if glued:
            fresh = False
            opened = False
            mask = bare = op = 0
            continue
        # The end of the line: LF, CR LF, CR CR LF or a lone CR.
        ends = 1
        if i < n:
            if data[i] == 13:
                k = i
                while data[k] == 13:
                    k += 1
                if k < n and data[k] == 10:
                    i = k + 1
                else:
                    ends = k - i
                    i = k
            else:
                i += 1
        if code_end > note:
            paren += noted
        if first_row >= 0:
            all_[first_row] = i - last_end
            code_[first_row] = code_end - code_start - paren + 1
            last_end = i
        if number >= 0 and (counted or op == 2001100):
            if op == 2001100:  # M110 sets the number to count from
                if state[NUMBER_1] < 0:
                    state[NUMBER_1] = -2
            elif state[NUMBER_1] == -1:
                state[NUMBER_1], state[NUMBER_1_LINE] = number, line
            elif number != state[NUMBER] + 1:
                bad |= 64
            state[NUMBER] = number
        if code_start >= 0:
            state[CODE_LINES] += 1
            if bad & 2:
                state[JUNK_LINES] += 1
                moving = 0
                for k in range(max(first_row, 0), row if first_row >= 0 else 0):
                    flags_[k] |= 2
        if bad:
            for k in range(len(counts)):
                if bad & (1 << k):
                    if counts[k] < first_lines.shape[1]:
                        first_lines[k, counts[k]] = line
                    counts[k] += 1
        state[MOVING] += moving
        line += ends
        fresh = True
        state[POS], state[ROW], state[SIDE], state[LINE], state[LAST_END] = i, row, side, line, last_end
        state[DEPTH], state[INDENT] = depth, block
    return DONE
