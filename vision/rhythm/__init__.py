"""When a film's pictures were taken: those shown twice or left out, and rows that are read one after the other."""
