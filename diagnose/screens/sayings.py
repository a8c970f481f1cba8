"""Sentences of the screen of a case."""

from __future__ import annotations

ENOUGH = "The first suspect is clear enough: c shows what to try. You may go on answering."
CLOSED = "The case is closed. Cured by: "
OF_CLOSED = "c shows what cured it, and goes on where something else is wrong; b takes the result back."
NOTHING_LEFT = "Nothing more is worth asking."
THE_CURE = " The cure: c"
OF_A_LEADER = "t shows how to cure the first suspect and how to make sure of it"
OF_NO_LEADER = (
    "No suspect stands out: t shows the tests of the one under the cursor, and a result tells more than any answer"
)
WHAT_ELSE = "a changes an answer, l shows everything for and against."
THE_JOB = "j attaches the job file, which may tell more"
THE_MARKS = "m takes the marks measured on the part, which may tell more"
JOB_READ = "The job file is read: j shows what it says, s what is worth asking now."
WHY_NOT = {
    "undo": "There is nothing to undo.",
    "skip": "There is no other question worth asking now.",
    "why": "No question is asked now.",
    "digit": "No question is asked now.",
    "given": "Nothing was answered yet.",
    "steps": "Nothing more is worth looking at; c shows what to try.",
    "doubts": "There is no doubt to tell of.",
}
"""Action to why it cannot be done now."""
