"""The aim card of a shot: the lines that make it, told by sights of two rails, and for which starts they hold."""
