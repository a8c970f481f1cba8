"""A job file in pieces: bytes to words in buffers that stay in the processor's cache, so that no whole column exists."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import IO

import numpy as np

from diagnose.toolpath._kernels import words as kernels
from diagnose.toolpath.columns import Trouble
from diagnose.toolpath.source import Source
from diagnose.toolpath.words import PAD, Room, Words

PIECE = 1 << 20
"""Bytes of a piece: with its columns it fits the cache of a processor."""
_SHORTEST_LINE = 12


class _Slot:
    """Room for the bytes and words of one piece."""

    def __init__(self) -> None:
        self.bytes = bytearray(PIECE)
        self.room = Room(PIECE // _SHORTEST_LINE)
        self.used = self.base = 0

    def fill(self, file: IO[bytes], kept: bytes, base: int) -> bytes:
        """Read whole lines after those `kept` from the piece before; return what begins the next piece."""
        self.base = base
        self.bytes[: len(kept)] = kept
        filled, ended = len(kept), False
        while True:
            while filled < len(self.bytes) and not ended:
                with memoryview(self.bytes) as view, view[filled:] as free:
                    got = file.readinto(free)  # type: ignore[attr-defined]
                filled += got
                ended = got == 0
            self.used = filled if ended else self._last_end(filled)
            if self.used or ended:
                rest = bytes(self.bytes[self.used : filled])
                self.bytes[self.used : self.used + PAD] = b"\n" * PAD
                return rest
            self.bytes = self.bytes + bytes(len(self.bytes))  # a line longer than the piece

    def _last_end(self, filled: int) -> int:
        """Return where the last line that is surely complete ends, 0 where none does."""
        cut = self.bytes.rfind(b"\n", 0, filled) + 1
        if not cut:  # lines that end with a lone CR; two of them may be the beginning of CR CR LF
            cut = self.bytes.rfind(b"\r", 0, filled - 1) + 1
            cut = 0 if cut and self.bytes[cut] == 13 else cut
        return cut

    def read(self, depth: int = 0, indent: int = -1) -> Words:
        data = np.frombuffer(self.bytes, np.uint8)[: self.used + PAD]
        return self.room.read(data, base=self.base, depth=depth, indent=indent)


class _Carry:
    """What one piece leaves to the next. Conditional blocks seldom cross a border: then the piece is read again."""

    def __init__(self) -> None:
        self.lines = self.tail = self.depth = 0
        self.indent = self.number = -1

    def join(self, words: Words, slot: _Slot) -> Words:
        """Count lines and bytes of the piece on from the one before."""
        if self.depth or self.indent >= 0:
            words = slot.read(self.depth, self.indent)
        state = slot.room.state.tolist()
        words.lines_before = self.lines
        rest = slot.used - state[kernels.LAST_END]
        if len(words):
            words.bytes_all[0] += self.tail
            self.tail = rest
        else:
            self.tail += rest
        words.trouble = Trouble(
            words.trouble.counts,
            {reason: [n + self.lines for n in lines] for reason, lines in words.trouble.first_lines.items()},
        )
        first = state[kernels.NUMBER_1]
        if self.number >= 0 and first >= 0 and first != self.number + 1:
            reason = kernels.TROUBLES[-1]
            words.trouble.counts[reason] = words.trouble.counts.get(reason, 0) + 1
            lines = words.trouble.first_lines.setdefault(reason, [])
            lines.insert(0, state[kernels.NUMBER_1_LINE] + self.lines)
            del lines[kernels.FIRST_LINES :]
        self.number = state[kernels.NUMBER] if state[kernels.NUMBER] >= 0 else self.number
        self.depth, self.indent = state[kernels.DEPTH], state[kernels.INDENT]
        self.lines += state[kernels.LINE] - 1
        return words


def pieces(source: Source, threads: int = 2) -> Iterator[tuple[Words, int, int]]:
    """Yield (words, bytes read, lines read) piece by piece, in order; the words last until the next piece is asked for.

    Up to `threads` pieces are read beside the work of the caller; the compiled reader lets other threads run.
    """
    carry, kept, at, ended = _Carry(), b"", 0, False
    # No more threads and rooms than the job has pieces.
    count = max(1, min(threads, source.size // PIECE + 1))
    free = [_Slot() for _ in range(count + 1)]
    waiting: deque[tuple[_Slot, Future[Words]]] = deque()
    with source.opened() as file, ThreadPoolExecutor(count) as pool:
        while True:
            while free and not ended:
                slot = free.pop()
                kept = slot.fill(file, kept, at)
                at += slot.used
                ended = (not kept and at >= source.size) or not slot.used
                waiting.append((slot, pool.submit(slot.read)))
            if not waiting:
                return
            slot, future = waiting.popleft()
            words = carry.join(future.result(), slot)
            yield words, slot.base + slot.used, carry.lines
            free.append(slot)
