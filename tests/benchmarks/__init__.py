"""Benchmarks, run as the program runs: see ``tests.benchmarks.__main__``."""

from app.launch import one_thread_for_sums

one_thread_for_sums()
