"""A remedy that was tried, as evidence: `cured`, `better` or `no change`, each as often as the remedy's sureness says.

A remedy that is sure in s of the cases in which one of its causes is at work cures in s of them; what is left is shared
between *better* and *no change*. Where another cause is at work a print seldom comes out better and hardly ever good:
something else changed with it, or the fault stayed away by itself. So a failure lowers the causes of a remedy by about
1 - s, the more the less came of it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

CURED, BETTER, NO_CHANGE = RESULTS = ("cured", "better", "no-change")
"""What may come of a remedy."""
BY_CHANCE = (0.02, 0.10, 0.88)
"""How often each comes where the remedy has nothing to do with the cause. Guesses of ours (common practice, no source)."""
BETTER_OF_FAILURES = 0.5
"""Of the failures where the cause is one of the remedy's, the share that still helps somewhat. A guess as well."""


def key(remedy: str) -> str:
    """Return the name under which a remedy stands in a network; no question or finding can have it."""
    return f"tried/{remedy}"


def frequencies(sure: float) -> NDArray[np.float64]:
    """Return how often each of the results comes where the remedy meets its cause, (3,); sums to 1."""
    failed = 1.0 - sure
    return np.array([sure, BETTER_OF_FAILURES * failed, (1.0 - BETTER_OF_FAILURES) * failed])
