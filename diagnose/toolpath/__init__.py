"""Bytes of a job file to words, moves, shape, speeds, supply and findings."""
