"""What a ball met on its way: rails, other balls, and what turned it."""
