"""Films: opened, decoded in a process of their own, handed over frame by frame."""
