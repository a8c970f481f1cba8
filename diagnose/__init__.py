"""Find the true cause of a bad fused-filament print."""

__version__ = "0.1.0"
