"""How often a shot is made, from where, with what is not known of it: counts of the log's attempts, no geometry."""
