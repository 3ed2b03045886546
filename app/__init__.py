"""Attempts, shots, the fit, the store, the web API and pages, the command line."""
