"""How far a line may stray and still make the shot, from geometry, and what a player's stroke makes of that."""
