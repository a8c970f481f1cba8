"""A second look at a question that was answered before: how its answer hangs on the first one."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]



def look_again(stated: Array, usual: Array, slips: float) -> Array:
    """Return P(what is there | cause, what was reported first), shape (rows, answers reported, answers there).

    A first report is what is there, or with ``slips`` a draw from ``usual``; so by Bayes
    P(t | c, d) is proportional to P*(t | c) ((1 - slips) [t = d] + slips usual(d)).

    Parameters
    ----------
    stated
        P* of the first question, (rows, answers), before slips; rows sum to 1.
    usual
        Its usual shares, (answers,).
    """
    size = len(usual)
    reported = (1.0 - slips) * np.eye(size) + slips * usual[:, None]  # (reported, there)
    joint = stated[:, None, :] * reported[None, :, :]
    return np.asarray(joint / joint.sum(axis=2, keepdims=True))
