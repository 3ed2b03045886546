"""From frames to ball centres, legs, contacts and attempts, each with its uncertainty."""
