"""What the engine must know of a printer: plain numbers, each with where it came from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

Origin = Literal["measured", "job", "generic"]

CONFIDENCE_CAP: Mapping[str, float] = {"measured": 0.95, "job": 0.8, "generic": 0.5}
"""The most a finding may be believed that rests on a number of this origin."""

CARD_FREE_CAP = 0.95
"""The most a finding may be believed that rests on the job file alone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """One printer as the toolpath engine sees it. Lengths in mm, times in s, per-axis values as x, y, z, e.

    There are no defaults: every number has one home, the printer card it was read from.
    """

    planning: Literal["board", "host"]
    """Where speeds are planned: on the motion board, or on a host that streams timed steps."""
    buffer_time: float
    """s of steps that a planning host streams ahead of the head; of no meaning on a board that plans."""
    queue_moves: int
    """Blocks the motion queue holds (N)."""
    queue_seen: int
    """Blocks the planner can see when a block is handed over: N, or N - 1 on some boards."""
    acceleration: float
    """mm/s2 while printing; a job's own M204 wins where it speaks."""
    travel_acceleration: float
    """mm/s2 of moves that do not extrude."""
    axis_speed: tuple[float, float, float, float]
    """mm/s, the most each axis may do."""
    axis_acceleration: tuple[float, float, float, float]
    """mm/s2, the most each axis may do."""
    corner_rule: Literal["radius", "step"]
    """``radius``: centripetal rule with a deviation; ``step``: largest sudden change of speed per axis."""
    corner_deviation: float
    """mm, for the centripetal rule."""
    corner_step: tuple[float, float, float, float]
    """mm/s, for the per-axis rule."""
    least_speed: float
    """mm/s, the least that a move with filament is asked for; 0 for none."""
    least_travel_speed: float
    """mm/s, the least that a move without filament is asked for; 0 for none."""
    least_move: float
    """s that a move is made to last at least while the queue runs low; 0 for none."""
    stretch_below: int
    """The queue runs low while it holds fewer moves than this; 0 for never."""
    job_sets_limits: bool
    """False: the card forbids that a job changes acceleration, speed caps and corner limits (M201 to M205)."""
    tool_change_time: float
    """s the head stands for a change of tool; 0: the board does not wait for one."""
    feed: Literal["card", "cable"]
    """Where moves come from."""
    bytes_per_s: float
    """What the card or the cable carries, bytes/s."""
    line_time: float
    """s the board spends on one line, whatever its length."""
    reply_time: float
    """s between the end of a line on the cable and the next one starting (send and wait); 0 from a card."""
    reply_bytes: int
    """Bytes of the board's answer to each line; 0 from a card."""
    window_lines: int
    """Lines a host may have under way unanswered; 1 is send and wait."""
    checkpoint_every: float
    """s between saves of the resume checkpoint; 0 when the board saves none."""
    checkpoint_takes: float
    """s that one save keeps new moves out of the queue."""
    rated_writes: int
    """How often one place of the memory that checkpoints are saved to may be written."""
    hiccups_per_min: float
    """Random stalls of the supply, mean number a minute; they go to the risk, never to the stops."""
    hiccup_takes: float
    """s, mean length of one random stall; lengths are exponential, times a Poisson process."""
    resends_per_1000: float
    """Lines in a thousand that a bad cable spoils, so that lines are sent again; a risk, never a stop."""
    resend_lines: int
    """Lines sent again each time."""
    filament_diameter: float
    """mm."""
    nozzle_diameter: float
    """mm."""
    melt_rate: float
    """mm3/s, the most the hot end melts well."""
    retract_length: float
    """mm, for G10/G11 carried out by the board."""
    retract_speed: float
    """mm/s, for G10/G11 carried out by the board."""
    ooze_rate: float
    """mm3/s that leaves a full nozzle standing still."""
    origin: Mapping[str, Origin] = field(default_factory=dict)
    """Field name to where its number came from; a field not named is ``generic``."""

    def confidence_cap(self, *fields: str) -> float:
        """Return the most a finding may be believed that rests on these fields (amended design, 1.8)."""
        if not fields:
            return CARD_FREE_CAP
        return min(CONFIDENCE_CAP[self.origin.get(name, "generic")] for name in fields)
