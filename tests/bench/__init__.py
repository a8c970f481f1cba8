"""Measure what people wait for. No tests: ``python -m tests.bench`` prints tables; run it on a quiet machine."""
