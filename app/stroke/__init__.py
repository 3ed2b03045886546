"""How steadily a player delivers a line, and how often a shot is then made from given margins."""
