"""Where a ball's outline lies in a picture, and so its centre."""
