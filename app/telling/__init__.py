"""Attempts and points as a person is told them: words, numbers rounded to what is known, drawings."""
