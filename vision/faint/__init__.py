"""Balls that hardly differ from the cloth: told by how light falls on them, an outline, or a bright pattern alone."""
