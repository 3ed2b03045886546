"""Attempts that were not filmed: entered by hand in the trade's words, or imported from a file of attempts."""
