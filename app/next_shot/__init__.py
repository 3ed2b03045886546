"""What to shoot next: from which place a further attempt tells most, and how many more it takes."""
