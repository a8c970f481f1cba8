"""Marks on the part: reading, placing, the clocks they keep time with, the places they lie at, and a simulator."""
