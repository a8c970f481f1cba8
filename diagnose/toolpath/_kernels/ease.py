"""Kernels of the stage `ease`: which lines of a job may be joined, and the lines written for them."""

from __future__ import annotations

from diagnose.toolpath._kernels import kernel
from diagnose.toolpath.columns import Bools, Bytes, Floats, Int32s, Ints, Singles

PLAIN, JOINS, STEPS, LENGTHS, PLACED = 1, 2, 4, 8, 16
"""Flags of a move: its line is a plain G1 whose start and meaning are known; it may be joined to the move before;
its coordinates are steps (G91); its extruder word is a length (M83 or G91); it states both X and Y, as places in mm."""

AT, SIZE, DECIMALS, DIGITS = range(4)
"""Rows of the (4, 5) table of the words X Y Z E F of a line: where the word begins, its bytes (0: absent), digits after
the point, and all digits as one signed number."""
OTHER, NUMBERED = -1, -2

# What `mark` counts: moves that wait for a mode to be stated, first line that is numbered or sets a mode under a
# condition, then digits after the point of X and Y, of Z, of E, from none to MOST_DECIMALS.
UNSTATED_AXES, UNSTATED_FILAMENT, NUMBERED_LINE, CONDITIONAL_LINE, FINENESS = range(5)
MOST_DECIMALS = 9
TALLIES = FINENESS + 3 * (MOST_DECIMALS + 1)
LARGEST = 10**15
FARTHEST = 1e6  # mm; the reader of moves leaves longer words out

# Codes of operations, and the flags FIRST, JUNK, MAYBE of a row, are those of the reader of words.
_G1 = 1_000_010


@kernel
def scan(data: Bytes, begin: int, end: int, words: Ints) -> int:
    """Find the words of a line that the reader took for one G1; return where the last one ends.

    OTHER where the line holds anything but X Y Z E F, each once, as plain numbers, and a comment behind them; NUMBERED
    where it begins with its number.
    """
    words[SIZE, :] = 0
    i = begin
    while i < end and (data[i] == 32 or data[i] == 9):
        i += 1
    if i < end and (data[i] & 0xDF) == 78:
        return NUMBERED
    if i >= end or (data[i] & 0xDF) != 71:
        return OTHER
    i += 1
    while i < end and 48 <= data[i] <= 57:
        i += 1
    done = i
    while True:
        while i < end and (data[i] == 32 or data[i] == 9):
            i += 1
        c = int(data[i]) if i < end else 10
        if c == 10 or c == 13 or c == 59:
            return done
        u = c & 0xDF if c >= 65 else 0
        k = u - 88 if 88 <= u <= 90 else u - 66 if 69 <= u <= 70 else -1
        if k < 0 or words[SIZE, k] > 0:
            return OTHER
        word = i
        i += 1
        while i < end and (data[i] == 32 or data[i] == 9):
            i += 1
        negative = i < end and data[i] == 45
        if i < end and (data[i] == 45 or data[i] == 43):
            i += 1
        digits = decimals = point = 0
        seen = False
        while i < end and (48 <= data[i] <= 57 or (data[i] == 46 and point == 0)):
            if data[i] == 46:
                point = 1
            else:
                seen = True
                digits = digits * 10 + (int(data[i]) - 48)
                decimals += point
                if digits > LARGEST or decimals > MOST_DECIMALS:
                    return OTHER
            i += 1
        if not seen:
            return OTHER
        words[AT, k], words[SIZE, k], words[DECIMALS, k] = word, i - word, decimals
        words[DIGITS, k] = -digits if negative else digits
        done = i


@kernel
def mark(
    data: Bytes, op: Int32s, line: Int32s, all_: Int32s, bare: Int32s, flags: Bytes, side: Int32s,
    x: Floats, y: Floats, z: Floats, e: Floats, harmless: Bools,
    move_line: Int32s, length: Floats, rise: Floats, pushed: Floats, feed: Singles,
    kind: Bytes, begin: Ints, end: Ints, tail: Ints, words: Ints, tally: Ints,
) -> None:  # fmt: skip
    """Fill the flags of every move, and of plain ones where their line begins, its words end and the line ends.

    `x` to `e` are words, one a row; `length`, `rise`, `pushed` and `feed` belong to moves. `harmless` rows move nothing and
    change no meaning. After any other, words that state a place must be stated anew before the start of a move is known.
    """
    n, moves = len(op), len(move_line)
    at = move = 0
    before, before_end = -1, -1  # the plain move of the row before, and where its line ends
    axes = filament = 0  # 0: not stated; 1: places; 2: steps or lengths
    unknown = 15  # bits of X Y Z E: where it stands is not known
    millimetres = True
    for r in range(n):
        first, sure = flags[r] & 1, flags[r] & 6 == 0
        floor = at
        at += all_[r]
        o = op[r]
        plain_before = before
        before = -1
        if o == 1000900 or o == 1000910:
            axes = 1 if o == 1000900 else 2
        elif o == 2000820 or o == 2000830:
            filament = 1 if o == 2000820 else 2
        elif o == 1000200 or o == 1000210:
            millimetres = o == 1000210
        meaning = o == 1000900 or o == 1000910 or o == 2000820 or o == 2000830 or o == 1000200 or o == 1000210
        if meaning and flags[r] & 4 and tally[CONDITIONAL_LINE] == 0:
            tally[CONDITIONAL_LINE] = line[r]
        if o == 1000920 and sure:
            named = bare[r] >> 23 & 7 | (bare[r] >> 4 & 1) << 3
            named |= (x[r] == x[r]) | (y[r] == y[r]) << 1 | (z[r] == z[r]) << 2 | (e[r] == e[r]) << 3
            unknown &= ~named if named else 0
            continue
        if not (1000000 <= o <= 1000030 and o % 10 == 0):
            unknown = unknown if harmless[r] and sure else 15
            continue
        stated = (x[r] == x[r]) | (y[r] == y[r]) << 1 | (z[r] == z[r]) << 2
        pushes = e[r] == e[r]
        places = (stated if axes == 1 else 0) | (8 if pushes and axes == 1 and filament == 1 else 0)
        known = unknown & places == 0
        far = abs(x[r]) > FARTHEST or abs(y[r]) > FARTHEST or abs(z[r]) > FARTHEST or abs(e[r]) > FARTHEST
        unknown = unknown & ~places if sure and not far else 15
        alone = first and (r + 1 == n or flags[r + 1] & 1)
        if not alone:
            continue
        stop = at
        while stop > floor and (data[stop - 1] == 10 or data[stop - 1] == 13):
            stop -= 1
        b = stop
        while b > floor and data[b - 1] != 10 and data[b - 1] != 13:
            b -= 1
        code = scan(data, b, at, words)
        if code == NUMBERED and tally[NUMBERED_LINE] == 0:
            tally[NUMBERED_LINE] = line[r]
        if o != _G1 or code < 0 or not sure or far or side[r] >= 0 or bare[r] != 0:
            continue
        if stated != ((words[SIZE, 0] > 0) | (words[SIZE, 1] > 0) << 1 | (words[SIZE, 2] > 0) << 2):
            continue
        while move < moves and move_line[move] < line[r]:
            move += 1
        if move == moves or move_line[move] != line[r] or not length[move] > 0.0 or pushes != (words[SIZE, 3] > 0):
            continue
        # Joined are moves that print, and travels on one height; wipes and what pushes without a word for it stay.
        if not (pushed[move] > 0.0 if pushes else pushed[move] == 0.0 and rise[move] == 0.0):
            continue
        if axes == 0:
            tally[UNSTATED_AXES] += 1
            continue
        # Boards disagree whether G91 makes extruder words lengths: where both are stated as such there is no doubt.
        if pushes and (filament == 0 or (axes == 2 and filament != 2)):
            tally[UNSTATED_FILAMENT] += 1
            continue
        for k in range(4):
            if words[SIZE, k] > 0:
                tally[FINENESS + max(0, k - 1) * (MOST_DECIMALS + 1) + words[DECIMALS, k]] += 1
        if not known:
            continue
        kind[move] = PLAIN | (STEPS if axes == 2 else 0) | (LENGTHS if filament == 2 else 0)
        kind[move] |= PLACED if axes == 1 and millimetres and stated & 3 == 3 else 0
        begin[move], end[move], tail[move] = b, at, code
        p = plain_before
        if p >= 0 and p == move - 1 and b == before_end and feed[p] == feed[move] and (pushed[p] > 0.0) == pushes:
            same = end[p] - tail[p] == at - code
            k = 0
            while same and k < at - code:
                same = data[tail[p] + k] == data[code + k]
                k += 1
            if same:
                kind[move] |= JOINS
        before, before_end = move, at


@kernel
def put(data: Bytes, begin: int, end: int, out: Bytes, at: int) -> int:
    """Copy bytes; return where they end."""
    for k in range(begin, end):
        out[at] = data[k]
        at += 1
    return at


@kernel
def put_number(digits: int, decimals: int, out: Bytes, at: int) -> int:
    """Write a decimal number given as all its digits; return where it ends."""
    if digits < 0:
        out[at] = 45
        at += 1
        digits = -digits
    count, rest = 1, digits // 10
    while rest > 0:
        count += 1
        rest //= 10
    count = max(count, decimals + 1)
    place = at + count + (1 if decimals > 0 else 0)
    after = place
    for k in range(count):
        if k == decimals and decimals > 0:
            place -= 1
            out[place] = 46
        place -= 1
        out[place] = 48 + digits % 10
        digits //= 10
    return after


@kernel
def put_word(data: Bytes, k: int, anew: bool, words: Ints, out: Bytes, at: int) -> int:
    """Write the k-th of the words X Y Z E F as it stands, or its letter and its digits anew; return where it ends."""
    begin, size = words[AT, k], words[SIZE, k]
    if anew:
        return put_number(words[DIGITS, k], words[DECIMALS, k], out, put(data, begin, begin + 1, out, at))
    return put(data, begin, begin + size, out, at)


@kernel
def renewed(kind: int, shift: Int32s, move: int, k: int) -> bool:
    """Return whether the k-th of the words X Y Z E F is written anew: a sum, or a coordinate that is shifted."""
    if k < 2 and shift[move, k] != 0:
        return True
    return bool(k < 4 and kind & (LENGTHS if k == 3 else STEPS) != 0)


@kernel
def write(
    data: Bytes, kind: Bytes, dropped: Bools, shift: Int32s, decimals_xy: int, begin: Ints, end: Ints, tail: Ints,
    words: Ints, out: Bytes,
) -> int:  # fmt: skip
    """Write the job without the lines of corners left out; return its bytes.

    The line that is kept of a run stays as it is, but that X and Y are shifted; that lengths and steps become sums, which
    are exact, with as many digits as the finest of them; and that words which only lines left out have are copied to its end.
    """
    n = len(kind)
    at = copied = 0
    last = words.copy()
    m = 0
    while m < n:
        if not (dropped[m] or shift[m, 0] != 0 or shift[m, 1] != 0):
            m += 1
            continue
        at = put(data, copied, begin[m], out, at)
        final = m
        while dropped[final]:
            final += 1
        last[SIZE, :] = 0
        last[DECIMALS, :] = 0
        for i in range(m, final + 1):
            scan(data, begin[i], end[i], words)
            for k in range(5):
                if words[SIZE, k] > 0:
                    summed = kind[i] & (LENGTHS if k == 3 else STEPS) and k < 4
                    decimals = max(last[DECIMALS, k], words[DECIMALS, k])
                    digits = words[DIGITS, k]
                    if summed and last[SIZE, k] > 0:
                        digits = digits * 10 ** (decimals - words[DECIMALS, k])
                        digits += last[DIGITS, k] * 10 ** (decimals - last[DECIMALS, k])
                    elif not summed:
                        decimals = words[DECIMALS, k]
                    last[AT, k], last[SIZE, k] = words[AT, k], words[SIZE, k]
                    last[DECIMALS, k], last[DIGITS, k] = decimals, digits
        for k in range(2):
            if shift[final, k] != 0:
                decimals = max(last[DECIMALS, k], decimals_xy)
                last[DIGITS, k] *= 10 ** (decimals - last[DECIMALS, k])
                last[DIGITS, k] += shift[final, k] * 10 ** (decimals - decimals_xy)
                last[DECIMALS, k] = decimals
        place = begin[final]
        while True:  # the words of the kept line in their order, with all that stands between them
            k = -1
            for c in range(5):
                if last[SIZE, c] > 0 and last[AT, c] >= place and (k < 0 or last[AT, c] < last[AT, k]):
                    k = c
            if k < 0:
                break
            at = put(data, place, last[AT, k], out, at)
            place = last[AT, k] + last[SIZE, k]
            at = put_word(data, k, renewed(kind[final], shift, final, k), last, out, at)
        for k in range(5):
            if last[SIZE, k] > 0 and last[AT, k] < begin[final]:
                out[at] = 32
                at = put_word(data, k, renewed(kind[final], shift, final, k), last, out, at + 1)
        at = put(data, tail[final], end[final], out, at)
        copied = end[final]
        m = final + 1
    return put(data, copied, len(data), out, at)
