"""The room round the table: walls and marks, what aiming at a mark costs, marks on a wall for a point behind it."""
