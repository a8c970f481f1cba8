"""Posterior, ledger, next question, conflict and surprise over a compiled pack."""
