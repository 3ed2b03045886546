"""What is measured once: the table's geometry, the camera, the cloth and the cushions."""
