"""What moves balls, or comes over the table, and is no attempt; each with its reason."""
