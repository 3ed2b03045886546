"""Balls of nearly the cloth's own colour, told by how light falls on them and the shadow that they throw."""
