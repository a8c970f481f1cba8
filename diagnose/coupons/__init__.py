"""Test prints that the program writes itself."""
